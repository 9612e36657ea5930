"""Clock times of a shift, and agreement with the checker that shares no code with them."""

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from schedules.planning.checker import check
from schedules.planning.insertion import Lane
from schedules.planning.model import Pin, Plan, Problem, Reason
from schedules.planning.timetable import bill, timetable
from tests.schedules.planning.cases import HOUR, line_travel, random_problem, shift, stop


def clock(hours: float) -> int:
    return int(hours * HOUR)


def test_the_van_leaves_just_in_time_for_the_first_door():
    problem = Problem((stop("a", 1, (0, 10, 12)),), (shift("anna"),), line_travel(2))
    times = timetable(problem, problem.shifts[0], ["a"])
    assert times is not None
    assert (times.leaves_s, times.returns_s) == (clock(10) - 600, clock(10.5) + 600)
    assert times.calls[0].waiting_s == 0
    assert times.duty_s == 50 * 60


def test_the_break_lies_where_it_costs_least():
    problem = Problem(
        (stop("a", 1, (0, 8, 12), minutes=210), stop("b", 2, (0, 13, 17))), (shift("anna"),), line_travel(3)
    )
    times = timetable(problem, problem.shifts[0], ["a", "b"])
    assert times is not None
    # Done at 11:40 or before, b opens at 13:00: the break fits into the wait and costs nothing.
    assert times.calls[1].starts_s == clock(13)
    assert clock(11.5) <= times.pause_starts_s <= clock(12.5)
    assert times.waiting_s == clock(13) - times.calls[0].ends_s - 600 - 1800


def test_an_empty_shift_stays_at_home():
    problem = Problem((), (shift("anna"),), line_travel(1))
    times = timetable(problem, problem.shifts[0], [])
    assert times is not None
    assert (times.drive_s, times.duty_s, times.calls) == (0, 0, ())


def test_loads_come_and_go_along_the_way():
    problem = Problem(
        (stop("a", 1, brings=(3,)), stop("b", 2, collects=(3,))),
        (shift("anna", capacity=(3,)),),
        line_travel(3),
    )
    one = problem.shifts[0]
    assert timetable(problem, one, ["a", "b"]).peak_load == (3,)  # type: ignore[union-attr]
    # Collecting first would carry six at once.
    assert timetable(problem, one, ["b", "a"]) is None


def test_the_longest_duty_counts_from_a_free_departure():
    problem = Problem(
        (stop("a", 1, (0, 8, 9), minutes=30), stop("b", 1, (0, 12, 13), minutes=30)),
        (shift("anna", rest=None, longest_s=clock(4.5)),),
        line_travel(2),
    )
    times = timetable(problem, problem.shifts[0], ["a", "b"])
    # Leaving at 8:20 to be at a when it may last start, 8:30, and back at 12:40.
    assert times is not None
    assert (times.leaves_s, times.returns_s) == (clock(8) + 1200, clock(12) + 2400)


def test_a_bill_names_every_cause():
    problem = random_problem(3, 4, 1, drive_km=2)
    kept = Problem(
        tuple(
            stop(
                it.key, it.place, pin=None, due_day=-1, territory="north",
                preferred_technician="zoe", was=("zoe", 0), minutes=15,
            )
            for it in problem.stops
        ),
        (shift("t0", territory="south", overtime_limit_s=7200, ends=9, opening_price=7),),
        problem.travel,
        problem.prices,
    )  # fmt: skip
    plan = Plan({"t0-0": ("s0", "s1")}, {key: Reason("", "") for key in ("s2", "s3")})
    paid = bill(kept, plan)
    assert paid.total_60 == check(kept, plan).cost_60
    assert paid.late_60 == 2 * 60 * 30
    assert paid.other_territory_60 == 2 * 60 * 15
    assert paid.other_technician_60 == 2 * 60 * 10
    assert paid.opening_60 == 7 * 60
    assert paid.left_out_60 == 2 * 60 * 120
    assert paid.km_60 > 0
    assert paid.overtime_60 > 0


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 10**6), longest=st.sampled_from([None, 4, 7]), duty=st.sampled_from([0, 1]))
# Time to spare on the way, and the return within the hours of the break.
@example(seed=8844, longest=None, duty=1)
def test_timetable_insertion_and_checker_agree(seed, longest, duty):
    """Three ways to judge an order of stops; only the plain values of the model are shared."""
    rng = random.Random(seed)
    problem = random_problem(seed, 5, 1, duty_minute=duty)
    one = problem.shifts[0]
    if longest is not None:
        one = shift(one.technician, skills=one.skills, capacity=one.capacity, longest_s=clock(longest))
    stops = list(problem.stops)
    if rng.random() < 0.3:
        stops[0] = stop("s0", stops[0].place, pin=Pin(None, 0, clock(rng.choice([9, 11.75, 12.25]))))
    problem = Problem(tuple(stops), (one,), problem.travel, problem.prices)
    order = [it.key for it in rng.sample(stops, rng.randint(1, 5)) if problem.bars(it, one) is None]
    plan = Plan({one.key: tuple(order)}, {it.key: Reason("", "") for it in stops if it.key not in order})
    verdict = check(problem, plan)
    times = timetable(problem, one, order)
    assert (times is not None) == verdict.feasible, verdict.breaches
    if times is None:
        return
    assert bill(problem, plan).total_60 == verdict.cost_60
    if not order:
        return
    assert times.leaves_s >= one.starts_s
    assert times.drive_s + times.service_s + times.waiting_s == times.duty_s
    if longest is None and order:
        lane = Lane(problem, one, order[:-1])
        if timetable(problem, one, order[:-1]) is not None:
            places = {gap.position for gap in lane.gaps(problem.stop[order[-1]])}
            assert len(order) - 1 in places


@pytest.mark.parametrize("seed", range(4))
def test_lanes_know_every_place_and_no_other(seed):
    problem = random_problem(seed, 8, 1)
    one = problem.shifts[0]
    lane = Lane(problem, one)
    for it in problem.stops:
        for position in range(len(lane.stops) + 1):
            order = [*lane.keys[:position], it.key, *lane.keys[position:]]
            possible = problem.bars(it, one) is None and timetable(problem, one, order) is not None
            assert possible == (position in {gap.position for gap in lane.gaps(it)})
        gap = lane.best_gap(it)
        if gap:
            lane.put(gap.position, it)
    assert lane.feasible
    assert len(lane.stops) > 2
