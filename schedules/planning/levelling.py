"""Even weeks: whole sites moved within their windows.

Purpose. Anniversary months pile up. Each site has ways in which its trips can lie, the first being as
they are; one way is chosen for each so that what every week asks of technicians, workshop and agent
stays near the mean, at the least price of moving.

What is weighed. For each resource and week the load above the mean counts, and counts again above 1.15,
1.3, 1.5 and 2 times the mean, so that high weeks weigh more than many middling ones. Amounts are scaled
so that each resource's mean week is ``Resource.mean_minutes`` long; prices of moving are minutes too.

Guarantee. The linear relaxation, solved by HiGHS, gives a cost that no choice can beat; it is rounded and
improved one site at a time until no site gains by another way. ``gap`` says how far the answer can be
from the best. Nothing is random.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from schedules.planning.programme import Programme

STEPS = (1.0, 1.15, 1.3, 1.5, 2.0)
"""Multiples of the mean above which load counts once more."""
_EPS = 1e-9


@dataclass(frozen=True, slots=True)
class Way:
    """One way in which a site's trips can lie: week, resource, amount; and the price of lying so."""

    loads: tuple[tuple[int, str, float], ...]
    price: float = 0.0


@dataclass(frozen=True, slots=True)
class Movable:
    """A site and its ways, the first being as things are."""

    key: Hashable
    ways: tuple[Way, ...]

    def __post_init__(self) -> None:
        if not self.ways:
            raise ValueError(f"{self.key}: give at least the way things are.")


@dataclass(frozen=True, slots=True)
class Levelled:
    """The chosen way of each site, loads by resource and week, and what is proved about them.

    ``cost`` and ``bound`` are minutes; no choice costs less than ``bound``.
    """

    chosen: tuple[int, ...]
    before: Mapping[str, tuple[float, ...]]
    after: Mapping[str, tuple[float, ...]]
    cost_before: float
    cost: float
    bound: float

    @property
    def gap(self) -> float:
        """The share by which the answer could at most be beaten."""
        return 0.0 if self.cost <= _EPS else max(0.0, (self.cost - self.bound) / self.cost)

    @property
    def moves(self) -> int:
        """How many sites lie otherwise than before."""
        return sum(way != 0 for way in self.chosen)


def level(
    movables: Sequence[Movable],
    *,
    weeks: int,
    base: Mapping[str, Sequence[float]] | None = None,
    open_weeks: Sequence[bool] | None = None,
    mean_minutes: float = 1_000.0,
) -> Levelled:
    """Return the ways that make ``weeks`` weeks even.

    ``base`` holds by resource the load that does not move. Loads outside the weeks do not count.
    ``open_weeks`` tells the weeks in which there is work at all; the mean is taken over those. Raises
    ``ValueError`` when there is no week.
    """
    if weeks < 1:
        raise ValueError("Give at least one week.")
    field = _Field(movables, weeks, base or {}, open_weeks or [True] * weeks, mean_minutes)
    before = field.loads([0] * len(movables))
    cost_before = field.cost(before) + sum(m.ways[0].price for m in movables)
    relaxed, bound = field.relaxed()
    best: tuple[float, list[int]] | None = None
    for start in (relaxed, [0] * len(movables)):
        chosen = field.improved(start)
        cost = field.cost(field.loads(chosen)) + sum(
            movable.ways[way].price for movable, way in zip(movables, chosen, strict=True)
        )
        if best is None or cost < best[0] - _EPS:
            best = (cost, chosen)
    if best is None:
        raise AssertionError("two starts give an answer")
    after = field.loads(best[1])
    return Levelled(
        tuple(best[1]), field.by_resource(before), field.by_resource(after), cost_before, best[0], bound
    )


