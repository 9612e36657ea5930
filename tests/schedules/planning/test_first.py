"""The first plan: the arrays weigh as the exact code does, and what comes out can be driven."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from schedules.planning.checker import check
from schedules.planning.first import NO, _Crowd, first_routes
from schedules.planning.insertion import lanes_of
from schedules.planning.model import Pin, Plan, Problem, Reason
from tests.schedules.planning.cases import random_problem, shift, stop


def with_faces(problem: Problem, seed: int) -> Problem:
    """Some stops late, of another territory, with a face, a pin or a place in the plan in force."""
    rng = random.Random(seed)
    names = sorted({it.technician for it in problem.shifts})
    stops = tuple(
        replace(
            it,
            due_day=rng.choice([None, -1, 0, 1]),
            territory=rng.choice([None, "north", "south"]),
            preferred_technician=rng.choice([None, *names]),
            technicians=rng.choice([None, None, frozenset(names[:1])]),
            was=rng.choice([None, (rng.choice(names), 0)]),
            pin=rng.choice([None, None, None, Pin(technician=rng.choice(names)), Pin(day=0)]),
        )
        for it in problem.stops
    )
    shifts = tuple(replace(it, territory="north", opening_price=7) for it in problem.shifts)
    return replace(problem, stops=stops, shifts=shifts)


def planned(problem: Problem, routes: dict[str, tuple[str, ...]]) -> Plan:
    served = {key for keys in routes.values() for key in keys}
    return Plan(routes, {it.key: Reason("x", "x") for it in problem.stops if it.key not in served})


@pytest.mark.parametrize("seed", range(6))
def test_arrays_and_exact_code_weigh_the_same(seed: int) -> None:
    problem = with_faces(random_problem(seed, 24, 3, 2, moved=4, drive_km=2), seed)
    # Loads that come aboard are looked at stop by stop only; here nothing does.
    problem = replace(problem, stops=tuple(replace(it, collects=()) for it in problem.stops))
    some = replace(problem, stops=problem.stops[:12])
    lanes = lanes_of(problem, first_routes(some)).values()
    assert any(lane.stops for lane in lanes)
    waiting = [it for it in problem.stops if not any(it.key in lane.keys for lane in lanes)]
    crowd = _Crowd(problem, waiting)
    fits = 0
    for lane in lanes:
        cost = np.minimum(crowd.detour(lane) + crowd.placing(lane.shift), NO)
        cost[crowd.bars(lane.shift)] = NO
        for it, found in zip(waiting, cost.tolist(), strict=True):
            gap = lane.best_gap(it)
            assert found == (gap.cost_60 if gap is not None else NO), it
            fits += gap is not None
    assert fits > 5


@pytest.mark.parametrize("seed", range(6))
def test_every_first_plan_passes_the_checker(seed: int) -> None:
    problem = with_faces(random_problem(seed, 40, 4, 2, moved=4), seed)
    routes = first_routes(problem)
    verdict = check(problem, planned(problem, routes))
    assert verdict.breaches == ()
    assert verdict.cost_60 < check(problem, planned(problem, {})).cost_60


def test_what_is_planned_stays_and_a_pinned_stop_comes_before_a_better_paid_one() -> None:
    travel = random_problem(1, 4, 1).travel
    stops = (
        stop("kept", 2, minutes=180, priority=1),
        stop("urgent", 3, minutes=120, priority=3),
        stop("pinned", 4, minutes=120, priority=1, pin=Pin(day=0)),
    )
    problem = Problem(stops, (shift("t"),), travel)
    routes = first_routes(problem, {"t-0": ("kept",)})
    assert set(routes["t-0"]) == {"kept", "pinned"}


def test_it_stops_when_asked() -> None:
    assert first_routes(random_problem(1, 10, 2), should_stop=lambda: True) == {}
