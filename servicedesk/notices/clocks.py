"""Legal clocks as data: what a place wants told, to whom, by when. Defaults to confirm against local code."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

FILE = Path(__file__).with_name("clocks.toml")
EVENTS = ("critical_defect", "other_defect", "critical_settled", "visit_closed")
UNITS = ("hours", "days", "business_days")
READ = ("PRIMARY", "SECONDARY", "MEMORY")
_FIELDS = {"code", "country", "region", "event", "to", "within", "action", "source", "read"}


class ClockError(ValueError):
    """A clock of the file cannot be used; the text names file, clock, field and remedy."""


@dataclass(frozen=True, slots=True)
class Clock:
    """One demand. ``country`` is ISO 3166-1 alpha-2, empty for everywhere else; ``amount`` is in ``unit``."""

    code: str
    country: str
    region: str
    event: str
    to: str
    amount: int
    unit: str
    action: str
    source: str
    read: str

    def due_at(self, started_at: datetime, zone: str) -> datetime:
        """The last instant (UTC) for what began at the aware instant ``started_at`` in the zone ``zone``."""
        if self.unit == "hours":
            return started_at + timedelta(hours=self.amount)
        here = ZoneInfo(zone)
        day = started_at.astimezone(here).date()
        last = day + timedelta(days=self.amount) if self.unit == "days" else _business(day, self.amount)
        # Midnight that ends the day, by the clock on the wall there.
        return datetime.combine(last + timedelta(days=1), time(), tzinfo=here).astimezone(UTC)


def _business(day: date, count: int) -> date:
    """The ``count``-th day from Monday to Friday after ``day``."""
    while count:
        day += timedelta(days=1)
        count -= day.weekday() < 5
    return day


@cache
def clocks() -> tuple[Clock, ...]:
    """The shipped clocks."""
    return read_clocks(tomllib.loads(FILE.read_text(encoding="utf-8")), FILE.name)


def read_clocks(content: Mapping[str, Any], name: str) -> tuple[Clock, ...]:
    """Check and return the clocks of ``content``; raises ``ClockError`` for what is not fully understood."""
    found: dict[str, Clock] = {}
    for number, row in enumerate(content.get("clock", []), start=1):
        where = f"{name}, clock {row.get('code', number)}"
        if unknown := set(row) - _FIELDS:
            known = ", ".join(sorted(_FIELDS))
            raise ClockError(f"{where}: unknown field {min(unknown)}; known are {known}.")
        if missing := {"code", "event", "to", "within", "action", "source", "read"} - set(row):
            raise ClockError(f"{where}: the field {min(missing)} is missing.")
        for field, allowed in (("event", EVENTS), ("read", READ), ("to", ("owner", "authority"))):
            if row[field] not in allowed:
                raise ClockError(f"{where}, {field}: {row[field]!r} is none of {', '.join(allowed)}.")
        within = row["within"]
        if len(within) != 1 or next(iter(within)) not in UNITS:
            raise ClockError(f"{where}, within: give one of {', '.join(UNITS)} with a whole number.")
        unit, amount = next(iter(within.items()))
        if not isinstance(amount, int) or amount < 0:
            raise ClockError(f"{where}, within: {amount!r} is not a whole number from 0.")
        if row["code"] in found:
            raise ClockError(f"{where}: the code is used twice; give each clock its own.")
        found[row["code"]] = Clock(
            row["code"],
            row.get("country", ""),
            row.get("region", ""),
            row["event"],
            row["to"],
            amount,
            unit,
            row["action"],
            row["source"],
            row["read"],
        )
    return tuple(found.values())


def clocks_at(country: str, region: str, event: str, among: Iterable[Clock] | None = None) -> list[Clock]:
    """The clocks that ``event`` starts at a place: its own, else those for everywhere else."""
    of_event = [clock for clock in (clocks() if among is None else among) if clock.event == event]
    own = [
        clock
        for clock in of_event
        if clock.country
        and clock.country == country
        and clock.region.casefold() in ("", region.strip().casefold())
    ]
    return own or [clock for clock in of_event if not clock.country]
