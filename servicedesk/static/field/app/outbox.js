// @ts-check
/**
 * Sending what was recorded, and fetching what colleagues recorded. Acts go in the order of their
 * numbers, photos after them; everything may be sent again, because the server knows each by its id.
 * One window at a time sends (a lock of the browser); a refused act stays with the person.
 */

import {
  actsIn,
  changed,
  deviceId,
  isKnownHere,
  markTried,
  noteStranger,
  photoOf,
  putPhoto,
  recall,
  remember,
  settleActs,
  showPerson,
  storeOthers,
  storeQuestions,
  waitingPhotos,
} from "./store.js";
import { config } from "./dom.js";

/** @typedef {import("./round.js").Act} Act */

const API = "/api/v1/";
const BATCH = 100;
const CHUNK = 512 * 1024;
const PATIENCE_MS = 45_000;
const FIRST_WAIT_MS = 2_000;
const LONGEST_WAIT_MS = 5 * 60_000;
const NEWS_MS = 60_000;

/** How sending stands: said on every screen. */
export const link = {
  /** @type {"idle" | "sending" | "offline" | "signed_out" | "trouble" | "stranger"} */
  state: "idle",
  /** In words, for trouble. */
  why: "",
  /** How far this phone's clock is off, in seconds; positive when it is slow. @type {number | null} */
  drift_s: null,
};

/** @param {typeof link.state} state @param {string} [why] */
const show = (state, why = "") => {
  if (link.state === state && link.why === why) return;
  link.state = state;
  link.why = why;
  changed("link");
};

/** The server said no, or nothing could be reached (status 0). */
export class CallRefused extends Error {
  /** @param {number} status @param {any} problem @param {Response | null} answer */
  constructor(status, problem, answer = null) {
    super(problem?.detail ?? problem?.title ?? `The server answered ${status}.`);
    this.status = status;
    this.code = problem?.code ?? "";
    this.retryAfter_s = Number(answer?.headers.get("Retry-After") ?? 0);
    this.headers = answer?.headers ?? null;
  }
}

const token = () => /(?:^|; )csrftoken=([^;]+)/.exec(document.cookie)?.[1] ?? "";

/**
 * One call of the API. @param {string} path @param {RequestInit & {headers?: Record<string, string>}} [init]
 * @returns {Promise<Response>}
 */
