// @ts-check
/** The end of a survey: counts that add up, what differs, and the customer's signature. */

import { button, chip, count, field, go, h, icon, notice, once, redraw, say, showWrong, todayIn } from "./dom.js";
import { draftFields, stated } from "./draft_fields.js";
import { codeOf } from "./defects.js";
import { dayField, proposedDay } from "./event_parts.js";
import { signatureField } from "./signature.js";
import { discardAct, draftOf, putDraft } from "./store.js";
import { readingAddress, STATUS_LOOK } from "./survey.js";
import { kindWords, surveyOf } from "./surveying.js";
import { openVisit, record } from "./visit.js";

const LISTED = /** @type {const} */ (["found", "differs", "missing", "not_reached"]);

/** @param {any} survey */
const countsPanel = ({ counts }) => {
  const sum = LISTED.reduce((n, status) => n + counts[status], 0);
  const agrees = sum === counts.on_list;
  const line = (/** @type {string} */ status) =>
    h(
      "div",
      null,
      h("dt", null, icon(STATUS_LOOK[status][2]), " ", STATUS_LOOK[status][0]),
      h("dd", null, String(counts[status])),
    );
  return h(
    "section",
    { class: "panel", "aria-label": "Counts" },
    h("h2", null, "Count"),
    h(
      "dl",
      { class: "tally" },
      LISTED.map(line),
      counts.open ? h("div", null, h("dt", null, "Not looked for yet"), h("dd", null, String(counts.open))) : null,
      h(
        "div",
        { class: "tally-sum", data: { tone: agrees ? "ok" : "overdue" } },
        h("dt", null, `On the list ${counts.on_list}`),
        h("dd", null, agrees ? `${sum}, adds up` : `${sum} looked for`),
      ),
      line("extra"),
    ),
  );
};

/** @param {any} visit @param {any} survey */
const told = (visit, survey) => {
  const facts = new Map(visit.day.survey_facts.map((/** @type {any} */ f) => [f.code, f]));
  const odd = survey.units.filter((/** @type {any} */ u) => !["found", "open"].includes(u.status));
  const places = new Map(survey.places.map((/** @type {any} */ p) => [p.id, p]));
  const what = (/** @type {any} */ one) =>
    one.status === "differs"
      ? one.differing
          .map((/** @type {string} */ code) =>
            code === "place" ? "hangs elsewhere" : code === "label" ? "another label" : `${facts.get(code)?.label.toLowerCase()}: ${one.facts[code].value}, register ${one.registered[code].text}`,
          )
          .join("; ")
      : one.remarks;
  return {
    isEmpty: !odd.length && !survey.remarks.length,
    node: h(
      "section",
      { class: "panel", "aria-label": "Go through it with the customer" },
      h("h2", null, "Go through it with the customer"),
      odd.length || survey.remarks.length
        ? h("p", { class: "soft" }, "What is not as the list says. It stands line by line in the takeover report.")
        : h("p", null, "Everything is as the list says."),
      h(
        "ul",
        { class: "app-rows" },
        odd.map((/** @type {any} */ one) =>
          h(
            "li",
            { class: "app-row" },
            h(
              "a",
              { href: `#/${readingAddress(visit, one)}` },
              h("span", { class: "app-row-place" }, one.place?.number ?? "?"),
              h(
                "span",
                { class: "app-row-text" },
                h("span", null, kindWords(visit.day, one)),
                h("span", { class: "soft" }, [one.unit.number, what(one)].filter(Boolean).join(" · ")),
                chip(...STATUS_LOOK[one.status]),
              ),
            ),
          ),
        ),
        survey.remarks.map((/** @type {any} */ r) =>
          h(
            "li",
            { class: "app-row app-row-flat" },
            h("span", { class: "app-row-place" }, places.get(r.location)?.number ?? "?"),
            h(
              "span",
              { class: "app-row-text" },
              h("span", null, codeOf(visit.day, r.code).text),
              h("span", { class: "soft" }, ["Recommendation for the place", r.remarks].filter(Boolean).join("; ")),
            ),
          ),
        ),
      ),
    ),
  };
};

