"""Judging what was filled in."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.measures import gases
from inventory.measures.charge import (
    charge_pressure_default,
    gauge_at,
    judge_charge_mass,
    judge_charge_pressure,
    judge_co2_fill,
    loss_share,
    mass_tolerance,
    unlikely_mass,
)
from inventory.measures.kinds import Agent

ABC = Agent.DRY_CHEMICAL_ABC


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 2500), st.floats(-40, 60), st.floats(-40, 60))
def test_a_gauge_goes_there_and_back(gauge_kpa: float, start: float, end: float) -> None:
    there = gauge_at(gauge_kpa, from_c=start, to_c=end)
    if there >= 0:
        assert gauge_at(there, from_c=end, to_c=start) == pytest.approx(gauge_kpa, abs=1e-6)


@pytest.mark.parametrize(("gauge", "start"), [(-1, 20), (1500, -60), (1500, 90), (9000, 20)])
def test_what_no_gauge_shows_is_refused(gauge: float, start: float) -> None:
    with pytest.raises(ValueError, match=r"gauge|nitrogen"):
        gauge_at(gauge, from_c=start)


def test_the_range_on_the_plate_comes_before_the_default() -> None:
    low = judge_charge_pressure(1300, temperature_c=20, nominal_kpa=1500, low_kpa=1250, high_kpa=1550)
    assert low.ok is True
    assert low.source == "operating range on the nameplate"
    default = judge_charge_pressure(1300, temperature_c=20, nominal_kpa=1500)
    assert default.ok is False
    assert judge_charge_pressure(1350, temperature_c=20, nominal_kpa=1500).ok is True
    assert judge_charge_pressure(1651, temperature_c=20, nominal_kpa=1500).ok is False


def test_a_pressure_without_temperature_or_plate_is_not_judged() -> None:
    assert judge_charge_pressure(1500, temperature_c=None, nominal_kpa=1500).ok is None
    assert judge_charge_pressure(1500, temperature_c=20, nominal_kpa=None).ok is None
    assert judge_charge_pressure(1500, temperature_c=95, nominal_kpa=1500).ok is None


def test_default_charging_pressures_say_that_they_have_no_source() -> None:
    powder, water = charge_pressure_default(ABC), charge_pressure_default(Agent.WATER)
    assert powder is not None
    assert water is not None
    assert powder.gauge_kpa == pytest.approx(1470.9975)
    assert water.gauge_kpa == pytest.approx(1029.69825)
    assert "no source" in powder.source
    assert charge_pressure_default(Agent.CARBON_DIOXIDE) is None


@pytest.mark.parametrize(
    ("agent", "charge", "lowest", "highest"),
    [
        (ABC, 1000, 950, 1050),
        (ABC, 2000, 1940, 2060),
        (ABC, 2500, 2450, 2550),
        (ABC, 6000, 5880, 6120),
        (Agent.WATER, 9000, 8550, 9000),
        (Agent.CARBON_DIOXIDE, 5000, 4750, 5000),
        (Agent.CLEAN_AGENT, 2000, 1900, 2000),
    ],
)
def test_tolerances_by_size(agent: Agent, charge: int, lowest: int, highest: int) -> None:
    """EN 3-7:2004+A1:2007 clause 6, figures from memory; both ends included."""
    wanted = mass_tolerance(agent, charge)
    assert (wanted.lowest_g, wanted.highest_g) == (lowest, highest)
    assert "from memory" in wanted.source
    for mass, ok in ((lowest, True), (highest, True), (lowest - 1, False), (highest + 1, False)):
        assert judge_charge_mass(agent, filled_g=mass, charge_mass_g=charge).ok is ok


def test_the_nameplate_range_governs() -> None:
    plate = (5_800, 6_200)
    assert judge_charge_mass(ABC, filled_g=6_200, charge_mass_g=6_000, nameplate=plate).ok is True
    assert judge_charge_mass(ABC, filled_g=6_200, charge_mass_g=6_000).ok is False
    with pytest.raises(ValueError, match="lower to a higher"):
        mass_tolerance(ABC, 6000, nameplate=(6_200, 5_800))
    assert judge_charge_mass(ABC, filled_g=6_000, charge_mass_g=None).ok is None


def test_pounds_typed_as_kilograms_are_asked_about() -> None:
    asked = unlikely_mass(10_000, 4_536)
    assert asked is not None
    assert "read in pounds" in asked
    back = unlikely_mass(Fraction("2057.7"), 4_536)
    assert back is not None
    assert "read in kilograms" in back
    grams = unlikely_mass(6, 6_000)
    assert grams is not None
    assert "entered in grams" in grams
    assert unlikely_mass(6_100, 6_000) is None
    other = unlikely_mass(9_000, 6_000)
    assert other is not None
    assert "Check the figure" in other


def test_carbon_dioxide_below_its_liquid_follows_the_gas() -> None:
    assert gases.co2_closed_shell_bar(0.05, 20) < gases.co2_saturation_bar(20)
    assert judge_co2_fill(5000, None).ok is None
    with pytest.raises(ValueError, match="filling ratio"):
        gases.co2_closed_shell_bar(1.1, 20)
    with pytest.raises(ValueError, match="saturation pressure"):
        gases.co2_saturation_bar(31)
    with pytest.raises(ValueError, match="more than nothing"):
        loss_share(full_g=1, now_g=1, charge_mass_g=0)