class _Field:
    """Cells of resource and week, each with a rising price of load."""

    def __init__(
        self,
        movables: Sequence[Movable],
        weeks: int,
        base: Mapping[str, Sequence[float]],
        open_weeks: Sequence[bool],
        mean_minutes: float,
    ) -> None:
        self.weeks = weeks
        self.movables = movables
        self.names = sorted({*base, *(name for m in movables for way in m.ways for _, name, _ in way.loads)})
        place = {name: number for number, name in enumerate(self.names)}
        self.base = np.zeros(len(self.names) * weeks)
        for name, amounts in base.items():
            for week, amount in enumerate(amounts[:weeks]):
                self.base[place[name] * weeks + week] = amount
        self.ways = [
            [
                [
                    (place[name] * weeks + week, amount)
                    for week, name, amount in way.loads
                    if 0 <= week < weeks and amount
                ]
                for way in movable.ways
            ]
            for movable in movables
        ]
        loads = self.loads([0] * len(movables)).reshape(len(self.names), weeks)
        counted = max(1, sum(open_weeks))
        self.mean = [float(row.sum()) / counted for row in loads]
        self.scale = [mean_minutes / mean if mean > _EPS else 0.0 for mean in self.mean]
        self.levels = [[step * mean for step in STEPS] for mean in self.mean]

    def loads(self, chosen: Sequence[int]) -> NDArray[np.float64]:
        """Return the load of every cell."""
        found = self.base.copy()
        for ways, way in zip(self.ways, chosen, strict=True):
            for cell, amount in ways[way]:
                found[cell] += amount
        return found

    def price(self, cell: int, load: float) -> float:
        """Return what ``load`` in a cell costs."""
        resource = cell // self.weeks
        levels = self.levels[resource]
        above = bisect_right(levels, load)
        return self.scale[resource] * (above * load - sum(levels[:above]))

    def cost(self, loads: NDArray[np.float64]) -> float:
        """Return what all cells cost."""
        return sum(self.price(cell, load) for cell, load in enumerate(loads.tolist()))

    def by_resource(self, loads: NDArray[np.float64]) -> dict[str, tuple[float, ...]]:
        """Return the loads by resource and week."""
        rows = loads.reshape(len(self.names), self.weeks)
        return {name: tuple(row.tolist()) for name, row in zip(self.names, rows, strict=True)}

    def relaxed(self) -> tuple[list[int], float]:
        """Return for each site the way that the relaxation favours, and its cost."""
        programme = Programme()
        columns = [[programme.column(way.price) for way in movable.ways] for movable in self.movables]
        for own in columns:
            programme.row([(column, 1.0) for column in own], 1.0, 1.0)
        of_cell: dict[int, list[tuple[int, float]]] = {}
        for own, ways in zip(columns, self.ways, strict=True):
            for column, way in zip(own, ways, strict=True):
                for cell, amount in way:
                    of_cell.setdefault(cell, []).append((column, amount))
        fixed = 0.0
        for cell, base in enumerate(self.base.tolist()):
            entries = of_cell.get(cell)
            if entries is None:
                fixed += self.price(cell, base)
                continue
            resource = cell // self.weeks
            levels = self.levels[resource]
            # The load fills the steps from the bottom, because each next one is dearer.
            steps = [
                (
                    programme.column(
                        (number + 1) * self.scale[resource],
                        upper=levels[number + 1] - levels[number] if number + 1 < len(levels) else np.inf,
                    ),
                    -1.0,
                )
                for number in range(len(levels))
            ]
            programme.row([*_summed(entries), *steps], -np.inf, levels[0] - base)
        if not self.movables:
            return [], fixed
        values, cost, _ = programme.solve(relax=True)
        return [int(np.argmax([values[c] for c in own])) for own in columns], cost + fixed

    def improved(self, start: Sequence[int]) -> list[int]:
        """Return the ways after every site has tried its others until none gains."""
        chosen = list(start)
        loads = self.loads(chosen).tolist()
        changed = True
        while changed:
            changed = False
            for number, ways in enumerate(self.ways):
                if len(ways) == 1:
                    continue
                own = ways[chosen[number]]
                for cell, amount in own:
                    loads[cell] -= amount
                prices = [way.price for way in self.movables[number].ways]
                costs = [prices[way] + self._added(loads, cells) for way, cells in enumerate(ways)]
                best = min(range(len(ways)), key=lambda way: (costs[way], way))
                if costs[best] < costs[chosen[number]] - 1e-6:
                    chosen[number] = best
                    changed = True
                for cell, amount in ways[chosen[number]]:
                    loads[cell] += amount
        return chosen

    def _added(self, loads: Sequence[float], cells: Sequence[tuple[int, float]]) -> float:
        total: dict[int, float] = {}
        for cell, amount in cells:
            total[cell] = total.get(cell, 0.0) + amount
        return sum(
            self.price(cell, loads[cell] + amount) - self.price(cell, loads[cell])
            for cell, amount in total.items()
        )


def _summed(entries: Sequence[tuple[int, float]]) -> list[tuple[int, float]]:
    """Return the entries of a row with each column once."""
    total: dict[int, float] = {}
    for column, amount in entries:
        total[column] = total.get(column, 0.0) + amount
    return list(total.items())
