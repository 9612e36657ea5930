"""Calendar arithmetic over columns of days.

A column of days is an int64 array of day numbers since 1970-01-01; ``NO_DAY`` stands where there is
none and stays so under every function here. The rules are those of ``schedules.rules.Period``:
months first, a day that does not exist becomes the month's last, then days.

>>> [str(day_of(day)) for day in after(column([date(2026, 1, 31), None]), 1, 0)]
['2026-02-28', 'None']
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from schedules.rules.period import Period
from schedules.rules.table import Window, Within

Ints: TypeAlias = npt.NDArray[np.int64]
Bools: TypeAlias = npt.NDArray[np.bool_]
Count: TypeAlias = int | Ints

# numpy's own "not a time", so that a view as datetime64 shows it as such.
NO_DAY = int(np.iinfo(np.int64).min)
FIRST_DAY = date.min.toordinal() - date(1970, 1, 1).toordinal()
_EPOCH = date(1970, 1, 1).toordinal()


def number(day: date | None) -> int:
    """Return the day number of ``day``."""
    return NO_DAY if day is None else day.toordinal() - _EPOCH


def column(days: Iterable[date | None]) -> Ints:
    """Return ``days`` as a column."""
    return np.array([number(day) for day in days], dtype=np.int64)


def day_of(number: int) -> date | None:
    """Return the day of a day number."""
    return None if number == NO_DAY else date.fromordinal(int(number) + _EPOCH)


def after(days: Ints, months: Count, more: Count) -> Ints:
    """Return ``days`` plus so many months and then so many days; negative ones lead back."""
    found = safe = _safe(days)
    if isinstance(months, np.ndarray) or months:
        month = _months(days)
        inside = safe - _first_of(month)
        there = month + np.asarray(months, dtype=np.int64)
        found = np.minimum(_first_of(there) + inside, _first_of(there + 1) - 1)
    if isinstance(more, np.ndarray) or more:
        found = found + more
    return np.where(days == NO_DAY, NO_DAY, found)


def period_after(days: Ints, period: Period) -> Ints:
    """Return ``days`` plus ``period``."""
    return after(days, period.months, period.days)


def period_before(days: Ints, period: Period) -> Ints:
    """Return ``days`` less ``period``."""
    return after(days, -period.months, -period.days)


def month_start(days: Ints) -> Ints:
    """Return the first days of the months of ``days``."""
    return np.where(days == NO_DAY, NO_DAY, _first_of(_months(days)))


def month_end(days: Ints) -> Ints:
    """Return the last days of the months of ``days``."""
    return np.where(days == NO_DAY, NO_DAY, _first_of(_months(days) + 1) - 1)


def month_numbers(days: Ints) -> Ints:
    """Return the months of ``days``, counted from January 1970; senseless where there is no day."""
    return _months(days)


def years(days: Ints) -> Ints:
    """Return the years of ``days``, counted from 1970; senseless where there is no day."""
    return _months(days) // 12


def year_start(days: Ints) -> Ints:
    """Return the first days of the years of ``days``."""
    return np.where(days == NO_DAY, NO_DAY, _first_of(years(days) * 12))


def year_end(days: Ints) -> Ints:
    """Return the last days of the years of ``days``."""
    return np.where(days == NO_DAY, NO_DAY, _first_of(years(days) * 12 + 12) - 1)


def opens(window: Window | None, targets: Ints) -> Ints:
    """Return the first days on which work counts for ``targets``."""
    if window is None:
        return targets
    if window.within is Within.CALENDAR_MONTH:
        return month_start(targets)
    if window.within is Within.CALENDAR_YEAR:
        return year_start(targets)
    return period_before(targets, window.before)


def closes(window: Window, latest: Ints) -> Ints:
    """Return the last days on which work is in time for ``latest``."""
    if window.within is Within.CALENDAR_MONTH:
        return month_end(latest)
    if window.within is Within.CALENDAR_YEAR:
        return year_end(latest)
    return period_after(latest, window.after)


def earlier(one: Ints, other: Ints) -> Ints:
    """Return the earlier of two days; no day is later than any."""
    return np.where(one == NO_DAY, other, np.where(other == NO_DAY, one, np.minimum(one, other)))


def _safe(days: Ints) -> Ints:
    return np.where(days == NO_DAY, 0, days)


def _months(days: Ints) -> Ints:
    return _safe(days).view("M8[D]").astype("M8[M]").view(np.int64)


def _first_of(months: Ints) -> Ints:
    return np.ascontiguousarray(months).view("M8[M]").astype("M8[D]").view(np.int64)
