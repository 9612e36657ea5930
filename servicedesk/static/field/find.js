// @ts-check
/** Narrows the round to what is typed, without leaving the page; Enter still asks the server. */

/** @param {string} text */
export const plain = (text) => text.toLowerCase().replace(/[\s\-_/.]/g, "");

/**
 * Whether any of the names on a unit contains what was typed.
 * @param {string} typed
 * @param {string} names
 */
export const fits = (typed, names) => names.split(" ").some((name) => plain(name).includes(plain(typed)));

/** @type {HTMLFormElement | null} */
const form = document.querySelector("form[data-find]");
const input = form?.querySelector("input");
const says = form?.querySelector("[data-find-says]");
if (input && says) {
  /** @type {HTMLElement[]} */
  const cards = [...document.querySelectorAll("[data-stop]")].map((card) => /** @type {HTMLElement} */ (card));
  /** @type {HTMLElement[]} */
  const places = [...document.querySelectorAll("[data-place]")].map((place) => /** @type {HTMLElement} */ (place));
  input.addEventListener("input", () => {
    const typed = input.value.trim();
    let shown = 0;
    for (const card of cards) {
      card.hidden = typed !== "" && !fits(typed, card.dataset.stop ?? "");
      if (!card.hidden) shown += 1;
    }
    for (const place of places) place.hidden = !place.querySelector("[data-stop]:not([hidden])");
    says.textContent = typed === "" ? "" : `${shown} of ${cards.length} on this list. Find looks through the whole site.`;
  });
}
