// @ts-check
/** Parts of reading a unit on a survey: facts with their answers, stamped tests, the place, remarks on places. */

import { button, field, h, icon, whenLeft } from "./dom.js";
import { textField } from "./event_parts.js";
import { agrees, plain } from "./surveying.js";

/** @typedef {import("./surveying.js").Answer} Answer */
/** @typedef {{facts: Record<string, Answer>}} Draft */

/**
 * One fact: its value, how it was answered, and the register's word beside it.
 * @param {any} fact @param {Draft} draft
 * @param {{said: Record<string, string>, registered?: {value: any, text: string}, today: string, onChange: () => void}} with_
 */
export const factField = (fact, draft, { said, registered, today, onChange }) => {
  const verdict = h("p", { class: "app-verdict small", "aria-live": "polite" });
  const answer = () => draft.facts[fact.code];
  const set = (/** @type {Answer | null} */ next) => {
    if (next) draft.facts[fact.code] = next;
    else delete draft.facts[fact.code];
    judge();
    onChange();
  };
  const options = fact.form === "yes_no" ? [["yes", "Yes"], ["no", "No"]] : fact.choices;
  const isList = options.length > 0;
  const typed = () => {
    const how = why.value === "estimated" ? "estimated" : "read";
    set(input.value.trim() ? { said: how, value: input.value.trim() } : null);
    if (!input.value.trim() && how === "estimated") why.value = "";
  };
  const input = isList
    ? h(
        "select",
        { on: { change: () => typed() } },
        h("option", { value: "" }, "–"),
        options.map(([value, label]) => h("option", { value }, label)),
      )
    : h("input", {
        autocomplete: "off",
        autocapitalize: fact.form === "text" ? "characters" : "none",
        maxlength: 120,
        on: { input: () => typed() },
      });
  const why = h(
    "select",
    {
      class: "app-said",
      "aria-label": `${fact.label}: how it was read`,
      on: {
        change: () => {
          const how = /** @type {Answer["said"] | ""} */ (why.value);
          if (how === "not_readable" || how === "not_present") {
            input.value = "";
            set({ said: how });
          } else typed();
        },
      },
    },
    h("option", { value: "" }, said.read),
    ["not_readable", "not_present", "estimated"].map((code) => h("option", { value: code }, said[code])),
  );
  const agree = registered
    ? button(
        `As registered: ${registered.text}`,
        () => {
          input.value = isList ? registered.value : fact.form === "stamp" ? registered.text : registered.text;
          why.value = "";
          typed();
        },
        { class: "app-agree" },
      )
    : null;
  const judge = () => {
    const now = answer();
    if (agree) agree.hidden = !!now;
    if (!now || !registered || now.said !== "read") {
      verdict.replaceChildren(...(now?.said === "estimated" ? ["Kept as an estimate, never as a fact."] : []));
      return;
    }
    const isSame = agrees(fact, registered, now, today);
    verdict.replaceChildren(
      icon(isSame ? "ok" : "soon"),
      h("span", null, isSame ? "As registered." : `The register says ${registered.text}.`),
    );
  };
  const draw = () => {
    const now = answer();
    input.value = now?.value ?? "";
    why.value = !now || now.said === "read" ? "" : now.said;
    judge();
  };
  draw();
  const node = field(fact.label, h("div", { class: "app-fact" }, input, why));
  // The label belongs to the value; how it was read names itself.
  const label = node.querySelector("label");
  input.id = `fact-${fact.code}`;
  label?.setAttribute("for", input.id);
  if (fact.hint) {
    const hint = h("span", { class: "helptext", id: `${input.id}-hint` }, fact.hint);
    input.setAttribute("aria-describedby", hint.id);
    label?.after(hint);
  }
  node.append(...[agree, verdict].filter(Boolean));
  node.dataset.fact = fact.code;
  return { node, draw };
};

