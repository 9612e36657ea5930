"""How many obligations and units of each site stand how: kept with the obligations, read in their stead.

A tally counts on one civil day. Three things move it: obligations that are written (``settle``, in the
same transaction), days that pass (``advance``, by the rows that crossed a line, found by index), and
what neither can tell, which is counted anew. Readers take a tally only where it was counted on the
site's own today; every other site is counted row by row, so that a figure is slow rather than wrong.
"""

# ruff: noqa: S608 - the SQL here is put together from names of tables and closed vocabularies only

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from django.db import IntegrityError, connection, transaction
from django.db.models import Case, Count, F, Q, QuerySet, Sum, When

from inventory.access import Scope
from inventory.bulk import update_rows
from inventory.register.models import Site
from schedules.due.models import Obligation, SiteTally
from schedules.due.queries import (
    SOON_DAYS,
    DueWanted,
    Standing,
    Status,
    Work,
    batched,
    due_list,
    standings,
    status_counts,
    zone_days,
)
from schedules.engine.fleet import NO_DAY, Ints, day_of, number

log = logging.getLogger(__name__)

COUNTS = tuple(status.value for status in Status)
COLUMNS = (*COUNTS, *(f"look_{name}" for name in COUNTS))
# From the gravest on, as each unit is counted: an unknown date and a kind without a rule look alike.
GRAVITY = ("overdue", "unknown", "due", "in_date")
UNIT_COLUMNS = (*(f"unit_{name}" for name in GRAVITY), *(f"whole_{name}" for name in GRAVITY))
_PLACE = {status: place for place, status in enumerate(Status)}
_LOOK = "visual_inspection"
_UNJUDGED = ("unknown_basis", "uncovered")
GRAVITY_OF = {
    Status.OVERDUE: 0,
    Status.UNKNOWN: 1,
    Status.UNCOVERED: 1,
    Status.DUE: 2,
    Status.IN_DATE: 3,
    Status.NO_DATE: 3,
}
_GRAVITIES = np.array([GRAVITY_OF[status] for status in Status])
Cells = dict[int, dict[int, list[int]]]
"""Tasks but looks, and looks, by month, by the place of a site."""

FARTHEST_DAYS = SOON_DAYS - 1
"""So many days a tally can be carried on; over a longer gap a row could cross both lines."""

ROUND_HOURS = 28 * 24
"""Within so many hours every site is counted anew once."""

RECOUNTED_AT_ONCE = 2_000
"""Sites counted anew in one transaction."""

LOCK = 7_201_857
"""Names the lock under which obligations and tallies are written; any number that is nobody else's."""

_OBLIGATIONS = Obligation._meta.db_table
_TALLIES = SiteTally._meta.db_table
_SITES = Site._meta.db_table


def hold_lock() -> None:
    """Wait for every other writer of obligations, to the end of the transaction."""
    if connection.vendor == "postgresql":
        # Two refreshes of one unit at once would both insert its rows. SQLite has one writer anyway.
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])


