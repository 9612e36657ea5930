"""Lengths of time as interval tables print them: months, years or days, never mixed up.

A month is a calendar month and a day is a day: "30 days" and "one month" give different dates.
Dates are always counted as anchor + n periods, never step by step, because stepping drifts.

>>> Period.parse("P1M").after(date(2026, 1, 31))
datetime.date(2026, 2, 28)
>>> Period.parse("P1M").after(date(2026, 1, 31), 2)
datetime.date(2026, 3, 31)
>>> Period.parse("P30D").after(date(2026, 1, 31))
datetime.date(2026, 3, 2)
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from typing import Self

from dateutil.relativedelta import relativedelta

_FORM = re.compile(r"P(?=\d)(?:(?P<years>\d+)Y)?(?:(?P<months>\d+)M)?(?:(?P<weeks>\d+)W)?(?:(?P<days>\d+)D)?")


@dataclass(frozen=True, slots=True)
class Period:
    """A number of calendar months and days. ``text`` is the ISO 8601 form it was read from."""

    months: int
    days: int
    text: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        if self.months < 0 or self.days < 0:
            raise ValueError("A period is never negative.")

    @classmethod
    def parse(cls, text: str) -> Self:
        """Return the period written as an ISO 8601 duration of years, months, weeks and days.

        Raises ``ValueError`` for any other text; an ISO duration with hours is refused because
        due dates are civil days.
        """
        match = _FORM.fullmatch(text)
        if match is None:
            raise ValueError(f'"{text}" is not a period; write it as P1M, P6Y, P144M or P30D')
        part = {name: int(value or 0) for name, value in match.groupdict().items()}
        return cls(12 * part["years"] + part["months"], 7 * part["weeks"] + part["days"], text)

    @property
    def is_zero(self) -> bool:
        """Return whether the period has no length, as in "at once"."""
        return self.months == 0 and self.days == 0

    def after(self, day: date, times: int = 1) -> date:
        """Return ``day`` plus ``times`` periods; a day that does not exist becomes the month's last."""
        return day + relativedelta(months=self.months * times, days=self.days * times)

    def before(self, day: date) -> date:
        """Return ``day`` less one period; a day that does not exist becomes the month's last."""
        return day - relativedelta(months=self.months, days=self.days)

    @property
    def words(self) -> str:
        """Return the period as a reader says it: ``6 years``, ``18 months``, ``30 days``."""
        parts = []
        if self.months and self.months % 12 == 0:
            parts.append(_count(self.months // 12, "year"))
        elif self.months:
            parts.append(_count(self.months, "month"))
        if self.days:
            parts.append(_count(self.days, "day"))
        return " and ".join(parts) or "at once"

    def __str__(self) -> str:
        return self.words


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
