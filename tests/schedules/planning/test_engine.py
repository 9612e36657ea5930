"""Plans of the engine: best possible where that can be counted out, repeatable, honest about bad input."""

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

from schedules.planning.checker import check
from schedules.planning.engine import solve, split
from schedules.planning.engine import solve as solve_module
from schedules.planning.engine.finish import finished
from schedules.planning.model import UNREACHABLE_S, Pin, Plan, Prices, Problem, Reason, Travel, Window
from schedules.planning.screening import screen
from schedules.planning.timetable import timetable
from tests.schedules.planning.cases import HOUR, LUNCH, line_travel, random_problem, shift, stop


def cheapest(problem: Problem) -> int:
    """The price of the best plan of all, by trying every order of every choice of stops."""
    first, second = problem.shifts
    stops = [it.key for it in problem.stops]
    cost: dict[tuple[str, tuple[str, ...]], int | None] = {}

    def price(where: str, order: tuple[str, ...]) -> int | None:
        if (where, order) not in cost:
            one = problem.shift[where]
            fits = all(problem.bars(problem.stop[it], one) is None for it in order)
            alone = Plan({where: order}, {it: Reason("", "") for it in stops if it not in order})
            drivable = fits and timetable(problem, one, order) is not None
            all_out = sum(60 * problem.prices.leaving_out(it) for it in problem.stops if it.key not in order)
            cost[where, order] = check(problem, alone).cost_60 - all_out if drivable else None
        return cost[where, order]

    best = None
    for size in range(len(stops) + 1):
        for order in permutations(stops, size):
            out = sum(60 * problem.prices.leaving_out(it) for it in problem.stops if it.key not in order)
            for turn in range(size + 1):
                a, b = price(first.key, order[:turn]), price(second.key, order[turn:])
                if a is not None and b is not None and (best is None or a + b + out < best):
                    best = a + b + out
    assert best is not None
    return best


@pytest.mark.parametrize("seed", range(8))
def test_a_small_plan_is_the_best_of_all(seed):
    problem = random_problem(seed, 5, 2)
    outcome = solve(problem, iterations=1000, seed=seed)
    assert outcome.cost_60 == cheapest(problem)
    assert check(problem, outcome.plan).feasible


def test_a_small_plan_with_every_price_is_the_best_of_all():
    base = random_problem(77, 5, 2, drive_km=1, drive_minute=2, duty_minute=1)
    stops = tuple(
        replace(it, due_day=-n % 2, territory="north" if n % 2 else "south", preferred_technician="t0")
        for n, it in enumerate(base.stops)
    )
    shifts = tuple(
        replace(it, rest=None, overtime_limit_s=0, territory=place, opening_price=5)
        for it, place in zip(base.shifts, ("north", "south"), strict=True)
    )
    problem = replace(base, stops=stops, shifts=shifts)
    assert solve(problem, iterations=1000, seed=1).cost_60 == cheapest(problem)


def test_the_same_seed_and_steps_give_the_same_plan():
    problem = random_problem(5, 40, 3, days=2)
    first = solve(problem, iterations=400, seed=9)
    again = solve(problem, iterations=400, seed=9)
    assert first.plan == again.plan
    assert first.iterations == again.iterations == 400


def test_better_plans_stream_in_and_each_is_sound():
    problem = random_problem(6, 60, 3, days=2)
    heard = []
    outcome = solve(problem, seconds=1.0, on_better=heard.append)
    assert heard[0].seconds < 1.0
    assert [it.cost_60 for it in heard] == sorted((it.cost_60 for it in heard), reverse=True)
    assert all(check(problem, it.plan).feasible for it in heard)
    assert outcome.cost_60 == heard[-1].cost_60


def test_it_can_be_stopped_and_goes_on_from_a_plan():
    problem = random_problem(7, 40, 3)
    asked = []

    def enough() -> bool:
        asked.append(1)
        return len(asked) > 50

    outcome = solve(problem, seconds=30, should_stop=enough)
    assert outcome.seconds < 10
    further = solve(problem, iterations=50, start=outcome.plan)
    assert further.cost_60 <= outcome.cost_60


