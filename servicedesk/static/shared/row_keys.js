// @ts-check
/**
 * Up and down arrows move from row to row in `<table data-row-keys>`; Home and End go to the ends; Enter
 * opens the row, since the focus stands on its link. Tab still visits every link as usual.
 */

/**
 * Index to move to, or the same index at either end.
 * @param {string} key
 * @param {number} at
 * @param {number} count
 */
export const moveTo = (key, at, count) => {
  if (key === "ArrowDown") return Math.min(at + 1, count - 1);
  if (key === "ArrowUp") return Math.max(at - 1, 0);
  if (key === "Home") return 0;
  if (key === "End") return count - 1;
  return at;
};

for (const table of document.querySelectorAll("table[data-row-keys]")) {
  table.addEventListener("keydown", (raw) => {
    const event = /** @type {KeyboardEvent} */ (raw);
    if (event.ctrlKey || event.metaKey || event.altKey || event.shiftKey) return;
    /** @type {HTMLElement[]} */
    const links = [...table.querySelectorAll("tbody th[scope='row'] a")].map((a) => /** @type {HTMLElement} */ (a));
    const at = links.indexOf(/** @type {HTMLElement} */ (document.activeElement));
    if (at < 0) return;
    const to = moveTo(event.key, at, links.length);
    if (to === at) return;
    event.preventDefault();
    links[to].focus();
  });
}
