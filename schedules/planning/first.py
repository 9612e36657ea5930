"""A first plan within a moment: stops go where they cost least, those that bring most for their time first.

All stops that wait are weighed against one shift at a time, as arrays; the scalar code of
``schedules.planning.insertion`` has the last word on every stop that is put in, so what comes out can be
driven. A week of 25 technicians and 1,000 stops takes a quarter of a second; any search does better given
time, and this is what there is to see until then.

Lengths are seconds, prices sixtieths of a unit, as in the model.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from schedules.planning.insertion import Lane, lanes_of
from schedules.planning.model import UNREACHABLE_S, Problem, Shift, Stop

Small = NDArray[np.int32]

NO = 2**29
"""Never, or at no price; twice as much still fits."""
DETOUR_WEIGHT = 2
"""A second of driving counts as so many of work where time is short: near stops gather, far ones wait."""
SETTLING_S = 60
"""Added to the time of every stop, so that none is worth without end."""
CROWD = 0.7
"""Columns of stops that are planned are thrown out when no more than this share still waits."""


def first_routes(
    problem: Problem,
    routes: Mapping[str, Sequence[str]] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> dict[str, tuple[str, ...]]:
    """Stop keys in driving order per shift: ``routes`` as they are, and what else fits and pays."""
    lanes = list(lanes_of(problem, routes or {}).values())
    planned = {key for lane in lanes for key in lane.keys}
    waiting = [stop for stop in problem.stops if stop.key not in planned]
    if lanes and waiting:
        _fill(problem, lanes, waiting, should_stop)
    return {lane.shift.key: lane.keys for lane in lanes if lane.stops}


def _fill(
    problem: Problem, lanes: Sequence[Lane], stops: list[Stop], should_stop: Callable[[], bool] | None
) -> None:
    crowd = _Crowd(problem, stops)
    cost = np.empty((len(lanes), len(stops)), dtype=np.int32)
    bars = [crowd.bars(lane.shift) for lane in lanes]
    alike: dict[tuple[object, ...], Small] = {}
    for n, lane in enumerate(lanes):
        mark = _mark(lane)
        column = alike.get(mark) if mark is not None else None
        if column is None:
            column = crowd.detour(lane)
            if mark is not None:
                alike[mark] = column
        cost[n] = np.minimum(column + crowd.placing(lane.shift), NO)
        cost[n][bars[n]] = NO
    where = cost.argmin(axis=0)
    least = cost[where, np.arange(len(stops))]
    while crowd.size and not (should_stop and should_stop()):
        worth = np.where(
            least < crowd.price, (crowd.price - least) / (crowd.time + least * crowd.weight), -1.0
        )
        worth[crowd.fixed & (least < NO)] += NO
        i = int(worth.argmax())
        if worth[i] <= 0:
            return
        n = int(where[i])
        lane = lanes[n]
        gap = lane.best_gap(crowd.stops[i])
        if gap is None:
            # Loads on the way or the longest duty forbid what the arrays cannot see.
            bars[n][i] = True
            cost[n, i] = NO
            where[i] = cost[:, i].argmin()
            least[i] = cost[where[i], i]
            continue
        lane.put(gap.position, crowd.stops[i])
        crowd.leave(i)
        cost[:, i] = NO
        least[i] = NO
        column = np.minimum(crowd.detour(lane) + crowd.placing(lane.shift), NO)
        column[bars[n]] = NO
        column[crowd.gone] = NO
        cost[n] = column
        nearer = column < least
        where[nearer] = n
        least[nearer] = column[nearer]
        # Those that were best off here may be better off elsewhere now.
        asking = np.flatnonzero((where == n) & (column > least))
        if asking.size:
            where[asking] = cost[:, asking].argmin(axis=0)
            least[asking] = cost[where[asking], asking]
        if crowd.waiting <= CROWD * crowd.size:
            kept = crowd.close_up()
            cost, where, least = np.ascontiguousarray(cost[:, kept]), where[kept], least[kept]
            bars = [barred[kept] for barred in bars]


def _mark(lane: Lane) -> tuple[object, ...] | None:
    """What an empty lane has in common with others that weigh every stop the same."""
    shift = lane.shift
    if lane.stops:
        return None
    return (
        shift.day, shift.start_place, shift.end_place, shift.starts_s, shift.ends_s, shift.overtime_limit_s,
        shift.pause, shift.profile, shift.opening_price, shift.capacity,
    )  # fmt: skip


class _Crowd:
    """Stops that wait, as arrays with one column each."""

    def __init__(self, problem: Problem, stops: list[Stop]) -> None:
        self.problem = problem
        self.stops = stops
        prices = problem.prices
        self.price = np.array([min(60 * prices.leaving_out(it), NO - 1) for it in stops], dtype=np.int32)
        self.service = np.array([it.service_s for it in stops], dtype=np.int32)
        self.time = self.service + float(SETTLING_S)
        # Back from money to seconds of driving.
        self.weight = DETOUR_WEIGHT / max(1, prices.drive_minute, prices.duty_minute)
        self.fixed = np.array([it.mandatory or it.pin is not None for it in stops])
        self.gone = np.zeros(len(stops), dtype=bool)
        places = np.array([it.place for it in stops])
        self._drive: dict[str, tuple[Small, Small]] = {}
        self._cost: dict[str, tuple[Small, Small]] = {}
        self._money: dict[str, NDArray[np.int64]] = {}
        for name, travel in problem.travel.items():
            seconds = np.minimum(travel.seconds, UNREACHABLE_S)
            money = seconds * max(prices.drive_minute, prices.duty_minute)
            if travel.metres is not None and prices.drive_km:
                money = money + np.rint(travel.metres * (prices.drive_km * 60 / 1000)).astype(np.int64)
            money = np.minimum(money, NO // 4)
            self._drive[name] = _to_and_from(seconds, places)
            self._cost[name] = _to_and_from(money, places)
            self._money[name] = money
        self._windows = _windows(stops, {shift.day for shift in problem.shifts})
        self._brings = [
            np.array([_at(it.brings, d) for it in stops], dtype=np.int64) for d in range(problem.dimensions)
        ]
        self._collects = [
            np.array([_at(it.collects, d) for it in stops], dtype=np.int64) for d in range(problem.dimensions)
        ]
        # Stops with the same rules are asked about once for each shift.
        kinds: dict[tuple[object, ...], int] = {}
        self._kind = np.array([kinds.setdefault(_rules_of(it), len(kinds)) for it in stops])
        firsts: dict[int, Stop] = {}
        for it, kind in zip(stops, self._kind.tolist(), strict=True):
            firsts.setdefault(kind, it)
        self._typical = list(firsts.values())
        self._due = np.array([NO if it.due_day is None else it.due_day for it in stops])
        self._names: dict[object, int] = {None: 0, "": 0}
        self._territory = self._numbers(it.territory for it in stops)
        self._face = self._numbers(it.preferred_technician for it in stops)
        self._was = self._numbers(it.was for it in stops)

        self._placing: dict[str, Small] = {}

    def _numbers(self, names: Iterable[object]) -> NDArray[np.intp]:
        return np.array([self._names.setdefault(name, len(self._names)) for name in names])

    @property
    def size(self) -> int:
        """Columns, those of planned stops that were not thrown out yet included."""
        return len(self.stops)

    @property
    def waiting(self) -> int:
        """Stops that still wait."""
        return int(self.size - self.gone.sum())

    def leave(self, i: int) -> None:
        """Stop ``i`` is planned."""
        self.gone[i] = True

    def close_up(self) -> NDArray[np.intp]:
        """Throw out the columns of planned stops; return which are kept."""
        kept = np.flatnonzero(~self.gone)
        self.stops = [self.stops[i] for i in kept]
        self.price, self.service, self.time = self.price[kept], self.service[kept], self.time[kept]
        self.fixed, self.gone = self.fixed[kept], self.gone[kept]
        self._drive = {name: (to[:, kept], off[:, kept]) for name, (to, off) in self._drive.items()}
        self._cost = {name: (to[:, kept], off[:, kept]) for name, (to, off) in self._cost.items()}
        self._windows = {
            day: [(first[kept], last[kept]) for first, last in pairs] for day, pairs in self._windows.items()
        }
        self._brings = [amounts[kept] for amounts in self._brings]
        self._collects = [amounts[kept] for amounts in self._collects]
        self._placing = {key: prices[kept] for key, prices in self._placing.items()}
        self._kind, self._due = self._kind[kept], self._due[kept]
        self._territory, self._face, self._was = self._territory[kept], self._face[kept], self._was[kept]
        return kept

    def bars(self, shift: Shift) -> NDArray[np.bool_]:
        """Which stops ``shift`` may not serve; hours and loads are seen when they are weighed."""
        barred = np.array([_may_not(it, shift) for it in self._typical])[self._kind]
        to, off = self._drive[shift.profile]
        found: NDArray[np.bool_] = barred | (
            np.maximum(to[shift.start_place], off[shift.end_place]) >= UNREACHABLE_S
        )
        return found

    def placing(self, shift: Shift) -> Small:
        """What it costs that just this shift comes: ``Prices.placing`` of all."""
        known = self._placing.get(shift.key)
        if known is not None:
            return known
        prices = self.problem.prices
        price = prices.late_day * np.maximum(0, shift.day - self._due)
        for numbers, name, extra in (
            (self._territory, shift.territory, prices.other_territory),
            (self._face, shift.technician, prices.other_technician),
            (self._was, (shift.technician, shift.day), prices.moved),
        ):
            if extra and (here := self._names.get(name, -1)):
                price = price + extra * ((numbers != 0) & (numbers != here))
        found: Small = np.minimum(60 * price, NO).astype(np.int32)
        self._placing[shift.key] = found
        return found

    def detour(self, lane: Lane) -> Small:
        """What each stop costs in its best place in ``lane``; ``NO`` where it fits nowhere."""
        shift, rest = lane.shift, lane.shift.pause
        here, there = lane.places[:-1], lane.places[1:]
        drive_to, drive_from = self._drive[shift.profile]
        arrive, onward = drive_to[here], drive_from[there]
        hungry, rested = _column(lane.hungry), _column(lane.rested)
        late_hungry, late_rested = _column(lane.late_hungry), _column(lane.late_rested)
        ready = rested + arrive
        windows = self._windows[shift.day]
        if rest is None:
            fits = self._served(ready, windows) + onward <= late_rested
        else:
            early = hungry + arrive
            paused = np.maximum(early, rest.earliest_s) + rest.length_s
            np.minimum(ready, paused, out=ready, where=hungry <= rest.latest_s)
            fits = self._served(ready, windows) + onward <= late_rested
            leaves = self._served(early, windows)
            back = leaves + onward
            fits |= back <= late_hungry
            fits |= (leaves <= rest.latest_s) & (
                np.maximum(back, rest.earliest_s) + rest.length_s <= late_rested
            )
        pay_to, pay_from = self._cost[shift.profile]
        cost = pay_to[here] + pay_from[there]
        if lane.stops:
            cost -= self._money[shift.profile][here, there].astype(np.int32)[:, None]
        else:
            cost += 60 * shift.opening_price
        cost[~fits] = NO
        best: Small = cost.min(axis=0)
        for n, (brings, collects) in enumerate(zip(self._brings, self._collects, strict=True)):
            room = _at(shift.capacity, n)
            best[brings > room - sum(_at(it.brings, n) for it in lane.stops)] = NO
            best[collects > room - sum(_at(it.collects, n) for it in lane.stops)] = NO
        return best

    def _served(self, ready: Small, windows: Sequence[tuple[Small, Small]]) -> Small:
        """When the work is done if the van is ready for it at ``ready``."""
        begins = np.full(ready.shape, NO, dtype=np.int32)
        for first, last in reversed(windows):
            begins = np.where(ready <= last, np.maximum(first, ready), begins)
        begins += self.service
        return begins


def _rules_of(stop: Stop) -> tuple[object, ...]:
    pin = (stop.pin.technician, stop.pin.day) if stop.pin is not None else None
    return stop.skills, stop.technicians, pin


def _may_not(stop: Stop, shift: Shift) -> bool:
    """Whether skills, permissions or a pin keep ``shift`` from ``stop``."""
    pin = stop.pin
    if pin is not None and (
        pin.technician not in (None, shift.technician) or pin.day not in (None, shift.day)
    ):
        return True
    if stop.technicians is not None and shift.technician not in stop.technicians:
        return True
    return not stop.skills <= shift.skills


def _column(clock: Sequence[int]) -> Small:
    whole = np.array(clock, dtype=np.int64)
    return np.maximum(np.minimum(whole, NO), -NO).astype(np.int32)[:, None]


def _to_and_from(matrix: NDArray[np.int64], places: NDArray[np.intp]) -> tuple[Small, Small]:
    """From every place to each stop, and from each stop to every place: one column for each stop."""
    return (
        np.ascontiguousarray(matrix[:, places], dtype=np.int32),
        np.ascontiguousarray(matrix[places].T, dtype=np.int32),
    )


def _windows(stops: Sequence[Stop], days: Collection[int]) -> dict[int, list[tuple[Small, Small]]]:
    """For each day the first and last start of the first opening of every stop, of the second, and so on."""
    found: dict[int, list[tuple[Small, Small]]] = {day: [] for day in days}
    for n, stop in enumerate(stops):
        fixed = stop.pin.starts_s if stop.pin is not None else None
        place = dict.fromkeys(days, 0)
        openings = sorted((it.day, it.opens_s, it.closes_s - stop.service_s) for it in stop.windows)
        for day, opens, closes in openings:
            first, last = opens, closes
            if day not in place or first > last:
                continue
            if fixed is not None:
                if not first <= fixed <= last:
                    continue
                first = last = fixed
            slots, slot = found[day], place[day]
            if slot == len(slots):
                slots.append(
                    (np.full(len(stops), NO, dtype=np.int32), np.full(len(stops), -NO, dtype=np.int32))
                )
            slots[slot][0][n], slots[slot][1][n] = first, last
            place[day] += 1
    return found


def _at(amounts: Sequence[int], n: int) -> int:
    return amounts[n] if n < len(amounts) else 0
