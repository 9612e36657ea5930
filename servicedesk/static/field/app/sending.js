// @ts-check
/** The outbox: what waits, what was sent, what the server refused and what to do about it. */

import { button, chip, clock, config, count, h, icon, notice, redraw, say } from "./dom.js";
import { link, sync } from "./outbox.js";
import { addActs, allActs, discardAct, recall, waitingPhotos } from "./store.js";
import { closeAnew, openVisit } from "./visit.js";

/** @type {Record<string, string>} */
const WORDS = {
  start: "Begun",
  result: "Result",
  not_found: "Not found",
  no_access: "No access",
  add_unit: "Unit added",
  move_unit: "Moved",
  swap_units: "Swapped",
  exchange: "Exchanged",
  lend: "Loaner hung",
  give_back: "Brought back",
  condemn: "Condemned",
  used: "Used",
  to_workshop: "To the workshop",
  defect: "Defect",
  location_problem: "Place",
  settle_defect: "Put right",
  survey_place: "Place fixed",
  survey_unit: "Unit read",
  survey_missing: "Looked for",
  survey_remark: "Remark on a place",
  undo: "Taken back",
  close: "Closed",
};
const SHOWN = 60;

/** @param {any} act @param {Map<string, string>} numbers */
const title = (act, numbers) => {
  const what =
    act.kind === "result"
      ? act.content.outcome === "serviced"
        ? "Passed"
        : "Failed"
      : (WORDS[act.kind] ?? act.kind);
  return [what, numbers.get(act.unit) ?? act.content.number ?? ""].filter(Boolean).join(" · ");
};

/** @param {any} problem */
const reasons = (problem) => {
  const fields = (problem?.errors ?? []).map(
    (/** @type {any} */ e) => `${e.field ? `${e.field}: ` : ""}${e.detail}`,
  );
  return fields.length ? fields : [problem?.detail ?? problem?.title ?? "The server gave no reason."];
};

/** A closing that counted on a settled record is stated anew. @param {any} act */
const closeAgain = async (act) => {
  if (act.kind === "close") return;
  const visit = await openVisit(act.visit, true).catch(() => null);
  if (visit) await closeAnew(visit);
};

/** A refused act and the ways out of it. @param {any} act @param {Map<string, string>} numbers @param {string} person */
const refusedCard = (act, numbers, person) => {
  const isUnit = [
    "result",
    "not_found",
    "no_access",
    "exchange",
    "lend",
    "used",
    "condemn",
    "to_workshop",
    "survey_unit",
    "survey_missing",
  ].includes(act.kind);
  const why = h("input", { autocomplete: "off", maxlength: 200, "aria-label": "Why it is discarded" });
  const said = h("p", { class: "errorlist", role: "alert" });
  const discard = h(
    "details",
    { class: "more" },
    h("summary", null, "Discard it"),
    h(
      "div",
      { class: "stack stack-tight" },
      h("p", { class: "small" }, "Say why. It stays readable on this phone and is not sent."),
      why,
      said,
      button(
        "Discard",
        async () => {
          if (!why.value.trim()) {
            said.textContent = "Say why it is discarded.";
            return;
          }
          await discardAct(act.id, why.value.trim());
          await closeAgain(act);
          say("Discarded.");
          redraw();
        },
        { class: "button-danger" },
      ),
    ),
  );
  const page =
    act.kind === "result"
      ? `unit/${act.visit}/${act.unit}?again=yes&by=picked&settles=${act.id}`
      : act.kind.startsWith("survey_")
        ? `reading/${act.visit}/${act.unit}?again=yes&by=picked&settles=${act.id}`
        : `event/${act.visit}/${act.unit}/${act.kind}?settles=${act.id}`;
  return h(
    "li",
    { class: "card", data: { tone: "overdue" } },
    h("p", { class: "card-title" }, title(act, numbers)),
    h("p", { class: "card-line" }, `${act.place ?? ""}, ${clock(act.device_at)}`),
    h(
      "ul",
      { class: "plain" },
      reasons(act.answer?.problem).map((/** @type {string} */ line) => h("li", { class: "strong" }, line)),
    ),
    h(
      "div",
      { class: "row" },
      isUnit
        ? h("a", { class: "button button-main", href: `#/${page}` }, "Correct it")
        : act.kind === "close"
          ? h(
              "a",
              {
                class: "button button-main",
                href: `#/${act.content.survey_counts ? "surveyed" : "close"}/${act.visit}?settles=${act.id}`,
              },
              "Close again",
            )
          : null,
      button("Send it again", async () => {
        const { kind, visit, place, unit, location, scan, photos, content } = act;
        await addActs(person, [{ kind, visit, place, unit, location, scan, photos, content }], {
          settles: act.id,
        });
        await closeAgain(act);
        void sync();
        redraw();
      }),
    ),
    discard,
  );
};

