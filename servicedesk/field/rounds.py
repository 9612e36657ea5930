"""Reading a technician's visits and the round of one visit, in walking order."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db.models import Count, F, IntegerField, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from inventory.access import Scope
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.models import AccessWindow, Location, Site, Unit, local_today
from schedules.due.models import Obligation
from schedules.due.queries import attach_why, status_on
from schedules.visits.models import Job, Visit, VisitEntry
from schedules.visits.recording import last_entries
from servicedesk.pages import chip

COMING_DAYS = 14
CLOSED_DAYS = 7
OPEN_TO_TECHNICIAN = (Visit.State.CONFIRMED, Visit.State.UNDER_WAY)


# --- the list of visits ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class VisitLine:
    """One visit as a technician's list shows it."""

    visit: Visit
    unit_count: int
    done_count: int
    hours: tuple[AccessWindow, ...]
    has_hours: bool
    is_late: bool


@dataclass(frozen=True, slots=True)
class Days:
    """A technician's visits: left open from earlier days, today's, those to come, and lately closed."""

    today: date | None
    open_from_earlier: list[VisitLine]
    today_lines: list[VisitLine]
    coming: list[tuple[date, list[VisitLine]]]
    later_count: int
    closed: list[VisitLine]

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to do and nothing done lately."""
        return not (
            self.open_from_earlier or self.today_lines or self.coming or self.later_count or self.closed
        )


def days_of(scope: Scope, now: datetime) -> Days:
    """The visits of the technician in ``scope``, each put on its day by its own site's today. Two queries."""
    around = now.date()
    units_listed = (
        Job.objects.filter(visit=OuterRef("pk"))
        .order_by()
        .values("visit")
        .annotate(n=Count("unit", distinct=True))
    )
    units_done = (
        VisitEntry.objects.filter(visit=OuterRef("pk"))
        .effective()
        .order_by()
        .values("visit")
        .annotate(n=Count("unit", distinct=True))
    )
    visits = list(
        visits_of(scope)
        .filter(
            Q(state__in=OPEN_TO_TECHNICIAN)
            | Q(state=Visit.State.CLOSED, done_on__gte=around - timedelta(days=CLOSED_DAYS))
        )
        .annotate(
            unit_count=Coalesce(Subquery(units_listed.values("n"), output_field=IntegerField()), 0),
            done_count=Coalesce(Subquery(units_done.values("n"), output_field=IntegerField()), 0),
        )
        .select_related("site", "site__owner")
        .prefetch_related("site__access_windows")
        .order_by("planned_on", F("planned_start").asc(nulls_last=True), "number")
    )
    days = Days(
        today=local_today(visits[0].site, now) if visits else None,
        open_from_earlier=[],
        today_lines=[],
        coming=[],
        later_count=0,
        closed=[],
    )
    coming: dict[date, list[VisitLine]] = defaultdict(list)
    later = 0
    for visit in visits:
        today = local_today(visit.site, now)
        line = _line(visit, today=today)
        if visit.state == Visit.State.CLOSED:
            days.closed.append(line)
        elif visit.planned_on < today:
            days.open_from_earlier.append(line)
        elif visit.planned_on == today:
            days.today_lines.append(line)
        elif visit.planned_on <= today + timedelta(days=COMING_DAYS):
            coming[visit.planned_on].append(line)
        else:
            later += 1
    days.closed.sort(key=lambda line: line.visit.closed_at or now, reverse=True)
    return Days(
        today=days.today,
        open_from_earlier=days.open_from_earlier,
        today_lines=days.today_lines,
        coming=sorted(coming.items()),
        later_count=later,
        closed=days.closed,
    )


def visits_of(scope: Scope) -> QuerySet[Visit]:
    """The technician's own visits that the office has settled: a draft is not shown."""
    return Visit.objects.visible_to(scope).exclude(state=Visit.State.PROPOSED)


def _line(visit: Visit, *, today: date) -> VisitLine:
    windows = list(visit.site.access_windows.all())
    return VisitLine(
        visit=visit,
        unit_count=visit.unit_count,  # type: ignore[attr-defined]
        done_count=visit.done_count,  # type: ignore[attr-defined]
        hours=tuple(w for w in windows if w.weekday == visit.planned_on.weekday()),
        has_hours=bool(windows),
        is_late=visit.latest_on is not None and visit.latest_on < today,
    )


