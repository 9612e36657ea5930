// @ts-check
/** Folds the navigation behind one button on a phone. Without scripts it simply stays open. */

/** @type {HTMLButtonElement | null} */
const button = document.querySelector("button[data-menu]");
const nav = button && document.getElementById(button.getAttribute("aria-controls") ?? "");
if (button && nav) {
  /** @param {boolean} open */
  const set = (open) => {
    nav.classList.toggle("is-open", open);
    button.setAttribute("aria-expanded", String(open));
  };
  button.addEventListener("click", () => set(button.getAttribute("aria-expanded") !== "true"));
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || button.getAttribute("aria-expanded") !== "true") return;
    set(false);
    button.focus();
  });
}
