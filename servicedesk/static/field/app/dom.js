// @ts-check
/** Making elements without markup in strings: nothing that was typed can ever become an element. */

/**
 * What a screen module hands over: its content, what stands at the thumb, where back leads, what to do
 * with a scanned code, and what to do when something stored has changed.
 * @typedef {{title: string, body: any, foot?: any, back?: string, onCode?: (code: string, by: string) => void,
 *   refresh?: (what: string) => void}} Screen
 */
/** @typedef {Node | string | number | null | undefined | false} Child */

/** @type {{icons: string, version: string, fonts: string, worker: string, signIn: string, plain: string, scanner: {script: string, wasm: string}}} */
export const config = JSON.parse(document.getElementById("config")?.textContent ?? "{}");

/**
 * An element. `props`: `class`, `on` (listeners by event), `data` (data-*), everything else an attribute;
 * false and null leave an attribute out, true sets it empty.
 * @param {string} tag
 * @param {Record<string, any> | null} [props]
 * @param {...(Child | Child[])} children
 * @returns {any}
 */
export const h = (tag, props, ...children) => {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(props ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "on") for (const [event, act] of Object.entries(value)) element.addEventListener(event, act);
    else if (name === "data") Object.assign(element.dataset, value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  for (const child of children.flat()) {
    if (child !== null && child !== undefined && child !== false)
      element.append(child instanceof Node ? child : String(child));
  }
  return element;
};

const SVG = "http://www.w3.org/2000/svg";

/** A drawing is looked up in its file once, not for each of a hundred signs on a screen. @type {Map<string, SVGElement>} */
const drawings = new Map();

/** A drawing of the shared set; it is never the only sign. @param {string} name */
export const icon = (name) => {
  const known = drawings.get(name);
  if (known) return known.cloneNode(true);
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("class", "icon");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(SVG, "use");
  use.setAttribute("href", `${config.icons}#${name}`);
  svg.append(use);
  drawings.set(name, svg);
  return svg.cloneNode(true);
};

/**
 * A button. @param {Child | Child[]} label @param {(event: Event) => void} act @param {Record<string, any>} [props]
 */
export const button = (label, act, props = {}) =>
  h(
    "button",
    { type: "button", ...props, class: `button ${props.class ?? ""}`.trim(), on: { click: act } },
    label,
  );

/** @param {string} word @param {string} tone @param {string} [drawing] */
export const chip = (word, tone, drawing) =>
  h("span", { class: "chip", data: { tone } }, h("b", null, icon(drawing ?? (tone || "none")), word));

/** A box that says something. @param {string} tone @param {string} drawing @param {...Child} children */
export const notice = (tone, drawing, ...children) =>
  h("div", { class: "notice", data: { tone } }, icon(drawing), h("div", null, ...children));

/** @param {string} id */
export const byId = (id) => /** @type {HTMLElement} */ (document.getElementById(id));

/** Tells a screen reader. @param {string} sentence */
export const say = (sentence) => {
  byId("said").textContent = sentence;
};

/** What went wrong, at the thumb and aloud, until the next try or the next screen. @param {unknown} error */
export const showWrong = (error) => {
  const { message } = /** @type {Error} */ (error);
  if (byId("wrong")?.textContent === message) return;
  byId("wrong")?.remove();
  byId("foot").prepend(
    h("div", { class: "app-actions", id: "wrong" }, h("p", { class: "app-lacking", role: "alert" }, message)),
  );
};

/**
 * What a button does, one at a time: a second tap does nothing while the first is under way, nor once it is
 * done and the next screen is about to come. What goes wrong is said, and the button works again.
 * @template {any[]} T
 * @param {(...given: T) => Promise<unknown>} act  returns false where nothing was done
 */
export const once = (act) => {
  let isBusy = false;
  return async (/** @type {T} */ ...given) => {
    if (isBusy) return;
    isBusy = true;
    byId("wrong")?.remove();
    try {
      isBusy = (await act(...given)) !== false;
    } catch (error) {
      isBusy = false;
      console.warn(error);
      showWrong(error);
    }
  };
};

/** One of a word or many. @param {number} n @param {string} one @param {string} [many] */
export const count = (n, one, many = `${one}s`) => `${n} ${n === 1 ? one : many}`;

/** Hours and minutes on this phone's clock. @param {string | number | Date} at */
export const clock = (at) => new Date(at).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });

