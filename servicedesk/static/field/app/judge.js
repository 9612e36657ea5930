// @ts-check
/**
 * Verdicts on measured values, computed on the phone by the rules of the server: the twin of
 * inventory/measures/limits.py and readings.py. Pure: values in, values out, no screen, no storage.
 * Limits, factors, ranges and demands are the server's own and come as data with the day (`rules`);
 * only the formulas stand here. tests/cases/judging.json holds the two sides together.
 *
 * Arithmetic is exact, on whole numbers of any size, because a limit taken as printed must not turn on
 * the last bit of a float: a loss of exactly 10 % is still inside.
 */

import { Fraction } from "./fraction.js";

/** @typedef {"inside" | "outside" | "unjudged"} Word */
/** @typedef {{word: Word, sentence: string, limit: string, source: string}} Verdict */
/** @typedef {{quantity: string, value: string, unit: string}} Reading  as typed */
/** @typedef {{any_of: string[], sentence: string, source: string}} Demand */
/** @typedef {{share: string, text: string, source: string}} Limit */
/**
 * What the plate says; null is unknown, never a guess.
 * @typedef {{agent: string, construction: string, charge_mass_g?: number | string | null,
 *   full_mass_g?: number | string | null, working_pressure_kpa?: number | string | null,
 *   test_pressure_kpa?: number | string | null}} Plate
 */
/** @typedef {{code: string, text: string, dimension: string, base_unit: string, units: string[], lowest: string, highest: string}} Quantity */
/**
 * The rules of the day, as the server hands them out under `judging`.
 * @typedef {{units: Record<string, {dimension: string, factor: string, offset: string}>,
 *   words: Record<string, string>, quantities: Quantity[],
 *   demands: Record<string, Demand[]>, offered: Record<string, string[]>,
 *   limits: {mass_loss: Record<string, Limit>, gain_share: string, pressure: Limit, vapour_pressure: Limit,
 *     cartridge?: Limit, test_pressure: {source: string}, practice?: string, vapour_agents: string[], atmosphere_kpa: string,
 *     reference_c: string, zero_c_k: string, coldest_c: string, hottest_c: string,
 *     ideal_error_per_k: string, vapour_error_per_k: string}}} Rules
 */

const f = Fraction.of;

/** A typed figure that is no reading; the message says what is wrong and what to do. */
export class ReadingError extends Error {
  /** @param {string} code @param {string} quantity @param {string} sentence */
  constructor(code, quantity, sentence) {
    super(sentence);
    this.code = code;
    this.quantity = quantity;
  }
}

/** @param {Rules} rules @param {string} code @returns {Quantity} */
export const quantityOf = (rules, code) => {
  const found = rules.quantities.find((q) => q.code === code);
  if (!found) throw new ReadingError("unknown_quantity", code, `${code} is not a measured quantity.`);
  return found;
};

/** @param {Rules} rules @param {Fraction} value @param {string} from @param {string} to */
const convert = (rules, value, from, to) => {
  if (from === to) return value;
  const [start, end] = [rules.units[from], rules.units[to]];
  return value.plus(f(start.offset)).times(f(start.factor)).over(f(end.factor)).minus(f(end.offset));
};

/** @param {string} text @param {string} mark */
const isGrouped = (text, mark) => new RegExp(`^[+-]?[1-9]\\d{0,2}(?:\\${mark}\\d{3})+$`).test(text);

/**
 * The number in `text` without grouping, and whether it could be another one as well. Null is no number.
 * @param {string} text
 * @returns {{plain: string, isOpen: boolean} | {fault: string}}
 */
