"""What the workshop judges by where no nameplate and no rule says otherwise, and return clocks.

Shipped values stand in ``defaults.toml`` with their source; a manager's value takes the place of a
shipped one (``inventory.workshop.services.change_value``). Nothing here reads the database.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path

from inventory.measures.units import Measure, read_unit

_HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Value:
    """One value: figures as printed, its unit, who says so, and whether a manager changed it."""

    key: str
    label: str
    entered: Decimal
    unit: str
    source: str
    shipped: Decimal
    is_changed: bool = False

    @property
    def measure(self) -> Measure:
        """The value as a measure; ``ValueError`` for a bare number or a share."""
        unit = read_unit(self.unit)
        if unit is None:
            raise ValueError(f"{self.key} is no measure")
        return Measure(self.entered, unit)

    @property
    def pressure_kpa(self) -> float:
        """The value in kilopascals."""
        return float(self.measure.pressure_kpa)

    @property
    def number(self) -> float:
        """The figures as a number."""
        return float(self.entered)

    @property
    def printed(self) -> str:
        """Figures and unit, as a reader expects them."""
        return f"{self.entered} {self.unit}".strip()

    def changed_to(self, entered: Decimal, source: str) -> Value:
        """The value with a manager's figures."""
        return replace(self, entered=entered, source=source, is_changed=True)


class Values(dict[str, Value]):
    """All values by key."""

    def kpa(self, key: str) -> float:
        """The pressure of that key in kilopascals."""
        return self[key].pressure_kpa


@cache
def _shipped() -> tuple[Value, ...]:
    raw = tomllib.loads((_HERE / "defaults.toml").read_text(encoding="utf-8"))
    return tuple(
        Value(
            key, item["label"], Decimal(item["value"]), item["unit"], item["source"], Decimal(item["value"])
        )
        for key, item in raw.items()
    )


def shipped_values() -> Values:
    """The shipped values."""
    return Values({value.key: value for value in _shipped()})


@dataclass(frozen=True, slots=True)
class ReturnClock:
    """By when the owner's own unit must be back in a place that says so."""

    key: str
    country: str
    regions: tuple[str, ...]
    days: int
    text: str
    source: str

    def last_day(self, taken_on: date) -> date:
        """The last day, counted in calendar days from the day it was taken."""
        return taken_on + timedelta(days=self.days)


@cache
def return_clocks() -> tuple[ReturnClock, ...]:
    """The shipped clocks; defaults to confirm against local code."""
    raw = tomllib.loads((_HERE / "clocks.toml").read_text(encoding="utf-8"))
    return tuple(ReturnClock(**{**item, "regions": tuple(item["regions"])}) for item in raw["clock"])


def clock_for(country: str, region: str) -> ReturnClock | None:
    """The shortest clock of the place, or ``None`` where none is known."""
    found = [
        clock
        for clock in return_clocks()
        if clock.country == country.upper()
        and (not clock.regions or region.strip().lower() in {name.lower() for name in clock.regions})
    ]
    return min(found, key=lambda clock: clock.days, default=None)


def with_changes(changes: Mapping[str, tuple[str, str]]) -> Values:
    """The shipped values with a manager's (figures, reason) in the place of some; empty figures restore."""
    values = shipped_values()
    for key, (entered, reason) in changes.items():
        if key in values and entered:
            values[key] = values[key].changed_to(Decimal(entered), f"set by a manager: {reason}")
    return values
