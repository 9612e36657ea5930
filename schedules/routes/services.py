"""Making plans and changing them by hand: the hand wins, and every refusal says why."""

from __future__ import annotations

import time as clock
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import Depot, Site
from inventory.register.services import draw_numbers
from schedules.crew.models import Absence, CrewMember
from schedules.crew.queries import rules_now
from schedules.crew.rules import Rules
from schedules.crew.services import add_absence
from schedules.planning import checker
from schedules.planning.engine import Add, Cut, Exclude, Place, Release, replan, solve
from schedules.planning.model import Plan
from schedules.planning.timetable import timetable
from schedules.routes.models import PlanChange, PlanStop, RoutePlan
from schedules.routes.problem import Note, build, nearest_depot, shift_key, shift_of_zones
from schedules.routes.store import (
    Opened,
    Spot,
    claim,
    depots_of,
    mended,
    opened,
    refuse_stale,
    write,
)
from schedules.routes.ways import WayIn, ways
from schedules.visits.models import Visit
from schedules.visits.planned import Assignment, Written, add_urgent_visit, write_assignments
from schedules.visits.proposing import propose_visits

QUICK_S = 0.4
DRAG_S = 0.4
SAID_SPOTS = 5
DAY_S = 86_400
Kind = PlanChange.Kind


@dataclass(frozen=True, slots=True)
class Shifted:
    """A visit that a change moved: where it was, where it is; ``None`` stands for left out."""

    visit: Visit
    was: tuple[int, date, int | None] | None
    now: tuple[int, date, int | None] | None


@dataclass(frozen=True, slots=True)
class Done:
    """What a change came to. ``refused`` says why it could not be made; the plan is as before then."""

    plan: RoutePlan
    sentence: str
    moved: tuple[Shifted, ...] = ()
    refused: str = ""
    ways: tuple[WayIn, ...] = ()
    cost_before_60: int | None = None
    cost_60: int | None = None
    seconds: float = 0.0
    notes: tuple[Note, ...] = field(default=())


# --- making ------------------------------------------------------------------------------------------


def candidates(
    depots: Sequence[Depot], *, first_on: date, days: int, rules: Rules, all_depots: Sequence[Depot]
) -> list[Visit]:
    """Open visits of the territory that are planned or due by the end of the plan, or soon after."""
    reach = first_on + timedelta(days=days - 1 + rules.reach_days)
    wanted = {depot.pk for depot in depots}
    rows = (
        Visit.objects.filter(state__in=Visit.OPEN)
        .filter(Q(planned_on__lte=reach) | Q(latest_on__lte=reach))
        .filter(Q(site__depot__in=wanted) | Q(site__depot__isnull=True))
        .select_related("site__owner", "site__depot", "technician")
        .order_by("planned_on", "number", "pk")
    )
    found = []
    for visit in rows:
        if visit.promised_at is not None and not (
            first_on <= visit.planned_on < first_on + timedelta(days=days)
        ):
            continue
        if visit.site.depot_id is None and nearest_depot(visit.site, all_depots).pk not in wanted:
            continue
        found.append(visit)
    return found