# --- the round -------------------------------------------------------------------------------------


# What leaves the unit due looks doubtful, never done.
_RESULT_TONES = {
    VisitEntry.Result.SERVICED: "ok",
    VisitEntry.Result.REPLACED: "ok",
    VisitEntry.Result.FAILED: "overdue",
    VisitEntry.Result.REMOVED: "away",
    VisitEntry.Result.NOT_FOUND: "unknown",
    VisitEntry.Result.NO_ACCESS: "unknown",
}


@dataclass(frozen=True, slots=True)
class DueTask:
    """A task on one unit: when it is due, why, and whether this visit is to do it."""

    task: str
    label: str
    chip: dict[str, Any]
    why: tuple[str, ...]
    is_on_list: bool


@dataclass(slots=True)
class Stop:
    """One unit of the round."""

    unit: Unit
    location: Location | None
    jobs: list[Job] = field(default_factory=list)
    dues: list[DueTask] = field(default_factory=list)
    entry: VisitEntry | None = None
    owed: list[Obligation] = field(default_factory=list)

    @property
    def is_listed(self) -> bool:
        """Whether the visit's list names the unit; others were found on the spot."""
        return bool(self.jobs)

    @property
    def tasks(self) -> list[str]:
        """Codes of the tasks that the visit is to do here, in the order of the list."""
        return [job.task for job in self.jobs]

    @property
    def tone(self) -> str:
        """The tone of the result that counts; empty without one."""
        return _RESULT_TONES[VisitEntry.Result(self.entry.result)] if self.entry else ""

    @property
    def name(self) -> str:
        """The number of the place, or of the unit where it hangs nowhere."""
        return self.location.number if self.location else self.unit.number


@dataclass(frozen=True, slots=True)
class Round:
    """All stops of one visit in walking order."""

    stops: list[Stop]
    today: date

    @property
    def listed_count(self) -> int:
        """How many units the list names."""
        return sum(stop.is_listed for stop in self.stops)

    @property
    def done_count(self) -> int:
        """How many of them have a result."""
        return sum(stop.is_listed and stop.entry is not None for stop in self.stops)

    @property
    def extra_count(self) -> int:
        """How many units beyond the list have a result."""
        return sum(not stop.is_listed for stop in self.stops)

    @property
    def open_stops(self) -> list[Stop]:
        """Stops on the list without a result."""
        return [stop for stop in self.stops if stop.is_listed and stop.entry is None]

    def by_place(self) -> list[tuple[str, list[Stop]]]:
        """Stops under the name of building and floor, as one walks past them."""
        groups: list[tuple[str, list[Stop]]] = []
        for stop in self.stops:
            name = _place_name(stop.location)
            if not groups or groups[-1][0] != name:
                groups.append((name, []))
            groups[-1][1].append(stop)
        return groups


def round_of(visit: Visit, now: datetime) -> Round:
    """The round of ``visit``; three queries whatever the number of units.

    Without the reasons: working them out for 300 units takes longer than a page may; ``with_reasons``
    gives those of one unit when somebody asks.
    """
    today = local_today(visit.site, now)
    stops: dict[int, Stop] = {}
    jobs = visit.jobs.select_related("unit__model", "unit__location", "location").order_by("pk")
    for job in jobs:
        stop = stops.get(job.unit_id)
        if stop is None:
            # Where it hung when the visit was planned stands in for a unit that was since taken down.
            stop = stops[job.unit_id] = Stop(job.unit, job.unit.location or job.location)
        stop.jobs.append(job)
    for unit_id, entry in last_entries(visit).items():
        if unit_id not in stops:
            stops[unit_id] = Stop(entry.unit, entry.unit.location)
        stops[unit_id].entry = entry
    obligations: dict[int, list[Obligation]] = defaultdict(list)
    wanted = {job.task for stop in stops.values() for job in stop.jobs}
    rows = Obligation.objects.filter(unit__in=list(stops), task__in=wanted)
    for row in rows.order_by("unit_id", "latest_on", "pk"):
        obligations[row.unit_id].append(row)
    for unit_id, stop in stops.items():
        stop.dues = dues_of(stop.jobs, obligations[unit_id], today=today)
    return Round(sorted(stops.values(), key=_walking_order), today)


