"""Lengths of time as people write them."""

from __future__ import annotations

import re

from schedules.rules import Period

_HOW = "Write a whole number: 6 months, 30 days or 2 years; a year and a half is 18 months."
_WORDS = re.compile(r"(?P<count>\d{1,4})\s*(?P<unit>day|week|month|year)s?", re.IGNORECASE)


def period_text(text: str) -> str:
    """The period of ``6 months``, ``30 days``, ``2 years`` or ``P6M`` as table files write it.

    Raises ``ValueError`` with a sentence for anything else, and for no time at all.
    """
    plain = text.strip()
    match = _WORDS.fullmatch(plain)
    found = f"P{int(match['count'])}{match['unit'][0].upper()}" if match else plain.upper()
    try:
        period = Period.parse(found)
    except ValueError:
        raise ValueError(f'"{plain}" is no length of time. {_HOW}') from None
    if period.is_zero:
        raise ValueError(f'"{plain}" is no time at all. {_HOW}')
    return found
