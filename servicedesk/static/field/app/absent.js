// @ts-check
/** A unit of the register that is not where it should hang, or that nobody could get to. */

import { button, choices, field, go, h, icon, once, say, todayIn } from "./dom.js";
import { remarksField, textField } from "./event_parts.js";
import { placeWords } from "./survey.js";
import { kindWords, nextOpen, surveyOf } from "./surveying.js";
import { openVisit, record } from "./visit.js";

/** @param {string[]} words @returns {Promise<import("./dom.js").Screen>} */
export const screen = async ([visitId, unitId]) => {
  const visit = await openVisit(visitId);
  const { day, site } = visit;
  const today = todayIn(site.time_zone);
  const one = surveyOf(visit, today).byKey.get(unitId);
  if (!one) throw new Error("This unit is not part of the survey. Go back and look for its number.");
  let state = "not_found";
  const reason = h(
    "select",
    null,
    day.reasons.no_access.map((/** @type {any} */ r) => h("option", { value: r.code }, r.text)),
  );
  const saidBy = textField("Who said so", { autocapitalize: "words" });
  const why = h("div", { class: "stack", hidden: true }, field("Why", reason), saidBy.node);
  const remarks = remarksField("Remarks", "What is there instead: an empty bracket, another unit, nothing.");
  const save = once(async () => {
    await record(visit, [
      {
        kind: "survey_missing",
        unit: one.key,
        ...(one.place ? { location: one.place.id } : {}),
        content: {
          state,
          ...(state === "no_access" ? { reason: reason.value, said_by: saidBy.said() } : {}),
          remarks: remarks.input.value.trim(),
        },
      },
    ]);
    const next = nextOpen(surveyOf(visit, today).units, one.key);
    say("Saved.");
    go(next ? `reading/${visitId}/${next.key}?by=picked` : `survey/${visitId}`, { replace: true });
  });
  return {
    title: one.place?.number ?? one.unit.number,
    back: `reading/${visitId}/${unitId}?by=picked`,
    body: h(
      "div",
      { class: "stack" },
      h("h1", null, "Not here"),
      h("p", { class: "strong" }, `${one.unit.number}, ${kindWords(day, one)}`),
      h("p", null, [one.place?.number, placeWords(one.place)].filter(Boolean).join(", ")),
      choices(
        "What was it?",
        [
          ["not_found", "I was there, it is not"],
          ["no_access", "I could not get there"],
        ],
        state,
        (value) => {
          state = value;
          why.hidden = value !== "no_access";
        },
      ),
      why,
      remarks.node,
      h("p", { class: "soft small" }, "Nothing is taken off the register here. The office decides, and the unit stays due."),
    ),
    foot: h(
      "div",
      { class: "app-actions" },
      button([icon("done"), "Save"], () => void save(), { class: "button-main button-big app-next" }),
    ),
  };
};
