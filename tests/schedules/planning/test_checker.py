"""The checker catches every rule that can be broken, and says so by name."""

from dataclasses import replace

import pytest

from schedules.planning.checker import check
from schedules.planning.model import UNREACHABLE_S, Pin, Plan, Prices, Problem, Reason, Travel, Window
from tests.schedules.planning.cases import HOUR, line_travel, shift, stop


def good() -> tuple[Problem, Plan]:
    problem = Problem(
        stops=(
            stop("a", 1, skills=frozenset({"co2"}), brings=(2,), technicians=frozenset({"anna"})),
            stop("b", 2, collects=(3,), pin=Pin("anna", 0, 10 * HOUR)),
            stop("c", 3, (0, 8, 9), (0, 13, 15)),
            stop("d", 4, priority=2),
        ),
        shifts=(
            shift("anna", skills=frozenset({"co2"}), capacity=(4,)),
            shift("ben", capacity=(4,)),
        ),
        travel=line_travel(5),
        prices=Prices(drive_km=0),
    )
    return problem, Plan({"anna-0": ("a", "b", "c")}, {"d": Reason("no room", "")})


def codes(problem: Problem, plan: Plan) -> set[str]:
    return {breach.code for breach in check(problem, plan).breaches}


def with_stop(problem: Problem, key: str, **more: object) -> Problem:
    changed = tuple(replace(it, **more) if it.key == key else it for it in problem.stops)  # type: ignore[arg-type]
    return replace(problem, stops=changed)


def with_shift(problem: Problem, **more: object) -> Problem:
    return replace(problem, shifts=(replace(problem.shifts[0], **more), *problem.shifts[1:]))  # type: ignore[arg-type]


def test_a_sound_plan_has_no_breach_and_a_price_that_can_be_added_up_by_hand():
    problem, plan = good()
    verdict = check(problem, plan)
    assert verdict.breaches == ()
    # Out and back over four places ten minutes apart: 60 minutes of driving; d is left out at 300.
    assert verdict.cost_60 == 60 * 60 + 60 * 300


MUTATIONS = {
    "skill": lambda p, plan: (with_shift(p, skills=frozenset()), plan),
    "technician": lambda p, plan: (with_stop(p, "a", technicians=frozenset({"ben"})), plan),
    "pin": lambda p, plan: (with_stop(p, "b", pin=Pin("ben")), plan),
    "load": lambda p, plan: (with_shift(p, capacity=(2,)), plan),
    "hours": lambda p, plan: (with_stop(p, "c", windows=(Window(0, 8 * HOUR, 9 * HOUR),)), plan),
    "duty": lambda p, plan: (with_shift(p, longest_s=3 * HOUR), plan),
    "planned twice": lambda p, plan: (p, Plan({**plan.routes, "ben-0": ("c",)}, plan.left_out)),
    "planned and left out": lambda p, plan: (p, Plan(plan.routes, {**plan.left_out, "a": Reason("", "")})),
    "unaccounted": lambda p, plan: (p, Plan(plan.routes)),
    "unknown stop": lambda p, plan: (p, Plan({"anna-0": ("a", "b", "c", "x")}, plan.left_out)),
    "unknown shift": lambda p, plan: (p, Plan({**plan.routes, "zoe-0": ("x",)}, plan.left_out)),
}


@pytest.mark.parametrize("code", MUTATIONS)
def test_every_rule_broken_is_named(code):
    assert code in codes(*MUTATIONS[code](*good()))


def test_a_pinned_time_is_kept_to_the_second():
    problem, plan = good()
    late = with_stop(problem, "b", pin=Pin("anna", 0, 8 * HOUR + 2999))
    assert "hours" in codes(late, plan)
    just = with_stop(problem, "b", pin=Pin("anna", 0, 8 * HOUR + 3000))
    assert codes(just, plan) == set()


def test_the_wrong_day_is_outside_the_opening_hours():
    problem, plan = good()
    assert "hours" in codes(with_stop(problem, "a", windows=(Window(1, 8 * HOUR, 17 * HOUR),)), plan)


def test_the_break_takes_its_half_hour():
    """Work 8:10-12:00 and 12:10-16:15 fills a day to 16:25 without the break, not with it."""
    problem = Problem(
        stops=(stop("a", 1, minutes=230), stop("b", 2, minutes=230)),
        shifts=(shift("anna", ends=16.5),),
        travel=line_travel(3),
    )
    plan = Plan({"anna-0": ("a", "b")})
    assert "hours" in codes(problem, plan)
    assert codes(with_shift(problem, rest=None), plan) == set()
    assert codes(with_shift(problem, ends_s=17 * HOUR), plan) == set()


def test_a_break_cannot_wait_for_work_that_ends_too_late():
    problem = Problem((stop("a", 1, (0, 8, 18), minutes=360),), (shift("anna", ends=18),), line_travel(2))
    # 8:10 to 14:10 leaves no start of the break by 13:30, so it is taken before: possible only from 11:30.
    assert codes(problem, Plan({"anna-0": ("a",)})) == {"hours"}
    longer = replace(problem, shifts=(shift("anna", ends=18.5),))
    assert codes(longer, Plan({"anna-0": ("a",)})) == set()


def test_overtime_is_allowed_up_to_its_limit_and_priced():
    problem = Problem((stop("a", 1, minutes=60),), (shift("anna", ends=9),), line_travel(2))
    plan = Plan({"anna-0": ("a",)})
    assert codes(problem, plan) == {"hours"}
    longer = with_shift(problem, overtime_limit_s=20 * 60)
    assert check(longer, plan).cost_60 == 20 * 60 + 3 * 20 * 60
    assert codes(longer, plan) == set()
    assert codes(with_shift(problem, overtime_limit_s=20 * 60 - 1), plan) == {"hours"}


def test_no_way_is_no_way():
    problem, plan = good()
    seconds = problem.travel[""].seconds.copy()
    seconds[1, 2] = UNREACHABLE_S
    assert "hours" in codes(replace(problem, travel={"": Travel(seconds)}), plan)


def test_a_mandatory_stop_left_out_is_told_apart_from_a_broken_rule():
    problem, plan = good()
    verdict = check(with_stop(problem, "d", mandatory=True), plan)
    assert verdict.feasible
    assert verdict.mandatory_out == ("d",)