@dataclass(frozen=True, slots=True)
class Rows:
    """Obligations as columns; days are numbers."""

    unit: Ints
    site: Ints
    is_look: Any
    is_unknown: Any
    is_uncovered: Any
    is_deferred: Any
    is_binding: Any
    target: Ints
    latest: Ints

    @classmethod
    def of(cls, rows: Iterable[tuple[Any, ...]]) -> Rows:
        """Of rows: unit, site, task, knowledge, is deferred, is binding, target, latest (texts or None)."""
        columns = list(zip(*(row for row in rows if row[1] is not None), strict=True)) or [()] * 8
        knowledge = np.array(columns[3], object)
        return cls(
            np.array(columns[0], np.int64),
            np.array(columns[1], np.int64),
            np.array(columns[2], object) == _LOOK,
            knowledge == "unknown_basis",
            knowledge == "uncovered",
            np.array(columns[4], np.bool_),
            np.array(columns[5], np.bool_),
            _numbers(columns[6]),
            _numbers(columns[7]),
        )

    def counted(self, sites: Ints, days: Ints) -> Ints:
        """Counts by site (a row each, in the order of ``sites``) and column, each on the site's day.

        The columns are those of ``COLUMNS``, then those of ``UNIT_COLUMNS``.
        """
        kept = np.flatnonzero(self.is_binding)
        place = np.searchsorted(sites, self.site[kept])
        day, latest, target = days[place], self.latest[kept], self.target[kept]
        is_near = (latest <= day + SOON_DAYS) | ((target != NO_DAY) & (target <= day))
        status = np.select(
            [
                self.is_unknown[kept],
                self.is_uncovered[kept],
                latest == NO_DAY,
                (latest < day) & ~self.is_deferred[kept],
                is_near,
            ],
            [
                _PLACE[Status.UNKNOWN],
                _PLACE[Status.UNCOVERED],
                _PLACE[Status.NO_DATE],
                _PLACE[Status.OVERDUE],
                _PLACE[Status.DUE],
            ],
            _PLACE[Status.IN_DATE],
        )
        is_look = self.is_look[kept]
        tasks = _table(place, status + len(COUNTS) * is_look, len(sites), len(COLUMNS))
        # Each unit once, at the site that its rows are of.
        key = place * (int(self.unit.max(initial=0)) + 1) + self.unit[kept]
        _, first, unit = np.unique(key, return_index=True, return_inverse=True)
        gravity = _GRAVITIES[status] + len(GRAVITY) * is_look
        by_gravity = _table(unit, gravity, len(first), 2 * len(GRAVITY)) > 0
        plain = by_gravity[:, : len(GRAVITY)]
        units = [tasks]
        for found in (plain, plain | by_gravity[:, len(GRAVITY) :]):
            some = found.any(axis=1)
            units.append(_table(place[first[some]], found[some].argmax(axis=1), len(sites), len(GRAVITY)))
        return np.concatenate(units, axis=1)

    def months(self, sites: Ints, floors: Ints, untils: Ints) -> Cells:
        """How many binding rows have their latest date in each month from the floor on, by site.

        What lies before the floor is counted at the floor, what lies beyond the end not at all.
        """
        kept = np.flatnonzero(self.is_binding & (self.latest != NO_DAY))
        place = np.searchsorted(sites, self.site[kept])
        month = np.maximum(_months(self.latest[kept]), floors[place])
        near = month < untils[place]
        kept, place, month = kept[near], place[near], month[near]
        keys, numbers = np.unique(
            (place << _MONTH_BITS | month) << 1 | self.is_look[kept], return_counts=True
        )
        found: Cells = defaultdict(lambda: defaultdict(lambda: [0, 0]))
        for key, count in zip(keys.tolist(), numbers.tolist(), strict=True):
            at = key >> 1
            found[at >> _MONTH_BITS][at & (1 << _MONTH_BITS) - 1][key & 1] = count
        return found

    def recounts(self, sites: Ints, days: Ints) -> Ints:
        """The first day, by site, on which a target comes long before its latest date; a far day if none."""
        first = np.full(len(sites), _NEVER)
        # Such a row turns due by its target, and no index leads to that.
        wide = self.is_binding & (self.target != NO_DAY) & (self.latest > self.target + SOON_DAYS)
        place = np.searchsorted(sites, self.site[wide])
        target = self.target[wide]
        ahead = target > days[place]
        np.minimum.at(first, place[ahead], target[ahead])
        return first


_NEVER = number(date.max)
_MONTH_BITS = 17
"""Enough for 12 × 9999."""
MONTHS_KEPT = 24
"""So many months ahead and up to a year more tasks are kept by month, so that sites run out one by one."""


def month_number(day: date) -> int:
    """The month of ``day`` as tallies number them."""
    return 12 * day.year + day.month - 1


def _months(days: Ints) -> Ints:
    numbers: Ints = days.astype("M8[D]").astype("M8[M]").astype(np.int64) + 12 * 1970
    return numbers


def _floors(days: Ints) -> Ints:
    """The months before those of the days on which sites are counted: UTC may still be in them."""
    return _months(days) - 1


def _untils(sites: Ints, days: Ints) -> Ints:
    return _months(days) + MONTHS_KEPT + sites % 12


