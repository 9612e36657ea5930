// @ts-check
/**
 * Reading one unit on a survey: where it hangs, what it is, what its marks say. What cannot be read has
 * answers of its own. A row of equal units: the kind in one touch, then what is each unit's own.
 */

import { askDefect, defectList, kindsOf } from "./defects.js";
import { button, chip, clock, go, h, icon, notice, once, redraw, say, showWrong, todayIn } from "./dom.js";
import { remarksField, textField } from "./event_parts.js";
import { photoField } from "./photo.js";
import { position, watchPosition } from "./position.js";
import { factField, placeFields, testsField } from "./reading_parts.js";
import { formOf, proofOf } from "./round.js";
import { scanCode } from "./scan.js";
import { draftOf, dropDraft, photoOf, putDraft } from "./store.js";
import { placeWords, STATUS_LOOK } from "./survey.js";
import { codeAddress, freeNumberAfter, kindWords, nextOpen, surveyOf } from "./surveying.js";
import { openVisit, record, undo } from "./visit.js";

/** Our number off a label, which may hold an address that ends with it. @param {string} read */
const labelOf = (read) =>
  read
    .split(/[/?#=]/)
    .filter(Boolean)
    .at(-1)
    ?.toUpperCase() ?? "";

/** What was read before, with a way to take it back or read again. @param {any} visit @param {any} one @param {any[]} facts */
const recorded = (visit, one, facts) => {
  const [word, tone, drawing] = STATUS_LOOK[one.status];
  const lines = facts
    .filter((f) => one.facts[f.code])
    .map((f) => {
      const answer = one.facts[f.code];
      const value = answer.marks
        ? answer.marks.map((/** @type {any} */ m) => [m.mark, m.tester].filter(Boolean).join(" ")).join("; ")
        : (Object.fromEntries(f.choices)[answer.value] ?? answer.value ?? "");
      const text = ["read", "estimated"].includes(answer.said) ? value : visit.day.survey_said[answer.said];
      return h(
        "div",
        null,
        h("dt", null, f.label),
        h(
          "dd",
          null,
          answer.said === "estimated" ? `${text} (estimated)` : text,
          one.differing.includes(f.code)
            ? h("span", { class: "soft" }, ` register: ${one.registered[f.code].text}`)
            : null,
        ),
      );
    });
  return h(
    "div",
    { class: "stack" },
    h(
      "p",
      { class: "verdict", data: { tone } },
      icon(drawing),
      h(
        "span",
        null,
        word,
        h(
          "small",
          null,
          [one.last ? clock(one.last.at ?? one.last.device_at) : "", one.last?.by?.name, one.remarks]
            .filter(Boolean)
            .join(" · "),
        ),
      ),
    ),
    one.differing.includes("place") ? notice("soon", "place", h("p", null, "Hangs elsewhere than registered.")) : null,
    lines.length ? h("dl", { class: "facts" }, lines) : null,
    one.last?.state === "refused"
      ? notice("overdue", "overdue", h("p", null, h("a", { href: "#/sending" }, "The server refused this. Settle it in the sending list.")))
      : null,
    h(
      "div",
      { class: "row" },
      one.own.length
        ? button(
            "Take it back",
            once(async () => {
              await undo(visit, one.own.at(-1));
              say("Taken back.");
              redraw();
            }),
          )
        : null,
      h("a", { class: "button", href: `#/reading/${visit.visit.id}/${one.key}?by=picked&again=yes` }, "Read it again"),
    ),
  );
};

/** @param {string[]} words @param {URLSearchParams} query @returns {Promise<import("./dom.js").Screen>} */
export const screen = async ([visitId, unitId], query) => {
  const visit = await openVisit(visitId);
  const { day, site } = visit;
  const today = todayIn(site.time_zone);
  const survey = surveyOf(visit, today);
  /** @type {any[]} */
  const facts = day.survey_facts;
  const one = unitId === "new" ? null : (survey.byKey.get(unitId) ?? null);
  if (unitId !== "new" && !one) throw new Error("This unit is not part of the survey. Go back and scan it again.");
  const settles = query.get("settles") ?? undefined;
  const by = query.get("by") ?? "picked";
  const read = query.get("read") ?? "";
  const proof = one && by !== "picked" ? proofOf(one.unit, read) : "";
  if (by !== "picked") watchPosition();
  const back = `survey/${visitId}`;
  const here = { building: "", floor: "", ...((await draftOf(`here|${visitId}`)) ?? {}) };
  const onCode = (/** @type {string} */ code, /** @type {string} */ how) =>
    go(codeAddress(visitId, survey.units, code, how));
  const next = () => nextOpen(surveyOf(visit, today).units, one?.key);

  const head = h(
    "header",
    { class: "app-unit" },
    h(
      "h1",
      null,
      one ? (one.place?.number ?? one.unit.number) : "New unit",
      one ? h("span", { class: "app-unit-number" }, one.unit.number) : null,
    ),
    one ? h("p", { class: "strong" }, kindWords(day, one)) : null,
    one ? h("p", null, placeWords(one.place) || "Place not known") : null,
    one && !one.listed ? h("p", null, chip("Extra", "away", "unit")) : null,
  );

  if (one && one.status !== "open" && !(one.status === "extra" && !one.last) && query.get("again") !== "yes") {
    const following = next();
    return {
      title: one.place?.number ?? one.unit.number,
      back,
      body: h(
        "div",
        { class: "stack" },
        head,
        recorded(visit, one, facts),
        one.defects.length ? defectList(day, one.defects) : null,
      ),
      foot: h(
        "div",
        { class: "app-actions" },
        h("a", { class: "button button-big", href: `#/reading/${visitId}/new` }, "Add a unit"),
        following
          ? h(
              "a",
              { class: "button button-main button-big app-next", href: `#/reading/${visitId}/${following.key}?by=picked` },
              `Next: ${following.place?.number ?? following.unit.number}`,
              icon("next"),
            )
          : h("a", { class: "button button-main button-big app-next", href: `#/surveyed/${visitId}` }, "Count and sign", icon("next")),
      ),
    };
  }

  // --- the form ------------------------------------------------------------------------------------

  const key = `${visitId}|survey|${unitId}`;
  const draft = {
    facts: { ...(one?.facts ?? {}) },
    place: {
      number: one?.place?.number ?? (query.get("at") || freeNumberAfter(survey.places, survey.lastPlace?.number ?? "")),
      building: here.building,
      floor: here.floor,
      description: "",
      environment: "",
    },
    label: !one && read ? labelOf(read) : "",
    isElsewhere: false,
    like: "",
    defects: [],
    coverage: [],
    photos: [],
    remarks: "",
    ...((await draftOf(key)) ?? formOf(visit.acts, settles)),
  };
  draft.photos = (await Promise.all(draft.photos.map((/** @type {string} */ id) => photoOf(id)))).filter(Boolean);
  const kept = () => ({ ...draft, photos: draft.photos.map((/** @type {any} */ p) => p.id) });
  const keep = () => void putDraft(key, kept()).catch(showWrong);
  const onChange = () => {
    keep();
    update();
  };
  const parts = new Map(
    facts.map((fact) => [
      fact.code,
      fact.form === "tests"
        ? testsField(fact, draft, { said: day.survey_said, onChange })
        : factField(fact, draft, {
            said: day.survey_said,
            registered: one?.registered[fact.code],
            today,
            onChange,
          }),
    ]),
  );
  const nodes = (/** @type {(fact: any) => boolean} */ wanted) => facts.filter(wanted).map((f) => parts.get(f.code)?.node);
  const redrawFacts = () => {
    for (const part of parts.values()) part.draw();
    onChange();
  };

  const like = survey.lastRead && survey.lastRead.key !== one?.key ? survey.lastRead : null;
  const takeOver = like
    ? button([icon("unit"), `Same kind: ${kindWords(day, like)}`], () => {
        for (const fact of facts)
          if (fact.belongs === "kind" && like.facts[fact.code]?.said === "read")
            draft.facts[fact.code] = { ...like.facts[fact.code] };
        draft.like = like.key;
        redrawFacts();
        say("The kind was taken over. Check it against the unit in front of you.");
      })
    : null;
  const kindAgrees =
    one && facts.some((f) => f.belongs === "kind" && one.registered[f.code])
      ? button([icon("ok"), `Kind as registered: ${kindWords(day, { ...one, facts: {} })}`], () => {
          for (const fact of facts)
            if (fact.belongs === "kind" && fact.is_asked && one.registered[fact.code])
              draft.facts[fact.code] = { said: "read", value: one.registered[fact.code].value };
          if (one.registered.charge) draft.facts.charge = { said: "read", value: one.registered.charge.text };
          redrawFacts();
        })
      : null;

  const where = placeFields(survey.places, draft.place, day.labels.environment, onChange);
  const placeBox = h("div", { class: "stack", hidden: !!one?.place && !draft.isElsewhere }, where.node);
  const elsewhere = one?.place
    ? button(
        "It hangs elsewhere",
        () => {
          draft.isElsewhere = !draft.isElsewhere;
          elsewhere.setAttribute("aria-pressed", String(draft.isElsewhere));
          placeBox.hidden = !draft.isElsewhere;
          if (draft.isElsewhere) placeBox.querySelector("input")?.select();
          onChange();
        },
        { "aria-pressed": String(draft.isElsewhere) },
      )
    : null;
  const coverage = h("div", { class: "stack stack-tight" });
  const drawCoverage = () =>
    coverage.replaceChildren(
      ...(draft.coverage.length
        ? [
            defectList(day, draft.coverage, {
              label: "Strike",
              act: (d) => {
                draft.coverage.splice(draft.coverage.indexOf(/** @type {never} */ (d)), 1);
                drawCoverage();
                keep();
              },
            }),
          ]
        : []),
    );
  drawCoverage();
  const remarkOnPlace = button([icon("place"), "Remark on the place"], async () => {
    const found = await askDefect({ day, about: "location", kinds: new Set(["all"]), title: "What is wrong with the place?" });
    if (!found) return;
    draft.coverage.push(/** @type {never} */ (found.defect));
    draft.photos.push(...found.photos);
    drawCoverage();
    keep();
  });

  const defects = h("div", { class: "stack stack-tight" });
  const drawDefects = () =>
    defects.replaceChildren(
      ...(draft.defects.length
        ? [
            defectList(day, draft.defects, {
              label: "Strike",
              act: (d) => {
                draft.defects.splice(draft.defects.indexOf(/** @type {never} */ (d)), 1);
                drawDefects();
                keep();
              },
            }),
          ]
        : []),
    );
  drawDefects();
  const addDefect = button([icon("overdue"), "Defect of the unit"], async () => {
    const model = { id: "", agent: draft.facts.agent?.value ?? "unknown", construction: draft.facts.construction?.value ?? "unknown" };
    const found = await askDefect({ day, about: "unit", kinds: kindsOf(day, model), title: "What is wrong with the unit?" });
    if (!found) return;
    draft.defects.push(/** @type {never} */ (found.defect));
    draft.photos.push(...found.photos);
    drawDefects();
    keep();
  });

  const label = textField(
    "Number of our label on it",
    {
      value: draft.label,
      autocapitalize: "characters",
      maxlength: 30,
      on: {
        input: () => {
          draft.label = label.said();
          onChange();
        },
      },
    },
    one?.listed ? `On the register: ${one.unit.number}. Only where another label is on it now.` : "Scan a fresh label onto it, or leave it out: the office prints one.",
  );
  const scanLabel = button([icon("search"), "Scan our label"], () =>
    scanCode((code) => {
      draft.label = label.input.value = labelOf(code);
      onChange();
    }),
  );
  const remarks = remarksField();
  remarks.input.value = draft.remarks;
  remarks.input.addEventListener("input", () => {
    draft.remarks = remarks.input.value;
    keep();
  });

  const said = h("p", { class: "app-lacking", role: "status" });
  const lacking = () => {
    if (!one?.place || draft.isElsewhere) {
      const missing = where.check();
      if (missing) return missing;
    }
    const open = facts.filter((f) => f.is_asked && !draft.facts[f.code]);
    if (open.length)
      return `Still to answer: ${open.map((f) => f.label.toLowerCase()).join(", ")}. “Not readable” is an answer, too.`;
    return "";
  };
  const save = once(async () => {
    if (lacking()) return false;
    const isMoved = !one?.place || draft.isElsewhere;
    const { location, acts } = isMoved ? where.said() : { location: one.place.id, acts: [] };
    const unit = one?.key ?? crypto.randomUUID();
    const content = {
      facts: draft.facts,
      ...(draft.label.trim() ? { label: draft.label.trim() } : {}),
      ...(draft.like ? { like: draft.like } : {}),
      ...(draft.defects.length ? { defects: draft.defects } : {}),
      ...(draft.remarks.trim() ? { remarks: draft.remarks.trim() } : {}),
    };
    await record(
      visit,
      [
        ...acts,
        {
          kind: "survey_unit",
          unit,
          location,
          photos: draft.photos.map((/** @type {any} */ p) => p.id),
          scan: one && !proof ? { by: "picked", ...position() } : { by, ...(read ? { read } : {}), ...position() },
          content,
          form: kept(),
        },
        ...draft.coverage.map((found) => ({ kind: "survey_remark", location, content: found })),
      ],
      { photos: draft.photos, draft: key, settles },
    );
    if (isMoved && draft.place.building + draft.place.floor)
      await putDraft(`here|${visitId}`, {
        building: draft.place.building || here.building,
        floor: draft.place.floor || here.floor,
      }).catch(showWrong);
    const following = one?.listed ? next() : null;
    say("Saved.");
    if (one && following) go(`reading/${visitId}/${following.key}?by=picked`);
    else if (one) go(back);
    else {
      await dropDraft(key);
      sessionStorage.setItem("surveyed", `${draft.place.number} saved.`);
      go(`reading/${visitId}/new`, { replace: true });
    }
    return true;
  });
  const main = button([icon("done"), one ? "Save" : "Save, next unit"], () => void save(), { class: "button-main button-big app-next" });
  const update = () => {
    const words = lacking();
    said.textContent = words;
    main.setAttribute("aria-disabled", String(!!words));
  };
  update();
  const saved = unitId === "new" ? sessionStorage.getItem("surveyed") : "";
  sessionStorage.removeItem("surveyed");
  const isMore = (/** @type {any} */ f) => f.belongs === "kind" && !f.is_asked && f.code !== "charge";
  return {
    title: one ? (one.place?.number ?? one.unit.number) : "New unit",
    back,
    onCode: (code, how) => {
      // A scan while a new unit is being read is its label; on a known unit it goes to the one scanned.
      if (one) return onCode(code, how);
      draft.label = label.input.value = labelOf(code);
      onChange();
    },
    body: h(
      "div",
      { class: "stack" },
      saved ? h("p", { class: "soft", role: "status" }, saved) : null,
      head,
      one && proof ? h("p", { class: "soft small" }, `Label read: ${one.unit.number}.`) : null,
      elsewhere ? h("div", { class: "row" }, elsewhere) : null,
      placeBox,
      h("div", { class: "row" }, remarkOnPlace),
      coverage,
      h("h2", { class: "app-place" }, "Kind"),
      kindAgrees,
      takeOver,
      nodes((f) => f.belongs === "kind" && (f.is_asked || f.code === "charge")),
      h("details", { class: "more" }, h("summary", null, "More of the kind: maker, shell, pressures"), h("div", { class: "stack" }, nodes(isMore))),
      h("h2", { class: "app-place" }, "This one"),
      nodes((f) => f.belongs === "own" && f.is_asked),
      h(
        "details",
        { class: "more" },
        h("summary", null, "Stamped tests, masses, tags and labels"),
        h("div", { class: "stack" }, nodes((f) => (f.belongs === "own" && !f.is_asked) || f.belongs === "service")),
      ),
      h("div", { class: "row" }, addDefect),
      defects,
      photoField(draft.photos, onChange),
      h("p", { class: "soft small" }, "Photograph the nameplate, the stamps and the tag."),
      label.node,
      h("div", { class: "row" }, scanLabel),
      remarks.node,
    ),
    foot: h(
      "div",
      { class: "app-actions" },
      said,
      one?.listed ? h("a", { class: "button button-big", href: `#/absent/${visitId}/${one.key}` }, "Not here") : null,
      main,
    ),
  };
};
