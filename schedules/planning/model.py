"""What a route plan is made from and what it says: plain values, no engine.

Stops (visits to make), shifts (one technician on one day), travel times and prices go in; a plan names
for every shift the stops in driving order, and for every stop left out the reason.

Units: days are whole numbers counted from the first day of the plan (0, 1, 2 …); clock times are
seconds after local midnight of their day; lengths are seconds and metres. Prices are whole money-like
units of the reader's own choice; the shipped defaults count in minutes of driving. A total is kept in
sixtieths of that unit (``cost_60``), so that a second of driving at one unit a minute is exactly 1.

Example::

    prices = Prices()
    stop = Stop("visit-1", place=1, service_s=1800, windows=(Window(0, 8 * 3600, 17 * 3600),))
    shift = Shift("anna-0", technician="anna", day=0, start_place=0, end_place=0,
                  starts_s=8 * 3600, ends_s=16 * 3600 + 1800, rest=Rest(41400, 48600, 1800))
    problem = Problem(stops=(stop,), shifts=(shift,), travel={"": Travel(seconds)}, prices=prices)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Seconds = NDArray[np.int64]

UNREACHABLE_S = 10_000_000
"""Travel time of this length or longer means: there is no way between the two places."""


@dataclass(frozen=True, slots=True)
class Window:
    """An opening of a site: work starts and ends inside it."""

    day: int
    opens_s: int
    closes_s: int

    def __post_init__(self) -> None:
        if self.day < 0 or self.closes_s < self.opens_s:
            raise ValueError(f"a window needs a day from 0 and must not close before it opens: {self}")


@dataclass(frozen=True, slots=True)
class Pin:
    """What the dispatcher's hand has fixed about a stop; ``None`` leaves that part free."""

    technician: str | None = None
    day: int | None = None
    starts_s: int | None = None
    """Work starts exactly at this clock time."""


@dataclass(frozen=True, slots=True)
class Stop:
    """One visit to plan.

    ``windows`` are hard, several a day are fine, an escort or a fixed appointment narrows them.
    ``brings`` leaves the van here and ``collects`` comes aboard here, one number per load dimension of
    the problem (loaners of a kind, agent in grams, space …); both may be empty. A stop with
    ``mandatory`` is only left out when nothing else is possible. ``left_out_price`` overrides the price
    of its priority. Days after ``due_day`` cost ``Prices.late_day`` each. ``technicians`` names those
    who may come (``None``: anyone with the skills). ``was`` is its place in the plan in force, as
    (technician, day): to move it elsewhere costs ``Prices.moved``.
    """

    key: str
    place: int
    service_s: int
    windows: tuple[Window, ...]
    skills: frozenset[str] = frozenset()
    brings: tuple[int, ...] = ()
    collects: tuple[int, ...] = ()
    priority: int = 1
    mandatory: bool = False
    left_out_price: int | None = None
    due_day: int | None = None
    territory: str | None = None
    preferred_technician: str | None = None
    technicians: frozenset[str] | None = None
    pin: Pin | None = None
    was: tuple[str, int] | None = None

    def __post_init__(self) -> None:
        if self.service_s < 0 or any(amount < 0 for amount in (*self.brings, *self.collects)):
            raise ValueError(f"stop {self.key}: service time and loads are never negative")


@dataclass(frozen=True, slots=True)
class Rest:
    """The lunch break: ``length_s`` in one piece, begun between ``earliest_s`` and ``latest_s``.

    It may lie before or after any work, interrupt a drive, or be taken at home before leaving or after
    coming back; it never interrupts work. A shift that starts after ``latest_s`` needs none.
    """

    earliest_s: int
    latest_s: int
    length_s: int

    def __post_init__(self) -> None:
        if self.length_s < 0 or self.latest_s < self.earliest_s:
            raise ValueError(f"a break has a length and a latest start not before its earliest: {self}")