/** @param {string[]} words @param {URLSearchParams} query @returns {Promise<import("./dom.js").Screen>} */
export const screen = async ([id], query) => {
  const visit = await openVisit(id);
  const { day, site } = visit;
  const { link } = await import("./outbox.js");
  const today = todayIn(site.time_zone, link.drift_s);
  const survey = surveyOf(visit, today);
  const settles = query.get("settles") ?? undefined;
  const closings = visit.acts.filter((a) => a.kind === "close" && a.state !== "discarded" && a.id !== settles);
  // Whoever ends it again lets go of every end that was refused.
  const refused = closings.filter((a) => a.state === "refused");
  const closing = closings.find((a) => a.state !== "refused") ?? (settles ? undefined : refused[0]);
  const title = h("h1", null, "Count and sign");
  const where = h("p", { class: "soft" }, `${site.name} · survey ${visit.visit.number}`);
  if (closing) {
    const isRefused = closing.state === "refused";
    return {
      title: "Signed",
      back: "",
      body: h(
        "div",
        { class: "stack" },
        title,
        where,
        h(
          "p",
          { class: "verdict", data: { tone: isRefused ? "overdue" : "ok" } },
          icon(isRefused ? "overdue" : "done"),
          h(
            "span",
            null,
            isRefused ? "The server refused it" : closing.state === "sent" ? "Ended and sent" : "Ended on this phone",
            h(
              "small",
              null,
              isRefused
                ? (closing.answer?.problem?.detail ?? "")
                : "The office settles what differs, then the takeover report is made.",
            ),
          ),
        ),
        closing.state === "waiting" && !closing.tried
          ? h(
              "p",
              null,
              button("Take the end back", async () => {
                await discardAct(closing.id, "Taken back before it was sent.");
                closing.state = "discarded";
                go(`surveyed/${id}`);
              }),
            )
          : null,
        isRefused ? h("p", null, h("a", { class: "button", href: "#/sending" }, "Settle it in the sending list")) : null,
        countsPanel(survey),
      ),
      foot: h("div", { class: "app-actions" }, h("a", { class: "button button-big", href: "#/" }, "My visits")),
      refresh: (what) => {
        if (what === "round") redraw();
      },
    };
  }

  const key = `surveyed|${id}`;
  const kept = (await draftOf(key)) ?? stated(visit.acts.find((a) => a.id === settles));
  const draft = {
    name: "",
    reason: "",
    isTold: false,
    isCounted: false,
    isShared: false,
    signature: null,
    ...kept,
    ...proposedDay(kept, today, link.drift_s),
  };
  const change = () => {
    void putDraft(key, draft).catch(showWrong);
    update();
  };
  const { isEmpty, node: toldNode } = told(visit, survey);
  const { tick, text } = draftFields(draft, change);
  const doneOn = dayField("Day on which the walk was done", draft, today, change);
  const { open } = survey.counts;
  const colleagues = visit.visit.companions.length > 0;
  const signature = signatureField(draft, change);
  const lacking = () => {
    if (!survey.counts.on_list && !survey.counts.extra) return "Nothing was recorded yet.";
    if (open && !colleagues) return `${count(open, "unit")} on the list still to look for.`;
    if (open && !draft.isShared) return "Say that your colleague looks for the open ones, or look for them.";
    if (!isEmpty && !draft.isTold) return "Go through what differs, then tick it.";
    if (!draft.isCounted) return "Compare with your own count, then tick it.";
    if (draft.signature && !draft.name.trim()) return "Print the name of the person who signed.";
    if (!draft.signature && !draft.reason.trim())
      return draft.name.trim() ? "Have it signed, or say why it is not." : "A signature with a printed name, or the reason for none.";
    return doneOn.check();
  };
  const said = h("p", { class: "app-lacking", role: "status" });
  const close = once(async () => {
    if (lacking()) return false;
    const before =
      visit.acts.filter((a) => a.state !== "discarded" && !(a.kind === "close" && a.state === "refused")).length +
      (visit.acts.length ? 0 : 1);
    const content = {
      survey_counts: survey.counts,
      acts_before: before,
      done_on: draft.done_on,
      ...(draft.name.trim() ? { contact_name: draft.name.trim() } : {}),
      ...(draft.signature ? { signature: draft.signature } : { no_signature_reason: draft.reason.trim() }),
    };
    await record(visit, [{ kind: "close", content }], { draft: key, settles });
    for (const { id: other } of refused) await discardAct(other, "Ended again.");
    say("Ended on this phone.");
    go(`surveyed/${id}`, { replace: true });
    return true;
  });
  const main = button([icon("lock"), "End the survey"], () => void close(), { class: "button-main button-big app-next" });
  const update = () => {
    const words = lacking();
    said.textContent = words;
    main.setAttribute("aria-disabled", String(!!words));
  };
  update();
  return {
    title: "Count and sign",
    back: `survey/${id}`,
    body: h(
      "div",
      { class: "stack" },
      title,
      where,
      countsPanel(survey),
      open
        ? notice(
            "soon",
            "soon",
            h("p", null, `${count(open, "unit")} on the list nobody has looked for on this phone. `, h("a", { href: `#/survey/${id}?show=open` }, "Show them")),
          )
        : null,
      open && colleagues ? tick("isShared", "My colleague looks for the open ones") : null,
      toldNode,
      isEmpty ? null : tick("isTold", "I have gone through this"),
      tick("isCounted", "My own count says the same"),
      h(
        "section",
        { class: "panel", "aria-label": "Signature" },
        h("h2", null, "Signature"),
        h("p", { class: "soft small" }, "For the units found as counted above: the opening register."),
        signature,
        field("Printed name", text("name", { autocapitalize: "words", maxlength: 120 })),
        field("Or why nobody signed", text("reason", { list: "reasons" })),
        h(
          "datalist",
          { id: "reasons" },
          (day.reasons.no_signature ?? []).map((/** @type {any} */ r) => h("option", { value: r.text ?? r })),
        ),
        doneOn.node,
      ),
      h(
        "p",
        { class: "soft small" },
        "Due dates come from interval tables that are defaults to confirm against local code. Nothing changes on the register before the office has settled what differs.",
      ),
    ),
    foot: h("div", { class: "app-actions" }, said, main),
    refresh: (what) => {
      if (what === "round") redraw();
    },
  };
};
