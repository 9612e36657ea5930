// @ts-check
/** The first screen: the route of today and the next days, and storing it for a day without signal. */

import {
  APPEARANCES,
  appearance,
  button,
  choices,
  chip,
  clock,
  config,
  count,
  dayWords,
  h,
  icon,
  notice,
  redraw,
  say,
  setAppearance,
  todayIn,
} from "./dom.js";
import { allActs, othersAt, recall, remember, storedDay, storePack, touchDay } from "./store.js";

const DAYS = 3;

/** "stored 07:42, 3 sites, 412 units" @param {any} day */
export const storedWords = (day) =>
  `stored ${clock(day.stored_at)}, ${count(day.sites.length, "site")}, ${count(day.unit_count, "unit")}`;

/** The civil day of an instant on this phone's clock, as its hours are shown. @param {string} at */
const localDay = (at) => new Intl.DateTimeFormat("en-CA").format(new Date(at));

/** @param {any} day */
const isOfToday = (day) => new Date(day.stored_at).toDateString() === new Date().toDateString();

/** Fetches the day, puts it on the phone with the scanner, and asks the browser to keep it. @param {(step: string) => void} tell */
const store = async (tell) => {
  const { call, sync } = await import("./outbox.js");
  tell("Fetching the visits …");
  const known = await storedDay(await recall("person"));
  const headers = known && isOfToday(known) ? { "If-None-Match": known.etag } : {};
  const answer = await call(`field/pack/?days=${DAYS}`, { headers });
  let day = known;
  if (answer.status !== 304) {
    const pack = await answer.json();
    tell("Putting them on this phone …");
    day = await storePack(pack, answer.headers.get("ETag") ?? "");
  } else day = await touchDay(known.person.id);
  tell("Storing the scanner …");
  const scanner = await storeScanner();
  const isKept = (await navigator.storage?.persist?.().catch(() => false)) ?? false;
  await remember("kept", isKept);
  // It may be the day of somebody else than before: what waits here of that person goes out now.
  void sync();
  return { day, scanner };
};

/** @returns {Promise<string>} "stored", or why not */
const storeScanner = async () => {
  const worker =
    navigator.serviceWorker?.controller ?? (await navigator.serviceWorker?.getRegistration())?.active;
  if (!worker) return "refused: this browser keeps no apps";
  return new Promise((resolve) => {
    const line = new MessageChannel();
    line.port1.onmessage = ({ data }) => resolve(data);
    worker.postMessage("store scanner", [line.port2]);
  });
};

/** @param {any} visit @param {any} site @param {number} done @param {boolean} isClosed */
const visitCard = (visit, site, done, isClosed) => {
  const isSurvey = visit.kind === "survey";
  const units = isSurvey
    ? (visit.survey?.expected_units ?? 0)
    : new Set(visit.jobs.map((/** @type {any} */ job) => job.unit)).size;
  const weekday = (new Date(`${visit.planned_on}T12:00:00Z`).getUTCDay() + 6) % 7;
  const hours = site.hours.filter((/** @type {any} */ w) => w.weekday === weekday);
  const open = hours.map((/** @type {any} */ w) => `${w.opens_at} to ${w.closes_at}`).join(", ");
  return h(
    "li",
    {
      class: "card app-card",
      data: { tone: isClosed ? "ok" : visit.state === "under_way" || done ? "away" : "" },
    },
    h(
      "a",
      { class: "card-title app-card-link", href: `#/${isSurvey ? "survey" : "visit"}/${visit.id}` },
      site.name,
    ),
    h(
      "p",
      { class: "card-line" },
      visit.starts_at ? h("strong", null, visit.starts_at, " · ") : null,
      isSurvey
        ? `Survey, ${count(units, "unit")} expected${done ? `, ${done} looked for` : ""}`
        : `${count(units, "unit")}${done ? `, ${done} done` : ""}`,
      visit.drive_min ? ` · ${visit.drive_min} min drive` : "",
    ),
    visit.is_urgent
      ? h("p", { class: "card-line" }, chip("Urgent call", "overdue"), " ", visit.call_reason)
      : null,
    h("p", { class: "card-line" }, site.address || "No address on the register"),
    h(
      "p",
      { class: "card-line" },
      open
        ? `Open ${open}`
        : site.hours.length
          ? h("strong", null, "No access hours on this weekday: ring first")
          : "Access hours not known",
    ),
    site.access_notes ? h("p", { class: "card-line" }, site.access_notes) : null,
    site.cautions?.length
      ? h("p", { class: "card-line app-caution" }, icon("caution"), site.cautions.join(" "))
      : null,
    isClosed ? h("p", { class: "card-line" }, chip("Closed on this phone", "ok", "done")) : null,
    visit.is_late && !isClosed ? h("p", { class: "card-line" }, chip("Has overdue work", "overdue")) : null,
    h("span", { class: "card-go" }, icon("next")),
  );
};