@dataclass(frozen=True, slots=True)
class Step:
    """A unit of the list as far as going on to the next one needs it."""

    unit_id: int
    public_id: UUID
    name: str
    is_done: bool


@dataclass(frozen=True, slots=True)
class Steps:
    """The list of a visit in walking order."""

    steps: list[Step]

    @property
    def count(self) -> int:
        """How many units the list names."""
        return len(self.steps)

    @property
    def done_count(self) -> int:
        """How many of them have a result."""
        return sum(step.is_done for step in self.steps)

    def position(self, unit_id: int) -> int | None:
        """The place of a unit in the walk, from 1; None for a unit beyond the list."""
        return next((i for i, step in enumerate(self.steps, 1) if step.unit_id == unit_id), None)

    def next_after(self, unit_id: int | None = None) -> Step | None:
        """The next one without a result, walking on from ``unit_id`` and round again; else None."""
        at = self.position(unit_id) or 0 if unit_id is not None else 0
        ahead = [*self.steps[at:], *self.steps[:at]]
        return next((step for step in ahead if not step.is_done and step.unit_id != unit_id), None)


def steps_of(visit: Visit) -> Steps:
    """The list of ``visit`` without its details: two queries and no more than a line per unit."""
    rows: dict[int, tuple[UUID, str, Location | None]] = {}
    place = ("location__walking_order", "location__building", "location__floor", "location__number")
    jobs = visit.jobs.order_by("pk").values_list(
        "unit_id", "unit__public_id", "unit__number", *(f"unit__{name}" for name in place), *place
    )
    for unit_id, public_id, number, *places in jobs:
        now_at, planned_at = places[:4], places[4:]
        order, building, floor, place_number = now_at if now_at[3] is not None else planned_at
        location = (
            Location(walking_order=order, building=building, floor=floor, number=place_number)
            if place_number is not None
            else None
        )
        rows.setdefault(unit_id, (public_id, number, location))
    done = set(VisitEntry.objects.filter(visit=visit).effective().values_list("unit_id", flat=True))
    ordered = sorted(rows.items(), key=lambda row: _order_key(row[1][2], row[1][1]))
    return Steps(
        [
            Step(unit_id, public_id, location.number if location else number, unit_id in done)
            for unit_id, (public_id, number, location) in ordered
        ]
    )


def stop_of(visit: Visit, unit: Unit, now: datetime) -> Stop:
    """One unit of the round, or beyond the list, with all that is due on it; the reasons come apart."""
    jobs = list(visit.jobs.filter(unit=unit).select_related("location").order_by("pk"))
    location = unit.location or (jobs[0].location if jobs else None)
    stop = Stop(unit, location, jobs)
    stop.entry = last_entries(visit, unit).get(unit.pk)
    stop.owed = list(Obligation.objects.ours().filter(unit=unit).order_by("latest_on", "pk"))
    stop.dues = dues_of(jobs, stop.owed, today=local_today(visit.site, now), others=True)
    return stop


def with_reasons(stop: Stop, visit: Visit, now: datetime) -> Stop:
    """``stop`` with the reason of each of its dates; four queries."""
    attach_why(stop.owed, now)
    stop.dues = dues_of(stop.jobs, stop.owed, today=local_today(visit.site, now), others=True)
    return stop


def dues_of(
    jobs: Sequence[Job], obligations: Iterable[Obligation], *, today: date, others: bool = False
) -> list[DueTask]:
    """What is due on one unit: the tasks of the list first, then (with ``others``) what else binds."""
    by_rule = {(row.table_key, row.task, row.rule_id): row for row in obligations}
    by_task: dict[str, Obligation] = {}
    for row in by_rule.values():
        if row.is_binding:
            by_task.setdefault(row.task, row)
    found: list[DueTask] = []
    for job in jobs:
        stored = by_rule.get((job.table_key, job.task, job.rule_id)) or by_task.get(job.task)
        if stored is not None:
            found.append(_due(stored, today=today, is_on_list=True))
        else:
            status = status_on(
                knowledge="known", latest_on=job.latest_on, target_on=job.target_on, today=today
            )
            label = job.get_task_display()
            found.append(DueTask(job.task, label, chip(status, job.latest_on), (), True))
    if others:
        listed = {job.task for job in jobs}
        found += [
            _due(row, today=today, is_on_list=False) for row in by_task.values() if row.task not in listed
        ]
    return found


