"""The dispatcher's hand: change one thing, keep the rest, say what moved and what that cost.

What the hand set is never undone. The change is made in the routes as they are, whatever no longer fits
behind it is taken out and put in elsewhere, and only the shifts that were touched are planned again,
every further move at a price.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from schedules.planning.engine.finish import finished
from schedules.planning.engine.solve import solve
from schedules.planning.insertion import Lane, fill, lanes_of
from schedules.planning.model import Pin, Plan, Problem, Reason, Shift, Stop
from schedules.planning.screening import screen
from schedules.planning.timetable import bill, timetable

MOVE_PRICE = 60
"""Units for moving a visit that the change did not name, if the prices name none (common practice)."""
NEIGHBOURS = 4
"""Shifts planned again beside the touched one when stops have lost their place."""


@dataclass(frozen=True, slots=True)
class Place:
    """Pin a stop, or drag it: to a technician, a day, a clock time, a position in the order.

    With ``position`` the order of that shift is the hand's and is not improved upon.
    """

    stop: str
    technician: str | None = None
    day: int | None = None
    starts_s: int | None = None
    position: int | None = None


@dataclass(frozen=True, slots=True)
class Release:
    """Take the pin off a stop; nothing moves yet."""

    stop: str


@dataclass(frozen=True, slots=True)
class Exclude:
    """Take a stop out of the plan and keep it out."""

    stop: str


@dataclass(frozen=True, slots=True)
class Add:
    """An urgent call."""

    stop: Stop


@dataclass(frozen=True, slots=True)
class Cut:
    """A technician is away from ``from_s``, to the end of the shift or, if away at its start, until ``to_s``.

    Visits that end by then stay as they are; the others are handed on.
    """

    shift: str
    from_s: int
    to_s: int | None = None


Change = Place | Release | Exclude | Add | Cut


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a stop stands: its shift and start of work, or nowhere."""

    shift: str | None
    starts_s: int | None


@dataclass(frozen=True, slots=True)
class Moved:
    """A stop that is not where it was. ``named`` is the one that the hand itself moved."""

    stop: str
    before: Spot
    after: Spot
    named: bool = False

    @property
    def other_shift(self) -> bool:
        """It has another technician or day, not just another time."""
        return self.before.shift != self.after.shift


@dataclass(frozen=True, slots=True)
class Replanned:
    """The answer to a change. ``problem`` carries it (pins, shifts, stops) for the next one."""

    problem: Problem
    plan: Plan
    moved: tuple[Moved, ...]
    cost_60_before: int
    cost_60: int
    seconds: float
    refused: Reason | None = None
    """Why the change could not be made; the plan is then the old one."""


def replan(problem: Problem, plan: Plan, change: Change, *, seconds: float = 0.5, seed: int = 1) -> Replanned:
    """Make ``change`` in ``plan`` and settle what it disturbs, within about ``seconds``."""
    began = time.perf_counter()
    before = bill(problem, plan).total_60
    work = _Work(problem, plan)
    refused = work.make(change)
    if refused is not None:
        return Replanned(problem, plan, (), before, before, time.perf_counter() - began, refused)
    after = work.settle(seconds - (time.perf_counter() - began), seed)
    named = change.stop.key if isinstance(change, Add) else getattr(change, "stop", None)
    moved = _moved(problem, plan, work.problem, after, named)
    cost = bill(work.problem, after).total_60
    return Replanned(work.problem, after, moved, before, cost, time.perf_counter() - began)


