"""Laying a plan out in rows: clock times of every stop, sums of every day, what changed and who did it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import Depot
from schedules.crew.rules import Rules
from schedules.planning import checker
from schedules.planning.model import Plan, Reason
from schedules.planning.timetable import Timetable, bill, timetable
from schedules.routes.models import PlanChange, PlanDay, PlanStop, RoutePlan
from schedules.routes.problem import Built, Held, build, shift_key
from schedules.visits.models import Visit

SHOWN_CHANGES = 5
NOT_PLANNED = {"code": "not_planned", "text": "It has no place in this plan yet."}
STOP_FIELDS = (
    "technician_id",
    "on",
    "position",
    "arrives_s",
    "starts_s",
    "ends_s",
    "drive_s",
    "drive_m",
    "work_s",
    "pin_technician_id",
    "pin_on",
    "pin_from_s",
    "pin_until_s",
    "is_excluded",
    "why_out",
)
DAY_FIELDS = (
    "shift_start_s",
    "shift_end_s",
    "leaves_s",
    "returns_s",
    "lunch_s",
    "lunch_length_s",
    "drive_s",
    "drive_m",
    "home_drive_s",
    "work_s",
    "wait_s",
    "overtime_s",
)


@dataclass(slots=True)
class Opened:
    """A plan read for a change: rows, problem and the plan as it stands."""

    row: RoutePlan
    stops: dict[int, PlanStop]
    built: Built
    plan: Plan
    before: dict[int, Spot]
    stored: dict[int, tuple[Any, ...]]
    """The stop fields as they were read, so that only what differs is written."""

    def visit(self, visit_id: int) -> Visit:
        """The visit of a stop."""
        return self.stops[visit_id].visit


@dataclass(frozen=True, slots=True)
class Spot:
    """Where one stop stands and what the hand has fixed: what a change remembers for its undoing."""

    visit_id: int
    technician_id: int | None
    on: date | None
    position: int
    pin_technician_id: int | None
    pin_on: date | None
    pin_from_s: int | None
    pin_until_s: int | None
    is_excluded: bool

    @staticmethod
    def of(stop: PlanStop) -> Spot:
        """The spot of ``stop``."""
        return Spot(
            stop.visit_id,
            stop.technician_id,
            stop.on,
            stop.position,
            stop.pin_technician_id,
            stop.pin_on,
            stop.pin_from_s,
            stop.pin_until_s,
            stop.is_excluded,
        )

    def put_on(self, stop: PlanStop) -> None:
        """Set ``stop`` to this spot (not saved); its times are to be worked out anew."""
        stop.technician_id, stop.on, stop.position = self.technician_id, self.on, self.position
        stop.pin_technician_id, stop.pin_on = self.pin_technician_id, self.pin_on
        stop.pin_from_s, stop.pin_until_s = self.pin_from_s, self.pin_until_s
        stop.is_excluded = self.is_excluded
        stop.starts_s = None

    def as_json(self) -> dict[str, Any]:
        """A plain value for storing."""
        return {
            "visit": self.visit_id,
            "technician": self.technician_id,
            "on": self.on.isoformat() if self.on else None,
            "position": self.position,
            "pin_technician": self.pin_technician_id,
            "pin_on": self.pin_on.isoformat() if self.pin_on else None,
            "pin_from_s": self.pin_from_s,
            "pin_until_s": self.pin_until_s,
            "is_excluded": self.is_excluded,
        }

    @staticmethod
    def from_json(stored: Mapping[str, Any]) -> Spot:
        """What ``as_json`` stored."""
        return Spot(
            stored["visit"],
            stored["technician"],
            date.fromisoformat(stored["on"]) if stored["on"] else None,
            stored["position"],
            stored["pin_technician"],
            date.fromisoformat(stored["pin_on"]) if stored["pin_on"] else None,
            stored["pin_from_s"],
            stored["pin_until_s"],
            stored["is_excluded"],
        )


def opened(
    row: RoutePlan, *, now: datetime, with_visits: Iterable[Visit] = (), spots: Iterable[Spot] = ()
) -> Opened:
    """Read ``row`` for a change; ``with_visits`` become part of it, ``spots`` override what is stored.

    A visit that was cancelled meanwhile is left out of the problem; so is one kept out by hand.
    """
    stops = {
        stop.visit_id: stop
        for stop in PlanStop.objects.filter(plan=row)
        .select_related("visit__site__owner", "visit__site__depot", "visit__technician")
        .order_by("technician_id", "on", "position", "pk")
    }
    before = {visit_id: Spot.of(stop) for visit_id, stop in stops.items()}
    stored = {visit_id: _values(stop, STOP_FIELDS) for visit_id, stop in stops.items()}
    for visit in with_visits:
        stops.setdefault(visit.pk, PlanStop(plan=row, visit=visit))
    for spot in spots:
        if spot.visit_id in stops:
            spot.put_on(stops[spot.visit_id])
    included = [
        stop.visit
        for stop in stops.values()
        if not stop.is_excluded and stop.visit.state != Visit.State.CANCELLED
    ]
    built = build(
        included,
        depots=depots_of(row),
        first_on=row.first_on,
        days=row.days,
        rules=Rules.of(row.rules),
        now=now,
        held={stop.visit_id: held_of(stop) for stop in stops.values()},
    )
    ordered = sorted(
        stops.values(), key=lambda s: (s.technician_id or 0, s.on or date.min, s.position, s.visit_id)
    )
    return Opened(row, stops, built, plan_of(built, ordered), before, stored)


def _values(row: Any, names: Iterable[str]) -> tuple[Any, ...]:
    return tuple(getattr(row, name) for name in names)


def held_of(stop: PlanStop) -> Held:
    """What the hand has fixed about a stop."""
    return Held(
        stop.technician_id,
        stop.on,
        stop.starts_s,
        stop.pin_technician_id,
        stop.pin_on,
        stop.pin_from_s,
        stop.pin_until_s,
    )


def plan_of(built: Built, stops: Iterable[PlanStop]) -> Plan:
    """The plan that ``stops`` (in driving order) describe, as far as its days still exist."""
    routes: dict[str, list[str]] = {}
    left_out: dict[str, Reason] = {}
    for stop in stops:
        key = str(stop.visit_id)
        if key not in built.visits:
            continue
        shift = None
        if stop.technician_id is not None and stop.on is not None:
            shift = shift_key(stop.technician_id, (stop.on - built.first_on).days)
        if shift in built.days:
            routes.setdefault(str(shift), []).append(key)
        else:
            said = stop.why_out[0] if stop.why_out else NOT_PLANNED
            left_out[key] = Reason(said["code"], said["text"])
    return Plan({key: tuple(keys) for key, keys in routes.items()}, left_out)


def mended(found: Opened) -> tuple[str, ...]:
    """Take out of ``found`` what can no longer be driven, because facts changed since; return whose visits.

    Hours, skills, durations or driving times may have changed after a plan was made. What the hand
    pinned goes last. A plan that is sound stays as it is.
    """
    problem = found.built.problem
    routes, gone = {}, []
    for key, stops in found.plan.routes.items():
        shift = problem.shift[key]
        kept = [stop for stop in stops if problem.bars(problem.stop[stop], shift) is None]
        while kept and timetable(problem, shift, kept) is None:
            without = {stop: [it for it in kept if it != stop] for stop in kept}
            helps = [stop for stop in kept if timetable(problem, shift, without[stop]) is not None]
            kept.remove(
                min(
                    helps or kept,
                    key=lambda stop: (
                        problem.stop[stop].pin is not None,
                        problem.prices.leaving_out(problem.stop[stop]),
                        -problem.stop[stop].service_s,
                    ),
                )
            )
        routes[key] = tuple(kept)
        gone += [stop for stop in stops if stop not in kept]
    if gone:
        reason = Reason(
            "facts_changed", "It no longer fits where it stood: hours, work or shifts changed since."
        )
        found.plan = Plan(routes, {**found.plan.left_out, **dict.fromkeys(gone, reason)})
    return tuple(found.built.visits[stop].number for stop in gone)


def lay_out(found: Opened, plan: Plan) -> list[Timetable | None]:
    """Put times and places of ``plan`` into the stops of ``found`` (not saved yet)."""
    built, problem = found.built, found.built.problem
    seen: set[int] = set()
    tables: list[Timetable | None] = []
    for key, keys in plan.routes.items():
        technician_id, on = built.day_of(key)
        table = timetable(problem, problem.shift[key], keys)
        tables.append(table)
        for position, stop_key in enumerate(keys):
            stop = found.stops[int(stop_key)]
            seen.add(stop.visit_id)
            stop.technician_id, stop.on, stop.position = technician_id, on, position
            stop.work_s = problem.stop[stop_key].service_s
            stop.why_out = []
            call = table.calls[position] if table is not None else None
            stop.arrives_s = call.arrives_s if call else None
            stop.starts_s = call.starts_s if call else None
            stop.ends_s = call.ends_s if call else None
            stop.drive_s = call.drive_s if call else 0
            stop.drive_m = call.metres if call else 0
    for visit_id, stop in found.stops.items():
        if visit_id in seen:
            continue
        stop.technician_id = stop.on = stop.arrives_s = stop.starts_s = stop.ends_s = None
        stop.position = stop.drive_s = stop.drive_m = 0
        key = str(visit_id)
        if key in problem.stop:
            stop.work_s = problem.stop[key].service_s
        if stop.visit.state == Visit.State.CANCELLED:
            reason = Reason("cancelled", "The visit was cancelled.")
        elif stop.is_excluded:
            reason = Reason("by_hand", "Kept out by hand.")
        else:
            reason = plan.left_out.get(key, Reason(**NOT_PLANNED))
        stop.why_out = [{"code": reason.code, "text": reason.text}]
    return tables


def days_of(found: Opened, plan: Plan) -> list[PlanDay]:
    """A row for every technician's day of the problem, also the empty ones, with the sums of ``plan``."""
    problem = found.built.problem
    rows = []
    for key, day in found.built.days.items():
        shift = problem.shift[key]
        keys = plan.routes.get(key, ())
        row = PlanDay(
            plan=found.row,
            technician_id=day.member.technician_id,
            on=day.on,
            shift_start_s=shift.starts_s,
            shift_end_s=shift.ends_s,
            lunch_length_s=shift.pause.length_s if shift.pause else 0,
        )
        table = timetable(problem, shift, keys) if keys else None
        if table is not None:
            row.leaves_s, row.returns_s, row.lunch_s = table.leaves_s, table.returns_s, table.pause_starts_s
            row.drive_s, row.drive_m = table.drive_s, table.metres
            row.home_drive_s = table.drive_s - sum(call.drive_s for call in table.calls)
            row.work_s, row.wait_s, row.overtime_s = table.service_s, table.waiting_s, table.overtime_s
        rows.append(row)
    return rows


