"""The clock times of a shift for a given order of stops, and what a plan costs.

For a fixed order there is one earliest return. Two clocks run along the route, one that still has the
break before it and one that has had it; a later arrival is never better, so the earlier time of each is
all there is to remember. From the earliest return a pass backwards finds the latest departure that still
meets it: nobody waits at the first door for something that waiting at home would do as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

from schedules.planning.model import UNREACHABLE_S, Plan, Problem, Rest, Shift, Stop

NEVER = -(10**15)
_DEPARTURES_TRIED = 200


@dataclass(frozen=True, slots=True)
class Call:
    """One stop with its clock times; ``drive_s`` and ``metres`` are those of the leg that leads to it."""

    stop: str
    arrives_s: int
    starts_s: int
    ends_s: int
    waiting_s: int
    drive_s: int
    metres: int


@dataclass(frozen=True, slots=True)
class Timetable:
    """A shift by the clock. ``duty_s`` runs from leaving to coming back, a break on the way not counted."""

    shift: str
    leaves_s: int
    returns_s: int
    calls: tuple[Call, ...]
    pause_starts_s: int | None
    drive_s: int
    metres: int
    service_s: int
    waiting_s: int
    overtime_s: int
    duty_s: int
    peak_load: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Bill:
    """What a plan costs, in sixtieths of the unit of the prices, by cause."""

    drive_60: int = 0
    km_60: int = 0
    duty_60: int = 0
    overtime_60: int = 0
    opening_60: int = 0
    late_60: int = 0
    other_territory_60: int = 0
    other_technician_60: int = 0
    moved_60: int = 0
    left_out_60: int = 0

    @property
    def total_60(self) -> int:
        """All causes together."""
        return sum(getattr(self, cause.name) for cause in fields(self))


@dataclass(frozen=True, slots=True)
class _Leg:
    """A drive and the work at its end; the last leg leads home and has no work."""

    drive_s: int
    service_s: int
    starts: tuple[tuple[int, int], ...]


def timetable(problem: Problem, shift: Shift, stops: Sequence[str]) -> Timetable | None:
    """The times of ``shift`` when it serves ``stops`` in this order; ``None`` if that cannot be done.

    Checks opening hours, the break, the end of the shift with its overtime, the longest duty and the
    load of the van. Who may serve what is a matter of ``Problem.bars``.
    """
    served = [problem.stop[key] for key in stops]
    loads = peak_load(served, problem.dimensions)
    if any(load > (shift.capacity[n] if n < len(shift.capacity) else 0) for n, load in enumerate(loads)):
        return None
    if not served:
        return Timetable(
            shift.key, shift.starts_s, shift.starts_s, (), None, 0, 0, 0, 0, 0, 0, tuple(0 for _ in loads)
        )
    legs = _legs(problem, shift, served)
    if legs is None:
        return None
    chosen = _departure(problem, shift, legs)
    if chosen is None:
        return None
    return _written(problem, shift, served, legs, *chosen, loads)


def peak_load(stops: Sequence[Stop], dimensions: int) -> tuple[int, ...]:
    """The most that is aboard at once in each dimension: all that is brought, then what comes and goes."""
    peaks = []
    for n in range(dimensions):
        aboard = peak = sum(stop.brings[n] for stop in stops if n < len(stop.brings))
        for stop in stops:
            aboard += (stop.collects[n] if n < len(stop.collects) else 0) - (
                stop.brings[n] if n < len(stop.brings) else 0
            )
            peak = max(peak, aboard)
        peaks.append(peak)
    return tuple(peaks)


def _legs(problem: Problem, shift: Shift, stops: Sequence[Stop]) -> list[_Leg] | None:
    seconds = problem.travel[shift.profile].seconds
    legs = []
    here = shift.start_place
    for stop in stops:
        starts = problem.open_windows(stop, shift)
        drive = int(seconds[here, stop.place])
        if not starts or drive >= UNREACHABLE_S:
            return None
        legs.append(_Leg(drive, stop.service_s, starts))
        here = stop.place
    home = int(seconds[here, shift.end_place])
    if home >= UNREACHABLE_S:
        return None
    legs.append(_Leg(home, 0, ((NEVER, -NEVER),)))
    return legs


def _after_pause(rest: Rest, leaves: int, drive: int) -> int | None:
    """When work can start if the break is taken between leaving and the next work."""
    if leaves > rest.latest_s:
        return None
    return max(leaves + drive, rest.earliest_s) + rest.length_s


def _begin(starts: tuple[tuple[int, int], ...], ready: int) -> int | None:
    for first, last in starts:
        if ready <= last:
            return max(first, ready)
    return None


@dataclass(slots=True)
class _Clock:
    """Where one of the two clocks stands: ready to leave at ``now``, the break taken on ``pause_leg``."""

    now: int
    pause_leg: int | None
    trail: tuple[int, ...]
    """Start of work at each stop so far."""


def _forward(shift: Shift, legs: Sequence[_Leg], leaves: int) -> tuple[int, _Clock] | None:
    """The earliest return and how it comes about."""
    rest = shift.pause
    bound = shift.ends_s + shift.overtime_limit_s
    hungry: _Clock | None = _Clock(leaves, None, ()) if rest else None
    rested: _Clock | None = None if rest else _Clock(leaves, None, ())
    for n, leg in enumerate(legs[:-1]):
        new_hungry = _step(hungry, hungry.now + leg.drive_s, leg, bound) if hungry else None
        new_rested = _step(rested, rested.now + leg.drive_s, leg, bound) if rested else None
        if hungry and rest:
            ready = _after_pause(rest, hungry.now, leg.drive_s)
            paused = _step(hungry, ready, leg, bound, n) if ready is not None else None
            if paused and (new_rested is None or paused.now < new_rested.now):
                new_rested = paused
        hungry, rested = new_hungry, new_rested
        if hungry is None and rested is None:
            return None
    home = legs[-1].drive_s
    ends = []
    if rested:
        ends.append((rested.now + home, rested))
    if hungry and rest:
        back = hungry.now + home
        if back <= rest.latest_s:
            ends.append((back, hungry))
        else:
            ready = _after_pause(rest, hungry.now, home)
            if ready is not None:
                ends.append((ready, _Clock(hungry.now, len(legs) - 1, hungry.trail)))
    ends = [end for end in ends if end[0] <= bound]
    return min(ends, key=lambda end: end[0]) if ends else None


def _step(clock: _Clock, ready: int, leg: _Leg, bound: int, pause_leg: int | None = None) -> _Clock | None:
    begins = _begin(leg.starts, ready)
    if begins is None or begins + leg.service_s > bound:
        return None
    return _Clock(
        begins + leg.service_s,
        clock.pause_leg if pause_leg is None else pause_leg,
        (*clock.trail, begins),
    )


def _latest_departure(shift: Shift, legs: Sequence[_Leg], returns: int, before: int | None = None) -> int:
    """The latest time to leave and still be back at ``returns``.

    With ``before`` the one up to then, the break still ahead where it could be had at home later.
    """
    rest = shift.pause
    home = legs[-1].drive_s
    rested = returns - home
    hungry = rested
    if rest:
        hungry = min(returns, rest.latest_s) - home
        if returns >= rest.earliest_s + rest.length_s:
            hungry = max(hungry, min(returns - rest.length_s - home, rest.latest_s))
    for leg in reversed(legs[:-1]):
        after_rest = _latest_arrival(leg, rested)
        hungry = _latest_arrival(leg, hungry) - leg.drive_s
        rested = after_rest - leg.drive_s
        if rest and after_rest >= rest.earliest_s + rest.length_s:
            hungry = max(hungry, min(after_rest - rest.length_s - leg.drive_s, rest.latest_s))
    at_home = NEVER if rest is None else max(shift.starts_s, rest.earliest_s) + rest.length_s
    if rested >= at_home and (before is None or before >= at_home):
        return rested
    return hungry if before is None else min(hungry, before)


def _latest_arrival(leg: _Leg, leaves: int) -> int:
    for first, last in reversed(leg.starts):
        begins = min(last, leaves - leg.service_s)
        if begins >= first:
            return begins
    return NEVER


def _departure(problem: Problem, shift: Shift, legs: Sequence[_Leg]) -> tuple[int, int] | None:
    """Departure and return: the earliest return, or the cheapest or shortest duty where that counts.

    The later the departure the later the return, in steps: on each step the last departure is best, after
    it nothing is gained until some stop misses an opening. With one opening each there is but one step.
    """
    paid = bool(problem.prices.duty_minute)
    counts = shift.longest_s is not None or paid
    best, least = None, 0
    rest = shift.pause
    rested = NEVER if rest is None else max(shift.starts_s, rest.earliest_s) + rest.length_s
    # Before and after there is time for the break at home the return rises with the departure.
    stretches = [(shift.starts_s, -NEVER if rest is None else rested - 1)]
    if rest is not None and counts:
        stretches.append((rested, -NEVER))
    for first, last in stretches:
        leaves = first
        for _ in range(_DEPARTURES_TRIED):
            found = _forward(_rested_at_home(shift, leaves), legs, leaves) if leaves <= last else None
            if found is None:
                break
            returns = found[0]
            latest = _latest_departure(shift, legs, returns, before=last if counts else None)
            leaves = max(leaves, latest)
            span = returns - leaves
            if shift.longest_s is None or span <= shift.longest_s:
                price = span
                if paid:
                    # A break on the way is not paid, one at home is no part of the span at all.
                    price = problem.prices.duty_minute * (span - _pause_on_way(shift, legs, leaves))
                    price += problem.prices.overtime_minute * max(0, returns - shift.ends_s)
                if best is None or price < least:
                    best, least = (leaves, returns), price
            if not counts or (rest is None and all(len(leg.starts) == 1 for leg in legs)):
                break
            leaves += 1 + _slack(shift, legs, leaves)
    return best


def _pause_on_way(shift: Shift, legs: Sequence[_Leg], leaves: int) -> int:
    """The length of the break where it is taken between ``leaves`` and the return, else 0."""
    found = _forward(_rested_at_home(shift, leaves), legs, leaves)
    on_way = found is not None and found[1].pause_leg is not None
    return shift.pause.length_s if on_way and shift.pause is not None else 0


def _slack(shift: Shift, legs: Sequence[_Leg], leaves: int) -> int:
    """How much later the van may leave before some stop misses the opening that it uses."""
    found = _forward(_rested_at_home(shift, leaves), legs, leaves)
    if found is None:
        return 0
    slack = [
        last - begins
        for leg, begins in zip(legs, found[1].trail, strict=False)
        for first, last in leg.starts
        if first <= begins <= last
    ]
    if shift.pause is not None and leaves <= shift.pause.latest_s:
        slack.append(600)
    return max(0, min(slack, default=0))


def _rested_at_home(shift: Shift, leaves: int) -> Shift:
    """The shift without its break if there was time for it at home before ``leaves``."""
    rest = shift.pause
    if rest is None or leaves < max(shift.starts_s, rest.earliest_s) + rest.length_s:
        return shift
    return Shift(
        shift.key, shift.technician, shift.day, shift.start_place, shift.end_place, shift.starts_s,
        shift.ends_s, None, shift.capacity, shift.skills, shift.overtime_limit_s, shift.longest_s,
    )  # fmt: skip


def _written(
    problem: Problem,
    shift: Shift,
    stops: Sequence[Stop],
    legs: Sequence[_Leg],
    leaves: int,
    returns: int,
    loads: tuple[int, ...],
) -> Timetable:
    rest = shift.pause
    at_home = rest is not None and _rested_at_home(shift, leaves) is not shift
    found = _forward(_rested_at_home(shift, leaves), legs, leaves)
    if found is None:
        raise AssertionError("a departure that was found possible is possible")
    _, clock = found
    metres = _metres(problem, shift, stops)
    calls = []
    now = leaves
    pause: int | None = None
    if rest is not None and at_home:
        pause = max(shift.starts_s, rest.earliest_s)
    for n, (stop, leg, begins) in enumerate(zip(stops, legs, clock.trail, strict=False)):
        arrives = now + leg.drive_s
        waiting = begins - arrives
        if rest and clock.pause_leg == n:
            pause = max(min(arrives, rest.latest_s), rest.earliest_s, now)
            waiting -= rest.length_s
            if pause < arrives:
                arrives += rest.length_s
        calls.append(
            Call(stop.key, arrives, begins, begins + stop.service_s, waiting, leg.drive_s, metres[n])
        )
        now = begins + stop.service_s
    on_way = rest is not None and clock.pause_leg is not None
    home_waiting = 0
    if rest and clock.pause_leg == len(legs) - 1:
        arrives = now + legs[-1].drive_s
        pause = max(min(arrives, rest.latest_s), rest.earliest_s, now)
        home_waiting = returns - arrives - rest.length_s
    elif rest and pause is None:
        pause = max(returns, rest.earliest_s)
    return Timetable(
        shift=shift.key,
        leaves_s=leaves,
        returns_s=returns,
        calls=tuple(calls),
        pause_starts_s=pause,
        drive_s=sum(leg.drive_s for leg in legs),
        metres=sum(metres),
        service_s=sum(stop.service_s for stop in stops),
        waiting_s=sum(call.waiting_s for call in calls) + home_waiting,
        overtime_s=max(0, returns - shift.ends_s),
        duty_s=returns - leaves - (rest.length_s if rest and on_way else 0),
        peak_load=loads,
    )


def _metres(problem: Problem, shift: Shift, stops: Sequence[Stop]) -> list[int]:
    known = problem.travel[shift.profile].metres
    places = [shift.start_place, *(stop.place for stop in stops), shift.end_place]
    return [0 if known is None else int(known[a, b]) for a, b in pairwise(places)]


def bill(problem: Problem, plan: Plan) -> Bill:
    """What ``plan`` costs under the prices of ``problem``.

    Raises ``ValueError`` for a route that cannot be driven.
    """
    prices = problem.prices
    sums = dict.fromkeys((cause.name for cause in fields(Bill)), 0)
    for key, stops in plan.routes.items():
        if not stops:
            continue
        shift = problem.shift[key]
        times = timetable(problem, shift, stops)
        if times is None:
            raise ValueError(f"shift {key} cannot be driven in this order")
        sums["drive_60"] += times.drive_s * prices.drive_minute
        sums["km_60"] += round(times.metres * prices.drive_km * 60 / 1000)
        sums["duty_60"] += times.duty_s * prices.duty_minute
        sums["overtime_60"] += times.overtime_s * prices.overtime_minute
        sums["opening_60"] += 60 * shift.opening_price
        for stop in (problem.stop[stop] for stop in stops):
            late = 0 if stop.due_day is None else max(0, shift.day - stop.due_day)
            sums["late_60"] += 60 * late * prices.late_day
            if stop.territory and shift.territory and stop.territory != shift.territory:
                sums["other_territory_60"] += 60 * prices.other_territory
            if stop.preferred_technician and stop.preferred_technician != shift.technician:
                sums["other_technician_60"] += 60 * prices.other_technician
            if stop.was and stop.was != (shift.technician, shift.day):
                sums["moved_60"] += 60 * prices.moved
    planned = plan.where()
    sums["left_out_60"] = 60 * sum(
        prices.leaving_out(stop) for stop in problem.stops if stop.key not in planned
    )
    return Bill(**sums)
