// @ts-check
/** Parts of the form of one unit: the work done, its checks in order, what is read off the shell. */

import { button, chip, count, dateWords, field, h, icon, todayIn } from "./dom.js";
import { kindsOf } from "./defects.js";
import { compareMark } from "./marks.js";

export const TEST_TASKS = ["hydrostatic_test", "requalification"];

/**
 * What the parts of a form share. `keep` stores the draft.
 * @typedef {{visit: import("./visit.js").Opened, stop: import("./round.js").Stop, draft: any, keep: () => void}} Form
 */

/** The tasks that are done here, with their dates and why. @param {Form} form @param {() => void} onTasks */
export const duesPart = ({ visit: { day, site }, stop, draft, keep }, onTasks) => {
  const { unit } = stop;
  const taskWord = (/** @type {string} */ code) => day.labels.task[code] ?? code;
  const dues = h("section", { class: "stack stack-tight", "aria-label": "Work done" });
  const drawDues = () => {
    const listed = [...new Set(stop.jobs.map((/** @type {any} */ j) => j.task))];
    const offered = listed.length ? listed : ["maintenance"];
    const others = day.tasks
      .map((/** @type {any} */ t) => t.code)
      .filter((/** @type {string} */ t) => !offered.includes(t) && t !== "retirement");
    /** @param {string} task */
    const tick = (task) => {
      const due = unit.due.find((/** @type {any} */ d) => d.task === task);
      const tone = due
        ? ({ overdue: "overdue", due: "soon", in_date: "ok" }[/** @type {string} */ (due.status)] ??
          "unknown")
        : "";
      return h(
        "label",
        { class: "check" },
        h("input", {
          type: "checkbox",
          checked: draft.tasks.includes(task),
          on: {
            change: (/** @type {any} */ event) => {
              draft.tasks = event.target.checked
                ? [...draft.tasks, task]
                : draft.tasks.filter((/** @type {string} */ t) => t !== task);
              keep();
              onTasks();
            },
          },
        }),
        h("span", null, taskWord(task)),
        due ? chip(due.latest_on ? `by ${dateWords(due.latest_on)}` : "date unknown", tone) : null,
      );
    };
    const why = unit.due.filter((/** @type {any} */ d) => d.why);
    const unconfirmed = day.tables.filter(
      (/** @type {any} */ t) => site.tables.includes(t.key) && !t.is_confirmed,
    );
    dues.replaceChildren(
      ...offered.map(tick),
      h(
        "details",
        { class: "more" },
        h("summary", null, "Other work, and why"),
        h(
          "div",
          { class: "stack stack-tight" },
          ...others.map(tick),
          h(
            "ul",
            { class: "plain small soft" },
            why.map((/** @type {any} */ d) => h("li", null, `${taskWord(d.task)}: ${d.why}`)),
          ),
          unconfirmed.map((/** @type {any} */ t) =>
            h("p", { class: "small soft" }, `${t.title}: ${t.warning}`),
          ),
        ),
      ),
    );
  };
  drawDues();
  return dues;
};

/**
 * The checks of the ticked tasks for this kind of unit, each answered apart or all at once as well.
 * @param {Form} form @param {() => void} onAnswer @param {() => Promise<void>} onNotWell
 */
export const checksPart = ({ visit: { day }, stop, draft, keep }, onAnswer, onNotWell) => {
  const kinds = kindsOf(day, stop.model);
  const checksOf = () =>
    day.checks
      .filter(
        (/** @type {any} */ c) =>
          draft.tasks.includes(c.task) && c.kinds.some((/** @type {string} */ k) => kinds.has(k)),
      )
      .sort(
        (/** @type {any} */ a, /** @type {any} */ b) =>
          draft.tasks.indexOf(a.task) - draft.tasks.indexOf(b.task) || a.seq - b.seq,
      );
  const checks = h("details", { class: "more app-checks" });
  const draw = () => {
    const rows = checksOf();
    const bad = rows.filter((/** @type {any} */ c) => draft.answers[c.code] === "fail").length;
    const isOpen = checks.open;
    const at = checks.contains(document.activeElement) ? document.activeElement : null;
    const held = at?.closest("[data-check]")?.dataset.check;
    checks.replaceChildren(
      h(
        "summary",
        null,
        `${count(rows.length, "check")} in order`,
        draft.isAllWell && !bad
          ? h("span", { class: "app-well" }, icon("done"), "all well")
          : bad
            ? h("span", { class: "app-ill" }, icon("failed"), `${bad} not well`)
            : null,
      ),
      h(
        "ol",
        { class: "app-rows" },
        // Nobody sees them while they are folded, and they are most of the screen.
        (isOpen ? rows : []).map((/** @type {any} */ check) => {
          const answer = draft.answers[check.code] ?? (draft.isAllWell ? "pass" : "");
          const set = (/** @type {string} */ value) => {
            draft.answers[check.code] = draft.answers[check.code] === value ? "" : value;
            keep();
            draw();
            onAnswer();
          };
          return h(
            "li",
            { class: "app-row app-row-flat", data: { check: check.code } },
            h(
              "span",
              { class: "app-row-text" },
              h("span", null, check.text),
              h("span", { class: "soft" }, check.pass_when),
            ),
            h(
              "span",
              { class: "app-answers", role: "group", "aria-label": check.text },
              button(icon("done"), () => set("pass"), {
                "aria-label": "Well",
                "aria-pressed": String(answer === "pass"),
                class: "app-answer",
                data: { tone: "ok" },
              }),
              button(
                icon("failed"),
                async () => {
                  set("fail");
                  if (draft.answers[check.code] === "fail") await onNotWell();
                },
                {
                  "aria-label": "Not well",
                  "aria-pressed": String(answer === "fail"),
                  class: "app-answer",
                  data: { tone: "overdue" },
                },
              ),
              button(icon("none"), () => set("not_applicable"), {
                "aria-label": "Does not apply",
                "aria-pressed": String(answer === "not_applicable"),
                class: "app-answer",
              }),
            ),
          );
        }),
      ),
    );
    checks.open = isOpen;
    // Whoever goes by keyboard stays where the answer was given.
    if (held)
      [...checks.querySelectorAll(`[data-check="${CSS.escape(held)}"] button`)]
        .find((one) => one.getAttribute("aria-label") === at.getAttribute("aria-label"))
        ?.focus({ preventScroll: true });
  };
  checks.addEventListener("toggle", () => {
    if (checks.open && !checks.querySelector("li")) draw();
  });
  draw();
  return { node: checks, draw, rows: checksOf };
};

