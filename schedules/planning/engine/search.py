"""The search: local search by PyVRP, acceptance, restarts, prices of broken rules and the pool by us.

Iterated local search with late acceptance (Burke & Bykov 2017, doi:10.1016/j.ejor.2016.07.012). What
differs from the engine's own loop, each kept because it measurably wins (``manage.py bench routes``):

* a short memory, and a return to the best plan when nothing better comes for a while;
* prices of lateness and overload that start near the price of driving instead of far above it;
* every good route is remembered, and now and then the best combination of all of them is picked.

Everything is counted in iterations, never in seconds, so a seed and a number of iterations always lead
to the same plan; a time limit only decides when to stop.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean

from pyvrp import CostEvaluator, RandomNumberGenerator, Route, Solution
from pyvrp.search import (
    OPERATORS,
    LocalSearch,
    NeighbourhoodParams,
    PerturbationManager,
    PerturbationParams,
    compute_neighbours,
)

from schedules.planning.engine.form import Form
from schedules.planning.engine.pool import Pool


@dataclass(frozen=True, slots=True)
class Settings:
    """How the search goes about; ``settings_for`` chooses by the size and kind of a problem."""

    neighbours: int = 50
    perturbations: int = 15
    history: int = 50
    patience: int = 3000
    """Iterations without a better plan before the search goes back to the best one."""
    rounds: tuple[str, ...] = ("part", "best", "fresh")
    """How rounds after the first begin, in turn."""
    ruin: float = 0.3
    late_price: float = 5.0
    """Price of a second of lateness to start with, in prices of a second of driving."""
    late_most: float = 1000.0
    load_price: float = 1.0
    """Price of a typical load too much to start with, in prices of a typical drive."""
    update_every: int = 100
    target_feasible: float = 0.5
    exhaustive: bool = True
    pool_within: float = 0.02
    pool_every: int = 0
    """Iterations between two picks from the pool; 0: only when the search goes back."""
    pool_limit: int = 4000
    pick_seconds: float = 1.0
    pick_nodes: int = 500


def settings_for(form: Form) -> Settings:
    """Settings by the size and the kind of the problem, never by its name."""
    stops = len(form.of_stop)
    patience = max(60, min(3000, 25 * stops))
    if form.mandatory:
        return Settings(patience=patience)
    large = len(form.copies) > 800
    return Settings(
        neighbours=300 if large else 80,
        perturbations=4 if large else 8,
        patience=patience,
        # Where stops may be left out, too many routes nearly fit: picking cost more than it won.
        pool_limit=0,
    )


class Fines:
    """Prices of lateness and of each load, raised and lowered so that a share of plans is feasible."""

    def __init__(self, form: Form, settings: Settings) -> None:
        data = form.data
        late = settings.late_price * form.drive_price
        drive = form.typical_drive * form.drive_price
        loads = [
            [max(client.delivery[n], client.pickup[n]) for client in data.clients()]
            for n in range(data.num_load_dimensions)
        ]
        typical = [fmean([amount for amount in row if amount] or [1]) for row in loads]
        self.settings = settings
        self.prices = [settings.load_price * drive / max(1.0, amount) for amount in typical] + [late]
        self.most = [1e3 * price for price in self.prices[:-1]] + [settings.late_most * form.drive_price]
        self.least = [1e-4 * price for price in self.prices]
        self.seen: list[list[bool]] = [[] for _ in self.prices]

    def evaluator(self) -> CostEvaluator:
        """Prices as they stand."""
        return CostEvaluator(self.prices[:-1], self.prices[-1], 1.0)

    def hard(self) -> CostEvaluator:
        """Prices at their highest."""
        return CostEvaluator(self.most[:-1], self.most[-1], 1.0)

    def register(self, solution: Solution) -> None:
        """Remember which rules ``solution`` keeps, and adjust the prices in time."""
        if solution.is_feasible():
            broken: list[int] = [0] * len(self.prices)
        else:
            broken = [*solution.excess_load(), solution.time_warp()]
        settings = self.settings
        for n, excess in enumerate(broken):
            seen = self.seen[n]
            seen.append(excess == 0)
            if len(seen) < settings.update_every:
                continue
            share = sum(seen) / len(seen)
            seen.clear()
            if share < settings.target_feasible - 0.05:
                self.prices[n] = min(self.most[n], self.prices[n] * 1.5)
            elif share > settings.target_feasible + 0.05:
                self.prices[n] = max(self.least[n], self.prices[n] * 0.9)


class Search:
    """One walk through the plans of ``form``; ``best`` is the best feasible one so far."""

    def __init__(
        self,
        form: Form,
        seed: int,
        settings: Settings,
        start: Solution | None = None,
        *,
        timed: bool = True,
    ) -> None:
        self.form = form
        self.settings = settings
        # Only a search that runs against the clock may also pick against it.
        self.pick_seconds = settings.pick_seconds if timed else None
        self.data = form.data
        self.rng = RandomNumberGenerator(seed=seed)
        self.improve = LocalSearch(
            form.data,
            self.rng,
            compute_neighbours(form.data, NeighbourhoodParams(num_neighbours=settings.neighbours)),
            PerturbationManager(PerturbationParams(1, settings.perturbations)),
        )
        for operator in OPERATORS:
            if operator.supports(form.data):
                self.improve.add_operator(operator(form.data))
        self.fines = Fines(form, settings)
        self.iterations = 0
        self.idle = 0
        self.history: deque[Solution] = deque()
        self.place = 0
        self.best: Solution | None = None
        self.best_cost = 2**62
        self.round_cost = 2**62
        self.rounds = 0
        self.on_better: Callable[[Solution], None] | None = None
        self.pool = Pool(form, settings.pool_limit) if settings.pool_limit else None
        self.picks = self.picked = 0
        self.current = self._begin(start)
        self._offer(self.current)

    def _begin(self, start: Solution | None) -> Solution:
        if start is not None and start.is_feasible():
            return start
        if start is None and self.form.mandatory:
            scattered = Solution.make_random(self.data, self.rng)
            return self.improve(scattered, self.fines.hard(), exhaustive=True)
        return self._settled(start if start is not None else Solution(self.data, []))

    def _settled(self, start: Solution) -> Solution:
        """A descent with soft fines, then one with hard ones."""
        soft = self.improve(start, self.fines.evaluator(), exhaustive=True)
        return self.improve(soft, self.fines.hard(), exhaustive=True)

    def settle(self) -> None:
        """Go downhill from the plan in hand, with soft fines and then with hard ones."""
        self.take(self._settled(self.current))

    def _offer(self, found: Solution) -> bool:
        """Note ``found`` if it is feasible; true if it is the best so far."""
        if not found.is_feasible():
            return False
        cost = self.fines.evaluator().cost(found)
        if cost < self.round_cost:
            self.round_cost, self.idle = cost, 0
        if cost >= self.best_cost:
            return False
        self.best, self.best_cost = found, cost
        if self.on_better:
            self.on_better(found)
        return True

    def take(self, found: Solution) -> bool:
        """Go on from ``found`` if it is the best so far."""
        if not self._offer(found):
            return False
        self.current = found
        self.history.clear()
        return True

    def _scale(self) -> int:
        return abs(self.best_cost - self.form.offset) if self.best is not None else 0

    def _next_round(self, best: Solution) -> None:
        """Begin again: from the best plan, from a part of it, or from nothing."""
        self.idle = 0
        self.rounds += 1
        if self.pick():
            return
        self.history.clear()
        how = self.settings.rounds[self.rounds % len(self.settings.rounds)]
        if how == "best":
            self.current = best
            self.round_cost = self.best_cost
            return
        self.round_cost = 2**62
        if how == "part":
            self.current = self._part_of(best)
        else:
            scattered = Solution.make_random(self.data, self.rng)
            self.current = self._settled(scattered)
        self._offer(self.current)

    def _part_of(self, best: Solution) -> Solution:
        """``best`` without a share of its routes, their stops put back as the fines stand."""
        kept = best.routes()
        for _ in range(min(len(kept), max(2, round(len(kept) * self.settings.ruin)))):
            del kept[self.rng.randint(len(kept))]
        return self.improve(Solution(self.data, kept), self.fines.evaluator(), exhaustive=True)

    def pick(self) -> bool:
        """Go on from the best combination of routes seen so far, if that is better."""
        if self.pool is None or not self.pool.fresh or self.best is None:
            return False
        self.pool.add(self.best, 0)
        found = self.pool.pick(self.best, self.pick_seconds, self.settings.pick_nodes)
        self.picks += 1
        better = found is not None and self.take(found)
        self.picked += better
        return better

    def solution(self, rows: Sequence[tuple[int, tuple[int, ...]]]) -> Solution:
        """A solution of routes given as kind and clients."""
        return Solution(self.data, [Route(self.data, list(clients), kind) for kind, clients in rows])

    def hear(self, rows: Sequence[tuple[int, tuple[int, ...]]]) -> None:
        """Remember a plan found elsewhere; the next round may begin with it."""
        found = self.solution(rows)
        if self.pool is not None:
            self.pool.add(found, self.fines.evaluator().cost(found))
        kept = self.round_cost, self.idle
        if self._offer(found):
            # The round under way goes on from its own plan: two searches in one place find less.
            self.round_cost, self.idle = kept

    def run(self, iterations: int, stop: Callable[[], bool] | None = None) -> int:
        """Take up to ``iterations`` steps or until ``stop``; returns how many were taken."""
        settings = self.settings
        for n in range(iterations):
            if stop is not None and stop():
                return n
            self._step(settings)
        return iterations

    def _step(self, settings: Settings) -> None:
        self.iterations += 1
        if self.idle >= settings.patience and self.best is not None:
            self._next_round(self.best)
        elif settings.pool_every and self.iterations % settings.pool_every == 0:
            self.pick()
        evaluator = self.fines.evaluator()
        candidate = self.improve(self.current, evaluator, exhaustive=False)
        self.fines.register(candidate)
        self.idle += 1
        if candidate.is_feasible() and evaluator.cost(candidate) < self.round_cost:
            self._offer(candidate)
            if settings.exhaustive:
                candidate = self.improve(candidate, evaluator, exhaustive=True)
                self._offer(candidate)
        cost = evaluator.penalised_cost(candidate)
        if self.pool is not None and cost < self.best_cost + settings.pool_within * self._scale():
            self.pool.add(candidate, cost)
        now = evaluator.penalised_cost(self.current)
        late = self.history[0] if len(self.history) == settings.history else None
        late_cost = evaluator.penalised_cost(late) if late is not None else cost + 1
        if cost < late_cost or cost < now:
            self.current, now = candidate, cost
        if late is None:
            self.history.append(self.current)
        else:
            self.history.popleft()
            self.history.append(self.current if now < late_cost else late)


def routes_of(solution: Solution) -> Sequence[tuple[int, tuple[int, ...]]]:
    """Kind of shift and clients of every route."""
    return [
        (route.vehicle_type(), tuple(it.idx for it in route if it.is_client())) for route in solution.routes()
    ]
