"""The twin says what the scalar engine says."""

from __future__ import annotations

import doctest
import random
from dataclasses import replace
from datetime import date, timedelta
from types import ModuleType

import numpy as np
import pytest
from dateutil.relativedelta import relativedelta

from inventory.measures.kinds import Agent, Construction, Shell, Task
from inventory.measures.stamps import Stamp
from schedules.engine import Done, Knowledge, UnitFacts, binding, doubt_until, findings, fleet, obligations
from schedules.engine.fleet import KNOWLEDGES, FleetPast, Records, days, fleet_of, judge
from schedules.rules import load_tables
from tests.schedules.engine.fleets import (
    Told,
    random_day,
    random_kind,
    random_run,
    random_unit,
    scalar_rows,
    twin_rows,
)

AS_OF = date(2026, 11, 25)

# The same every time, so that a fault is met again; and some that nobody has tried yet. Those are
# drawn inside the test: workers that run side by side must agree on its name.
SEEDS = [*range(8), *(f"new {n}" for n in range(6))]


@pytest.mark.parametrize("named", SEEDS)
def test_the_twin_agrees_with_the_scalar_engine(named: int | str) -> None:
    seed = named if isinstance(named, int) else random.SystemRandom().randrange(10**9)
    told, books = random_run(seed, 300)
    want = scalar_rows(told, books)
    got, _ = twin_rows(told, books)
    assert len(got) == len(set(got)), f"seed {seed}: a row comes twice"
    assert (set(got) - want, want - set(got)) == (set(), set()), f"seed {seed}"


@pytest.mark.parametrize("named", SEEDS)
def test_the_twin_doubts_what_the_scalar_engine_doubts(named: int | str) -> None:
    seed = named if isinstance(named, int) else random.SystemRandom().randrange(10**9)
    told, _ = random_run(seed, 300)
    chance = random.Random(seed)
    # Chance alone hardly ever says a thing twice, and leaves few units without any doubt.
    for place, (facts, history, book, as_of) in enumerate(told):
        match chance.randrange(3):
            case 0:
                again = [replace(done, ref="again") for done in history[:1]]
                told[place] = (facts, (*history, *again), book, as_of)
            case 1:
                told[place] = (facts, history[:1], book, as_of)
    want = [doubt_until(facts, history, as_of) for facts, history, _, as_of in told]
    got = FleetPast(fleet_of(told)).doubt_until()
    assert [days.day_of(day) for day in got.tolist()] == want, f"seed {seed}"
    assert {None, date.max} < set(want)
    for (facts, history, _, as_of), until in zip(told, want, strict=True):
        assert bool(findings(facts, history, as_of)) == (until is not None)
        if until is not None and until < date.max:
            assert findings(facts, history, until)
            gone = findings(facts, history, until + timedelta(days=1))
            assert all(finding.code not in {"future_record", "future_fact"} for finding in gone)


@pytest.mark.parametrize("key", sorted(load_tables()))
def test_the_twin_agrees_on_every_shipped_table(key: str) -> None:
    """Kinds that the trade knows, so that most rules of each table are met."""
    chance = random.Random(key)
    usual = [
        (Agent.DRY_CHEMICAL_ABC, Construction.STORED_PRESSURE, Shell.MILD_STEEL),
        (Agent.DRY_CHEMICAL_ABC, Construction.CARTRIDGE, Shell.MILD_STEEL),
        (Agent.CARBON_DIOXIDE, Construction.SELF_EXPELLING, Shell.ALLOY_STEEL_SEAMLESS),
        (Agent.WATER, Construction.STORED_PRESSURE, Shell.STAINLESS_STEEL),
        (Agent.AFFF, Construction.STORED_PRESSURE, Shell.MILD_STEEL),
        (Agent.CLEAN_AGENT, Construction.STORED_PRESSURE, Shell.MILD_STEEL),
        (Agent.HALON_1211, Construction.STORED_PRESSURE, Shell.MILD_STEEL),
    ]
    books = [load_tables()[key]]
    told: list[Told] = []
    for agent, construction, shell in usual:
        for _ in range(20):
            kind = random_kind(chance) | {"agent": agent, "construction": construction, "shell": shell}
            told.append(random_unit(chance, kind, 0, random_day(chance, 2019, 2028)))
    want = scalar_rows(told, books)
    got, _ = twin_rows(told, books)
    assert (set(got) - want, want - set(got)) == (set(), set())
    assert any(row.latest for row in got)


def test_one_row_binds_each_task_as_the_engine_says() -> None:
    told, books = random_run(5, 300)
    answers = judge(fleet_of(told), books, lambda places: ((p, _said(told, books, p)) for p in places))
    got = {
        (row.unit, row.task): row.table_key
        for row, binds in zip(answers.rows(), answers.binding().tolist(), strict=True)
        if binds and row.latest is not None
    }
    want = {
        (place, task): item.table_key
        for place in range(len(told))
        for task, item in binding(_said(told, books, place)).items()
    }
    assert got == want
    pairs = [
        (row.unit, row.task)
        for row, binds in zip(answers.rows(), answers.binding().tolist(), strict=True)
        if binds
    ]
    assert sorted(pairs) == sorted({(row.unit, row.task) for row in answers.rows()})


