"""Large problems part by part: a first plan at once, then neighbourhoods of shifts planned again.

A search over everything at once spends its time far from where there is anything to gain. Twenty shifts
that lie near each other, with their stops and those left out nearby, are a problem of a size at which the
search is at its best; whatever it finds there is a gain for the whole.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np

from schedules.planning.engine.finish import finished
from schedules.planning.engine.form import Form
from schedules.planning.engine.search import Search, settings_for
from schedules.planning.first import first_routes
from schedules.planning.model import Plan, Problem, Shift, Stop, Travel
from schedules.planning.timetable import bill

PART_SHIFTS = 25
"""Most shifts in a part; never more than two fifths of all, so that parts overlap in many ways."""
PART_STOPS = 250
SPARE_SHIFTS = 3
PART_IDLE = (30, 60, 120, 250, 500, 1200)
"""Steps without a better plan after which a part is done, in the first sweep over all shifts, the second …:
where a sweep takes many parts, what is found quickly everywhere comes before what takes long anywhere."""
MANY_PARTS = 4
PROBES = 3
PROBE_GAIN = 0.003
"""Parts planned in a hurry before all are, and the share of the price that they must gain."""
PART_MOST = 4000
FIRST_STEPS = 400
WHOLE_STEPS = 3
"""Steps per stop on the whole of a problem before it is taken apart."""
EXTRA_STOPS = 0.4
"""Stops left out that come along, as a share of those planned in the part."""

Routes = dict[str, tuple[str, ...]]


class Hear(Protocol):
    """Takes routes that are better than before; ``last`` ones are never passed over."""

    def __call__(self, routes: Routes, *, last: bool = False) -> None: ...


class Split:
    """The plan of a large problem, bettered part by part."""

    def __init__(self, problem: Problem, seed: int, *, timed: bool = True) -> None:
        self.problem = problem
        self.timed = timed
        self.mandatory = all(it.mandatory for it in problem.stops)
        self.rng = random.Random(seed)  # noqa: S311 - repeatable, nothing secret
        self.routes: Routes = {}
        self.tried: dict[str, int] = {}
        self.steps = 0
        self.part_shifts = max(6, min(PART_SHIFTS, len(problem.shifts) * 2 // 5))
        # The first plan of problems in which all is mandatory was searched for: what is quick is done.
        self.takes_long = self.mandatory or len(problem.shifts) < MANY_PARTS * self.part_shifts
        self.lent_shifts: set[str] = set()
        self.lent_stops: set[str] = set()

    # --- a first plan -------------------------------------------------------------------------------

    def begin(self, stop: Callable[[], bool], hear: Hear) -> None:
        """A first plan at once by insertion; then whatever longer ways lead to a better one."""
        if self.mandatory:
            self._begin_with_all(stop, hear)
            return
        self.routes = first_routes(self.problem)
        hear(self.routes, last=True)
        days = sorted({shift.day for shift in self.problem.shifts})
        if len(days) == 1:
            self._begin_with_all(stop, hear)
            return
        for day in days:
            if stop():
                return
            shifts = [shift for shift in self.problem.shifts if shift.day == day]
            part, routes = self._around(shifts, [self._middle(shift) for shift in shifts])
            form = Form(part)
            search = self._search(form, routes)
            if search.best is not None:
                self.take(part, form.routes(search.best))
        hear(self.routes, last=True)
        self._probe(stop, hear)
        if not self.takes_long or stop():
            return
        settled = self.routes
        self.routes = {}
        self._day_after_day(days, stop)
        if self._price(settled) <= self._price(self.routes):
            self.routes = settled
        hear(self.routes, last=True)

    def _probe(self, stop: Callable[[], bool], hear: Hear) -> None:
        """Plan a few parts in a hurry, to learn whether that gains anything here.

        Where openings or loads are tight a gain takes hundreds of steps: then no part is hurried.
        """
        if self.takes_long:
            return
        before = self._price(self.routes)
        for _ in range(PROBES):
            if stop():
                return
            self.better(stop)
            hear(self.routes)
        self.takes_long = self._price(self.routes) > (1 - PROBE_GAIN) * before

    def _price(self, routes: Routes) -> int:
        return bill(self.problem, finished(self.problem, routes)).total_60

    def _day_after_day(self, days: Sequence[int], stop: Callable[[], bool]) -> None:
        """Search each day with all stops that are still free; what can also come later is worth less today.

        Where openings are narrow this is far better than insertion, where they are wide a little worse.
        """
        for n, day in enumerate(days):
            planned = {key for stops in self.routes.values() for key in stops}
            shifts = [shift for shift in self.problem.shifts if shift.day == day]
            later = set(days[n + 1 :])
            stops = []
            for it in self.problem.stops:
                if it.key in planned or all(window.day != day for window in it.windows):
                    continue
                chances = 1 + len({window.day for window in it.windows} & later)
                price = self.problem.prices.leaving_out(it) / chances
                stops.append(replace(it, left_out_price=round(price), mandatory=False))
            if not stops:
                continue
            part = self.part(stops, shifts)
            form = Form(part)
            search = self._search(form, {})
            self.steps += search.run(FIRST_STEPS, stop)
            if search.best is not None:
                self.take(part, form.routes(search.best))
            if stop():
                return

    def _begin_with_all(self, stop: Callable[[], bool], hear: Hear) -> None:
        form = Form(self.problem)
        search = self._search(form, self.routes)
        for steps in (0, round(WHOLE_STEPS * len(self.problem.stops))):
            self.steps += search.run(steps, stop)
            if search.best is not None:
                self.routes = form.routes(search.best)
                hear(self.routes)

    def _search(self, form: Form, routes: Routes) -> Search:
        """A search that begins with ``routes`` and has gone downhill from there."""
        start = form.solution(routes) if routes else None
        search = Search(form, self.rng.randrange(2**31), settings_for(form), start, timed=self.timed)
        if start is not None:
            search.settle()
        return search

    # --- parts --------------------------------------------------------------------------------------

    def part(self, stops: Iterable[Stop], shifts: Iterable[Shift]) -> Problem:
        """These stops and shifts as a problem of their own, with only their places."""
        stops, shifts = list(stops), list(shifts)
        used = {place for shift in shifts for place in (shift.start_place, shift.end_place)}
        places = sorted(used | {it.place for it in stops})
        number = {place: n for n, place in enumerate(places)}
        grid = np.ix_(places, places)
        travel = {
            name: Travel(known.seconds[grid], None if known.metres is None else known.metres[grid])
            for name, known in self.problem.travel.items()
            if any(shift.profile == name for shift in shifts)
        }
        return Problem(
            tuple(replace(it, place=number[it.place]) for it in stops),
            tuple(
                replace(it, start_place=number[it.start_place], end_place=number[it.end_place])
                for it in shifts
            ),
            travel,
            self.problem.prices,
        )

    def next_part(self) -> tuple[Problem, Routes]:
        """A neighbourhood that has been tried least, and its routes; nothing that is lent out."""
        free = [shift for shift in self.problem.shifts if shift.key not in self.lent_shifts]
        used = [shift for shift in free if self.routes.get(shift.key)] or free
        fewest = min(self.tried.get(shift.key, 0) for shift in used)
        centre = self.rng.choice([it for it in used if self.tried.get(it.key, 0) == fewest])
        seconds = self.problem.travel[centre.profile].seconds
        middle = {shift.key: self._middle(shift) for shift in free}
        here = middle[centre.key]
        apart = {it.key: int(seconds[here, middle[it.key]]) * self.rng.uniform(0.7, 1.3) for it in free}
        apart[centre.key] = -1
        chosen: list[Shift] = []
        stops = 0
        spare: set[tuple[int, tuple[int, ...]]] = set()
        for shift in sorted(free, key=lambda it: apart[it.key]):
            route = self.routes.get(shift.key, ())
            if not route:
                # Vans at rest are many and alike: one from each place is enough.
                if len(spare) >= SPARE_SHIFTS or (shift.start_place, shift.capacity) in spare:
                    continue
                spare.add((shift.start_place, shift.capacity))
            chosen.append(shift)
            stops += len(route)
            if stops >= PART_STOPS or len(chosen) >= self.part_shifts:
                break
        for shift in chosen:
            self.tried[shift.key] = self.tried.get(shift.key, 0) + 1
        return self._around(chosen, [middle[it.key] for it in chosen])

    def _around(self, shifts: Sequence[Shift], middles: Sequence[int]) -> tuple[Problem, Routes]:
        routes = {shift.key: self.routes[shift.key] for shift in shifts if self.routes.get(shift.key)}
        inside = {key for stops in routes.values() for key in stops}
        planned = {key for stops in self.routes.values() for key in stops}
        days = {shift.day for shift in shifts}
        seconds = self.problem.travel[shifts[0].profile].seconds
        out = [
            it
            for it in self.problem.stops
            if it.key not in planned
            and it.key not in self.lent_stops
            and any(window.day in days for window in it.windows)
        ]
        prices = self.problem.prices
        out.sort(
            key=lambda it: (int(seconds[it.place, list(middles)].min()) - 20 * prices.leaving_out(it), it.key)
        )
        extra = out[: max(40, round(EXTRA_STOPS * len(inside)))]
        stops = [self.problem.stop[key] for key in sorted(inside)] + extra
        return self.part(stops, shifts), routes

    def _middle(self, shift: Shift) -> int:
        """The place of the stop that lies most in the middle of the route."""
        places = [self.problem.stop[key].place for key in self.routes.get(shift.key, ())]
        if not places:
            return shift.start_place
        seconds = self.problem.travel[shift.profile].seconds[np.ix_(places, places)]
        return places[int(seconds.sum(axis=0).argmin())]

    def better(self, stop: Callable[[], bool]) -> bool:
        """Plan one part again; true if that was a gain."""
        idle = self.idle
        part, routes = self.lend()
        found, steps = search_part(part, routes, self.rng.randrange(2**31), stop, idle, timed=self.timed)
        return self.give_back(part, found, steps)

    @property
    def idle(self) -> int:
        """How long a part may go on without a better plan in the present sweep."""
        if self.takes_long:
            return PART_IDLE[-1]
        sweep = min((self.tried.get(shift, 0) for shift in self.routes), default=0)
        return PART_IDLE[min(sweep, len(PART_IDLE) - 1)]

    def lend(self) -> tuple[Problem, Routes]:
        """The next part; nobody else gets its shifts and stops until it is given back."""
        part, routes = self.next_part()
        self.lent_shifts |= {shift.key for shift in part.shifts}
        self.lent_stops |= {it.key for it in part.stops}
        return part, routes

    def give_back(self, part: Problem, found: Routes | None, steps: int) -> bool:
        """Take over what was found for a part; true if that was a gain."""
        self.lent_shifts -= {shift.key for shift in part.shifts}
        self.lent_stops -= {it.key for it in part.stops}
        self.steps += steps
        if found is None:
            return False
        self.take(part, found)
        return True

    def take(self, part: Problem, found: Routes) -> None:
        """Put the new routes of a part in place."""
        for shift in part.shifts:
            self.routes.pop(shift.key, None)
        self.routes.update(found)


def search_part(
    part: Problem,
    routes: Routes,
    seed: int,
    stop: Callable[[], bool],
    idle: int = PART_IDLE[-1],
    *,
    timed: bool = True,
) -> tuple[Routes | None, int]:
    """Better routes for a part, or ``None``; and the steps taken."""
    form = Form(part)
    start = form.solution(routes) if routes else None
    settings = replace(settings_for(form), patience=2**31)
    search = Search(form, seed, settings, start, timed=timed)
    before = search.best_cost if start is not None and start.is_feasible() else 2**62
    steps = 0
    while steps < PART_MOST and not stop():
        steps += search.run(PART_MOST - steps, lambda: search.idle >= idle or stop())
        # What one search leaves lying about, the pool often puts together.
        if stop() or not search.pick():
            break
    if search.best is None or search.best_cost >= before:
        return None, steps
    return form.routes(search.best), steps


def start_of(split: Split, start: Plan | None) -> None:
    """Go on from ``start``."""
    if start is not None:
        split.routes = {key: tuple(stops) for key, stops in start.routes.items() if stops}