def _due(row: Obligation, *, today: date, is_on_list: bool) -> DueTask:
    status = status_on(
        knowledge=row.knowledge,
        is_deferred=row.is_deferred,
        latest_on=row.latest_on,
        target_on=row.target_on,
        today=today,
    )
    why = tuple(str(line) for line in row.why)
    return DueTask(row.task, TASK_LABELS[Task(row.task)], chip(status, row.latest_on), why, is_on_list)


def _walking_order(stop: Stop) -> tuple[object, ...]:
    return _order_key(stop.location, stop.unit.number)


def _order_key(place: Location | None, unit_number: str) -> tuple[object, ...]:
    if place is None:
        return (1, 0, (), (), (), natural(unit_number))
    return (
        0,
        place.walking_order,
        natural(place.building),
        natural(place.floor),
        natural(place.number),
        natural(unit_number),
    )


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A sorting key under which 2 comes before 10."""
    return tuple(
        (0, int(part), "") if part.isdigit() else (1, 0, part.casefold())
        for part in re.split(r"(\d+)", text)
        if part
    )


def _place_name(location: Location | None) -> str:
    if location is None:
        return "Nowhere on the register"
    return ", ".join(part for part in (location.building, location.floor) if part) or "No building given"


# --- finding a unit by what stands on it -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Found:
    """What a typed number leads to: units of the round, and others that the register has on this site."""

    stops: list[Stop]
    others: list[Unit]

    @property
    def only(self) -> Unit | None:
        """The one unit that was meant, where there is no doubt."""
        units = [stop.unit for stop in self.stops] + self.others
        return units[0] if len(units) == 1 else None


def find(walk: Round, site: Site, text: str) -> Found:
    """Units whose own number, place or serial is ``text``; those that contain it where none is equal."""
    wanted = _plain(text)
    if not wanted:
        return Found([], [])
    for matches in (_is_equal, _contains):
        stops = [stop for stop in walk.stops if matches(wanted, stop.unit, stop.location)]
        known = {stop.unit.pk for stop in walk.stops}
        others = [
            unit
            for unit in _others(site, text)
            if unit.pk not in known and matches(wanted, unit, unit.location)
        ]
        if stops or others:
            return Found(stops, others)
    return Found([], [])


def _others(site: Site, text: str) -> list[Unit]:
    tail = text.strip()
    return list(
        Unit.objects.on_duty()
        .filter(site=site)
        .filter(
            Q(number__icontains=tail)
            | Q(serial__icontains=tail)
            | Q(location__number__icontains=tail)
            | Q(number__endswith=re.sub(r"\D", "", tail) or tail)
        )
        .select_related("model", "location")
        .order_by(F("location__walking_order").asc(nulls_last=True), "number")[:50]
    )


def _plain(text: str) -> str:
    return re.sub(r"[\s\-_/.]", "", text).casefold()


def _short(number: str) -> str:
    """A number as people say it: without letters and leading zeros."""
    return re.sub(r"\D", "", number).lstrip("0")


def _is_equal(wanted: str, unit: Unit, location: Location | None) -> bool:
    names = {_plain(unit.number), _plain(unit.serial), _plain(location.number) if location else ""}
    if wanted in names:
        return True
    digits = wanted.lstrip("0")
    return (
        wanted.isdigit()
        and bool(digits)
        and digits in {_short(unit.number), _short(location.number) if location else ""}
    )


def _contains(wanted: str, unit: Unit, location: Location | None) -> bool:
    return any(
        wanted in _plain(name)
        for name in (unit.number, unit.serial, location.number if location else "")
        if name
    )