def _said(told: list[Told], books: object, place: int) -> tuple[object, ...]:
    facts, history, book, as_of = told[place]
    return obligations(facts, history, books[book], as_of)  # type: ignore[index]


def test_ordinary_units_are_not_left_to_the_scalar_engine() -> None:
    unit = UnitFacts("dry_chemical_abc", "stored_pressure", "mild_steel", made=Stamp.of(2018, 3))
    history = [Done(Task.MAINTENANCE, Stamp.on(date(2025, 11, 3))), Done(Task.RECHARGE, Stamp.of(2021, 6))]
    _, fallen_back = twin_rows([(unit, tuple(history), 0, AS_OF)] * 50, [load_tables()["us-nfpa-10"]])
    assert fallen_back == 0


@pytest.mark.parametrize(
    "history",
    [
        pytest.param((Done(Task.MAINTENANCE, Stamp.of(2017, 1)),), id="a record older than the shell"),
        pytest.param(
            (Done(Task.MAINTENANCE, Stamp.of(2025, 3)), Done(Task.MAINTENANCE, Stamp.of(2025, 3, 31))),
            id="two stamps that rank alike and differ",
        ),
    ],
)
def test_what_columns_cannot_settle_goes_to_the_scalar_engine(history: tuple[Done, ...]) -> None:
    unit = UnitFacts("dry_chemical_abc", "stored_pressure", "mild_steel", made=Stamp.of(2018, 3))
    told = [(unit, history, 0, AS_OF), (unit, (), 0, AS_OF)]
    books = [load_tables()["us-nfpa-10"]]
    got, fallen_back = twin_rows(told, books)
    assert fallen_back == 1
    assert set(got) == scalar_rows(told, books)


def test_unknown_manufacture_is_due_on_the_day_of_registration() -> None:
    unit = UnitFacts("dry_chemical_abc", "stored_pressure", "mild_steel", registered=date(2026, 2, 3))
    for as_of in (AS_OF, AS_OF + timedelta(days=400)):
        got, _ = twin_rows([(unit, (), 0, as_of)], [load_tables()["us-osha-1910-157"]])
        row = next(row for row in got if row.task is Task.HYDROSTATIC_TEST)
        assert (row.latest, row.knowledge) == (date(2026, 2, 3), Knowledge.UNKNOWN_BASIS)


def test_an_empty_fleet_has_no_answers() -> None:
    assert len(judge(fleet_of([]), [], lambda places: [])) == 0


def test_records_must_be_sorted_by_unit() -> None:
    none = np.zeros(2, np.int64)
    with pytest.raises(ValueError, match="Sort the records"):
        Records(np.array([1, 0]), none, none, np.ones(2, np.bool_), fleet_of([]).records.mark)


def test_codes_cover_every_state_of_knowledge() -> None:
    assert set(KNOWLEDGES) == set(Knowledge)


@pytest.mark.parametrize("module", [fleet, days])
def test_the_examples_in_the_docstrings_are_true(module: ModuleType) -> None:
    found = doctest.testmod(module)
    assert (found.attempted > 0, found.failed) == (True, 0)


@pytest.mark.parametrize("seed", range(5))
def test_months_and_days_are_added_as_dateutil_adds_them(seed: int) -> None:
    """Source of the arithmetic: dateutil's relativedelta, independent of numpy."""
    chance = random.Random(seed)
    some = [random_day(chance, 1950, 2099) for _ in range(2000)]
    months, more = chance.randint(-200, 200), chance.randint(-500, 500)
    got = [days.day_of(n) for n in days.after(days.column(some), months, more)]
    assert got == [day + relativedelta(months=months, days=more) for day in some]


def test_no_day_stays_no_day() -> None:
    nothing = days.column([None])
    for found in (
        days.after(nothing, 12, 3),
        days.after(nothing, -12, 0),
        days.month_start(nothing),
        days.month_end(nothing),
        days.year_start(nothing),
        days.year_end(nothing),
    ):
        assert found.tolist() == [days.NO_DAY]


def test_ends_of_months_and_years() -> None:
    some = days.column([date(2024, 2, 29), date(1969, 12, 31), date(2026, 12, 1)])
    assert [days.day_of(n) for n in days.month_end(some)] == [
        date(2024, 2, 29),
        date(1969, 12, 31),
        date(2026, 12, 31),
    ]
    assert [days.day_of(n) for n in days.year_start(some)] == [
        date(2024, 1, 1),
        date(1969, 1, 1),
        date(2026, 1, 1),
    ]
