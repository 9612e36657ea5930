// @ts-check
/**
 * What the phone holds: the stored day, the acts that were recorded, photos, half-filled forms. One
 * database in the browser; nothing in it is deleted before the server has said that it is kept.
 *
 * An act and the counter that numbers it are written in one transaction, flushed before it is called
 * done: an act that the screen confirmed survives a killed page and an empty battery.
 */

import { openDB } from "../../vendor/idb-8.0.4/index.js";

/** @typedef {import("./round.js").Act} Act */
/** @typedef {{id: string, act: string, visit: string, person: string, blob: Blob, length: number, sha256: string, media_type: string, taken_at: string, state: "waiting" | "sent" | "refused", offset: number, why?: string}} Photo */

const STRICT = /** @type {const} */ ({ durability: "strict" });

/** The disk of the phone is full; what was there before is still there. */
export class DiskFull extends Error {
  constructor() {
    super(
      "This phone has no room left. Nothing that was stored is lost, but this was not stored. " +
        "Delete films or photos on the phone, then try again.",
    );
  }
}

let isOpening = openDB("field", 1, {
  upgrade(db) {
    db.createObjectStore("meta");
    db.createObjectStore("days");
    db.createObjectStore("sites");
    db.createObjectStore("drafts");
    const acts = db.createObjectStore("acts", { keyPath: "id" });
    acts.createIndex("state", "state");
    acts.createIndex("visit", "visit");
    db.createObjectStore("others", { keyPath: "id" }).createIndex("site", "site");
    db.createObjectStore("photos", { keyPath: "id" }).createIndex("state", "state");
  },
  blocking(_current, _blocked, event) {
    // A newer version of the app wants to change the database: let it, and start anew.
    /** @type {IDBDatabase} */ (event.target).close();
    location.reload();
  },
});
export const db = () => isOpening;

const news = typeof BroadcastChannel === "undefined" ? null : new BroadcastChannel("field");
const listeners = new Set();
/**
 * Calls `act` whenever something stored has changed, here or in another window; `written` are the acts that
 * this window itself has just written.
 * @param {(what: string, written?: Act[]) => void} act
 */
export const onChange = (act) => listeners.add(act);
/** Tells this window alone. @param {string} what @param {Act[]} [written] */
export const tell = (what, written) => listeners.forEach((act) => act(what, written));
/** @param {string} what @param {Act[]} [written] */
export const changed = (what, written) => {
  tell(what, written);
  news?.postMessage(what);
};
if (news) news.onmessage = ({ data }) => tell(data);

/** @template T @param {() => Promise<T>} work @returns {Promise<T>} */
const withRoom = async (work) => {
  try {
    return await work();
  } catch (error) {
    if (/** @type {Error} */ (error).name === "QuotaExceededError") throw new DiskFull();
    throw error;
  }
};

/**
 * All of `work` in `tx` or nothing: what throws halfway would else leave the first half behind.
 * @template T @param {{done: Promise<void>, abort: () => void}} tx @param {() => Promise<T>} work @returns {Promise<T>}
 */
const whole = async (tx, work) => {
  tx.done.catch(() => null);
  try {
    const found = await work();
    await tx.done;
    return found;
  } catch (error) {
    try {
      tx.abort();
    } catch {
      // It has ended by itself.
    }
    throw error;
  }
};

// --- small facts -----------------------------------------------------------------------------------

/** @param {string} key */
export const recall = async (key) => (await db()).get("meta", key);
/** @param {string} key @param {any} value */
export const remember = async (key, value) => withRoom(async () => (await db()).put("meta", value, key));

/** This phone's own id, made once. */
export const deviceId = async () => {
  const tx = (await db()).transaction("meta", "readwrite");
  let id = await tx.store.get("device");
  if (!id) await tx.store.put((id = crypto.randomUUID()), "device");
  await tx.done;
  return id;
};

// --- the stored day --------------------------------------------------------------------------------

/**
 * What of the day before stays although the new one lacks it: visits on which something waits or was refused,
 * so that it can still be corrected, and what is needed to show them.
 * @param {any} old @param {any} pack @param {Act[]} unsettled
 */
const stillNeeded = (old, pack, unsettled) => {
  const isNew = new Set([...pack.visits, ...pack.sites].map((row) => row.id));
  const open = new Set(unsettled.filter((act) => act.person === pack.person.id).map((act) => act.visit));
  const known = [...(old?.visits ?? []), ...(old?.kept?.visits ?? [])];
  const visits = known.filter((visit) => open.has(visit.id) && !isNew.has(visit.id));
  const wanted = new Set(visits.map((visit) => visit.site));
  const sites = [...(old?.sites ?? []), ...(old?.kept?.sites ?? [])].filter(
    (site) => wanted.has(site.id) && !isNew.has(site.id),
  );
  const tables = new Map(pack.tables.map((table) => [`${table.key}|${table.version}`, table]));
  for (const table of visits.length ? old.tables : []) {
    const key = `${table.key}|${table.version}`;
    if (!tables.has(key)) tables.set(key, table);
  }
  return { kept: { visits, sites }, tables: [...tables.values()] };
};

