"""Days on which somebody can go to a site, out of hours of access, blackouts and public holidays."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

WORKING_WEEK = frozenset(range(5))
"""Monday to Friday: assumed where a site states no hours."""


@dataclass(frozen=True, slots=True)
class Closed:
    """Days from ``first`` to ``last``, both included; ``is_yearly`` where they come again every year."""

    first: date
    last: date
    label: str = ""
    is_yearly: bool = False

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise ValueError(f"{self.label or 'A period'}: its last day lies before its first.")

    def within(self, start: date, end: date) -> Iterator[date]:
        """Yield the closed days from ``start`` to ``end``, both included.

        A yearly period keeps its day and month; 29 February becomes the 28th in other years.
        """
        years = range(start.year - 1, end.year + 1) if self.is_yearly else (self.first.year,)
        length = (self.last - self.first).days
        for year in years:
            first = _in_year(self.first, year)
            for day in (first + timedelta(days=n) for n in range(length + 1)):
                if start <= day <= end:
                    yield day


def _in_year(day: date, year: int) -> date:
    try:
        return day.replace(year=year)
    except ValueError:
        return day.replace(year=year, day=28)


def closed_days(periods: Iterable[Closed], start: date, end: date) -> frozenset[date]:
    """Return every closed day from ``start`` to ``end``."""
    return frozenset(day for period in periods for day in period.within(start, end))


def candidate_days(
    start: date,
    end: date,
    *,
    weekdays: Collection[int] = WORKING_WEEK,
    closed: Collection[date] = frozenset(),
    anchors: Sequence[date] = (),
) -> list[date]:
    """Return one open day of each week from ``start`` to ``end``, ascending.

    Beside the first open day of all and of each week come, for each of ``anchors``, the last open day
    not after it: a latest day need not give up the rest of its week.
    """
    open_days = [
        day
        for day in (start + timedelta(days=n) for n in range((end - start).days + 1))
        if day.weekday() in weekdays and day not in closed
    ]
    weeks: dict[date, date] = {}
    for day in open_days:
        weeks.setdefault(day - timedelta(days=day.weekday()), day)
    found = set(weeks.values())
    for anchor in anchors:
        before = [day for day in open_days if day <= anchor and (anchor - day).days < 62]
        if before:
            found.add(before[-1])
    return sorted(found)


def off_month_days(days: Sequence[date], month: int | None, tolerance_days: int) -> list[bool]:
    """Return for each day whether it lies outside the agreed month and its tolerance; none without one."""
    if month is None:
        return [False] * len(days)
    found = []
    for day in days:
        apart = []
        for year in (day.year - 1, day.year, day.year + 1):
            first = date(year, month, 1)
            last = (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)
            apart.append(max((first - day).days, (day - last).days, 0))
        found.append(min(apart) > tolerance_days)
    return found
