"""Gases, leaks and pressure tests against published figures and the reference equations of state.

The oracle is CoolProp 8 with the equations of Span et al. (2000) for nitrogen and Span and Wagner
(1996) for carbon dioxide; the product never imports it. Values "from memory" are those of the NIST
Chemistry WebBook as remembered, to the digits given.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from inventory.measures import gases
from inventory.measures.charge import (
    co2_least_capacity_ml,
    gauge_at,
    judge_charge_pressure,
    judge_co2_fill,
    loss_share,
)
from inventory.measures.kinds import Agent
from inventory.measures.leak import (
    YEAR_S,
    Gas,
    LeakRate,
    RateUnit,
    rate_of_mass_loss,
    rate_of_pressure_loss,
)
from inventory.measures.limits import judge_mass_loss
from inventory.measures.units import Measure, UnitOfMeasure

PSI_KPA = 6.894757293168361


@pytest.fixture(scope="module")
def props() -> Any:
    """CoolProp's one function; its import takes seconds, so only this module pays for it."""
    return pytest.importorskip("CoolProp.CoolProp").PropsSI


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


# Gauge readings -----------------------------------------------------------------------------------


def test_nitrogen_agrees_with_the_reference_equation_over_the_whole_range(props: Any) -> None:
    worst = 0.0
    for gauge_kpa in (20, 100, 500, 1050, 1500, 2500):
        for start in range(-40, 61, 20):
            density = props("D", "P", (gauge_kpa + 101.325) * 1e3, "T", start + 273.15, "Nitrogen")
            for end in range(-40, 61, 20):
                there = props("P", "D", density, "T", end + 273.15, "Nitrogen") / 1e3
                here = gases.nitrogen_at(gauge_kpa + 101.325, from_c=start, to_c=end)
                worst = max(worst, abs(here / there - 1))
    assert 0 < worst < 1e-4


@pytest.mark.parametrize(
    ("charge", "expected"),
    [
        (10, (8.46, 9.23, 10.77, 11.54)),
        (12, (10.17, 11.08, 12.92, 13.83)),
        (15, (12.73, 13.87, 16.13, 17.27)),
    ],
)
def test_a_charge_made_at_20_degrees_reads_as_computed(charge: int, expected: tuple[float, ...]) -> None:
    """Bar gauge at -20, 0, 40 and 60 °C; computed with the equation of state for nitrogen."""
    found = [gauge_at(charge * 100, from_c=20, to_c=to) / 100 for to in (-20, 0, 40, 60)]
    assert found == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize(
    ("charge", "expected"),
    [
        (100, (75.7, 84.5, 91.6, 106.6, 111.0)),
        (150, (114.8, 127.6, 137.9, 159.6, 166.0)),
        (195, (149.9, 166.3, 179.4, 207.3, 215.5)),
        (240, (184.8, 204.9, 220.9, 255.0, 265.0)),
    ],
)
def test_a_charge_made_at_70_fahrenheit_reads_as_computed(charge: int, expected: tuple[float, ...]) -> None:
    """Pounds per square inch at -40, 0, 32, 100 and 120 °F; computed with the equation of state."""
    found = [
        gauge_at(charge * PSI_KPA, from_c=celsius(70), to_c=celsius(to)) / PSI_KPA
        for to in (-40, 0, 32, 100, 120)
    ]
    assert found == pytest.approx(expected, abs=0.06)


def test_200_psi_at_70_fahrenheit_is_about_225_at_130() -> None:
    """Letter 17-0087 on 49 CFR 173.309 prints about 225 psig; scaling the gauge would give 222.66."""
    found = gauge_at(200 * PSI_KPA, from_c=celsius(70), to_c=celsius(130)) / PSI_KPA
    assert found == pytest.approx(225.17, abs=0.02)
    scaled = 200 * (130 + 459.67) / (70 + 459.67)
    assert found - scaled > 2.4


def test_a_sound_195_psi_unit_read_in_the_cold_is_not_condemned() -> None:
    """US Army TM 5-3835-220-13P judges after settling at 70 °F; the reading at 0 °F is about 167 psi."""
    in_the_cold = 167 * PSI_KPA
    assert in_the_cold < 0.9 * 195 * PSI_KPA
    verdict = judge_charge_pressure(
        in_the_cold, temperature_c=celsius(0), nominal_kpa=195 * PSI_KPA, reference_c=celsius(70)
    )
    assert verdict.ok is True, verdict.sentence


# Carbon dioxide -----------------------------------------------------------------------------------


