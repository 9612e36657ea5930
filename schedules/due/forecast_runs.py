"""Forecasts over more units than a page waits for: rolled in the background, slice by slice.

A slice is a batch of units; its counts and the place it ended are kept in one write, so that a worker
that dies loses one slice and nobody counts a unit twice. Counts are kept by month, task and table, and
by site and year: all that the page shows, in a size that does not grow with the units. The file with a
row for each site and month comes from ``manage.py forecast``.
"""

from __future__ import annotations

import hashlib
import json
import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import kombu.exceptions
from celery import current_app
from dateutil.relativedelta import relativedelta
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from inventory.access import EVERYTHING
from inventory.measures.kinds import Task
from inventory.people import Person
from inventory.register.models import Depot, Owner, Site, UnitQuerySet
from schedules.due.forecast import Forecast, Key, firm_today, forecast, forecast_units
from schedules.due.models import ForecastRun

log = logging.getLogger(__name__)

TARGET, PLANNED = "target", "planned"
"""When work is supposed done: at its target, or at the planned visit where there is one."""
SLICE = 2000
CLAIM = timedelta(minutes=3)
KEPT = timedelta(days=7)
Wanted = Mapping[str, Any]


def ask(wanted: Wanted, *, by: Person, now: datetime) -> ForecastRun:
    """The run that answers ``wanted`` as of today: the one that was asked for before, or a new one.

    ``wanted`` holds years, pace, task, region, city and the ids of owner, site and depot.
    """
    start = firm_today(now)
    text = json.dumps({**wanted, "start": start.isoformat()}, sort_keys=True)
    digest = hashlib.sha256(text.encode()).hexdigest()
    run, is_new = ForecastRun.objects.get_or_create(
        key=digest,
        defaults={
            "wanted": dict(wanted),
            "first_on": start,
            "last_on": start + relativedelta(years=wanted["years"]) - timedelta(days=1),
            "units_total": units_of(wanted).count(),
            "asked_by_id": by.pk,
            "asked_at": now,
        },
    )
    if run.is_stopped:
        ForecastRun.objects.filter(pk=run.pk).update(is_stopped=False)
        run.is_stopped = False
    if is_new or not run.finished_at:
        transaction.on_commit(lambda: nudge(run.pk))
    return run


def stop(run: ForecastRun) -> None:
    """Have the run stop after the slice at hand; asking again goes on where it stopped."""
    ForecastRun.objects.filter(pk=run.pk, finished_at__isnull=True).update(is_stopped=True)


def units_of(wanted: Wanted) -> UnitQuerySet:
    """The units that ``wanted`` speaks of. Only those who see the whole firm may ask."""
    return forecast_units(
        EVERYTHING,
        owner=Owner.objects.filter(pk=wanted["owner"]).first() if wanted["owner"] else None,
        site=Site.objects.filter(pk=wanted["site"]).first() if wanted["site"] else None,
        depot=Depot.objects.filter(pk=wanted["depot"]).first() if wanted["depot"] else None,
        region=wanted["region"],
        city=wanted["city"],
    )


def waiting_runs(now: datetime) -> list[int]:
    """Runs that are not done and that no living worker is busy with; old ones are forgotten."""
    ForecastRun.objects.filter(asked_at__lt=now - KEPT).delete()
    return list(
        ForecastRun.objects.filter(_free(now), finished_at__isnull=True, is_stopped=False)
        .order_by("pk")
        .values_list("pk", flat=True)
    )


def nudge(run_id: int) -> None:
    """Tell a worker; when none can be told, the next beat finds the run."""
    try:
        current_app.send_task("schedules.tasks.roll_forecast", [run_id], expires=60, retry=False)
    except (kombu.exceptions.OperationalError, OSError) as error:
        log.info("No broker to tell about a forecast (%s); the periodic job finds it.", error)


def work_on(run_id: int, *, planned_of: Callable[[UnitQuerySet], Mapping[tuple[int, Task], date]]) -> bool:
    """Roll one slice of a run; True when more is left and nobody stopped it.

    ``planned_of`` gives for units the days of planned visits, for a run that supposes work done then.
    """
    now = timezone.now()
    mine = ForecastRun.objects.filter(_free(now), pk=run_id, finished_at__isnull=True, is_stopped=False)
    if not mine.update(claimed_until=now + CLAIM):
        return False
    run = ForecastRun.objects.get(pk=run_id)
    rows = units_of(run.wanted).filter(pk__gt=run.last_unit)
    ids = list(rows.values_list("pk", flat=True)[:SLICE])
    found = None
    if ids:
        task = run.wanted["task"]
        found = forecast(
            ids,
            now=run.asked_at,
            years=run.wanted["years"],
            planned=planned_of(rows.filter(pk__lte=ids[-1])) if run.wanted["pace"] == PLANNED else {},
            tasks=frozenset({Task(task)}) if task else frozenset(),
        )
    left = len(ids) == SLICE
    # The slice counts once: another worker that took over meanwhile has moved ``last_unit`` on.
    written = ForecastRun.objects.filter(pk=run_id, last_unit=run.last_unit).update(
        counts=_added(run.counts, found),
        last_unit=ids[-1] if ids else run.last_unit,
        units_done=run.units_done + len(ids),
        claimed_until=None,
        finished_at=None if left else timezone.now(),
    )
    return bool(written) and left


def _free(now: datetime) -> Q:
    return Q(claimed_until__isnull=True) | Q(claimed_until__lte=now)


def _added(counts: Mapping[str, Any], found: Forecast | None) -> dict[str, Any]:
    """``counts`` and those of one more slice."""
    months = {tuple(row[:4]): row[4:] for row in counts.get("months", [])}
    sites = {(row[0], row[1]): row[2] for row in counts.get("sites", [])}
    if found is not None:
        for key, number in found.counts.items():
            month = (key.month.isoformat(), key.task.value, key.table_key, key.table_version)
            old = months.get(month, [0, 0, 0])
            months[month] = [old[0] + number, old[1] + found.owed[key], old[2] + found.unknown[key]]
            place = (key.site_id, key.month.year)
            sites[place] = sites.get(place, 0) + number
    return {
        "months": [[*month, *numbers] for month, numbers in sorted(months.items())],
        "sites": [[*place, number] for place, number in sorted(sites.items())],
    }


@dataclass(slots=True)
class RunForecast(Forecast):
    """A forecast whose counts by place are kept apart from those by month and task."""

    by_site: dict[tuple[int, int], int] = field(default_factory=dict)

    def place_counts(self) -> Iterable[tuple[Key, int]]:
        """Each site's count of a year, under a key of which only site and year mean anything."""
        return [
            (Key(date(year, 1, 1), site_id, Task.MAINTENANCE, "", ""), number)
            for (site_id, year), number in self.by_site.items()
            # A site that was removed meanwhile cannot be named any more.
            if site_id in self.sites
        ]


def told(run: ForecastRun) -> RunForecast:
    """The counts of ``run`` so far, in the form that the page shows."""
    found = RunForecast(run.first_on, run.last_on, units=run.units_done)
    for month, task, table_key, version, number, owed, unknown in run.counts.get("months", []):
        key = Key(date.fromisoformat(month), 0, Task(task), table_key, version)
        found.counts[key] = number
        found.owed[key] = owed
        found.unknown[key] = unknown
    found.by_site = {(site, year): number for site, year, number in run.counts.get("sites", [])}
    ids = sorted({site for site, _ in found.by_site})
    for start in range(0, len(ids), 500):
        found.sites.update(Site.objects.select_related("owner", "depot").in_bulk(ids[start : start + 500]))
    return found
