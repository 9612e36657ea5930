// @ts-check
/**
 * One unit: is it the one the register names, what is due, its measured values and checks, and its
 * result. All well is two touches and the figures that the task demands; nothing passes without them.
 */

import { button, choices, clock, count, go, h, icon, notice, once, redraw, say, showWrong } from "./dom.js";
import { askDefect, defectList, kindsOf } from "./defects.js";
import { measureFields } from "./measures.js";
import { photoField } from "./photo.js";
import { position, watchPosition } from "./position.js";
import { formOf, nextStop, openStops, proofOf } from "./round.js";
import { draftOf, dropDraft, photoOf, putDraft } from "./store.js";
import { checksPart, duesPart, shellPart, TEST_TASKS } from "./unit_parts.js";
import { goToCode, openVisit, record, undo, unitAddress } from "./visit.js";
import { RESULT_LOOK, stopName } from "./walk.js";

const METHODS = /** @type {[string, string][]} */ ([
  ["proof_pressure", "Proof pressure"],
  ["water_jacket", "Water jacket"],
  ["direct_expansion", "Direct expansion"],
  ["ultrasonic", "Ultrasonic"],
]);

const REST_MS = 400;
/**
 * Right after a record the next unit comes up under the same thumb: a second tap that was meant for the one
 * before does nothing. A keyboard and a scanner do not tap.
 * @param {HTMLElement} foot
 */
const restFrom = (foot) => {
  let until = Infinity;
  foot.dataset.fresh = "";
  foot.addEventListener(
    "click",
    (event) => {
      const isMain = /** @type {Element} */ (event.target).closest(".app-next");
      if (!isMain || !event.detail || event.timeStamp > until) return;
      event.preventDefault();
      event.stopPropagation();
    },
    { capture: true },
  );
  // It counts from when the screen stands; how long a slow phone takes to draw it is not known before.
  setTimeout(() => {
    until = performance.now() + REST_MS;
    setTimeout(() => delete foot.dataset.fresh, REST_MS);
  });
};

/** @param {any} visit @param {any} stop */
const emptyDraft = ({ day }, stop) => {
  const heavy = new Set(
    day.tasks.filter((/** @type {any} */ t) => t.is_heavy).map((/** @type {any} */ t) => t.code),
  );
  const listed = stop.jobs.map((/** @type {any} */ j) => j.task);
  return {
    tasks: (listed.length ? listed : ["maintenance"]).filter(
      (/** @type {string} */ t) => !heavy.has(t) && t !== "retirement",
    ),
    given: {},
    answers: {},
    isAllWell: false,
    defects: [],
    putRight: [],
    photos: [],
    marks: {},
    parts: {},
    serial: "",
    method: "",
    remarks: "",
  };
};

/** What this phone has said about a unit before is shown, not typed again. @param {any} stop */
const recordedBox = (visit, stop, again) => {
  const { result } = stop;
  const [tone, drawing] = RESULT_LOOK[result.outcome];
  const figures = (result.content.readings ?? [])
    .map((/** @type {any} */ r) => `${r.value} ${r.unit}`)
    .join(", ");
  const isOwn = visit.acts.some((/** @type {any} */ a) => a.id === result.act);
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
        visit.day.labels.result[result.outcome],
        h(
          "small",
          null,
          [result.at ? clock(result.at) : "", result.by, figures, result.content.remarks]
            .filter(Boolean)
            .join(" · "),
        ),
      ),
    ),
    result.state === "refused"
      ? notice(
          "overdue",
          "overdue",
          h("p", null, "The server refused this record. Open the sending list to settle it."),
          h("p", null, h("a", { class: "button", href: "#/sending" }, "Sending list")),
        )
      : null,
    h(
      "div",
      { class: "row" },
      isOwn
        ? button(
            "Take it back",
            once(async () => {
              await undo(visit, result.act);
              say("Taken back.");
              redraw();
            }),
          )
        : null,
      button("Record again", again),
    ),
  );
};

