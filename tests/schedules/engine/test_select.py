"""Choosing rules by kind: what the reduced signature keeps, and what it may drop."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.measures.kinds import Agent, Construction, Environment, Shell
from inventory.measures.stamps import Stamp
from schedules.engine import UnitFacts
from schedules.engine.select import Signature, holds, select_rules, signature
from schedules.rules import load_tables, spec_family
from tests.cases.making import rule, table

TABLES = {f"{table.key} {table.version}": table for versions in load_tables().values() for table in versions}
WATER = UnitFacts(Agent.WATER, Construction.STORED_PRESSURE, Shell.MILD_STEEL)
LIMITS = st.one_of(st.none(), st.integers(0, 60_000), st.sampled_from([5442, 5443, 5444, 8999, 9000, 9001]))


def raw_signature(facts: UnitFacts, made: date | None, on: date) -> Signature:
    """Return the kind with every measure as it is, nothing reduced."""

    def answer(value: bool | None) -> str:
        return {True: "yes", False: "no", None: "unknown"}[value]

    return Signature(
        facts.agent,
        facts.construction,
        facts.shell,
        spec_family(facts.cylinder_spec),
        facts.environment,
        answer(facts.is_wheeled),
        answer(facts.is_refillable),
        answer(facts.has_shutoff_hose),
        facts.water_capacity_ml,
        facts.charge_mass_g,
        facts.charge_volume_ml,
        made,
        on,
    )


@settings(max_examples=400)
@given(
    st.sampled_from(sorted(TABLES)),
    st.sampled_from(Agent),
    st.sampled_from(Construction),
    st.sampled_from(Shell),
    st.sampled_from(Environment),
    st.sampled_from(["", "4BW195", "3AL1800", "4B240ET", "odd"]),
    st.tuples(LIMITS, LIMITS, LIMITS),
    st.tuples(st.booleans(), st.sampled_from([None, True, False]), st.sampled_from([None, True, False])),
    st.one_of(st.none(), st.dates(date(1975, 1, 1), date(2030, 1, 1))),
    st.dates(date(1995, 1, 1), date(2035, 1, 1)),
)
def test_the_reduced_kind_selects_what_the_unit_itself_would(
    name: str,
    agent: Agent,
    construction: Construction,
    shell: Shell,
    environment: Environment,
    spec: str,
    measures: tuple[int | None, int | None, int | None],
    answers: tuple[bool, bool | None, bool | None],
    made: date | None,
    on: date,
) -> None:
    facts = UnitFacts(
        agent, construction, shell, spec, *measures, answers[0], answers[1], environment, answers[2]
    )
    found = TABLES[name]
    reduced = signature(found, facts, made, environment, on)
    whole = raw_signature(facts, made, on)
    for one in found.rules:
        assert holds(one.select, reduced) == holds(one.select, whole), one.id
    assert select_rules(found, reduced) == select_rules(found, whole)
    assert select_rules(found, reduced).clashes == ()


def test_units_a_table_cannot_tell_apart_share_a_signature() -> None:
    found = load_tables()["us-49cfr-180-209"][0]
    day = date(2026, 1, 1)

    def kind(capacity: int | None) -> Signature:
        facts = UnitFacts(Agent.WATER, Construction.STORED_PRESSURE, Shell.MILD_STEEL, "4BW", capacity)
        return signature(
            found,
            facts,
            date(2020, 1, capacity or 1) if (capacity or 99) < 28 else None,
            facts.environment,
            day,
        )

    assert kind(6000) == kind(9072)
    assert kind(5443) != kind(5444)
    assert kind(None) != kind(6000)


@pytest.mark.parametrize(
    ("made", "chosen"),
    [
        (Stamp.of(1984, 9, 30), "old"),
        (Stamp.of(1984, 10, 1), "new"),
        (Stamp.of(1984), "old"),
        (Stamp.unknown(), None),
    ],
)
def test_a_line_at_a_build_date(made: Stamp, chosen: str | None) -> None:
    [found] = table(
        rule(id="old", every="P1Y", select={"made": {"before": date(1984, 10, 1)}}),
        rule(id="new", every="P2Y", select={"made": {"from": date(1984, 10, 1)}}),
    )
    selection = select_rules(found, signature(found, WATER, made.first, WATER.environment, date(2026, 1, 1)))
    ids = [one.id for rules in selection.tasks.values() for one in rules.calendar]
    assert ids == ([chosen] if chosen else [])


@pytest.mark.parametrize(
    ("stamped", "family"),
    [
        ("", "none"),
        ("DOT 4BW195", "4BW"),
        ("dot-4bw 195", "4BW"),
        ("ICC 3AA1800", "3AA"),
        ("3A2015", "3A"),
        ("4B240ET", "4B240ET"),
        ("4B240", "4B"),
        ("4AA480", "4AA480"),
        ("3", "3"),
        ("3600", ""),
        ("8AL", "8AL"),
        ("TC-3AAM", "foreign"),
        ("foreign", "foreign"),
        ("DOT-SP 9634", "special_permit"),
        ("DOT-E 7042", "special_permit"),
        ("3AAA", ""),
        ("?", ""),
    ],
)
def test_specification_families(stamped: str, family: str) -> None:
    """Rows of 49 CFR 180.209 Table 1; the forms of stamping are from memory."""
    assert spec_family(stamped) == family
