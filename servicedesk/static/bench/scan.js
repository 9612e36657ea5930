// @ts-check
/** Reads a label with the camera and searches for what it says, by the reader of the technician's app. */

import { scanCode } from "../field/app/scan.js";

const press = /** @type {HTMLButtonElement | null} */ (document.querySelector("[data-scan]"));
const input = /** @type {HTMLInputElement | null} */ (document.getElementById(press?.dataset.scan ?? ""));

press?.addEventListener("click", () =>
  scanCode((code) => {
    if (!input) return;
    input.value = code;
    input.form?.requestSubmit();
  }),
);
