// @ts-check
/** `<input type="checkbox" data-pick-all>` in a table's head ticks every box of the table's body. */

/**
 * How the head's box stands when so many of the body's are ticked.
 * @param {number} ticked
 * @param {number} all
 * @returns {{checked: boolean, indeterminate: boolean}}
 */
export const headOf = (ticked, all) => ({ checked: all > 0 && ticked === all, indeterminate: ticked > 0 && ticked < all });

for (const head of /** @type {NodeListOf<HTMLInputElement>} */ (document.querySelectorAll("input[data-pick-all]"))) {
  const table = head.closest("table");
  if (!table) continue;
  /** @returns {HTMLInputElement[]} */
  const boxes = () => [...table.querySelectorAll("tbody input[type='checkbox']")].map((box) => /** @type {HTMLInputElement} */ (box));
  const show = () => Object.assign(head, headOf(boxes().filter((box) => box.checked).length, boxes().length));
  head.addEventListener("change", () => {
    for (const box of boxes()) box.checked = head.checked;
    show();
  });
  table.addEventListener("change", show);
}
