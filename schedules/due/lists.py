"""Long lists of obligations, a page at a time: by ranges of an index, and counted no further than is shown.

A register of a million units holds millions of obligations. Ordered by latest date, a list is therefore
read in parts that each follow an index (dated rows in their order, then those without a date), and the
number of rows is taken from the tallies or counted to ``MOST_COUNTED`` and no further.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import overload

from django.db.models import F, Q, QuerySet
from django.db.models.expressions import OrderBy

from inventory.access import Scope
from schedules.due.models import Obligation
from schedules.due.queries import (
    OPEN_STATUSES,
    DueWanted,
    Status,
    due_list,
    shown,
    status_conditions,
    status_counts,
    zone_days,
)
from schedules.due.tallies import is_tallied, tallied_counts

MOST_COUNTED = 5_000
"""Rows up to which a list without a tally is counted and may be sorted by any column."""

MOST_FOUND = 2_000
"""The same of a list that is narrowed down by words: for each row, several texts are looked at."""

LATEST = "latest_on"


@dataclass(frozen=True, slots=True)
class Counted:
    """How many rows a list holds: ``number``, or more than that."""

    number: int
    is_more: bool = False

    def __str__(self) -> str:
        return f"{self.number}+" if self.is_more else str(self.number)


def counted(rows: QuerySet[Obligation], most: int | None = None) -> Counted:
    """The number of ``rows``, counted to ``most`` (``MOST_COUNTED``) and no further."""
    most = MOST_COUNTED if most is None else most
    number = rows.order_by()[: most + 1].count()
    return Counted(min(number, most), number > most)


@dataclass(frozen=True, slots=True)
class Counts:
    """How many rows of a list stand how. ``by_status`` lacks what is not counted because it is too many."""

    by_status: Mapping[Status, Counted]
    wanted: Counted

    def open(self) -> Counted | None:
        """How many are to be done, if that is known."""
        found = [self.by_status.get(status) for status in OPEN_STATUSES]
        known = [one.number for one in found if one is not None]
        return Counted(sum(known)) if len(known) == len(found) else None

    def all(self) -> Counted | None:
        """How many there are, if that is known."""
        complete = len(self.by_status) == len(Status)
        return Counted(sum(one.number for one in self.by_status.values())) if complete else None


def counts_of(scope: Scope, wanted: DueWanted, statuses: Sequence[Status] | None, now: datetime) -> Counts:
    """How many rows of the list stand how, and how many of them in one of ``statuses`` (None: all).

    Exact where the tallies answer or the list is no longer than ``MOST_COUNTED``, with words ``MOST_FOUND``.
    """
    most = min(MOST_COUNTED, MOST_FOUND) if wanted.text else MOST_COUNTED
    rows = due_list(scope, wanted)
    if is_tallied(wanted):
        known = tallied_counts(scope, wanted, now)
    else:
        here = rows if statuses is None else rows.filter(_condition(statuses, now))
        found = counted(here, most)
        # The whole list is no shorter than what is shown of it.
        if found.is_more or (statuses is not None and counted(rows, most).is_more):
            return Counts({statuses[0]: found} if statuses and len(statuses) == 1 else {}, found)
        known = status_counts(rows, now)
    total = sum(number for status, number in known.items() if statuses is None or status in statuses)
    return Counts({status: Counted(number) for status, number in known.items()}, Counted(total))


@dataclass(slots=True)
class Listed:
    """The rows of a list that stand in one of ``statuses`` (None: all), in an order, to be cut in pages."""

    rows: QuerySet[Obligation]
    statuses: Sequence[Status] | None
    order: Sequence[str]
    now: datetime
    known: int
    """How many rows there are."""
    is_long: bool = False
    """Whether rows of one day need not stand in the order that follows it, so that none is sorted."""
    _parts: list[QuerySet[Obligation]] = field(init=False)

    def __post_init__(self) -> None:
        self._parts = self._cut()

    def count(self) -> int:
        """How many rows there are, as far as they are counted."""
        return self.known

    def __len__(self) -> int:
        return self.known

    @overload
    def __getitem__(self, wanted: slice) -> list[Obligation]: ...
    @overload
    def __getitem__(self, wanted: int) -> Obligation: ...
    def __getitem__(self, wanted: slice | int) -> list[Obligation] | Obligation:
        """The rows from one place to another."""
        if isinstance(wanted, int):
            return self[wanted : wanted + 1][0]
        start, stop = wanted.start or 0, self.known if wanted.stop is None else wanted.stop
        ids = self._ids(start, max(stop - start, 0))
        found = shown(Obligation.objects.filter(pk__in=ids)).in_bulk()
        return [found[pk] for pk in ids if pk in found]

    def _ids(self, start: int, size: int) -> list[int]:
        """Ids of a stretch of rows: walked through the parts without what a page shows of each."""
        ids: list[int] = []
        for part in self._parts:
            here = list(part.values_list("pk", flat=True)[start : start + size - len(ids)])
            ids += here
            if len(ids) >= size:
                break
            # The stretch ends beyond this part, so that it holds fewer rows than have been walked.
            start = 0 if here or not start else max(start - part.order_by().count(), 0)
        return ids

    def _cut(self) -> list[QuerySet[Obligation]]:
        if self.order[0].lstrip("-") != LATEST:
            rows = (
                self.rows if self.statuses is None else self.rows.filter(_condition(self.statuses, self.now))
            )
            return [rows.order_by(*map(dates_last, self.order))]
        dated, undated = self._ranges()
        if self.order[0].startswith("-"):
            dated.reverse()
        order = (
            (self.order[0], "-pk" if self.order[0].startswith("-") else "pk") if self.is_long else self.order
        )
        parts = [self.rows.filter(part, latest_on__isnull=False).order_by(*order) for part in dated]
        if undated is not None:
            parts.append(self.rows.filter(undated, latest_on__isnull=True).order_by(*order[1:]))
        return parts

    def _ranges(self) -> tuple[list[Q], Q | None]:
        """Conditions on dated rows, in the order of their dates and none twice, and that on the others."""
        if self.statuses is None:
            return [Q()], Q()
        conditions = status_conditions(self.now)
        if tuple(self.statuses) == OPEN_STATUSES:
            # Said by what it is not: a choice between four would be looked up four times and sorted.
            is_open = ~(conditions[Status.IN_DATE] | conditions[Status.NO_DATE])
            return [is_open], is_open
        if tuple(self.statuses) == (Status.DUE,):
            first = min(zone_days(self.now).values(), default=self.now.date())
            deferred = conditions[Status.DUE] & Q(is_deferred=True, latest_on__lt=first)
            return [deferred, conditions[Status.DUE] & Q(latest_on__gte=first)], None
        condition = _condition(self.statuses, self.now)
        if not {Status.UNKNOWN, Status.UNCOVERED, Status.NO_DATE} & set(self.statuses):
            return [condition], None
        return [condition], condition


def dates_last(name: str) -> str | OrderBy:
    """Return a part of an order; a row without a date comes last, whichever way and in either database."""
    if name.lstrip("-") != LATEST:
        return name
    latest = F(LATEST)
    return latest.desc(nulls_last=True) if name.startswith("-") else latest.asc(nulls_last=True)


def _condition(statuses: Sequence[Status], now: datetime) -> Q:
    conditions = status_conditions(now)
    if tuple(statuses) == OPEN_STATUSES:
        return ~(conditions[Status.IN_DATE] | conditions[Status.NO_DATE])
    found = Q(pk__in=[])
    for status in statuses:
        found |= conditions[status]
    return found
