"""Weeks made from a seed are the same everywhere, and read into the model as they were meant."""

import hashlib
import json

from schedules.management.benches.weeks import SIZES, Size, make_week
from schedules.planning.checker import check
from schedules.planning.engine import solve
from schedules.planning.instances import read_case, stored_week


def test_a_seed_means_the_same_week_everywhere():
    made = json.dumps(make_week("day1", SIZES["day1"]), sort_keys=True)
    assert hashlib.sha256(made.encode()).hexdigest()[:16] == "fb6d15880311095f"


def test_a_stored_week_is_read_as_it_was_meant(tmp_path):
    week = make_week("small", Size(30, 2, 3, seed=4))
    path = tmp_path / "small.json"
    path.write_text(json.dumps(week))
    case = read_case(path)
    assert (len(case.problem.stops), len(case.problem.shifts)) == (30, 6)
    visit = week["visits"][7]
    stop = case.problem.stop["7"]
    assert stop.service_s == visit["service"]
    days = {window.day for window in stop.windows}
    assert days <= set(range(visit["first_day"], visit["last_day"] + 1))
    assert case.problem.prices.leaving_out(stop) == {1: 120, 2: 300, 3: 1200}[visit["priority"]]
    outcome = solve(case.problem, iterations=150)
    verdict = check(case.problem, outcome.plan)
    assert verdict.feasible
    left_out = sum(case.problem.prices.leaving_out(case.problem.stop[key]) for key in outcome.plan.left_out)
    drive = verdict.cost_60 / 60 - left_out
    assert 0 < drive < 6 * 8 * 60


def test_the_day_of_one_technician_is_planned_as_well_as_any_engine_did():
    case = stored_week(make_week("day1", SIZES["day1"]))
    outcome = solve(case.problem, iterations=1500, seed=1)
    # 281.6 minutes is the best that several engines found in longer runs; own comparison, no source.
    assert outcome.cost_60 / case.scale < 288.5
