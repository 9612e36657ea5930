"""Routes found on the way, and the best combination of them: a set partitioning problem for HiGHS.

A search forgets: a route that was right in an otherwise poor plan is gone with it. The pool keeps each
feasible route of every plan that came close to the best, and picks the cheapest set that serves every
stop at most once (at its price when left out) with no more vans of a kind than there are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
from pyvrp import Route, Solution

from schedules.planning.engine.form import Form


@dataclass(slots=True)
class Kept:
    """A route worth remembering: its kind of shift, clients and price, and how good its plan was."""

    kind: int
    clients: tuple[int, ...]
    cost: int
    plan_cost: int
    prize: int


class Pool:
    """At most ``limit`` routes, those of the best plans first."""

    def __init__(self, form: Form, limit: int = 4000) -> None:
        self.form = form
        self.limit = limit
        self.kept: dict[tuple[int, tuple[int, ...]], Kept] = {}
        self._glimpsed: dict[tuple[int, int, int, int], int] = {}
        data = form.data
        self._required = form.mandatory
        self._row_of = [0] * data.num_clients
        for row, numbers in enumerate(form.of_stop.values()):
            for n in numbers:
                self._row_of[n] = row
        self._rows = len(form.of_stop)
        self._vans = [len(members) for members in form.members]
        self._fresh = 0

    def add(self, solution: Solution, plan_cost: int) -> None:
        """Remember the feasible routes of ``solution``, whose plan costs ``plan_cost``."""
        for route in solution.routes():
            # Two routes alike in all four numbers are nearly always the same one: no need to read it.
            glimpse = (route.vehicle_type(), route.distance(), route.duration(), route.num_clients())
            known = self._glimpsed.get(glimpse)
            if known is not None and known <= plan_cost:
                continue
            if not route.is_feasible() or not glimpse[3]:
                continue
            self._glimpsed[glimpse] = plan_cost
            self.put(route, plan_cost)
        if len(self.kept) > 2 * self.limit:
            self._thin()

    def put(self, route: Route, plan_cost: int) -> None:
        """Remember one route."""
        clients = tuple(it.idx for it in route if it.is_client())
        kind = route.vehicle_type()
        key = (kind, tuple(sorted(clients)))
        cost = route.distance_cost() + route.duration_cost() + route.fixed_vehicle_cost()
        known = self.kept.get(key)
        if known is None:
            self._fresh += 1
            self.kept[key] = Kept(kind, clients, cost, plan_cost, route.prizes())
        else:
            known.plan_cost = min(known.plan_cost, plan_cost)
            if cost < known.cost:
                self._fresh += 1
                known.cost, known.clients = cost, clients

    def take(self, rows: Iterable[tuple[int, tuple[int, ...], int]]) -> None:
        """Remember routes found elsewhere: kind, clients and the price of their plan."""
        for kind, clients, plan_cost in rows:
            self.put(Route(self.form.data, list(clients), kind), plan_cost)

    @property
    def fresh(self) -> int:
        """Routes added or bettered since the last pick."""
        return self._fresh

    def _thin(self) -> None:
        best = sorted(self.kept.items(), key=lambda item: item[1].plan_cost)[: self.limit]
        self.kept = dict(best)

    def pick(self, incumbent: Solution | None, seconds: float | None, nodes: int) -> Solution | None:
        """The best combination found within ``seconds`` and ``nodes``; ``None`` if none beats the rest."""
        self._fresh = 0
        if len(self.kept) > self.limit:
            self._thin()
        columns = list(self.kept.values())
        if not columns:
            return None
        # The bare class: the other one prints a banner where a command prints its answer.
        model: Any = highspy._core._Highs()
        model.setOptionValue("output_flag", False)
        model.setOptionValue("threads", 1)
        model.setOptionValue("mip_rel_gap", 0.0)
        model.setOptionValue("mip_max_nodes", nodes)
        if seconds is not None:
            model.setOptionValue("time_limit", seconds)
        lp = highspy.HighsLp()
        capped = range(len(self._vans))
        lp.num_col_ = len(columns)
        lp.num_row_ = self._rows + len(capped)
        lp.col_cost_ = np.array([column.cost - column.prize for column in columns], dtype=np.float64)
        lp.col_lower_ = np.zeros(len(columns))
        lp.col_upper_ = np.ones(len(columns))
        least = 1.0 if self._required else 0.0
        lp.row_lower_ = np.array([least] * self._rows + [0.0] * len(capped))
        lp.row_upper_ = np.array([1.0] * self._rows + [float(vans) for vans in self._vans])
        starts, index = [0], []
        for column in columns:
            index += [self._row_of[client] for client in column.clients]
            index.append(self._rows + column.kind)
            starts.append(len(index))
        lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
        lp.a_matrix_.start_ = np.array(starts, dtype=np.int32)
        lp.a_matrix_.index_ = np.array(index, dtype=np.int32)
        lp.a_matrix_.value_ = np.ones(len(index))
        lp.integrality_ = [highspy.HighsVarType.kInteger] * len(columns)
        model.passModel(lp)
        if incumbent is not None:
            self._hint(model, columns, incumbent)
        model.run()
        values = model.getSolution().col_value
        if len(values) != len(columns):
            return None
        chosen = [column for column, value in zip(columns, values, strict=True) if value > 0.5]
        if not chosen or (self._required and sum(len(it.clients) for it in chosen) != self._rows):
            return None
        data = self.form.data
        return Solution(data, [Route(data, list(it.clients), it.kind) for it in chosen])

    def _hint(self, model: Any, columns: Sequence[Kept], incumbent: Solution) -> None:
        """Give the plan in hand as a start, which lets the solver throw out most columns at once."""
        at = {(column.kind, tuple(sorted(column.clients))): n for n, column in enumerate(columns)}
        values = np.zeros(len(columns))
        for route in incumbent.routes():
            clients = tuple(sorted(it.idx for it in route if it.is_client()))
            if not clients:
                continue
            n = at.get((route.vehicle_type(), clients))
            if n is None:
                return
            values[n] = 1.0
        hint = highspy.HighsSolution()
        hint.col_value = list(values)
        model.setSolution(hint)