def totals_of(built: Built, plan: Plan) -> dict[str, Any]:
    """Sums of a plan, and what it costs by the rules of the plan."""
    problem = built.problem
    sums = {"drive_s": 0, "drive_m": 0, "work_s": 0, "wait_s": 0, "overtime_s": 0}
    shift_s = late = late_before = used = unsound = 0
    for key, keys in plan.routes.items():
        if not keys:
            continue
        used += 1
        on = built.first_on + timedelta(days=problem.shift[key].day)
        latest = [day for k in keys if (day := built.visits[k].latest_on) is not None and day < on]
        late += len(latest)
        late_before += sum(day < built.first_on for day in latest)
        table = timetable(problem, problem.shift[key], keys)
        if table is None:
            unsound += 1
            continue
        sums["drive_s"] += table.drive_s
        sums["drive_m"] += table.metres
        sums["work_s"] += table.service_s
        sums["wait_s"] += table.waiting_s
        sums["overtime_s"] += table.overtime_s
    for shift in problem.shifts:
        shift_s += shift.ends_s - shift.starts_s
    spent = None if unsound else bill(problem, plan)
    planned = sum(len(keys) for keys in plan.routes.values())
    where = plan.where()
    left_due = sum(stop.priority == 3 for key, stop in problem.stop.items() if key not in where)
    return {
        **sums,
        "shift_s": shift_s,
        "planned": planned,
        "left_out": len(problem.stops) - planned,
        "left_out_due": left_due,
        "late": late,
        "late_before": late_before,
        "days_used": used,
        "days_unsound": unsound,
        # What the last change cost in moves is told with the change; two plans are compared without it.
        "cost_60": spent.total_60 - spent.moved_60 if spent is not None else None,
    }


