// @ts-check
/**
 * Reading a label: by the camera where there is one, by typing always. The reader (WebAssembly) is
 * fetched when it is first wanted and lies on the phone from then on.
 */

import { button, config, field, h, icon, notice, whenLeft } from "./dom.js";

const FORMATS = ["QRCode", "DataMatrix", "Code128", "Code39", "EAN13", "EAN8", "UPCA", "ITF"];
const PAUSE_MS = 60;
const WIDTH_PX = 640;

/** @type {Promise<any> | null} */
let isLoading = null;

/** The reader, ready to read. */
export const reader = () => {
  isLoading ??= new Promise((resolve, reject) => {
    const script = h("script", {
      src: config.scanner.script,
      on: { load: resolve, error: () => reject(new Error("not stored")) },
    });
    document.head.append(script);
  }).then(async () => {
    const { ZXingWASM } = /** @type {any} */ (globalThis);
    await ZXingWASM.prepareZXingModule({
      overrides: { locateFile: () => config.scanner.wasm },
      fireImmediately: true,
    });
    return ZXingWASM;
  });
  return isLoading.catch(() => {
    isLoading = null;
    throw new Error("not stored");
  });
};

/** Why there is no picture, in words that help. @param {unknown} error */
const noCamera = (error) => {
  const name = /** @type {any} */ (error)?.name;
  if (name === "NotAllowedError")
    return "This app may not use the camera. Allow it in the settings of the browser, or type the number.";
  if (name === "NotFoundError" || name === "OverconstrainedError")
    return "This device has no camera. Type the number.";
  if (/** @type {any} */ (error)?.message === "not stored")
    return "The scanner is not on this phone yet. Store the day again where there is signal; until then type the number.";
  return "The camera cannot be used just now. Type the number.";
};

/**
 * Opens the camera until a code is read, a number is typed or the person closes it.
 * @param {(code: string, by: "camera" | "typed") => void} onCode
 */
export const scanCode = (onCode) => {
  let isOpen = true;
  /** @type {MediaStream | null} */
  let stream = null;
  const close = () => {
    isOpen = false;
    stays();
    stream?.getTracks().forEach((track) => track.stop());
    box.close();
    box.remove();
  };
  /** @param {string} code @param {"camera" | "typed"} by */
  const done = (code, by) => {
    close();
    navigator.vibrate?.(60);
    onCode(code, by);
  };
  const video = h("video", { playsinline: true, muted: true, class: "app-video", "aria-label": "Camera" });
  video.muted = true;
  const said = h("div", { role: "status" }, h("p", null, "Opening the camera …"));
  const torch = button(
    [icon("sun"), "Light"],
    async () => {
      const track = stream?.getVideoTracks()[0];
      const isOn = torch.getAttribute("aria-pressed") === "true";
      await track?.applyConstraints(/** @type {any} */ ({ advanced: [{ torch: !isOn }] })).catch(() => null);
      torch.setAttribute("aria-pressed", String(!isOn));
    },
    { "aria-pressed": "false", hidden: true },
  );
  const typed = h("input", {
    autocomplete: "off",
    autocapitalize: "characters",
    enterkeyhint: "go",
    maxlength: 120,
  });
  const form = h(
    "form",
    {
      class: "app-typed",
      on: {
        submit: (/** @type {Event} */ event) => {
          event.preventDefault();
          if (typed.value.trim()) done(typed.value.trim(), "typed");
        },
      },
    },
    field("Or type the number", typed),
    h("button", { class: "button button-main", type: "submit" }, "Find"),
  );
  const box = h(
    "dialog",
    { class: "app-scan", "aria-label": "Scan a label", on: { cancel: () => close() } },
    h("div", { class: "app-scan-view" }, video, h("span", { class: "app-aim", "aria-hidden": "true" })),
    said,
    form,
    h("div", { class: "app-actions" }, button("Close", close, { class: "button-big" }), torch),
  );
  document.body.append(box);
  const stays = whenLeft(close);
  box.showModal();

  const look = async () => {
    if (!navigator.mediaDevices?.getUserMedia)
      throw Object.assign(new Error("none"), { name: "NotFoundError" });
    const [zxing, camera] = await Promise.all([
      reader(),
      navigator.mediaDevices.getUserMedia({
        audio: false,
        video: { facingMode: { ideal: "environment" }, width: { ideal: 1280 } },
      }),
    ]);
    stream = camera;
    if (!isOpen) return stream.getTracks().forEach((track) => track.stop());
    video.srcObject = stream;
    await video.play();
    said.replaceChildren(h("p", null, "Hold the label inside the frame."));
    torch.hidden = !(/** @type {any} */ (stream.getVideoTracks()[0].getCapabilities?.())?.torch);
    const canvas = document.createElement("canvas");
    const pen = canvas.getContext("2d", { willReadFrequently: true });
    while (isOpen && pen) {
      const scale = Math.min(1, WIDTH_PX / (video.videoWidth || WIDTH_PX));
      canvas.width = Math.round(video.videoWidth * scale) || 1;
      canvas.height = Math.round(video.videoHeight * scale) || 1;
      pen.drawImage(video, 0, 0, canvas.width, canvas.height);
      const [read] = await zxing.readBarcodes(pen.getImageData(0, 0, canvas.width, canvas.height), {
        formats: FORMATS,
        maxNumberOfSymbols: 1,
        tryHarder: true,
      });
      if (!isOpen) return undefined;
      if (read?.isValid && read.text) return done(read.text, "camera");
      await new Promise((resolve) => setTimeout(resolve, PAUSE_MS));
    }
    return undefined;
  };
  look().catch((error) => {
    if (isOpen) said.replaceChildren(notice("soon", "caution", h("p", null, noCamera(error))));
    stream?.getTracks().forEach((track) => track.stop());
  });
};
