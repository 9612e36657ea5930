// @ts-check
/** The appearance chooser in the foot of every page: as the device, light or dark; kept per browser. */

/** @typedef {"device" | "light" | "dark"} Appearance */

/**
 * What a stored or chosen word means; anything unknown is the device's own appearance.
 * @param {string | null | undefined} word
 * @returns {Appearance}
 */
export const appearanceOf = (word) => (word === "light" || word === "dark" ? word : "device");

/** @param {Appearance} appearance */
const show = (appearance) => {
  if (appearance === "device") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = appearance;
};

/** @type {HTMLSelectElement | null} */
const chooser = document.querySelector("select[data-appearance]");
if (chooser) {
  chooser.value = appearanceOf(document.documentElement.dataset.theme);
  chooser.addEventListener("change", () => {
    const appearance = appearanceOf(chooser.value);
    show(appearance);
    try {
      if (appearance === "device") localStorage.removeItem("appearance");
      else localStorage.setItem("appearance", appearance);
    } catch {
      // Not kept, but shown for this page.
    }
  });
}
