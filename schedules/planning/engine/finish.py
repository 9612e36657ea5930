"""From the engine's routes to a plan that holds by the clock, with a reason for every stop left out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from schedules.planning.insertion import fill, lanes_of
from schedules.planning.model import Plan, Problem, Reason
from schedules.planning.timetable import timetable

NO_ROOM = "no room"


def finished(
    problem: Problem,
    routes: Mapping[str, Sequence[str]],
    left_out: Mapping[str, Reason] | None = None,
    *,
    polish: bool = False,
    should_stop: Callable[[], bool] | None = None,
) -> Plan:
    """A plan of ``routes`` without what cannot be driven; ``left_out`` are reasons already known.

    The engine puts the break at one moment, the clock lets it float: with ``polish`` stops that this
    leaves room for are put in.
    """
    kept: dict[str, tuple[str, ...]] = {}
    for key, stops in routes.items():
        if stops:
            kept[key] = tuple(_drivable(problem, key, stops))
    planned = {stop for stops in kept.values() for stop in stops}
    missing = [stop for stop in problem.stops if stop.key not in planned]
    if polish and missing:
        lanes = lanes_of(problem, kept)
        missing.sort(key=lambda stop: -problem.prices.leaving_out(stop))
        fill(problem, lanes, missing, should_stop)
        kept = {key: lane.keys for key, lane in lanes.items() if lane.stops}
        planned = {stop for stops in kept.values() for stop in stops}
    reasons = dict(left_out or {})
    for stop in problem.stops:
        if stop.key not in planned and stop.key not in reasons:
            reasons[stop.key] = _no_room(problem, stop.mandatory or stop.pin is not None)
    return Plan({key: stops for key, stops in kept.items() if stops}, reasons)


def _no_room(problem: Problem, fixed: bool) -> Reason:
    if fixed:
        return Reason(NO_ROOM, "No shift has room for it, though it is mandatory or pinned.")
    return Reason(NO_ROOM, "No shift has room for it that costs less than leaving it out.")


def _drivable(problem: Problem, key: str, stops: Sequence[str]) -> Sequence[str]:
    """``stops`` as far as the shift can be driven; dear ones stay rather than cheap ones."""
    shift = problem.shift[key]
    if timetable(problem, shift, stops) is not None:
        return stops
    rank = sorted(stops, key=lambda stop: -problem.prices.leaving_out(problem.stop[stop]))
    kept: set[str] = set()
    for stop in rank:
        order = [it for it in stops if it in kept or it == stop]
        if timetable(problem, shift, order) is not None:
            kept.add(stop)
    return [it for it in stops if it in kept]
