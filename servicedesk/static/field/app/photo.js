// @ts-check
/** Photos: taken or chosen, made small on the phone, kept there until the server has the whole file. */

import { button, count, h, icon, say } from "./dom.js";
import { putPhoto } from "./store.js";

const LONGEST_SIDE_PX = 1600;
const QUALITY = 0.8;

/** @param {ArrayBuffer} bytes */
const sha256 = async (bytes) =>
  [...new Uint8Array(await crypto.subtle.digest("SHA-256", bytes))]
    .map((b) => b.toString(16).padStart(2, "0"))
    .join("");

/** A file as a JPEG whose longer side is at most 1600 px, upright. @param {Blob} file */
export const shrink = async (file) => {
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, LONGEST_SIDE_PX / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(picture.width * scale));
  canvas.height = Math.max(1, Math.round(picture.height * scale));
  canvas.getContext("2d")?.drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  const blob = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", QUALITY));
  if (!blob) throw new Error("This picture could not be read. Take another one.");
  return /** @type {Blob} */ (blob);
};

/** Keeps a picture on the phone, not yet part of an act. @param {Blob} file */
export const keepPhoto = async (file) => {
  const blob = await shrink(file);
  const photo = {
    id: crypto.randomUUID(),
    blob,
    length: blob.size,
    media_type: "image/jpeg",
    sha256: await sha256(await blob.arrayBuffer()),
    taken_at: new Date().toISOString(),
    state: /** @type {any} */ ("draft"),
    act: "",
    visit: "",
    person: "",
    offset: 0,
  };
  await putPhoto(photo);
  return photo;
};

/**
 * A button that takes photos, with what was taken beside it. `kept` is filled in place.
 * @param {any[]} kept
 * @param {() => void} onChange
 */
export const photoField = (kept, onChange) => {
  const shown = h("div", { class: "app-photos" });
  const said = h("p", { class: "errorlist", role: "alert" });
  const draw = () =>
    shown.replaceChildren(
      ...kept.map((photo, i) => {
        const address = URL.createObjectURL(photo.blob);
        return h(
          "span",
          { class: "app-photo" },
          h("img", { src: address, alt: `Photo ${i + 1}`, on: { load: () => URL.revokeObjectURL(address) } }),
          button(
            icon("failed"),
            () => {
              kept.splice(i, 1);
              draw();
              onChange();
            },
            { "aria-label": `Leave photo ${i + 1} out` },
          ),
        );
      }),
    );
  const input = h("input", {
    type: "file",
    accept: "image/*",
    capture: "environment",
    hidden: true,
    on: {
      change: async () => {
        said.textContent = "";
        try {
          for (const file of input.files ?? []) kept.push(await keepPhoto(file));
          say(count(kept.length, "photo"));
        } catch (error) {
          said.textContent = /** @type {Error} */ (error).message;
        }
        input.value = "";
        draw();
        onChange();
      },
    },
  });
  draw();
  return h(
    "div",
    { class: "app-photo-field" },
    button([icon("camera"), "Photo"], () => input.click()),
    input,
    shown,
    said,
  );
};
