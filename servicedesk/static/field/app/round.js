// @ts-check
/**
 * What the acts of a visit come to: where each unit hangs now, which result counts, what is still open,
 * whether the counts reconcile. Pure: the stored day and acts in, plain values out.
 */

/**
 * One thing that was done, as recorded on this phone or fetched from the server.
 * @typedef {{id: string, person: string, visit: string, kind: string, seq: number, device_at: string, unit?: string,
 *   location?: string, scan?: any, photos?: string[], content: any, state: "waiting" | "sent" | "refused" | "discarded",
 *   answer?: any, tried?: boolean, discarded_because?: string, settled_by?: string, at?: string, by?: {id: string, name: string},
 *   undone?: boolean, device?: string, place?: string, form?: any}} Act
 */
/** @typedef {"serviced" | "failed" | "replaced" | "removed" | "not_found" | "no_access"} Outcome */
/** @typedef {{act: string, outcome: Outcome, kind: string, by: string, at: string, state: string, content: any}} Result */
/**
 * @typedef {{unit: any, model: any, location: any, jobs: any[], listed: boolean, isNew: boolean, result: Result | null,
 *   elsewhere: Result | null, defects: any[], key: string}} Stop
 */

export const OUTCOMES = /** @type {Outcome[]} */ ([
  "serviced",
  "failed",
  "replaced",
  "removed",
  "not_found",
  "no_access",
]);

/** How a unit's result is counted; null for acts that give none. @param {{kind: string, content: any}} act @returns {Outcome | null} */
export const outcomeOf = ({ kind, content }) => {
  switch (kind) {
    case "result":
      return content.outcome;
    case "not_found":
    case "no_access":
      return kind;
    case "exchange":
      return "replaced";
    case "condemn":
      return content.replacement ? "replaced" : "removed";
    case "lend":
    case "to_workshop":
      return "removed";
    case "used":
      return content.stays ? "failed" : "removed";
    default:
      return null;
  }
};

/**
 * What stood in the form that a refused act came from: it is corrected, not typed again. Sent again as it was,
 * an act has no form of its own; then it is that of the one it took the place of.
 * @param {Act[]} acts @param {string | undefined} id @returns {any}
 */
export const formOf = (acts, id) => {
  const act = id ? acts.find((one) => one.id === id) : undefined;
  if (!act) return null;
  return act.form ?? formOf(acts, acts.find((one) => one.settled_by === act.id)?.id);
};

/** When it happened by the better clock, in one spelling. @param {Act} act */
const instant = (act) => new Date(act.at ?? act.device_at).toISOString();

/**
 * Everything that stands, in order: one phone's acts by their numbers, several phones' by the clock.
 * Refused acts stand until somebody settles them: what was seen on site was seen.
 * @param {Act[]} acts
 */
export const standing = (acts) => {
  const undone = new Set(
    acts.filter((a) => a.kind === "undo" && a.state !== "discarded").map((a) => a.content.act),
  );
  /** @type {Map<string, Act[]>} */
  const byDevice = new Map();
  for (const act of acts) {
    if (act.state === "discarded" || act.undone || act.kind === "undo" || undone.has(act.id)) continue;
    byDevice.set(act.device ?? "", [...(byDevice.get(act.device ?? "") ?? []), act]);
  }
  const placed = [...byDevice].flatMap(([device, own]) => {
    let latest = "";
    // A clock that was put back must not carry an act before the one that came before it.
    return own
      .sort((a, b) => a.seq - b.seq)
      .map((act) => ({ act, device, at: (latest = instant(act) > latest ? instant(act) : latest) }));
  });
  placed.sort((a, b) =>
    a.at < b.at
      ? -1
      : a.at > b.at
        ? 1
        : a.device < b.device
          ? -1
          : a.device > b.device
            ? 1
            : a.act.seq - b.act.seq,
  );
  return placed.map(({ act }) => act);
};

const collator = new Intl.Collator("en", { numeric: true });
/** Walking order: as the register says, then by names as people read them. @param {Stop} a @param {Stop} b */
const byWalk = (a, b) => {
  if (!a.location || !b.location)
    return a.location ? -1 : b.location ? 1 : collator.compare(a.unit.number, b.unit.number);
  return (
    a.location.walking_order - b.location.walking_order ||
    collator.compare(a.location.building, b.location.building) ||
    collator.compare(a.location.floor, b.location.floor) ||
    collator.compare(a.location.number, b.location.number) ||
    collator.compare(a.unit.number, b.unit.number)
  );
};