/**
 * Puts a day in the place of the one before; all or nothing.
 * @param {any} pack  as the server made it
 * @param {string} etag
 */
export const storePack = async (pack, etag) =>
  withRoom(async () => {
    const { units, locations, defects, sites, ...day } = pack;
    const tx = (await db()).transaction(["days", "sites", "meta", "acts"], "readwrite", STRICT);
    const person = pack.person.id;
    const byState = tx.objectStore("acts").index("state");
    const unsettled = [...(await byState.getAll("waiting")), ...(await byState.getAll("refused"))];
    const more = stillNeeded(await tx.objectStore("days").get(person), pack, unsettled);
    const stored = {
      ...{ ...day, ...more, etag, sites },
      ...{ stored_at: new Date().toISOString(), unit_count: units.length },
    };
    await tx.objectStore("days").put(stored, person);
    const staying = new Set(more.kept.sites.map((site) => `${person}|${site.id}`));
    const own = IDBKeyRange.bound(`${person}|`, `${person}|\uffff`);
    for (const key of await tx.objectStore("sites").getAllKeys(own))
      if (!staying.has(key)) await tx.objectStore("sites").delete(key);
    for (const site of sites) {
      const rows = { units: [], locations: [], defects: [] };
      rows.units = units.filter((u) => u.site === site.id);
      rows.locations = locations.filter((l) => l.site === site.id);
      const here = new Set([...rows.units, ...rows.locations].map((row) => row.id));
      rows.defects = defects.filter((d) => here.has(d.unit) || here.has(d.location));
      await tx.objectStore("sites").put(rows, `${person}|${site.id}`);
    }
    // A phone whose storage was emptied starts above what the server has of it.
    const device = await tx.objectStore("meta").get("device");
    const last = Math.max(0, ...pack.visits.map((visit) => Number(visit.last_seq?.[device] ?? 0)));
    if (last > Number((await tx.objectStore("meta").get("seq")) ?? 0))
      await tx.objectStore("meta").put(last, "seq");
    const shown = await tx.objectStore("meta").get("person");
    await tx.objectStore("meta").put(person, "person");
    await tx.objectStore("meta").put(null, "stranger");
    // Records of earlier days are still listed by number.
    const numbers = (await tx.objectStore("meta").get(`numbers|${person}`)) ?? {};
    for (const unit of units) numbers[unit.id] = unit.number;
    await tx.objectStore("meta").put(numbers, `numbers|${person}`);
    await tx.done;
    changed("day");
    // This window draws anew once all is stored; others may show a round of the person before.
    if (shown !== person) news?.postMessage("person");
    return stored;
  });

/** The stored day is still what the server would send. @param {string} person */
export const touchDay = async (person) => {
  const day = { ...(await storedDay(person)), stored_at: new Date().toISOString() };
  await withRoom(async () => (await db()).put("days", day, person));
  changed("day");
  return day;
};

/**
 * Puts what the office asks on surveys in the place of what the stored day says; does nothing without one.
 * @param {{visit: string, asked: any[]}[]} surveys @param {string} person
 */
export const storeQuestions = async (surveys, person) => {
  let isNew = false;
  await withRoom(async () => {
    const tx = (await db()).transaction("days", "readwrite");
    const day = await tx.store.get(person);
    for (const { visit, asked } of surveys) {
      const survey = day?.visits.find((one) => one.id === visit)?.survey;
      if (!survey || JSON.stringify(survey.asked) === JSON.stringify(asked)) continue;
      survey.asked = asked;
      isNew = true;
    }
    if (isNew) await tx.store.put(day, person);
    await tx.done;
  });
  if (isNew) changed("asked");
};

/** @param {string} person */
export const storedDay = async (person) => (person ? (await db()).get("days", person) : undefined);
/** Whether somebody has a stored day or waiting records on this phone. @param {string} person */
export const isKnownHere = async (person) =>
  Boolean(await storedDay(person)) || (await actsIn("waiting")).some((act) => act.person === person);

/** From now on this phone shows and sends what is of this person. @param {string} person */
export const showPerson = async (person) => {
  await remember("person", person);
  await remember("stranger", null);
  changed("person");
};

/**
 * Notes who is signed in without a day here while that of somebody else is shown; null: nobody.
 * @param {{id: string, name: string} | null} who
 */
export const noteStranger = async (who) => {
  if ((await recall("stranger"))?.id === who?.id) return;
  await remember("stranger", who);
  changed("person");
};

/** @param {string} person @param {string} site */
export const storedSite = async (person, site) =>
  (await (await db()).get("sites", `${person}|${site}`)) ?? { units: [], locations: [], defects: [] };

// --- acts ------------------------------------------------------------------------------------------

/**
 * Records acts: numbers them and stores them with their photos, and clears the draft they came from.
 * Without return nothing is recorded.
 * @param {string} person
 * @param {Partial<Act>[]} acts
 * @param {{photos?: Partial<Photo>[], draft?: string, settles?: string}} [more]  `settles`: the refused act
 *   that the first of these takes the place of
 * @returns {Promise<Act[]>}
 */
