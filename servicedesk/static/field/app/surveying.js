// @ts-check
/**
 * What the acts of a survey come to on this phone: found, differs, missing, extra, and counts that add up.
 * Pure: the stored day and acts in, plain values out. The desk works the same out anew from all phones
 * (schedules/surveys/findings.py); here it serves those who walk.
 */

import { todayIn } from "./dom.js";
import { readMark } from "./marks.js";
import { named, standing } from "./round.js";

/** @typedef {import("./round.js").Act} Act */
/** @typedef {{said: "read" | "not_readable" | "not_present" | "estimated", value?: string, marks?: {mark: string, tester?: string}[]}} Answer */
/** @typedef {"found" | "differs" | "missing" | "not_reached" | "open" | "extra"} Status */
/**
 * @typedef {{key: string, unit: any, listed: boolean, status: Status, place: any, registered: Record<string, {value: any, text: string}>,
 *   facts: Record<string, Answer>, differing: string[], label: string, defects: any[], photos: string[], last: Act | null,
 *   own: string[], remarks: string}} Surveyed
 */

/** Alike when they differ by no more: as in inventory/measures/plates.py. */
const SHARE_ALIKE = 0.03;

/** @param {unknown} text */
export const plain = (text) =>
  String(text ?? "")
    .toLowerCase()
    .replaceAll(/[\s._/-]+/g, "");

const BASE = /** @type {Record<string, [string, number]>} */ ({
  kg: ["g", 1000],
  kgs: ["g", 1000],
  g: ["g", 1],
  lb: ["g", 453.59237],
  lbs: ["g", 453.59237],
  oz: ["g", 28.349523125],
  l: ["ml", 1000],
  ltr: ["ml", 1000],
  ml: ["ml", 1],
  gal: ["ml", 3785.411784],
  kpa: ["kpa", 1],
  bar: ["kpa", 100],
  psi: ["kpa", 6.894757293],
  mpa: ["kpa", 1000],
});

/** A measure as written, in its base unit; null where none can be told. @param {string} text @returns {[string, number] | null} */
export const measureOf = (text) => {
  const m = /^([\d.,]+)\s*([a-z]+)\.?$/i.exec(text.trim());
  const unit = BASE[m?.[2].toLowerCase() ?? ""];
  const number = Number(m?.[1].replace(",", "."));
  return unit && Number.isFinite(number) ? [unit[0], number * unit[1]] : null;
};

/**
 * What the register knows of a unit, by code of the fact.
 * @param {any} unit @param {any} model @param {any} day
 * @returns {Record<string, {value: any, text: string}>}
 */
export const registeredOf = (unit, model, day) => {
  /** @type {Record<string, {value: any, text: string}>} */
  const known = {};
  const add = (/** @type {string} */ code, /** @type {any} */ value, /** @type {string} */ text) => {
    if (value !== "" && value !== null && value !== undefined && value !== "unknown") known[code] = { value, text };
  };
  add("agent", model.agent, day.labels.agent[model.agent]);
  add("construction", model.construction, day.labels.construction[model.construction]);
  add("shell", model.shell, day.labels.shell[model.shell]);
  add("maker", model.maker, model.maker);
  const charge =
    model.charge_mass_g !== null && model.charge_mass_g !== undefined
      ? `${model.charge_mass_g} g`
      : model.charge_volume_ml
        ? `${model.charge_volume_ml} ml`
        : model.charge_text;
  add("charge", charge, model.charge_text || charge);
  add("wheeled", model.is_wheeled ? "yes" : "no", model.is_wheeled ? "Yes" : "No");
  if (typeof model.is_refillable === "boolean")
    add("refillable", model.is_refillable ? "yes" : "no", model.is_refillable ? "Yes" : "No");
  if (model.working_pressure_kpa)
    add("working_pressure", `${model.working_pressure_kpa} kPa`, `${model.working_pressure_kpa} kPa`);
  if (model.test_pressure_kpa)
    add("test_pressure", `${model.test_pressure_kpa} kPa`, `${model.test_pressure_kpa} kPa`);
  if (model.full_mass_g) add("full_mass", `${model.full_mass_g} g`, `${model.full_mass_g / 1000} kg`);
  add("serial", unit.serial, unit.serial);
  if (unit.made?.first) add("made", unit.made, unit.made.text);
  return known;
};

