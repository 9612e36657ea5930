// @ts-check
/** Closing a visit: counts that must add up, what has to be said aloud, a signature or why there is none. */

import { button, chip, count, field, go, h, icon, once, redraw, say, showWrong, todayIn } from "./dom.js";
import { draftFields, stated } from "./draft_fields.js";
import { codeOf, SEVERITY_LOOK } from "./defects.js";
import { dayField, proposedDay } from "./event_parts.js";
import { openStops, OUTCOMES, tally, toReadOut } from "./round.js";
import { signatureField } from "./signature.js";
import { discardAct, draftOf, putDraft } from "./store.js";
import { openVisit, record, unitAddress } from "./visit.js";
import { RESULT_LOOK, stopName } from "./walk.js";

/** @param {import("./visit.js").Opened} visit */
const counts = (visit) => {
  const { stops } = visit.round;
  const found = tally(stops);
  const listed = stops.filter((s) => s.listed).length;
  const extra = stops.filter((s) => !s.listed && s.result).length;
  const sum = OUTCOMES.reduce((n, o) => n + found[o], 0);
  const agrees = sum === listed + extra && !openStops(stops).length;
  return {
    found,
    node: h(
      "section",
      { class: "panel", "aria-label": "Counts" },
      h("h2", null, "Count"),
      h(
        "dl",
        { class: "tally" },
        OUTCOMES.map((o) =>
          h(
            "div",
            null,
            h("dt", null, icon(RESULT_LOOK[o][1]), " ", visit.day.labels.result[o]),
            h("dd", null, String(found[o])),
          ),
        ),
        extra ? h("div", null, h("dt", null, "of them beyond the list"), h("dd", null, String(extra))) : null,
        h(
          "div",
          { class: "tally-sum", data: { tone: agrees ? "ok" : "overdue" } },
          h("dt", null, `On the list ${listed}${extra ? ` + ${extra}` : ""}`),
          h("dd", null, agrees ? `${sum}, adds up` : `${sum} counted`),
        ),
      ),
    ),
  };
};

