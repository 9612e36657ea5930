"""Lengths of time as tables print them."""

from __future__ import annotations

from datetime import date

import pytest

from schedules.rules import Period


@pytest.mark.parametrize(
    ("text", "months", "days", "words"),
    [
        ("P1M", 1, 0, "1 month"),
        ("P18M", 18, 0, "18 months"),
        ("P6Y", 72, 0, "6 years"),
        ("P144M", 144, 0, "12 years"),
        ("P1Y6M", 18, 0, "18 months"),
        ("P30D", 0, 30, "30 days"),
        ("P2W", 0, 14, "14 days"),
        ("P1M1D", 1, 1, "1 month and 1 day"),
        ("P0D", 0, 0, "at once"),
    ],
)
def test_reading(text: str, months: int, days: int, words: str) -> None:
    period = Period.parse(text)
    assert (period.months, period.days, period.words, str(period)) == (months, days, words, words)


@pytest.mark.parametrize("text", ["", "P", "1Y", "P1", "PT1H", "P1Y2", "p1y", "P-1Y", "P1Y "])
def test_what_is_no_period(text: str) -> None:
    with pytest.raises(ValueError, match="is not a period; write it as"):
        Period.parse(text)


def test_never_negative() -> None:
    with pytest.raises(ValueError, match="never negative"):
        Period(-1, 0)


def test_twelve_years_are_144_months() -> None:
    assert Period.parse("P12Y") == Period.parse("P144M")


def test_before_clamps_like_after() -> None:
    assert Period.parse("P1M").before(date(2026, 3, 31)) == date(2026, 2, 28)
    assert Period.parse("P1Y").before(date(2024, 2, 29)) == date(2023, 2, 28)
    assert Period.parse("P30D").before(date(2026, 3, 2)) == date(2026, 1, 31)
