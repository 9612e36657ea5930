"""How the units of each site stood at the end of each month: counted nightly, worked out for the past.

Each unit is counted once, by the worst of its binding tasks; the owner's own monthly looks are left out,
as everywhere in the owner's figures. A unit that no rule of ours gives a date stands as unknown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from dateutil.relativedelta import relativedelta
from django.db import transaction
from django.db.models import Count, Min, Q, Sum

from inventory.access import Scope
from inventory.measures.kinds import Task
from inventory.register.models import Site, Unit
from schedules.due.inmemory import Batch
from schedules.due.models import Obligation, SiteMonth
from schedules.due.queries import SOON_DAYS, Status, batched, status_case, unit_inputs
from schedules.engine.fleet import KNOWLEDGE_CODES, NO_DAY, TASK_CODES, number
from schedules.engine.result import Knowledge
from schedules.rulebook.books import Rulebook, rulebooks

PAST_MONTHS = 12
SITES_AT_ONCE = 500
UNITS_AT_ONCE = 2000
_UNJUDGED = (KNOWLEDGE_CODES[Knowledge.UNKNOWN_BASIS], KNOWLEDGE_CODES[Knowledge.UNCOVERED])
_FIELDS = ("units", "in_date", "due", "overdue", "unknown")


@dataclass(frozen=True, slots=True)
class Stood:
    """How units stood; the four add up to ``units``."""

    units: int = 0
    in_date: int = 0
    due: int = 0
    overdue: int = 0
    unknown: int = 0

    def __add__(self, other: Stood) -> Stood:
        return Stood(*(getattr(self, f) + getattr(other, f) for f in _FIELDS))


def count_sites(site_ids: Iterable[int], now: datetime) -> dict[int, Stood]:
    """How the hanging units of these sites stand at ``now``; two queries whatever their number."""
    ids = list(site_ids)
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
    dated = {row["site_id"]: row for row in rows}
    hanging = dict(
        Unit.objects.filter(site__in=ids, state__in=Unit.HANGING)
        .order_by()
        .values_list("site_id")
        .annotate(n=Count("pk"))
    )
    found = {}
    for site_id in ids:
        row, units = dated.get(site_id), hanging.get(site_id, 0)
        if row is None:
            found[site_id] = Stood(units, unknown=units)
            continue
        found[site_id] = Stood(
            units,
            row["covered"] - row["wanting"],
            row["wanting"] - row["doubtful"],
            row["late"],
            row["doubtful"] - row["late"] + units - row["covered"],
        )
    return found


def write_months(now: datetime) -> int:
    """Write how every site stands in its running month; return how many. Again: nothing changes."""
    sites = list(Site.objects.order_by("pk").values_list("pk", "time_zone"))
    days = {zone: now.astimezone(ZoneInfo(zone)).date() for zone in {zone for _, zone in sites}}
    for part in batched(sites, SITES_AT_ONCE):
        found = count_sites([pk for pk, _ in part], now)
        rows = [
            SiteMonth(
                site_id=pk,
                month=days[zone].replace(day=1),
                counted_on=days[zone],
                **{f: getattr(found[pk], f) for f in _FIELDS},
            )
            for pk, zone in part
        ]
        SiteMonth.objects.bulk_create(
            rows,
            update_conflicts=True,
            unique_fields=["site", "month"],
            update_fields=["counted_on", "is_worked_out", *_FIELDS],
        )
    return len(sites)


def fill_months(now: datetime, *, sites_at_most: int = 200) -> int:
    """Work out past months that some sites lack; return how many sites are still without.

    For the units that hang there today, by the records made up to each month's end and the tables in use
    today. Nobody can tell from the register which units hung there before and are gone.
    """
    month = now.date().replace(day=1)
    lacking = (
        Site.objects.annotate(first=Min("months__month"))
        .filter(Q(first__isnull=True) | Q(first__gt=month - relativedelta(months=PAST_MONTHS)))
        .order_by("pk")
    )
    wanted = list(lacking[:sites_at_most])
    for site in wanted:
        _fill(site, now)
    return lacking.count()


def _fill(site: Site, now: datetime) -> None:
    today = now.astimezone(ZoneInfo(site.time_zone)).date()
    running = today.replace(day=1)
    have = set(SiteMonth.objects.filter(site=site).values_list("month", flat=True))
    # One more than is shown: near midnight of a month's end a site may be a month behind or ahead of us.
    months = [running - relativedelta(months=n) for n in range(1, PAST_MONTHS + 2)]
    stood = worked_out(site, [_end(m) for m in months if m not in have])
    rows = [
        SiteMonth(
            site=site,
            month=month,
            counted_on=_end(month),
            is_worked_out=True,
            **{f: getattr(stood[_end(month)], f) for f in _FIELDS},
        )
        for month in months
        if month not in have
    ]
    with transaction.atomic():
        SiteMonth.objects.bulk_create(
            rows,
            update_conflicts=True,
            unique_fields=["site", "month"],
            update_fields=["counted_on", "is_worked_out", *_FIELDS],
        )


def _end(month: date) -> date:
    return month + relativedelta(months=1) - timedelta(days=1)


def worked_out(site: Site, days: Sequence[date]) -> Mapping[date, Stood]:
    """How the units that hang at ``site`` today stood on each of ``days``, by the engine's twin."""
    found: dict[date, Stood] = {day: Stood() for day in days}
    ids = Unit.objects.filter(site=site, state__in=Unit.HANGING).order_by("pk").values_list("pk", flat=True)
    books = rulebooks([site.pk])
    own_look = site.monthly_checks_by == Site.MonthlyChecks.OWNER
    for part in batched(list(ids), UNITS_AT_ONCE):
        inputs = list(unit_inputs(part))
        for day in days:
            then = [
                replace(
                    unit,
                    history=tuple(
                        done for done in unit.history if done.stamp.last is None or done.stamp.last <= day
                    ),
                )
                for unit in inputs
                # What was made or first hung later was not there.
                if unit.facts.made.first is None or unit.facts.made.first <= day
            ]
            if then:
                found[day] += _stood(Batch(then, [day] * len(then)), books, day, own_look)
    return found


