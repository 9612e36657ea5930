"""Which records of a visit look unlikely, with the evidence. Pure.

Honest work can look like any of these, so nothing here is a verdict: each finding is a question for a
person. The thresholds are common practice without a source and meant to be changed.

>>> at = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
>>> run = [Seen(f"U-{n}", at + timedelta(seconds=15 * n)) for n in range(10)]
>>> [finding.kind for finding in look(run, Thresholds())]
['hurried']
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, date, datetime, timedelta  # noqa: F401  (UTC for the example above)
from typing import Any

from inventory.measures.readings import PRACTICE, QUANTITY_LABELS, Quantity, base_unit

KIND_LABELS: Mapping[str, str] = {
    "hurried": "Many units in little time",
    "same_values": "The same value again and again",
    "against_history": "A reading that runs against the unit's history",
    "far_scan": "Recorded far from the site",
    "licence_lapsed": "Licence had lapsed",
    "wrong_clock": "Phone's clock was wrong",
    "other_day": "Stated for another day than it was recorded",
    "twice": "The same work by two people",
    "marks_differ": "Read off the shell differs from the register",
    "late": "Arrived after the visit was closed",
}

_EARTH_M = 6_371_000.0


@dataclass(frozen=True, slots=True)
class Thresholds:
    """From where on something is asked about. Common practice, no source."""

    hurried_units: float = 10
    hurried_s: float = 180
    same_mass_run: float = 5
    same_pressure_run: float = 12
    mass_gain_g: float = 100
    pressure_gain_share: float = 0.1
    far_m: float = 1000
    clock_s: float = 900


THRESHOLD_WORDS: Mapping[str, tuple[str, str]] = {
    "hurried_units": ("Units in a hurry, at least", "units"),
    "hurried_s": ("within", "s"),
    "same_mass_run": ("Same mass in a row, at least", "units"),
    "same_pressure_run": ("Same pressure in a row, at least", "units"),
    "mass_gain_g": ("Heavier than last time without a recharge, by more than", "g"),
    "pressure_gain_share": ("Pressure higher than last time without a recharge, by more than", "share"),
    "far_m": ("Recorded from the site, farther than", "m"),
    "clock_s": ("Phone's clock off, by more than", "s"),
}


@dataclass(frozen=True, slots=True)
class Before:
    """The last value of a quantity before this visit, in its base unit."""

    on: date
    value: float


@dataclass(frozen=True, slots=True)
class Seen:
    """One unit as it was recorded; values in base units, ``typed`` as they were entered.

    ``before`` holds earlier values since the unit was last filled.
    """

    unit: str
    at: datetime
    by: str = ""
    device: str = ""
    is_serviced: bool = True
    is_filled: bool = False
    values: Mapping[str, float] = field(default_factory=dict)
    typed: Mapping[str, str] = field(default_factory=dict)
    before: Mapping[str, Before] = field(default_factory=dict)
    distance_m: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One question: what looks unlikely, about what, and the lines that show it."""

    kind: str
    subject: str
    sentence: str
    evidence: tuple[str, ...]
    source: str = PRACTICE


def look(seen: Sequence[Seen], thresholds: Thresholds) -> list[Finding]:
    """Return what looks unlikely in ``seen``, each matter once."""
    ordered = sorted(seen, key=lambda one: (one.at, one.unit))
    return [
        *_hurried(ordered, thresholds),
        *_same_values(ordered, thresholds),
        *_against_history(ordered, thresholds),
        *_far(ordered, thresholds),
    ]


def licence_finding(person: str, *, expired_on: date | None, done_on: date) -> Finding | None:
    """Return a question when ``person`` worked after the licence had lapsed."""
    if expired_on is None or expired_on >= done_on:
        return None
    return Finding(
        "licence_lapsed",
        person,
        f"The licence of {person} had lapsed when the work was done.",
        (f"licence until {expired_on}", f"work done on {done_on}"),
        "local licensing law; see the person's licence",
    )


def clock_finding(device: str, drift_s: float | None, thresholds: Thresholds) -> Finding | None:
    """Return a question when a phone's clock was off by more than the threshold."""
    if drift_s is None or abs(drift_s) <= thresholds.clock_s:
        return None
    way = "slow" if drift_s > 0 else "fast"
    return Finding(
        "wrong_clock",
        device,
        f"The clock of the phone was {duration_words(abs(drift_s))} {way}; times were put right by that.",
        (f"server less phone: {'+' if drift_s > 0 else '-'}{duration_words(abs(drift_s))}",),
    )


def day_finding(done_on: date, recorded_on: Collection[date]) -> Finding | None:
    """Return a question when nothing was recorded on the day that is stated for the work.

    ``recorded_on`` are the days at the site by clocks that were put right; none when no phone recorded.

    >>> day_finding(date(2026, 11, 28), {date(2026, 11, 30)}).evidence
    ('stated 2026-11-28', 'recorded 2026-11-30')
    """
    if not recorded_on or done_on in recorded_on:
        return None
    days = ", ".join(str(day) for day in sorted(recorded_on))
    return Finding(
        "other_day",
        str(done_on),
        f"The work is stated for {done_on} and was recorded on {days}, by the phone's clock put right.",
        (f"stated {done_on}", f"recorded {days}"),
    )


