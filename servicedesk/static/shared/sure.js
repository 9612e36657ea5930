// @ts-check
/**
 * Small guards for forms. `data-sure="Question?"` on a form asks before it is sent. Any form that changes
 * something locks its buttons once sent, so that a second tap sends nothing; the server holds against
 * repeats on its own as well.
 */

document.addEventListener("submit", (event) => {
  const form = /** @type {HTMLFormElement} */ (event.target);
  const question = form.dataset.sure;
  if (question && !window.confirm(question)) {
    event.preventDefault();
    event.stopImmediatePropagation();
    return;
  }
  if (form.method !== "post" || event.defaultPrevented) return;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  form.setAttribute("aria-busy", "true");
}, { capture: true });

// Back from the browser's memory of pages: the form may be sent again.
window.addEventListener("pageshow", (event) => {
  if (!event.persisted) return;
  for (const form of document.querySelectorAll("form[data-sent]")) {
    form.removeAttribute("data-sent");
    form.removeAttribute("aria-busy");
  }
});