/**
 * The round of one visit: every unit on the list or with a result, in walking order.
 * @param {{day: any, visit: any, site: {units: any[], locations: any[], defects: any[]}}} stored
 * @param {Act[]} acts  own and colleagues', of this site
 * @returns {{stops: Stop[], all: Stop[], problems: any[], locations: any[], byUnit: Map<string, Stop>, isClosed: boolean}}
 */
export const roundOf = ({ day, visit, site }, acts) => {
  const models = new Map(day.models.map((/** @type {any} */ m) => [m.id, m]));
  const locations = new Map(site.locations.map((l) => [l.id, l]));
  const here = standing(acts);
  /** @type {Map<string, Stop>} */
  const byUnit = new Map();
  /** @param {any} unit */
  const add = (unit, isNew = false) => {
    const stop = {
      unit,
      model: models.get(unit.model) ?? {
        id: "",
        text: "Kind not known",
        agent: "unknown",
        construction: "unknown",
        ...unit.kind,
      },
      location: locations.get(unit.location) ?? null,
      jobs: [],
      listed: false,
      isNew,
      result: null,
      elsewhere: null,
      defects: [],
      key: unit.id,
    };
    byUnit.set(unit.id, stop);
    return stop;
  };
  for (const unit of site.units) {
    const stop = add(unit);
    const { entry } = unit;
    if (entry) {
      stop.result = {
        act: entry.act,
        outcome: entry.result,
        kind: "result",
        by: entry.by?.name ?? entry.by ?? "",
        at: entry.device_at,
        state: "sent",
        content: entry,
      };
    }
  }
  for (const job of visit.jobs) {
    const stop = byUnit.get(job.unit);
    if (!stop) continue;
    stop.jobs.push(job);
    stop.listed = true;
  }
  for (const defect of site.defects) byUnit.get(defect.unit)?.defects.push({ ...defect, isOld: true });
  const problems = site.defects.filter((d) => d.location && !d.unit).map((d) => ({ ...d, isOld: true }));

  for (const act of here) {
    const { kind, content } = act;
    if (content.new_location && !locations.has(content.new_location.id)) {
      locations.set(content.new_location.id, {
        building: "",
        floor: "",
        description: "",
        walking_order: 1e6,
        ...content.new_location,
      });
    }
    const place = locations.get(act.location ?? content.new_location?.id) ?? null;
    if (kind === "add_unit" && act.unit && !byUnit.has(act.unit)) {
      const number = content.number || content.serial || "New unit";
      const stop = add(
        {
          id: act.unit,
          number,
          serial: content.serial ?? "",
          model: content.model,
          kind: content.kind,
          state: "in_service",
          due: [],
          last: [],
          readings: [],
          made: { text: content.made ?? "" },
        },
        true,
      );
      stop.location = place;
    }
    const stop = byUnit.get(act.unit ?? "");
    if (kind === "move_unit" && stop && place) stop.location = place;
    if (kind === "swap_units" && stop) {
      const other = byUnit.get(content.other);
      if (other) [stop.location, other.location] = [other.location, stop.location];
    }
    const outcome = outcomeOf(act);
    if (stop && outcome) {
      const result = {
        act: act.id,
        outcome,
        kind,
        by: act.by?.name ?? "",
        at: instant(act),
        state: act.state,
        content,
      };
      // A colleague on another visit to these premises: said, but not counted here.
      stop[act.visit === visit.id ? "result" : "elsewhere"] = result;
    }
    const found = [...(kind === "defect" ? [content] : []), ...(content.defects ?? [])];
    if (stop) stop.defects.push(...found.map((d) => ({ ...d, act: act.id })));
    if (kind === "location_problem") problems.push({ ...content, location: act.location, act: act.id });
    if (kind === "settle_defect") {
      const settled = [...problems, ...[...byUnit.values()].flatMap((s) => s.defects)].find(
        (d) => d.id === content.defect,
      );
      if (settled) settled.settled = content.how;
    }
  }
  const all = [...byUnit.values()].sort(byWalk);
  return {
    all,
    stops: all.filter((stop) => stop.listed || stop.isNew || stop.result),
    problems,
    locations: [...locations.values()],
    byUnit,
    isClosed:
      visit.state === "closed" ||
      here.some((a) => a.kind === "close" && a.visit === visit.id && a.state !== "refused"),
  };
};

