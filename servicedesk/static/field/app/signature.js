// @ts-check
/** A field to sign on with a finger; the lines are kept as whole numbers, so that every screen draws them alike. */

import SignaturePad from "../../vendor/signature_pad-5.1.4/signature_pad.min.js";
import { button, h } from "./dom.js";

/** The drawn lines as whole numbers: small, and the same on every screen. @param {any} pad @param {HTMLCanvasElement} canvas */
const strokesOf = (pad, canvas) => ({
  width: Math.round(canvas.clientWidth),
  height: Math.round(canvas.clientHeight),
  strokes: pad
    .toData()
    .map((/** @type {any} */ line) =>
      line.points.map((/** @type {any} */ p) => [Math.round(p.x), Math.round(p.y)]),
    ),
});

/** @param {any} data */
const padData = (data) =>
  (data?.strokes ?? []).map((/** @type {number[][]} */ line) => ({
    points: line.map(([x, y], i) => ({ x, y, time: i, pressure: 0.5 })),
    minWidth: 1,
    maxWidth: 3,
    penColor: "black",
    dotSize: 0,
    velocityFilterWeight: 0.7,
    compositeOperation: "source-over",
  }));

/**
 * The field with its button to wipe it. What is drawn stands in `draft.signature`, null while it is empty.
 * @param {{signature: any}} draft
 * @param {() => void} onChange
 */
export const signatureField = (draft, onChange) => {
  const canvas = h("canvas", {
    class: "app-sign",
    tabindex: 0,
    role: "img",
    "aria-label": "Signature: draw with a finger. Without one, give a reason below.",
  });
  /** @type {any} */
  let pad;
  const prepare = () => {
    if (!canvas.isConnected) return;
    const scale = Math.max(1, devicePixelRatio || 1);
    canvas.width = canvas.clientWidth * scale;
    canvas.height = canvas.clientHeight * scale;
    canvas.getContext("2d")?.scale(scale, scale);
    pad = new SignaturePad(canvas, { penColor: "black", minWidth: 1, maxWidth: 3 });
    if (draft.signature) pad.fromData(padData(draft.signature));
    pad.addEventListener("endStroke", () => {
      draft.signature = strokesOf(pad, canvas);
      onChange();
    });
  };
  setTimeout(prepare);
  const wipe = button("Wipe", () => {
    pad?.clear();
    draft.signature = null;
    onChange();
  });
  return h("div", { class: "stack" }, canvas, h("div", { class: "row" }, wipe));
};
