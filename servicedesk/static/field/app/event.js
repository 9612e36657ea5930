// @ts-check
/** Everything that can happen to a unit beside being serviced: each is a result or a fact of its own. */

import { button, choices, field, go, h, icon, notice, once, say, showWrong } from "./dom.js";
import { askDefect, codeOf, kindsOf } from "./defects.js";
import { fillIn, filledIn, otherUnit, placeField, receiptField, remarksField, textField } from "./event_parts.js";
import { photoField } from "./photo.js";
import { position } from "./position.js";
import { formOf, matching, nextStop } from "./round.js";
import { draftOf, photoOf, putDraft } from "./store.js";
import { openVisit, record, unitAddress } from "./visit.js";
import { stopName } from "./walk.js";

/** @typedef {import("./visit.js").Opened} Opened */
/** @typedef {import("./round.js").Stop} Stop */
/**
 * A form in the making: its parts, what its caution moment is, and the acts it makes.
 * @typedef {{title: string, lead?: string, moment?: string, parts: any[], main: string, isDanger?: boolean,
 *   check: () => string, acts: () => Promise<any[]> | any[], stays?: boolean, found?: () => any}} Form
 */
/**
 * What a form is about. `found` is what was described in a dialog before; `keep` stores the draft.
 * @typedef {{visit: Opened, stop: Stop, photos: any[], found: any, keep: () => void}} Case
 */

/** @type {[string, string, string, string][]} */
const LIST = [
  ["not_found", "Not found", "Nothing hangs at its place; it stays due", "unknown"],
  ["no_access", "No access", "Locked, occupied, no permit; it stays due", "lock"],
  ["lend", "Take along, lend one", "To the workshop; a loaner hangs in its place", "away"],
  ["to_workshop", "Take along, no loaner", "To the workshop; the place stays empty", "away"],
  ["exchange", "Exchange for good", "Old out, new in", "upload"],
  ["give_back", "Bring back", "It hangs again; the loaner goes", "back"],
  ["used", "Used or lost its charge", "Awaiting recharge, here or taken along", "soon"],
  ["condemn", "Condemn", "One criterion, a photo, out of use for good", "overdue"],
  ["move_unit", "Hangs elsewhere", "Moved to another place on these premises", "place"],
  ["swap_units", "Swapped with another", "The two change places", "unit"],
  [
    "location_problem",
    "Something wrong with the place",
    "Blocked, no sign, bracket: not the unit's fault",
    "place",
  ],
];