def make_plan(
    depots: Sequence[Depot],
    *,
    first_on: date,
    days: int,
    by: Person | None,
    now: datetime,
    propose: bool = True,
    seconds: float | None = None,
    seed: int = 1,
) -> Done:
    """Plan ``days`` from ``first_on`` for the technicians and sites of ``depots``; the first answer is quick.

    With ``propose`` visits are first proposed for what falls due by then. Raises ``ValidationError``
    when nobody or nothing can be planned, with what to do about it.
    """
    started = clock.perf_counter()
    if not depots:
        raise ValidationError({"depot": "Enter a depot first: technicians start from there."})
    last = first_on + timedelta(days=days - 1)
    today = now.astimezone(ZoneInfo(depots[0].time_zone)).date()
    if last < today:
        raise ValidationError({"first_on": f"These days have passed. Choose {today} or later."})
    for depot in depots:
        if depot.latitude is None:
            raise ValidationError(
                {"depot": f"{depot.name} has no coordinates. Enter them on the page of depots."}
            )
    rules = rules_now()
    all_depots = list(Depot.objects.all())
    if propose:
        _propose_due(depots, all_depots, last + timedelta(days=rules.reach_days), today, by=by, now=now)
    visits = candidates(depots, first_on=first_on, days=days, rules=rules, all_depots=all_depots)
    built = build(visits, depots=depots, first_on=first_on, days=days, rules=rules, now=now)
    if not built.days:
        raise ValidationError(
            {
                "depot": "No technician of this depot works on these days. Enter shifts under Crew, "
                "or look at absences."
            }
        )
    if not visits:
        raise ValidationError(
            {"first_on": "Nothing is planned or falls due by then: there is no visit to drive to."}
        )
    if seconds is None:
        # The first answer stands in under a second, reading and writing included; better ones follow.
        seconds = QUICK_S
    outcome = solve(built.problem, seconds=seconds, seed=seed)
    row = RoutePlan(
        number="",
        depot=depots[0],
        first_on=first_on,
        days=days,
        seed=seed,
        rules={**rules.differences(), "depots": [depot.pk for depot in depots]},
        made_by_id=by.pk if by is not None else None,
        version=0,
    )
    with transaction.atomic():
        row.number = f"R-{draw_numbers('route plan', 1)[0]:05d}"
        row.save()
        found = Opened(row, {}, built, Plan({}, {}), {}, {})
        found.stops = {visit.pk: PlanStop(plan=row, visit=visit) for visit in visits}
        served = sum(len(keys) for keys in outcome.plan.routes.values())
        sentence = f"Planned {served} of {len(visits)} visits for {len(built.days)} technician-days."
        write(found, outcome.plan, kind=Kind.MADE, sentence=sentence, by=by, now=now)
    faults = tuple(Note(fault.code, fault.text) for fault in outcome.faults)
    return Done(
        row,
        sentence,
        cost_60=outcome.cost_60,
        seconds=clock.perf_counter() - started,
        notes=(*built.notes, *faults),
    )


def _propose_due(
    depots: Sequence[Depot],
    all_depots: Sequence[Depot],
    until: date,
    today: date,
    *,
    by: Person | None,
    now: datetime,
) -> None:
    wanted = {depot.pk for depot in depots}
    sites = [
        site
        for site in Site.objects.filter(Q(depot__in=wanted) | Q(depot__isnull=True)).order_by("pk")
        if site.depot_id is not None or nearest_depot(site, all_depots).pk in wanted
    ]
    propose_visits(sites, by=by, now=now, horizon_days=max(0, (until - today).days))


# --- the hand ----------------------------------------------------------------------------------------


def move(
    row: RoutePlan,
    visit_id: int,
    *,
    technician_id: int | None,
    on: date | None,
    starts_s: int | None = None,
    position: int | None = None,
    version: int,
    by: Person,
    now: datetime,
) -> Done:
    """Give a visit to a technician, a day, a time or a place in the order, and keep it there.

    Only what must change changes. When the hand's wish cannot be kept, nothing is changed and the
    answer says why and what would let it in.
    """
    found = _read(row, version, now)
    stop = _stop(found, visit_id)
    day = (on - row.first_on).days if on is not None else None
    if stop.is_excluded:
        found = opened(row, now=now, spots=[replace(Spot.of(stop), is_excluded=False)])
        mended(found)
    change = Place(
        stop=str(visit_id),
        technician=str(technician_id) if technician_id is not None else None,
        day=day,
        starts_s=starts_s,
        position=position,
    )

    def pin(stops: Opened) -> None:
        held = stops.stops[visit_id]
        held.pin_technician_id, held.pin_on = technician_id, on
        held.pin_from_s, held.pin_until_s = starts_s, None

    where = _where(found, technician_id, on)
    at = f", to start at {_hour(starts_s)}" if starts_s is not None else ""
    return _replanned(
        found, change, Kind.MOVE, f"{_name(found, visit_id)} moved to {where}{at}.", by, now, pin
    )