def distance_m(from_deg: tuple[float, float], to_deg: tuple[float, float]) -> float:
    """Return the great-circle distance between two places (latitude, longitude in degrees), in metres."""
    (lat1, lon1), (lat2, lon2) = (tuple(map(math.radians, place)) for place in (from_deg, to_deg))
    half = (
        math.sin((lat2 - lat1) / 2) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin((lon2 - lon1) / 2) ** 2
    )
    return 2 * _EARTH_M * math.asin(math.sqrt(half))


def thresholds_from(changed: Mapping[str, float]) -> Thresholds:
    """Return the thresholds with ``changed`` ones in place; names nobody knows are left out."""
    known = {one.name for one in fields(Thresholds)}
    values: dict[str, Any] = {name: value for name, value in changed.items() if name in known}
    return Thresholds(**values)


def _hurried(seen: Sequence[Seen], limits: Thresholds) -> list[Finding]:
    """Runs of serviced units on one phone that took less time than they can have."""
    found: list[Finding] = []
    by_device: dict[tuple[str, str], list[Seen]] = defaultdict(list)
    for one in seen:
        if one.is_serviced:
            by_device[one.by, one.device].append(one)
    need, span = int(limits.hurried_units), timedelta(seconds=limits.hurried_s)
    for run in by_device.values():
        start = 0
        while start + need <= len(run):
            end = start + need
            if run[end - 1].at - run[start].at > span:
                start += 1
                continue
            # The whole hurry is one matter, however long it goes on.
            while end < len(run) and run[end].at - run[end - need + 1].at <= span:
                end += 1
            part = run[start:end]
            took = (part[-1].at - part[0].at).total_seconds()
            found.append(
                Finding(
                    "hurried",
                    part[0].unit,
                    f"{len(part)} units were serviced within {duration_words(took)}"
                    + (f" by {part[0].by}." if part[0].by else "."),
                    (
                        f"from {part[0].unit} at {part[0].at:%H:%M:%S} UTC",
                        f"to {part[-1].unit} at {part[-1].at:%H:%M:%S} UTC",
                    ),
                )
            )
            start = end
    return found


def _same_values(seen: Sequence[Seen], limits: Thresholds) -> list[Finding]:
    """The same figures typed for unit after unit."""
    found: list[Finding] = []
    for quantity in (Quantity.GROSS_MASS, Quantity.CARTRIDGE_MASS, Quantity.GAUGE_PRESSURE):
        need = limits.same_pressure_run if quantity is Quantity.GAUGE_PRESSURE else limits.same_mass_run
        chains: dict[tuple[str, str], list[Seen]] = defaultdict(list)
        for one in seen:
            if quantity in one.typed:
                chains[one.by, one.device].append(one)
        for chain in chains.values():
            start = 0
            for end in range(1, len(chain) + 1):
                if end < len(chain) and chain[end].typed[quantity] == chain[start].typed[quantity]:
                    continue
                if end - start >= need:
                    run = chain[start:end]
                    found.append(
                        Finding(
                            "same_values",
                            f"{quantity} {run[0].unit}",
                            f"{QUANTITY_LABELS[quantity]} {run[0].typed[quantity]} was entered for "
                            f"{len(run)} units in a row.",
                            tuple(f"{one.unit}: {one.typed[quantity]}" for one in run[:12]),
                        )
                    )
                start = end
    return found


def _against_history(seen: Sequence[Seen], limits: Thresholds) -> list[Finding]:
    """Charge or pressure that grew by itself."""
    found: list[Finding] = []
    for one in seen:
        if one.is_filled:
            continue
        for quantity in (Quantity.GROSS_MASS, Quantity.CARTRIDGE_MASS, Quantity.GAUGE_PRESSURE):
            now, then = one.values.get(quantity), one.before.get(quantity)
            if now is None or then is None:
                continue
            allowed = (
                limits.pressure_gain_share * then.value
                if quantity is Quantity.GAUGE_PRESSURE
                else limits.mass_gain_g
            )
            if now - then.value > allowed:
                unit = base_unit(quantity).value
                found.append(
                    Finding(
                        "against_history",
                        f"{quantity} {one.unit}",
                        f"{QUANTITY_LABELS[quantity]} of {one.unit} rose without a recharge.",
                        (f"{then.on}: {then.value:g} {unit}", f"now: {now:g} {unit}"),
                    )
                )
    return found


def _far(seen: Sequence[Seen], limits: Thresholds) -> list[Finding]:
    """Scans whose place, less its own uncertainty, lies far from the site."""
    by_person: dict[tuple[str, str], list[Seen]] = defaultdict(list)
    for one in seen:
        if one.distance_m is not None and one.distance_m > limits.far_m:
            by_person[one.by, one.device].append(one)
    return [
        Finding(
            "far_scan",
            run[0].unit,
            f"{len(run)} unit{'s were' if len(run) > 1 else ' was'} recorded up to "
            f"{max(one.distance_m or 0 for one in run) / 1000:.1f} km from the site.",
            tuple(f"{one.unit}: {(one.distance_m or 0) / 1000:.1f} km" for one in run[:12]),
        )
        for run in by_person.values()
    ]


def duration_words(seconds: float) -> str:
    """Return a length of time as people say it.

    >>> duration_words(172_616)
    '47 h 56 min'
    """
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"
