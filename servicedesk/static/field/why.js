// @ts-check
/** Fetches the reasons of one unit into the round when somebody opens them; the link stays if that fails. */

/** @param {HTMLDetailsElement} box */
const load = async (box) => {
  const link = box.querySelector("a");
  if (!link || box.dataset.why) return;
  box.dataset.why = "asked";
  try {
    const answer = await fetch(link.href, { headers: { Accept: "text/html" } });
    const reasons = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("#reasons");
    if (!answer.ok || !reasons) throw new Error("no reasons in the answer");
    link.parentElement?.replaceWith(...reasons.childNodes);
  } catch {
    box.dataset.why = "";
  }
};

for (const box of /** @type {NodeListOf<HTMLDetailsElement>} */ (document.querySelectorAll("details[data-why]"))) {
  box.addEventListener("toggle", () => {
    if (box.open) load(box);
  });
}
