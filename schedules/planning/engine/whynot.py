"""Why a stop is not in the plan: the nearest things that would have to give."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from schedules.planning.insertion import Gap, Lane, lanes_of
from schedules.planning.model import Plan, Problem, Stop, Window
from schedules.planning.timetable import timetable

Kind = Literal[
    "room", "overtime", "other technician", "skill", "other day", "opening hours", "take out another"
]

MOST_OVERTIME_S = 2 * 3600
WIDER_S = (1800, 3600, 7200)
_NEAR = 12


@dataclass(frozen=True, slots=True)
class Relaxation:
    """One thing that would let the stop in: where, what has to give, by how much, at what price.

    ``extra_s`` is overtime or the earlier opening or later closing. ``cost_60`` is the price of the place
    itself, without what the concession costs.
    """

    kind: Kind
    text: str
    technician: str
    day: int
    shift: str
    extra_s: int
    cost_60: int
    detail: str = ""
    """The missing skill, or the stop that would have to leave."""


def why_not(problem: Problem, plan: Plan, stop: str, limit: int = 5) -> tuple[Relaxation, ...]:
    """The nearest ways to get ``stop`` into ``plan``, cheapest of each kind first; empty if there is none.

    Everything else in the plan stays where it is.
    """
    asked = problem.stop[stop]
    if asked.place < 0:
        return ()
    routes = {key: tuple(it for it in stops if it != stop) for key, stops in plan.routes.items()}
    lanes = lanes_of(problem, routes)
    found: list[Relaxation] = []
    for lane in lanes.values():
        found += _with_this_shift(lane, asked)
    near = sorted(lanes.values(), key=lambda lane: _distance(lane, asked))[:_NEAR]
    for lane in near:
        found += _instead_of_another(lane, asked)
    best: dict[Kind, Relaxation] = {}
    for way in sorted(found, key=lambda way: (way.extra_s, way.cost_60, way.shift)):
        best.setdefault(way.kind, way)
    return tuple(sorted(best.values(), key=lambda way: (_RANK[way.kind], way.cost_60)))[:limit]


_RANK: dict[Kind, int] = {
    "room": 0,
    "overtime": 1,
    "other technician": 2,
    "opening hours": 3,
    "other day": 4,
    "take out another": 5,
    "skill": 6,
}


def _distance(lane: Lane, stop: Stop) -> int:
    seconds = lane.problem.travel[lane.shift.profile].seconds
    places = [it.place for it in lane.stops] or [lane.shift.start_place]
    return min(int(seconds[place, stop.place]) for place in places)


def _way(lane: Lane, gap: Gap, kind: Kind, text: str, extra_s: int = 0, detail: str = "") -> Relaxation:
    shift = lane.shift
    return Relaxation(kind, text, shift.technician, shift.day, shift.key, extra_s, gap.cost_60, detail)


def _fits(lane: Lane, stop: Stop) -> Gap | None:
    """The cheapest place for a changed copy of a stop."""
    return Lane.best_gap(_fresh(lane), stop)


def _fresh(lane: Lane) -> Lane:
    """The lane without what it remembers of the stop in its unchanged form."""
    return Lane(lane.problem, lane.shift, lane.keys)


def _with_this_shift(lane: Lane, stop: Stop) -> Iterable[Relaxation]:
    problem, shift = lane.problem, lane.shift
    who = f"{shift.technician} on day {shift.day}"
    bar = problem.bars(stop, shift)
    if bar is None:
        gap = lane.best_gap(stop)
        if gap is not None:
            yield _way(lane, gap, "room", f"There is room with {who}.")
            return
        yield from _overtime(lane, stop, who)
        yield from _wider(lane, stop, who)
    elif bar == "shift and opening hours do not meet":
        yield from _overtime(lane, stop, who)
        yield from _wider(lane, stop, who)
    elif bar == "skill missing":
        gap = _fits(lane, replace(stop, skills=frozenset()))
        if gap is not None:
            missing = ", ".join(sorted(stop.skills - shift.skills))
            yield _way(lane, gap, "skill", f"There is room with {who}, who lacks {missing}.", 0, missing)
    elif bar in ("technician not allowed", "pinned to another technician"):
        pin = None if stop.pin is None else replace(stop.pin, technician=None)
        gap = _fits(lane, replace(stop, technicians=None, pin=pin))
        if gap is not None:
            yield _way(lane, gap, "other technician", f"There is room with {who}, who is not meant to come.")
    elif bar in ("closed that day", "pinned to another day"):
        pin = None if stop.pin is None else replace(stop.pin, day=None)
        hours = {(it.opens_s, it.closes_s) for it in stop.windows}
        moved = tuple(Window(shift.day, *pair) for pair in sorted(hours))
        gap = _fits(lane, replace(stop, windows=moved, pin=pin))
        if gap is not None:
            text = f"There is room with {who}, a day on which it is not open or not meant to be visited."
            yield _way(lane, gap, "other day", text)


def _overtime(lane: Lane, stop: Stop, who: str) -> Iterable[Relaxation]:
    shift = lane.shift
    if shift.longest_s is not None:
        return
    allowed = shift.ends_s + shift.overtime_limit_s
    longer = replace(shift, overtime_limit_s=shift.overtime_limit_s + MOST_OVERTIME_S)
    wide = Lane(lane.problem, longer, lane.keys)
    best: tuple[int, Gap] | None = None
    for gap in wide.gaps(stop):
        order = [*lane.keys[: gap.position], stop.key, *lane.keys[gap.position :]]
        times = timetable(lane.problem, longer, order)
        if times is not None and (best is None or times.returns_s < best[0]):
            best = (times.returns_s, gap)
    if best is not None and best[0] > allowed:
        extra = best[0] - allowed
        text = f"It would fit with {who}, working {-(-extra // 60)} min longer."
        yield _way(lane, best[1], "overtime", text, extra)


def _wider(lane: Lane, stop: Stop, who: str) -> Iterable[Relaxation]:
    """A door that opens earlier or closes later."""
    for extra in WIDER_S:
        for early, late in ((extra, 0), (0, extra)):
            windows = tuple(
                Window(it.day, max(0, it.opens_s - early), it.closes_s + late) for it in stop.windows
            )
            gap = _fits(lane, replace(stop, windows=windows))
            if gap is not None:
                how = "opened" if early else "stayed open"
                when = "earlier" if early else "longer"
                text = f"It would fit with {who} if the site {how} {extra // 60} min {when}."
                yield _way(lane, gap, "opening hours", text, extra)
                return


def _instead_of_another(lane: Lane, stop: Stop) -> Iterable[Relaxation]:
    if lane.barred(stop):
        return
    prices = lane.problem.prices
    best: tuple[int, Gap, str] | None = None
    for other in lane.stops:
        if other.pin is not None or other.mandatory:
            continue
        without = Lane(lane.problem, lane.shift, (key for key in lane.keys if key != other.key))
        gap = without.best_gap(stop)
        if gap is not None:
            cost = gap.cost_60 + 60 * prices.leaving_out(other)
            if best is None or cost < best[0]:
                best = (cost, gap, other.key)
    if best is not None:
        text = (
            f"It would fit with {lane.shift.technician} on day {lane.shift.day} in place of stop {best[2]}."
        )
        yield Relaxation(
            "take out another",
            text,
            lane.shift.technician,
            lane.shift.day,
            lane.shift.key,
            0,
            best[0],
            best[2],
        )
