// @ts-check
/** Defects: what is wrong, how bad, what was done about it, with photos. Of a unit or of its place. */

import { button, chip, choices, dateWords, field, h, icon, say, whenLeft } from "./dom.js";
import { photoField } from "./photo.js";

/** @typedef {{defect: any, photos: any[], isPutRight: boolean}} Found */

/** @type {Record<string, [string, string]>} */
export const SEVERITY_LOOK = {
  critical: ["overdue", "overdue"],
  non_critical: ["soon", "soon"],
  non_conformance: ["unknown", "unknown"],
};

/** @param {any} day @param {string} code */
export const codeOf = (day, code) =>
  day.defect_codes.find((/** @type {any} */ c) => c.code === code) ?? {
    code,
    text: code,
    severity: "non_critical",
    action: "",
  };

/** The kinds of check and defect that a model takes. @param {any} day @param {any} model */
export const kindsOf = (day, model) =>
  new Set([
    "all",
    model.agent,
    model.construction,
    ...(model.is_wheeled ? ["wheeled"] : []),
    ...(day.kinds_of_model[model.id] ?? []),
  ]);

/** @param {any} code */
const words = (code) => [code.text, code.meaning, ...(code.also ?? [])].join(" ").toLowerCase();

/**
 * Asks what is wrong. Returns null when the person thinks better of it.
 * @param {{day: any, about: "unit" | "location", kinds: Set<string>, title: string, hint?: string}} what
 * @returns {Promise<Found | null>}
 */
export const askDefect = ({ day, about, kinds, title, hint = "" }) =>
  new Promise((resolve) => {
    const fitting = day.defect_codes.filter(
      (/** @type {any} */ c) => c.about === about && c.kinds.some((/** @type {string} */ k) => kinds.has(k)),
    );
    /** @type {any[]} */
    const photos = [];
    let isDone = false;
    /** @param {Found | null} found */
    const finish = (found) => {
      if (isDone) return;
      isDone = true;
      stays();
      box.close();
      box.remove();
      resolve(found);
    };
    const body = h("div", { class: "stack" });
    const foot = h("div", { class: "app-actions" });

    const choose = () => {
      const list = h("ul", { class: "app-rows" });
      const search = h("input", {
        type: "search",
        autocomplete: "off",
        value: hint,
        on: { input: () => draw() },
      });
      const draw = () => {
        const typed = search.value.trim().toLowerCase();
        const found = fitting.filter((/** @type {any} */ c) =>
          typed.split(/\s+/).every((word) => words(c).includes(word)),
        );
        list.replaceChildren(
          ...(found.length ? found : fitting).map((/** @type {any} */ code) =>
            h(
              "li",
              { class: "app-row" },
              h(
                "button",
                { type: "button", class: "app-row-button", on: { click: () => describe(code) } },
                h(
                  "span",
                  { class: "app-row-text" },
                  h("span", null, code.text),
                  h("span", { class: "soft" }, code.meaning),
                ),
                chip(day.labels.severity[code.severity] ?? code.severity, ...SEVERITY_LOOK[code.severity]),
              ),
            ),
          ),
        );
      };
      draw();
      body.replaceChildren(h("h2", null, title), field("Look for", search), list);
      foot.replaceChildren(button("Back", () => finish(null), { class: "button-big" }));
    };

    /** @param {any} code */
    const describe = (code) => {
      let severity = code.severity;
      let isPutRight = false;
      const remarks = h("textarea", { rows: 3, maxlength: 500 });
      const severities = Object.entries(day.labels.severity).map(
        ([value, label]) => /** @type {[string, string]} */ ([value, String(label)]),
      );
      body.replaceChildren(
        h("h2", null, code.text),
        h("p", { class: "soft" }, code.meaning),
        choices("How bad", severities, severity, (value) => (severity = value)),
        choices(
          "What was done",
          [
            ["no", `Not yet: ${code.action}`],
            ["yes", "Put right on the spot"],
          ],
          "no",
          (value) => (isPutRight = value === "yes"),
        ),
        field("Remarks", remarks),
        photoField(photos, () => undefined),
        h(
          "p",
          { class: "soft small" },
          `Class: our own assignment, to confirm against local code. Source: ${code.source}.`,
        ),
      );
      foot.replaceChildren(
        button("Other defect", choose, { class: "button-big" }),
        button(
          [icon("done"), "Record it"],
          () =>
            finish({
              isPutRight,
              photos,
              defect: {
                id: crypto.randomUUID(),
                code: code.code,
                severity,
                action: isPutRight ? "Put right on the spot" : code.action,
                remarks: remarks.value.trim(),
                photos: photos.map((p) => p.id),
              },
            }),
          { class: "button-main button-big" },
        ),
      );
      body.querySelector("input")?.focus();
      say(code.text);
    };

    const box = h(
      "dialog",
      {
        class: "app-sheet",
        "aria-label": title,
        on: {
          cancel: (/** @type {Event} */ event) => {
            event.preventDefault();
            finish(null);
          },
        },
      },
      body,
      foot,
    );
    document.body.append(box);
    const stays = whenLeft(() => finish(null));
    choose();
    box.showModal();
  });

/**
 * Lists defects with a way to strike or settle each.
 * @param {any} day
 * @param {any[]} defects
 * @param {{label: string, act: (defect: any) => void}} [offer]
 */
export const defectList = (day, defects, offer) =>
  h(
    "ul",
    { class: "app-rows" },
    defects.map((defect) => {
      const code = codeOf(day, defect.code);
      return h(
        "li",
        { class: "app-row app-row-flat" },
        h(
          "span",
          { class: "app-row-text" },
          h("span", null, code.text),
          h(
            "span",
            { class: "soft" },
            [
              defect.settled ? `Put right: ${defect.settled}` : defect.action,
              defect.remarks,
              defect.isOld ? `open since ${dateWords(defect.opened_on)}` : "",
            ]
              .filter(Boolean)
              .join(" · "),
          ),
        ),
        defect.settled
          ? chip("Put right", "ok", "done")
          : chip(
              day.labels.severity[defect.severity ?? code.severity] ?? "",
              ...SEVERITY_LOOK[defect.severity ?? code.severity],
            ),
        offer && !defect.settled
          ? button(offer.label, () => offer.act(defect), { "aria-label": `${offer.label}: ${code.text}` })
          : null,
      );
    }),
  );