/** @param {import("./visit.js").Opened} visit */
const readOut = (visit) => {
  const { units, problems } = toReadOut(visit.round.stops, visit.round.problems);
  const { day } = visit;
  const places = new Map(visit.round.locations.map((l) => [l.id, l]));
  const isCritical = (/** @type {any} */ stop) =>
    ["failed", "not_found"].includes(stop.result?.outcome) ||
    stop.defects.some((/** @type {any} */ d) => !d.settled && d.severity === "critical");
  const reasonText = (/** @type {string} */ code) =>
    day.reasons.no_access.find((/** @type {any} */ r) => r.code === code)?.text ?? code;
  const sorted = [...units].sort((a, b) => Number(isCritical(b)) - Number(isCritical(a)));
  return {
    isEmpty: !units.length && !problems.length,
    node: h(
      "section",
      { class: "panel", "aria-label": "Read out before you leave" },
      h("h2", null, "Read out before you leave"),
      units.length || problems.length
        ? h("p", { class: "soft" }, "To the person you report to. It stands line by line on the certificate.")
        : h("p", null, "Nothing is wrong: every unit passed."),
      h(
        "ul",
        { class: "app-rows" },
        sorted.map((stop) =>
          h(
            "li",
            { class: "app-row" },
            h(
              "a",
              { href: `#/${unitAddress(visit, stop.key)}` },
              h("span", { class: "app-row-place" }, stopName(stop)),
              h(
                "span",
                { class: "app-row-text" },
                h(
                  "span",
                  null,
                  [stop.result ? day.labels.result[stop.result.outcome] : "", stop.model.text]
                    .filter(Boolean)
                    .join(", "),
                ),
                h(
                  "span",
                  { class: "soft" },
                  [
                    ...stop.defects
                      .filter((/** @type {any} */ d) => !d.settled)
                      .map((/** @type {any} */ d) => codeOf(day, d.code).text),
                    stop.result?.content.remarks,
                    reasonText(stop.result?.content.reason),
                  ]
                    .filter(Boolean)
                    .join("; "),
                ),
                isCritical(stop) ? chip("Critical", ...SEVERITY_LOOK.critical) : null,
              ),
            ),
          ),
        ),
        problems.map((p) =>
          h(
            "li",
            { class: "app-row app-row-flat" },
            h("span", { class: "app-row-place" }, places.get(p.location)?.number ?? "?"),
            h(
              "span",
              { class: "app-row-text" },
              h("span", null, codeOf(day, p.code).text),
              h("span", { class: "soft" }, ["The place, not the unit", p.remarks].filter(Boolean).join("; ")),
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
  const { day, site, round } = visit;
  const settles = query.get("settles") ?? undefined;
  const closings = visit.acts.filter((a) => a.kind === "close" && a.state !== "discarded" && a.id !== settles);
  // Whoever closes again lets go of every closing that was refused.
  const refused = closings.filter((a) => a.state === "refused");
  const closing = closings.find((a) => a.state !== "refused") ?? (settles ? undefined : refused[0]);
  const title = h("h1", null, "Count and close");
  const where = h("p", { class: "soft" }, `${site.name} · visit ${visit.visit.number}`);
  const open = openStops(round.stops);
  if (closing) {
    const { certificate } = closing.answer ?? {};
    return {
      title: "Closed",
      back: "",
      body: h(
        "div",
        { class: "stack" },
        title,
        where,
        h(
          "p",
          { class: "verdict", data: { tone: closing.state === "refused" ? "overdue" : "ok" } },
          icon(closing.state === "refused" ? "overdue" : "done"),
          h(
            "span",
            null,
            closing.state === "sent"
              ? "Closed and sent"
              : closing.state === "refused"
                ? "The server refused to close it"
                : "Closed on this phone",
            h(
              "small",
              null,
              closing.state === "sent"
                ? closing.content.contact_name
                  ? `Reported to ${closing.content.contact_name}.`
                  : ""
                : closing.state === "refused"
                  ? (closing.answer?.problem?.detail ?? "")
                  : "It is sent by itself when there is signal; the certificate follows.",
            ),
          ),
        ),
        certificate
          ? h(
              "p",
              null,
              h(
                "a",
                {
                  class: "button button-main button-big",
                  href: certificate.pdf_url,
                  download: `${certificate.number}.pdf`,
                },
                icon("download"),
                `Owner's copy, ${certificate.number}`,
              ),
            )
          : null,
        closing.state === "waiting" && !closing.tried
          ? h(
              "p",
              null,
              button("Take the closing back", async () => {
                await discardAct(closing.id, "Taken back before it was sent.");
                closing.state = "discarded";
                go(`close/${id}`);
              }),
            )
          : null,
        closing.state === "refused"
          ? h("p", null, h("a", { class: "button", href: "#/sending" }, "Settle it in the sending list"))
          : null,
        counts(visit).node,
      ),
      foot: h(
        "div",
        { class: "app-actions" },
        h("a", { class: "button button-big", href: "#/" }, "My visits"),
      ),
      refresh: (what) => {
        if (what === "round") redraw();
      },
    };
  }
  if (open.length) {
    return {
      title: "Count and close",
      back: `visit/${id}`,
      body: h(
        "div",
        { class: "stack" },
        title,
        where,
        h(
          "p",
          { class: "verdict", data: { tone: "soon" } },
          icon("soon"),
          h(
            "span",
            null,
            `${count(open.length, "unit has", "units have")} no result yet`,
            h("small", null, "Record each one. Not found and no access are results too."),
          ),
        ),
        h(
          "ul",
          { class: "app-rows" },
          open.map((stop) =>
            h(
              "li",
              { class: "app-row" },
              h(
                "a",
                { href: `#/${unitAddress(visit, stop.key)}?by=picked` },
                h("span", { class: "app-row-place" }, stopName(stop)),
                h(
                  "span",
                  { class: "app-row-text" },
                  h("span", null, stop.model.text),
                  h("span", { class: "soft" }, stop.unit.number),
                ),
                icon("next"),
              ),
            ),
          ),
        ),
        counts(visit).node,
      ),
      foot: h(
        "div",
        { class: "app-actions" },
        h(
          "a",
          {
            class: "button button-main button-big app-next",
            href: `#/${unitAddress(visit, open[0].key)}?by=picked`,
          },
          `Next: ${stopName(open[0])}`,
          icon("next"),
        ),
      ),
    };
  }

  const { link } = await import("./outbox.js");
  const today = todayIn(site.time_zone, link.drift_s);
  const key = `close|${id}`;
  const kept = (await draftOf(key)) ?? stated(visit.acts.find((a) => a.id === settles));
  const draft = {
    name: "",
    reason: "",
    isRead: false,
    isCounted: false,
    signature: null,
    ...kept,
    ...proposedDay(kept, today, link.drift_s),
  };
  const keep = () => void putDraft(key, draft).catch(showWrong);
  const { found, node: countsNode } = counts(visit);
  const { isEmpty, node: readNode } = readOut(visit);
  const change = () => {
    keep();
    update();
  };
  const { tick, text } = draftFields(draft, change);
  const name = text("name", { autocapitalize: "words", maxlength: 120 });
  const reason = text("reason", { list: "reasons" });
  const reasons = h(
    "datalist",
    { id: "reasons" },
    (day.reasons.no_signature ?? []).map((/** @type {any} */ r) => h("option", { value: r.text ?? r })),
  );
  const signature = signatureField(draft, change);
  const doneOn = dayField("Day on which the work was done", draft, today, change);
  const lacking = () => {
    if (!isEmpty && !draft.isRead) return "Read out what is listed, then tick it.";
    if (!draft.isCounted) return "Compare with your own count, then tick it.";
    if (draft.signature && !draft.name.trim()) return "Print the name of the person who signed.";
    if (!draft.signature && !draft.reason.trim())
      return draft.name.trim()
        ? "Have it signed, or say why it is not."
        : "A signature with a printed name, or the reason for none.";
    return doneOn.check();
  };
  const said = h("p", { class: "app-lacking", role: "status" });
  const main = button([icon("lock"), "Close the visit"], () => void close(), {
    class: "button-main button-big app-next",
  });
  const update = () => {
    said.textContent = lacking();
    main.setAttribute("aria-disabled", String(!!lacking()));
  };
  const close = once(async () => {
    if (lacking()) return false;
    const before =
      visit.acts.filter((a) => a.state !== "discarded" && !(a.kind === "close" && a.state === "refused")).length +
      (visit.acts.length ? 0 : 1);
    const content = {
      counts: found,
      acts_before: before,
      done_on: draft.done_on,
      read_out: true,
      ...(draft.name.trim() ? { contact_name: draft.name.trim() } : {}),
      ...(draft.signature ? { signature: draft.signature } : { no_signature_reason: draft.reason.trim() }),
    };
    await record(visit, [{ kind: "close", content }], { draft: key, settles });
    for (const { id: other } of refused) await discardAct(other, "Closed again.");
    say("Closed on this phone.");
    go(`close/${id}`, { replace: true });
    return true;
  });
  update();
  return {
    title: "Count and close",
    back: `visit/${id}`,
    body: h(
      "div",
      { class: "stack" },
      title,
      where,
      readNode,
      isEmpty ? null : tick("isRead", "I have read this out"),
      countsNode,
      tick("isCounted", "My own count says the same"),
      h(
        "section",
        { class: "panel", "aria-label": "Signature" },
        h("h2", null, "Signature"),
        signature,
        field("Printed name", name),
        field("Or why nobody signed", reason),
        reasons,
        doneOn.node,
      ),
      h(
        "p",
        { class: "soft small" },
        "Closing writes the records, moves the due dates and issues the certificate once it has reached the server.",
      ),
    ),
    foot: h("div", { class: "app-actions" }, said, main),
  };
};
