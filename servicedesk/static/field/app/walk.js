// @ts-check
/** The round: the units of a visit in walking order, finding one, and what the premises ask for. */

import { button, chip, count, dayWords, field, go, h, icon, notice, say } from "./dom.js";
import { byPlace, matching, named, nextStop, openStops } from "./round.js";
import { scanCode } from "./scan.js";
import { goToCode, openVisit, unitAddress } from "./visit.js";

/** @typedef {import("./round.js").Stop} Stop */

/** How a result looks: what leaves the unit due looks doubtful, never done. @type {Record<string, [string, string]>} */
export const RESULT_LOOK = {
  serviced: ["ok", "done"],
  replaced: ["ok", "done"],
  failed: ["overdue", "failed"],
  removed: ["away", "away"],
  not_found: ["unknown", "unknown"],
  no_access: ["unknown", "lock"],
};

/** @type {Record<string, [string, string]>} */
const DUE_LOOK = {
  overdue: ["overdue", "overdue"],
  due: ["soon", "soon"],
  in_date: ["ok", "ok"],
  unknown: ["unknown", "unknown"],
  uncovered: ["unknown", "unknown"],
};

/** @param {Stop} stop */
export const stopName = (stop) => stop.location?.number ?? stop.unit.number;

/** @param {any} day @param {Stop} stop */
const stateChip = (day, stop) => {
  if (stop.result) {
    const [tone, drawing] = RESULT_LOOK[stop.result.outcome];
    return chip(day.labels.result[stop.result.outcome] ?? stop.result.outcome, tone, drawing);
  }
  const worst = ["overdue", "unknown", "uncovered", "due"].find((s) =>
    stop.unit.due.some((/** @type {any} */ d) => d.listed && d.status === s),
  );
  if (worst === "overdue" || worst === "unknown" || worst === "uncovered")
    return chip(worst === "overdue" ? "Overdue" : "Date unknown", ...DUE_LOOK[worst]);
  return stop.listed ? null : chip("Beyond the list", "none", "none");
};

/** @param {import("./visit.js").Opened} visit @param {Stop} stop */
const row = (visit, stop) => {
  const { unit, location, model } = stop;
  const tasks = stop.jobs.map((job) => visit.day.labels.task[job.task] ?? job.task);
  return h(
    "li",
    { class: "app-row", data: { done: String(!!stop.result), unit: stop.key } },
    h(
      "a",
      { href: `#/${unitAddress(visit, stop.key)}?by=picked` },
      h("span", { class: "app-row-place" }, stopName(stop)),
      h(
        "span",
        { class: "app-row-text" },
        h("span", null, model.text),
        h(
          "span",
          { class: "soft" },
          [location?.description, location ? unit.number : "", tasks.join(", ")].filter(Boolean).join(" · "),
        ),
        stateChip(visit.day, stop),
      ),
      icon("next"),
    ),
  );
};

/** @param {import("./visit.js").Opened} visit */
const premises = ({ site, day }) => {
  const facts = [
    ["Address", site.address],
    ["Notes", site.access_notes],
    ...(site.terms ?? []).map((/** @type {any} */ term) => [term.label, term.text]),
    ["Cautions", (site.cautions ?? []).join(" ")],
  ].filter(([, text]) => text);
  const phone = site.contact?.phone || site.owner?.phone;
  const arrive = day.cautions.filter((/** @type {any} */ c) => c.moment === "arrive");
  return h(
    "details",
    { class: "more app-fold" },
    h("summary", null, "Getting in, cautions"),
    h(
      "div",
      { class: "stack" },
      h(
        "dl",
        { class: "facts" },
        facts.map(([term, text]) => h("div", null, h("dt", null, term), h("dd", null, text))),
        phone
          ? h(
              "div",
              null,
              h("dt", null, "Contact"),
              h(
                "dd",
                null,
                site.contact?.name ?? "",
                " ",
                h("a", { class: "button", href: `tel:${phone}` }, phone),
              ),
            )
          : null,
      ),
      arrive.length
        ? notice(
            "soon",
            "caution",
            h(
              "ul",
              { class: "plain" },
              arrive.map((/** @type {any} */ c) => h("li", null, c.text)),
            ),
            h(
              "p",
              { class: "small" },
              "Usual cautions. Local law, the site's rules and the maker's manual come first.",
            ),
          )
        : null,
    ),
  );
};

const MOST_OFFERED = 12;

/** @param {import("./visit.js").Opened} visit @param {string} read */
const addThis = (visit, read, look = "") =>
  h(
    "p",
    null,
    h(
      "a",
      { class: `button ${look}`, href: `#/add/${visit.visit.id}?read=${encodeURIComponent(read)}` },
      "Add this unit",
    ),
  );

/** @param {import("./visit.js").Opened} visit @param {string} read */
const nothingNamed = (visit, read) =>
  notice(
    "unknown",
    "unknown",
    h("strong", null, `“${read}” is not on the register of these premises.`),
    h(
      "p",
      null,
      "Look at the label again: number, serial or place. If the unit hangs here all the same, add it.",
    ),
    addThis(visit, read, "button-main"),
  );

