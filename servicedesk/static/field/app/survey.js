// @ts-check
/** A survey: the walk through the premises, floor by floor, and what the office asks. */

import { button, chip, count, field, go, h, icon, notice, once, say, showWrong, todayIn } from "./dom.js";
import { askDefect } from "./defects.js";
import { remarksOn } from "./reading_parts.js";
import { scanCode } from "./scan.js";
import { draftOf, putDraft } from "./store.js";
import { codeAddress, kindWords, nextOpen, plain, surveyOf } from "./surveying.js";
import { openVisit, record } from "./visit.js";

/** @typedef {import("./surveying.js").Surveyed} Surveyed */

/** @type {Record<string, [string, string, string]>} */
export const STATUS_LOOK = {
  found: ["Found", "ok", "done"],
  differs: ["Differs", "soon", "soon"],
  missing: ["Missing", "unknown", "unknown"],
  not_reached: ["Not reached", "unknown", "lock"],
  extra: ["Extra", "away", "unit"],
};

/** @param {any} place */
export const placeWords = (place) =>
  [place?.building, place?.floor, place?.description].filter(Boolean).join(", ");

/** @param {any} visit @param {Surveyed} one @param {string} [by] */
export const readingAddress = (visit, one, by = "picked") => `reading/${visit.visit.id}/${one.key}?by=${by}`;

/** @param {any} visit @param {Surveyed} one */
const row = (visit, one) =>
  h(
    "li",
    { class: "app-row", data: { done: String(one.status !== "open"), unit: one.key } },
    h(
      "a",
      { href: `#/${readingAddress(visit, one)}` },
      h("span", { class: "app-row-place" }, one.place?.number ?? "?"),
      h(
        "span",
        { class: "app-row-text" },
        h("span", null, kindWords(visit.day, one)),
        h(
          "span",
          { class: "soft" },
          [one.place?.description, one.unit.number, one.remarks].filter(Boolean).join(" · "),
        ),
        STATUS_LOOK[one.status] ? chip(...STATUS_LOOK[one.status]) : null,
      ),
      icon("next"),
    ),
  );

