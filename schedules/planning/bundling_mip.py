"""The bundle of a site as a mixed-integer programme: the certificate beside the dynamic programme.

Each clock is a path through its nodes, whose arcs are days on which its work is done; a trip pays for
its day once, whatever is done then. Solved by HiGHS to a gap of nothing.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from schedules.planning.bundling import Problem, Served, bits
from schedules.planning.bundling_clocks import NEVER
from schedules.planning.programme import Programme
from schedules.rules.table import Counts

PATIENCE_S = 30.0
"""Longer than any site of a real register took; a site must not hold up all others."""


def solve(problem: Problem) -> Served:
    """Return the cheapest choice of days and of the clocks served on each.

    Raises ``NoAnswer`` when it is not proved in time.
    """
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
            if problem.clocks[number].counts is Counts.DONE and not problem.nodes[number].ends:
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
    values, _, _ = programme.solve(time_limit_s=PATIENCE_S, wants_proof=True)
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
