"""Plan a problem: better and better plans until the time, the iterations or the reader's patience end."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from schedules.planning.checker import check
from schedules.planning.engine.finish import finished
from schedules.planning.first import first_routes
from schedules.planning.model import Plan, Problem, Reason
from schedules.planning.screening import Fault, screen

try:
    from schedules.planning.engine.walk import walk
except ImportError:  # pragma: no cover - the route engine has no wheel for this machine
    walk = None  # type: ignore[assignment]


@dataclass(frozen=True, slots=True)
class Better:
    """A plan better than all before, ``seconds`` after the start."""

    plan: Plan
    cost_60: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """The best plan found, proved by the checker, with what was wrong in the input."""

    plan: Plan
    cost_60: int
    seconds: float
    iterations: int
    faults: tuple[Fault, ...]


class Unsound(RuntimeError):
    """The planner made a plan that the checker refuses: a defect here, never the reader's."""


def solve(
    problem: Problem,
    *,
    seconds: float | None = None,
    iterations: int | None = None,
    seed: int = 1,
    start: Plan | None = None,
    on_better: Callable[[Better], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
    cores: int = 1,
    now: tuple[int, int] | None = None,
) -> Outcome:
    """The best plan within ``seconds`` or ``iterations``, whichever ends first (one must be given).

    ``on_better`` hears of every better plan, the first in under a second; ``should_stop`` is asked many
    times a second and ends the work with the best plan so far. ``start`` is a plan to go on from. With
    one core and a number of iterations but no time limit, the same ``seed`` gives the same plan.
    ``now`` is (day, clock second): what lies before it is over.

    Every plan handed out has passed the checker.
    """
    if seconds is None and iterations is None:
        raise ValueError("Give a limit: seconds, iterations or both.")
    began = time.perf_counter()
    screened = screen(problem, now=now)
    clean = screened.problem
    stop = _Stop(began, seconds, should_stop)
    talk = _Talk(problem, screened.left_out, began, on_better, stop)
    done = 0
    if clean.stops:
        known = _known(clean, start)
        if walk is None or (seconds is not None and seconds < 0.05):
            talk.hear(first_routes(clean, known.routes, stop), last=True)
        else:
            done = walk(
                clean,
                known if known.routes else None,
                seed=seed,
                iterations=iterations,
                stop=stop,
                hear=talk.hear,
                cores=cores,
                timed=seconds is not None,
            )
    if talk.best is None:
        talk.hear({}, last=True)
    plan, cost = talk.polished()
    return Outcome(plan, cost, time.perf_counter() - began, done, screened.faults)


def _known(problem: Problem, start: Plan | None) -> Plan:
    """``start`` without stops and shifts that are no more, and without what its shift may not serve."""
    if start is None:
        return Plan({})
    routes = {}
    for key, stops in start.routes.items():
        shift = problem.shift.get(key)
        if shift is None:
            continue
        kept = tuple(
            stop for stop in stops if stop in problem.stop and problem.bars(problem.stop[stop], shift) is None
        )
        if kept:
            routes[key] = kept
    return Plan(routes)


class _Stop:
    """Whether to stop: time is up or the reader has had enough."""

    def __init__(self, began: float, seconds: float | None, asked: Callable[[], bool] | None) -> None:
        self._until = None if seconds is None else began + seconds
        self._asked = asked
        self._grace = 0.0 if seconds is None else min(0.5, 0.05 * seconds)

    def __call__(self) -> bool:
        if self._until is not None and time.perf_counter() >= self._until:
            return True
        return self._asked is not None and self._asked()

    def overdue(self) -> bool:
        """Whether even finishing touches take too long."""
        return self._until is not None and time.perf_counter() >= self._until + self._grace


class _Talk:
    """Turns the engine's routes into proved plans and passes on the better ones."""

    def __init__(
        self,
        problem: Problem,
        left_out: dict[str, Reason],
        began: float,
        on_better: Callable[[Better], None] | None,
        stop: _Stop,
    ) -> None:
        self.stop = stop
        self.problem = problem
        self.left_out = left_out
        self.began = began
        self.on_better = on_better
        self.best: tuple[Plan, int] | None = None
        self._next = 0.0
        self._heard: dict[str, tuple[str, ...]] | None = None

    def due(self) -> bool:
        """Whether another plan may be told now without the telling taking the time of the search."""
        return self.best is None or time.perf_counter() >= self._next

    def hear(self, routes: dict[str, tuple[str, ...]], *, last: bool = False) -> None:
        """Take ``routes`` if they are better than all before; pass them on if anyone listens."""
        if routes == self._heard or (not last and self.best is not None and not self.due()):
            return
        self._heard = dict(routes)
        at = time.perf_counter()
        self._take(finished(self.problem, routes, self.left_out))
        took = time.perf_counter() - at
        self._next = time.perf_counter() + max(0.25, 20 * took)

    def _take(self, plan: Plan) -> None:
        verdict = check(self.problem, plan)
        if not verdict.feasible:
            raise Unsound("; ".join(breach.text for breach in verdict.breaches[:3]))
        if self.best is not None and verdict.cost_60 >= self.best[1]:
            return
        self.best = (plan, verdict.cost_60)
        if self.on_better is not None:
            self.on_better(Better(plan, verdict.cost_60, time.perf_counter() - self.began))

    def polished(self) -> tuple[Plan, int]:
        """The best plan, with stops put in that the floating break has room for."""
        if self.best is None:
            raise AssertionError("a first plan is always heard")
        plan, _ = self.best
        missing = [key for key in plan.left_out if key not in self.left_out]
        if missing and not self.stop.overdue():
            kept = replace(
                self.problem,
                stops=tuple(stop for stop in self.problem.stops if stop.key not in self.left_out),
            )
            again = finished(kept, plan.routes, polish=True, should_stop=self.stop.overdue)
            self._take(Plan(again.routes, {**self.left_out, **again.left_out}))
        return self.best
