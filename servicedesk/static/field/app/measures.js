// @ts-check
/** The measured values of one unit: a field per quantity with its units of measure, judged as it is typed. */

import { button, dateWords, h, icon } from "./dom.js";
import { assess, demandsOf, offeredFor, quantityOf } from "./judge.js";
import { recall, remember } from "./store.js";

/** @typedef {import("./judge.js").Reading} Reading */

const LOOK = { inside: ["ok", "ok"], outside: ["overdue", "overdue"], unjudged: ["unknown", "unknown"] };
const IMPERIAL = new Set(["US", "LR", "MM"]);
/** @type {Record<string, [string, string]>} */
const CUSTOM = {
  pressure: ["bar", "psi"],
  mass: ["kg", "lb"],
  temperature: ["°C", "°F"],
  volume: ["L", "US gal"],
};

/** The unit of measure to begin with: as last read on this unit, as last used on this phone, else as usual in the country. */
/** @param {any} quantity @param {any} before @param {Record<string, string>} habit @param {string} country */
const firstUnit = (quantity, before, habit, country) =>
  before?.unit ??
  habit[quantity.code] ??
  CUSTOM[quantity.dimension]?.[IMPERIAL.has(country) ? 1 : 0] ??
  quantity.base_unit;

/**
 * @param {{rules: import("./judge.js").Rules, plate: any, country: string, given: Record<string, {value: string, unit: string}>,
 *   last: any[], onChange: () => void}} about
 */
export const measureFields = async ({ rules, plate, country, given, last, onChange }) => {
  /** @type {Record<string, string>} */
  const habit = (await recall("habit")) ?? {};
  const box = h("div", { class: "stack" });
  /** @type {Map<string, {input: HTMLInputElement, said: HTMLElement, unit: () => string, node: HTMLElement}>} */
  const fields = new Map();

  /** @param {string} code */
  const fieldOf = (code) => {
    const found = fields.get(code);
    if (found) return found;
    const quantity = quantityOf(rules, code);
    const before = last.find((reading) => reading.quantity === code);
    const entry = (given[code] ??= { value: "", unit: firstUnit(quantity, before, habit, country) });
    const said = h("p", { class: "app-verdict", id: `said-${code}`, "aria-live": "polite" });
    const input = h("input", {
      id: `value-${code}`,
      inputmode: "decimal",
      autocomplete: "off",
      enterkeyhint: "done",
      maxlength: 24,
      value: entry.value,
      "aria-describedby": `${said.id} before-${code}`,
      on: {
        input: () => {
          entry.value = input.value;
          onChange();
        },
        // Done on the number keys: away from the keyboard, back to the big buttons.
        keydown: (/** @type {KeyboardEvent} */ event) => {
          if (event.key === "Enter") input.blur();
        },
      },
    });
    const chips = h("div", {
      class: "unit-chips",
      role: "group",
      "aria-label": `${quantity.text}: unit of measure`,
    });
    const drawChips = () =>
      chips.replaceChildren(
        ...[entry.unit, ...quantity.units.filter((u) => u !== entry.unit)]
          .slice(0, 6)
          .sort((a, b) => quantity.units.indexOf(a) - quantity.units.indexOf(b))
          .map((unit) =>
            button(
              unit,
              () => {
                entry.unit = unit;
                habit[code] = unit;
                void remember("habit", habit);
                drawChips();
                onChange();
              },
              { class: "unit-chip", "aria-pressed": String(unit === entry.unit) },
            ),
          ),
      );
    drawChips();
    const node = h(
      "div",
      { class: "app-measure", data: { quantity: code } },
      h("label", { for: input.id }, quantity.text),
      h("div", { class: "app-measure-row" }, input, chips),
      h(
        "p",
        { class: "soft small", id: `before-${code}` },
        before ? `Last ${before.value} ${before.unit}, ${dateWords(before.done_on)}` : "",
      ),
      said,
    );
    const made = { input, said, unit: () => entry.unit, node };
    fields.set(code, made);
    return made;
  };

  /** What is typed. @returns {Reading[]} */
  const readings = () =>
    [...fields.keys()]
      .filter((code) => given[code].value.trim())
      .map((code) => ({ quantity: code, value: given[code].value.trim(), unit: given[code].unit }));

  /** Shows what `tasks` ask for, and says of every value how it stands. @param {string[]} tasks */
  const update = (tasks) => {
    const demanded = new Set(tasks.flatMap((task) => demandsOf(rules, task, plate)).flatMap((d) => d.any_of));
    const wanted = offeredFor(rules, tasks, plate);
    const filled = Object.keys(given).filter((code) => given[code].value.trim());
    const codes = [...new Set([...wanted, ...filled])];
    const main = codes.filter(
      (c) =>
        demanded.has(c) ||
        filled.includes(c) ||
        (c === "ambient_temperature" && demanded.has("gauge_pressure")),
    );
    const rest = codes.filter((c) => !main.includes(c));
    const layout = [...main, "|", ...rest].join();
    if (box.dataset.layout !== layout) {
      box.dataset.layout = layout;
      const at = document.activeElement;
      box.replaceChildren(
        ...main.map((c) => fieldOf(c).node),
        ...(rest.length
          ? [
              h(
                "details",
                { class: "more" },
                h("summary", null, "Other values"),
                h(
                  "div",
                  { class: "stack" },
                  rest.map((c) => fieldOf(c).node),
                ),
              ),
            ]
          : []),
      );
      if (at instanceof HTMLElement && box.contains(at)) at.focus();
    }
    const state = assess(rules, plate, tasks, readings());
    for (const [code, { input, said, node }] of fields) {
      const fault = state.faults[code];
      const verdict = state.verdicts[code];
      const [tone, drawing] = fault ? ["overdue", "failed"] : verdict ? LOOK[verdict.word] : ["", ""];
      node.dataset.tone = tone;
      node.toggleAttribute("data-demanded", demanded.has(code));
      input.setAttribute("aria-invalid", String(!!fault || verdict?.word === "outside"));
      // A temperature only helps to judge: its sentence would be noise.
      const words = fault ?? (code === "ambient_temperature" ? "" : verdict?.sentence) ?? "";
      if (said.textContent !== words)
        said.replaceChildren(...(words ? [icon(drawing), h("span", null, words)] : []));
    }
    return state;
  };

  /** The first field that a pass still lacks. @param {string[]} tasks */
  const focusLacking = (tasks) => {
    const given_ = readings().map((r) => r.quantity);
    const code = tasks
      .flatMap((t) => demandsOf(rules, t, plate))
      .find((d) => !d.any_of.some((q) => given_.includes(q)))?.any_of[0];
    if (code) fields.get(code)?.input.focus();
  };
  return { box, readings, update, focusLacking };
};
