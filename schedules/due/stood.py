"""How the hanging units of sites stand now, each unit counted once by the worst of its binding tasks.

Most obligations lie far ahead, so only those that want something are read, found by index. Whether that
found them all is told by the tally of the site: where its counts and what was read differ, or where it was
not counted today, the site is counted row by row, so that a figure is slow rather than wrong.
"""

# ruff: noqa: S608 - the SQL here is put together from names of tables and closed vocabularies only

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db import connection
from django.db.models import Count, Q

from inventory.register.models import Site, Unit
from schedules.due.models import Obligation, SiteTally
from schedules.due.queries import SOON_DAYS, Status, status_case, zone_days

FIELDS = ("units", "in_date", "due", "overdue", "unknown")
_OBLIGATIONS, _UNITS = Obligation._meta.db_table, Unit._meta.db_table
_HANGING = ", ".join(f"'{state.value}'" for state in Unit.HANGING)
_ELSEWHERE = ", ".join(f"'{state.value}'" for state in Unit.State if state not in Unit.HANGING)


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
    by_day: dict[date, list[Site]] = defaultdict(list)
    days = zone_days(now)
    for site in sites:
        by_day[days[site.time_zone]].append(site)
    found: dict[int, Stood] = {}
    for day, here in by_day.items():
        found |= _count(here, day, now)
    return found


def _count(sites: Sequence[Site], day: date, now: datetime) -> dict[int, Stood]:
    ids = [site.pk for site in sites]
    firm = [site.pk for site in sites if site.monthly_checks_by == Site.MonthlyChecks.FIRM]
    hanging = _hanging(ids, firm)
    wanting = _wanting(ids, firm, day)
    whole = _tallied(sites, day, wanting)
    left = [pk for pk in ids if pk not in whole]
    dated = _row_by_row(left, now) if left else {}
    found = {}
    for pk in ids:
        units, with_row = hanging.get(pk, (0, 0))
        if pk in whole:
            row = wanting.get(pk, _NOTHING)
            overdue, unknown, due = row[3], row[4], row[5]
        else:
            overdue, unknown, due, with_row = dated.get(pk, (0, 0, 0, 0))
        found[pk] = Stood(units, with_row - overdue - unknown - due, due, overdue, unknown + units - with_row)
    return found


_NOTHING = (0, 0, 0, 0, 0, 0)


def _is_ours(firm: Sequence[int], name: str) -> str:
    """What leaves out the owner's own looks."""
    here = f" OR {name} IN ({_marks(firm)})" if firm else ""
    return f"(o.task <> 'visual_inspection'{here})"


def _marks(ids: Sequence[int]) -> str:
    return ", ".join(["%s"] * len(ids))


def _hanging(ids: Sequence[int], firm: Sequence[int]) -> dict[int, tuple[int, int]]:
    """Units that hang at each site, and those among them that any rule of ours gives a row."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT u.site_id, COUNT(*), SUM(CASE WHEN EXISTS (SELECT 1 FROM {_OBLIGATIONS} o "
            f"WHERE o.unit_id = u.id AND o.is_binding AND {_is_ours(firm, 'u.site_id')}) THEN 1 ELSE 0 END) "
            f"FROM {_UNITS} u WHERE u.site_id IN ({_marks(ids)}) AND u.state IN ({_HANGING}) "
            "GROUP BY u.site_id",
            [*firm, *ids],
        )
        return {site: (units, int(with_row)) for site, units, with_row in cursor.fetchall()}


def _wanting(ids: Sequence[int], firm: Sequence[int], day: date) -> dict[int, tuple[int, ...]]:
    """By site: obligations overdue, doubtful and due that the index finds, and hanging units likewise."""
    adapt: Any = connection.ops.adapt_datefield_value
    today, soon = adapt(day), adapt(day + timedelta(days=SOON_DAYS))
    rank = (
        "CASE WHEN o.knowledge IN ('unknown_basis', 'uncovered') THEN 2 "
        "WHEN o.latest_on < %s AND NOT o.is_deferred THEN 3 ELSE 1 END"
    )
    where = f"o.is_binding AND o.site_id IN ({_marks(ids)}) AND {_is_ours(firm, 'o.site_id')}"
    away = f"SELECT id FROM {_UNITS} WHERE state IN ({_ELSEWHERE})"
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT site_id, SUM(late), SUM(doubtful), SUM(near), "
            "SUM(CASE WHEN hangs AND worst = 3 THEN 1 ELSE 0 END), "
            "SUM(CASE WHEN hangs AND worst = 2 THEN 1 ELSE 0 END), "
            "SUM(CASE WHEN hangs AND worst = 1 THEN 1 ELSE 0 END) FROM ("
            f"SELECT site_id, unit_id, unit_id NOT IN ({away}) AS hangs, MAX(rank) AS worst, "
            "SUM(CASE WHEN rank = 3 THEN 1 ELSE 0 END) AS late, "
            "SUM(CASE WHEN rank = 2 THEN 1 ELSE 0 END) AS doubtful, "
            "SUM(CASE WHEN rank = 1 THEN 1 ELSE 0 END) AS near FROM ("
            f"SELECT o.site_id, o.unit_id, {rank} AS rank FROM {_OBLIGATIONS} o "
            f"WHERE {where} AND o.latest_on <= %s "
            f"UNION ALL SELECT o.site_id, o.unit_id, 2 FROM {_OBLIGATIONS} o "
            f"WHERE {where} AND o.knowledge = 'uncovered' AND (o.latest_on IS NULL OR o.latest_on > %s)"
            ") AS wanting GROUP BY site_id, unit_id) AS units GROUP BY site_id",
            [today, *ids, *firm, soon, *ids, *firm, soon],
        )
        return {row[0]: tuple(int(number) for number in row[1:]) for row in cursor.fetchall()}


def _tallied(sites: Sequence[Site], day: date, wanting: dict[int, tuple[int, ...]]) -> set[int]:
    """Sites of which the index found everything, as their tally tells."""
    tallies = SiteTally.objects.filter(site__in=[site.pk for site in sites], counted_on=day)
    rows = tallies.exclude(recount_on__lte=day).in_bulk()
    whole = set()
    for site in sites:
        tally = rows.get(site.pk)
        if tally is None:
            continue
        late, doubtful, near = (
            tally.overdue,
            tally.unknown + tally.uncovered,
            tally.due,
        )
        if site.monthly_checks_by == Site.MonthlyChecks.FIRM:
            late += tally.look_overdue
            doubtful += tally.look_unknown + tally.look_uncovered
            near += tally.look_due
        if wanting.get(site.pk, _NOTHING)[:3] == (late, doubtful, near):
            whole.add(site.pk)
    return whole


def _row_by_row(ids: Sequence[int], now: datetime) -> dict[int, tuple[int, int, int, int]]:
    """Hanging units overdue, doubtful and due, and all with a row, by site."""
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
        row["site_id"]: (
            row["late"],
            row["doubtful"] - row["late"],
            row["wanting"] - row["doubtful"],
            row["covered"],
        )
        for row in rows
    }