/** @param {string[]} words @param {URLSearchParams} query @returns {Promise<import("./dom.js").Screen>} */
export const screen = async ([id], query) => {
  const visit = await openVisit(id);
  const { round, site } = visit;
  const read = query.get("read") ?? "";
  const codes = read ? named(round.all, read) : [];
  const isPart = read && !codes.length && query.get("by") === "typed";
  const fitting = isPart ? matching(round.all, read).slice(0, MOST_OFFERED) : [];
  const list = h("div", { class: "stack", id: "list" });
  const progress = h("div", { class: "app-progress" });
  const foot = h("div", { class: "app-actions" });
  let filter = "open";
  let typed = "";

  const drawList = () => {
    const { stops, all } = visit.round;
    const open = openStops(stops);
    const base = typed ? matching(all, typed) : filter === "open" ? open : stops;
    list.replaceChildren(
      ...byPlace(base).map(([place, group]) =>
        h(
          "section",
          null,
          h("h2", { class: "app-place" }, place, " · ", h("span", { class: "soft" }, count(group.length, "unit"))),
          h(
            "ul",
            { class: "app-rows" },
            group.map((stop) => row(visit, stop)),
          ),
        ),
      ),
    );
    if (!base.length) {
      list.append(
        typed
          ? nothingNamed(visit, typed)
          : h(
              "div",
              { class: "empty" },
              h(
                "p",
                { class: "empty-title" },
                stops.length ? "Every unit has a result" : "No units on this visit",
              ),
              h(
                "p",
                null,
                stops.length
                  ? "Count and close, or look through all of them."
                  : "The list of this visit is empty. Ask the office, or add what hangs here.",
              ),
            ),
      );
    }
    const listed = stops.filter((s) => s.listed || s.isNew);
    const done = listed.length - open.length;
    progress.replaceChildren(
      h("p", null, h("strong", null, `${done} of ${listed.length}`), " have a result"),
      h("progress", { value: done, max: listed.length || 1, "aria-label": "Units with a result" }),
    );
    const next = nextStop(stops);
    foot.replaceChildren(
      button([icon("search"), "Scan"], scan, { class: "button-big", "aria-label": "Scan a label" }),
      next
        ? h(
            "a",
            {
              class: "button button-main button-big app-next",
              href: `#/${unitAddress(visit, next.key)}?by=picked`,
            },
            `Next: ${stopName(next)}`,
            icon("next"),
          )
        : h(
            "a",
            { class: "button button-main button-big app-next", href: `#/close/${id}` },
            "Count and close",
            icon("next"),
          ),
    );
  };
  /** @param {string} code @param {string} by */
  const onCode = (code, by) => void goToCode(visit, code, by);
  /** What is typed names a unit, or else is part of what the list shows. */
  const find = () => {
    const { all } = visit.round;
    const fitting = named(all, typed).length ? [] : matching(all, typed);
    if (!fitting.length) onCode(typed, "typed");
    else if (fitting.length === 1) go(`${unitAddress(visit, fitting[0].key)}?by=picked`);
    else say(`${count(fitting.length, "unit")} match “${typed}”. Choose one.`);
  };
  const scan = () => void scanCode(onCode);

  const search = h("input", {
    type: "search",
    autocomplete: "off",
    autocapitalize: "characters",
    enterkeyhint: "search",
    maxlength: 120,
    on: {
      input: () => {
        typed = search.value.trim();
        drawList();
      },
      keydown: (/** @type {KeyboardEvent} */ event) => {
        if (event.key === "Enter" && typed) find();
      },
    },
  });
  const tabs = h("div", { class: "app-tabs", role: "group", "aria-label": "Which units" });
  const drawTabs = () =>
    tabs.replaceChildren(
      ...[
        ["open", "Open"],
        ["all", "All"],
      ].map(([value, label]) =>
        button(
          label,
          () => {
            filter = value;
            drawTabs();
            drawList();
          },
          { "aria-pressed": String(filter === value) },
        ),
      ),
      h("a", { class: "button", href: `#/add/${id}` }, "Add a unit"),
      h("a", { class: "button", href: `#/close/${id}` }, "Close"),
    );
  drawTabs();
  drawList();
  const closed = round.isClosed
    ? notice(
        "ok",
        "done",
        h("p", null, "This visit was closed on this phone. What you record now is sent as a late record."),
      )
    : null;
  const several =
    codes.length > 1 || fitting.length
      ? notice(
          "unknown",
          "unknown",
          h(
            "strong",
            null,
            fitting.length
              ? `“${read}” is no whole number, serial or place. Is it one of these?`
              : `“${read}” names ${count(codes.length, "unit")}. Which one hangs in front of you?`,
          ),
          h(
            "ul",
            { class: "app-rows" },
            [...codes, ...fitting].map((stop) => row(visit, stop)),
          ),
          fitting.length ? addThis(visit, read) : null,
        )
      : read && !codes.length
        ? nothingNamed(visit, read)
        : null;
  if (several) say(several.textContent ?? "");
  return {
    title: site.name,
    back: "",
    body: h(
      "div",
      { class: "stack" },
      h("h1", { class: "visually-hidden" }, site.name),
      h(
        "p",
        { class: "soft" },
        `${site.owner.name} · visit ${visit.visit.number} · ${dayWords(visit.visit.planned_on)}`,
      ),
      closed,
      several,
      progress,
      premises(visit),
      field("Find a unit: number, place or serial", search),
      tabs,
      list,
    ),
    foot,
    onCode,
    refresh: (what) => {
      if (what === "round") drawList();
    },
  };
};