class _Work:
    """A plan under change: lanes, the stops that lost their place, and the shifts that were touched."""

    def __init__(self, problem: Problem, plan: Plan) -> None:
        self.problem = problem
        self.routes = {key: tuple(stops) for key, stops in plan.routes.items() if key in problem.shift}
        self.left_out = dict(plan.left_out)
        self.loose: list[str] = []
        self.touched: set[str] = set()
        self.fixed: set[str] = set()

    # --- making the change --------------------------------------------------------------------------

    def make(self, change: Change) -> Reason | None:
        """Make the change in the routes; a reason if that is impossible."""
        if isinstance(change, Cut):
            return self._cut(change)
        if isinstance(change, Add):
            if change.stop.key in self.problem.stop:
                return Reason("twice", f"Stop {change.stop.key} is already there.")
            self.problem = replace(self.problem, stops=(*self.problem.stops, change.stop))
            return self._add(change.stop)
        if change.stop not in self.problem.stop:
            return Reason("unknown stop", f"There is no stop {change.stop} in this plan; load it again.")
        stop = self.problem.stop[change.stop]
        if isinstance(change, Release):
            self._replace_stop(replace(stop, pin=None))
            return None
        self._take_out(stop.key)
        if isinstance(change, Exclude):
            kept = tuple(it for it in self.problem.stops if it.key != stop.key)
            self.problem = replace(self.problem, stops=kept)
            self.left_out[stop.key] = Reason("excluded", "Taken out of the plan by hand.")
            return None
        pinned = replace(stop, pin=Pin(change.technician, change.day, change.starts_s))
        self._replace_stop(pinned)
        return self._place(pinned, change.position)

    def _replace_stop(self, stop: Stop) -> None:
        changed = tuple(stop if it.key == stop.key else it for it in self.problem.stops)
        self.problem = replace(self.problem, stops=changed)

    def _take_out(self, key: str) -> None:
        self.left_out.pop(key, None)
        for shift, stops in self.routes.items():
            if key in stops:
                self.routes[shift] = tuple(stop for stop in stops if stop != key)
                self.touched.add(shift)

    def _impossible(self, stop: Stop) -> Reason | None:
        return screen(replace(self.problem, stops=(stop,))).left_out.get(stop.key)

    def _add(self, stop: Stop) -> Reason | None:
        impossible = self._impossible(stop)
        if impossible is not None:
            self.left_out[stop.key] = impossible
            return None
        return self._place(stop, None)

    def _place(self, stop: Stop, position: int | None) -> Reason | None:
        impossible = self._impossible(stop)
        if impossible is not None:
            return impossible
        choices = []
        for shift in self.problem.shifts:
            if self.problem.bars(stop, shift) is None:
                made = self._into(shift, stop, position)
                if made is not None:
                    choices.append((made[0], shift.key, made[1], made[2]))
        if not choices:
            return Reason("no room", "It cannot be kept beside what else is pinned there.")
        _, key, order, out = min(choices, key=lambda choice: choice[:2])
        self.routes[key] = order
        self.loose += out
        self.touched.add(key)
        if position is not None:
            self.fixed.add(key)
        return None

    def _into(
        self, shift: Shift, stop: Stop, position: int | None
    ) -> tuple[int, tuple[str, ...], list[str]] | None:
        """Price, new order and stops pushed out when ``stop`` is put into ``shift``."""
        there = self.routes.get(shift.key, ())
        if position is not None:
            return self._as_ordered(shift, (*there[:position], stop.key, *there[position:]), stop)
        lane = Lane(self.problem, shift, there)
        gap = lane.best_gap(stop)
        if gap is not None:
            return gap.cost_60, (*there[: gap.position], stop.key, *there[gap.position :]), []
        alone = Lane(self.problem, shift, [stop.key])
        if timetable(self.problem, shift, [stop.key]) is None:
            return None
        out: list[str] = []
        price = 0
        for key in sorted(there, key=self._clings):
            found = alone.best_gap(self.problem.stop[key])
            if found is None:
                out.append(key)
                price += 60 * self.problem.prices.leaving_out(self.problem.stop[key])
            else:
                alone.put(found.position, self.problem.stop[key])
        if any(self.problem.stop[key].pin is not None for key in out):
            return None
        return price, alone.keys, out

    def _clings(self, key: str) -> tuple[int, int]:
        """Dear stops first; of equal ones the short, for they leave more room."""
        stop = self.problem.stop[key]
        return (-self.problem.prices.leaving_out(stop), stop.service_s)

    def _as_ordered(
        self, shift: Shift, order: Sequence[str], stop: Stop
    ) -> tuple[int, tuple[str, ...], list[str]] | None:
        """The hand's order, without the cheapest stops that keep it from being driven."""
        out: list[str] = []
        kept = list(order)
        price = 0
        while timetable(self.problem, shift, kept) is None:
            free = [key for key in kept if key != stop.key and self.problem.stop[key].pin is None]
            if not free:
                return None
            helps = [
                key
                for key in free
                if timetable(self.problem, shift, [it for it in kept if it != key]) is not None
            ]
            gone = max(helps or free, key=self._clings)
            kept.remove(gone)
            out.append(gone)
            price += 60 * self.problem.prices.leaving_out(self.problem.stop[gone])
        return price, tuple(kept), out

    def _cut(self, change: Cut) -> Reason | None:
        shift = self.problem.shift.get(change.shift)
        if shift is None:
            return Reason("unknown shift", f"There is no shift {change.shift} in this plan; load it again.")
        stops = self.routes.get(shift.key, ())
        times = timetable(self.problem, shift, stops)
        if change.from_s <= shift.starts_s and change.to_s is not None and change.to_s < shift.ends_s:
            self._replace_shift(replace(shift, starts_s=change.to_s))
            kept: tuple[str, ...] = ()
        elif change.to_s is not None and change.to_s < shift.ends_s:
            return Reason(
                "absence inside a shift",
                "Give an absence that lasts to the end of the shift, or one from its start.",
            )
        else:
            calls = [] if times is None else [it for it in times.calls if it.ends_s <= change.from_s]
            kept = tuple(call.stop for call in calls)
            ends = max(shift.starts_s, min(change.from_s, shift.ends_s))
            if calls:
                last = self.problem.stop[calls[-1].stop].place
                home = int(self.problem.travel[shift.profile].seconds[last, shift.end_place])
                ends = max(ends, calls[-1].ends_s + home)
            changed = replace(shift, ends_s=ends, overtime_limit_s=0, rest=None if calls else shift.rest)
            self._replace_shift(changed)
            for call in calls:
                pin = Pin(shift.technician, shift.day, call.starts_s)
                self._replace_stop(replace(self.problem.stop[call.stop], pin=pin))
        self.routes[shift.key] = kept
        self.loose += [stop for stop in stops if stop not in kept]
        self.fixed.add(shift.key)
        for key in self.loose:
            stop = self.problem.stop[key]
            if stop.pin is not None:
                # Pinned to someone who is not there: the day stays, the person cannot.
                self._replace_stop(replace(stop, pin=None))
        return None

    def _replace_shift(self, shift: Shift) -> None:
        changed = tuple(shift if it.key == shift.key else it for it in self.problem.shifts)
        self.problem = replace(self.problem, shifts=changed)

    # --- settling -----------------------------------------------------------------------------------

    def settle(self, seconds: float, seed: int) -> Plan:
        """Find new places for what is loose, and plan the touched shifts again."""
        began = time.perf_counter()
        lanes = lanes_of(self.problem, self.routes)
        loose = [self.problem.stop[key] for key in self.loose]
        open_lanes = {key: lane for key, lane in lanes.items() if key not in self.fixed}
        fill(self.problem, open_lanes, loose)
        self.routes = {key: lane.keys for key, lane in lanes.items()}
        again = self.touched - self.fixed
        planned = {stop for stops in self.routes.values() for stop in stops}
        homeless = [stop for stop in loose if stop.key not in planned]
        again |= set(self._nearest(homeless, open_lanes))
        left = seconds - (time.perf_counter() - began)
        if again and left > 0.05:
            self._improve(again, left, seed)
        return finished(self.problem, self.routes, self.left_out_now())

    def left_out_now(self) -> dict[str, Reason]:
        """Reasons that still hold."""
        planned = {stop for stops in self.routes.values() for stop in stops}
        return {key: reason for key, reason in self.left_out.items() if key not in planned}

    def _nearest(self, stops: Iterable[Stop], lanes: Mapping[str, Lane]) -> list[str]:
        """Shifts into which loose stops would fit best if there were room."""
        found: list[str] = []
        for stop in stops:
            near = []
            for key, lane in lanes.items():
                if lane.barred(stop) or key in found:
                    continue
                travel = self.problem.travel[lane.shift.profile].seconds
                places = [it.place for it in lane.stops] or [lane.shift.start_place]
                near.append((min(int(travel[place, stop.place]) for place in places), key))
            found += [key for _, key in sorted(near)[:NEIGHBOURS]]
        return found[: 2 * NEIGHBOURS]

    def _improve(self, shifts: set[str], seconds: float, seed: int) -> None:
        problem = self.problem
        planned = {stop for stops in self.routes.values() for stop in stops}
        where = {
            stop: problem.shift[key] for key in shifts for stop in self.routes.get(key, ())
        }  # fmt: skip
        free = [stop for stop in problem.stops if stop.key in where or stop.key not in planned]
        moving = max(MOVE_PRICE, problem.prices.moved)
        part = Problem(
            stops=tuple(
                replace(
                    stop,
                    was=(where[stop.key].technician, where[stop.key].day),
                    # To drop a visit for one that was left out moves it as much as another day would.
                    left_out_price=problem.prices.leaving_out(stop) + moving,
                )
                if stop.key in where
                else stop
                for stop in free
            ),
            shifts=tuple(shift for shift in problem.shifts if shift.key in shifts),
            travel=problem.travel,
            prices=replace(problem.prices, moved=moving),
        )
        start = Plan({key: self.routes[key] for key in shifts if self.routes.get(key)})
        found = solve(part, seconds=seconds, seed=seed, start=start)
        still = {stop for stops in found.plan.routes.values() for stop in stops}
        pinned = {stop.key for stop in free if stop.pin is not None and stop.key in where}
        if not pinned <= still:
            return
        for key in shifts:
            self.routes[key] = found.plan.routes.get(key, ())


def _moved(old: Problem, before: Plan, new: Problem, after: Plan, named: str | None) -> tuple[Moved, ...]:
    was, now = _spots(old, before), _spots(new, after)
    nowhere = Spot(None, None)
    found = []
    for stop in sorted({*was, *now}):
        then, there = was.get(stop, nowhere), now.get(stop, nowhere)
        if then != there:
            found.append(Moved(stop, then, there, stop == named))
    return tuple(found)


def _spots(problem: Problem, plan: Plan) -> dict[str, Spot]:
    spots = {}
    for key, stops in plan.routes.items():
        times = timetable(problem, problem.shift[key], stops) if key in problem.shift else None
        for call in times.calls if times else ():
            spots[call.stop] = Spot(key, call.starts_s)
    return spots