/** Dates and serial off the shell, parts used, remarks. @param {Form} form @param {() => void} onRemarks */
export const shellPart = ({ visit: { day, site }, stop: { unit }, draft, keep }, onRemarks) => {
  const today = todayIn(site.time_zone);
  const taskWord = (/** @type {string} */ code) => day.labels.task[code] ?? code;
  const markField = (
    /** @type {string} */ what,
    /** @type {string} */ label,
    /** @type {any} */ registered,
  ) => {
    const said = h("p", { class: "app-verdict small", "aria-live": "polite" });
    const judge = () => {
      const raw = draft.marks[what] ?? "";
      if (!raw.trim()) return said.replaceChildren();
      const { word, sentence } = compareMark(raw, registered, today, what !== "made");
      const tone = {
        agrees: "ok",
        new: "ok",
        differs: "soon",
        older: "overdue",
        unknown: "unknown",
        fault: "failed",
      }[word];
      return said.replaceChildren(icon(tone), h("span", null, sentence));
    };
    const input = h("input", {
      autocomplete: "off",
      maxlength: 60,
      value: draft.marks[what] ?? "",
      placeholder: "06/2019",
      on: {
        input: () => {
          draft.marks[what] = input.value;
          keep();
          judge();
        },
      },
    });
    judge();
    return h("div", null, field(label, input), said);
  };
  const tests = [...new Set([...TEST_TASKS, "internal_examination", "recharge"])].filter((task) =>
    [...unit.due, ...(unit.last ?? [])].some((/** @type {any} */ d) => d.task === task),
  );
  const lastOf = (/** @type {string} */ task) => {
    const on = unit.last?.find((/** @type {any} */ l) => l.task === task)?.done_on;
    return on ? { first: `${on.slice(0, 7)}-01`, last: `${on.slice(0, 7)}-31`, text: on } : null;
  };
  const serialInput = h("input", {
    autocomplete: "off",
    autocapitalize: "characters",
    maxlength: 60,
    value: draft.serial,
    on: {
      input: () => {
        draft.serial = serialInput.value;
        keep();
      },
    },
  });
  const partRows = day.parts.map((/** @type {any} */ part) => {
    const shown = h("strong", null, String(draft.parts[part.code] ?? 0));
    const step = (/** @type {number} */ by_) => {
      draft.parts[part.code] = Math.max(0, (draft.parts[part.code] ?? 0) + by_);
      shown.textContent = String(draft.parts[part.code]);
      keep();
    };
    return h(
      "li",
      { class: "app-row app-row-flat" },
      h("span", { class: "app-row-text" }, part.text),
      h(
        "span",
        { class: "app-answers" },
        button("−", () => step(-1), { "aria-label": `${part.text}: one less`, class: "app-answer" }),
        shown,
        button("+", () => step(1), { "aria-label": `${part.text}: one more`, class: "app-answer" }),
      ),
    );
  });
  const remarks = h("textarea", {
    rows: 2,
    maxlength: 2000,
    on: {
      input: () => {
        draft.remarks = remarks.value;
        keep();
        onRemarks();
      },
    },
  });
  remarks.value = draft.remarks;
  return h(
    "div",
    { class: "stack stack-tight" },
    h(
      "details",
      { class: "more" },
      h("summary", null, "Dates and serial off the shell"),
      h(
        "div",
        { class: "stack" },
        markField("made", "Made", unit.made?.first ? unit.made : null),
        tests.map((task) => markField(task, `Last ${taskWord(task).toLowerCase()}`, lastOf(task))),
        field("Serial, where it reads differently", serialInput),
      ),
    ),
    partRows.length
      ? h(
          "details",
          { class: "more" },
          h("summary", null, "Parts used"),
          h("ul", { class: "app-rows" }, partRows),
        )
      : null,
    field("Remarks", remarks),
  );
};
