"""Days in words that no reader takes for another."""

from __future__ import annotations

from inventory.measures.stamps import Precision, Stamp
from schedules.certificates.content import say_day, say_month


def say_stamp(stamp: Stamp) -> str:
    """A stamp as precisely as it is known: ``3 Nov 2027``, ``Nov 2027``, ``2027``, or in its own words."""
    if stamp.first is None or stamp.precision is Precision.UNKNOWN:
        return "not known"
    if stamp.precision is Precision.DAY:
        return say_day(stamp.first)
    if stamp.precision is Precision.MONTH:
        return say_month(stamp.first)
    return str(stamp)