/** @param {string[]} words @param {URLSearchParams} query @returns {Promise<import("./dom.js").Screen>} */
export const screen = async ([id], query) => {
  const visit = await openVisit(id);
  const { day, site } = visit;
  const today = todayIn(site.time_zone);
  const key = `here|${id}`;
  const here = { building: "", floor: "", ...((await draftOf(key)) ?? {}) };
  const note = visit.visit.survey?.note ?? "";
  let filter = query.get("show") ?? "floor";
  const list = h("div", { class: "stack", id: "list" });
  const progress = h("div", { class: "app-progress" });
  const foot = h("div", { class: "app-actions" });
  const questions = h("div", { "aria-live": "polite" });
  let survey = surveyOf(visit, today);

  const isHere = (/** @type {any} */ place) =>
    place && plain(place.building) === plain(here.building) && plain(place.floor) === plain(here.floor);
  /** Floors in walking order, so that one is left for the next in one direction. */
  const floors = () => {
    /** @type {Map<string, {building: string, floor: string}>} */
    const found = new Map();
    for (const { place } of survey.units)
      if (place) found.set(`${plain(place.building)}|${plain(place.floor)}`, place);
    return [...found.values()];
  };
  if (!here.building && !here.floor) {
    const [first] = floors();
    if (first) Object.assign(here, { building: first.building, floor: first.floor });
  }

  const remark = once(async () => {
    const found = await remarksOn(visit, survey.places, here, askDefect);
    if (found) {
      await record(visit, found.acts, { photos: found.photos });
      say("Noted.");
      draw();
    }
    // This screen stays: there may be more to remark on.
    return false;
  });

  const draw = () => {
    survey = surveyOf(visit, today);
    const { units, counts, remarks } = survey;
    const shown = units.filter((u) =>
      filter === "all" ? true : filter === "open" ? u.status === "open" : isHere(u.place) || !u.place,
    );
    /** @type {[string, Surveyed[], any][]} */
    const groups = [];
    for (const one of shown) {
      const name = [one.place?.building, one.place?.floor].filter(Boolean).join(", ") || "Place not known";
      if (groups.at(-1)?.[0] !== name) groups.push([name, [], one.place]);
      groups[groups.length - 1][1].push(one);
    }
    list.replaceChildren(
      ...groups.map(([name, group]) =>
        h(
          "section",
          null,
          h("h2", { class: "app-place" }, name, " · ", h("span", { class: "soft" }, count(group.length, "unit"))),
          h(
            "ul",
            { class: "app-rows" },
            group.map((one) => row(visit, one)),
          ),
        ),
      ),
    );
    if (!shown.length)
      list.append(
        h(
          "div",
          { class: "empty" },
          h("p", { class: "empty-title" }, units.length ? "Nothing to show here" : "The register is empty"),
          h(
            "p",
            null,
            units.length
              ? filter === "open"
                ? "Everything on the list was looked for."
                : "Nothing is known on this floor yet. Add what hangs here, or change the floor above."
              : "Walk floor by floor, in one direction, and add each unit that you meet.",
          ),
        ),
      );
    const looked = counts.on_list - counts.open;
    progress.replaceChildren(
      h(
        "p",
        null,
        counts.on_list
          ? h("strong", null, `${looked} of ${counts.on_list}`)
          : h("strong", null, count(counts.extra, "unit")),
        counts.on_list ? " on the list looked for" : " found",
        counts.on_list && counts.extra ? `, ${counts.extra} extra` : "",
        remarks.length ? `, ${count(remarks.length, "remark")} on places` : "",
      ),
      counts.on_list
        ? h("progress", { value: looked, max: counts.on_list, "aria-label": "Units looked for" })
        : "",
    );
    const next = nextOpen(units.filter((u) => isHere(u.place))) ?? nextOpen(units);
    const add = h(
      "a",
      { class: `button button-big${next ? "" : " button-main app-next"}`, href: `#/reading/${id}/new` },
      "Add a unit",
    );
    foot.replaceChildren(
      button([icon("search"), "Scan"], scan, { class: "button-big", "aria-label": "Scan a label" }),
      add,
      next
        ? h(
            "a",
            { class: "button button-main button-big app-next", href: `#/${readingAddress(visit, next)}` },
            `Next: ${next.place?.number ?? next.unit.number}`,
            icon("next"),
          )
        : "",
    );
    drawTabs();
    drawQuestions();
  };
  /** Drawn when they are others only: a screen reader says them once. */
  let said = "";
  const drawQuestions = () => {
    const asked = visit.visit.survey?.asked ?? [];
    if (said === JSON.stringify(asked)) return;
    said = JSON.stringify(asked);
    const lines = asked.map((/** @type {any} */ one) =>
      h(
        "li",
        null,
        h("strong", null, `${one.subject}, ${one.title.toLowerCase()}: `),
        one.question,
        " ",
        one.unit ? h("a", { href: `#/reading/${id}/${one.unit}?by=picked&again=yes` }, "Read it again") : null,
      ),
    );
    questions.replaceChildren(
      lines.length
        ? notice("soon", "caution", h("strong", null, "The office asks"), h("ul", { class: "plain" }, lines))
        : "",
    );
  };

  const onCode = (/** @type {string} */ code, /** @type {string} */ by) => go(codeAddress(id, survey.units, code, by));
  const scan = () => void scanCode(onCode);
  const tabs = h("div", { class: "app-tabs", role: "group", "aria-label": "Which units" });
  const drawTabs = () =>
    tabs.replaceChildren(
      ...[
        ["floor", "This floor"],
        ["open", `Open ${survey.counts.open}`],
        ["all", "All"],
      ].map(([value, label]) =>
        button(
          label,
          () => {
            filter = value;
            draw();
          },
          { "aria-pressed": String(filter === value) },
        ),
      ),
      h("a", { class: "button", href: `#/surveyed/${id}` }, "Count and sign"),
    );

  const whereWords = h("strong", null);
  const moveTo = (/** @type {Record<string, string>} */ to) => {
    Object.assign(here, to);
    whereWords.textContent = [here.building, here.floor].filter(Boolean).join(", ") || "not said yet";
    void putDraft(key, here).catch(showWrong);
    draw();
  };
  const input = (/** @type {"building" | "floor"} */ name) => {
    const box = h("input", {
      autocomplete: "off",
      maxlength: name === "floor" ? 40 : 80,
      value: here[name],
      list: `${name}s`,
      on: { change: () => moveTo({ [name]: box.value.trim() }) },
    });
    return box;
  };
  const known = (/** @type {"building" | "floor"} */ name) =>
    h(
      "datalist",
      { id: `${name}s` },
      [...new Set(survey.places.map((p) => p[name]).filter(Boolean))].map((value) => h("option", { value })),
    );
  const where = h(
    "details",
    { class: "more app-fold" },
    h("summary", null, h("span", null, "You are in: ", whereWords)),
    h(
      "div",
      { class: "stack" },
      h("p", { class: "soft small" }, "New places get this building and floor. Walk in one direction, floor by floor."),
      field("Building", input("building")),
      known("building"),
      field("Floor", input("floor")),
      known("floor"),
      h(
        "div",
        { class: "row" },
        button([icon("place"), "Remark on a place"], () => void remark()),
      ),
    ),
  );
  moveTo({});

  return {
    title: site.name,
    back: "",
    body: h(
      "div",
      { class: "stack" },
      h("h1", { class: "visually-hidden" }, `Survey of ${site.name}`),
      h("p", { class: "soft" }, `${site.owner.name} · survey ${visit.visit.number}`),
      note ? notice("", "info", h("p", null, note)) : null,
      survey.isEnded
        ? notice("ok", "done", h("p", null, "This walk was ended and signed. What you record now is sent all the same."))
        : null,
      questions,
      progress,
      where,
      tabs,
      list,
    ),
    foot,
    onCode,
    refresh: (what) => {
      if (what === "round") draw();
    },
  };
};
