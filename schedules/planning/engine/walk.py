"""Runs searches of the route engine and reports what they find: one, several at once, or part by part."""

from __future__ import annotations

from collections.abc import Callable

from pyvrp import Solution

from schedules.planning.engine.crew import Errand, Helper, PartErrand, solution_rows
from schedules.planning.engine.form import Form
from schedules.planning.engine.search import Search, settings_for
from schedules.planning.engine.split import Hear, Routes, Split, start_of
from schedules.planning.first import first_routes
from schedules.planning.model import Plan, Problem

LOOK_EVERY = 64
FIRST_BY_HAND = 400
LARGE_STOPS = 150
LARGE_MANDATORY = 350
MANY_SHIFTS = 15
WHOLE_STOPS = 500
"""Up to this many stops a search over the whole goes on after the parts."""
SWEEPS = 2
"""How often every shift has been in a part by then."""


def walk(
    problem: Problem,
    start: Plan | None,
    *,
    seed: int,
    iterations: int | None,
    stop: Callable[[], bool],
    hear: Hear,
    cores: int = 1,
    timed: bool = True,
) -> int:
    """Search until ``stop`` or for ``iterations``; returns how many were taken."""
    done = 0
    if is_large(problem):
        sweeps = SWEEPS if len(problem.stops) <= WHOLE_STOPS and not _all_mandatory(problem) else None
        done, routes = _in_parts(problem, start, seed, iterations, stop, hear, timed, cores, sweeps)
        if sweeps is None or stop() or (iterations is not None and done >= iterations):
            return done
        # Parts are quick to good plans and slow from there; a search over all of it goes on.
        start = Plan(routes)
        iterations = None if iterations is None else iterations - done
    form = Form(problem)
    given = form.solution(start.routes) if start is not None else None
    settings = settings_for(form)
    helpers = [
        Helper(Errand(problem, start.routes if start else None, seed + 1000 * n, settings))
        for n in range(1, cores)
    ]
    try:
        search = Search(form, seed, settings, given, timed=timed)
        return done + _together(form, search, helpers, iterations, stop, hear)
    finally:
        for helper in helpers:
            helper.close()


def _together(
    form: Form,
    search: Search,
    helpers: list[Helper],
    iterations: int | None,
    stop: Callable[[], bool],
    hear: Hear,
) -> int:
    """Search here, passing plans between this search and the helpers."""
    waiting: list[Solution] = []
    if search.best is not None:
        hear(form.routes(search.best))
    elif len(form.problem.stops) <= FIRST_BY_HAND:
        # Where everything must be served the search may need a while for a first plan: show what fits.
        hear(first_routes(form.problem))

    def better(found: Solution) -> None:
        waiting[:] = [found]

    search.on_better = better
    told = 2**62

    def look() -> bool:
        nonlocal told
        if search.iterations % LOOK_EVERY == 0:
            for helper in helpers:
                for news in helper.news():
                    if news.routes and news.cost < search.best_cost:
                        search.hear(news.routes)
                    if search.pool is not None:
                        search.pool.take(news.pool)
            if helpers and search.best_cost < told:
                told = search.best_cost
                rows = solution_rows(search)
                for helper in helpers:
                    helper.tell(rows)
            if waiting:
                hear(form.routes(waiting[0]))
        return stop()

    done = search.run(iterations if iterations is not None else 2**62, look)
    if search.best is not None:
        hear(form.routes(search.best), last=True)
    return done


def is_large(problem: Problem) -> bool:
    """Whether to plan part by part: many shifts that differ, more stops than one search handles well."""
    if _all_mandatory(problem):
        return len(problem.stops) > LARGE_MANDATORY
    return len(problem.stops) > LARGE_STOPS and len(problem.shifts) >= MANY_SHIFTS


def _all_mandatory(problem: Problem) -> bool:
    return all(stop.mandatory for stop in problem.stops)


def _in_parts(
    problem: Problem,
    start: Plan | None,
    seed: int,
    iterations: int | None,
    stop: Callable[[], bool],
    hear: Hear,
    timed: bool,
    cores: int,
    sweeps: int | None,
) -> tuple[int, Routes]:
    split = Split(problem, seed, timed=timed)
    start_of(split, start)

    def enough() -> bool:
        return (iterations is not None and split.steps >= iterations) or stop()

    def swept() -> bool:
        return sweeps is not None and all(
            split.tried.get(shift.key, 0) >= sweeps for shift in problem.shifts if split.routes.get(shift.key)
        )

    if not split.routes:
        split.begin(enough, hear)
    others = _Others(split, 0 if enough() else cores - 1)

    def look() -> bool:
        others.look()
        return enough()

    try:
        while not enough() and not swept():
            if split.better(look):
                hear(split.routes)
    finally:
        others.close()
    hear(split.routes, last=True)
    return split.steps, split.routes


class _Others:
    """Helpers that plan parts at the same time, each another one."""

    def __init__(self, split: Split, number: int) -> None:
        self.split = split
        self.at_work: list[tuple[Helper, Problem]] = []
        self._calls = 0
        # Each works on shifts of its own, and enough must be left for this search.
        shifts, stops = len(split.problem.shifts), len(split.problem.stops)
        for _ in range(min(number, (shifts - 1) // split.part_shifts, stops // 100)):
            errand, part = self._errand()
            self.at_work.append((Helper(errand), part))

    def _errand(self) -> tuple[PartErrand, Problem]:
        idle = self.split.idle
        part, routes = self.split.lend()
        return PartErrand(part, routes, self.split.rng.randrange(2**31), idle), part

    def look(self) -> None:
        """Take over finished parts and hand out new ones."""
        self._calls += 1
        if not self.at_work or self._calls % LOOK_EVERY:
            return
        for n, (helper, part) in enumerate(self.at_work):
            for news in helper.news():
                self.split.give_back(part, news.routes, news.steps)
                errand, part = self._errand()
                self.at_work[n] = (helper, part)
                helper.send(errand)

    def close(self) -> None:
        """End the helpers."""
        for helper, _ in self.at_work:
            helper.close()