export const addActs = async (person, acts, { photos = [], draft, settles } = {}) =>
  withRoom(async () => {
    const tx = (await db()).transaction(["acts", "meta", "photos", "drafts"], "readwrite", STRICT);
    const stored = await whole(tx, async () => {
      let seq = Number((await tx.objectStore("meta").get("seq")) ?? 0);
      const made = acts.map((act) => ({
        id: crypto.randomUUID(),
        content: {},
        ...act,
        person,
        seq: ++seq,
        device_at: new Date().toISOString(),
        state: "waiting",
      }));
      for (const act of made) await tx.objectStore("acts").add(act);
      await tx.objectStore("meta").put(seq, "seq");
      for (const photo of photos) {
        const kept = {
          ...photo,
          person,
          act: photo.act || made[0].id,
          visit: made[0].visit,
          state: "waiting",
          offset: 0,
        };
        await tx.objectStore("photos").put(kept);
      }
      if (draft) await tx.objectStore("drafts").delete(draft);
      if (settles) {
        const old = await tx.objectStore("acts").get(settles);
        if (old) await tx.objectStore("acts").put({ ...old, state: "discarded", settled_by: made[0].id });
      }
      return made;
    });
    changed("acts", /** @type {any} */ (stored));
    return /** @type {any} */ (stored);
  });

/** @param {string} visit @returns {Promise<Act[]>} */
export const actsOf = async (visit) => (await db()).getAllFromIndex("acts", "visit", visit);
/** @returns {Promise<Act[]>} */
export const allActs = async () => (await db()).getAll("acts");
/** @param {string} state @returns {Promise<Act[]>} */
export const actsIn = async (state) => (await db()).getAllFromIndex("acts", "state", state);
/** @param {string} id @returns {Promise<Act>} */
export const actOf = async (id) => (await db()).get("acts", id);

/** Writes what became of acts. @param {Act[]} acts */
export const settleActs = async (acts) => {
  const tx = (await db()).transaction("acts", "readwrite", STRICT);
  for (const act of acts) {
    const current = await tx.store.get(act.id);
    // What the person settled meanwhile stays settled.
    if (current && current.state !== "discarded")
      await tx.store.put({ ...current, state: act.state, answer: act.answer });
  }
  await tx.done;
  changed("acts");
};

/** Lets go of an act that the server does not have, for a stated reason; it stays readable. @param {string} id @param {string} why */
export const discardAct = async (id, why) => {
  const act = await actOf(id);
  const isOurs = act?.state === "refused" || (act?.state === "waiting" && !act.tried);
  if (isOurs) await (await db()).put("acts", { ...act, state: "discarded", discarded_because: why });
  changed("acts");
};

/** Notes that acts are about to be sent: from now on the server may have them. @param {Act[]} acts */
export const markTried = async (acts) => {
  const tx = (await db()).transaction("acts", "readwrite", STRICT);
  for (const { id } of acts) {
    const act = await tx.store.get(id);
    if (act && !act.tried) await tx.store.put({ ...act, tried: true });
  }
  await tx.done;
};

/** How many acts and photos of one person stand where, and how many of others wait. @param {string} person */
export const outboxCounts = async (person) => {
  const store = await db();
  const [waiting, refused, photos] = await Promise.all([
    store.getAllFromIndex("acts", "state", "waiting"),
    store.getAllFromIndex("acts", "state", "refused"),
    store.getAllFromIndex("photos", "state", "waiting"),
  ]);
  const mine = (/** @type {{person: string}[]} */ rows) => rows.filter((row) => row.person === person).length;
  return {
    waiting: mine(waiting),
    refused: mine(refused),
    photos: mine(photos),
    others: waiting.length - mine(waiting),
  };
};

// --- what colleagues did ---------------------------------------------------------------------------

/** @param {any[]} acts @param {string} cursor @param {string} person */
export const storeOthers = async (acts, cursor, person) =>
  withRoom(async () => {
    const tx = (await db()).transaction(["others", "meta"], "readwrite");
    for (const act of acts) await tx.objectStore("others").put(act);
    await tx.objectStore("meta").put(cursor, `cursor|${person}`);
    await tx.done;
    if (acts.length) changed("others");
  });
/** @param {string} site */
export const othersAt = async (site) => (await db()).getAllFromIndex("others", "site", site);

// --- photos ----------------------------------------------------------------------------------------

/** @returns {Promise<Photo[]>} */
export const waitingPhotos = async () => (await db()).getAllFromIndex("photos", "state", "waiting");
/** @param {string} id @returns {Promise<Photo | undefined>} */
export const photoOf = async (id) => (await db()).get("photos", id);
/** @param {Photo} photo */
export const putPhoto = async (photo) => {
  await withRoom(async () => (await db()).put("photos", photo));
  changed("photos");
};

// --- half-filled forms -----------------------------------------------------------------------------

/** @param {string} key */
export const draftOf = async (key) => (await db()).get("drafts", key);
/** @param {string} key @param {any} draft */
export const putDraft = async (key, draft) => withRoom(async () => (await db()).put("drafts", draft, key));
/** @param {string} key */
export const dropDraft = async (key) => (await db()).delete("drafts", key);