def test_two_cores_find_a_sound_plan():
    problem = random_problem(8, 40, 3, days=2)
    outcome = solve(problem, seconds=2.5, cores=2)
    assert check(problem, outcome.plan).feasible


def test_large_problems_go_part_by_part(monkeypatch):
    from schedules.planning.engine import walk

    monkeypatch.setattr(walk, "LARGE_STOPS", 50)
    monkeypatch.setattr(walk, "MANY_SHIFTS", 3)
    problem = random_problem(9, 70, 3, days=3)
    assert walk.is_large(problem)
    outcome = solve(problem, iterations=500, seed=2)
    assert check(problem, outcome.plan).feasible
    assert len(outcome.plan.left_out) < 40
    assert outcome.plan == solve(problem, iterations=500, seed=2).plan


@pytest.mark.parametrize(("gain", "takes_long"), [(1.0, True), (0.0, False)])
def test_parts_are_hurried_only_where_that_gains_anything(monkeypatch, gain, takes_long):
    monkeypatch.setattr(split, "PROBE_GAIN", gain)
    monkeypatch.setattr(split, "PART_SHIFTS", 2)
    monkeypatch.setattr(split, "FIRST_STEPS", 20)
    problem = random_problem(3, 40, 12, 2)
    parts = split.Split(problem, 1, timed=False)
    heard = []
    parts.begin(lambda: False, lambda routes, last=False: heard.append(dict(routes)))
    assert parts.takes_long is takes_long
    assert (parts.idle == split.PART_IDLE[-1]) is takes_long
    costs = [check(problem, finished(problem, routes)).cost_60 for routes in heard]
    assert len(costs) >= 3
    assert costs[-1] == min(costs) < costs[0]


def test_without_the_engine_there_is_still_a_plan(monkeypatch):
    import sys

    monkeypatch.setattr(sys.modules[solve_module.__module__], "walk", None)
    problem = random_problem(10, 30, 3)
    outcome = solve(problem, seconds=5)
    assert check(problem, outcome.plan).feasible
    assert len(outcome.plan.left_out) < 15


def test_a_limit_must_be_given():
    with pytest.raises(ValueError, match="limit"):
        solve(random_problem(1, 2, 1))


def test_an_appointment_at_lunch_time_moves_the_lunch():
    problem = Problem((stop("a", 1, pin=Pin(starts_s=12 * HOUR + 600)),), (shift("anna"),), line_travel(2))
    outcome = solve(problem, iterations=20)
    assert outcome.plan.routes == {"anna-0": ("a",)}


def test_an_impossible_mandatory_stop_does_not_spoil_the_rest():
    problem = Problem(
        (stop("a", 1, mandatory=True), stop("b", 1, (0, 8, 9), minutes=50, mandatory=True),
         stop("c", 3, (0, 8, 9), minutes=20, mandatory=True)),
        (shift("anna"),),
        line_travel(4),
    )  # fmt: skip
    outcome = solve(problem, iterations=50)
    assert set(outcome.plan.where()) in ({"a", "b"}, {"a", "c"})
    (reason,) = outcome.plan.left_out.values()
    assert "mandatory" in reason.text


# --- bad input --------------------------------------------------------------------------------------


def bad_cases() -> dict[str, tuple[Problem, str]]:
    """A problem with one thing wrong, and the code it must be named by."""
    fine = stop("fine", 1)
    anna = shift("anna", skills=frozenset({"co2"}), capacity=(5,))
    travel = line_travel(4)
    seconds = travel[""].seconds.copy()
    seconds[3, :] = seconds[:, 3] = UNREACHABLE_S
    island = {"": Travel(seconds)}

    def one(wrong, shifts=(anna,), travel=travel):
        return Problem((fine, wrong), shifts, travel)

    return {
        "no coordinates": (one(stop("x", -1)), "no coordinates"),
        "another continent": (one(stop("x", 3), travel=island), "no way there"),
        "never open": (one(replace(stop("x", 2), windows=())), "no opening"),
        "open too briefly": (one(stop("x", 2, (0, 8, 8.25))), "opening too short"),
        "only at night": (one(stop("x", 2, (0, 20, 22))), "shift and opening hours do not meet"),
        "other day": (one(stop("x", 2, (3, 8, 12))), "closed that day"),
        "skill nobody has": (one(stop("x", 2, skills=frozenset({"diving"}))), "skill missing"),
        "too heavy": (one(stop("x", 2, brings=(6,))), "van too small"),
        "pin to nobody": (one(stop("x", 2, pin=Pin("zoe"))), "pin"),
        "pin against itself": (one(stop("x", 2, (0, 8, 9), pin=Pin("anna", 0, 15 * HOUR))), "pin"),
        "not these people": (one(stop("x", 2, technicians=frozenset({"zoe"}))), "technician not allowed"),
    }


