"""How the hanging units of sites stand now, each unit counted once by the worst of its binding tasks.

The tallies count all units of a site that have a task. The few that do not hang are taken off, those
without a task are unknown. A tally that lies some days back is carried on for the reader; a site whose
tally cannot be is counted row by row, so that a figure is slow rather than wrong.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Count, Q

from inventory.measures.kinds import Task
from inventory.register.models import Site, Unit
from schedules.due.models import Obligation, SiteTally
from schedules.due.queries import Status, status_case, status_on
from schedules.due.tallies import FARTHEST_DAYS, GRAVITY, GRAVITY_OF, UNIT_COLUMNS, units_moved

FIELDS = ("units", "in_date", "due", "overdue", "unknown")
_ELSEWHERE = [state for state in Unit.State if state not in Unit.HANGING]


@dataclass(frozen=True, slots=True)
class Stood:
    """How units stood; the four add up to ``units``."""

    units: int = 0
    in_date: int = 0
    due: int = 0
    overdue: int = 0
    unknown: int = 0

    def __add__(self, other: Stood) -> Stood:
        return Stood(*(getattr(self, f) + getattr(other, f) for f in FIELDS))


def count_sites(sites: Iterable[Site], now: datetime) -> dict[int, Stood]:
    """How the hanging units of these sites stand at ``now``, by site.

    The owner's own monthly looks are left out. A unit that no rule of ours gives a row stands as unknown.
    """
    here = list(sites)
    zone_days = {zone: now.astimezone(ZoneInfo(zone)).date() for zone in {site.time_zone for site in here}}
    days = {site.pk: zone_days[site.time_zone] for site in here}
    hanging = _hanging(list(days))
    tallied = _by_tally(here, days)
    # More units with a task than hang there, or fewer than none: one was taken away a moment ago.
    tallied = {
        pk: stood
        for pk, stood in tallied.items()
        if stood.units <= hanging.get(pk, 0) and all(getattr(stood, f) >= 0 for f in FIELDS)
    }
    left = [pk for pk in days if pk not in tallied]
    tallied |= _row_by_row(left, now) if left else {}
    found = {}
    for pk in days:
        stood, units = tallied.get(pk, Stood()), hanging.get(pk, 0)
        without = units - stood.units
        found[pk] = replace(stood, units=units, unknown=stood.unknown + without)
    return found


def _hanging(ids: Sequence[int]) -> dict[int, int]:
    """How many units hang at each of these sites; from the index alone."""
    rows = Unit.objects.filter(site__in=ids, state__in=Unit.HANGING).order_by().values_list("site_id")
    return dict(rows.annotate(n=Count("pk")))


def _by_tally(sites: Sequence[Site], days: Mapping[int, date]) -> dict[int, Stood]:
    """How units stand at the sites whose tally reaches their own today: all units, less those not hanging."""
    ids = [site.pk for site in sites]
    tallies = {
        row[0]: row[1:]
        for row in SiteTally.objects.filter(pk__in=ids).values_list(
            "pk", "counted_on", "recount_on", *UNIT_COLUMNS
        )
    }
    elsewhere = _elsewhere(ids, days)
    found = {}
    behind: dict[tuple[date, date], list[int]] = defaultdict(list)
    for pk, (counted_on, recount_on, *_) in tallies.items():
        is_near = timedelta(0) < days[pk] - counted_on <= timedelta(days=FARTHEST_DAYS)
        if is_near and (recount_on is None or recount_on > days[pk]):
            behind[counted_on, days[pk]].append(pk)
    # Midnight has passed and the sweep has not come yet: what moved since is added here.
    moved: dict[int, tuple[int, ...]] = {}
    for (old, new), here in behind.items():
        moved |= dict.fromkeys(here, (0,) * len(UNIT_COLUMNS)) | units_moved(here, old, new)
    for site in sites:
        counted_on, recount_on, *counts = tallies.get(site.pk, (None, None))
        if site.pk in moved:
            counts = [number + more for number, more in zip(counts, moved[site.pk], strict=True)]
        elif counted_on != days[site.pk] or (recount_on is not None and recount_on <= days[site.pk]):
            continue
        is_firms = site.monthly_checks_by == Site.MonthlyChecks.FIRM
        all_units = counts[len(GRAVITY) :] if is_firms else counts[: len(GRAVITY)]
        others = elsewhere[site.pk, is_firms]
        overdue, unknown, due, in_date = (
            number - others[name] for name, number in zip(GRAVITY, all_units, strict=True)
        )
        found[site.pk] = Stood(overdue + unknown + due + in_date, in_date, due, overdue, unknown)
    return found


def _elsewhere(ids: Sequence[int], days: Mapping[int, date]) -> dict[tuple[int, bool], Counter[str]]:
    """Units of these sites that do not hang and have a task, by gravity, by site and whether looks count."""
    rows = Obligation.objects.filter(
        unit__in=Unit.objects.filter(site__in=ids, state__in=_ELSEWHERE).order_by().values("pk"),
        is_binding=True,
    ).order_by()
    statuses: dict[tuple[int, bool, int], list[Status]] = defaultdict(list)
    for unit, site, task, knowledge, latest_on, target_on, is_deferred in rows.values_list(
        "unit_id", "site_id", "task", "knowledge", "latest_on", "target_on", "is_deferred"
    ):
        if site not in days:
            continue
        status = status_on(
            knowledge=knowledge,
            latest_on=latest_on,
            target_on=target_on,
            today=days[site],
            is_deferred=is_deferred,
        )
        statuses[site, True, unit].append(status)
        if task != Task.VISUAL_INSPECTION:
            statuses[site, False, unit].append(status)
    found: dict[tuple[int, bool], Counter[str]] = defaultdict(Counter)
    for (site, with_looks, _), here in statuses.items():
        found[site, with_looks][GRAVITY[min(GRAVITY_OF[status] for status in here)]] += 1
    return found


def _row_by_row(ids: Sequence[int], now: datetime) -> dict[int, Stood]:
    """The hanging units with a row, counted over every obligation, by site."""
    late = Q(stands=Status.OVERDUE)
    doubtful = late | Q(stands__in=(Status.UNKNOWN, Status.UNCOVERED))
    rows = (
        Obligation.objects.ours()
        .filter(site__in=ids, unit__state__in=Unit.HANGING, is_binding=True)
        .order_by()
        .annotate(stands=status_case(now))
        .values("site_id")
        .annotate(
            covered=Count("unit", distinct=True),
            late=Count("unit", distinct=True, filter=late),
            doubtful=Count("unit", distinct=True, filter=doubtful),
            wanting=Count("unit", distinct=True, filter=doubtful | Q(stands=Status.DUE)),
        )
    )
    return {
        row["site_id"]: Stood(
            units=row["covered"],
            in_date=row["covered"] - row["wanting"],
            due=row["wanting"] - row["doubtful"],
            overdue=row["late"],
            unknown=row["doubtful"] - row["late"],
        )
        for row in rows
    }
