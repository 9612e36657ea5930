"""Cheapest places for stops in routes that exist, filled by regret.

The exact rules of the timetable, break included, tested in constant time per place: each route keeps, for
every position, the two earliest times of leaving (break still ahead, break behind) and the two latest
times of arriving that the rest of the route can bear.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from schedules.planning.model import UNREACHABLE_S, Problem, Shift, Stop
from schedules.planning.timetable import NEVER, peak_load, timetable

_LATE = -NEVER


@dataclass(frozen=True, slots=True)
class Gap:
    """A place for a stop in a route, and what taking it costs in sixtieths."""

    shift: str
    position: int
    cost_60: int


class Lane:
    """One shift with its stops in order, ready to be asked where another stop would fit."""

    def __init__(self, problem: Problem, shift: Shift, stops: Iterable[str] = ()) -> None:
        self.problem = problem
        self.shift = shift
        self.stops: list[Stop] = [problem.stop[key] for key in stops]
        self._seconds = problem.travel[shift.profile].seconds
        self._metres = problem.travel[shift.profile].metres
        self._starts: dict[str, tuple[tuple[int, int], ...]] = {}
        self._barred: dict[str, bool] = {}
        self.refresh()

    @property
    def keys(self) -> tuple[str, ...]:
        """The stops in order."""
        return tuple(stop.key for stop in self.stops)

    def starts(self, stop: Stop) -> tuple[tuple[int, int], ...]:
        """Start windows of ``stop`` on this day."""
        if stop.key not in self._starts:
            self._starts[stop.key] = self.problem.open_windows(stop, self.shift)
        return self._starts[stop.key]

    def barred(self, stop: Stop) -> bool:
        """Whether this shift can never serve ``stop``."""
        if stop.key not in self._barred:
            self._barred[stop.key] = self.problem.bars(stop, self.shift) is not None
        return self._barred[stop.key]

    def put(self, position: int, stop: Stop) -> None:
        """Insert ``stop`` and work the times out again."""
        self.stops.insert(position, stop)
        self.refresh()

    def remove(self, key: str) -> None:
        """Take a stop out and work the times out again."""
        self.stops = [stop for stop in self.stops if stop.key != key]
        self.refresh()

    def refresh(self) -> None:
        """Work out earliest departures and latest arrivals along the route."""
        shift, rest = self.shift, self.shift.pause
        self.places = [shift.start_place, *(stop.place for stop in self.stops), shift.end_place]
        self.hungry = [shift.starts_s if rest else _LATE]
        self.rested = [_LATE if rest else shift.starts_s]
        for n, stop in enumerate(self.stops):
            drive = self._drive(self.places[n], stop.place)
            hungry, rested = self._served(self.hungry[n], self.rested[n], drive, stop)
            self.hungry.append(hungry)
            self.rested.append(rested)
        end = shift.ends_s + shift.overtime_limit_s
        self.late_rested = [end]
        self.late_hungry = [min(end, rest.latest_s) if rest else NEVER]
        for n in range(len(self.stops) - 1, -1, -1):
            stop = self.stops[n]
            drive = self._drive(stop.place, self.places[n + 2])
            after_rested, after_hungry = self.late_rested[-1], self.late_hungry[-1]
            leave_rested = after_rested - drive
            leave_hungry = after_hungry - drive
            if rest and after_rested >= rest.earliest_s + rest.length_s:
                leave_hungry = max(leave_hungry, min(after_rested - rest.length_s - drive, rest.latest_s))
            self.late_rested.append(self._latest(stop, leave_rested))
            self.late_hungry.append(self._latest(stop, leave_hungry) if rest else NEVER)
        self.late_rested.reverse()
        self.late_hungry.reverse()

    def _drive(self, here: int, there: int) -> int:
        return int(self._seconds[here, there])

    def _served(self, hungry: int, rested: int, drive: int, stop: Stop) -> tuple[int, int]:
        """Earliest times of having served ``stop``, with the break ahead and behind."""
        rest = self.shift.pause
        ready_hungry = hungry + drive if hungry < _LATE else _LATE
        ready_rested = rested + drive if rested < _LATE else _LATE
        if rest and hungry <= rest.latest_s:
            paused = max(hungry + drive, rest.earliest_s) + rest.length_s
            ready_rested = min(ready_rested, paused)
        return self._done(stop, ready_hungry), self._done(stop, ready_rested)

    def _done(self, stop: Stop, ready: int) -> int:
        for first, last in self.starts(stop):
            if ready <= last:
                return max(first, ready) + stop.service_s
        return _LATE

    def _latest(self, stop: Stop, leaves: int) -> int:
        for first, last in reversed(self.starts(stop)):
            begins = min(last, leaves - stop.service_s)
            if begins >= first:
                return begins
        return NEVER

    @property
    def feasible(self) -> bool:
        """Whether the route keeps opening hours, break and end of shift."""
        return self._meets(self.hungry[-1], self.rested[-1], len(self.stops), self.places[-2])

    def _meets(self, hungry: int, rested: int, position: int, here: int) -> bool:
        """Whether the rest of the route from ``position`` can be driven after leaving ``here``."""
        drive = self._drive(here, self.places[position + 1])
        if rested < _LATE and rested + drive <= self.late_rested[position]:
            return True
        rest = self.shift.pause
        if rest is None or hungry >= _LATE:
            return False
        if hungry + drive <= self.late_hungry[position]:
            return True
        return (
            hungry <= rest.latest_s
            and max(hungry + drive, rest.earliest_s) + rest.length_s <= self.late_rested[position]
        )

    def _leg_60(self, here: int, there: int) -> int:
        prices = self.problem.prices
        cost = self._drive(here, there) * max(prices.drive_minute, prices.duty_minute)
        if self._metres is not None and prices.drive_km:
            cost += round(int(self._metres[here, there]) * prices.drive_km * 60 / 1000)
        return cost

    def gaps(self, stop: Stop) -> Iterable[Gap]:
        """Every position where ``stop`` fits, with its price."""
        if self.barred(stop) or not self._carries([*self.stops, stop]):
            return
        prices = self.problem.prices
        placing = 60 * prices.placing(stop, self.shift)
        if not self.stops:
            placing += 60 * self.shift.opening_price
        mixed = any(stop.collects) or any(any(it.collects) for it in self.stops)
        for position in range(len(self.stops) + 1):
            here, there = self.places[position], self.places[position + 1]
            drive = self._drive(here, stop.place)
            onward = self._drive(stop.place, there)
            if drive >= UNREACHABLE_S or onward >= UNREACHABLE_S:
                continue
            hungry, rested = self._served(self.hungry[position], self.rested[position], drive, stop)
            if hungry >= _LATE and rested >= _LATE:
                continue
            if not self._meets(hungry, rested, position, stop.place):
                continue
            order = [*self.stops[:position], stop, *self.stops[position:]]
            if mixed and not self._carries(order, exact=True):
                continue
            if self.shift.longest_s is not None and not self._short_enough(order):
                continue
            detour = self._leg_60(here, stop.place) + self._leg_60(stop.place, there)
            if self.stops:
                detour -= self._leg_60(here, there)
            yield Gap(self.shift.key, position, placing + detour)

    def _short_enough(self, order: Sequence[Stop]) -> bool:
        return timetable(self.problem, self.shift, [stop.key for stop in order]) is not None

    def _carries(self, order: Sequence[Stop], *, exact: bool = False) -> bool:
        """Whether the van has room; without ``exact`` only what no order can change is looked at."""
        capacity = self.shift.capacity
        if exact:
            loads = peak_load(order, self.problem.dimensions)
            return all(load <= (capacity[n] if n < len(capacity) else 0) for n, load in enumerate(loads))
        for n in range(self.problem.dimensions):
            room = capacity[n] if n < len(capacity) else 0
            if sum(stop.brings[n] for stop in order if n < len(stop.brings)) > room:
                return False
            if sum(stop.collects[n] for stop in order if n < len(stop.collects)) > room:
                return False
        return True

    def best_gap(self, stop: Stop) -> Gap | None:
        """The cheapest place for ``stop``."""
        return min(self.gaps(stop), key=lambda gap: (gap.cost_60, gap.position), default=None)


def lanes_of(problem: Problem, routes: Mapping[str, Sequence[str]]) -> dict[str, Lane]:
    """A lane for every shift of ``problem``, filled with ``routes``."""
    return {shift.key: Lane(problem, shift, routes.get(shift.key, ())) for shift in problem.shifts}


def fill(
    problem: Problem,
    lanes: Mapping[str, Lane],
    stops: Iterable[Stop],
    should_stop: Callable[[], bool] | None = None,
) -> None:
    """Insert ``stops`` by regret wherever that costs less than leaving them out.

    The next stop is the one that loses most if its best place is taken by another; the more urgent and
    the longer the work already paid for by its price, the sooner.
    """
    waiting = {stop.key: stop for stop in stops}
    best: dict[str, dict[str, Gap | None]] = {}
    for key, stop in waiting.items():
        if should_stop and should_stop():
            break
        best[key] = {name: lane.best_gap(stop) for name, lane in lanes.items()}
    waiting = {key: waiting[key] for key in best}
    while waiting:
        chosen: tuple[tuple[bool, float], str, Gap] | None = None
        for key, stop in waiting.items():
            price = 60 * problem.prices.leaving_out(stop)
            gaps = sorted(
                (gap for gap in best[key].values() if gap is not None),
                key=lambda gap: (gap.cost_60, gap.shift),
            )
            if not gaps or gaps[0].cost_60 >= price:
                continue
            second = gaps[1].cost_60 if len(gaps) > 1 else price
            worth = (second - gaps[0].cost_60) - gaps[0].cost_60 - 0.25 * stop.service_s + 0.5 * price
            rank = (stop.mandatory or stop.pin is not None, worth)
            if chosen is None or rank > chosen[0]:
                chosen = (rank, key, gaps[0])
        if chosen is None:
            return
        _, key, gap = chosen
        lane = lanes[gap.shift]
        lane.put(gap.position, waiting.pop(key))
        for other, stop in waiting.items():
            best[other][gap.shift] = lane.best_gap(stop)