@pytest.mark.parametrize("name", bad_cases())
def test_bad_input_is_named_and_the_rest_is_planned(name):
    problem, code = bad_cases()[name]
    outcome = solve(problem, iterations=5)
    assert outcome.plan.routes == {"anna-0": ("fine",)}
    assert outcome.plan.left_out["x"].code == code
    assert ("x", code) in {(fault.stop, fault.code) for fault in outcome.faults}
    assert check(problem, outcome.plan).feasible


def test_nobody_at_work_is_one_sentence():
    outcome = solve(Problem((stop("a", 1),), (), line_travel(2)), iterations=5)
    assert outcome.plan.routes == {}
    assert outcome.plan.left_out["a"].code == "no shifts"


def test_the_past_is_cut_off():
    problem = Problem((stop("a", 1, (0, 8, 9)), stop("b", 1, (0, 8, 12))), (shift("anna"),), line_travel(2))
    outcome = solve(problem, iterations=5, now=(0, 10 * HOUR))
    assert outcome.plan.left_out["a"].code == "window past"
    assert screen(problem, now=(0, 10 * HOUR)).problem.stop["b"].windows == (Window(0, 10 * HOUR, 12 * HOUR),)


def test_wrong_shifts_and_colliding_pins_are_named():
    lost = replace(shift("ben"), key="lost", start_place=9)
    strange = replace(shift("ben"), key="strange", profile="boat")
    bare = shift("ben", 1)
    problem = Problem(
        (
            stop("a", 1, pin=Pin("anna", 0, 9 * HOUR), skills=frozenset({"co2"})),
            stop("b", 2, pin=Pin("anna", 0, 9 * HOUR + 900)),
            stop("b", 2),
        ),
        (shift("anna", skills=frozenset({"co2"})), lost, strange, bare, bare),
        line_travel(3),
    )
    named = {(fault.code, fault.stop, fault.shift) for fault in screen(problem).faults}
    assert named == {
        ("no coordinates", None, "lost"),
        ("no travel times", None, "strange"),
        ("no skills", None, None),
        ("twice", "b", None),
        ("twice", None, "ben-1"),
        ("pins collide", "b", None),
    }


def test_values_that_make_no_sense_are_refused_when_built():
    with pytest.raises(ValueError, match="close"):
        Window(0, 100, 50)
    with pytest.raises(ValueError, match="never negative"):
        replace(stop("a", 1), service_s=-1)
    with pytest.raises(ValueError, match="ends before"):
        shift("anna", starts=12, ends=8)
    with pytest.raises(ValueError, match="not both"):
        shift("anna", longest_s=100, overtime_limit_s=100)
    with pytest.raises(ValueError, match="negative"):
        Travel(np.array([[-1]]))
    assert shift("anna", starts=14, ends=18, rest=LUNCH).pause is None


def test_a_plan_survives_storing():
    plan = Plan({"s": ("a", "b")}, {"c": Reason("no room", "None.")})
    assert Plan.from_json(plan.as_json()) == plan


def test_prices_fall_back_to_the_nearest_priority():
    prices = Prices()
    assert prices.leaving_out(stop("a", 1, priority=9)) == 1200
    assert prices.leaving_out(stop("a", 1, priority=1, left_out_price=7)) == 7
    assert prices.leaving_out(stop("a", 1, pin=Pin("anna"))) == prices.mandatory
