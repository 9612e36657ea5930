// @ts-check
/**
 * Dates as they are read off a shell: the plain forms, read as inventory/measures/stamps.py reads them.
 * Whatever else is written is kept as typed and read by the server; here it is "not to be told". Pure.
 */

/** @typedef {{first: string, last: string, precision: "day" | "month" | "year"}} Stamp */
/** @typedef {{stamp: Stamp | null, isUnknown: boolean, fault: string}} MarkRead */

const OLDEST_TWO_DIGIT = 1950;
const OLDEST = 1900;
const UNREADABLE = new Set([
  "",
  "?",
  "N/A",
  "NA",
  "NONE",
  "UNKNOWN",
  "NOT READABLE",
  "UNREADABLE",
  "ILLEGIBLE",
  "X",
]);
const MONTHS = ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"];

/** @param {number} year @param {number} month */
const lastDay = (year, month) => new Date(Date.UTC(year, month, 0)).getUTCDate();
/** @param {number} n */
const two = (n) => String(n).padStart(2, "0");

/** @param {number} year @param {number} [month] @param {number} [day] @returns {Stamp | null} */
const stampOf = (year, month, day) => {
  if (month === undefined) return { first: `${year}-01-01`, last: `${year}-12-31`, precision: "year" };
  if (month < 1 || month > 12) return null;
  const length = lastDay(year, month);
  if (day === undefined)
    return { first: `${year}-${two(month)}-01`, last: `${year}-${two(month)}-${length}`, precision: "month" };
  if (day < 1 || day > length) return null;
  const on = `${year}-${two(month)}-${two(day)}`;
  return { first: on, last: on, precision: "day" };
};

/**
 * @param {string} raw
 * @param {string} today  civil day on the premises, YYYY-MM-DD
 * @returns {MarkRead}
 */
export const readMark = (raw, today) => {
  const text = raw.trim().toUpperCase().replaceAll(/\s+/g, " ");
  if (UNREADABLE.has(text.replace(/[.!]+$/, ""))) return { stamp: null, isUnknown: true, fault: "" };
  const said = parts(text, Number(today.slice(0, 4)));
  if (!said) return { stamp: null, isUnknown: false, fault: "" };
  const stamp = stampOf(...said);
  if (!stamp)
    return {
      stamp: null,
      isUnknown: false,
      fault: `“${raw.trim()}” does not exist. Look again, or write unknown.`,
    };
  if (stamp.first > today)
    return {
      stamp: null,
      isUnknown: false,
      fault: `“${raw.trim()}” lies in the future. Look again, or write unknown.`,
    };
  if (Number(stamp.first.slice(0, 4)) < OLDEST)
    return {
      stamp: null,
      isUnknown: false,
      fault: `“${raw.trim()}” lies before ${OLDEST}. Look again, or write unknown.`,
    };
  return { stamp, isUnknown: false, fault: "" };
};

/** @param {string} text @param {number} thisYear @returns {[number, number?, number?] | null} */
const parts = (text, thisYear) => {
  let m;
  if ((m = /^(\d{4})[-/. ](\d{1,2})[-/. ](\d{1,2})$/.exec(text)))
    return [Number(m[1]), Number(m[2]), Number(m[3])];
  if ((m = /^(\d{4})[-/. ](\d{1,2})$/.exec(text))) return [Number(m[1]), Number(m[2])];
  if ((m = /^(\d{1,2})[-/. ](\d{4})$/.exec(text))) return [Number(m[2]), Number(m[1])];
  if ((m = /^([A-Z]{3})[A-Z]{0,6}[-/. ]?(\d{4})$/.exec(text)) && MONTHS.includes(m[1]))
    return [Number(m[2]), MONTHS.indexOf(m[1]) + 1];
  if ((m = /^(\d{4})$/.exec(text))) return [Number(m[1])];
  // The trade writes month before year: 06/21 is June 2021.
  if ((m = /^(\d{1,2})[-/. ](\d{2})$/.exec(text)) && Number(m[1]) >= 1 && Number(m[1]) <= 12) {
    const possible = [1900, 2000]
      .map((c) => c + Number(m[2]))
      .filter((y) => y >= OLDEST_TWO_DIGIT && y <= thisYear);
    return possible.length === 1 ? [possible[0], Number(m[1])] : null;
  }
  return null;
};

/**
 * How a mark stands against the register, in a word and a sentence.
 * @param {string} raw
 * @param {{first?: string | null, last?: string | null, text?: string} | null} registered
 * @param {string} today
 * @param {boolean} isTest  the date of a test, whose age decides what is due
 * @returns {{word: "agrees" | "differs" | "older" | "new" | "unknown" | "fault", sentence: string}}
 */
export const compareMark = (raw, registered, today, isTest) => {
  const { stamp, isUnknown, fault } = readMark(raw, today);
  if (fault) return { word: "fault", sentence: fault };
  if (isUnknown) {
    return isTest
      ? {
          word: "unknown",
          sentence: "A test date that cannot be read counts as no test: the unit does not pass on it.",
        }
      : { word: "unknown", sentence: "Recorded as not readable." };
  }
  if (!stamp) return { word: "unknown", sentence: "Recorded as typed; the office reads it." };
  if (!registered?.first || !registered.last)
    return { word: "new", sentence: "The register has no date here: recorded." };
  if (stamp.first <= registered.last && stamp.last >= registered.first)
    return { word: "agrees", sentence: "Agrees with the register." };
  const says = `The register says ${registered.text || registered.first}.`;
  if (isTest && stamp.last < registered.first) {
    return {
      word: "older",
      sentence: `${says} The shell shows an older test: it may be overdue. Do not pass it on the register's date.`,
    };
  }
  return { word: "differs", sentence: `${says} Recorded as read; the office settles it.` };
};