/** @returns {Promise<import("./dom.js").Screen>} */
export const screen = async () => {
  const person = await recall("person");
  const [acts, photos, syncedAt, last] = await Promise.all([
    allActs(),
    waitingPhotos().then((all) => all.filter((photo) => photo.person === person)),
    recall("synced_at"),
    recall(`numbers|${person}`),
  ]);
  const numbers = new Map(Object.entries(last ?? {}));
  const mine = acts.filter((a) => a.person === person).sort((a, b) => b.seq - a.seq);
  const refused = mine.filter((a) => a.state === "refused");
  const waiting = mine.filter((a) => a.state === "waiting");
  const sent = mine.filter((a) => a.state === "sent");
  const others = acts.filter((a) => a.person !== person && a.state === "waiting");
  const drift = Math.abs(link.drift_s ?? 0);
  const said = {
    idle: null,
    sending: notice("away", "upload", h("p", null, "Sending …")),
    offline: notice(
      "unknown",
      "unknown",
      h("p", null, "No signal. Everything is kept on this phone and goes out by itself."),
    ),
    signed_out: notice(
      "soon",
      "lock",
      h("strong", null, "You are signed out. Nothing is lost."),
      h("p", null, `Sign in again and ${count(waiting.length, "record")} will be sent.`),
      h("p", null, h("a", { class: "button button-main", href: config.signIn }, "Sign in")),
    ),
    stranger: notice(
      "soon",
      "person",
      h("strong", null, link.why || "Somebody else is signed in."),
      h("p", null, "Records on this phone are sent by the person who made them. Nothing is lost."),
      h("p", null, h("a", { class: "button", href: config.signIn }, "Sign in")),
    ),
    trouble: notice(
      "soon",
      "caution",
      h("strong", null, "The server could not take it just now."),
      h("p", null, link.why),
      h("p", null, "Nothing is lost. It is tried again by itself."),
    ),
  }[link.state];
  const row = (/** @type {any} */ act) =>
    h(
      "li",
      { class: "app-row app-row-flat" },
      h(
        "span",
        { class: "app-row-text" },
        h("span", null, title(act, numbers)),
        h(
          "span",
          { class: "soft" },
          `${act.place ?? ""} ${clock(act.device_at)}${(act.answer?.warnings ?? []).map((/** @type {any} */ w) => ` · ${w.detail}`).join("")}${act.answer?.problem && act.state === "waiting" ? ` · ${act.answer.problem.detail}` : ""}`,
        ),
      ),
      act.state === "sent" ? chip("Sent", "ok", "done") : chip("Waiting", "soon", "upload"),
    );
  return {
    title: "Sending",
    back: "",
    body: h(
      "div",
      { class: "stack" },
      h("h1", null, "Sending"),
      said,
      drift > 60
        ? notice(
            "soon",
            "soon",
            h(
              "p",
              null,
              `The clock of this phone is ${drift > 5400 ? `${Math.round(drift / 3600)} hours` : `${Math.round(drift / 60)} minutes`} ${(link.drift_s ?? 0) > 0 ? "slow" : "fast"}. Each record keeps both clocks. Set the phone to automatic time.`,
            ),
          )
        : null,
      h(
        "p",
        null,
        h("strong", null, `${waiting.length} waiting, ${sent.length} sent, ${refused.length} refused`),
        photos.length ? `, ${count(photos.length, "photo")} to follow` : "",
        syncedAt ? `. Last sent ${clock(syncedAt)}.` : ".",
      ),
      others.length
        ? notice(
            "soon",
            "person",
            h(
              "p",
              null,
              `${count(others.length, "record")} of another person ${others.length === 1 ? "waits" : "wait"} on this phone, to go out when that person signs in here.`,
            ),
          )
        : null,
      refused.length
        ? h(
            "section",
            { class: "stack stack-tight" },
            h("h2", null, "Refused: yours to settle"),
            h(
              "ul",
              { class: "cards" },
              refused.map((act) => refusedCard(act, numbers, person)),
            ),
          )
        : null,
      waiting.length
        ? h(
            "section",
            { class: "stack stack-tight" },
            h("h2", null, "Waiting"),
            h("ul", { class: "app-rows" }, waiting.slice(0, SHOWN).map(row)),
            waiting.length > SHOWN ? h("p", { class: "soft" }, `and ${waiting.length - SHOWN} more`) : null,
          )
        : null,
      sent.length
        ? h(
            "section",
            { class: "stack stack-tight" },
            h("h2", null, "Sent"),
            h("ul", { class: "app-rows" }, sent.slice(0, SHOWN).map(row)),
            sent.length > SHOWN ? h("p", { class: "soft" }, `and ${sent.length - SHOWN} earlier`) : null,
          )
        : null,
      !mine.length
        ? h(
            "div",
            { class: "empty" },
            h("p", { class: "empty-title" }, "Nothing recorded yet"),
            h("p", null, "What you record on a round stands here until the server has it."),
          )
        : null,
    ),
    foot: h(
      "div",
      { class: "app-actions" },
      button([icon("upload"), "Send now"], () => void sync(), { class: "button-main button-big app-next" }),
    ),
    refresh: () => {
      if (!document.querySelector("details[open], :focus-within > input:focus")) redraw();
    },
  };
};
