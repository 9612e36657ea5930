// @ts-check
/** Asks before leaving a page whose `<form data-unsaved>` holds changes that were not sent. */

/**
 * True when two readings of a form differ in any field, value or order.
 * @param {[string, string][]} before
 * @param {[string, string][]} now
 */
export const differs = (before, now) =>
  before.length !== now.length || before.some(([name, value], i) => now[i][0] !== name || now[i][1] !== value);

/**
 * A form as pairs of text; a chosen file counts by name and size.
 * @param {HTMLFormElement} form
 * @returns {[string, string][]}
 */
const read = (form) =>
  [...new FormData(form)].map(([name, value]) => [
    name,
    typeof value === "string" ? value : `${value.name}/${value.size}`,
  ]);

/** @type {Map<HTMLFormElement, [string, string][]>} */
const watched = new Map();
for (const form of /** @type {NodeListOf<HTMLFormElement>} */ (document.querySelectorAll("form[data-unsaved]"))) {
  watched.set(form, read(form));
  form.addEventListener("submit", () => watched.delete(form));
}
if (watched.size > 0) {
  window.addEventListener("beforeunload", (event) => {
    for (const [form, before] of watched) if (differs(before, read(form))) event.preventDefault();
  });
}
