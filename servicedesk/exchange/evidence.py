"""What the texts of a column look like, without saying yet what they mean."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from datetime import date
from functools import lru_cache

from inventory.measures.stamps import StampError, read_stamp
from inventory.measures.units import Dimension, MeasureError, read_measure
from servicedesk.exchange.mixed import is_agent, split_mixed
from servicedesk.exchange.places import zone_names
from servicedesk.exchange.words import is_unknown, plain, words_of

_THREE_NUMBERS = re.compile(r"(\d{1,2})\s*[-/.\s]\s*(\d{1,2})\s*[-/.\s]\s*'?(\d{4}|\d{2})", re.ASCII)
_FAR = date(2100, 1, 1)


@lru_cache(maxsize=50_000)
def order_of(text: str) -> str:
    """Return "day" or "month" for a date that can only be read with that first, "open" for either way.

    Empty for what is no such date, and for one that exists in neither order: 31/02 proves nothing
    but a slip.
    """
    match = _THREE_NUMBERS.fullmatch(text)
    if match is None:
        return ""
    first, second = int(match[1]), int(match[2])
    if (first > 12) is not (second > 12):
        if not _exists(max(first, second), min(first, second), match[3]):
            return ""
        return "day" if first > 12 else "month"
    return "open" if first <= 12 and second <= 12 and first != second else ""


def _exists(day: int, month: int, year_text: str) -> bool:
    try:
        date(int(year_text) or 2000, month, day)
    except ValueError:
        return False
    return True


@lru_cache(maxsize=20_000)
def is_date(text: str) -> bool:
    """Return whether ``text`` can be a date, be it past or to come."""
    if not any(sign.isdigit() for sign in text):
        return False
    if re.fullmatch(r"\d{1,3}", text):
        return False  # a bare 12 or 97 is a number first
    try:
        return read_stamp(text, today=_FAR).stamp.is_known
    except StampError:
        return False


@lru_cache(maxsize=20_000)
def is_size(text: str, dimensions: tuple[Dimension, ...]) -> bool:
    """Return whether ``text`` is a measure with its unit, in one of ``dimensions``."""
    try:
        read_measure(text, dimensions=dimensions)
    except MeasureError:
        return False
    return True


@lru_cache(maxsize=20_000)
def tells_agent(text: str) -> bool:
    """Return whether ``text`` names an agent, alone or among other things."""
    if is_agent(plain(text)):
        return True
    mixed = split_mixed(text)
    return mixed is not None and bool(mixed.agent)


def _in(section: str) -> Callable[[str], bool]:
    return lambda text: plain(text) in words_of(section)


_CHARGES = (Dimension.MASS, Dimension.VOLUME)
_TESTS: dict[str, Callable[[str], bool]] = {
    "date": is_date,
    "agent": tells_agent,
    "construction": _in("constructions"),
    "shell": _in("shells"),
    "charge": lambda text: is_size(text, _CHARGES),
    "pressure": lambda text: is_size(text, (Dimension.PRESSURE,)),
    "unit_state": _in("unit_states"),
    "country": _in("countries"),
    "email": lambda text: re.fullmatch(r"[^@\s]+@[^@\s]+\.[^@\s]+", text) is not None,
    "time_zone": lambda text: text in zone_names(),
    "yes_no": _in("yes_no"),
    "number": lambda text: re.fullmatch(r"[+-]?[\d.,]+", text, re.ASCII) is not None,
    "count": lambda text: re.fullmatch(r"\d{1,3}", text, re.ASCII) is not None,
}

# What the values of a field look like, where they look like something.
LOOKS: dict[str, tuple[str, ...]] = {
    "made": ("date", "count"),
    "installed": ("date",),
    "last_maintenance": ("date",),
    "last_recharge": ("date",),
    "last_internal_examination": ("date",),
    "last_hydrostatic_test": ("date",),
    "last_visual_inspection": ("date",),
    "last_weighing": ("date",),
    "last_conductivity_test": ("date",),
    "agent": ("agent",),
    "construction": ("construction",),
    "shell": ("shell",),
    "charge": ("charge", "number", "agent"),
    "water_capacity": ("charge", "number"),
    "full_mass": ("charge", "number"),
    "working_pressure": ("pressure", "number"),
    "test_pressure": ("pressure", "number"),
    "unit_state": ("unit_state",),
    "country": ("country",),
    "owner_email": ("email",),
    "time_zone": ("time_zone",),
    "wheeled": ("yes_no",),
    "refillable": ("yes_no",),
    "shutoff_hose": ("yes_no",),
    "latitude": ("number",),
    "longitude": ("number",),
    "quantity": ("count", "number"),
}


def looks(values: Iterable[str]) -> dict[str, float]:
    """Return for each kind of text which share of ``values`` is of it; unknown values say nothing."""
    told = [value for value in values if value and not is_unknown(value)]
    if not told:
        return {}
    return {kind: sum(map(test, told)) / len(told) for kind, test in _TESTS.items()}


def fit(field: str, shares: dict[str, float]) -> float | None:
    """Return how far values of these ``shares`` can be those of ``field``; ``None`` when nobody can tell."""
    kinds = LOOKS.get(field)
    if kinds is None or not shares:
        return None
    return max(shares[kind] for kind in kinds)