def release(row: RoutePlan, visit_id: int, *, version: int, by: Person, now: datetime) -> Done:
    """Take the pins off a visit; it stays where it is until something better is found."""
    found = _read(row, version, now)
    _stop(found, visit_id)

    def unpin(stops: Opened) -> None:
        held = stops.stops[visit_id]
        held.pin_technician_id = held.pin_on = held.pin_from_s = held.pin_until_s = None

    return _replanned(
        found,
        Release(str(visit_id)),
        Kind.UNPIN,
        f"{_name(found, visit_id)} is free to move.",
        by,
        now,
        unpin,
    )


def pin_here(row: RoutePlan, visit_id: int, *, version: int, by: Person, now: datetime) -> Done:
    """Keep a visit with the technician and on the day where it stands."""
    found = _read(row, version, now)
    stop = _stop(found, visit_id)
    if stop.technician_id is None or stop.on is None:
        raise ValidationError("The visit is not planned: give it to a technician and a day instead.")
    stop.pin_technician_id, stop.pin_on = stop.technician_id, stop.on
    sentence = f"{_name(found, visit_id)} stays with {_where(found, stop.technician_id, stop.on)}."
    # Nothing moves; the same plan under one demand more.
    write(found, found.plan, kind=Kind.PIN, sentence=sentence, by=by, now=now)
    return Done(row, sentence)


def exclude(row: RoutePlan, visit_id: int, *, version: int, by: Person, now: datetime) -> Done:
    """Keep a visit out of this plan; it remains as due as it was."""
    found = _read(row, version, now)
    _stop(found, visit_id)

    def keep_out(stops: Opened) -> None:
        stops.stops[visit_id].is_excluded = True

    return _replanned(
        found,
        Exclude(str(visit_id)),
        Kind.EXCLUDE,
        f"{_name(found, visit_id)} is kept out of the plan.",
        by,
        now,
        keep_out,
    )


def include(row: RoutePlan, visit_id: int, *, version: int, by: Person, now: datetime) -> Done:
    """Let a visit in again that was kept out, where it fits best."""
    found = _read(row, version, now)
    stop = _stop(found, visit_id)
    fresh = opened(row, now=now, spots=[replace(Spot.of(stop), is_excluded=False)])
    mended(fresh)
    return _added(fresh, [visit_id], Kind.INCLUDE, f"{_name(fresh, visit_id)} is let in again.", by, now)


def add_visits(row: RoutePlan, visits: Sequence[Visit], *, version: int, by: Person, now: datetime) -> Done:
    """Take more open visits into the plan."""
    _read(row, version, now, only_check=True)
    found = opened(row, now=now, with_visits=visits)
    mended(found)
    names = ", ".join(visit.number for visit in visits[:3]) + ("…" if len(visits) > 3 else "")
    return _added(found, [visit.pk for visit in visits], Kind.ADD, f"{names} added.", by, now)


def urgent_call(row: RoutePlan, site: Site, *, reason: str, version: int, by: Person, now: datetime) -> Done:
    """Open an urgent visit to ``site`` and squeeze it in where it disturbs least."""
    _read(row, version, now, only_check=True)
    visit = Visit.objects.select_related("site__owner", "site__depot").get(
        pk=add_urgent_visit(site, reason=reason, by=by, now=now).pk
    )
    found = opened(row, now=now, with_visits=[visit])
    mended(found)
    return _added(found, [visit.pk], Kind.ADD, f"Urgent call at {site.name}.", by, now)


