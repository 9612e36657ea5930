"""Rolling clocks forward agrees with doing the work one task at a time by the scalar engine."""

from __future__ import annotations

from collections import Counter
from datetime import date

import pytest

from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from schedules.engine import Done, UnitFacts, binding, obligations
from schedules.engine.roll import Fall, Rolling, roll
from schedules.rules import load_tables

START, END = date(2026, 11, 25), date(2036, 11, 24)
OSHA = load_tables()["us-osha-1910-157"]
POWDER = UnitFacts(
    "dry_chemical_abc", "stored_pressure", "mild_steel", made=Stamp.of(2018, 3), is_refillable=True
)
NO_LOOKS = frozenset({Task.VISUAL_INSPECTION})


def one_by_one(facts, history, tables, start=START, end=END, left_out=NO_LOOKS):
    """The plain way: ask, do the first task, ask again."""
    done = list(history)
    found = []
    while True:
        owed = [
            item
            for item in binding(obligations(facts, done, tables, end)).values()
            if item.target and item.target <= end and item.task not in left_out and not item.deferred_until
        ]
        if not owed:
            return found
        weight = {
            t: sum(len(r.restarts) for table in tables for r in table.resets if r.done is t) for t in Task
        }
        first = min(
            owed,
            key=lambda item: (
                max(item.target, start),
                item.task is not Task.RETIREMENT,
                -weight[item.task],
                item.task,
            ),
        )
        on = max(first.target, start)
        found.append((on, first.task))
        if first.task is Task.RETIREMENT:
            return found
        done.append(Done(first.task, Stamp.on(on)))


KINDS = [
    POWDER,
    UnitFacts(
        "carbon_dioxide", "self_expelling", "aluminium", cylinder_spec="3AL", made=Stamp.of(2021, 2, 28)
    ),
    UnitFacts("water", "stored_pressure", "stainless_steel", made=Stamp.of(2020, 2, 29), is_refillable=True),
    UnitFacts("afff", "stored_pressure", "mild_steel", made=Stamp.of(2015), is_refillable=True),
    UnitFacts("dry_chemical_bc", "cartridge", "mild_steel", made=Stamp.of(2024, 7), is_refillable=True),
    UnitFacts("halon_1211", "stored_pressure", "mild_steel", made=Stamp.of(1999, 5), is_refillable=True),
]
HISTORIES = [
    (),
    (Done("maintenance", Stamp.of(2026, 1, 31)),),
    (Done("maintenance", Stamp.of(2025, 12)), Done("hydrostatic_test", Stamp.of(2024, 2, 29))),
    (Done("recharge", Stamp.of(2025, 8, 31)), Done("maintenance", Stamp.of(2026, 8, 31))),
]


@pytest.mark.parametrize("key", list(load_tables()))
def test_rolled_as_done_one_by_one(key):
    tables = load_tables()[key][-1:]
    units = [
        Rolling(facts, history, 0, NO_LOOKS)
        for facts in KINDS
        for history in HISTORIES
        if facts.made.is_known
    ]
    found = roll(units, [tables], START, END)
    for place, unit in enumerate(units):
        mine = [(fall.on, fall.task) for fall in found if fall.unit == place]
        plain = one_by_one(unit.facts, unit.history, tables)
        # After the end of its life a new unit hangs there; the plain way stops.
        assert sorted(plain) == sorted(mine[: len(plain)])
        assert len(mine) == len(plain) or plain[-1][1] is Task.RETIREMENT


def test_a_maintained_unit_comes_back_every_year_and_looks_every_month():
    unit = Rolling(POWDER, (Done("maintenance", Stamp.of(2026, 3, 10)),), 0)
    found = Counter(fall.task for fall in roll([unit], [OSHA], START, END))
    assert found[Task.MAINTENANCE] == 10
    assert found[Task.VISUAL_INSPECTION] == 120
    assert found[Task.HYDROSTATIC_TEST] == 1