def test_carbon_dioxide_agrees_with_the_reference_equation(props: Any) -> None:
    for temperature in range(-40, 31, 5):
        kelvin = temperature + 273.15
        assert gases.co2_saturation_bar(temperature) == pytest.approx(
            props("P", "T", kelvin, "Q", 0, "CO2") / 1e5, rel=1e-4
        )
        assert gases.co2_liquid_kg_l(temperature) == pytest.approx(
            props("D", "T", kelvin, "Q", 0, "CO2") / 1e3, rel=1e-3
        )
        assert gases.co2_vapour_kg_l(temperature) == pytest.approx(
            props("D", "T", kelvin, "Q", 1, "CO2") / 1e3, rel=1e-3
        )


def test_a_closed_shell_of_carbon_dioxide_agrees_with_the_reference_equation(props: Any) -> None:
    worst = 0.0
    for hundredths in range(50, 86, 5):
        for temperature in range(-20, 76, 5):
            there = props("P", "T", temperature + 273.15, "D", hundredths * 10, "CO2") / 1e5
            here = gases.co2_closed_shell_bar(hundredths / 100, temperature)
            worst = max(worst, abs(here / there - 1))
    assert 0 < worst < 0.006


@pytest.mark.parametrize(
    ("temperature", "bar"),
    [
        (-30, 14.28),
        (-15, 22.91),
        (0, 34.85),
        (15, 50.87),
        (20, 57.29),
        (21.1, 58.80),
        (25, 64.34),
        (30, 72.14),
    ],
)
def test_saturation_pressures_of_carbon_dioxide(temperature: float, bar: float) -> None:
    """Bar absolute. 34.851 at 0 °C and 57.291 at 20 °C are also those of the NIST WebBook, from memory."""
    # 21.1 °C is 70 °F rounded, so the last digit of its row follows the unrounded figure.
    assert gases.co2_saturation_bar(temperature) == pytest.approx(bar, abs=0.015)


def test_a_published_table_of_carbon_dioxide_prints_gauge_for_absolute() -> None:
    """An equipment manual prints 192, 317, 490, 723 "psia" for -30, -15, 0, 15 °C; they are gauge."""
    for temperature, printed in ((-30, 192), (-15, 317), (0, 490), (15, 723)):
        absolute = gases.co2_saturation_bar(temperature) * 100 / PSI_KPA
        assert absolute - 14.696 == pytest.approx(printed, abs=1.2)
        assert abs(absolute - printed) > 13


def test_carbon_dioxide_at_60_fahrenheit_and_at_its_critical_point() -> None:
    """A page gives 744 lb/in2 at 60 °F; the equation of state gives 747.8 psia, 733.1 psig.

    Critical point 30.978 °C, 73.77 bar (Span and Wagner 1996); the manual prints 1053 psi at 31 °C, which
    is the gauge value of it.
    """
    psia = gases.co2_saturation_bar(celsius(60)) * 100 / PSI_KPA
    assert psia == pytest.approx(747.8, abs=0.3)
    assert psia - 14.696 == pytest.approx(733.1, abs=0.3)
    assert gases.co2_saturation_bar(30.978) == pytest.approx(73.77, abs=0.02)
    critical_psig = gases.CO2_CRITICAL_BAR * 100 / PSI_KPA - 14.696
    assert critical_psig == pytest.approx(1053, abs=3)


def test_a_filling_ratio_fits_the_shell_that_stands_its_pressure_at_65_degrees() -> None:
    """0.667 at 65 °C fits a 190 bar test shell, 0.75 a 250 bar one; the other way round it does not."""
    assert gases.co2_closed_shell_bar(0.667, 65) < 190 < gases.co2_closed_shell_bar(0.75, 65) < 250
    assert judge_co2_fill(6670, 10_000, test_pressure_bar=190).ok is True
    assert judge_co2_fill(7500, 10_000, test_pressure_bar=190).ok is False
    assert judge_co2_fill(7500, 10_000, test_pressure_bar=250).ok is True


@pytest.mark.parametrize(
    ("ratio", "expected"),
    [
        (0.600, (57.3, 72.2, 96.7, 122.6, 134.2, 148.9, 162.2)),
        (0.667, (57.3, 75.5, 106.3, 138.4, 152.8, 171.0, 187.5)),
        (0.680, (57.3, 76.9, 109.2, 142.6, 157.7, 176.6, 193.8)),
        (0.750, (57.3, 91.8, 133.2, 175.4, 194.4, 218.2, 239.7)),
    ],
)
def test_the_pressure_in_a_closed_shell_by_filling_ratio(ratio: float, expected: tuple[float, ...]) -> None:
    """Bar absolute at 20, 30, 40, 50, 54.4, 60, 65 °C, within the 0.4 % of the technical equation."""
    found = [gases.co2_closed_shell_bar(ratio, to) for to in (20, 30, 40, 50, 54.4, 60, 65)]
    assert found == pytest.approx(expected, rel=0.004)


def test_at_20_degrees_the_gauge_says_nothing_about_the_fill() -> None:
    fills = (0.25, 0.40, 0.60, 0.68, 0.75)
    assert len({gases.co2_closed_shell_bar(fill, 20) for fill in fills}) == 1


