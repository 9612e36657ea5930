"""How the units of each site stood at the end of each month: counted nightly, worked out for the past.

Each unit is counted once, by the worst of its binding tasks; the owner's own monthly looks are left out,
as everywhere in the owner's figures. A unit that no rule of ours gives a date stands as unknown.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
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
from schedules.due.queries import SOON_DAYS, batched, unit_inputs, zone_days
from schedules.due.stood import FIELDS, Stood, count_sites
from schedules.due.tallies import month_number
from schedules.engine.fleet import KNOWLEDGE_CODES, NO_DAY, TASK_CODES, number
from schedules.engine.result import Knowledge
from schedules.rulebook.books import Rulebook, rulebooks

PAST_MONTHS = 12
SITES_AT_ONCE = 500
UNITS_AT_ONCE = 2000
_UNJUDGED = (KNOWLEDGE_CODES[Knowledge.UNKNOWN_BASIS], KNOWLEDGE_CODES[Knowledge.UNCOVERED])


def write_months(now: datetime) -> int:
    """Write how every site stands in its running month; return how many. Again: nothing changes."""
    sites = list(Site.objects.order_by("pk").only("pk", "time_zone", "monthly_checks_by"))
    days = zone_days(now)
    for part in batched(sites, SITES_AT_ONCE):
        found = count_sites(part, now)
        rows = [
            SiteMonth(
                site_id=site.pk,
                month=days[site.time_zone].replace(day=1),
                counted_on=days[site.time_zone],
                **{f: getattr(found[site.pk], f) for f in FIELDS},
            )
            for site in part
        ]
        SiteMonth.objects.bulk_create(
            rows,
            update_conflicts=True,
            unique_fields=["site", "month"],
            update_fields=["counted_on", "is_worked_out", *FIELDS],
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
            **{f: getattr(stood[_end(month)], f) for f in FIELDS},
        )
        for month in months
        if month not in have
    ]
    with transaction.atomic():
        SiteMonth.objects.bulk_create(
            rows,
            update_conflicts=True,
            unique_fields=["site", "month"],
            update_fields=["counted_on", "is_worked_out", *FIELDS],
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
            **{f"{name}_sum": Sum(name) for name in FIELDS},
        )
        .order_by("month")
    )
    found = []
    for row in sums:
        counts: dict[str, Any] = dict(row)
        stood = Stood(*(counts[f"{name}_sum"] for name in FIELDS))
        found.append(MonthStood(counts["month"], stood, counts["sites"], counts["worked"] > 0))
    return found


def coming_months(scope: Scope, first: date, months: int, *, site: Site | None = None) -> Counter[date]:
    """How many of our tasks have their latest date in each of so many months from ``first`` on.

    The first month, which is given by its first day and not over yet, also holds all that lies before it.
    One query, off the tallies; one more where sites have none or one that does not reach so far.
    """
    sites = Site.objects.visible_to(scope).order_by()
    if site is not None:
        sites = sites.filter(pk=site.pk)
    by_number: Counter[int] = Counter()
    begin = month_number(first)
    lacking = []
    for pk, looks_by, until, listed in sites.values_list(
        "pk", "monthly_checks_by", "tally__coming_until", "tally__coming"
    ):
        if until is None or until < begin + months:
            lacking.append(pk)
            continue
        with_looks = looks_by == Site.MonthlyChecks.FIRM
        for month, tasks, looks in listed:
            if month >= begin + months:
                break
            by_number[max(month, begin)] += tasks + looks if with_looks else tasks
    found = Counter({date(at // 12, at % 12 + 1, 1): tasks for at, tasks in by_number.items()})
    if lacking:
        last = first + relativedelta(months=months)
        rows = Obligation.objects.ours().filter(site__in=lacking, is_binding=True, latest_on__lt=last)
        for day, tasks in rows.order_by().values_list("latest_on").annotate(n=Count("pk")):
            found[max(day.replace(day=1), first)] += tasks
    return found