/** Dates stamped in the shell, each with the mark of who tested. @param {any} fact @param {Draft} draft @param {{said: Record<string, string>, onChange: () => void}} with_ */
export const testsField = (fact, draft, { said, onChange }) => {
  const rows = h("div", { class: "stack stack-tight" });
  /** @type {{mark: string, tester: string}[]} */
  let marks = [];
  const why = h(
    "select",
    { class: "app-said", "aria-label": `${fact.label}: how they were read`, on: { change: () => store() } },
    h("option", { value: "" }, said.read),
    ["not_readable", "not_present"].map((code) => h("option", { value: code }, said[code])),
  );
  const store = () => {
    const given = marks.filter((m) => m.mark.trim());
    if (why.value) draft.facts[fact.code] = { said: /** @type {any} */ (why.value) };
    else if (given.length) draft.facts[fact.code] = { said: "read", marks: given };
    else delete draft.facts[fact.code];
    onChange();
  };
  const drawRows = () =>
    rows.replaceChildren(
      ...marks.map((m, i) => {
        const part = (/** @type {"mark" | "tester"} */ name, /** @type {string} */ label, /** @type {string} */ hint) => {
          const input = h("input", {
            autocomplete: "off",
            maxlength: name === "mark" ? 60 : 40,
            placeholder: hint,
            value: m[name],
            "aria-label": `${label} ${i + 1}`,
            on: {
              input: () => {
                m[name] = input.value;
                why.value = "";
                store();
              },
            },
          });
          return input;
        };
        return h("div", { class: "app-fact" }, part("mark", "Test date", "05/2021"), part("tester", "Mark of the tester", "tester"));
      }),
    );
  const draw = () => {
    const now = draft.facts[fact.code];
    marks = (now?.marks ?? []).map((m) => ({ mark: m.mark, tester: m.tester ?? "" }));
    if (!marks.length) marks = [{ mark: "", tester: "" }];
    why.value = now && now.said !== "read" ? now.said : "";
    drawRows();
  };
  draw();
  const node = h(
    "fieldset",
    { class: "field app-tests", data: { fact: fact.code } },
    h("legend", null, fact.label),
    h("span", { class: "helptext" }, fact.hint),
    rows,
    h(
      "div",
      { class: "app-fact" },
      button("Another date", () => {
        marks.push({ mark: "", tester: "" });
        drawRows();
      }),
      why,
    ),
  );
  return { node, draw };
};

/**
 * The place where somebody stands: a known one by its number, or a new one.
 * @param {any[]} places @param {{number: string, building: string, floor: string, description: string, environment: string}} draft
 * @param {Record<string, string>} environments @param {() => void} onChange
 */
export const placeFields = (places, draft, environments, onChange) => {
  const known = () => places.find((p) => plain(p.number) === plain(draft.number) && draft.number.trim());
  const said = h("p", { class: "app-verdict small", "aria-live": "polite" });
  const part = (/** @type {"number" | "building" | "floor" | "description"} */ name, /** @type {string} */ label, /** @type {any} */ more = {}) => {
    const one = textField(label, {
      value: draft[name],
      maxlength: { number: 30, building: 80, floor: 40, description: 200 }[name],
      ...more,
      on: {
        input: () => {
          draft[name] = one.said();
          judge();
          onChange();
        },
      },
    });
    return one.node;
  };
  const environment = h(
    "select",
    {
      on: {
        change: () => {
          draft.environment = environment.value;
          onChange();
        },
      },
    },
    h("option", { value: "" }, "Not said"),
    Object.entries(environments)
      .filter(([code]) => code !== "unknown")
      .map(([code, label]) => h("option", { value: code, selected: draft.environment === code }, label)),
  );
  const isNew = h("div", { class: "stack" }, part("building", "Building"), part("floor", "Floor"), part("description", "Where exactly"), field("Surroundings", environment));
  const judge = () => {
    const place = known();
    isNew.hidden = !!place;
    said.replaceChildren(
      ...(place
        ? [icon("ok"), h("span", null, [place.building, place.floor, place.description].filter(Boolean).join(", ") || "A known place.")]
        : draft.number
          ? [icon("place"), h("span", null, "A new place.")]
          : []),
    );
  };
  const number = part("number", "Number of the place", { autocapitalize: "characters" });
  judge();
  return {
    node: h("div", { class: "stack" }, number, said, isNew),
    check: () => (draft.number.trim() ? "" : "Enter the number of the place, the one on the wall or a new one."),
    /** The id of the place and, for a new one, the act that fixes it. */
    said: () => {
      const place = known();
      if (place) return { location: place.id, acts: [] };
      const location = crypto.randomUUID();
      const content = Object.fromEntries(Object.entries(draft).filter(([, value]) => value));
      return { location, acts: [{ kind: "survey_place", location, content }] };
    },
  };
};

