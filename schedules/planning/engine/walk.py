"""Runs searches of the route engine and reports what they find: one, several at once, or part by part."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from pyvrp import Solution

from schedules.planning.engine.crew import Errand, Helper, solution_rows
from schedules.planning.engine.form import Form
from schedules.planning.engine.search import Search, settings_for
from schedules.planning.engine.split import PART_SHIFTS, Split, start_of
from schedules.planning.model import Plan, Problem

LOOK_EVERY = 64
LARGE_STOPS = 700
LARGE_MANDATORY = 350
Routes = dict[str, tuple[str, ...]]


class Hear(Protocol):
    """Takes routes that are better than before; ``last`` ones are never passed over."""

    def __call__(self, routes: Routes, *, last: bool = False) -> None: ...


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
    if is_large(problem):
        return _in_parts(problem, start, seed, iterations, stop, hear, timed)
    form = Form(problem)
    given = form.solution(start.routes) if start is not None else None
    settings = settings_for(form)
    helpers = [
        Helper(Errand(problem, start.routes if start else None, seed + 1000 * n, settings))
        for n in range(1, cores)
    ]
    try:
        return _together(
            form, Search(form, seed, settings, given, timed=timed), helpers, iterations, stop, hear
        )
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
    if all(stop.mandatory for stop in problem.stops):
        return len(problem.stops) > LARGE_MANDATORY
    return len(problem.stops) > LARGE_STOPS and len(problem.shifts) > 2 * PART_SHIFTS


def _in_parts(
    problem: Problem,
    start: Plan | None,
    seed: int,
    iterations: int | None,
    stop: Callable[[], bool],
    hear: Hear,
    timed: bool,
) -> int:
    split = Split(problem, seed, timed=timed)
    start_of(split, start)

    def enough() -> bool:
        return (iterations is not None and split.steps >= iterations) or stop()

    if not split.routes:
        split.begin(enough, hear)
    while not enough():
        if split.better(enough):
            hear(split.routes)
    hear(split.routes, last=True)
    return split.steps