def _runs_out(until: int) -> date:
    """The day on which a tally that ends there no longer reaches a year ahead, in UTC neither."""
    month = until - 12
    return date(month // 12, month % 12 + 1, 1)


def _table(row: Ints, column: Ints, rows: int, columns: int) -> Ints:
    """How often each pair of row and column comes."""
    return np.bincount(row * columns + column, minlength=rows * columns).reshape(rows, columns)


def settle(before: Rows, after: Rows, as_of: Mapping[int, int]) -> None:
    """Let the tallies follow from ``before`` to ``after``: the obligations of some units, all tables.

    ``as_of`` is the civil day, as a number, of each site that a unit of ``after`` is on. The caller
    holds the transaction, has written the rows, and has taken ``hold_lock``.
    """
    sites = np.unique(np.concatenate([before.site, after.site]))
    if not len(sites):
        return
    old = {tally.site_id: tally for tally in SiteTally.objects.filter(pk__in=sites.tolist())}
    news = [site for site in sites.tolist() if site not in old]
    days = np.array(
        [number(old[site].counted_on) if site in old else as_of.get(site, 0) for site in sites.tolist()],
        np.int64,
    )
    fresh = after.counted(sites, days)
    moved = fresh - before.counted(sites, days)
    recounts = after.recounts(sites, days)
    floors = _floors(days)
    untils = np.array(
        [
            old[site].coming_until if site in old else until
            for site, until in zip(sites.tolist(), _untils(sites, days).tolist(), strict=True)
        ],
        np.int64,
    )
    added, taken = after.months(sites, floors, untils), before.months(sites, floors, untils)
    # A site that is new to the tallies holds nothing but what was written here, or is counted anew.
    held = _held(news)
    written = dict(zip(*(c.tolist() for c in np.unique(after.site, return_counts=True)), strict=True))
    begun: list[SiteTally] = []
    moving: list[tuple[Any, ...]] = []
    anew: list[int] = []
    for place, site in enumerate(sites.tolist()):
        tally, first = old.get(site), int(recounts[place])
        if tally is None:
            if held.get(site, 0) != written.get(site, 0):
                anew.append(site)
                continue
            if site not in as_of:
                continue
            until = int(untils[place])
            tally = SiteTally(
                site_id=site,
                counted_on=_day(int(days[place])),
                recount_on=_runs_out(until),
                coming_until=until,
            )
            now = fresh[place].tolist()
            coming = _listed_months([], added.get(place, {}), {}, 0)
        else:
            coming = _listed_months(
                tally.coming, added.get(place, {}), taken.get(place, {}), int(floors[place])
            )
            if not moved[place].any() and first == _NEVER and coming == tally.coming:
                continue
            now = [getattr(tally, name) + n for name, n in zip(_KEPT, moved[place].tolist(), strict=True)]
        if min(now) < 0 or any(min(line) < 0 for line in coming):
            anew.append(site)
            continue
        recount_on = tally.recount_on
        if first != _NEVER:
            recount_on = min(recount_on or date.max, _day(first))
        if site in old:
            moving.append((recount_on, coming, *now, site))
        else:
            tally.recount_on, tally.coming = recount_on, coming
            for name, value in zip(_KEPT, now, strict=True):
                setattr(tally, name, value)
            begun.append(tally)
    # Those that are there are many each night, and written the short way.
    update_rows(SiteTally, ("recount_on", "coming", *_KEPT), moving)
    _put(begun)
    _count(anew, {site: _day(int(as_of[site])) for site in anew if site in as_of})


_KEPT = (*COLUMNS, *UNIT_COLUMNS)


def _listed_months(
    listed: list[list[int]], added: Mapping[int, list[int]], taken: Mapping[int, list[int]], floor: int
) -> list[list[int]]:
    """The months of a site as a tally keeps them, with what was added and without what was taken."""
    if added == taken:
        return listed
    found: dict[int, list[int]] = {}
    for month, *counts in listed:
        here = found.setdefault(max(month, floor), [0, 0])
        here[0] += counts[0]
        here[1] += counts[1]
    for sign, moved in ((1, added), (-1, taken)):
        for month, counts in moved.items():
            here = found.setdefault(month, [0, 0])
            for column in (0, 1):
                here[column] += sign * counts[column]
    return [[month, *found[month]] for month in sorted(found) if any(found[month])]


def advance(now: datetime) -> int:
    """Carry every tally to its site's own today and count the missing ones; return how many moved."""
    days = zone_days(now)
    zones_by_day: dict[date, list[str]] = defaultdict(list)
    for zone, day in days.items():
        zones_by_day[day].append(zone)
    moved = 0
    for day, zones in zones_by_day.items():
        here = SiteTally.objects.filter(site__time_zone__in=zones)
        for counted_on in (
            here.exclude(counted_on=day).order_by().values_list("counted_on", flat=True).distinct()
        ):
            if timedelta(0) < day - counted_on <= timedelta(days=FARTHEST_DAYS):
                moved += _carry(counted_on, day, zones)
    behind = list(Site.objects.exclude(_current(days)).order_by("pk").values_list("pk", flat=True))
    for sites in batched(behind, RECOUNTED_AT_ONCE):
        moved += recount(sites, now=now)
    return moved


def recount(site_ids: Iterable[int], *, now: datetime) -> int:
    """Count the obligations of these sites row by row and keep what was counted; return how many sites."""
    ids = list(site_ids)
    days = zone_days(now)
    zones = dict(Site.objects.filter(pk__in=ids).order_by().values_list("pk", "time_zone"))
    with transaction.atomic():
        hold_lock()
        _count(ids, {site: days[zone] for site, zone in zones.items()})
    return len(zones)


def look_over(now: datetime) -> int:
    """Count anew the sites whose turn it is in this hour; return how many tallies had been wrong.

    The turn comes round to every site within ``ROUND_HOURS``, so that no fault in carrying tallies on
    stays in the figures, and none goes unnoticed.
    """
    turn = int(now.timestamp() // 3600) % ROUND_HOURS
    sites = Site.objects.order_by("pk").annotate(turn=F("pk") % ROUND_HOURS).filter(turn=turn)
    ids = list(sites.values_list("pk", flat=True))
    if not ids:
        return 0
    with transaction.atomic():
        hold_lock()
        before, _, after = _counts(ids), recount(ids, now=now), _counts(ids)
    # A tally of another day is not wrong, it is old.
    wrong = [site for site, counts in before.items() if after[site][0] == counts[0] and after[site] != counts]
    if wrong:
        log.error("The tallies of the sites %s were wrong and have been counted anew.", wrong)
    return len(wrong)


def _counts(site_ids: list[int]) -> dict[int, tuple[Any, ...]]:
    rows = SiteTally.objects.filter(pk__in=site_ids).values_list("pk", "counted_on", *_KEPT)
    return {row[0]: row[1:] for row in rows}


def _carry(old: date, new: date, zones: list[str]) -> int:
    """Move the tallies of the sites in ``zones`` from one day to a later one."""
    with transaction.atomic():
        hold_lock()
        named = ", ".join(["%s"] * len(zones))
        unjudged = ", ".join(f"'{code}'" for code in _UNJUDGED)
        where = f"o.is_binding AND o.knowledge NOT IN ({unjudged})"
        soon = timedelta(days=SOON_DAYS)
        here = f"counted_on = %s AND site_id IN (SELECT id FROM {_SITES} WHERE time_zone IN ({named}))"
        sets = ", ".join(
            f"{p}overdue = {p}overdue + m.{p}late, {p}due = {p}due - m.{p}late + m.{p}near, "
            f"{p}in_date = {p}in_date - m.{p}near"
            for p in ("", "look_")
        )
        sums = ", ".join(
            f"SUM(CASE WHEN {what} AND task {sign} '{_LOOK}' THEN 1 ELSE 0 END) AS {prefix}{name}"
            for what, name in (("is_late = 1", "late"), ("is_late = 0", "near"))
            for sign, prefix in (("<>", ""), ("=", "look_"))
        )
        sql = f"""
            WITH crossed AS (
                SELECT o.site_id, o.task, 1 AS is_late FROM {_OBLIGATIONS} o
                WHERE o.latest_on >= %s AND o.latest_on < %s AND NOT o.is_deferred AND {where}
                UNION ALL
                SELECT o.site_id, o.task, 0 AS is_late FROM {_OBLIGATIONS} o
                WHERE o.latest_on > %s AND o.latest_on <= %s
                    AND (o.target_on IS NULL OR o.target_on > %s) AND {where}
            ), m AS (SELECT site_id, {sums} FROM crossed GROUP BY site_id)
            UPDATE {_TALLIES} SET {sets} FROM m
            WHERE m.site_id = {_TALLIES}.site_id AND {here.replace("site_id IN", f"{_TALLIES}.site_id IN")}
        """
        with connection.cursor() as cursor:
            try:
                with transaction.atomic():
                    cursor.execute(sql, [old, new, old + soon, new + soon, old, old, *zones])
                    _carry_units(cursor, old, new, zones)
            except IntegrityError:
                # A count below nothing: these tallies were wrong, and are counted anew.
                cursor.execute(f"DELETE FROM {_TALLIES} WHERE {here}", [old, *zones])
                return 0
            cursor.execute(f"UPDATE {_TALLIES} SET counted_on = %s WHERE {here}", [new, old, *zones])
            return int(cursor.rowcount)


def _carry_units(cursor: Any, old: date, new: date, zones: list[str]) -> None:
    """Move the counts of units, each by the gravest of its tasks before and after."""
    named = ", ".join(["%s"] * len(zones))
    here = f"counted_on = %s AND {_TALLIES}.site_id IN (SELECT id FROM {_SITES} WHERE time_zone IN ({named}))"
    those = [old, *zones]
    moves, parameters = _moves(old, new, f"SELECT site_id FROM {_TALLIES} WHERE {here}", those)
    sets = ", ".join(f"{name} = {name} + m.m_{name}" for name in UNIT_COLUMNS)
    cursor.execute(
        f"{moves} UPDATE {_TALLIES} SET {sets} FROM m WHERE m.site_id = {_TALLIES}.site_id AND {here}",
        [*parameters, *those],
    )


def units_moved(site_ids: Sequence[int], old: date, new: date) -> dict[int, tuple[int, ...]]:
    """How the counts of units (``UNIT_COLUMNS``) move from one day to a later one, by site where they do.

    At most ``FARTHEST_DAYS`` lie between, and no ``recount_on`` of a site has come by ``new``.
    """
    listed = ", ".join(str(int(site)) for site in site_ids)
    moves, parameters = _moves(old, new, listed, [])
    with connection.cursor() as cursor:
        names = ", ".join(f"m_{name}" for name in UNIT_COLUMNS)
        cursor.execute(f"{moves} SELECT site_id, {names} FROM m", parameters)
        return {row[0]: tuple(int(number) for number in row[1:]) for row in cursor.fetchall()}


def _moves(old: date, new: date, sites: str, those: list[Any]) -> tuple[str, list[Any]]:
    """SQL of what moves at ``sites`` (SQL with the parameters ``those``), as the relation ``m``."""
    unjudged = ", ".join(f"'{code}'" for code in _UNJUDGED)
    where = f"o.is_binding AND o.knowledge NOT IN ({unjudged}) AND o.site_id IN ({sites})"
    soon = timedelta(days=SOON_DAYS)
    rank = (
        f"CASE WHEN o.knowledge IN ({unjudged}) THEN 2 WHEN o.latest_on IS NULL THEN 0 "
        "WHEN o.latest_on < %s AND NOT o.is_deferred THEN 3 "
        "WHEN o.latest_on <= %s OR o.target_on <= %s THEN 1 ELSE 0 END"
    )
    moved = ", ".join(
        f"SUM(CASE WHEN {prefix}after = {3 - place} THEN 1 ELSE 0 END) "
        f"- SUM(CASE WHEN {prefix}before = {3 - place} THEN 1 ELSE 0 END) AS m_{prefix}{name}"
        for prefix in ("unit_", "whole_")
        for place, name in enumerate(GRAVITY)
    )
    sql = f"""
        WITH crossed AS (
            SELECT o.unit_id FROM {_OBLIGATIONS} o
            WHERE o.latest_on >= %s AND o.latest_on < %s AND NOT o.is_deferred AND {where}
            UNION
            SELECT o.unit_id FROM {_OBLIGATIONS} o
            WHERE o.latest_on > %s AND o.latest_on <= %s
                AND (o.target_on IS NULL OR o.target_on > %s) AND {where}
        ), ranked AS (
            SELECT o.site_id, o.unit_id, CASE WHEN o.task = '{_LOOK}' THEN 1 ELSE 0 END AS is_look,
                {rank} AS rank_before, {rank} AS rank_after
            FROM {_OBLIGATIONS} o WHERE o.is_binding AND o.unit_id IN (SELECT unit_id FROM crossed)
        ), stands AS (
            SELECT site_id,
                MAX(CASE WHEN is_look = 0 THEN rank_before ELSE -1 END) AS unit_before,
                MAX(CASE WHEN is_look = 0 THEN rank_after ELSE -1 END) AS unit_after,
                MAX(rank_before) AS whole_before, MAX(rank_after) AS whole_after
            FROM ranked GROUP BY site_id, unit_id
        ), m AS (SELECT site_id, {moved} FROM stands GROUP BY site_id)
    """
    adapt: Any = connection.ops.adapt_datefield_value
    crossing = [adapt(old), adapt(new), *those, adapt(old + soon), adapt(new + soon), adapt(old), *those]
    ranks = [adapt(day) for day in (old, old + soon, old, new, new + soon, new)]
    return sql, [*crossing, *ranks]


def _count(site_ids: list[int], days: Mapping[int, date]) -> None:
    for ids in batched(sorted(site_ids), RECOUNTED_AT_ONCE):
        sites = np.array([site for site in ids if site in days], np.int64)
        SiteTally.objects.filter(pk__in=ids).delete()
        if not len(sites):
            continue
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT unit_id, site_id, task, knowledge, is_deferred, is_binding, CAST(target_on AS text), "
                f"CAST(latest_on AS text) FROM {_OBLIGATIONS} WHERE site_id IN "
                f"({', '.join(map(str, sites.tolist()))})"
            )
            rows = Rows.of(cursor.fetchall())
        on = np.array([number(days[site]) for site in sites.tolist()], np.int64)
        untils = _untils(sites, on)
        months = rows.months(sites, _floors(on), untils)
        _put(
            [
                SiteTally(
                    site_id=site,
                    counted_on=_day(day),
                    recount_on=min(_day(first), _runs_out(until)),
                    coming=_listed_months([], months.get(place, {}), {}, 0),
                    coming_until=until,
                    **dict(zip(_KEPT, row, strict=True)),
                )
                for place, (site, row, day, first, until) in enumerate(
                    zip(
                        sites.tolist(),
                        rows.counted(sites, on).tolist(),
                        on.tolist(),
                        rows.recounts(sites, on).tolist(),
                        untils.tolist(),
                        strict=True,
                    )
                )
            ]
        )


def _put(tallies: list[SiteTally]) -> None:
    SiteTally.objects.bulk_create(
        tallies,
        update_conflicts=True,
        unique_fields=["site"],
        update_fields=["counted_on", "recount_on", "coming", "coming_until", *_KEPT],
    )


def _held(site_ids: list[int]) -> dict[int, int]:
    rows = Obligation.objects.filter(site__in=site_ids).order_by().values_list("site_id")
    return dict(rows.annotate(n=Count("pk")))


def _day(day: int) -> date:
    found = day_of(day)
    if found is None:
        raise AssertionError("a tally is counted on a day")
    return found


def _numbers(texts: Iterable[str | None]) -> Ints:
    days = np.array([text or "NaT" for text in texts], "M8[D]")
    return np.where(np.isnat(days), NO_DAY, days.astype(np.int64))


# --- reading ---------------------------------------------------------------------------------------


def is_tallied(wanted: DueWanted) -> bool:
    """Whether the tallies can answer for a list of what is ``wanted``."""
    return wanted.work is not Work.ALL and wanted == DueWanted(
        owner=wanted.owner, site=wanted.site, work=wanted.work
    )


def tallied_counts(scope: Scope, wanted: DueWanted, now: datetime) -> dict[Status, int]:
    """How many obligations stand how at ``now``, exactly; every status is named.

    Only for what ``is_tallied``. Four queries, three more where a site has to be counted row by row.
    """
    return Tallied(scope, wanted, now).counts()


class Tallied:
    """What the tallies of the sites in ``scope`` say at ``now`` of what is ``wanted``."""

    def __init__(self, scope: Scope, wanted: DueWanted, now: datetime) -> None:
        self.wanted, self.now = wanted, now
        self.live = due_list(scope, wanted)
        self.sites = _sites(scope, wanted)
        self.current = _current(zone_days(now))

    @cached_property
    def behind(self) -> list[int]:
        """Sites whose tally is not of their own today."""
        return self._behind()

    def _behind(self) -> list[int]:
        return list(self.sites.exclude(self.current).values_list("pk", flat=True))

    def counts(self) -> dict[Status, int]:
        """How many obligations stand how; every status is named."""
        if self.wanted.site is not None:
            return status_counts(self.live, self.now)
        for _ in range(3):
            number = self.sites.count()
            found = self.sites.filter(self.current).aggregate(
                counted=Count("pk"), **{f"n_{name}": _sum(name, self.wanted.work) for name in COUNTS}
            )
            if found["counted"] == number:
                self.behind = []
            # A site whose tally came or went between the queries would be counted twice or never.
            if len(self.behind) + found["counted"] == self.sites.count():
                break
            self.behind = self._behind()
        else:
            return status_counts(self.live, self.now)
        counts = {status: int(found[f"n_{status.value}"] or 0) for status in Status}
        if self.behind:
            for status, more in status_counts(self.live.filter(site__in=self.behind), self.now).items():
                counts[status] += more
        return counts

    def gravest(self, limit: int) -> dict[int, Standing]:
        """The sites where most is overdue, then of unknown date, and how each stands; none without either."""
        ranked = (
            self.sites.filter(self.current)
            .annotate(late=_ours("overdue"), doubt=_ours("unknown"))
            .filter(Q(late__gt=0) | Q(doubt__gt=0))
            .order_by("-late", "-doubt", "pk")
            .values_list("pk", flat=True)
        )
        asked = [*ranked[:limit], *self.behind]
        found = standings(self.live.filter(site__in=asked), "site_id", self.now) if asked else {}
        rank = {
            site: (-here.counts.get(Status.OVERDUE, 0), -here.counts.get(Status.UNKNOWN, 0), site)
            for site, here in found.items()
        }
        return {
            site: found[site] for site in sorted(rank, key=rank.__getitem__)[:limit] if any(rank[site][:2])
        }


def _sites(scope: Scope, wanted: DueWanted) -> QuerySet[Site]:
    sites = Site.objects.visible_to(scope).order_by()
    if wanted.owner is not None:
        sites = sites.filter(owner=wanted.owner)
    if wanted.work is Work.OWNERS:
        sites = sites.filter(monthly_checks_by=Site.MonthlyChecks.OWNER)
    return sites


def _current(days: Mapping[str, date]) -> Q:
    """Sites whose tally was counted on their own today and needs no counting anew."""
    zones_by_day: dict[date, list[str]] = defaultdict(list)
    for zone, day in days.items():
        zones_by_day[day].append(zone)
    found = Q(pk__in=[])
    for day, zones in zones_by_day.items():
        known = Q(tally__recount_on__isnull=True) | Q(tally__recount_on__gt=day)
        found |= Q(time_zone__in=zones, tally__counted_on=day) & known
    return found


def _ours(name: str) -> Any:
    looks = Case(When(monthly_checks_by=Site.MonthlyChecks.FIRM, then=F(f"tally__look_{name}")), default=0)
    return F(f"tally__{name}") + looks


def _sum(name: str, work: Work) -> Any:
    return Sum(F(f"tally__look_{name}") if work is Work.OWNERS else _ours(name))