/**
 * A remark on a place, apart from the unit there. Without `place` it is asked for: a known one, or one that
 * hangs nothing and is fixed with the remark. Resolves to the acts and photos, or null.
 * @param {any} visit @param {any[]} places @param {{building: string, floor: string}} here
 * @param {typeof import("./defects.js").askDefect} ask
 */
export const remarksOn = async (visit, places, here, ask) => {
  const at = await askPlace(places, here);
  if (!at) return null;
  const found = await ask({
    day: visit.day,
    about: "location",
    kinds: new Set(["all"]),
    title: `What is wrong at ${at.number}?`,
  });
  if (!found) return null;
  const { id: location, isFresh, ...content } = at;
  return {
    acts: [
      ...(isFresh ? [{ kind: "survey_place", location, content }] : []),
      { kind: "survey_remark", location, photos: found.photos.map((p) => p.id), content: found.defect },
    ],
    photos: found.photos,
  };
};

/** @param {any[]} places @param {{building: string, floor: string}} here @returns {Promise<any | null>} */
const askPlace = (places, here) =>
  new Promise((resolve) => {
    const number = textField("Number of the new place", { autocapitalize: "characters", maxlength: 30 });
    const description = textField("Where exactly", { maxlength: 200 });
    const fresh = h(
      "div",
      { class: "stack", hidden: places.length > 0 },
      h(
        "p",
        { class: "soft small" },
        `A place with no unit, at ${[here.building, here.floor].filter(Boolean).join(", ") || "these premises"}.`,
      ),
      number.node,
      description.node,
    );
    const select = h(
      "select",
      { on: { change: () => (fresh.hidden = select.value !== "") } },
      places.map((p) =>
        h("option", { value: p.id }, [p.number, p.floor, p.description].filter(Boolean).join(", ")),
      ),
      h("option", { value: "" }, "A place that is not known yet"),
    );
    const said = h("p", { class: "app-lacking", role: "alert" });
    const finish = (/** @type {any} */ found) => {
      stays();
      box.close();
      box.remove();
      resolve(found);
    };
    const goOn = () => {
      const known = places.find((p) => p.id === select.value || plain(p.number) === plain(number.said()));
      if (known) return finish(known);
      if (!number.said()) {
        said.textContent = "Give the place the number that is written there, or a new one.";
        return undefined;
      }
      const where = Object.fromEntries(
        Object.entries({ ...here, description: description.said() }).filter(([, text]) => text),
      );
      return finish({ id: crypto.randomUUID(), isFresh: true, number: number.said(), ...where });
    };
    const box = h(
      "dialog",
      {
        class: "app-sheet",
        "aria-label": "At which place?",
        on: {
          cancel: (/** @type {Event} */ event) => {
            event.preventDefault();
            finish(null);
          },
        },
      },
      h(
        "div",
        { class: "stack" },
        h("h2", null, "At which place?"),
        places.length ? field("Place", select) : null,
        fresh,
      ),
      h(
        "div",
        { class: "app-actions" },
        said,
        button("Back", () => finish(null), { class: "button-big" }),
        button("Go on", goOn, { class: "button-main button-big" }),
      ),
    );
    document.body.append(box);
    const stays = whenLeft(() => finish(null));
    box.showModal();
  });