/** @param {any} day @param {Map<string, Set<string>>} done  units with a result, by visit @param {Set<string>} closed */
const route = (day, done, closed) => {
  const sites = new Map(day.sites.map((/** @type {any} */ site) => [site.id, site]));
  const days = [...new Set(day.visits.map((/** @type {any} */ v) => v.planned_on))].sort();
  const today = todayIn(day.sites[0]?.time_zone);
  return days.map((on) => {
    const visits = day.visits
      .filter((/** @type {any} */ v) => v.planned_on === on)
      .sort((/** @type {any} */ a, /** @type {any} */ b) => a.position - b.position);
    const word = on === today ? "Today" : on < today ? "Still open" : "";
    return h(
      "section",
      { class: "stack stack-tight" },
      h("h2", { class: "app-day" }, word ? `${word}, ` : "", h("time", { datetime: on }, dayWords(on))),
      h(
        "ul",
        { class: "cards" },
        visits.map((/** @type {any} */ v) =>
          visitCard(v, sites.get(v.site), done.get(v.id)?.size ?? 0, closed.has(v.id)),
        ),
      ),
    );
  });
};

const ANSWERS = new Set([
  ...["result", "not_found", "no_access", "exchange", "lend", "to_workshop", "used", "condemn"],
  ...["survey_unit", "survey_missing"],
]);

/**
 * Units with a result, by visit: by this phone and by others.
 * @param {any} day @param {any[]} acts  of this phone @returns {Promise<Map<string, Set<string>>>}
 */
const answered = async (day, acts) => {
  const others = await Promise.all(day.sites.map((/** @type {any} */ site) => othersAt(site.id)));
  const all = [...acts, ...others.flat()].filter((act) => act.state !== "discarded" && !act.undone);
  const undone = new Set(all.filter((act) => act.kind === "undo").map((act) => act.content.act));
  const done = new Map();
  for (const { id, kind, unit, visit } of all) {
    if (unit && ANSWERS.has(kind) && !undone.has(id)) done.set(visit, (done.get(visit) ?? new Set()).add(unit));
  }
  return done;
};

/** Certificates of visits closed on this phone. @param {any[]} acts */
const closedOnes = (acts) => {
  const closed = acts
    .filter((a) => a.kind === "close" && a.state !== "discarded")
    .slice(-5)
    .reverse();
  if (!closed.length) return null;
  return h(
    "section",
    { class: "stack stack-tight" },
    h("h2", { class: "app-day" }, "Closed on this phone"),
    h(
      "ul",
      { class: "cards" },
      closed.map((act) =>
        h(
          "li",
          { class: "card" },
          h("p", { class: "card-title" }, act.place ?? "Visit"),
          h(
            "p",
            { class: "card-line" },
            `Closed ${clock(act.device_at)}, ${dayWords(localDay(act.device_at), "short")}`,
          ),
          act.answer?.certificate
            ? h(
                "p",
                { class: "card-line" },
                h(
                  "a",
                  {
                    class: "button",
                    href: act.answer.certificate.pdf_url,
                    download: `${act.answer.certificate.number}.pdf`,
                  },
                  icon("download"),
                  `Owner's copy, ${act.answer.certificate.number}`,
                ),
              )
            : h(
                "p",
                { class: "card-line" },
                act.content.survey_counts
                  ? act.state === "sent"
                    ? "Sent. The office settles it and makes the takeover report."
                    : "The survey is sent when there is signal."
                  : act.state === "sent"
                    ? "Sent. The owner's copy is being made."
                    : "The owner's copy comes when there is signal.",
              ),
        ),
      ),
    ),
  );
};

/**
 * The button that stores the day, and what is said meanwhile.
 * @param {string} label @param {boolean} isMain @param {string} refused  what is said more when it did not work
 * @param {() => void} after
 */
export const storing = (label, isMain, refused, after) => {
  const steps = h("p", { class: "soft", role: "status" });

  let isStoring = false;
  const take = async () => {
    store_button.disabled = true;
    isStoring = true;
    try {
      const { day: stored, scanner } = await store((step) => {
        steps.textContent = step;
      });
      const words = storedWords(stored);
      say(words);
      sessionStorage.setItem(
        "said",
        scanner === "stored" ? "" : "The scanner could not be stored: typing numbers works all the same.",
      );
      after();
    } catch (error) {
      isStoring = false;
      store_button.disabled = false;
      const { status } = /** @type {any} */ (error);
      steps.replaceChildren(
        notice(
          "soon",
          "caution",
          h(
            "strong",
            null,
            status === 401
              ? "You are signed out."
              : status === 0
                ? "There is no signal."
                : "The day was not stored.",
          ),
          h(
            "p",
            null,
            status === 401 ? "Sign in, then store the day." : /** @type {Error} */ (error).message,
          ),
          refused ? h("p", null, refused) : null,
          status === 401
            ? h("p", null, h("a", { class: "button button-main", href: config.signIn }, "Sign in"))
            : null,
        ),
      );
    }
  };
  const store_button = button([icon("download"), label], take, {
    class: isMain ? "button-main button-big" : "",
  });
  return { store_button, steps, isStoring: () => isStoring };
};