def _stood(batch: Batch, books: Mapping[int, Rulebook], day: date, own_look: bool) -> Stood:
    answers = batch.answers(books)
    counted = answers.binding()
    if own_look:
        counted &= answers.task != TASK_CODES[Task.VISUAL_INSPECTION]
    unit, knowledge = answers.unit[counted], answers.knowledge[counted]
    latest, target = answers.latest[counted], answers.target[counted]
    today = number(day)
    # The words of ``status_on``, as ranks: the gravest of a unit's tasks tells how it stands.
    is_near = (latest <= today + SOON_DAYS) | ((target != NO_DAY) & (target <= today))
    rank = np.select(
        [
            np.isin(knowledge, _UNJUDGED),
            latest == NO_DAY,
            (latest < today) & ~answers.is_deferred[counted],
            is_near,
        ],
        [2, 0, 3, 1],
        0,
    )
    gravest = np.full(len(batch.units), -1, np.int64)
    np.maximum.at(gravest, unit, rank)
    # Nothing at all is said of a unit that no table covers.
    gravest[gravest < 0] = 2
    in_date, due, unknown, overdue = np.bincount(gravest, minlength=4).tolist()
    return Stood(len(batch.units), in_date, due, overdue, unknown)


@dataclass(frozen=True, slots=True)
class MonthStood:
    """How the sites of a reader stood at the end of one month."""

    month: date
    stood: Stood
    sites: int
    is_worked_out: bool


def months_of(scope: Scope, now: datetime, *, site: Site | None = None) -> list[MonthStood]:
    """How the sites of ``scope`` (or one of them) stood month by month, the oldest first; one query."""
    first = now.date().replace(day=1) - relativedelta(months=PAST_MONTHS)
    rows = SiteMonth.objects.filter(month__gte=first)
    if site is not None:
        rows = rows.filter(site=site)
    elif not scope.everything:
        rows = rows.filter(site__in=Site.objects.visible_to(scope).values("pk"))
    sums = (
        rows.order_by()
        .values("month")
        .annotate(
            sites=Count("pk"),
            worked=Count("pk", filter=Q(is_worked_out=True)),
            **{f"{name}_sum": Sum(name) for name in _FIELDS},
        )
        .order_by("month")
    )
    found = []
    for row in sums:
        counts: dict[str, Any] = dict(row)
        stood = Stood(*(counts[f"{name}_sum"] for name in _FIELDS))
        found.append(MonthStood(counts["month"], stood, counts["sites"], counts["worked"] > 0))
    return found