@transaction.atomic
def write(
    found: Opened,
    plan: Plan,
    *,
    kind: str,
    sentence: str,
    by: Person | None,
    now: datetime,
    undoes: PlanChange | None = None,
    extra_before: Iterable[Mapping[str, Any]] = (),
    extra_after: Iterable[Mapping[str, Any]] = (),
) -> PlanChange:
    """Store ``plan`` as the next version of its row.

    Raises ``Conflict`` when somebody else changed the plan since it was read; nothing is written then.
    """
    row = found.row
    lay_out(found, plan)
    verdict = checker.check(found.built.problem, plan)
    problems = [_breach_said(found, breach) for breach in verdict.breaches]
    totals = totals_of(found.built, plan)
    claim(row, row.version, totals=totals, problems=problems, travel_note=found.built.travel_note[:300])
    after = {visit_id: Spot.of(stop) for visit_id, stop in found.stops.items()}
    PlanStop.objects.bulk_create(
        [stop for visit_id, stop in found.stops.items() if visit_id not in found.stored], batch_size=200
    )
    # Only what differs: a drag must not rewrite a week.
    PlanStop.objects.bulk_update(
        [
            stop
            for visit_id, stop in found.stops.items()
            if visit_id in found.stored and _values(stop, STOP_FIELDS) != found.stored[visit_id]
        ],
        [name.removesuffix("_id") for name in STOP_FIELDS],
        batch_size=40,
    )
    _write_days(row, days_of(found, plan))
    before = found.before
    changed = [visit_id for visit_id, spot in after.items() if before.get(visit_id) != spot]
    return PlanChange.objects.create(
        plan=row,
        version=row.version,
        kind=kind,
        sentence=sentence[:300],
        undoes=undoes,
        before=[
            *(before[visit_id].as_json() for visit_id in changed if visit_id in before),
            *extra_before,
        ],
        after=[*(after[visit_id].as_json() for visit_id in changed), *extra_after],
        made_by_id=by.pk if by is not None else None,
        made_at=now,
    )


