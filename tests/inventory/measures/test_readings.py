"""Readings: which numbers a pass demands, and which figures can be true."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.measures.kinds import Agent, Construction, Task
from inventory.measures.readings import (
    QUANTITY_LABELS,
    RANGES,
    Quantity,
    ReadingError,
    base_unit,
    demands,
    entry_units,
    missing,
    offered,
    read_value,
)
from inventory.measures.units import UnitOfMeasure

Q = Quantity
SP, CARTRIDGE = Construction.STORED_PRESSURE, Construction.CARTRIDGE


@pytest.mark.parametrize(
    ("task", "agent", "construction", "expected"),
    [
        # Check rows AM-* of an annual maintenance: NFPA 10, from memory, edition not verified.
        pytest.param(Task.MAINTENANCE, Agent.DRY_CHEMICAL_ABC, SP, [{Q.GAUGE_PRESSURE}], id="powder"),
        pytest.param(Task.MAINTENANCE, Agent.WATER, SP, [{Q.GAUGE_PRESSURE}], id="water"),
        pytest.param(Task.MAINTENANCE, Agent.WET_CHEMICAL, SP, [{Q.GAUGE_PRESSURE}], id="wet chemical"),
        pytest.param(Task.MAINTENANCE, Agent.UNKNOWN, SP, [{Q.GAUGE_PRESSURE}], id="unknown agent"),
        pytest.param(
            Task.MAINTENANCE, Agent.CLEAN_AGENT, SP, [{Q.GROSS_MASS}, {Q.GAUGE_PRESSURE}], id="clean agent"
        ),
        pytest.param(
            Task.MAINTENANCE, Agent.HALON_1211, SP, [{Q.GROSS_MASS}, {Q.GAUGE_PRESSURE}], id="halon 1211"
        ),
        pytest.param(
            Task.MAINTENANCE, Agent.HALON_1301, Construction.SELF_EXPELLING, [{Q.GROSS_MASS}], id="halon 1301"
        ),
        # 46 CFR 91.25-20: carbon dioxide is weighed.
        pytest.param(
            Task.MAINTENANCE, Agent.CARBON_DIOXIDE, Construction.SELF_EXPELLING, [{Q.GROSS_MASS}], id="CO2"
        ),
        pytest.param(
            Task.MAINTENANCE, Agent.CARBON_DIOXIDE, Construction.UNKNOWN, [{Q.GROSS_MASS}], id="CO2, how?"
        ),
        pytest.param(
            Task.MAINTENANCE, Agent.DRY_CHEMICAL_ABC, CARTRIDGE, [{Q.CARTRIDGE_MASS}], id="cartridge"
        ),
        pytest.param(Task.MAINTENANCE, Agent.WATER, CARTRIDGE, [{Q.CARTRIDGE_MASS}], id="cartridge water"),
        pytest.param(
            Task.MAINTENANCE,
            Agent.DRY_CHEMICAL_ABC,
            Construction.CYLINDER_OPERATED,
            [{Q.PROPELLANT_PRESSURE, Q.CARTRIDGE_MASS}],
            id="cylinder operated",
        ),
        pytest.param(
            Task.MAINTENANCE,
            Agent.UNKNOWN,
            Construction.UNKNOWN,
            [{Q.GAUGE_PRESSURE, Q.GROSS_MASS, Q.CARTRIDGE_MASS}],
            id="nothing known",
        ),
        pytest.param(Task.MAINTENANCE, Agent.WATER, Construction.PUMP_TANK, [], id="pump tank"),
        # 29 CFR 1910.157(f): each paragraph sets the pressure of the test.
        pytest.param(Task.HYDROSTATIC_TEST, Agent.WATER, SP, [{Q.TEST_PRESSURE}], id="pressure test"),
        pytest.param(Task.HOSE_TEST, Agent.CARBON_DIOXIDE, SP, [{Q.TEST_PRESSURE}], id="hose test"),
        pytest.param(
            Task.RECHARGE, Agent.AFFF, SP, [{Q.GROSS_MASS, Q.CHARGE_MASS, Q.CHARGE_VOLUME}], id="recharge"
        ),
        pytest.param(Task.WEIGHING, Agent.CARBON_DIOXIDE, SP, [{Q.GROSS_MASS}], id="weighing"),
        pytest.param(
            Task.WEIGHING,
            Agent.WATER,
            CARTRIDGE,
            [{Q.CARTRIDGE_MASS, Q.GROSS_MASS}],
            id="weighing a cartridge",
        ),
        pytest.param(Task.VISUAL_INSPECTION, Agent.DRY_CHEMICAL_ABC, SP, [], id="monthly look"),
    ],
)
def test_what_a_pass_demands(
    task: Task, agent: Agent, construction: Construction, expected: list[set[Quantity]]
) -> None:
    wanted = demands(task, agent, construction)
    assert [set(demand.any_of) for demand in wanted] == expected
    assert all(demand.source and demand.sentence.startswith("Enter the ") for demand in wanted)


def test_without_a_gauge_the_scale_stands_in() -> None:
    wanted = demands(Task.MAINTENANCE, Agent.DRY_CHEMICAL_ABC, SP, has_gauge=False)
    assert [demand.any_of for demand in wanted] == [(Q.GROSS_MASS,)]
    halon = demands(Task.MAINTENANCE, Agent.HALON_1211, SP, has_gauge=False)
    assert [demand.any_of for demand in halon] == [(Q.GROSS_MASS,)]


def test_missing_numbers_are_named() -> None:
    wanted = demands(Task.MAINTENANCE, Agent.CLEAN_AGENT, SP)
    assert missing(wanted, {Q.GROSS_MASS, Q.GAUGE_PRESSURE}) == ()
    (left,) = missing(wanted, {Q.GROSS_MASS})
    assert left.any_of == (Q.GAUGE_PRESSURE,)
    assert left.sentence.startswith("Enter the gauge pressure: the gauge shows")
    recharge = demands(Task.RECHARGE, Agent.WATER, SP)
    assert missing(recharge, {Q.CHARGE_VOLUME}) == ()


@given(
    task=st.sampled_from(list(Task)),
    agent=st.sampled_from(list(Agent)),
    how=st.sampled_from(list(Construction)),
)
def test_what_is_offered_includes_what_is_demanded(task: Task, agent: Agent, how: Construction) -> None:
    for has_gauge in (True, False):
        asked = offered(task, agent, how, has_gauge=has_gauge)
        assert missing(demands(task, agent, how, has_gauge=has_gauge), asked) == ()
        assert len(set(asked)) == len(asked)


def test_a_gauge_is_offered_with_its_temperature() -> None:
    assert offered(Task.MAINTENANCE, Agent.DRY_CHEMICAL_ABC, SP) == (
        Q.GAUGE_PRESSURE,
        Q.AMBIENT_TEMPERATURE,
        Q.GROSS_MASS,
    )


def test_a_value_keeps_figures_and_unit() -> None:
    value = read_value(Q.GAUGE_PRESSURE, "195", "psig")
    assert (str(value.measure), value.measure.rounded(UnitOfMeasure.KILOPASCAL, 1)) == (
        "195 psi",
        Decimal("1344.5"),
    )
    assert read_value(Q.AMBIENT_TEMPERATURE, "-4,5", "C").measure.canonical == Decimal("-4.5")


@pytest.mark.parametrize(
    ("quantity", "entered", "unit", "code", "says"),
    [
        pytest.param(
            Q.GAUGE_PRESSURE, "195", "bar", "out_of_range", "0.0 to 35.0 bar", id="psi typed as bar"
        ),
        pytest.param(Q.GAUGE_PRESSURE, "-1", "bar", "out_of_range", "wrong unit", id="below zero"),
        pytest.param(Q.GROSS_MASS, "0", "kg", "out_of_range", "0.2 to 600.0 kg", id="nothing on the scale"),
        pytest.param(Q.GROSS_MASS, "14.2", "g", "out_of_range", "Check the figure", id="kg typed as g"),
        pytest.param(
            Q.AMBIENT_TEMPERATURE, "72", "°C", "out_of_range", "-60.0 to 70.0", id="Fahrenheit as Celsius"
        ),
        pytest.param(Q.TEST_PRESSURE, "35", "kPa", "out_of_range", "500.0", id="bar typed as kPa"),
        pytest.param(Q.GROSS_MASS, "14", "bar", "wrong_unit", "no unit of mass", id="pressure for a mass"),
        pytest.param(Q.GROSS_MASS, "14", "stone", "unknown_unit", "Choose one of g", id="stone"),
        pytest.param(Q.GROSS_MASS, "full", "kg", "no_number", "Gross mass", id="a word"),
        pytest.param(Q.GROSS_MASS, "1,250", "g", "no_number", "two ways", id="open grouping"),
        pytest.param(Q.GROSS_MASS, Decimal("NaN"), "g", "no_number", "Write figures", id="not a number"),
    ],
)
def test_what_no_extinguisher_shows_is_refused(
    quantity: Quantity, entered: str | Decimal, unit: str, code: str, says: str
) -> None:
    with pytest.raises(ReadingError) as refused:
        read_value(quantity, entered, unit)
    assert (refused.value.code, refused.value.quantity) == (code, quantity)
    assert says in refused.value.sentence
    assert QUANTITY_LABELS[quantity] in refused.value.sentence


@pytest.mark.parametrize("quantity", list(Quantity))
def test_the_bounds_themselves_are_inside(quantity: Quantity) -> None:
    limits = RANGES[quantity]
    for bound in (limits.lowest, limits.highest):
        assert read_value(quantity, bound, base_unit(quantity)).measure.canonical == bound
    with pytest.raises(ReadingError):
        read_value(quantity, limits.highest + 1, base_unit(quantity))
    with pytest.raises(ReadingError):
        read_value(quantity, limits.lowest - 1, base_unit(quantity))
    assert entry_units(quantity)[0] is base_unit(quantity)