/** @returns {Promise<import("./dom.js").Screen>} */
export const home = async () => {
  const person = await recall("person");
  const day = person ? await storedDay(person) : null;
  const isKept = await recall("kept");
  const acts = day ? await allActs() : [];
  const ticked = Object.keys((await recall(`van|${person}`)) ?? {}).length;
  const body = h("div", { class: "stack" });
  const isFresh = day && isOfToday(day);
  const { store_button, steps, isStoring } = storing(
    isFresh ? "Store again" : "Store for the day",
    !isFresh,
    day ? "What was stored before is still here." : "",
    redraw,
  );

  const visits = h("div", { class: "stack" });
  /** @param {any[]} acts */
  const listVisits = async (acts) => {
    const closed = acts.filter((a) => a.kind === "close" && a.state !== "discarded").map((a) => a.visit);
    visits.replaceChildren(...route(day, await answered(day, acts), new Set(closed)));
  };

  body.append(
    h("h1", { class: "visually-hidden" }, "My visits"),
    h(
      "section",
      { class: "app-stored", "aria-label": "Stored on this phone" },
      day
        ? h(
            "p",
            { class: "app-stored-words", data: { fresh: String(isFresh) } },
            icon(isFresh ? "ok" : "soon"),
            h(
              "span",
              null,
              h("strong", { id: "stored" }, storedWords(day)),
              isFresh ? "" : `, ${dayWords(localDay(day.stored_at), "short")}`,
            ),
          )
        : h(
            "p",
            null,
            "One touch puts your visits, the registers and the scanner on this phone. Then no signal is needed all day.",
          ),
      store_button,
      steps,
    ),
  );
  const said = sessionStorage.getItem("said");
  if (said) {
    sessionStorage.removeItem("said");
    body.append(notice("soon", "caution", h("p", null, said)));
  }
  if (day) {
    if (isKept === false)
      body.append(
        h(
          "p",
          { class: "soft small" },
          "Put this app on the home screen: the phone then keeps stored days for certain.",
        ),
      );
    if (day.visits.length) {
      body.append(visits);
      await listVisits(acts);
    } else
      body.append(
        h(
          "div",
          { class: "empty" },
          h("p", { class: "empty-title" }, "No visits for you"),
          h(
            "p",
            null,
            "Nothing is planned for you in these days. The office plans the visits; ask there if you expected one.",
          ),
        ),
      );
    const van = vanCount(day.van);
    if (van) {
      body.append(
        h(
          "a",
          { class: "button button-big", href: "#/van" },
          `Van list: ${Math.min(ticked, van)} of ${van} on board`,
        ),
      );
    }
    const closed = closedOnes(acts);
    if (closed) body.append(closed);
    const unconfirmed = day.tables.filter((/** @type {any} */ t) => !t.is_confirmed);
    if (unconfirmed.length)
      body.append(
        h(
          "p",
          { class: "soft small" },
          "Interval tables are defaults to confirm against local code. Not confirmed: ",
          unconfirmed.map((/** @type {any} */ t) => t.title).join("; "),
          ".",
        ),
      );
  }
  body.append(
    h(
      "details",
      { class: "more" },
      h("summary", null, "Appearance and help"),
      h(
        "div",
        { class: "stack" },
        choices("Appearance", APPEARANCES, appearance(), setAppearance),
        h(
          "p",
          null,
          h("a", { class: "button", href: "/help/" }, "Help"),
          " ",
          h("a", { class: "button", href: config.plain }, "Plain pages"),
        ),
      ),
    ),
  );
  return {
    title: day ? day.person.name : "My visits",
    body,
    refresh: (what) => {
      // Said to be stored only when all of it is: the scanner comes last.
      if (what === "day" && !isStoring()) redraw();
      // What colleagues did comes after the day; the rest of the screen stays where it is.
      if (what === "others" && visits.isConnected && !visits.contains(document.activeElement))
        void allActs().then(listVisits);
    },
  };
};

/** How many lines a van list has. @param {any} van */
export const vanCount = (van) =>
  ["loaners", "units_in_van", "agent", "parts", "carry_back"].reduce(
    (sum, part) => sum + (van?.[part]?.length ?? 0),
    0,
  );
