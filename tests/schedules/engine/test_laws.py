"""Laws that hold for any unit, history and shipped table."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from inventory.measures.kinds import Agent, Construction, Environment, EventKind, Shell, Task, TestMethod
from inventory.measures.stamps import Precision, Stamp
from schedules.engine import Done, Event, Knowledge, Obligation, UnitFacts, obligations
from schedules.engine.calendar import month_end
from schedules.rules import Counts, IntervalTable, load_tables

START, END = date(1975, 1, 1), date(2035, 12, 31)
# By name, because a failing example prints what was drawn and a whole table is unreadable.
TABLES = {f"{table.key} {table.version}": table for versions in load_tables().values() for table in versions}
SPECS = [
    "",
    "4BW195",
    "DOT 3AL1800",
    "3AA1800",
    "4B240ET",
    "3HT1850",
    "4E",
    "8AL",
    "TC-3AAM",
    "SP 1234",
    "odd",
]

USUAL = [
    (Agent.DRY_CHEMICAL_ABC, Construction.STORED_PRESSURE, Shell.MILD_STEEL),
    (Agent.DRY_CHEMICAL_ABC, Construction.CARTRIDGE, Shell.MILD_STEEL),
    (Agent.CARBON_DIOXIDE, Construction.SELF_EXPELLING, Shell.ALLOY_STEEL_SEAMLESS),
    (Agent.WATER, Construction.STORED_PRESSURE, Shell.STAINLESS_STEEL),
    (Agent.AFFF, Construction.STORED_PRESSURE, Shell.MILD_STEEL),
    (Agent.WET_CHEMICAL, Construction.STORED_PRESSURE, Shell.STAINLESS_STEEL),
    (Agent.CLEAN_AGENT, Construction.STORED_PRESSURE, Shell.MILD_STEEL),
]

days = st.dates(START, END)


@st.composite
def stamps(draw: st.DrawFn, low: date = START, high: date = END) -> Stamp:
    day = draw(st.dates(low, high))
    return blurred(Stamp.on(day), draw(st.sampled_from(list(Precision))))


def blurred(stamp: Stamp, precision: Precision) -> Stamp:
    """Return ``stamp`` as somebody would have it who knows it only to ``precision``."""
    day = stamp.first
    assert day is not None
    match precision:
        case Precision.DAY:
            return stamp
        case Precision.MONTH:
            return Stamp.of(day.year, day.month)
        case Precision.QUARTER:
            return Stamp.quarter(day.year, (day.month + 2) // 3)
        case Precision.YEAR:
            return Stamp.of(day.year)
    return Stamp.unknown()


@st.composite
def units(draw: st.DrawFn, made: st.SearchStrategy[Stamp] | None = None) -> UnitFacts:
    optional = st.one_of(st.none(), st.integers(0, 60_000))
    maybe = st.one_of(st.just(Stamp.unknown()), stamps())
    agent, construction, shell = draw(
        st.one_of(
            st.sampled_from(USUAL),
            st.tuples(st.sampled_from(Agent), st.sampled_from(Construction), st.sampled_from(Shell)),
        )
    )
    return UnitFacts(
        agent=agent,
        construction=construction,
        shell=shell,
        cylinder_spec=draw(st.sampled_from(SPECS)),
        water_capacity_ml=draw(optional),
        charge_mass_g=draw(optional),
        charge_volume_ml=draw(optional),
        is_wheeled=draw(st.booleans()),
        is_refillable=draw(st.sampled_from([None, True, False])),
        environment=draw(st.sampled_from(Environment)),
        has_shutoff_hose=draw(st.sampled_from([None, True, False])),
        made=draw(stamps() if made is None else made),
        first_test=Stamp.unknown() if made is not None else draw(maybe),
        commissioned=Stamp.unknown() if made is not None else draw(maybe),
        sold=Stamp.unknown() if made is not None else draw(maybe),
        registered=draw(st.one_of(st.none(), days)),
    )


@st.composite
def completions(
    draw: st.DrawFn, when: st.SearchStrategy[Stamp] | None = None, passed: bool | None = None
) -> Done:
    return Done(
        draw(st.sampled_from([task for task in Task if task is not Task.RETIREMENT])),
        draw(stamps() if when is None else when),
        draw(st.sampled_from(TestMethod)),
        draw(st.booleans()) if passed is None else passed,
        ref=str(draw(st.integers(0, 99))),
    )


histories = st.lists(completions(), max_size=7)
happenings = st.lists(st.builds(Event, st.sampled_from(EventKind), days), max_size=3)
some_tables = st.lists(st.sampled_from(sorted(TABLES)), min_size=1, max_size=3, unique=True)


def answer(item: Obligation) -> tuple[object, ...]:
    """Return what an obligation answers, apart from its words and the day to look again."""
    return (
        item.table_key,
        item.table_version,
        item.task,
        item.rule_id,
        item.earliest,
        item.target,
        item.latest,
        item.knowledge,
        item.basis.kind,
        item.deferred_until,
        item.covered_by,
    )


@settings(max_examples=300)
@given(units(), histories, some_tables, days, happenings, st.integers())
def test_any_unit_gets_whole_answers(
    unit: UnitFacts,
    history: list[Done],
    names: list[str],
    as_of: date,
    events: list[Event],
    seed: int,
) -> None:
    """Nothing raises; every answer is ordered, explained and the same whatever order history comes in."""
    tables = [TABLES[name] for name in names]
    found = obligations(unit, history, tables, as_of, events)
    shuffled, shuffled_events = history[:], events[:]
    random.Random(seed).shuffle(shuffled)
    random.Random(seed).shuffle(shuffled_events)
    again = obligations(unit, shuffled, tables[::-1], as_of, shuffled_events)
    assert found == again

    keys = [(item.table_key, item.task) for item in found]
    assert len(keys) == len(set(keys))
    for item in found:
        assert "defaults to confirm against local code." in item.why[0]
        assert item.table_version in item.why[0]
        assert len(item.why) >= 2
        dated = (item.earliest, item.target, item.latest)
        assert all(dated) or not any(dated)
        if item.earliest and item.target and item.latest:
            assert item.earliest <= item.target <= item.latest
        assert bool(item.latest) == (
            item.knowledge in (Knowledge.KNOWN, Knowledge.ASSUMED_SAFE_SIDE, Knowledge.UNKNOWN_BASIS)
        )
        if item.knowledge is Knowledge.UNKNOWN_BASIS:
            assert item.is_due(as_of)
        assert item.recheck_on is None or item.recheck_on > as_of


@settings(max_examples=300)
@given(units(), histories, some_tables, days, happenings)
def test_every_task_a_table_answers_for_has_an_answer(
    unit: UnitFacts, history: list[Done], names: list[str], as_of: date, events: list[Event]
) -> None:
    tables = [TABLES[name] for name in names]
    found = {(item.table_key, item.task) for item in obligations(unit, history, tables, as_of, events)}
    for key in {table.key for table in tables}:
        covers = set.intersection(*(set(table.covers) for table in tables if table.key == key))
        assert {(key, task) for task in covers} <= found


@settings(max_examples=300)
@given(units(), histories, some_tables, days, happenings, st.integers(1, 6000))
def test_nothing_changes_before_the_day_to_look_again(
    unit: UnitFacts,
    history: list[Done],
    names: list[str],
    as_of: date,
    events: list[Event],
    ahead: int,
) -> None:
    """So a nightly run need only visit units whose day has come or whose facts changed."""
    tables = [TABLES[name] for name in names]
    found = obligations(unit, history, tables, as_of, events)
    later = as_of + timedelta(days=ahead)
    recheck = min((item.recheck_on for item in found if item.recheck_on), default=date.max)
    assume(later < recheck)
    assert list(map(answer, obligations(unit, history, tables, later, events))) == list(map(answer, found))


def on_grid(table: IntervalTable, item: Obligation) -> bool:
    """Return whether the obligation comes from a fixed rhythm."""
    return any(rule.id == item.rule_id and rule.counts is Counts.GRID for rule in table.rules)


def comes_by(found: Sequence[Obligation], task: Task) -> date:
    """Return the day by which the task, or the end of the unit before it, comes."""
    days_of = {item.task: item.latest for item in found}
    return min(days_of.get(task) or date.max, days_of.get(Task.RETIREMENT) or date.max)


MADE = st.dates(date(1980, 1, 1), date(2015, 12, 31)).map(Stamp.on)
AFTER = st.dates(date(2016, 1, 1), date(2025, 12, 31)).map(Stamp.on)


@settings(max_examples=600)
@given(
    units(MADE),
    st.lists(completions(AFTER), max_size=5),
    st.sampled_from(sorted(TABLES)),
    st.sampled_from([Precision.MONTH, Precision.QUARTER, Precision.YEAR]),
    st.integers(0, 5),
)
def test_blurring_a_stamp_never_moves_a_date_later(
    unit: UnitFacts, history: list[Done], name: str, precision: Precision, which: int
) -> None:
    """Where a table reads a month mark to the end of the month, not later than that month's end.

    A fixed rhythm is left out below the month: it cannot run from a year (see ``Calendar._grid``).
    """
    as_of = date(2026, 1, 1)
    table = TABLES[name]
    exact = obligations(unit, history, [table], as_of)
    if which == 0 or which > len(history):
        unit = replace(unit, made=blurred(unit.made, precision))
    else:
        one = history[which - 1]
        history = [*history[: which - 1], replace(one, stamp=blurred(one.stamp, precision)), *history[which:]]
    vague = obligations(unit, history, [table], as_of)
    for item in exact:
        if item.latest is None or item.knowledge is Knowledge.UNKNOWN_BASIS:
            continue
        if on_grid(table, item) and precision is not Precision.MONTH:
            continue
        assert comes_by(vague, item.task) <= month_end(item.latest), (item, vague)


@settings(max_examples=400)
@given(units(MADE), st.lists(completions(AFTER), max_size=5), st.sampled_from(sorted(TABLES)), st.data())
def test_a_later_completion_never_makes_its_own_task_due_earlier(
    unit: UnitFacts, history: list[Done], name: str, data: st.DataObject
) -> None:
    """For rules whose later intervals are no shorter than the first and do not hang on the method."""
    as_of = date(2026, 1, 1)
    table = TABLES[name]
    repeating = [
        rule
        for rule in table.rules
        if rule.every
        and rule.first
        and rule.at_most is None
        and rule.every.months >= rule.first.months
        and not rule.every_by_method
    ]
    tasks = sorted({rule.task for rule in repeating})
    before = {item.task: item for item in obligations(unit, history, [table], as_of)}
    task = data.draw(st.sampled_from(tasks or [Task.MAINTENANCE]))
    item = before.get(task)
    assume(item is not None and item.latest is not None)
    assume(any(rule.id == item.rule_id for rule in repeating))
    after = obligations(unit, [*history, Done(task, Stamp.on(as_of))], [table], as_of)
    latest = next(one.latest for one in after if one.task is task)
    assert latest is None or latest >= min(item.latest, as_of)


@settings(max_examples=400)
@given(
    units(MADE),
    st.lists(completions(AFTER, passed=True), max_size=5),
    st.sampled_from(sorted(TABLES)),
    completions(AFTER, passed=False),
)
def test_a_failure_never_moves_a_date_later(
    unit: UnitFacts, history: list[Done], name: str, failure: Done
) -> None:
    as_of = date(2026, 1, 1)
    table = TABLES[name]
    for item in obligations(unit, history, [table], as_of):
        if item.latest is not None:
            after = obligations(unit, [*history, failure], [table], as_of)
            assert comes_by(after, item.task) <= max(item.latest, failure.stamp.first or item.latest)


@settings(max_examples=300)
@given(units(MADE), st.lists(completions(AFTER), max_size=5), st.sampled_from(sorted(TABLES)))
def test_forgetting_a_fact_never_moves_a_date_past_today(
    unit: UnitFacts, history: list[Done], name: str
) -> None:
    """A unit that is overdue stays due when its manufacture date becomes unreadable.

    But for a fixed rhythm, which without its start runs from the first record.
    """
    as_of = date(2026, 1, 1)
    table = TABLES[name]
    unit = replace(unit, registered=None)
    forgotten = obligations(replace(unit, made=Stamp.unknown()), history, [table], as_of)
    for item in obligations(unit, history, [table], as_of):
        if item.is_overdue(as_of) and item.basis.kind == "made" and not on_grid(table, item):
            assert comes_by(forgotten, item.task) <= as_of
