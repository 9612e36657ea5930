// @ts-check
/**
 * The visit that is open on the screen: the stored day, the site's register and everything recorded
 * there, read once and kept in memory, so that going from unit to unit asks the database for nothing.
 */

import { go } from "./dom.js";
import { roundOf, tally } from "./round.js";
import { actsOf, addActs, onChange, othersAt, recall, storedDay, storedSite, tell } from "./store.js";

/** @typedef {import("./round.js").Act} Act */
/**
 * @typedef {{person: string, day: any, visit: any, site: any, rows: any, acts: Act[], others: Act[],
 *   round: ReturnType<typeof roundOf>}} Opened
 */

/** @type {Opened | null} */
let opened = null;

/** What is being read after a change: whoever opens a visit meanwhile waits for it. @type {Promise<void>} */
let reading = Promise.resolve();

/** @param {Opened} visit */
const recompute = (visit) => {
  const { day, visit: trip, rows, acts, others } = visit;
  visit.round = roundOf({ day, visit: trip, site: rows }, [...others, ...acts]);
  return visit;
};

/** The open visit, from storage where it is not in memory yet or wanted anew. @param {string} id @returns {Promise<Opened>} */
export const openVisit = async (id, isAnew = false) => {
  await reading;
  if (!isAnew && opened?.visit.id === id) return opened;
  const person = await recall("person");
  const day = await storedDay(person);
  const trip = [...(day?.visits ?? []), ...(day?.kept?.visits ?? [])].find((v) => v.id === id);
  if (!trip)
    throw new Error(
      "This visit is not stored on this phone. Go back and store the day again. If it is not there then, " +
        "it is not yours any more: ask the office.",
    );
  const site = [...day.sites, ...(day.kept?.sites ?? [])].find((s) => s.id === trip.site);
  const [rows, acts, others] = await Promise.all([
    storedSite(person, site.id),
    actsOf(id),
    othersAt(site.id),
  ]);
  opened = recompute(
    /** @type {any} */ ({ person, day, visit: trip, site, rows, acts, others, round: null }),
  );
  return opened;
};

/** Acts being recorded here: they are put beside the others at once, without reading all of them again. */
let recording = "";

onChange((what, written) => {
  if (what === "day" || what === "person") opened = null;
  if (what === "asked" && opened) {
    const { person, visit } = opened;
    // The rest of the day stays: what is half recorded on the screen goes on.
    void storedDay(person).then((day) => {
      const now = day?.visits.find((/** @type {any} */ one) => one.id === visit.id);
      if (now) visit.survey = now.survey;
      tell("round");
    });
  }
  if (!opened || !["acts", "others"].includes(what)) return;
  if (written?.length && written[0].visit === recording) return;
  const { visit, site } = opened;
  reading = Promise.all([actsOf(visit.id), othersAt(site.id)]).then(([acts, others]) => {
    if (opened?.visit.id !== visit.id) return;
    recompute(Object.assign(opened, { acts, others }));
    tell("round");
  });
});

/**
 * Records acts on a visit; they are stored before this returns.
 * @param {Opened} visit
 * @param {Partial<Act>[]} acts
 * @param {Parameters<typeof addActs>[2]} [more]
 */
export const record = async (visit, acts, more) => {
  const isFirst = !visit.acts.length && !acts.some((act) => act.kind === "start");
  const all = [...(isFirst ? [{ kind: "start" }] : []), ...acts];
  recording = visit.visit.id;
  const stored = await addActs(
    visit.person,
    all.map((act) => ({ ...act, visit: visit.visit.id, place: visit.site.name })),
    more,
  ).finally(() => (recording = ""));
  const settled = visit.acts.find((act) => act.id === more?.settles);
  if (settled) settled.state = "discarded";
  visit.acts.push(...stored);
  recompute(visit);
  if (settled && settled.kind !== "close") await closeAnew(visit);
  void import("./outbox.js").then(({ syncSoon }) => syncSoon());
  return stored;
};

/**
 * A closing that was made before one of its records was corrected or discarded is stated anew: the server
 * waits with the old one for a record that never comes.
 * @param {Opened} visit
 */
export const closeAnew = async (visit) => {
  const old = visit.acts.find((act) => act.kind === "close" && ["waiting", "refused"].includes(act.state));
  if (!old) return;
  const before = visit.acts.filter((act) => act.state !== "discarded" && act.kind !== "close").length;
  const counts = old.content.survey_counts
    ? { survey_counts: (await import("./surveying.js")).surveyOf(visit).counts }
    : { counts: tally(visit.round.stops) };
  const content = { ...old.content, ...counts, acts_before: before };
  await record(visit, [{ kind: "close", content }], { settles: old.id });
};

/** Takes back an act: the withdrawal is an act of its own. @param {Opened} visit @param {string} act @param {string} [reason] */
export const undo = (visit, act, reason = "") =>
  record(visit, [{ kind: "undo", content: { act, ...(reason ? { reason } : {}) } }]);

/** @param {Opened} visit @param {string} unit */
export const unitAddress = (visit, unit) => `unit/${visit.visit.id}/${unit}`;

/**
 * Goes to the unit that a code names, or says what it could be.
 * @param {Opened} visit
 * @param {string} code
 * @param {string} by  camera, scanner, typed
 */
export const goToCode = async (visit, code, by) => {
  const { named } = await import("./round.js");
  const found = named(visit.round.all, code);
  const query = `by=${by}&read=${encodeURIComponent(code)}`;
  if (found.length === 1) go(`${unitAddress(visit, found[0].key)}?${query}`);
  else go(`visit/${visit.visit.id}?${query}`);
};