def _breach_said(found: Opened, breach: checker.Breach) -> str:
    """A broken rule with the names that people know."""
    parts = []
    if breach.stop is not None and breach.stop in found.built.visits:
        visit = found.built.visits[breach.stop]
        parts.append(f"{visit.number} {visit.site.name}")
    if breach.shift is not None and breach.shift in found.built.days:
        day = found.built.days[breach.shift]
        parts.append(f"{day.member.technician.display_name}, {day.on:%a %d %b}")
    return f"{'; '.join(parts)}: {breach.text}" if parts else breach.text


def _write_days(row: RoutePlan, days: Iterable[PlanDay]) -> None:
    stored = {(day.technician_id, day.on): day for day in PlanDay.objects.filter(plan=row)}
    new, differing = [], []
    for day in days:
        known = stored.pop((day.technician_id, day.on), None)
        if known is None:
            new.append(day)
        elif _values(known, DAY_FIELDS) != _values(day, DAY_FIELDS):
            day.pk = known.pk
            differing.append(day)
    PlanDay.objects.filter(pk__in=[day.pk for day in stored.values()]).delete()
    PlanDay.objects.bulk_update(differing, DAY_FIELDS, batch_size=40)
    PlanDay.objects.bulk_create(new, batch_size=200)


def claim(row: RoutePlan, version: int, **fields: Any) -> None:
    """Raise the plan's version by one and set ``fields``; ``Conflict`` when it is no longer ``version``."""
    moved = (
        RoutePlan.objects.filter(pk=row.pk, version=version)
        .exclude(state=RoutePlan.State.LAID_ASIDE)
        .update(version=F("version") + 1, **fields)
    )
    if not moved:
        refuse_stale(row, version)
    row.version = version + 1
    for name, value in fields.items():
        setattr(row, name, value)


def refuse_stale(row: RoutePlan, version: int) -> None:
    """Raise ``Conflict`` that tells what others did to the plan since ``version``."""
    now = RoutePlan.objects.values_list("version", "state").get(pk=row.pk)
    if now[1] == RoutePlan.State.LAID_ASIDE:
        raise Conflict("plan_laid_aside", f"Plan {row.number} was laid aside; open the plan in force.")
    since = PlanChange.objects.filter(plan=row, version__gt=version).select_related("made_by").order_by("pk")
    said = [
        f"{change.made_by.display_name if change.made_by else 'The program'}: {change.sentence}"
        for change in since[:SHOWN_CHANGES]
    ]
    raise Conflict(
        "plan_changed",
        f"Plan {row.number} was changed by somebody else meanwhile; your change was not made. "
        + " ".join(said),
        version=now[0],
        changes=said,
    )


def depots_of(row: RoutePlan) -> list[Depot]:
    """The depots that are planned together, the plan's own first."""
    ids = row.rules.get("depots", [])
    found = Depot.objects.in_bulk(ids)
    return [found[pk] for pk in ids if pk in found]


def last_on(row: RoutePlan) -> date:
    """The last day of a plan."""
    return row.first_on + timedelta(days=row.days - 1)
