"""Numbers back: what was planned, what was done, on time or not, by technician and week.

Done counts come from visits and their records, times on site from when a visit was begun and closed.
Driving has two sources: the taken plan, and the time between two visits of one day, which holds breaks
too; both are told apart, and neither stands in for the other.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from django.db.models import Count, Q

from inventory.access import Scope
from schedules.routes.models import PlanDay, PlanStop, RoutePlan
from schedules.visits.models import Job, Visit

LONGEST_GAP = timedelta(hours=4)
"""A longer time between two visits is no drive: something else happened in between."""


@dataclass(slots=True)
class Numbers:
    """Sums over some visits and days. Minutes are whole; ``None`` shares have nothing to count."""

    planned: int = 0
    done: int = 0
    cancelled: int = 0
    on_time: int = 0
    with_latest: int = 0
    on_its_day: int = 0
    jobs: int = 0
    jobs_done: int = 0
    planned_site_minutes: float = 0.0
    timed_planned_minutes: float = 0.0
    site_minutes: float = 0.0
    timed: int = 0
    planned_drive_minutes: float = 0.0
    planned_work_minutes: float = 0.0
    between_minutes: float = 0.0
    between_site_minutes: float = 0.0

    def add(self, other: Numbers) -> None:
        """Add ``other`` to these."""
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))

    @property
    def done_share(self) -> float | None:
        """Visits done of those planned."""
        return _share(self.done, self.planned)

    @property
    def on_time_share(self) -> float | None:
        """Visits done by their latest date, of those done that have one."""
        return _share(self.on_time, self.with_latest)

    @property
    def on_its_day_share(self) -> float | None:
        """Visits done on the very day they were planned for."""
        return _share(self.on_its_day, self.done)

    @property
    def jobs_share(self) -> float | None:
        """Jobs with a record, of all on visits that are done."""
        return _share(self.jobs_done, self.jobs)

    @property
    def planned_drive_share(self) -> float | None:
        """Driving of driving and work, in the taken plans."""
        return _share(self.planned_drive_minutes, self.planned_drive_minutes + self.planned_work_minutes)

    @property
    def between_share(self) -> float | None:
        """Time between visits of one day, of that and the time on site."""
        return _share(self.between_minutes, self.between_minutes + self.between_site_minutes)

    @property
    def longer_share(self) -> float | None:
        """How much longer visits took than planned, where both are known; negative when shorter."""
        if not self.timed_planned_minutes:
            return None
        return self.site_minutes / self.timed_planned_minutes - 1


def _share(part: float, whole: float) -> float | None:
    return part / whole if whole else None


Key = tuple[int, date]
"""Technician and the Monday of the week."""


def monday(day: date) -> date:
    """Return the Monday of the week of ``day``."""
    return day - timedelta(days=day.weekday())


def numbers_back(
    scope: Scope, *, first_on: date, last_on: date, technician_id: int | None = None
) -> dict[Key, Numbers]:
    """Return the numbers by technician and week for visits planned in these days; four queries."""
    visits = Visit.objects.visible_to(scope).filter(
        planned_on__gte=first_on, planned_on__lte=last_on, technician__isnull=False
    )
    visits = visits.exclude(state=Visit.State.PROPOSED)
    if technician_id is not None:
        visits = visits.filter(technician=technician_id)
    rows = list(
        visits.order_by("technician_id", "started_at", "pk").values_list(
            "pk",
            "technician_id",
            "state",
            "planned_on",
            "done_on",
            "latest_on",
            "started_at",
            "closed_at",
            "site__time_zone",
        )
    )
    jobs = {
        visit_id: (count, done)
        for visit_id, count, done in Job.objects.filter(
            visit__in=visits.filter(state=Visit.State.CLOSED).order_by().values("pk")
        )
        .order_by()
        .values_list("visit_id")
        .annotate(count=Count("pk"), done=Count("pk", filter=Q(record__isnull=False)))
    }
    taken = RoutePlan.State.TAKEN
    work_s = dict(
        PlanStop.objects.filter(
            plan__state=taken, technician__isnull=False, visit__in=visits.order_by().values("pk")
        )
        .order_by("plan__taken_at", "pk")
        .values_list("visit_id", "work_s")
    )
    found: dict[Key, Numbers] = defaultdict(Numbers)
    days: dict[tuple[int, date], list[tuple[datetime, datetime]]] = defaultdict(list)
    for pk, person, state, planned_on, done_on, latest_on, started_at, closed_at, zone in rows:
        numbers = found[person, monday(planned_on)]
        if state == Visit.State.CANCELLED:
            numbers.cancelled += 1
            continue
        numbers.planned += 1
        numbers.planned_site_minutes += work_s.get(pk, 0) / 60
        if state != Visit.State.CLOSED:
            continue
        numbers.done += 1
        numbers.on_its_day += done_on == planned_on
        if latest_on is not None and done_on is not None:
            numbers.with_latest += 1
            numbers.on_time += done_on <= latest_on
        count, done = jobs.get(pk, (0, 0))
        numbers.jobs += count
        numbers.jobs_done += done
        if started_at is None or closed_at is None or closed_at < started_at:
            continue
        here = ZoneInfo(zone)
        if started_at.astimezone(here).date() == closed_at.astimezone(here).date():
            days[person, started_at.astimezone(here).date()].append((started_at, closed_at))
            numbers.timed += 1
            if pk in work_s:
                numbers.site_minutes += (closed_at - started_at).total_seconds() / 60
                numbers.timed_planned_minutes += work_s[pk] / 60
    _between(days, found)
    for person, on, drive_s, stop_s in _plan_days(taken, first_on, last_on, technician_id):
        numbers = found[person, monday(on)]
        numbers.planned_drive_minutes += drive_s / 60
        numbers.planned_work_minutes += stop_s / 60
    return dict(found)


def _between(
    days: dict[tuple[int, date], list[tuple[datetime, datetime]]], found: dict[Key, Numbers]
) -> None:
    """Count the time from closing one visit to beginning the next on the same day."""
    for (person, day), spells in days.items():
        if len(spells) < 2:
            continue
        numbers = found[person, monday(day)]
        spells.sort()
        numbers.between_site_minutes += sum((end - start).total_seconds() for start, end in spells) / 60
        for (_, end), (start, _) in pairwise(spells):
            if timedelta(0) < start - end <= LONGEST_GAP:
                numbers.between_minutes += (start - end).total_seconds() / 60


def _plan_days(
    taken: str, first_on: date, last_on: date, technician_id: int | None
) -> Iterable[tuple[int, date, int, int]]:
    """Yield technician, day, driving and work of taken plans; the plan taken last counts for a day."""
    rows = PlanDay.objects.filter(plan__state=taken, on__gte=first_on, on__lte=last_on)
    if technician_id is not None:
        rows = rows.filter(technician=technician_id)
    last: dict[tuple[int, date], tuple[int, int]] = {}
    for person, on, drive_s, work_s in rows.order_by("plan__taken_at", "pk").values_list(
        "technician_id", "on", "drive_s", "work_s"
    ):
        last[person, on] = (drive_s, work_s)
    return [(person, on, *seconds) for (person, on), seconds in last.items()]
