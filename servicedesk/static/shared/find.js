// @ts-check
/**
 * `<input data-find="address">` offers what fits while one types, in a list of the browser's own. Without
 * this module the field still takes a name: the server looks it up when the form is sent.
 */

const WAIT_MS = 150;

/**
 * Whether what stands in the field is worth asking about: not nothing, and not what was offered.
 * @param {string} text
 * @param {string[]} offered
 */
export const isWorthAsking = (text, offered) => text.trim() !== "" && !offered.includes(text);

/** @param {HTMLInputElement} input */
const offer = (input) => {
  const list = document.createElement("datalist");
  list.id = `${input.id}-found`;
  input.after(list);
  input.setAttribute("list", list.id);
  /** @type {string[]} */
  let offered = [];
  let timer = 0;
  let asked = 0;
  input.addEventListener("input", () => {
    window.clearTimeout(timer);
    if (!isWorthAsking(input.value, offered)) return;
    timer = window.setTimeout(async () => {
      const mine = ++asked;
      const address = `${input.dataset.find}?${new URLSearchParams({ q: input.value })}`;
      try {
        const answer = await fetch(address, { headers: { Accept: "application/json" } });
        // An older question may be answered last.
        if (!answer.ok || mine !== asked) return;
        offered = (await answer.json()).found;
      } catch {
        return; // Without a line the field takes what is typed.
      }
      list.replaceChildren(
        ...offered.map((name) => {
          const option = document.createElement("option");
          option.value = name;
          return option;
        }),
      );
    }, WAIT_MS);
  });
};

for (const input of document.querySelectorAll("input[data-find]")) {
  offer(/** @type {HTMLInputElement} */ (input));
}
