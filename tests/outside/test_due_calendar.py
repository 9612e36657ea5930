"""The arithmetic of due dates against two libraries that know nothing of each other.

python-dateutil adds months to a date and clamps to the month's end; numpy counts whole months in
``datetime64[M]`` and days in ``datetime64[D]``. The engine must agree with both for any day.
"""

from __future__ import annotations

from datetime import date

import numpy as np
from dateutil.relativedelta import relativedelta
from hypothesis import example, given
from hypothesis import strategies as st

from inventory.measures.stamps import Stamp
from schedules.engine import Done, UnitFacts, obligations
from tests.cases.making import rule, table

UNIT = UnitFacts("water", "stored_pressure", "mild_steel")
DAYS = st.dates(date(1950, 1, 1), date(2100, 12, 31))
MONTHS = st.integers(1, 240)


def by_numpy(day: date, months: int) -> date:
    month = np.datetime64(day, "M") + np.timedelta64(months, "M")
    following = month + np.timedelta64(1, "M")
    length = int((following.astype("M8[D]") - month.astype("M8[D]")).astype(int))
    return (month.astype("M8[D]") + np.timedelta64(min(day.day, length) - 1, "D")).astype(object)


def due(stamp: Stamp, interval: str, month_mark: str = "first_day") -> date | None:
    tables = table(rule(every=interval), conventions={"month_mark": month_mark})
    [item] = obligations(UNIT, [Done("maintenance", stamp)], tables, date(2101, 1, 1))
    return item.latest


@given(DAYS, MONTHS)
@example(date(2024, 2, 29), 12)
@example(date(2024, 2, 29), 144)
@example(date(2023, 8, 31), 6)
def test_months_after_a_day(day: date, months: int) -> None:
    found = due(Stamp.on(day), f"P{months}M")
    assert found == by_numpy(day, months)
    assert found == day + relativedelta(months=months)


@given(DAYS, st.integers(1, 4000))
def test_days_after_a_day(day: date, days: int) -> None:
    found = due(Stamp.on(day), f"P{days}D")
    assert found == (np.datetime64(day) + np.timedelta64(days, "D")).astype(object)
    assert found == day + relativedelta(days=days)


@given(DAYS, MONTHS)
def test_a_month_mark_is_due_to_the_end_of_its_month(day: date, months: int) -> None:
    found = due(Stamp.of(day.year, day.month), f"P{months}M", "last_day")
    month = np.datetime64(day, "M") + np.timedelta64(months, "M")
    following = month + np.timedelta64(1, "M")
    assert found == (following.astype("M8[D]") - np.timedelta64(1, "D")).astype(object)
    assert found == day + relativedelta(day=1) + relativedelta(months=months, day=31)


@given(DAYS, MONTHS)
def test_a_month_mark_on_the_safe_side_counts_from_its_first_day(day: date, months: int) -> None:
    found = due(Stamp.of(day.year, day.month), f"P{months}M")
    assert found == (np.datetime64(day, "M") + np.timedelta64(months, "M")).astype("M8[D]").astype(object)


@given(st.dates(date(1960, 1, 1), date(1999, 12, 31)), st.integers(1, 30), st.integers(0, 40))
def test_a_fixed_rhythm_does_not_drift(start: date, months: int, steps: int) -> None:
    """The n-th date is start + n intervals, not a chain of results each clamped anew."""
    done = start + relativedelta(months=months * steps)
    tables = table(
        rule(every=f"P{months}M", counts="grid", window={"before": "P1D"}, anchors=["made"]),
    )
    unit = UnitFacts("water", "stored_pressure", "mild_steel", made=Stamp.on(start))
    [item] = obligations(unit, [Done("maintenance", Stamp.on(done))], tables, date(2101, 1, 1))
    assert item.target == by_numpy(start, months * (steps + 1))
