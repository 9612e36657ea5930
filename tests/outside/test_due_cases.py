"""Due dates against published rules: every case of ``tests/cases`` names its source.

Rules whose source was read on a secondary page or is from memory say so in the table and in the
case; they are defaults to confirm against local code.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from schedules.engine import Done
from tests.cases import answers, read_cases, stamp, told

CASES = [
    pytest.param(case, id=f"{name}: {case['id']}")
    for name in ("due.toml", "table_l_1.toml", "table_1_180_209.toml")
    for case in read_cases(name)
]


@pytest.mark.parametrize("case", CASES)
def test_case(case: dict[str, Any]) -> None:
    found = answers(case)
    assert {task: told(found.get(task)) for task in case["expect"]} == case["expect"]


@pytest.mark.parametrize("case", [p for p in CASES if "runs" in p.values[0]])
def test_run_of_a_life(case: dict[str, Any]) -> None:
    """The task is done in each due month; the dates that follow are the listed ones."""
    for task, expected in case["runs"].items():
        history: list[Done] = []
        for due in expected:
            assert told(answers(case, history)[task]) == due
            if due != "ended":
                history.append(Done(task, stamp(due)))


def test_work_in_the_due_month_is_on_time() -> None:
    """49 CFR 180.207(a)(2), worked out: due 05/2026, on time on 31 May and late on 1 June."""
    case = next(case for case in read_cases("due.toml") if case["id"] == "180.209 15: 3HT")
    item = answers(case)["requalification"]
    assert item.latest == date(2026, 5, 31)


def test_a_cylinder_filled_in_time_may_stay_full() -> None:
    """49 CFR 180.205(c) as letters 09-0148 and 18-0117 read it: no limit until it is emptied.

    The workplace rule keeps its own verdict: the same unit is overdue there.
    """
    unit = {
        "agent": "carbon_dioxide",
        "construction": "self_expelling",
        "shell": "alloy_steel_seamless",
        "cylinder_spec": "3AA1800",
        "first_test": "2021-05",
        "made": "2021-05",
    }
    filled = Done("recharge", stamp("2026-04-20"))
    day = date(2029, 1, 1)
    case = {"unit": unit, "as_of": day}
    transport = answers({**case, "table": "us-49cfr-180-209"}, [filled])["requalification"]
    workplace = answers({**case, "table": "us-osha-1910-157"}, [filled])["hydrostatic_test"]
    assert (transport.latest, transport.is_overdue(day)) == (date(2026, 5, 31), False)
    assert transport.deferred_until == "next filling"
    assert (workplace.latest, workplace.is_overdue(day)) == (date(2026, 5, 31), True)

    late = answers({**case, "table": "us-49cfr-180-209"}, [Done("recharge", stamp("2026-06-20"))])
    assert late["requalification"].is_overdue(day)


def test_the_yearly_visit_has_two_months_either_way() -> None:
    """NF S 61-919 as a secondary page states it: each yearly visit within +/- 2 months, which does not drift.

    Ten years of visits, early and late by turns, stay on the day of sale.
    """
    unit = {"agent": "dry_chemical_abc", "made": "2010-03-15", "sold": "2010-04-20"}
    history: list[Done] = []
    for year in range(2011, 2021):
        case = {"unit": unit, "table": "fr-nf-s-61-919", "as_of": date(year, 1, 1)}
        item = answers(case, history)["maintenance"]
        assert (item.earliest, item.target, item.latest) == (
            date(year, 2, 20),
            date(year, 4, 20),
            date(year, 6, 20),
        )
        history.append(Done("maintenance", stamp(f"{year}-02-20" if year % 2 else f"{year}-06-20")))