def technician_away(
    row: RoutePlan,
    member: CrewMember,
    *,
    kind: str,
    on: date,
    from_time: time | None,
    last_on: date | None = None,
    note: str = "",
    version: int,
    by: Person,
    now: datetime,
) -> Done:
    """Enter that a technician is away and give the visits to others; what has begun stays."""
    found = _read(row, version, now)
    until = last_on or on
    cuts = []
    for offset in range(row.days):
        day = row.first_on + timedelta(days=offset)
        key = shift_key(member.technician_id, offset)
        if on <= day <= until and key in found.built.days:
            start = from_time.hour * 3600 + from_time.minute * 60 if from_time and day == on else 0
            cuts.append(Cut(shift=key, from_s=start))
    words = dict(Absence.Kind.choices).get(kind, "Away").lower()
    since = f" from {from_time:%H:%M}" if from_time else ""
    last = row.first_on + timedelta(days=row.days - 1)
    if until < row.first_on or on > last:
        raise ValidationError(
            f"This plan runs from {row.first_on:%-d %b %Y} to {last:%-d %b %Y}. Enter an absence outside "
            "of it under Crew."
        )
    sentence = f"{member.technician.display_name} is {words} on {on:%-d %b %Y}{since}."
    started = clock.perf_counter()
    was = found.plan
    before = {key: spot_of(found, key, was) for key in found.built.visits}
    cost_before = None
    for cut in cuts:
        answer = replan(found.built.problem, found.plan, cut, seconds=DRAG_S, seed=row.seed)
        cost_before = answer.cost_60_before if cost_before is None else cost_before
        found.built.problem, found.plan = answer.problem, answer.plan
    _take_pins(found)
    with transaction.atomic():
        absence = add_absence(
            member, kind=kind, first_on=on, last_on=until, from_time=from_time, note=note, by=by
        )
        remembered = {"absence": str(absence.public_id)}
        write(
            found, found.plan, kind=Kind.ABSENCE, sentence=sentence, by=by, now=now, extra_after=[remembered]
        )
    return Done(
        row,
        sentence,
        shifted(found, before),
        cost_before_60=cost_before,
        cost_60=row.totals.get("cost_60"),
        seconds=clock.perf_counter() - started,
    )


def apply_routes(
    row: RoutePlan, plan: Plan, *, sentence: str, version: int, by: Person | None, now: datetime
) -> Done:
    """Put the routes of a better plan, found in the background, in the place of the present ones."""
    found = _read(row, version, now)
    known = found.built.visits
    before = {key: spot_of(found, key, found.plan) for key in known}
    routes = {
        key: tuple(stop for stop in stops if stop in known)
        for key, stops in plan.routes.items()
        if key in found.built.days
    }
    left_out = {key: reason for key, reason in plan.left_out.items() if key in known}
    better = Plan(routes, left_out)
    if breaches := checker.check(found.built.problem, better).breaches:
        raise Conflict(
            "search_outdated",
            f"Facts changed since this was found, and it can no longer be driven: {breaches[0].text} "
            "Search again.",
        )
    write(found, better, kind=Kind.BETTER, sentence=sentence, by=by, now=now)
    return Done(row, sentence, shifted(found, before), cost_60=row.totals.get("cost_60"))


# --- taking --------------------------------------------------------------------------------------------


def take(row: RoutePlan, *, confirm: bool, version: int, by: Person, now: datetime) -> Written:
    """Write the plan into its visits: technician, day, start and window; confirm them where asked.

    Raises ``Conflict`` for a plan that breaks a rule: it is never passed on as if it were fine.
    """
    if row.problems:
        raise Conflict(
            "plan_unsound",
            f"Plan {row.number} breaks {len(row.problems)} rule{'s' if len(row.problems) != 1 else ''}: "
            f"{' '.join(row.problems[:3])} Put that right first.",
            problems=row.problems,
        )
    rules = Rules.of(row.rules)
    stops = list(
        row.stops.filter(technician__isnull=False)
        .select_related("visit__site__owner", "technician")
        .order_by("on", "technician_id", "position")
    )
    zone = ZoneInfo(depots_of(row)[0].time_zone)
    assignments = []
    for stop in stops:
        assert stop.technician is not None
        assert stop.on is not None
        start = site_time(stop.starts_s or 0, stop.on, zone, stop.visit.site.time_zone)
        assignments.append(
            Assignment(
                visit=stop.visit,
                technician=stop.technician,
                planned_on=stop.on,
                planned_start=start,
                window_from=_moved(start, -rules.window_minutes),
                window_until=_moved(start, rules.window_minutes),
            )
        )
    with transaction.atomic():
        claim(
            row,
            version,
            state=RoutePlan.State.TAKEN,
            taken_by_id=by.pk,
            taken_at=now,
            taken_version=version + 1,
        )
        written = write_assignments(assignments, confirm=confirm, now=now)
        others = RoutePlan.objects.filter(depot=row.depot, first_on=row.first_on, state=RoutePlan.State.DRAFT)
        others.exclude(pk=row.pk).update(state=RoutePlan.State.LAID_ASIDE)
        PlanChange.objects.create(
            plan=row,
            version=row.version,
            kind=Kind.TAKEN,
            sentence=f"Taken: {written.changed} visits changed, {written.confirmed} confirmed.",
            made_by_id=by.pk,
            made_at=now,
        )
    return written