export const readNumber = (text) => {
  const kept = text.trim();
  let plain = kept.normalize("NFKC").replaceAll("\u2212", "-");
  if (/^[+-]?\d{1,3}(?:[' ]\d{3})+(?:[.,]\d+)?$/.test(plain)) plain = plain.replaceAll(/[' ]/g, "");
  if (plain.length > 15 || !/^[+-]?(?=.*\d)[\d.,]+$/.test(plain)) {
    return { fault: `"${kept}" is not a number. Write figures, for instance 2.5.` };
  }
  let isOpen = false;
  if (plain.includes(",") && plain.includes(".")) {
    // The mark that comes last is the decimal one; the other only groups thousands.
    const [decimal, group] = plain.lastIndexOf(",") > plain.lastIndexOf(".") ? [",", "."] : [".", ","];
    const fits =
      plain.split(decimal).length === 2 && isGrouped(plain.slice(0, plain.lastIndexOf(decimal)), group);
    plain = fits ? plain.replaceAll(group, "").replace(decimal, ".") : "";
  } else if (plain.includes(",") || plain.includes(".")) {
    const mark = plain.includes(",") ? "," : ".";
    if (plain.split(mark).length > 2) plain = isGrouped(plain, mark) ? plain.replaceAll(mark, "") : "";
    else if (mark === "," && isGrouped(plain, mark)) {
      isOpen = true;
      plain = plain.replace(",", "");
    } else plain = plain.replace(",", ".");
  }
  if (!plain)
    return { fault: `"${kept}" is not one number. Write it without grouping, for instance 1250.5.` };
  return { plain, isOpen };
};

/** As the figures are kept: no plus sign, no empty whole part, no bare point. @param {string} plain */
const figures = (plain) => {
  const sign = plain.startsWith("-") ? "-" : "";
  const [whole, decimals = ""] = plain.replace(/^[+-]/, "").split(".");
  return `${sign}${whole.replace(/^0+(?=\d)/, "") || "0"}${decimals ? `.${decimals}` : ""}`;
};

/** The unit of measure that a text names, in any usual spelling; itself when it names none. @param {Rules} rules @param {string} text */
const unitOf = (rules, text) => {
  if (text in rules.units) return text;
  const word = text
    .replaceAll("º", "°")
    .normalize("NFKC")
    .toLowerCase()
    .replaceAll(" ", "")
    .replace(/^\.+|\.+$/g, "");
  return rules.words[word] ?? text;
};

/**
 * The value of `quantity` in its base unit. Throws `ReadingError` for what cannot be one.
 * @param {Rules} rules
 * @param {Reading} reading
 * @returns {Fraction}
 */
export const readValue = (rules, { quantity, value, unit: spelling }) => {
  const unit = unitOf(rules, spelling);
  const { text: label, dimension, units, base_unit, lowest, highest } = quantityOf(rules, quantity);
  const choices = units.join(", ");
  if (!(unit in rules.units)) {
    throw new ReadingError(
      "unknown_unit",
      quantity,
      `${label}: the unit "${unit}" is not known here. Choose one of ${choices}.`,
    );
  }
  const number = readNumber(value);
  if ("fault" in number) throw new ReadingError("no_number", quantity, `${label}: ${number.fault}`);
  if (number.isOpen) {
    throw new ReadingError(
      "no_number",
      quantity,
      `${label}: "${value}" can be read two ways. Write it without grouping.`,
    );
  }
  const shown = `${figures(number.plain)} ${unit}`;
  if (rules.units[unit].dimension !== dimension) {
    throw new ReadingError(
      "wrong_unit",
      quantity,
      `${label} ${shown}: ${unit} is no unit of ${dimension}. Choose one of ${choices}.`,
    );
  }
  const base = convert(rules, f(number.plain), unit, base_unit);
  if (base.isLess(f(lowest)) || base.isMore(f(highest))) {
    const [low, high] = [lowest, highest].map((bound) => convert(rules, f(bound), base_unit, unit).fixed(1));
    throw new ReadingError(
      "out_of_range",
      quantity,
      `${label} ${shown} is outside ${low} to ${high} ${unit}, what an extinguisher can show. ` +
        "Was it entered in the wrong unit? Check the figure and its unit.",
    );
  }
  return base;
};

// --- what a pass demands ---------------------------------------------------------------------------

/** @param {string} task @param {Plate} plate */
const kindKey = (task, plate) => `${task}|${plate.agent}|${plate.construction}`;

/**
 * The numbers that a pass of `task` needs on a unit of this kind; all demands count.
 * @param {Rules} rules @param {string} task @param {Plate} plate
 */
export const demandsOf = (rules, task, plate) => {
  const [task_, agent, construction] = [task, plate.agent, plate.construction];
  // Only kinds on the register come with the day; any other one is asked what an unknown kind is asked.
  const isKnown = Object.keys(rules.demands).some((key) => key.endsWith(`|${agent}|${construction}`));
  return rules.demands[isKnown ? `${task_}|${agent}|${construction}` : `${task_}|unknown|unknown`] ?? [];
};

/** The demands that no quantity in `given` meets. @param {Demand[]} wanted @param {string[]} given */
export const missing = (wanted, given) => wanted.filter((d) => !d.any_of.some((q) => given.includes(q)));

/**
 * The numbers worth asking for: those demanded first, then those that help to judge them.
 * @param {Rules} rules @param {string[]} tasks @param {Plate} plate
 */
export const offeredFor = (rules, tasks, plate) => [
  ...new Set(tasks.flatMap((task) => rules.offered[kindKey(task, plate)] ?? [])),
];

// --- limits ----------------------------------------------------------------------------------------

/** @param {Fraction} value */
const percent = (value) => {
  const exact = value.times(f(100));
  let text = "";
  // More decimals when rounding would hide which side of a limit it is.
  for (const places of [1, 2, 4]) {
    text = exact.plain(places);
    const shown = f(text);
    if (shown.equals(exact) || (shown.isMore(f(0)) && !shown.over(f(5)).isWhole())) break;
  }
  return `${text} %`;
};
/** @param {Rules} rules */
const practice = (rules) => rules.limits.practice ?? "common practice, no source";
/** @param {Fraction} grams */
const mass = (grams) => `${grams.over(f(1000)).plain(3)} kg`;
/** @param {Fraction} kpa */
const bar = (kpa) => `${kpa.over(f(100)).plain(2)} bar`;

/** @param {boolean | null} ok @param {string} sentence @param {string} limit @param {string} source @returns {Verdict} */
const verdict = (ok, sentence, limit, source) => ({
  word: ok === null ? "unjudged" : ok ? "inside" : "outside",
  sentence,
  limit,
  source,
});

/** @param {number | string | null | undefined} value */
const known = (value) => (value === null || value === undefined ? null : f(value));

/** @param {Rules} rules @param {Plate} plate @param {Fraction} gross @returns {Verdict} */
const judgeMassLoss = (rules, plate, gross) => {
  const limit = rules.limits.mass_loss[plate.agent];
  if (!limit) {
    return verdict(
      null,
      `Gross mass ${mass(gross)} is recorded but not judged: compare it with the nameplate.`,
      "no limit of mass for this agent",
      practice(rules),
    );
  }
  const allowed = f(limit.share);
  const text = `loss not over ${percent(allowed)}`;
  const full = known(plate.full_mass_g);
  const charge = known(plate.charge_mass_g);
  if (full === null || charge === null) {
    const lacking = [full === null ? "full mass" : "", charge === null ? "charge" : ""]
      .filter(Boolean)
      .join(" and ");
    return verdict(
      null,
      `Gross mass ${mass(gross)} cannot be judged: the ${lacking} of the unit is not known. ` +
        "Read it from the nameplate or the stamp and enter it.",
      text,
      limit.source,
    );
  }
  if (!charge.isMore(f(0)) || !full.isMore(charge)) {
    return verdict(
      null,
      `Gross mass ${mass(gross)} cannot be judged: a unit of ${mass(full)} full mass ` +
        `cannot hold a charge of ${mass(charge)}. Correct the nameplate facts.`,
      text,
      limit.source,
    );
  }
  const loss = full.minus(gross);
  const share = loss.over(charge);
  if (share.isLess(f(rules.limits.gain_share).negated())) {
    return verdict(
      false,
      `${mass(loss.negated())} heavier than full, ${percent(share.negated())} of the charge: overfilled, or the full ` +
        "mass is wrong. Overfilled, its disc bursts when warm: take it out of service, weigh it again.",
      "not heavier than full",
      practice(rules),
    );
  }
  if (share.isMore(f(1))) {
    return verdict(
      false,
      `${mass(loss)} lost, more than the whole charge of ${mass(charge)}: the weight or the full mass ` +
        "is wrong, or parts were missing. Weigh it again with hose and horn as stamped.",
      text,
      limit.source,
    );
  }
  const ok = !share.isMore(allowed);
  const lost = loss.isMore(f(0))
    ? `${mass(loss)} of ${mass(charge)} lost, ${percent(share)} of the charge`
    : "nothing lost";
  return verdict(ok, `${lost}; ${ok ? "inside" : "over"} ${percent(allowed)}.`, text, limit.source);
};

/** Ideal gas at constant volume, on absolute values. @param {Rules} rules @param {Fraction} gauge @param {Fraction} celsius */
const atReferenceTemperature = ({ limits }, gauge, celsius) => {
  const [air, zero] = [f(limits.atmosphere_kpa), f(limits.zero_c_k)];
  return gauge.plus(air).times(f(limits.reference_c).plus(zero)).over(celsius.plus(zero)).minus(air);
};

/** @param {Rules} rules @param {Plate} plate @param {Fraction} gauge @param {Fraction | null} temperature @returns {Verdict} */
const judgeGaugePressure = (rules, plate, gauge, temperature) => {
  const { limits } = rules;
  const isVapour = limits.vapour_agents.includes(plate.agent);
  const limit = isVapour ? limits.vapour_pressure : limits.pressure;
  const { source } = limit;
  const referenceC = f(limits.reference_c);
  const reference = `${referenceC.plain(1)} °C`;
  const text = `within ${percent(f(limit.share))} of working pressure at ${reference}`;
  const working = known(plate.working_pressure_kpa);
  if (working === null || !working.isMore(f(0))) {
    return verdict(
      null,
      `Gauge at ${bar(gauge)} cannot be judged: the working pressure is not known. Read it from the nameplate and enter it.`,
      text,
      source,
    );
  }
  const lowest = working.times(f(1).minus(f(limit.share)));
  const highest = working.times(f(1).plus(f(limit.share)));
  /** The corrected pressure and how far off it may be. @param {Fraction} celsius */
  const atReference = (celsius) => {
    const corrected = atReferenceTemperature(rules, gauge, celsius);
    const perKelvin = f(isVapour ? limits.vapour_error_per_k : limits.ideal_error_per_k);
    return { corrected, error: corrected.size().times(perKelvin).times(celsius.minus(referenceC).size()) };
  };
  const against = `against ${bar(working)} working pressure`;
  let low, high, inside, read, remedy, corrected;
  if (temperature === null) {
    const cold = atReference(f(limits.coldest_c));
    const hot = atReference(f(limits.hottest_c));
    corrected = gauge;
    read = `${bar(gauge)}, taken as read at ${reference} as no temperature was entered, ${against}`;
    low = cold.corrected.plus(cold.error).isLess(lowest);
    high = hot.corrected.minus(hot.error).isMore(highest);
    inside = !corrected.isLess(lowest) && !corrected.isMore(highest);
    remedy = "looks {side}, but a cold or hot unit reads so. Enter the air temperature";
  } else {
    const there = atReference(temperature);
    corrected = there.corrected;
    read = `${bar(gauge)} at ${temperature.plain(1)} °C is ${bar(corrected)} at ${reference}, ${against}`;
    low = corrected.plus(there.error).isLess(lowest);
    high = corrected.minus(there.error).isMore(highest);
    inside = !corrected.isLess(lowest.plus(there.error)) && !corrected.isMore(highest.minus(there.error));
    remedy = `too near the limit to tell at this temperature. Let it settle near ${reference} and read again`;
  }
  if (inside) return verdict(true, `${read}: inside.`, text, source);
  const side = corrected.isLess(working) ? "low" : "high";
  if (low || high) return verdict(false, `${read}: too ${side}.`, text, source);
  return verdict(null, `${read}: ${remedy.replace("{side}", side)}.`, text, source);
};

/** @param {Rules} rules @param {Plate} plate @param {Fraction} reached @returns {Verdict} */
const judgeTestPressure = (rules, plate, reached) => {
  const { source } = rules.limits.test_pressure;
  const wanted = known(plate.test_pressure_kpa);
  if (wanted === null) {
    return verdict(
      null,
      `${bar(reached)} reached cannot be judged: the test pressure of the unit is not known. Read it from the nameplate and enter it.`,
      "test pressure reached",
      source,
    );
  }
  // To the nearest kPa, because plates round when they print two units.
  const ok = !f(reached.fixed(0)).isLess(f(wanted.fixed(0)));
  return verdict(
    ok,
    `${bar(reached)} reached of ${bar(wanted)} test pressure${ok ? ": reached." : ": not reached, the test does not count."}`,
    `at least ${bar(wanted)}`,
    source,
  );
};

/** @param {Rules} rules @param {Plate} plate @param {string} quantity @param {Fraction} value @param {Fraction | null} temperature @returns {Verdict} */
const judge = (rules, plate, quantity, value, temperature) => {
  switch (quantity) {
    case "gross_mass":
      return judgeMassLoss(rules, plate, value);
    case "gauge_pressure":
      return judgeGaugePressure(rules, plate, value, temperature);
    case "test_pressure":
      return judgeTestPressure(rules, plate, value);
    case "cartridge_mass": {
      const limit = rules.limits.cartridge;
      return verdict(
        null,
        `Cartridge at ${mass(value)} is recorded but not judged: compare it with the mass stamped on it and change it when it is light.`,
        limit?.text ?? "",
        limit?.source ?? practice(rules),
      );
    }
    case "ambient_temperature":
      return verdict(null, `${value.plain(1)} °C, used to judge the pressure.`, "no limit", practice(rules));
    default: {
      const label = quantityOf(rules, quantity).text;
      return verdict(
        null,
        `${label} is recorded but not judged: compare it with the nameplate.`,
        "no limit here",
        practice(rules),
      );
    }
  }
};

/**
 * Every value with its verdict; values in base units, as figures. The entrance of the shared cases.
 * @param {Rules} rules @param {Plate} plate @param {Record<string, string | Fraction>} values
 * @returns {Record<string, Verdict>}
 */
export const judgeValues = (rules, plate, values) => {
  /** @param {string | Fraction} v */
  const exact = (v) => (v instanceof Fraction ? v : f(v));
  const temperature = values.ambient_temperature === undefined ? null : exact(values.ambient_temperature);
  return Object.fromEntries(
    Object.entries(values).map(([quantity, value]) => [
      quantity,
      judge(rules, plate, quantity, exact(value), temperature),
    ]),
  );
};

/**
 * What is typed for one unit: every sound reading with its verdict, what cannot be read, and what stands
 * in the way of a pass of `tasks`. Without anything in the way the unit may pass.
 * @param {Rules} rules @param {Plate} plate @param {string[]} tasks @param {Reading[]} readings
 * @returns {{verdicts: Record<string, Verdict>, faults: Record<string, string>, lacking: string[], outside: string[]}}
 */
export const assess = (rules, plate, tasks, readings) => {
  /** @type {Record<string, Fraction>} */
  const values = {};
  /** @type {Record<string, string>} */
  const faults = {};
  for (const reading of readings) {
    try {
      values[reading.quantity] = readValue(rules, reading);
    } catch (error) {
      if (!(error instanceof ReadingError)) throw error;
      faults[reading.quantity] = error.message;
    }
  }
  const verdicts = judgeValues(rules, plate, values);
  const given = readings.map((r) => r.quantity);
  const lacking = tasks
    .flatMap((task) => missing(demandsOf(rules, task, plate), given))
    .map((d) => d.sentence);
  const outside = Object.values(verdicts)
    .filter((v) => v.word === "outside")
    .map((v) => v.sentence);
  return { verdicts, faults, lacking: [...new Set(lacking)], outside };
};
