// @ts-check
/** `<button type="button" class="button needs-js" data-print>` prints the page. */
for (const button of document.querySelectorAll("button[data-print]")) {
  button.addEventListener("click", () => window.print());
}
