// @ts-check
/** Parts of the forms of what happens on site: texts, receipts, another unit, a place. */

import { choices, dayWords, field, h, todayIn } from "./dom.js";
import { compareMark } from "./marks.js";

/** @typedef {import("./visit.js").Opened} Opened */
/** @typedef {import("./round.js").Stop} Stop */

/** Something to write. @param {string} label @param {string} hint */
export const remarksField = (label = "Remarks", hint = "") => {
  const input = h("textarea", { rows: 2, maxlength: 2000 });
  return { input, node: field(label, input, hint || undefined) };
};
/** @param {string} label @param {any} [props] @param {string} [hint] */
export const textField = (label, props = {}, hint = "") => {
  const input = h("input", { autocomplete: "off", maxlength: 120, ...props });
  return { input, node: field(label, input, hint || undefined), said: () => input.value.trim() };
};

/** The words beside a control. @param {any} control */
const wordsOf = (control) =>
  control.closest(control.type === "radio" ? "fieldset" : ".field")?.querySelector("legend, label")?.textContent ?? "";
/** @param {HTMLElement} box @returns {any[]} */
const controlsOf = (box) => [...box.querySelectorAll("input:not([type=file]), select, textarea")];

/** What stands in the fields of a form, each by the words beside it. @param {HTMLElement} box @returns {[string, string][]} */
export const filledIn = (box) =>
  controlsOf(box)
    .filter((control) => (control.type === "radio" ? control.checked : control.value))
    .map((control) => [wordsOf(control), control.value]);

/**
 * Puts back what stood in the fields, in their order: what is chosen first shows what comes after it.
 * @param {HTMLElement} box @param {[string, string][]} filled
 */
export const fillIn = (box, filled) => {
  for (const [words, value] of filled) {
    const control = controlsOf(box).find(
      (one) => wordsOf(one) === words && (one.type !== "radio" || one.value === value),
    );
    if (!control) continue;
    if (control.type === "radio") control.checked = true;
    else control.value = value;
    for (const name of ["input", "change"]) control.dispatchEvent(new Event(name, { bubbles: true }));
  }
};

/** As long ago as the server takes a closing without a manager. */
const LONGEST_AGO_DAYS = 60;

/**
 * The day that a closing proposes: today by a clock that was put right, once that is possible. What the
 * person chose, and what was proposed by a known clock, stays.
 * @param {any} kept  the draft, where there is one @param {string} today @param {number | null} drift_s
 */
export const proposedDay = (kept, today, drift_s) =>
  kept?.done_on !== undefined && (kept.isDaySure || drift_s === null)
    ? {}
    : { done_on: today, isDaySure: drift_s !== null };

/** The day on which the work was done. @param {string} label @param {any} draft @param {string} today @param {() => void} onChange */
export const dayField = (label, draft, today, onChange) => {
  const first = new Date(Date.parse(today) - LONGEST_AGO_DAYS * 86_400_000).toISOString().slice(0, 10);
  const input = h("input", {
    type: "date",
    value: draft.done_on,
    min: first,
    max: today,
    required: true,
    on: {
      input: () => {
        draft.done_on = input.value;
        draft.isDaySure = true;
        onChange();
      },
    },
  });
  const check = () => {
    const { done_on } = draft;
    if (!done_on) return `Enter the d${label.slice(1)}.`;
    if (done_on > today) return `${dayWords(done_on)} is still to come. Enter the day of the work.`;
    if (done_on < first)
      return `${dayWords(done_on)} is more than ${LONGEST_AGO_DAYS} days ago. Ask a manager to enter it as a correction.`;
    return "";
  };
  return { node: field(label, input), check };
};

/** Who takes note of a unit that leaves: a name, or why there is none. */
export const receiptField = () => {
  const name = textField(
    "Handed over to, printed name",
    { autocapitalize: "words" },
    "Stands on the owner's receipt.",
  );
  return { node: name.node, said: () => (name.said() ? { name: name.said() } : null) };
};

/**
 * Which unit hangs there now: one in the van, any number of our stock, or a new one by model.
 * @param {Opened} visit @param {Stop} stop @param {{loaners: boolean, withNew: boolean}} what
 */
