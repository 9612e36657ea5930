"""Reading visits: lists, what they hold, and which are late."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Count, Q, QuerySet

from inventory.access import Scope
from inventory.measures.kinds import Task
from inventory.register.models import UnitQuerySet
from schedules.due.queries import zone_days
from schedules.visits.models import Job, Visit


@dataclass(frozen=True, slots=True)
class Load:
    """How much work a visit holds."""

    units: int = 0
    jobs: int = 0


def visits_for(scope: Scope) -> QuerySet[Visit]:
    """Visits that ``scope`` may see, with what a list shows of each, by day."""
    return (
        Visit.objects.visible_to(scope)
        .select_related("site__owner", "technician")
        .order_by("planned_on", "number", "pk")
    )


def planned_within(now: datetime, *, first_day: int, last_day: int) -> Q:
    """Visits planned from ``first_day`` to ``last_day`` days after their site's own today, both included."""
    condition = Q(pk__in=[])
    zones_by_day = _zones_by_day(now)
    for day, zones in zones_by_day.items():
        condition |= Q(
            site__time_zone__in=zones,
            planned_on__gte=day + timedelta(days=first_day),
            planned_on__lte=day + timedelta(days=last_day),
        )
    if not zones_by_day:
        return condition
    # One range over all of them, which can be looked up.
    return condition & Q(
        planned_on__gte=min(zones_by_day) + timedelta(days=first_day),
        planned_on__lte=max(zones_by_day) + timedelta(days=last_day),
    )


def left_open(now: datetime) -> Q:
    """Visits whose day has passed at their site and that are neither closed nor cancelled."""
    condition = Q(pk__in=[])
    zones_by_day = _zones_by_day(now)
    for day, zones in zones_by_day.items():
        condition |= Q(site__time_zone__in=zones, planned_on__lt=day)
    farthest = max(zones_by_day, default=now.date())
    return condition & Q(state__in=Visit.OPEN, planned_on__lt=farthest)


def _zones_by_day(now: datetime) -> dict[date, list[str]]:
    zones_by_day: dict[date, list[str]] = defaultdict(list)
    for zone, day in zone_days(now).items():
        zones_by_day[day].append(zone)
    return zones_by_day


def loads(visit_ids: Iterable[int]) -> dict[int, Load]:
    """How much work each of these visits holds, in one query."""
    rows = (
        Job.objects.filter(visit__in=list(visit_ids))
        .order_by()
        .values_list("visit_id")
        .annotate(units=Count("unit", distinct=True), jobs=Count("pk"))
    )
    return {visit_id: Load(units, jobs) for visit_id, units, jobs in rows}


def planned_days(units: UnitQuerySet) -> dict[tuple[int, Task], date]:
    """The day of the first open visit that holds a task of one of ``units``, by unit and task."""
    planned: dict[tuple[int, Task], date] = {}
    jobs = Job.objects.filter(visit__state__in=Visit.OPEN, unit__in=units.order_by())
    for unit_id, task, day in jobs.order_by("-visit__planned_on", "pk").values_list(
        "unit_id", "task", "visit__planned_on"
    ):
        planned[unit_id, Task(task)] = day
    return planned
