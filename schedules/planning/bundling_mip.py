"""The bundle of a site as a mixed-integer programme: the certificate beside the dynamic programme.

Each clock is a path through its nodes, whose arcs are days on which its work is done; a trip pays for
its day once, whatever is done then. Solved by HiGHS to a gap of nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import highspy
import numpy as np

from schedules.planning.bundling import Problem, Served, bits
from schedules.planning.bundling_clocks import NEVER
from schedules.rules.table import Counts


class NoAnswer(RuntimeError):
    """The solver did not prove an answer; its own word for why is the message."""


@dataclass(slots=True)
class Programme:
    """Columns and rows on their way to the solver: minimise cost, rows between two bounds."""

    cost: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    is_whole: list[bool] = field(default_factory=list)
    rows: list[tuple[list[tuple[int, float]], float, float]] = field(default_factory=list)

    def column(self, cost: float, *, upper: float = 1.0, is_whole: bool = False) -> int:
        """Add a column from 0 to ``upper``; return its place."""
        self.cost.append(cost)
        self.upper.append(upper)
        self.is_whole.append(is_whole)
        return len(self.cost) - 1

    def row(self, entries: Sequence[tuple[int, float]], low: float, high: float) -> None:
        """Demand that the sum of factor times column lies between ``low`` and ``high``."""
        self.rows.append((list(entries), low, high))

    def solve(
        self, *, gap: float = 0.0, time_limit_s: float | None = None, relax: bool = False
    ) -> tuple[np.ndarray[Any, np.dtype[np.float64]], float, float]:
        """Return the columns, their cost and the proved bound. Deterministic: one thread, one seed.

        Raises ``NoAnswer`` when there is no column at all or the solver has none within its time.
        """
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.cost), len(self.rows)
        lp.col_cost_ = np.array(self.cost)
        lp.col_lower_ = np.zeros(len(self.cost))
        lp.col_upper_ = np.array(self.upper)
        lp.row_lower_ = np.array([low for _, low, _ in self.rows])
        lp.row_upper_ = np.array([high for _, _, high in self.rows])
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.cumsum([0, *(len(entries) for entries, _, _ in self.rows)])
        lp.a_matrix_.index_ = np.array([c for entries, _, _ in self.rows for c, _ in entries], np.int32)
        lp.a_matrix_.value_ = np.array([v for entries, _, _ in self.rows for _, v in entries], np.float64)
        if not relax:
            kinds = highspy.HighsVarType
            lp.integrality_ = [kinds.kInteger if whole else kinds.kContinuous for whole in self.is_whole]
        solver: Any = highspy.Highs()  # type: ignore[no-untyped-call]
        solver.silent()
        for name, value in (
            ("output_flag", False),
            ("threads", 1),
            ("random_seed", 0),
            ("mip_rel_gap", gap),
            ("mip_abs_gap", 0.0 if gap else 0.4),
            *((("time_limit", time_limit_s),) if time_limit_s is not None else ()),
        ):
            solver.setOptionValue(name, value)
        solver.passModel(lp)
        solver.run()
        info = solver.getInfo()
        has_answer = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
        status = solver.getModelStatus()
        if not has_answer or (time_limit_s is None and status != highspy.HighsModelStatus.kOptimal):
            raise NoAnswer(solver.modelStatusToString(status))
        found = info.objective_function_value
        bound = found if relax or not any(self.is_whole) else info.mip_dual_bound
        return np.array(solver.getSolution().col_value), found, bound


def solve(problem: Problem) -> Served:
    """Return the cheapest choice of days and of the clocks served on each."""
    programme = Programme()
    trip = [programme.column(cost, is_whole=True) for cost in problem.day_cost]
    serves: dict[tuple[int, int], list[int]] = defaultdict(list)
    covers: dict[tuple[int, int], list[int]] = defaultdict(list)
    leaving = [_path(problem, programme, number, serves, covers) for number in range(len(problem.clocks))]
    for (_, place), columns in serves.items():
        programme.row([(trip[place], 1.0), *((c, -1.0) for c in columns)], 0.0, np.inf)
    heavy_of = [
        [other for other in range(len(problem.clocks)) if problem.covers[other] >> number & 1]
        for number in range(len(problem.clocks))
    ]
    for number, heavies in enumerate(heavy_of):
        for place in range(len(problem.days)) if heavies else ():
            ours = covers.get((number, place), [])
            theirs = [serves.get((heavy, place), []) for heavy in heavies]
            if ours:
                row = [(c, 1.0) for columns in theirs for c in columns] + [(c, -1.0) for c in ours]
                programme.row(row, 0.0, np.inf)
            if problem.clocks[number].counts is Counts.DONE:
                for columns in theirs:
                    if columns:
                        programme.row([(c, 1.0) for c in ours] + [(c, -1.0) for c in columns], 0.0, np.inf)
                continue
            # A step that a heavier task of the day settles is not left open for another day.
            for node, arcs in leaving[number].items():
                nodes = problem.nodes[number]
                later = [c for at, c, is_own in arcs if at > place or (at == place and is_own)]
                if later and nodes.done_at[node] < place and nodes.covered(node, place) != node:
                    for columns in theirs:
                        row = [(c, 1.0) for c in (*later, *columns)]
                        programme.row(row, -np.inf, 1.0)
    values, _, _ = programme.solve()
    served: dict[int, int] = defaultdict(int)
    for (number, place), columns in serves.items():
        if sum(values[c] for c in columns) > 0.5:
            served[place] |= 1 << number
    return [(place, served[place]) for place in sorted(served)]


def _path(
    problem: Problem,
    programme: Programme,
    number: int,
    serves: dict[tuple[int, int], list[int]],
    covers: dict[tuple[int, int], list[int]],
) -> dict[int, list[tuple[int, int, bool]]]:
    """Add the arcs of one clock, from how it stands to where nothing more is wanted.

    Returns the arcs that leave each node: place, column, and whether they are work of its own.
    """
    nodes = problem.nodes[number]
    can_be_covered = any(mask >> number & 1 for mask in problem.covers)
    is_whole = can_be_covered or bool(problem.covers[number])
    into: dict[int, list[int]] = defaultdict(list)
    out: dict[int, list[int]] = defaultdict(list)
    leaving: dict[int, list[tuple[int, int, bool]]] = defaultdict(list)
    waiting, seen = [0], {0}
    while waiting:
        node = waiting.pop()
        arcs: list[tuple[int, int, float, bool]] = []
        if nodes.low[node] < NEVER:
            arcs += [
                (place, nodes.done(node, place), float(nodes.lost[node][place]), True)
                for place in range(nodes.low[node], nodes.high[node] + 1)
            ]
        if can_be_covered and nodes.spans[node] is not None:
            last = nodes.high[node] if nodes.low[node] < NEVER else len(problem.days) - 1
            for place in range(nodes.done_at[node] + 1, last + 1):
                then = nodes.covered(node, place)
                if then != node:
                    arcs.append((place, then, 0.0, False))
        for place, then, cost, is_own in arcs:
            column = programme.column(cost, is_whole=is_whole)
            out[node].append(column)
            leaving[node].append((place, column, is_own))
            into[then].append(column)
            (serves if is_own else covers)[(number, place)].append(column)
            if then not in seen:
                seen.add(then)
                waiting.append(then)
    for node in seen:
        begins = 1.0 if node == 0 else 0.0
        if nodes.low[node] >= NEVER:
            # Here the path may end, or go on where a heavier task restarts the clock.
            row = [*((c, 1.0) for c in into[node]), *((c, -1.0) for c in out[node])]
            programme.row(row, -begins, np.inf)
        else:
            row = [*((c, 1.0) for c in out[node]), *((c, -1.0) for c in into[node])]
            programme.row(row, begins, begins)
    return leaving


def cost_of(problem: Problem, chosen: Served) -> int:
    """Return what a choice costs, in thousandths of a minute."""
    at = [0] * len(problem.clocks)
    cost = 0
    for place, served in chosen:
        cost += problem.day_cost[place]
        covered = problem.covered_by(served)
        for number in bits(served & ~covered):
            cost += problem.nodes[number].lost[at[number]][place]
            at[number] = problem.nodes[number].done(at[number], place)
        for number in bits(covered):
            at[number] = problem.nodes[number].covered(at[number], place)
    return cost