/** @param {string[]} words @param {URLSearchParams} query @returns {Promise<import("./dom.js").Screen>} */
export const screen = async ([visitId, unitId], query) => {
  const visit = await openVisit(visitId);
  const { day, site, round } = visit;
  const stop = round.byUnit.get(unitId);
  if (!stop)
    throw new Error("This unit is not on the register of these premises. Go back and look for its number.");
  const { unit, model, location } = stop;
  const key = `${visitId}|${unitId}`;
  const settles = query.get("settles") ?? undefined;
  const draft = { ...emptyDraft(visit, stop), ...((await draftOf(key)) ?? formOf(visit.acts, settles)) };
  draft.photos = (await Promise.all(draft.photos.map((/** @type {string} */ id) => photoOf(id)))).filter(
    Boolean,
  );
  const by = query.get("by") ?? "picked";
  const read = query.get("read") ?? "";
  if (by !== "picked") watchPosition();
  const isAgain = query.get("again") === "yes";
  const next = () => nextStop(visit.round.stops, unitId);
  const onCode = (/** @type {string} */ code, /** @type {string} */ how) => void goToCode(visit, code, how);

  const walked = round.stops.filter((s) => s.listed || s.isNew);
  const at = walked.indexOf(stop) + 1;
  const head = h(
    "header",
    { class: "app-unit" },
    h(
      "p",
      { class: "soft small" },
      at
        ? `${at} of ${walked.length} on the walk, ${count(openStops(walked).length, "open one", "open")}`
        : "Beyond the list of this visit",
    ),
    h("h1", null, stopName(stop), location ? h("span", { class: "app-unit-number" }, unit.number) : null),
    h("p", { class: "strong" }, model.text),
    h(
      "p",
      null,
      location
        ? [location.building, location.floor, location.description].filter(Boolean).join(", ")
        : "Place not known",
    ),
  );
  const proof = by === "picked" ? "" : proofOf(unit, read);
  const asked = read && location && by !== "picked" ? `Place ${location.number}: is this the one? ` : "Is this the one? ";
  const serial = unit.serial ? `Serial ${unit.serial}` : "No serial on the register";
  const identity = h(
    "section",
    {
      class: "app-identity",
      data: { proved: String(proof !== "") },
      "aria-label": "Is this the unit the register names?",
    },
    icon(proof ? "ok" : "unknown"),
    h(
      "p",
      null,
      h(
        "strong",
        null,
        proof === "label" ? `Label read: ${unit.number}. ` : proof ? `Serial read: ${unit.serial}. ` : asked,
      ),
      `${serial}, made ${unit.made?.text || "not known"}.`,
      unit.is_loaner ? " One of our loaners." : "",
    ),
    h("a", { class: "button", href: `#/event/${visitId}/${unitId}` }, "No"),
  );

  if (stop.result && !isAgain) {
    const following = next();
    return {
      title: stopName(stop),
      back: `visit/${visitId}`,
      onCode,
      body: h(
        "div",
        { class: "stack" },
        head,
        recordedBox(visit, stop, () => go(`unit/${visitId}/${unitId}?again=yes&by=${by}&read=${encodeURIComponent(read)}`)),
        stop.defects.length ? defectList(day, stop.defects) : null,
      ),
      foot: h(
        "div",
        { class: "app-actions" },
        h("a", { class: "button button-big", href: `#/event/${visitId}/${unitId}` }, "More"),
        following
          ? h(
              "a",
              {
                class: "button button-main button-big app-next",
                href: `#/${unitAddress(visit, following.key)}?by=picked`,
              },
              `Next: ${stopName(following)}`,
              icon("next"),
            )
          : h(
              "a",
              { class: "button button-main button-big app-next", href: `#/close/${visitId}` },
              "Count and close",
              icon("next"),
            ),
      ),
    };
  }

  // --- parts of the form -------------------------------------------------------------------------

  const kinds = kindsOf(day, model);
  const taskWord = (/** @type {string} */ code) => day.labels.task[code] ?? code;
  // What the refused record stated stands in the form again, to be kept or left out.
  const known = stop.defects.filter((d) => !d.act || d.act !== settles);
  const failed = () => Object.values(draft.answers).some((a) => a === "fail");
  const grave = () =>
    [...draft.defects, ...known.filter((d) => d.act && !d.settled)].filter(
      (d) => d.severity === "critical" && !draft.putRight.includes(d.id),
    );

  const kept = () => ({ ...draft, photos: draft.photos.map((/** @type {any} */ p) => p.id) });
  const keep = () => void putDraft(key, kept()).catch(showWrong);
  const form = { visit, stop, draft, keep };
  const measures = await measureFields({
    rules: day.judging,
    plate: model,
    country: site.country ?? "",
    given: draft.given,
    last: unit.readings ?? [],
    onChange: () => {
      keep();
      update();
    },
  });

  const dues = duesPart(form, () => {
    checks.draw();
    update();
  });

  const heavyDue = () =>
    unit.due.filter(
      (/** @type {any} */ d) =>
        d.listed &&
        ["overdue", "due", "unknown"].includes(d.status) &&
        day.tasks.find((/** @type {any} */ t) => t.code === d.task)?.is_heavy &&
        !draft.tasks.includes(d.task),
    );

  const checks = checksPart(
    form,
    () => update(),
    () => addDefect(""),
  );

  const defects = h("section", { class: "stack stack-tight", "aria-label": "Defects" });
  const addDefect = async (/** @type {string} */ hint) => {
    const found = await askDefect({ day, about: "unit", kinds, title: "What is wrong with the unit?", hint });
    if (!found) return;
    draft.defects.push(found.defect);
    if (found.isPutRight) draft.putRight.push(found.defect.id);
    draft.photos.push(...found.photos);
    keep();
    drawDefects();
    update();
  };
  const drawDefects = () =>
    defects.replaceChildren(
      ...(known.length
        ? [
            defectList(day, known, {
              label: "Put right",
              act: once(async (defect) => {
                await record(visit, [
                  { kind: "settle_defect", content: { defect: defect.id, how: "Put right on this visit" } },
                ]);
                redraw();
              }),
            }),
          ]
        : []),
      ...(draft.defects.length
        ? [
            defectList(
              day,
              draft.defects.map((/** @type {any} */ d) => ({
                ...d,
                settled: draft.putRight.includes(d.id) ? d.action : undefined,
              })),
              {
                label: "Leave out",
                act: (defect) => {
                  draft.defects = draft.defects.filter((/** @type {any} */ d) => d.id !== defect.id);
                  keep();
                  drawDefects();
                  update();
                },
              },
            ),
          ]
        : []),
      h(
        "div",
        { class: "row" },
        button([icon("caution"), "Defect"], () => void addDefect("")),
        photoField(draft.photos, keep),
      ),
    );

  const more = shellPart(form, () => update());
  const method = h("div");

  // --- the bar at the thumb ------------------------------------------------------------------------

  const scanOf = () => (proof ? { by, read, ...position() } : { by: "picked", read: "", ...position() });
  const save = once(async (/** @type {"serviced" | "failed"} */ outcome) => {
    const rows = checks.rows();
    const marks = Object.entries(draft.marks)
      .filter(([, mark]) => String(mark).trim())
      .map(([what, mark]) => ({ what, mark: String(mark).trim() }));
    const readings = measures.readings();
    const given = new Set(readings.map((r) => r.quantity));
    const content = {
      outcome,
      tasks: draft.tasks,
      checks: rows
        .map((/** @type {any} */ c) => ({
          code: c.code,
          answer:
            draft.answers[c.code] ||
            (draft.isAllWell && (!c.quantity || given.has(c.quantity)) ? "pass" : ""),
        }))
        .filter((/** @type {any} */ c) => c.answer),
      readings,
      ...(draft.tasks.some((/** @type {string} */ t) => TEST_TASKS.includes(t)) && draft.method
        ? { method: draft.method }
        : {}),
      parts: day.parts
        .filter((/** @type {any} */ p) => draft.parts[p.code] > 0)
        .map((/** @type {any} */ p) => ({ code: p.code, text: p.text, count: draft.parts[p.code] })),
      defects: draft.defects,
      marks,
      ...(draft.serial.trim() ? { serial: draft.serial.trim() } : {}),
      remarks: draft.remarks.trim(),
    };
    const acts = [
      {
        kind: "result",
        unit: unitId,
        ...(location ? { location: location.id } : {}),
        scan: scanOf(),
        photos: draft.photos.map((/** @type {any} */ p) => p.id),
        content,
        form: kept(),
      },
      ...draft.putRight
        .filter((/** @type {string} */ id) => draft.defects.some((/** @type {any} */ d) => d.id === id))
        .filter((/** @type {string} */ id) => !visit.acts.some((a) => a.content.defect === id && a.state !== "discarded"))
        .map((/** @type {string} */ id) => ({
          kind: "settle_defect",
          content: { defect: id, how: "Put right on the spot" },
        })),
    ];
    const stored = await record(visit, acts, {
      draft: key,
      photos: draft.photos,
      settles,
    });
    const act = stored.find((a) => a.kind === "result");
    sessionStorage.setItem(
      "undo",
      JSON.stringify({
        act: act?.id,
        words: `${stopName(stop)}: ${day.labels.result[outcome].toLowerCase()}`,
      }),
    );
    const following = next();
    say(`${stopName(stop)} recorded. ${following ? `Next ${stopName(following)}.` : "All have a result."}`);
    go(following ? `${unitAddress(visit, following.key)}?by=picked` : `close/${visitId}`, { replace: true });
  });

  const last = JSON.parse(sessionStorage.getItem("undo") ?? "null");
  sessionStorage.removeItem("undo");
  const foot = h("div", { class: "app-actions" });
  if (last) restFrom(foot);
  const said = h("p", { class: "app-lacking", role: "status" });
  const update = () => {
    const state = measures.update(draft.tasks);
    const faults = Object.values(state.faults);
    method.replaceChildren(
      ...(draft.tasks.some((/** @type {string} */ t) => TEST_TASKS.includes(t))
        ? [
            choices("How the pressure test was made", METHODS, draft.method, (value) => {
              draft.method = value;
              keep();
              update();
            }),
          ]
        : []),
    );
    const needsMethod =
      draft.tasks.some((/** @type {string} */ t) => TEST_TASKS.includes(t)) && !draft.method;
    const isFailing = failed() || state.outside.length > 0 || grave().length > 0;
    const following = next();
    const go_on = following ? `next ${stopName(following)}` : "done";
    let main;
    let words = "";
    if (isFailing) {
      const isSaid = draft.defects.length > 0 || draft.remarks.trim();
      words =
        (state.outside.length ? "A value is outside its limit: it cannot pass." : "") ||
        (isSaid ? "" : "Say what is wrong: a defect or a remark. The owner reads it on the certificate.");
      if (!faults.length && isSaid)
        main = button([icon("failed"), `Failed, ${go_on}`], () => void save("failed"), {
          class: "button-danger button-big app-next",
        });
      else
        main = button(
          faults.length ? "Correct the value" : "Say what is wrong",
          () => (faults.length ? undefined : void addDefect("")),
          { class: "button-big app-next" },
        );
    } else if (!draft.isAllWell) {
      words = draft.tasks.length ? "" : "Tick at least one task that is done.";
      main = button(
        [icon("done"), "All well"],
        () => {
          draft.isAllWell = true;
          keep();
          checks.draw();
          update();
          if (state.lacking.length) measures.focusLacking(draft.tasks);
        },
        { class: "button-main button-big app-next", disabled: !draft.tasks.length },
      );
    } else if (faults.length || state.lacking.length || needsMethod || !draft.tasks.length) {
      words =
        faults[0] ??
        state.lacking[0] ??
        (draft.tasks.length ? "Say how the pressure test was made." : "Tick at least one task that is done.");
      main = button("Value missing", () => measures.focusLacking(draft.tasks), {
        class: "button-big app-next",
      });
    } else {
      main = button([icon("done"), `Pass, ${go_on}`], () => void save("serviced"), {
        class: "button-main button-big app-next",
      });
    }
    said.textContent = words;
    foot.replaceChildren(
      said,
      h("a", { class: "button button-big", href: `#/event/${visitId}/${unitId}` }, "More"),
      main,
    );
  };

  drawDefects();
  update();

  // In the way of the first unit of a kind, and of no other.
  const isFirst = !round.all.some(
    (s) =>
      s !== stop && s.result && s.model.agent === model.agent && s.model.construction === model.construction,
  );
  const cautions = day.cautions
    .filter(
      (/** @type {any} */ c) =>
        ["handle", "open", "weigh"].includes(c.moment) &&
        c.kinds.some((/** @type {string} */ k) => k !== "all" && kinds.has(k)),
    )
    .slice(0, 2);
  const general = day.cautions
    .filter((/** @type {any} */ c) => c.moment === "handle" && c.kinds.includes("all"))
    .slice(0, 1);
  const heavy = heavyDue();
  const ended = unit.due.some((/** @type {any} */ d) => d.task === "retirement" && d.status === "overdue");
  return {
    title: stopName(stop),
    back: `visit/${visitId}`,
    onCode,
    body: h(
      "div",
      { class: "stack app-form" },
      last
        ? h(
            "p",
            { class: "app-undo" },
            icon("done"),
            h("span", null, last.words),
            button(
              "Take back",
              once(async () => {
                await undo(visit, last.act);
                say("Taken back.");
                redraw();
              }),
            ),
          )
        : null,
      head,
      identity,
      stop.elsewhere
        ? notice(
            "soon",
            "caution",
            h(
              "p",
              null,
              `A colleague recorded this unit at ${clock(stop.elsewhere.at)}: ${day.labels.result[stop.elsewhere.outcome].toLowerCase()}. What you record is kept beside it.`,
            ),
          )
        : null,
      ended
        ? notice("overdue", "overdue", h("p", null, "End of life: it cannot pass. Exchange or condemn it."))
        : null,
      heavy.length
        ? notice(
            "soon",
            "caution",
            h(
              "p",
              null,
              `${heavy.map((/** @type {any} */ d) => taskWord(d.task)).join(", ")} due: workshop work. Lend a unit and take this one along, or exchange it.`,
            ),
            h(
              "p",
              null,
              h("a", { class: "button", href: `#/event/${visitId}/${unitId}/lend` }, "Lend a unit"),
            ),
          )
        : null,
      isFirst && (cautions.length || general.length)
        ? notice(
            "soon",
            "caution",
            ...[...cautions, ...general].map((/** @type {any} */ c) => h("p", null, c.text)),
          )
        : null,
      unit.doubts?.length ? notice("unknown", "unknown", h("p", null, unit.doubts.join(" "))) : null,
      measures.box,
      method,
      dues,
      checks.node,
      defects,
      more,
      Object.keys(draft.given).some((code) => draft.given[code].value) || draft.isAllWell
        ? h(
            "p",
            null,
            button(
              "Empty this form",
              async () => {
                await dropDraft(key);
                redraw();
              },
              { class: "button-quiet" },
            ),
          )
        : null,
    ),
    foot,
  };
};