export const otherUnit = ({ day, site }, stop, { loaners, withNew }) => {
  const van = (day.van?.units_in_van ?? []).filter((/** @type {any} */ u) => !loaners || u.is_loaner);
  const models = new Map(day.models.map((/** @type {any} */ m) => [m.id, m]));
  const alike = (/** @type {any} */ u) => models.get(u.model)?.agent === stop.model.agent;
  let chosen = "";
  const number = textField("Number on its label", { autocapitalize: "characters" });
  const serial = textField("Serial, as read");
  const made = textField("Made, as read", { placeholder: "06/2026" });
  const model = h(
    "select",
    null,
    [...day.models]
      .sort((a, b) => Number(b.agent === stop.model.agent) - Number(a.agent === stop.model.agent))
      .map((/** @type {any} */ m) =>
        h(
          "option",
          { value: m.id, selected: m.id === stop.model.id },
          [m.text, m.maker].filter(Boolean).join(", "),
        ),
      ),
  );
  const byNumber = h("div", { hidden: van.length > 0 }, number.node);
  const byModel = h("div", { class: "stack", hidden: true }, field("Model", model), serial.node, made.node);
  const options = [
    ...van
      .sort((/** @type {any} */ a, /** @type {any} */ b) => Number(alike(b)) - Number(alike(a)))
      .map((/** @type {any} */ u) => [
        u.id,
        `${u.number}, ${models.get(u.model)?.text ?? ""}${alike(u) ? "" : " (another kind)"}`,
      ]),
    ["number", van.length ? "Another one of ours, by number" : "One of ours, by number"],
    ...(withNew ? [["new", "A new one, not on our register"]] : []),
  ];
  if (!van.length) chosen = "number";
  const node = h(
    "div",
    { class: "stack" },
    choices(
      loaners ? "Which loaner hangs there now" : "Which unit hangs there now",
      /** @type {any} */ (options),
      chosen,
      (value) => {
        chosen = value;
        byNumber.hidden = value !== "number";
        byModel.hidden = value !== "new";
      },
    ),
    byNumber,
    byModel,
  );
  const check = () => {
    if (!chosen) return "Choose the unit that hangs there now.";
    if (chosen === "number" && !number.said())
      return "Enter the number on the label of the unit that hangs there now.";
    if (chosen === "new") {
      const { word, sentence } = compareMark(made.said(), null, todayIn(site.time_zone), false);
      if (word === "fault") return sentence;
    }
    return "";
  };
  const said = () => {
    if (chosen === "number") return { unit_number: number.said() };
    if (chosen === "new") return { model: model.value, serial: serial.said(), made: made.said() };
    return { unit: chosen };
  };
  return { node, check, said };
};

/** Other places of the premises, and a new one. @param {Opened} visit */
export const placeField = (visit) => {
  const numbers = new Map(visit.round.locations.map((l) => [l.number.toUpperCase(), l]));
  const list = h(
    "datalist",
    { id: "places" },
    visit.round.locations.map((l) =>
      h("option", { value: l.number }, [l.building, l.floor, l.description].filter(Boolean).join(", ")),
    ),
  );
  const floor = textField("Floor");
  const description = textField("Where exactly");
  const isNew = h(
    "div",
    { class: "stack", hidden: true },
    h("p", { class: "soft" }, "A place that is not on the register yet:"),
    floor.node,
    description.node,
  );
  const number = textField("Number of the place", {
    list: "places",
    autocapitalize: "characters",
    on: { input: () => (isNew.hidden = !number.said() || numbers.has(number.said().toUpperCase())) },
  });
  return {
    node: h("div", { class: "stack" }, number.node, list, isNew),
    check: () => (number.said() ? "" : "Enter the number of the place."),
    /** @returns {{location?: string, content: any}} */
    said: () => {
      const known = numbers.get(number.said().toUpperCase());
      if (known) return { location: known.id, content: {} };
      return {
        content: {
          new_location: {
            id: crypto.randomUUID(),
            number: number.said(),
            floor: floor.said(),
            description: description.said(),
          },
        },
      };
    },
  };
};
