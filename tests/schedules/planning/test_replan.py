"""The dispatcher's hand: what it sets is kept, little else moves, and refusals say why."""

from dataclasses import replace

import pytest

from schedules.planning.checker import check
from schedules.planning.engine import (
    Add,
    Cut,
    Exclude,
    Place,
    Release,
    Replanned,
    replan,
    solve,
    why_not,
)
from schedules.planning.model import Pin, Plan, Problem, Reason, Window
from schedules.planning.timetable import timetable
from tests.schedules.planning.cases import HOUR, line_travel, random_problem, shift, stop


@pytest.fixture(scope="module")
def week() -> tuple[Problem, Plan]:
    problem = random_problem(21, 60, 4, days=3)
    return problem, solve(problem, iterations=400, seed=1).plan


def sound(answer: Replanned) -> Replanned:
    verdict = check(answer.problem, answer.plan)
    assert verdict.breaches == ()
    assert verdict.cost_60 == answer.cost_60
    return answer


def another_shift(problem: Problem, plan: Plan, turn: int = 0) -> tuple[str, str]:
    """A planned stop and a shift of someone else that may serve it."""
    where = plan.where()
    pairs = [
        (key, one.key)
        for key in sorted(where)
        for one in problem.shifts
        if one.key != where[key] and problem.bars(problem.stop[key], one) is None
    ]
    return pairs[turn * len(pairs) // 7]


@pytest.mark.parametrize("turn", range(6))
def test_a_drag_is_kept_and_moves_little_else(week, turn):
    problem, plan = week
    key, there = another_shift(problem, plan, turn)
    one = problem.shift[there]
    answer = sound(replan(problem, plan, Place(key, one.technician, one.day), seconds=0.3))
    assert answer.refused is None
    assert answer.plan.where()[key] == there
    assert answer.problem.stop[key].pin == Pin(one.technician, one.day)
    assert sum(it.other_shift and not it.named for it in answer.moved) <= 8
    assert [it.stop for it in answer.moved if it.named] == [key]


def test_a_hand_made_order_is_not_improved_upon(week):
    problem, plan = week
    key, there = another_shift(problem, plan, 2)
    one = problem.shift[there]
    answer = sound(replan(problem, plan, Place(key, one.technician, one.day, position=0), seconds=0.3))
    if answer.refused is None:
        kept = answer.plan.routes[there]
        assert kept[0] == key
        before = [it for it in plan.routes.get(there, ()) if it in kept]
        assert list(kept[1:]) == before


def test_a_pinned_time_is_kept(week):
    problem, plan = week
    shift_key, stops = next((key, stops) for key, stops in plan.routes.items() if len(stops) > 2)
    one = problem.shift[shift_key]
    times = timetable(problem, one, stops)
    assert times is not None
    call = times.calls[1]
    answer = sound(
        replan(problem, plan, Place(call.stop, one.technician, one.day, call.starts_s), seconds=0.2)
    )
    again = timetable(answer.problem, one, answer.plan.routes[shift_key])
    assert again is not None
    assert {it.stop: it.starts_s for it in again.calls}[call.stop] == call.starts_s
    freed = replan(answer.problem, answer.plan, Release(call.stop))
    assert freed.problem.stop[call.stop].pin is None
    assert freed.plan.routes == answer.plan.routes


def test_what_cannot_be_kept_is_refused_with_the_reason_and_changes_nothing(week):
    problem, plan = week
    key = next(it.key for it in problem.stops if it.key in plan.where())
    answer = replan(problem, plan, Place(key, "nobody"))
    assert answer.refused is not None
    assert answer.refused.code == "pin"
    assert (answer.plan, answer.problem, answer.moved) == (plan, problem, ())
    assert replan(problem, plan, Place("none")).refused.code == "unknown stop"  # type: ignore[union-attr]
    assert replan(problem, plan, Cut("none", 0)).refused.code == "unknown shift"  # type: ignore[union-attr]


def test_an_excluded_stop_stays_out(week):
    problem, plan = week
    key = next(iter(plan.where()))
    answer = sound(replan(problem, plan, Exclude(key), seconds=0.2))
    assert key not in answer.plan.where()
    assert answer.plan.left_out[key].code == "excluded"
    assert key not in answer.problem.stop


def test_an_urgent_call_is_put_in(week):
    problem, plan = week
    like = problem.stop[next(iter(plan.where()))]
    urgent = replace(
        like, key="urgent", windows=(Window(1, 8 * HOUR, 17 * HOUR),), priority=3, mandatory=True
    )
    answer = sound(replan(problem, plan, Add(urgent), seconds=0.3))
    assert "urgent" in answer.plan.where()
    nowhere = replace(urgent, key="nowhere", place=-1)
    assert replan(problem, plan, Add(nowhere)).plan.left_out["nowhere"].code == "no coordinates"


def test_a_technician_falls_ill_at_ten(week):
    problem, plan = week
    key = max(plan.routes, key=lambda it: len(plan.routes[it]))
    one = problem.shift[key]
    times = timetable(problem, one, plan.routes[key])
    assert times is not None
    done = [call for call in times.calls if call.ends_s <= 10 * HOUR]
    answer = sound(replan(problem, plan, Cut(key, 10 * HOUR), seconds=0.3))
    assert answer.plan.routes.get(key, ()) == tuple(call.stop for call in done)
    for call in times.calls:
        where = answer.plan.where().get(call.stop)
        assert where is not None or call.stop in answer.plan.left_out
    late = sound(replan(problem, plan, Cut(key, one.starts_s, 12 * HOUR), seconds=0.2))
    assert late.problem.shift[key].starts_s == 12 * HOUR
    inside = replan(problem, plan, Cut(key, 10 * HOUR, 11 * HOUR))
    assert inside.refused is not None


# --- why not ----------------------------------------------------------------------------------------


def full_day() -> tuple[Problem, Plan]:
    """Anna's day is full to the brim; Ben, without the skill, is free."""
    problem = Problem(
        stops=(
            stop("a", 1, minutes=200, skills=frozenset({"co2"})),
            stop("b", 2, minutes=195, skills=frozenset({"co2"})),
            stop("x", 3, minutes=60, skills=frozenset({"co2"}), priority=3),
        ),
        shifts=(shift("anna", skills=frozenset({"co2"})), shift("ben")),
        travel=line_travel(4),
    )
    return problem, Plan({"anna-0": ("a", "b")}, {"x": Reason("no room", "")})


def test_the_nearest_relaxations_are_named():
    problem, plan = full_day()
    assert check(problem, plan).feasible
    ways = {way.kind: way for way in why_not(problem, plan, "x", limit=9)}
    assert ways["skill"].technician == "ben"
    assert ways["skill"].detail == "co2"
    # 60 minutes of driving, 455 of work and 30 of lunch are 545; the day has 510.
    assert ways["overtime"].extra_s == 35 * 60
    longer = replace(
        problem, shifts=tuple(replace(it, overtime_limit_s=ways["overtime"].extra_s) for it in problem.shifts)
    )
    assert "x" in solve(longer, iterations=100).plan.where()
    assert ways["take out another"].detail in ("a", "b")


def test_other_hours_other_days_other_people():
    problem = Problem(
        (
            stop("early", 1, (0, 6, 8), minutes=30),
            stop("tomorrow", 1, (1, 8, 12)),
            stop("theirs", 1, technicians=frozenset({"zoe"})),
            stop("room", 1),
        ),
        (shift("anna"),),
        line_travel(2),
    )
    plan = Plan({}, {key: Reason("no room", "") for key in ("early", "tomorrow", "theirs", "room")})
    first = {key: why_not(problem, plan, key)[0] for key in plan.left_out}
    assert (first["early"].kind, first["early"].extra_s) == ("opening hours", 3600)
    assert (first["tomorrow"].kind, first["tomorrow"].day) == ("other day", 0)
    assert first["theirs"].kind == "other technician"
    assert first["room"].kind == "room"


def test_without_coordinates_there_is_nothing_to_relax():
    problem = Problem((stop("x", -1),), (shift("anna"),), line_travel(2))
    assert why_not(problem, Plan({}), "x") == ()