@dataclass(frozen=True, slots=True)
class Shift:
    """One technician on one day.

    The van leaves at ``starts_s`` or later and is back by ``ends_s``, or up to ``overtime_limit_s``
    later at a price. ``longest_s`` bounds the time from leaving to coming back, a break included
    (``None``: only the clock does); it goes with no overtime. ``capacity`` has one number per load
    dimension. ``skills`` are those whose licence is still valid on this day. ``profile`` names the
    travel times that hold for this van. ``opening_price`` is due once if the shift drives at all.
    """

    key: str
    technician: str
    day: int
    start_place: int
    end_place: int
    starts_s: int
    ends_s: int
    rest: Rest | None = None
    capacity: tuple[int, ...] = ()
    skills: frozenset[str] = frozenset()
    overtime_limit_s: int = 0
    longest_s: int | None = None
    territory: str | None = None
    profile: str = ""
    opening_price: int = 0

    def __post_init__(self) -> None:
        if self.ends_s < self.starts_s:
            raise ValueError(f"shift {self.key} ends before it starts")
        if self.longest_s is not None and self.overtime_limit_s:
            raise ValueError(f"shift {self.key}: give a longest duty or overtime, not both")

    @property
    def pause(self) -> Rest | None:
        """The break that this shift really needs."""
        return self.rest if self.rest and self.rest.length_s and self.starts_s <= self.rest.latest_s else None


@dataclass(frozen=True, slots=True, eq=False)
class Travel:
    """Travel between places, from row to column; not necessarily symmetric."""

    seconds: Seconds
    metres: Seconds | None = None

    def __post_init__(self) -> None:
        if self.seconds.ndim != 2 or self.seconds.shape[0] != self.seconds.shape[1]:
            raise ValueError("travel times are a square matrix, one row and column per place")
        if self.metres is not None and self.metres.shape != self.seconds.shape:
            raise ValueError("distances and travel times name the same places")
        if self.seconds.size and int(self.seconds.min()) < 0:
            raise ValueError("a travel time is negative")


def _left_out() -> Mapping[int, int]:
    return {1: 120, 2: 300, 3: 1200}


@dataclass(frozen=True, slots=True)
class Prices:
    """What a manager sets; whole units, the defaults count in minutes of driving (common practice).

    ``left_out`` has one price per priority, the highest number being the most urgent; a priority beyond
    the list takes the price of the nearest one.
    """

    drive_minute: int = 1
    drive_km: int = 0
    duty_minute: int = 0
    """A minute from leaving to coming back, the break not counted."""
    overtime_minute: int = 3
    late_day: int = 30
    left_out: Mapping[int, int] = field(default_factory=_left_out)
    mandatory: int = 20_000
    """Leaving out a mandatory or pinned stop: beyond everything else, yet not infinite."""
    other_territory: int = 15
    other_technician: int = 10
    """Another technician than last time."""
    moved: int = 0
    """Another technician or day than in the plan in force."""

    def leaving_out(self, stop: Stop) -> int:
        """The price of leaving ``stop`` out."""
        if stop.mandatory or stop.pin is not None:
            return self.mandatory
        if stop.left_out_price is not None:
            return stop.left_out_price
        if not self.left_out:
            return 0
        nearest = min(self.left_out, key=lambda known: (abs(known - stop.priority), known))
        return self.left_out[nearest]

    def placing(self, stop: Stop, shift: Shift) -> int:
        """What it costs that just this shift serves ``stop``: lateness, territory, faces, moves."""
        price = 0
        if stop.due_day is not None and shift.day > stop.due_day:
            price += self.late_day * (shift.day - stop.due_day)
        if stop.territory and shift.territory and stop.territory != shift.territory:
            price += self.other_territory
        if stop.preferred_technician and stop.preferred_technician != shift.technician:
            price += self.other_technician
        if stop.was and stop.was != (shift.technician, shift.day):
            price += self.moved
        return price