/**
 * Whether what was read tells the same as the register.
 * @param {any} fact @param {{value: any}} registered @param {Answer} answer @param {string} today
 */
export const agrees = (fact, registered, answer, today) => {
  const text = answer.value ?? "";
  switch (fact.form) {
    case "stamp": {
      const { stamp } = readMark(text, today);
      // What this phone cannot read is left to the office.
      return !stamp || (stamp.first <= registered.value.last && stamp.last >= registered.value.first);
    }
    case "charge":
    case "mass":
    case "pressure": {
      const [one, other] = [measureOf(text), measureOf(String(registered.value))];
      if (!one || !other) return plain(text) === plain(registered.value);
      return one[0] === other[0] && Math.abs(one[1] - other[1]) <= SHARE_ALIKE * Math.max(one[1], other[1]);
    }
    default:
      return plain(text) === plain(registered.value);
  }
};

const collator = new Intl.Collator("en", { numeric: true });

/**
 * The survey of one visit.
 * @param {{day: any, visit: any, site: any, rows: any, acts: Act[], others: Act[]}} opened
 * @param {string} [today]  on the premises
 */
export const surveyOf = ({ day, visit, site, rows, acts, others }, today = todayIn(site.time_zone)) => {
  const here = standing([...others, ...acts]).filter((a) => a.visit === visit.id);
  const own = new Set(acts.map((a) => a.id));
  const facts = new Map(day.survey_facts.map((/** @type {any} */ f) => [f.code, f]));
  const models = new Map(day.models.map((/** @type {any} */ m) => [m.id, m]));
  const places = new Map(rows.locations.map((/** @type {any} */ l) => [l.id, { ...l, isNew: false }]));
  /** @type {Map<string, Surveyed>} */
  const units = new Map();
  /** @type {any[]} */
  const remarks = [];
  const away = ["in_workshop", "at_test_house", "ready_to_return", "in_stock", "loaner_free"];
  const blank = () => ({ facts: {}, differing: [], label: "", defects: [], photos: [], own: [], remarks: "" });
  for (const unit of rows.units) {
    if (away.includes(unit.state)) continue;
    units.set(unit.id, {
      ...blank(),
      key: unit.id,
      unit,
      listed: true,
      status: "open",
      place: places.get(unit.location) ?? null,
      registered: registeredOf(unit, models.get(unit.model) ?? {}, day),
      last: null,
    });
  }
  let lastPlace = null;
  for (const act of here) {
    const { kind, content } = act;
    if (kind === "survey_place" && act.location) {
      const was = places.get(act.location);
      places.set(act.location, {
        id: act.location,
        walking_order: 1e6,
        isNew: true,
        ...was,
        ...Object.fromEntries(Object.entries(content).filter(([, v]) => v)),
      });
    }
    if (kind === "survey_remark") remarks.push({ ...content, location: act.location, act: act.id });
    if (!["survey_unit", "survey_missing"].includes(kind) || !act.unit) continue;
    let one = units.get(act.unit);
    if (!one) {
      if (kind === "survey_missing") continue;
      one = {
        ...blank(),
        key: act.unit,
        unit: { id: act.unit, number: content.label || "New", serial: "" },
        listed: false,
        status: "extra",
        place: null,
        registered: {},
        last: null,
      };
      units.set(act.unit, one);
    }
    one.last = act;
    if (own.has(act.id)) one.own.push(act.id);
    if (kind === "survey_missing") {
      if (["open", "missing", "not_reached"].includes(one.status))
        one.status = content.state === "no_access" ? "not_reached" : "missing";
      one.remarks = content.remarks ?? one.remarks;
      lastPlace = one.place ?? lastPlace;
      continue;
    }
    Object.assign(one.facts, content.facts);
    one.label = content.label || one.label;
    one.remarks = content.remarks || one.remarks;
    one.defects.push(...(content.defects ?? []).filter((/** @type {any} */ d) => !one.defects.some((o) => o.id === d.id)));
    one.photos.push(...(act.photos ?? []));
    const before = one.place;
    one.place = places.get(act.location ?? "") ?? one.place;
    lastPlace = one.place ?? lastPlace;
    if (!one.listed) {
      const serial = one.facts.serial;
      one.unit.number = one.label || (serial?.said === "read" ? serial.value : "New");
      continue;
    }
    const registeredPlace = one.unit.location;
    one.differing = Object.entries(one.facts)
      .filter(([code, answer]) => {
        const known = one.registered[code];
        return answer.said === "read" && known && !agrees(facts.get(code), known, answer, today);
      })
      .map(([code]) => code);
    if (one.place && one.place.id !== registeredPlace) one.differing.push("place");
    if (one.label && plain(one.label) !== plain(one.unit.number)) one.differing.push("label");
    if (!before && !one.place) one.place = null;
    one.status = one.differing.length ? "differs" : "found";
  }
  const walk = [...units.values()].sort(
    (a, b) =>
      Number(!a.place) - Number(!b.place) ||
      (a.place?.walking_order ?? 0) - (b.place?.walking_order ?? 0) ||
      collator.compare(a.place?.building ?? "", b.place?.building ?? "") ||
      collator.compare(a.place?.floor ?? "", b.place?.floor ?? "") ||
      collator.compare(a.place?.number ?? "", b.place?.number ?? "") ||
      collator.compare(a.unit.number, b.unit.number),
  );
  const count = (/** @type {Status} */ status) => walk.filter((u) => u.status === status).length;
  const counts = {
    on_list: walk.filter((u) => u.listed).length,
    found: count("found"),
    differs: count("differs"),
    missing: count("missing"),
    not_reached: count("not_reached"),
    open: count("open"),
    extra: count("extra"),
  };
  const reads = here.filter((a) => a.kind === "survey_unit");
  return {
    units: walk,
    byKey: units,
    places: [...places.values()],
    remarks,
    counts,
    lastPlace,
    /** The unit read last on this phone: its kind can be taken over. */
    lastRead: units.get(reads.filter((a) => own.has(a.id)).at(-1)?.unit ?? "") ?? null,
    /** The day on which the walk was ended on this phone, if it was. */
    isEnded: here.some((a) => a.kind === "close" && a.state !== "refused"),
  };
};

