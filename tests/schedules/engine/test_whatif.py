"""What would be due if something were done today. Source of the dates: 29 CFR 1910.157(e)(4), Table L-1."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from datetime import date

import pytest

from inventory.measures.kinds import Environment, EventKind, Task, TestMethod
from inventory.measures.stamps import Stamp
from schedules.engine import Done, Event, Knowledge, UnitFacts, obligations
from schedules.engine.whatif import Supposed, what_if
from schedules.rules import load_tables
from schedules.rules.loader import build_table

AS_OF = date(2026, 11, 25)
TABLES = load_tables()["us-osha-1910-157"]
UNIT = UnitFacts("dry_chemical_abc", "stored_pressure", "mild_steel", made=Stamp.of(2018, 3))


def moved(pairs):
    return {
        pair.task: (pair.before and pair.before.latest, pair.after and pair.after.latest)
        for pair in pairs
        if pair.moves
    }


def test_a_recharge_moves_the_six_year_clock_and_leaves_the_pressure_test():
    pairs = what_if(UNIT, (), TABLES, AS_OF, Supposed(Task.RECHARGE))
    assert moved(pairs) == {Task.INTERNAL_EXAMINATION: (date(2024, 3, 31), date(2032, 11, 25))}
    assert {pair.task: pair.before for pair in pairs} == {
        item.task: item for item in obligations(UNIT, (), TABLES, AS_OF)
    }


def test_a_pressure_test_restarts_both():
    pairs = what_if(UNIT, (), TABLES, AS_OF, Supposed(Task.HYDROSTATIC_TEST))
    assert moved(pairs) == {
        Task.INTERNAL_EXAMINATION: (date(2024, 3, 31), date(2032, 11, 25)),
        Task.HYDROSTATIC_TEST: (date(2030, 3, 31), date(2038, 11, 25)),
    }


def test_the_method_of_the_test_counts_where_a_table_asks():
    # 49 CFR 180.209(g)(1) Table 1: DOT 4B by volumetric expansion or proof pressure, from the shipped table.
    tables = load_tables()["us-49cfr-180-209"]
    unit = UnitFacts(
        "clean_agent", "stored_pressure", "mild_steel", cylinder_spec="4B", made=Stamp.of(2018, 3)
    )
    after = {
        method: [
            p.after.latest
            for p in what_if(unit, (), tables, AS_OF, Supposed(Task.REQUALIFICATION, method))
            if p.task is Task.REQUALIFICATION
        ]
        for method in (TestMethod.WATER_JACKET, TestMethod.PROOF_PRESSURE)
    }
    assert after[TestMethod.WATER_JACKET] != after[TestMethod.PROOF_PRESSURE]


def test_other_surroundings_change_the_rules_and_beat_an_older_move():
    raw = deepcopy(dict(TABLES[-1].raw))
    look = next(rule for rule in raw["rule"] if rule["id"] == "look")
    raw["rule"].append(
        {**look, "id": "look.vehicle", "every": "P7D", "priority": 1, "select": {"environments": ["vehicle"]}}
    )
    tables = [build_table(raw, "a table that asks for the surroundings")]
    move = Event(EventKind.MOVED_INDOORS, date(2025, 1, 1))
    pairs = what_if(UNIT, (), tables, AS_OF, Supposed(environment=Environment.VEHICLE), [move])
    assert moved(pairs) == {Task.VISUAL_INSPECTION: (date(2018, 4, 30), date(2018, 3, 8))}
    there = replace(UNIT, environment=Environment.VEHICLE)
    assert [p.after for p in pairs if p.after] == list(obligations(there, (), tables, AS_OF))


def test_a_task_that_only_one_side_speaks_of_moves():
    retired = what_if(UNIT, (), TABLES, AS_OF, Supposed(Task.RETIREMENT))
    gone = {pair.task for pair in retired if pair.after is None}
    assert gone == {item.task for item in obligations(UNIT, (), TABLES, AS_OF)} - {Task.RETIREMENT}
    (end,) = [pair for pair in retired if pair.task is Task.RETIREMENT]
    assert end.after is not None
    assert end.after.knowledge is Knowledge.ENDED
    assert all(pair.moves for pair in retired)


def test_doing_what_was_done_today_moves_nothing():
    done = Done(Task.MAINTENANCE, Stamp.on(AS_OF))
    assert not moved(what_if(UNIT, (done,), TABLES, AS_OF, Supposed(Task.MAINTENANCE)))


def test_one_thing_is_supposed_at_a_time():
    for given in ({}, {"task": Task.RECHARGE, "environment": Environment.VEHICLE}):
        with pytest.raises(ValueError, match="either"):
            Supposed(**given)