/** Units of the list without a result. @param {Stop[]} stops */
export const openStops = (stops) => stops.filter((stop) => (stop.listed || stop.isNew) && !stop.result);

/** The next one to go to, walking on from a unit and round again. @param {Stop[]} stops @param {string} [unit] */
export const nextStop = (stops, unit) => {
  const at = stops.findIndex((stop) => stop.key === unit) + 1;
  return (
    [...stops.slice(at), ...stops.slice(0, at)].find(
      (s) => (s.listed || s.isNew) && !s.result && s.key !== unit,
    ) ?? null
  );
};

/** How many units ended each way. @param {Stop[]} stops @returns {Record<Outcome, number>} */
export const tally = (stops) => {
  const counts = /** @type {Record<Outcome, number>} */ (Object.fromEntries(OUTCOMES.map((o) => [o, 0])));
  for (const { result } of stops) if (result) counts[result.outcome] += 1;
  return counts;
};

/** Stops under the name of building and floor, as one walks past them. @param {Stop[]} stops @returns {[string, Stop[]][]} */
export const byPlace = (stops) => {
  /** @type {[string, Stop[]][]} */
  const groups = [];
  for (const stop of stops) {
    const name = stop.location
      ? [stop.location.building, stop.location.floor].filter(Boolean).join(", ") || "Site"
      : "Place not known";
    if (groups.at(-1)?.[0] !== name) groups.push([name, []]);
    groups[groups.length - 1][1].push(stop);
  }
  return groups;
};

/** @param {string} text */
const plain = (text) =>
  String(text ?? "")
    .normalize("NFKC")
    .toUpperCase()
    .replaceAll(/[\s._-]/g, "");

/** A text as it was read, and its end: a label may hold an address that ends with the number. @param {string} read */
const spellings = (read) => [
  plain(read),
  plain(
    read
      .split(/[/?#=]/)
      .filter(Boolean)
      .at(-1) ?? "",
  ),
];

/**
 * By what a scanned or typed text proves a unit: its label or number, or its serial. Its place proves
 * nothing: another unit may hang there.
 * @param {any} unit @param {string} read @returns {"label" | "serial" | ""}
 */
export const proofOf = (unit, read) => {
  const wanted = spellings(read).filter(Boolean);
  if ([unit.label, unit.number, ...(unit.once ?? [])].some((t) => wanted.includes(plain(t)))) return "label";
  return wanted.includes(plain(unit.serial)) ? "serial" : "";
};

/**
 * The units that a scanned or typed text names: exactly, by label, number, serial or place.
 * @param {Stop[]} stops
 * @param {string} read
 * @returns {Stop[]}
 */
export const named = (stops, read) => {
  const wanted = spellings(read);
  if (!wanted[0]) return [];
  /** @param {(stop: Stop) => string[]} of */
  const by = (of) => stops.filter((stop) => of(stop).some((t) => wanted.includes(plain(t) || "\u0000")));
  for (const of of [
    (/** @type {Stop} */ s) => [s.unit.label],
    (/** @type {Stop} */ s) => [s.unit.number],
    (/** @type {Stop} */ s) => s.unit.once ?? [],
    (/** @type {Stop} */ s) => [s.unit.serial],
    (/** @type {Stop} */ s) => [s.location?.number ?? ""],
    (/** @type {Stop} */ s) => s.location?.once ?? [],
  ]) {
    const found = by(of);
    if (found.length) return found;
  }
  return [];
};

/** Units that a typed text could mean. @param {Stop[]} stops @param {string} typed */
export const matching = (stops, typed) => {
  const wanted = plain(typed);
  if (!wanted) return stops;
  return stops.filter((s) =>
    [
      s.unit.number,
      s.unit.serial,
      ...(s.unit.once ?? []),
      s.location?.number,
      ...(s.location?.once ?? []),
      s.location?.description,
      s.location?.building,
      s.location?.floor,
      s.model.text,
    ].some((t) => plain(t).includes(wanted)),
  );
};

/** What the people on site have to hear before the technician leaves. @param {Stop[]} stops @param {any[]} problems */
export const toReadOut = (stops, problems) => ({
  units: stops.filter(
    (s) =>
      (s.result && !["serviced"].includes(s.result.outcome)) ||
      s.defects.some((d) => !d.settled && d.severity === "critical"),
  ),
  problems: problems.filter((p) => !p.settled),
});
