"""Dates against ISO 8601, the calendar of the standard library and marks that regulations print."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from dateutil import parser
from hypothesis import given
from hypothesis import strategies as st

from inventory.measures.stamps import Precision, Stamp, StampError, read_stamp

TODAY = date(2026, 11, 25)
DAYS = st.dates(date(1950, 1, 1), TODAY)


@given(DAYS)
def test_iso_8601_dates_agree_with_the_standard_library(day: date) -> None:
    """ISO 8601:2004, 4.1.2.2: calendar date, extended and basic format."""
    for text in (day.isoformat(), f"{day:%Y%m%d}"):
        assert date.fromisoformat(text) == day
        assert read_stamp(text, today=TODAY).stamp == Stamp.on(day)


@given(DAYS)
def test_iso_8601_reduced_precision_stays_reduced(day: date) -> None:
    """ISO 8601:2004, 4.1.2.3: a specific month (YYYY-MM) and a specific year (YYYY)."""
    month = read_stamp(f"{day:%Y-%m}", today=TODAY).stamp
    year = read_stamp(f"{day:%Y}", today=TODAY).stamp
    assert (month.precision, year.precision) == (Precision.MONTH, Precision.YEAR)
    assert month.first is not None
    assert month.last is not None
    assert month.first <= day <= month.last
    assert (month.last + timedelta(days=1)).day == 1


@given(DAYS, st.sampled_from(["%d %B %Y", "%d-%b-%Y", "%B %d, %Y", "%Y/%m/%d"]))
def test_written_dates_agree_with_python_dateutil(day: date, form: str) -> None:
    """One witness among others: it guesses where these forms leave nothing to guess."""
    text = day.strftime(form)
    assert parser.parse(text).date() == day
    assert read_stamp(text, today=TODAY).stamp == Stamp.on(day)


@pytest.mark.parametrize(
    ("mark", "expected"),
    [
        # 49 CFR 180.213(d), from memory: month, the tester's number in a square, year; S for a proof test.
        ("5 A123 22", Stamp.of(2022, 5)),
        ("05 A123 2022", Stamp.of(2022, 5)),
        ("12 D655 99 S", Stamp.of(1999, 12)),
        # 19 CCR 575.1(d): a unit may be marked with the year of manufacture only.
        ("2024", Stamp.of(2024)),
    ],
)
def test_marks_that_regulations_print(mark: str, expected: Stamp) -> None:
    assert read_stamp(mark, today=TODAY).stamp == expected


@given(
    year=st.integers(1950, 2026),
    month=st.integers(1, 12),
    day=st.integers(1, 31),
)
def test_the_gregorian_calendar_decides_what_exists(year: int, month: int, day: int) -> None:
    text = f"{year}-{month:02d}-{day:02d}"
    try:
        expected: date | None = date(year, month, day)
    except ValueError:
        expected = None
    if expected is None:
        with pytest.raises(StampError, match="does not exist"):
            read_stamp(text, today=TODAY)
    elif expected > TODAY:
        with pytest.raises(StampError, match="future"):
            read_stamp(text, today=TODAY)
    else:
        assert read_stamp(text, today=TODAY).stamp == Stamp.on(expected)