def test_the_liquid_fills_the_shell_where_its_density_says(props: Any) -> None:
    for ratio in (0.60, 0.667, 0.68, 0.75):
        full = gases.co2_liquid_full_c(ratio)
        assert full is not None
        assert props("D", "T", full + 273.15, "Q", 0, "CO2") / 1e3 == pytest.approx(ratio, abs=0.001)
    assert gases.co2_liquid_full_c(0.40) is None


def test_five_pounds_need_the_water_capacity_that_the_filling_density_asks() -> None:
    """49 CFR 173.304a table: 68 %; 5 lb need 7.353 lb of water, 3.341 L at 20 °C."""
    charge = Measure(Decimal(5), UnitOfMeasure.POUND).mass_g
    water_g = co2_least_capacity_ml(charge)
    assert float(water_g) / 453.59237 == pytest.approx(7.353, abs=0.0005)
    # The capacity is a mass of water; its volume follows from water at 20 °C, 0.9982 kg/L (from memory).
    assert float(water_g) / 998.2 == pytest.approx(3.341, abs=0.0005)
    assert judge_co2_fill(5000, 7353).ok is True
    assert judge_co2_fill(5000, 7352).ok is False
    assert judge_co2_fill(5000, 6600, test_pressure_bar=250).ok is True


# Loss of mass -------------------------------------------------------------------------------------


def test_a_loss_is_a_share_of_the_charge() -> None:
    """46 CFR 91.25-20 and 107.235: over 10 % of the charge; exactly 10 % is not over."""
    assert loss_share(full_g=14_200, now_g=13_700, charge_mass_g=5_000) == Fraction(1, 10)
    co2 = {"full_mass_g": 14_200, "charge_mass_g": 5_000}
    assert judge_mass_loss(Agent.CARBON_DIOXIDE, gross_mass_g=13_700, **co2).ok is True
    assert judge_mass_loss(Agent.CARBON_DIOXIDE, gross_mass_g=13_690, **co2).ok is False
    # A tenth of the gross mass would still accept a unit with 28 % of its charge gone.
    assert float(loss_share(full_g=14_200, now_g=14_200 * 0.9, charge_mass_g=5_000)) == pytest.approx(0.284)
    halocarbon = loss_share(full_g=4_000, now_g=3_890, charge_mass_g=2_000)
    assert halocarbon == Fraction(55, 1000)
    assert (
        judge_mass_loss(Agent.HALON_1211, gross_mass_g=3_890, full_mass_g=4_000, charge_mass_g=2_000).ok
        is False
    )


# Leak rates ---------------------------------------------------------------------------------------


def test_units_of_leak_rate() -> None:
    """NIST SP 811, Appendix B.8; one public table prints the inverse for atm·cm³/s and is wrong."""
    assert LeakRate(1, RateUnit.ATM_CM3_PER_S).to(RateUnit.MBAR_L_PER_S) == pytest.approx(1.01325, rel=1e-12)
    assert LeakRate(1, RateUnit.ATM_CM3_PER_S).to(RateUnit.PA_M3_PER_S) == pytest.approx(0.101325, rel=1e-12)
    assert LeakRate(1).to(RateUnit.PA_M3_PER_S) == pytest.approx(0.1, rel=1e-12)
    assert LeakRate(1).to(RateUnit.ATM_CM3_PER_S) == pytest.approx(0.98692, abs=5e-6)
    assert LeakRate(1, RateUnit.TORR_L_PER_S).to(RateUnit.MBAR_L_PER_S) == pytest.approx(1.33322, abs=5e-6)


def test_one_bar_from_two_litres_in_a_year() -> None:
    rate = rate_of_pressure_loss(100, free_volume_ml=2000, elapsed_s=YEAR_S)
    assert rate.mbar_l_per_s == pytest.approx(6.338e-5, rel=1e-4)
    assert rate.pressure_kpa_per_year(2000) == pytest.approx(100)


def test_250_grams_of_carbon_dioxide_in_a_year() -> None:
    rate = rate_of_mass_loss(250, Gas.CARBON_DIOXIDE, elapsed_s=YEAR_S)
    assert rate.mbar_l_per_s == pytest.approx(4.387e-3, rel=2e-4)
    assert rate.mass_g_per_year(Gas.CARBON_DIOXIDE) == pytest.approx(250)


@pytest.mark.parametrize(
    ("gas", "grams"), [(Gas.CARBON_DIOXIDE, 0.0570), (Gas.NITROGEN, 0.0363), (Gas.HELIUM, 0.00518)]
)
def test_what_a_millionth_of_a_millibar_litre_takes_in_a_year(gas: Gas, grams: float) -> None:
    assert LeakRate(1e-6).mass_g_per_year(gas) == pytest.approx(grams, rel=2e-3)
