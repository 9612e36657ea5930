// @ts-check
/** A unit that hangs on the premises and is not on the register: quick add, incomplete and marked so. */

import { button, field, go, h, once, say, todayIn } from "./dom.js";
import { placeField, remarksField, textField } from "./event_parts.js";
import { compareMark } from "./marks.js";
import { photoField } from "./photo.js";
import { position } from "./position.js";
import { openVisit, record, unitAddress } from "./visit.js";

/** @param {string[]} words @param {URLSearchParams} query @returns {Promise<import("./dom.js").Screen>} */
export const screen = async ([visitId], query) => {
  const visit = await openVisit(visitId);
  const { day, site, round } = visit;
  /** @type {any[]} */
  const photos = [];
  const read = query.get("read") ?? "";
  const at = round.locations.find((l) => l.id === query.get("at"));
  const here = new Set(round.all.map((s) => s.model.id));
  const models = [...day.models].sort((a, b) => Number(here.has(b.id)) - Number(here.has(a.id)));
  const model = h(
    "select",
    { on: { change: () => (kind.hidden = model.value !== "") } },
    h("option", { value: "" }, "Not in this list"),
    models.map((m) => h("option", { value: m.id }, [m.text, m.maker].filter(Boolean).join(", "))),
  );
  const pick = (/** @type {Record<string, string>} */ labels) =>
    h(
      "select",
      null,
      Object.entries(labels).map(([value, label]) =>
        h("option", { value, selected: value === "unknown" }, label),
      ),
    );
  const agent = pick(day.labels.agent);
  const construction = pick(day.labels.construction);
  const charge = textField("Charge, as printed", { placeholder: "6 kg" });
  const kind = h(
    "div",
    { class: "stack" },
    field("Agent", agent),
    field("Driven by", construction),
    charge.node,
  );
  const number = textField("Our number, where a label is on it", {
    value: read,
    autocapitalize: "characters",
  });
  const serial = textField("Serial, as read", { autocapitalize: "characters" });
  const made = textField("Made, as read", { placeholder: "06/2019" }, "06/2019, 2019, or unknown.");
  const place = placeField(visit);
  const placeNumber = place.node.querySelector("input");
  if (at) placeNumber.value = at.number;
  const remarks = remarksField();
  const said = h("p", { class: "app-lacking", role: "alert" });
  const save = once(async () => {
    const mark = compareMark(made.said(), null, todayIn(site.time_zone), false);
    said.textContent = place.check() || (mark.word === "fault" ? mark.sentence : "");
    if (said.textContent) return false;
    const { location, content } = place.said();
    const unit = crypto.randomUUID();
    await record(
      visit,
      [
        {
          kind: "add_unit",
          unit,
          ...(location ? { location } : {}),
          photos: photos.map((p) => p.id),
          scan: { by: read ? (query.get("by") ?? "typed") : "picked", read, ...position() },
          content: {
            ...content,
            ...(model.value
              ? { model: model.value }
              : {
                  kind: { agent: agent.value, construction: construction.value, charge_text: charge.said() },
                }),
            serial: serial.said(),
            made: made.said(),
            ...(number.said() ? { number: number.said() } : {}),
            remarks: remarks.input.value.trim(),
          },
        },
      ],
      { photos },
    );
    say("Added.");
    go(`${unitAddress(visit, unit)}?by=picked`, { replace: true });
    return true;
  });
  return {
    title: "Add a unit",
    back: `visit/${visitId}`,
    body: h(
      "div",
      { class: "stack" },
      h("h1", null, "Add a unit"),
      h(
        "p",
        { class: "soft" },
        "For a unit that hangs here and is not on the register. It stays marked as incomplete until the office has looked at it.",
      ),
      place.node,
      field("Model", model),
      kind,
      serial.node,
      made.node,
      number.node,
      remarks.node,
      photoField(photos, () => undefined),
    ),
    foot: h(
      "div",
      { class: "app-actions" },
      said,
      button("Add it", () => void save(), { class: "button-main button-big app-next" }),
    ),
  };
};