/** A civil day in words, e.g. Wed 25 November. @param {string} day  YYYY-MM-DD @param {"short" | "long"} [month] */
export const dayWords = (day, month = "long") =>
  new Date(`${day}T12:00:00Z`).toLocaleDateString("en-GB", {
    weekday: "short",
    day: "numeric",
    month,
    timeZone: "UTC",
  });

/** A civil day with its year, e.g. 12 May 2025. @param {string} day  YYYY-MM-DD */
export const dateWords = (day) =>
  new Date(`${day}T12:00:00Z`).toLocaleDateString("en-GB", {
    day: "numeric",
    month: "short",
    year: "numeric",
    timeZone: "UTC",
  });

/**
 * Today's civil day on the premises. @param {string} zone
 * @param {number | null} [drift_s]  how far this phone's clock is off, where that is known
 */
export const todayIn = (zone, drift_s) =>
  new Intl.DateTimeFormat("en-CA", { timeZone: zone || "UTC" }).format(Date.now() + (drift_s ?? 0) * 1000);

/** A field with its label. @param {string} label @param {any} input @param {Child} [help] */
export const field = (label, input, help) => {
  input.id ||= `f${++made}`;
  const note = help ? h("span", { class: "helptext", id: `${input.id}-help` }, help) : null;
  if (note) input.setAttribute("aria-describedby", note.id);
  return h("div", { class: "field" }, h("label", { for: input.id }, label), note, input);
};
let made = 0;

/** Pads of which one is chosen. @param {string} legend @param {[string, string][]} options @param {string} chosen @param {(value: string) => void} act */
export const choices = (legend, options, chosen, act) => {
  const name = `c${++made}`;
  return h(
    "fieldset",
    { class: "choices" },
    h("legend", null, legend),
    options.map(([value, label]) =>
      h(
        "label",
        { class: "choice" },
        h("input", {
          type: "radio",
          name,
          value,
          checked: value === chosen,
          on: { change: () => act(value) },
        }),
        h("span", null, label),
      ),
    ),
  );
};

// --- going, and how the app looks --------------------------------------------------------------------

/** Goes to a screen. @param {string} address  e.g. unit/<visit>/<unit> */
export const go = (address, { replace = false } = {}) => {
  if (`#/${address}` === location.hash) redraw();
  else if (replace) location.replace(`#/${address}`);
  else location.hash = `#/${address}`;
};
/**
 * Calls `leave` once the screen beneath is left, by the browser's Back or by a scan: nothing may stand over
 * the next one. Returns what ends the watch.
 * @param {() => void} leave
 */
export const whenLeft = (leave) => {
  addEventListener("hashchange", leave);
  return () => removeEventListener("hashchange", leave);
};
/**
 * Draws the screen of the address anew. What a screen does when its facts change: going to its own address
 * would call back whoever is leaving it.
 */
export const redraw = () => dispatchEvent(new Event("redraw"));

/** @type {[string, string][]} */
export const APPEARANCES = [
  ["light", "Sun"],
  ["dark", "Dark"],
  ["device", "As this device"],
];
export const appearance = () => localStorage.getItem("appearance") ?? "device";
/** @param {string} chosen */
export const setAppearance = (chosen) => {
  const { dataset } = document.documentElement;
  if (chosen === "light" || chosen === "dark") {
    dataset.theme = chosen;
    localStorage.setItem("appearance", chosen);
  } else {
    delete dataset.theme;
    localStorage.removeItem("appearance");
  }
};
