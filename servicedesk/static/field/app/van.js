// @ts-check
/** The van list: what has to be on board before leaving, ticked off; the ticks stay on the phone. */

import { count, h } from "./dom.js";
import { recall, remember, storedDay } from "./store.js";

/** @param {any} day @returns {[string, [string, string, string][]][]}  part, then key, text, note */
const parts = ({ van, models }) => {
  const kind = new Map(models.map((/** @type {any} */ m) => [m.id, m.text]));
  const kg = (/** @type {number} */ g) =>
    `${(g / 1000).toLocaleString("en-GB", { maximumFractionDigits: 1 })} kg`;
  return [
    [
      "Loaners",
      (van.loaners ?? []).map((/** @type {any} */ l) => [
        `l|${l.text}`,
        `${l.wanted} × ${l.text}`,
        l.why ?? "",
      ]),
    ],
    [
      "Units in the van",
      (van.units_in_van ?? []).map((/** @type {any} */ u) => [
        `u|${u.id}`,
        u.number,
        `${kind.get(u.model) ?? ""}${u.is_loaner ? ", loaner" : ""}`,
      ]),
    ],
    [
      "Agent",
      (van.agent ?? []).map((/** @type {any} */ a) => [
        `a|${a.agent}`,
        `${a.text}${a.mass_g ? `, ${kg(a.mass_g)}` : ""}`,
        a.units ? `for ${count(a.units, "unit")}` : "",
      ]),
    ],
    [
      "Parts",
      (van.parts ?? []).map((/** @type {any} */ p) => [`p|${p.code}`, `${p.count} × ${p.text}`, p.why ?? ""]),
    ],
    [
      "To bring back",
      (van.carry_back ?? []).map((/** @type {any} */ c) => [`c|${c.unit}`, c.number, c.site ?? ""]),
    ],
  ];
};

/** @returns {Promise<import("./dom.js").Screen>} */
export const screen = async () => {
  const person = await recall("person");
  const day = await storedDay(person);
  if (!day) throw new Error("No day is stored on this phone yet.");
  const ticks = (await recall(`van|${person}`)) ?? {};
  const filled = parts(day).filter(([, rows]) => rows.length);
  return {
    title: "Van list",
    back: "",
    body: h(
      "div",
      { class: "stack" },
      h("h1", null, "On board before you leave"),
      filled.length
        ? filled.map(([name, rows]) =>
            h(
              "section",
              { class: "stack stack-tight" },
              h("h2", { class: "app-place" }, name),
              h(
                "ul",
                { class: "app-rows" },
                rows.map(([key, text, note]) =>
                  h(
                    "li",
                    { class: "app-row" },
                    h(
                      "label",
                      { class: "check" },
                      h("input", {
                        type: "checkbox",
                        checked: key in ticks,
                        on: {
                          change: (/** @type {any} */ event) => {
                            if (event.target.checked) ticks[key] = new Date().toISOString();
                            else delete ticks[key];
                            void remember(`van|${person}`, ticks);
                          },
                        },
                      }),
                      h(
                        "span",
                        { class: "app-row-text" },
                        h("span", null, text),
                        note ? h("span", { class: "soft" }, note) : null,
                      ),
                    ),
                  ),
                ),
              ),
            ),
          )
        : h(
            "div",
            { class: "empty" },
            h("p", { class: "empty-title" }, "Nothing to load"),
            h("p", null, "No work on these visits asks for loaners, agent or parts."),
          ),
      h(
        "p",
        { class: "soft small" },
        "Also: scale and gauge tester in calibration, seals and pins, tags and labels, protective gear. Cylinders secured, caps on.",
      ),
    ),
  };
};