export const call = async (path, init = {}, isSecondTry = false) => {
  const headers = {
    Accept: "application/json",
    ...(init.method ? { "X-CSRFToken": token() } : {}),
    ...init.headers,
  };
  let answer;
  try {
    answer = await fetch(API + path, {
      ...init,
      headers,
      credentials: "same-origin",
      cache: "no-store",
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
  } catch {
    throw new CallRefused(0, { detail: "The server cannot be reached." });
  }
  noteClock(answer);
  if (answer.ok || answer.status === 304) return answer;
  let problem = null;
  try {
    problem = await answer.clone().json();
  } catch {
    // Not a problem in our own words: a proxy, or a server that is starting.
  }
  if (answer.status === 403 && problem?.code === "csrf_failed" && !isSecondTry) {
    // Signed in anew elsewhere: any page brings the token that belongs to the new session.
    await fetch(config.plain, { credentials: "same-origin" }).catch(() => null);
    return call(path, init, true);
  }
  throw new CallRefused(answer.status, problem, answer);
};

/** @param {string} path @param {any} body @param {string} [method] */
const send = async (path, body, method = "POST") =>
  call(path, { method, body: JSON.stringify(body), headers: { "Content-Type": "application/json" } });

/** The server's clock against this phone's, from the date that every answer carries. @param {Response} answer */
const noteClock = (answer) => {
  const said = Date.parse(answer.headers.get("Date") ?? "");
  if (Number.isNaN(said)) return;
  const drift = Math.round((said - Date.now()) / 1000);
  if (link.drift_s === null || Math.abs(drift - link.drift_s) > 5) {
    link.drift_s = drift;
    changed("link");
  }
};

/** Whether a refusal is about who is signed in; says so if it is. @param {unknown} error */
const noteRefusal = (error) => {
  if (!(error instanceof CallRefused)) throw error;
  if (error.status === 401) void noteStranger(null);
  if (error.status === 0) show("offline");
  else if (error.status === 401) show("signed_out");
  else if (error.status === 403) show("stranger", error.message);
  else show("trouble", error.message);
};

// --- acts ------------------------------------------------------------------------------------------

/** The acts of one person that wait, oldest number first. @param {Act[]} acts @param {string} person */
export const inOrder = (acts, person) =>
  acts.filter((act) => act.person === person).sort((a, b) => a.seq - b.seq);

/** What is sent of an act: not how it stands on this phone. @param {Act} act */
export const wireForm = ({ id, visit, kind, seq, device_at, unit, location, scan, photos, content }) => ({
  id,
  visit,
  kind,
  seq,
  device_at,
  unit,
  location,
  scan,
  photos,
  content,
});

/** How an act stands after the server's answer to it. @param {Act} act @param {any} result @returns {Act} */
export const afterAnswer = (act, result) => {
  const answer = {
    status: result.status,
    warnings: result.warnings ?? [],
    problem: result.problem ?? null,
    certificate: result.certificate ?? null,
  };
  const state =
    { accepted: "sent", repeated: "sent", refused: "refused" }[/** @type {string} */ (result.status)] ??
    "waiting";
  return { ...act, state: /** @type {any} */ (state), answer };
};

/** Sends every waiting act once. Returns whether all could be handed over. @param {string} person */
const sendActs = async (person) => {
  const waiting = inOrder(await actsIn("waiting"), person);
  const device = {
    id: await deviceId(),
    label: navigator.userAgent.slice(0, 120),
    app_version: config.version,
  };
  for (let at = 0; at < waiting.length; at += BATCH) {
    const batch = waiting.slice(at, at + BATCH);
    await markTried(batch.filter((act) => !act.tried));
    const answer = await send("field/acts/", {
      device,
      sent_at: new Date().toISOString(),
      acts: batch.map(wireForm),
    });
    const said = await answer.json();
    const byId = new Map(said.results.map((/** @type {any} */ result) => [result.id, result]));
    await settleActs(
      batch.filter((act) => byId.has(act.id)).map((act) => afterAnswer(act, byId.get(act.id))),
    );
  }
  return waiting.length;
};

/** @param {string} person */
const fetchOthers = async (person) => {
  const device = await deviceId();
  for (let more = true; more;) {
    const cursor = await recall(`cursor|${person}`);
    const query = cursor ? `?after=${encodeURIComponent(cursor)}` : "";
    const said = await (await call(`field/acts/${query}`)).json();
    await storeOthers(
      said.acts.filter((/** @type {any} */ act) => act.device !== device),
      said.cursor,
      person,
    );
    // The last page brings what the office asks by now: a stored day knows only what it asked back then.
    if (said.surveys) await storeQuestions(said.surveys, person);
    more = said.more === true && said.acts.length > 0;
  }
};

// --- photos ----------------------------------------------------------------------------------------

/** Sends one photo from where the server has it. @param {import("./store.js").Photo} photo */
const sendPhoto = async (photo) => {
  const { id, act, visit, media_type, length, sha256, taken_at } = photo;
  const begun = await (
    await send("field/photos/", { id, act, visit, media_type, length, sha256, taken_at })
  ).json();
  let { offset, complete } = begun;
  while (!complete) {
    const end = Math.min(offset + CHUNK, length);
    try {
      const answer = await call(`field/photos/${id}/`, {
        method: "PATCH",
        body: photo.blob.slice(offset, end),
        headers: {
          "Content-Type": "application/partial-upload",
          "Upload-Offset": String(offset),
          "Upload-Complete": end === length ? "?1" : "?0",
        },
      });
      offset = Number(answer.headers.get("Upload-Offset") ?? end);
      complete = answer.headers.get("Upload-Complete") === "?1" || (end === length && offset === length);
    } catch (error) {
      if (!(error instanceof CallRefused && error.status === 409 && error.headers?.has("Upload-Offset")))
        throw error;
      const there = Number(error.headers.get("Upload-Offset"));
      if (there === offset) throw error;
      offset = there;
      complete = error.headers.get("Upload-Complete") === "?1";
    }
    await putPhoto({ ...photo, offset });
  }
  await putPhoto({ ...photo, offset: length, state: "sent" });
};

/** @param {string} person */
const sendPhotos = async (person) => {
  for (const { id, person: whose } of await waitingPhotos()) {
    if (whose !== person) continue;
    const photo = await photoOf(id);
    if (!photo) continue;
    try {
      await sendPhoto(photo);
    } catch (error) {
      if (!(error instanceof CallRefused) || error.status !== 400) throw error;
      await putPhoto({ ...photo, state: "refused", why: error.message });
    }
  }
};

// --- when ------------------------------------------------------------------------------------------

let wait_ms = FIRST_WAIT_MS;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let timer;
let isRunning = false;
/** A contact that came while one was under way: that one may have read the server's news before. */
let isAskedAgain = false;

/** @param {number} after_ms */
const later = (after_ms) => {
  clearTimeout(timer);
  timer = setTimeout(() => void sync(), after_ms);
};

/** Whoever is signed in on this phone now. @returns {Promise<{id: string, name: string}>} */
const whoIs = async () => (await call("me/")).json();

/**
 * Sends and fetches once, and sets the next try: soon after a failure, rarely when all is well.
 * @returns {Promise<void>}
 */
export const sync = async () => {
  if (!navigator.onLine) return show("offline");
  if (isRunning) {
    isAskedAgain = true;
    return;
  }
  isRunning = true;
  isAskedAgain = false;
  try {
    await exchange();
  } finally {
    isRunning = false;
  }
  if (isAskedAgain) later(0);
};

/** One exchange, unless another window has it in hand. */
const exchange = async () => {
  await navigator.locks.request("field-outbox", { ifAvailable: true }, async (lock) => {
    if (!lock) return later(wait_ms);
    try {
      const shown = await recall("person");
      if (!shown) return;
      const { id: person, name } = await whoIs();
      if (person === shown) await noteStranger(null);
      // Back on this phone after somebody else: what waits here of this person goes out, as was promised.
      else if (await isKnownHere(person)) await showPerson(person);
      else {
        await noteStranger({ id: person, name });
        show("stranger", "Somebody else is signed in on this phone.");
        return later(NEWS_MS);
      }
      show("sending");
      await sendActs(person);
      await fetchOthers(person);
      await sendPhotos(person);
      await remember("synced_at", new Date().toISOString());
      wait_ms = FIRST_WAIT_MS;
      show("idle");
      const left = inOrder(await actsIn("waiting"), person);
      // What was recorded meanwhile goes at once; what waits on the server for an earlier act is asked
      // again; else only news are fetched.
      later(left.some((act) => !act.answer) ? 0 : left.length ? 15_000 : NEWS_MS);
    } catch (error) {
      noteRefusal(error);
      isAskedAgain = false;
      const asked_ms = error instanceof CallRefused ? error.retryAfter_s * 1000 : 0;
      wait_ms = Math.min(wait_ms * 2, LONGEST_WAIT_MS);
      later(Math.max(asked_ms, wait_ms * (0.75 + Math.random() / 2)));
    }
  });
};

/** Soon, once: after a record was made. */
export const syncSoon = () => later(300);

export const keepSending = () => {
  addEventListener("online", () => {
    wait_ms = FIRST_WAIT_MS;
    void sync();
  });
  addEventListener("offline", () => show("offline"));
  addEventListener("pageshow", () => void sync());
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") void sync();
  });
  void sync();
};