def test_what_is_owed_already_comes_on_the_first_day():
    unit = Rolling(POWDER, (Done("maintenance", Stamp.of(2024, 3, 10)),), 0, NO_LOOKS)
    falls = [fall for fall in roll([unit], [OSHA], START, END) if fall.task is Task.MAINTENANCE]
    assert falls[0] == Fall(
        0, Task.MAINTENANCE, "us-osha-1910-157", OSHA[-1].version, date(2025, 3, 10), START
    )
    assert falls[1].on == date(2027, 11, 25)


def test_a_planned_visit_moves_the_first_and_what_follows():
    unit = Rolling(POWDER, (Done("maintenance", Stamp.of(2026, 3, 10)),), 0, NO_LOOKS)
    planned = {(0, Task.MAINTENANCE): date(2027, 2, 1)}
    falls = [f for f in roll([unit], [OSHA], START, END, planned) if f.task is Task.MAINTENANCE]
    assert [f.on for f in falls[:2]] == [date(2027, 2, 1), date(2028, 2, 1)]
    assert falls[0].target == date(2027, 3, 10)


def test_a_unit_whose_life_ends_is_replaced_and_looked_after():
    facts = UnitFacts(
        "dry_chemical_abc", "stored_pressure", "mild_steel", made=Stamp.of(2010, 1), is_refillable=False
    )
    tables = load_tables()["us-nfpa-10"]
    falls = roll(
        [Rolling(facts, (Done("maintenance", Stamp.of(2026, 1, 10)),), 0, NO_LOOKS)], [tables], START, END
    )
    assert falls[0].task is Task.RETIREMENT
    assert falls[0].on == START
    rest = falls[1:]
    assert next(f.on for f in rest if f.task is Task.MAINTENANCE) == date(2027, 11, 25)
    assert Task.RETIREMENT not in {f.task for f in rest}


def test_an_unknown_manufacture_date_is_due_now_once():
    facts = UnitFacts("dry_chemical_abc", "stored_pressure", "mild_steel", is_refillable=True)
    falls = roll([Rolling(facts, (), 0, NO_LOOKS)], [OSHA], START, END)
    tests = [fall for fall in falls if fall.task is Task.HYDROSTATIC_TEST]
    assert [(fall.on, fall.is_unknown) for fall in tests] == [(START, True)]


def test_records_and_facts_of_the_future_do_not_count():
    history = (Done("maintenance", Stamp.of(2026, 3, 10)), Done("maintenance", Stamp.of(2031, 1, 1)))
    falls = roll([Rolling(POWDER, history, 0, NO_LOOKS)], [OSHA], START, END)
    assert next(fall.on for fall in falls if fall.task is Task.MAINTENANCE) == date(2027, 3, 10)


def test_a_record_older_than_the_shell_is_settled_by_the_scalar_engine():
    unit = Rolling(POWDER, (Done("maintenance", Stamp.of(2017, 3, 10)),), 0, NO_LOOKS)
    plain = one_by_one(unit.facts, unit.history, OSHA)
    assert sorted((f.on, f.task) for f in roll([unit], [OSHA], START, END)) == sorted(plain)


def test_an_edition_counts_from_its_first_day():
    old, new = load_tables()["it-uni-9994-1"]
    start, end = date(2023, 1, 1), date(2026, 12, 31)
    assert start < new.valid_from < end
    unit = Rolling(POWDER, (Done("maintenance", Stamp.of(2022, 12, 1)),), 0, NO_LOOKS)
    falls = roll([unit], [(old, new)], start, end)
    assert {f.table_version for f in falls if f.target < new.valid_from} == {old.version}
    assert {f.table_version for f in falls if f.target >= new.valid_from} == {new.version}


def test_an_empty_horizon_is_refused_and_no_unit_gives_nothing():
    with pytest.raises(ValueError, match="horizon"):
        roll([], [], END, START)
    assert roll([], [OSHA], START, END) == []