/** @type {Record<string, (about: Case) => Form>} */
const FORMS = {
  not_found: () => {
    const remarks = remarksField("What you saw", "Who was asked, where you looked.");
    return {
      title: "Not found",
      lead: "The unit stays due. Ask the contact before you go on.",
      parts: [remarks.node],
      main: "Record as not found",
      check: () => "",
      acts: () => [{ content: { remarks: remarks.input.value.trim() } }],
    };
  },
  no_access: ({ visit: { day } }) => {
    let reason = "";
    const saidBy = textField("Who said so", { autocapitalize: "words" });
    const remarks = remarksField();
    return {
      title: "No access",
      lead: "The unit stays due; the office makes a new appointment.",
      parts: [
        choices(
          "Why",
          day.reasons.no_access.map((/** @type {any} */ r) => [r.code, r.text]),
          "",
          (value) => (reason = value),
        ),
        saidBy.node,
        remarks.node,
      ],
      main: "Record as no access",
      check: () => (reason ? "" : "Choose why there was no access."),
      acts: () => [{ content: { reason, said_by: saidBy.said(), remarks: remarks.input.value.trim() } }],
    };
  },
  lend: ({ visit, stop }) => {
    const loaner = otherUnit(visit, stop, { loaners: true, withNew: false });
    const reason = textField("Why it goes to the workshop", { value: heavyWords(visit.day, stop) });
    const receipt = receiptField();
    return {
      title: "Take along, lend one",
      lead: "Hang the loaner before you take the unit down: no place stays without cover.",
      moment: "take_away",
      parts: [loaner.node, reason.node, receipt.node],
      main: "Record the loan",
      check: () =>
        loaner.check() ||
        (reason.said() ? "" : "Say why it goes to the workshop.") ||
        (receipt.said() ? "" : "Print the name of the person who takes note."),
      acts: () => [
        {
          content: {
            loaner: loaner.said(),
            tasks: heavyTasks(visit.day, stop),
            reason: reason.said(),
            receipt: receipt.said(),
          },
        },
      ],
    };
  },
  to_workshop: ({ visit, stop }) => {
    const reason = textField("Why, and why no loaner hangs there", { value: heavyWords(visit.day, stop) });
    const receipt = receiptField();
    return {
      title: "Take along, no loaner",
      lead: "The place stays without cover: tell the contact.",
      moment: "take_away",
      parts: [reason.node, receipt.node],
      main: "Take it along",
      check: () => (reason.said() ? "" : "Say why it goes along and why no loaner hangs there."),
      acts: () => [
        {
          content: {
            reason: reason.said(),
            tasks: heavyTasks(visit.day, stop),
            ...(receipt.said() ? { receipt: receipt.said() } : {}),
          },
        },
      ],
    };
  },
  exchange: ({ visit, stop }) => {
    const other = otherUnit(visit, stop, { loaners: false, withNew: true });
    const remarks = remarksField();
    const receipt = receiptField();
    return {
      title: "Exchange for good",
      lead: "The old unit does not come back. The new one has a history of its own.",
      moment: "take_away",
      parts: [other.node, receipt.node, remarks.node],
      main: "Record the exchange",
      check: () => other.check(),
      acts: () => [
        {
          content: {
            replacement: other.said(),
            remarks: remarks.input.value.trim(),
            ...(receipt.said() ? { receipt: receipt.said() } : {}),
          },
        },
      ],
    };
  },
  give_back: ({ visit, stop }) => {
    const loaner = textField(
      "Number of the loaner that goes",
      { autocapitalize: "characters" },
      "Leave empty where none hung.",
    );
    const place = placeField(visit);
    const receipt = receiptField();
    return {
      title: "Bring back",
      lead: `${stop.unit.number} hangs again.`,
      parts: [stop.location ? null : place.node, loaner.node, receipt.node],
      main: "Record its return",
      stays: true,
      check: () =>
        stop.location
          ? ""
          : place.check() || (place.said().location ? "" : "Choose a place that is on the register."),
      acts: () => {
        const at = stop.location ? { location: stop.location.id, content: {} } : place.said();
        return [
          {
            ...at,
            content: {
              ...at.content,
              ...(loaner.said() ? { loaner: { unit_number: loaner.said() } } : {}),
              ...(receipt.said() ? { receipt: receipt.said() } : {}),
            },
          },
        ];
      },
    };
  },
  used: () => {
    let stays = "";
    const remarks = remarksField("What was found");
    return {
      title: "Used or lost its charge",
      lead: "It is out of use until it is recharged: hang a loaner if you have one.",
      parts: [
        choices(
          "Where is it now",
          [
            ["yes", "It stays here, marked out of use"],
            ["no", "I take it along"],
          ],
          "",
          (value) => (stays = value),
        ),
        remarks.node,
      ],
      main: "Record it",
      isDanger: true,
      check: () =>
        (stays ? "" : "Say where it is now.") ||
        (remarks.input.value.trim() ? "" : "Say what was found: the owner reads it on the certificate."),
      acts: () => [{ content: { stays: stays === "yes", remarks: remarks.input.value.trim() } }],
    };
  },
  condemn: ({ visit, stop, photos }) => {
    const { day } = visit;
    const kinds = kindsOf(day, stop.model);
    const codes = day.defect_codes.filter(
      (/** @type {any} */ c) =>
        c.leads_to === "condemned" &&
        c.about === "unit" &&
        c.kinds.some((/** @type {string} */ k) => kinds.has(k)),
    );
    const code = h(
      "select",
      null,
      h("option", { value: "" }, "Choose one criterion"),
      codes.map((/** @type {any} */ c) => h("option", { value: c.code }, c.text)),
    );
    const remarks = remarksField("What you saw");
    let hangs = "nothing";
    const other = otherUnit(visit, stop, { loaners: false, withNew: true });
    other.node.hidden = true;
    return {
      title: "Condemn",
      lead: "Out of use for good. Mark it beyond doubt; it is never given away.",
      moment: "take_away",
      parts: [
        field("Criterion", code),
        remarks.node,
        choices(
          "What hangs there now",
          [
            ["nothing", "Nothing; the unit goes along"],
            ["other", "Another unit"],
          ],
          hangs,
          (value) => {
            hangs = value;
            other.node.hidden = value !== "other";
          },
        ),
        other.node,
      ],
      main: "Condemn it",
      isDanger: true,
      check: () =>
        (code.value ? "" : "Choose the criterion by which it is condemned.") ||
        (photos.length ? "" : "Take a photo of what condemns it.") ||
        (remarks.input.value.trim() ? "" : "Say what you saw.") ||
        (hangs === "other" ? other.check() : ""),
      acts: () => [
        {
          content: {
            code: code.value,
            remarks: remarks.input.value.trim(),
            ...(hangs === "other" ? { replacement: other.said() } : {}),
          },
        },
      ],
    };
  },
  move_unit: ({ visit, stop }) => {
    const place = placeField(visit);
    const remarks = remarksField();
    return {
      title: "Hangs elsewhere",
      lead: `Where does ${stop.unit.number} hang now? Ask whether it should move back.`,
      parts: [place.node, remarks.node],
      main: "Record the move",
      stays: true,
      check: () => place.check(),
      acts: () => {
        const at = place.said();
        return [{ ...at, content: { ...at.content, remarks: remarks.input.value.trim() } }];
      },
    };
  },
  swap_units: ({ visit, stop }) => {
    let other = "";
    const list = h("div");
    const search = h("input", { type: "search", autocomplete: "off", on: { input: () => draw() } });
    const draw = () => {
      const near = visit.round.all.filter((s) => s !== stop && s.location);
      const at = visit.round.all.indexOf(stop);
      const found = search.value.trim()
        ? matching(near, search.value)
        : near.filter((s) => Math.abs(visit.round.all.indexOf(s) - at) <= 3);
      list.replaceChildren(
        choices(
          "The other unit",
          found.slice(0, 12).map((s) => [s.key, `${stopName(s)} · ${s.unit.number}`]),
          other,
          (value) => (other = value),
        ),
      );
    };
    draw();
    const remarks = remarksField();
    return {
      title: "Swapped with another",
      lead: "The two units change places on the register as they hang now.",
      parts: [field("Look for", search), list, remarks.node],
      main: "Record the swap",
      stays: true,
      check: () => (other ? "" : "Choose the other unit."),
      acts: () => [{ content: { other, remarks: remarks.input.value.trim() } }],
    };
  },
  location_problem: ({ visit, stop, photos, found: before, keep }) => {
    let found = before;
    const words = () => (found ? codeOf(visit.day, found.defect.code).text : "Nothing chosen yet");
    const shown = h("p", { class: "strong" }, words());
    const choose = async () => {
      const asked = await askDefect({
        day: visit.day,
        about: "location",
        kinds: new Set(["all"]),
        title: "What is wrong with the place?",
      });
      if (!asked) return;
      found = { defect: asked.defect, isPutRight: asked.isPutRight };
      photos.push(...asked.photos);
      shown.textContent = words();
      keep();
    };
    return {
      title: "Something wrong with the place",
      lead: "Kept apart from the unit: the unit can still pass.",
      parts: [shown, button([icon("place"), "Choose what is wrong"], () => void choose())],
      main: "Record it",
      stays: true,
      found: () => found,
      check: () =>
        (stop.location ? "" : "This unit hangs at no numbered place.") ||
        (found ? "" : "Choose what is wrong with the place."),
      acts: () => [
        { unit: undefined, location: stop.location.id, content: found.defect },
        ...(found.isPutRight
          ? [
              {
                kind: "settle_defect",
                unit: undefined,
                content: { defect: found.defect.id, how: "Put right on the spot" },
              },
            ]
          : []),
      ],
    };
  },
};