def lay_aside(row: RoutePlan, *, version: int) -> None:
    """Put a plan away; its visits stay as they are."""
    claim(row, version, state=RoutePlan.State.LAID_ASIDE)


def ways_in(row: RoutePlan, visit_id: int, *, now: datetime) -> tuple[WayIn, ...]:
    """What would let a visit in that is left out: an hour more, another technician, another day."""
    found = opened(row, now=now)
    mended(found)
    if visit_id not in found.stops:
        raise ValidationError("This visit is not part of the plan.")
    if str(visit_id) not in found.built.visits:
        return ()
    return ways(found, visit_id)


def site_time(seconds: int, on: date, zone: ZoneInfo, there: str) -> time:
    """The wall time at a site of a second of the plan's clock, to the minute."""
    local = seconds - shift_of_zones(zone, ZoneInfo(there), on)
    minutes = min(max(local // 60, 0), 24 * 60 - 1)
    return time(minutes // 60, minutes % 60)


def _moved(start: time, minutes: int) -> time:
    # To the quarter of an hour: nobody is told a window from 9:07.
    total = start.hour * 60 + start.minute + minutes
    total = min(max(round(total / 15) * 15, 0), 24 * 60 - 1)
    return time(total // 60, total % 60)


# --- in common -------------------------------------------------------------------------------------------


def _read(row: RoutePlan, version: int, now: datetime, *, only_check: bool = False) -> Opened:
    row.refresh_from_db(fields=["version", "state"])
    if row.version != version or row.state == RoutePlan.State.LAID_ASIDE:
        refuse_stale(row, version)
    if only_check:
        return Opened(row, {}, None, Plan({}, {}), {}, {})  # type: ignore[arg-type]
    found = opened(row, now=now)
    mended(found)
    return found


def _stop(found: Opened, visit_id: int) -> Any:
    stop = found.stops.get(visit_id)
    if stop is None:
        raise ValidationError("This visit is not part of the plan. Add it first.")
    return stop


def _name(found: Opened, visit_id: int) -> str:
    visit = found.visit(visit_id)
    return f"{visit.number} {visit.site.name}"


def _where(found: Opened, technician_id: int | None, on: date | None) -> str:
    names = [
        day.member.technician.display_name
        for day in found.built.days.values()
        if day.member.technician_id == technician_id
    ]
    parts = [names[0] if names else "", f"{on:%a %d %b}" if on else ""]
    return ", ".join(part for part in parts if part) or "where it fits best"


def _landed(found: Opened, key: str) -> str:
    """Where a visit that was put in has its place, or that it has none and why."""
    visit, plan, problem = found.visit(int(key)), found.plan, found.built.problem
    for shift_at, stops in plan.routes.items():
        if key in stops:
            day = found.built.days[shift_at]
            times = timetable(problem, problem.shift[shift_at], stops)
            calls = times.calls if times is not None else ()
            at = "".join(f" at {_hour(call.starts_s)}" for call in calls if call.stop == key)
            who = day.member.technician.display_name
            return f"{visit.number} is on {day.on:%a %-d %b %Y}{at} with {who}."
    reason = plan.left_out.get(key)
    why = f": {reason.text}" if reason is not None and reason.text else "."
    return f"{visit.number} found no place, so nobody goes{why}"


def _hour(seconds: int) -> str:
    return f"{seconds // 3600:02d}:{seconds % 3600 // 60:02d}"


def spot_of(found: Opened, key: str, plan: Plan) -> tuple[int, date, int | None] | None:
    stop = found.stops[int(key)]
    if stop.technician_id is None or stop.on is None:
        return None
    return stop.technician_id, stop.on, stop.starts_s


def shifted(found: Opened, before: Mapping[str, tuple[int, date, int | None] | None]) -> tuple[Shifted, ...]:
    """Visits whose technician or day changed, or whose start moved by a minute or more."""
    moved = []
    for key, visit in found.built.visits.items():
        was, is_now = before.get(key), spot_of(found, key, found.plan)
        if was is not None and is_now is not None:
            same_day = was[:2] == is_now[:2]
            near = was[2] is not None and is_now[2] is not None and abs(was[2] - is_now[2]) < 60
            if same_day and (near or was[2] == is_now[2]):
                continue
        if was == is_now:
            continue
        moved.append(Shifted(visit, was, is_now))
    moved.sort(
        key=lambda item: (
            item.was is not None and item.now is not None and item.was[:2] == item.now[:2],
            item.visit.pk,
        )
    )
    return tuple(moved)


def _take_pins(found: Opened) -> None:
    """Remember the pins that a cut has set: what was begun stays where it is, what was freed is free."""
    for stop in found.built.problem.stops:
        row = found.stops[int(stop.key)]
        pin = stop.pin
        row.pin_technician_id = int(pin.technician) if pin and pin.technician else None
        row.pin_on = found.row.first_on + timedelta(days=pin.day) if pin and pin.day is not None else None
        if row.pin_until_s is None:
            row.pin_from_s = pin.starts_s if pin else None


def _replanned(
    found: Opened, change: Any, kind: PlanChange.Kind, sentence: str, by: Person, now: datetime, after: Any
) -> Done:
    started = clock.perf_counter()
    before = {key: spot_of(found, key, found.plan) for key in found.built.visits}
    answer = replan(found.built.problem, found.plan, change, seconds=DRAG_S, seed=found.row.seed)
    if answer.refused is not None:
        return Done(
            found.row,
            sentence,
            refused=answer.refused.text,
            ways=ways(found, int(change.stop)),
            seconds=clock.perf_counter() - started,
        )
    after(found)
    known = {stop.key for stop in answer.problem.stops}
    left_out = {key: reason for key, reason in answer.plan.left_out.items() if key in known}
    found.built.problem, found.plan = answer.problem, Plan(answer.plan.routes, left_out)
    write(found, found.plan, kind=kind, sentence=sentence, by=by, now=now)
    return Done(
        found.row,
        sentence,
        shifted(found, before),
        cost_before_60=answer.cost_60_before,
        cost_60=answer.cost_60,
        seconds=clock.perf_counter() - started,
    )


def _added(
    found: Opened, visit_ids: Sequence[int], kind: PlanChange.Kind, sentence: str, by: Person, now: datetime
) -> Done:
    """Fit visits in that are in the problem but not yet in the plan."""
    started = clock.perf_counter()
    before = {key: spot_of(found, key, found.plan) for key in found.built.visits}
    whole, keys = found.built.problem, {str(pk) for pk in visit_ids}
    problem = replace(whole, stops=tuple(stop for stop in whole.stops if stop.key not in keys))
    plan = Plan(found.plan.routes, {k: r for k, r in found.plan.left_out.items() if k not in keys})
    cost_before = None
    for key in sorted(keys):
        answer = replan(problem, plan, Add(whole.stop[key]), seconds=DRAG_S, seed=found.row.seed)
        cost_before = answer.cost_60_before if cost_before is None else cost_before
        if answer.refused is not None:
            # It stays in sight, left out, with the reason.
            problem = replace(problem, stops=(*problem.stops, whole.stop[key]))
            plan = Plan(plan.routes, {**plan.left_out, key: answer.refused})
        else:
            problem, plan = answer.problem, answer.plan
    found.built.problem, found.plan = problem, plan
    sentence = " ".join([sentence, *(_landed(found, key) for key in sorted(keys)[:SAID_SPOTS])])
    write(found, plan, kind=kind, sentence=sentence, by=by, now=now)
    return Done(
        found.row,
        sentence,
        shifted(found, before),
        cost_before_60=cost_before,
        cost_60=found.row.totals.get("cost_60"),
        seconds=clock.perf_counter() - started,
    )