@dataclass(frozen=True, eq=False)
class Problem:
    """Everything a plan needs; ``schedules.planning.screening`` names input that cannot be planned."""

    stops: tuple[Stop, ...]
    shifts: tuple[Shift, ...]
    travel: Mapping[str, Travel]
    prices: Prices = field(default_factory=Prices)

    @cached_property
    def stop(self) -> Mapping[str, Stop]:
        """Stops by key."""
        return {stop.key: stop for stop in self.stops}

    @cached_property
    def shift(self) -> Mapping[str, Shift]:
        """Shifts by key."""
        return {shift.key: shift for shift in self.shifts}

    @cached_property
    def dimensions(self) -> int:
        """How many load dimensions there are."""
        loads = (len(amounts) for stop in self.stops for amounts in (stop.brings, stop.collects))
        return max([len(shift.capacity) for shift in self.shifts] + list(loads), default=0)

    def open_windows(self, stop: Stop, shift: Shift) -> tuple[tuple[int, int], ...]:
        """First and last start of work at ``stop`` on the day of ``shift``, in clock order."""
        found = []
        pin = stop.pin or Pin()
        for window in stop.windows:
            first, last = window.opens_s, window.closes_s - stop.service_s
            if window.day != shift.day or first > last:
                continue
            if pin.starts_s is not None:
                if not first <= pin.starts_s <= last:
                    continue
                first = last = pin.starts_s
            found.append((first, last))
        return tuple(sorted(found))

    def bars(self, stop: Stop, shift: Shift) -> Bar | None:
        """Why ``shift`` can never serve ``stop``, whatever else it does; ``None`` if it can."""
        pin = stop.pin or Pin()
        if pin.technician is not None and pin.technician != shift.technician:
            return "pinned to another technician"
        if pin.day is not None and pin.day != shift.day:
            return "pinned to another day"
        if stop.technicians is not None and shift.technician not in stop.technicians:
            return "technician not allowed"
        if not stop.skills <= shift.skills:
            return "skill missing"
        if any(amount > _at(shift.capacity, n) for n, amount in enumerate(stop.brings)) or any(
            amount > _at(shift.capacity, n) for n, amount in enumerate(stop.collects)
        ):
            return "van too small"
        windows = self.open_windows(stop, shift)
        if not windows:
            return "closed that day"
        there = int(self.travel[shift.profile].seconds[shift.start_place, stop.place])
        back = int(self.travel[shift.profile].seconds[stop.place, shift.end_place])
        if max(there, back) >= UNREACHABLE_S:
            return "no way there"
        latest_end = shift.ends_s + shift.overtime_limit_s
        if not any(
            max(first, shift.starts_s + there) <= min(last, latest_end - back - stop.service_s)
            for first, last in windows
        ):
            return "shift and opening hours do not meet"
        return None


Bar = Literal[
    "pinned to another technician",
    "pinned to another day",
    "technician not allowed",
    "skill missing",
    "van too small",
    "closed that day",
    "no way there",
    "shift and opening hours do not meet",
]


def _at(amounts: tuple[int, ...], n: int) -> int:
    return amounts[n] if n < len(amounts) else 0


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a stop is not in the plan, as a code and a sentence for people."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Plan:
    """Stop keys in driving order per shift key, and the reason for each stop left out."""

    routes: Mapping[str, tuple[str, ...]]
    left_out: Mapping[str, Reason] = field(default_factory=dict)

    def where(self) -> dict[str, str]:
        """The shift of every stop in the plan."""
        return {stop: shift for shift, stops in self.routes.items() for stop in stops}

    def as_json(self) -> dict[str, Any]:
        """A plain form for storing; ``Plan.from_json`` reads it."""
        return {
            "routes": {shift: list(stops) for shift, stops in self.routes.items()},
            "left_out": {stop: [reason.code, reason.text] for stop, reason in self.left_out.items()},
        }

    @staticmethod
    def from_json(stored: Mapping[str, Any]) -> Plan:
        """The plan that ``as_json`` stored."""
        return Plan(
            routes={shift: tuple(stops) for shift, stops in stored["routes"].items()},
            left_out={stop: Reason(*reason) for stop, reason in stored["left_out"].items()},
        )