/** @param {any} day @param {Stop} stop */
const heavyTasks = (day, stop) =>
  stop.unit.due
    .filter(
      (/** @type {any} */ d) =>
        ["overdue", "due", "unknown"].includes(d.status) &&
        day.tasks.find((/** @type {any} */ t) => t.code === d.task)?.is_heavy,
    )
    .map((/** @type {any} */ d) => d.task);
/** @param {any} day @param {Stop} stop */
const heavyWords = (day, stop) =>
  heavyTasks(day, stop)
    .map((/** @type {string} */ t) => day.labels.task[t])
    .join(", ");

/** @param {string[]} words @param {URLSearchParams} query @returns {Promise<import("./dom.js").Screen>} */
export const screen = async ([visitId, unitId, kind], query) => {
  const visit = await openVisit(visitId);
  const stop = visit.round.byUnit.get(unitId);
  if (!stop) throw new Error("This unit is not on the register of these premises.");
  const back = `unit/${visitId}/${unitId}`;
  const name = stopName(stop);
  if (!kind || !(kind in FORMS)) {
    const isAway = ["in_workshop", "at_test_house", "ready_to_return"].includes(stop.unit.state);
    const list = LIST.filter(([code]) => (code === "give_back" ? isAway || !stop.location : true));
    return {
      title: `${name}: what happened`,
      back,
      body: h(
        "div",
        { class: "stack" },
        h("h1", null, `What about ${name}?`),
        h(
          "p",
          { class: "soft" },
          `${stop.model.text} · ${stop.unit.number}${stop.unit.serial ? ` · serial ${stop.unit.serial}` : ""}`,
        ),
        h(
          "ul",
          { class: "app-rows" },
          list.map(([code, label, help, drawing]) =>
            h(
              "li",
              { class: "app-row" },
              h(
                "a",
                { href: `#/event/${visitId}/${unitId}/${code}` },
                icon(drawing),
                h(
                  "span",
                  { class: "app-row-text" },
                  h("span", null, label),
                  h("span", { class: "soft" }, help),
                ),
                icon("next"),
              ),
            ),
          ),
          h(
            "li",
            { class: "app-row" },
            h(
              "a",
              { href: `#/add/${visitId}?at=${stop.location?.id ?? ""}` },
              icon("unit"),
              h(
                "span",
                { class: "app-row-text" },
                h("span", null, "Another unit hangs here"),
                h("span", { class: "soft" }, "One that is not on the register: add it"),
              ),
              icon("next"),
            ),
          ),
        ),
      ),
    };
  }
  const key = `${visitId}|${unitId}|${kind}`;
  const settles = query.get("settles") ?? undefined;
  const draft = (await draftOf(key)) ?? formOf(visit.acts, settles);
  /** @type {any[]} */
  const photos = (await Promise.all((draft?.photos ?? []).map(photoOf))).filter(Boolean);
  const form = FORMS[kind]({ visit, stop, photos, found: draft?.found ?? null, keep: () => keep() });
  const fields = h("div", { class: "stack" }, form.parts);
  fillIn(fields, draft?.filled ?? []);
  const given = () => ({ filled: filledIn(fields), found: form.found?.() ?? null, photos: photos.map((p) => p.id) });
  const keep = () => void putDraft(key, given()).catch(showWrong);
  for (const name of ["input", "change"]) fields.addEventListener(name, keep);
  const said = h("p", { class: "app-lacking", role: "alert" });
  const save = once(async () => {
    said.textContent = form.check();
    if (said.textContent) return false;
    const made = await form.acts();
    const acts = made.map((act, i) => ({
      kind,
      unit: unitId,
      ...act,
      ...(i ? {} : { photos: photos.map((p) => p.id), scan: { by: "picked", read: "", ...position() }, form: given() }),
    }));
    for (const act of acts) if (act.unit === undefined) delete act.unit;
    const [first] = (
      await record(visit, acts, { photos, draft: key, settles })
    ).filter((a) => a.kind === kind);
    say(`${name}: ${form.title.toLowerCase()}, recorded.`);
    if (form.stays) return go(back, { replace: true });
    sessionStorage.setItem(
      "undo",
      JSON.stringify({ act: first.id, words: `${name}: ${form.title.toLowerCase()}` }),
    );
    const next = nextStop(visit.round.stops, unitId);
    return go(next ? `${unitAddress(visit, next.key)}?by=picked` : `close/${visitId}`, { replace: true });
  });
  const cautions = form.moment
    ? visit.day.cautions
        .filter(
          (/** @type {any} */ c) =>
            c.moment === form.moment &&
            c.kinds.some((/** @type {string} */ k) => kindsOf(visit.day, stop.model).has(k)),
        )
        .slice(0, 2)
    : [];
  return {
    title: `${name}: ${form.title.toLowerCase()}`,
    back: `event/${visitId}/${unitId}`,
    body: h(
      "div",
      { class: "stack" },
      h("h1", null, form.title),
      h("p", { class: "soft" }, `${name} · ${stop.model.text} · ${stop.unit.number}`),
      form.lead ? h("p", null, form.lead) : null,
      cautions.length
        ? notice("soon", "caution", ...cautions.map((/** @type {any} */ c) => h("p", null, c.text)))
        : null,
      fields,
      photoField(photos, keep),
    ),
    foot: h(
      "div",
      { class: "app-actions" },
      said,
      button(form.main, () => void save(), {
        class: `button-big app-next ${form.isDanger ? "button-danger" : "button-main"}`,
      }),
    ),
  };
};
