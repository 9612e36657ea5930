"""Verdicts: inside, outside, or cannot tell, with the reason."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.measures.kinds import Agent
from inventory.measures.limits import (
    Nameplate,
    judge_cartridge_loss,
    judge_gauge_pressure,
    judge_mass_loss,
    judge_readings,
    judge_test_pressure,
    pressure_at,
)
from inventory.measures.readings import Quantity

CO2, ABC = Agent.CARBON_DIOXIDE, Agent.DRY_CHEMICAL_ABC


@pytest.mark.parametrize(
    ("gross_g", "full_g", "charge_g", "ok", "says"),
    [
        pytest.param(
            13_700, 14_200, 5_000, True, "0.5 kg of 5 kg lost, 10 % of the charge; inside 10 %.", id="edge"
        ),
        pytest.param(
            13_699,
            14_200,
            5_000,
            False,
            "0.501 kg of 5 kg lost, 10.02 % of the charge; over 10 %.",
            id="over",
        ),
        pytest.param(14_200, 14_200, 5_000, True, "nothing lost; inside 10 %.", id="full"),
        pytest.param(14_250, 14_200, 5_000, True, "nothing lost; inside 10 %.", id="a scale's step heavier"),
        pytest.param(
            14_300, 14_200, 5_000, False, "0.1 kg heavier than full, 2 % of the charge: overfilled", id="over"
        ),
        pytest.param(
            9_000, 14_200, 5_000, False, "5.2 kg lost, more than the whole charge", id="more than all"
        ),
        pytest.param(13_700, None, 5_000, None, "the full mass of the unit is not known", id="no full mass"),
        pytest.param(13_700, 14_200, None, None, "the charge of the unit is not known", id="no charge"),
        pytest.param(13_700, None, None, None, "full mass and charge of the unit", id="neither"),
        pytest.param(4_000, 5_000, 5_000, None, "Correct the nameplate facts", id="impossible plate"),
    ],
)
def test_loss_of_carbon_dioxide(
    gross_g: int, full_g: int | None, charge_g: int | None, ok: bool | None, says: str
) -> None:
    verdict = judge_mass_loss(CO2, gross_mass_g=gross_g, full_mass_g=full_g, charge_mass_g=charge_g)
    assert (verdict.ok, says in verdict.sentence) == (ok, True), verdict.sentence


def test_an_agent_without_a_limit_of_mass_cannot_be_told() -> None:
    for agent in set(Agent) - {CO2, Agent.CLEAN_AGENT, Agent.HALON_1211, Agent.HALON_1301}:
        verdict = judge_mass_loss(agent, gross_mass_g=9_000, full_mass_g=9_000, charge_mass_g=4_500)
        assert (verdict.ok, verdict.word) == (None, "unjudged")


@given(
    charge=st.integers(500, 50_000),
    tare=st.integers(500, 50_000),
    lost=st.integers(0, 500),
)
def test_ten_per_cent_is_the_border_whatever_the_size(charge: int, tare: int, lost: int) -> None:
    verdict = judge_mass_loss(
        CO2, gross_mass_g=tare + charge - lost, full_mass_g=tare + charge, charge_mass_g=charge
    )
    assert verdict.ok is (lost * 10 <= charge)


@pytest.mark.parametrize(
    ("gauge", "temperature", "ok", "says"),
    [
        pytest.param(
            "1350", 20, True, "13.5 bar at 20 °C is 13.5 bar at 20 °C, against 15 bar", id="10 % is inside"
        ),
        pytest.param("1349", 20, False, "too low", id="just below"),
        pytest.param("1650", 20, True, "inside", id="10 % above is inside"),
        pytest.param("1651", 20, False, "too high", id="just above"),
        pytest.param("1282", -20, True, "12.82 bar at -20 °C is 15.01 bar at 20 °C", id="sound but cold"),
        pytest.param("1282", 40, False, "too low", id="low and warm"),
        pytest.param("1155", -20, None, "Let it settle near 20 °C", id="too near the limit"),
        pytest.param("1719", 60, True, "inside", id="sound but hot"),
        pytest.param("1400", None, True, "as no temperature was entered", id="assumed 20"),
        pytest.param("1300", None, None, "Enter the air temperature", id="low, unless cold"),
        pytest.param("1700", None, None, "looks high", id="high, unless hot"),
        pytest.param("0", None, False, "too low", id="no cold explains an empty unit"),
        pytest.param("2500", None, False, "too high", id="no heat explains it"),
    ],
)
def test_gauge_of_a_15_bar_unit(gauge: str, temperature: int | None, ok: bool | None, says: str) -> None:
    verdict = judge_gauge_pressure(
        ABC, gauge_kpa=Decimal(gauge), working_pressure_kpa=1_500, temperature_c=temperature
    )
    assert (verdict.ok, says in verdict.sentence) == (ok, True), verdict.sentence


def test_a_clean_agent_away_from_room_temperature_must_settle() -> None:
    """Its own vapour pressure is left out of the gas law, so ten kelvin are too many."""

    def at(celsius: int, gauge: int) -> bool | None:
        return judge_gauge_pressure(
            Agent.CLEAN_AGENT, gauge_kpa=gauge, working_pressure_kpa=1_000, temperature_c=celsius
        ).ok

    assert [at(20, 1_000), at(20, 899), at(22, 1_000), at(32, 1_000), at(30, 500)] == [
        True,
        False,
        True,
        None,
        False,
    ]


def test_without_a_working_pressure_nothing_can_be_told() -> None:
    for working in (None, 0):
        verdict = judge_gauge_pressure(ABC, gauge_kpa=1_400, working_pressure_kpa=working, temperature_c=20)
        assert (verdict.ok, "working pressure is not known" in verdict.sentence) == (None, True)


@given(gauge=st.integers(0, 3_000), celsius=st.integers(-40, 60))
def test_correction_there_and_back(gauge: int, celsius: int) -> None:
    there = pressure_at(gauge, from_c=celsius, to_c=20)
    assert abs(pressure_at(there, from_c=20, to_c=celsius) - gauge) < Decimal("1e-18")
    assert (there > gauge) is (celsius < 20)


def test_no_temperature_below_absolute_zero() -> None:
    with pytest.raises(ValueError, match="absolute zero"):
        pressure_at(1_000, from_c=Decimal("-273.15"), to_c=20)


@pytest.mark.parametrize(
    ("reached", "plate", "ok"),
    [
        pytest.param(Decimal("4033.4"), 4033, True, id="585 psi of 585 psi kept as 4033 kPa"),
        pytest.param(Decimal("3998.9"), 4033, False, id="580 psi"),
        pytest.param(4100, 4033, True, id="a little above"),
        pytest.param(4100, None, None, id="plate unknown"),
    ],
)
def test_test_pressure_is_reached_or_not(reached: Decimal | int, plate: int | None, ok: bool | None) -> None:
    assert judge_test_pressure(reached_kpa=reached, nameplate_test_kpa=plate).ok is ok


@pytest.mark.parametrize(
    ("mass", "full", "gas", "ok"),
    [
        (290, 300, 100, True),
        (289, 300, 100, False),
        (300, 300, 100, True),
        (290, None, 100, None),
        (290, 300, 0, None),
    ],
)
def test_loss_of_a_cartridge(mass: int, full: int | None, gas: int | None, ok: bool | None) -> None:
    verdict = judge_cartridge_loss(cartridge_mass_g=mass, full_cartridge_mass_g=full, gas_mass_g=gas)
    assert verdict.ok is ok


def test_readings_of_one_record_are_judged_together() -> None:
    plate = Nameplate(
        agent=Agent.CLEAN_AGENT,
        charge_mass_g=2_000,
        full_mass_g=4_000,
        working_pressure_kpa=1_000,
        test_pressure_kpa=2_500,
    )
    given_values = {
        Quantity.GROSS_MASS: 3_890.0,
        Quantity.GAUGE_PRESSURE: 1_000.0,
        Quantity.AMBIENT_TEMPERATURE: 21.0,
        Quantity.TEST_PRESSURE: 2_500.0,
        Quantity.CARTRIDGE_MASS: 300.0,
        Quantity.CHARGE_MASS: 2_000.0,
    }
    verdicts = judge_readings(plate, given_values)
    assert {quantity: verdict.word for quantity, verdict in verdicts.items()} == {
        Quantity.GROSS_MASS: "outside",
        Quantity.GAUGE_PRESSURE: "inside",
        Quantity.AMBIENT_TEMPERATURE: "unjudged",
        Quantity.TEST_PRESSURE: "inside",
        Quantity.CARTRIDGE_MASS: "unjudged",
        Quantity.CHARGE_MASS: "unjudged",
    }
    assert "at 21 °C" in verdicts[Quantity.GAUGE_PRESSURE].sentence
    assert all(verdict.sentence and verdict.limit and verdict.source for verdict in verdicts.values())


def test_the_plate_says_at_which_temperature_its_pressure_holds() -> None:
    plate = Nameplate(agent=ABC, working_pressure_kpa=1_500, reference_c=0)
    verdict = judge_readings(plate, {Quantity.GAUGE_PRESSURE: 1_600, Quantity.AMBIENT_TEMPERATURE: 20})
    assert "at 0 °C" in verdict[Quantity.GAUGE_PRESSURE].sentence
    assert verdict[Quantity.GAUGE_PRESSURE].ok is True
    warm = judge_readings(Nameplate(agent=ABC, working_pressure_kpa=1_500), {Quantity.GAUGE_PRESSURE: 1_651})
    assert warm[Quantity.GAUGE_PRESSURE].ok is None