/** Units of the list that nobody has looked for, walking on from a place and round again. @param {Surveyed[]} units @param {string} [key] */
export const nextOpen = (units, key) => {
  const at = units.findIndex((u) => u.key === key) + 1;
  return [...units.slice(at), ...units.slice(0, at)].find((u) => u.status === "open" && u.key !== key) ?? null;
};

/** Where a scanned or typed code leads: to the unit that it names, or to a new one with that label. @param {string} visit @param {Surveyed[]} units @param {string} code @param {string} by */
export const codeAddress = (visit, units, code, by) => {
  const stops = units.map((u) => ({ ...u, location: u.place, model: { text: "" } }));
  const found = named(/** @type {any} */ (stops), code);
  const key = found.length === 1 ? found[0].key : "new";
  return `reading/${visit}/${key}?by=${by}&read=${encodeURIComponent(code)}`;
};

/** The number after one: 009 comes to 010, B2-7 to B2-8. @param {string} number */
export const numberAfter = (number) => {
  const m = /^(.*?)(\d+)$/.exec(number.trim());
  return m ? m[1] + String(Number(m[2]) + 1).padStart(m[2].length, "0") : "";
};

/** The next number that no place has. @param {any[]} places @param {string} number */
export const freeNumberAfter = (places, number) => {
  const taken = new Set(places.map((p) => plain(p.number)));
  let next = numberAfter(number);
  while (next && taken.has(plain(next))) next = numberAfter(next);
  return next;
};

/** In words, charge, agent and construction as read, else as registered. @param {any} day @param {Surveyed} one */
export const kindWords = (day, one) => {
  const word = (/** @type {string} */ code, /** @type {Record<string, string>} */ labels = {}) => {
    const answer = one.facts[code];
    if (answer?.said === "read") return labels[answer.value ?? ""] ?? answer.value ?? "";
    return one.registered[code]?.text ?? "";
  };
  const head = [word("charge"), word("agent_text") || word("agent", day.labels.agent)].filter(Boolean).join(" ");
  const driven = word("construction", day.labels.construction);
  return [head || "Kind not known", driven && driven.toLowerCase()].filter(Boolean).join(", ");
};
