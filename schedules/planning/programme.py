"""Linear and mixed-integer programmes on their way to HiGHS and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import highspy
import numpy as np


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
        self,
        *,
        gap: float = 0.0,
        time_limit_s: float | None = None,
        relax: bool = False,
        wants_proof: bool = True,
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
        # The bare class: the other one prints a banner where a command prints its answer.
        solver: Any = highspy._core._Highs()
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
        if not has_answer or (wants_proof and status != highspy.HighsModelStatus.kOptimal):
            raise NoAnswer(solver.modelStatusToString(status))
        found = info.objective_function_value
        bound = found if relax or not any(self.is_whole) else info.mip_dual_bound
        return np.array(solver.getSolution().col_value), found, bound
