"""Runs searches of the route engine and reports what they find: one, several at once, or part by part."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from pyvrp import Solution

from schedules.planning.engine.form import Form
from schedules.planning.engine.search import Search, settings_for
from schedules.planning.model import Plan, Problem

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
    form = Form(problem)
    given = form.solution(start.routes) if start is not None else None
    search = Search(form, seed, settings_for(form), given, timed=timed)
    waiting: list[Solution] = []
    if search.best is not None:
        hear(form.routes(search.best))

    def better(found: Solution) -> None:
        waiting[:] = [found]

    search.on_better = better

    def look() -> bool:
        if waiting and (search.iterations % 64 == 0):
            hear(form.routes(waiting[0]))
        return stop()

    done = search.run(iterations if iterations is not None else 2**62, look)
    if search.best is not None:
        hear(form.routes(search.best), last=True)
    return done
