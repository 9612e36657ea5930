"""Pressure tests against the cases that rules, letters and a printed worked example give."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from inventory.measures.expansion import (
    Expansion,
    expansion_limit,
    indicator_tolerance,
    judge_expansion,
    judge_indicator,
    judge_system_check,
    least_burst_kpa,
    minimum_test_pressure,
    pressure_conflict,
)
from inventory.measures.kinds import Shell
from inventory.measures.units import Measure, UnitOfMeasure

GENERAL = expansion_limit("3AA2400")


def read(total: str, permanent: str) -> Expansion:
    return Expansion(Decimal(total), Decimal(permanent))


def psi(value: str) -> Decimal:
    return Measure(Decimal(value), UnitOfMeasure.PSI).pressure_kpa


def test_the_printed_example_of_a_2400_psi_cylinder() -> None:
    """Diver forum post 565026, page 2: 56.3 total and 0.3 permanent, elastic 56.0, passes."""
    asked = minimum_test_pressure("3AA2400", psi("2400"))
    assert asked is not None
    assert float(asked.pressure_kpa) == pytest.approx(float(psi("4000")), rel=1e-12)
    found = read("56.3", "0.3")
    assert found.elastic_ml == Decimal("56.0")
    assert found.percent == Decimal("0.5329")
    assert judge_expansion(found, GENERAL).ok is True
    assert judge_expansion(found, GENERAL, elastic_rejection_ml=Decimal("66.3")).ok is True
    assert judge_expansion(found, GENERAL, elastic_rejection_ml=Decimal("55.9")).ok is False


def test_exactly_ten_per_cent_passes_because_the_limit_says_exceeds() -> None:
    """49 CFR 180.205(i)(1), wording from memory; 4E has 12 %."""
    assert judge_expansion(read("50.0", "5.0"), GENERAL).ok is True
    assert judge_expansion(read("50.0", "5.1"), GENERAL).ok is False
    assert read("50.0", "5.1").permanent_share == Fraction(102, 1000)
    assert judge_expansion(read("50.0", "5.1"), expansion_limit("4E")).ok is True
    assert judge_expansion(read("50.0", "6.0"), expansion_limit("4E")).ok is True
    assert judge_expansion(read("50.0", "6.1"), expansion_limit("4E")).ok is False
    assert judge_expansion(read("50.0", "2.6"), expansion_limit("", Shell.COMPOSITE)).ok is False


def test_the_indicator_rule_names_two_figures_and_not_which_governs() -> None:
    """29 CFR 1910.157(f)(15)(i): within 1 % of the total expansion or 0.1 mL."""
    asked = indicator_tolerance(Decimal("8.0"))
    assert (asked.share_ml, asked.fixed_ml, asked.larger_ml) == (
        Decimal("0.08"),
        Decimal("0.1"),
        Decimal("0.1"),
    )
    assert judge_indicator(Decimal("0.08"), total_ml=Decimal("8.0")).ok is True
    assert judge_indicator(Decimal("0.1"), total_ml=Decimal("8.0")).ok is None
    assert judge_indicator(Decimal("0.2"), total_ml=Decimal("8.0")).ok is False


def test_a_jacket_that_passes_no_water_is_no_bad_cylinder() -> None:
    """Letter 12-0176: it reads as 100 % and is a failure of the equipment."""
    verdict = judge_expansion(read("40", "40"), GENERAL)
    assert verdict.ok is None
    assert "12-0176" in verdict.source


def test_a_3aa1800_cylinder_is_tested_at_3000_psi() -> None:
    """49 CFR 180.209, Table 1; 3000 psi is 206.84 bar."""
    asked = minimum_test_pressure("DOT-3AA1800", psi("1800"))
    assert asked is not None
    assert float(asked.pressure_kpa) / 100 == pytest.approx(206.84, abs=0.005)
    twice = minimum_test_pressure("4BW 240", psi("240"))
    assert twice is not None
    assert float(twice.pressure_kpa) == pytest.approx(float(psi("480")))
    assert minimum_test_pressure("39", psi("1800")) is None


def test_a_race_car_unit_is_tested_at_three_times_its_charge() -> None:
    """Letter 04-0202: 200 psig charge, test 600, burst 1200 (six times; the usual floor asks for less)."""
    least = least_burst_kpa(float(psi("200"))).pressure_kpa
    assert float(psi("1200")) > float(least)
    conflict = pressure_conflict(nameplate_test_kpa=psi("600"), service_kpa=psi("200"))
    assert conflict is not None
    assert "3.00 times service" in conflict


def test_a_plate_of_585_psi_on_a_195_psi_unit_is_flagged_and_not_decided() -> None:
    """29 CFR 1910.157(f)(11) caps the test at twice service, 390 psi; letter 13-0190 prints such a plate."""
    conflict = pressure_conflict(nameplate_test_kpa=psi("585"), service_kpa=psi("195"))
    assert conflict is not None
    assert "40.33 bar" in conflict
    assert "26.89 bar" in conflict
    assert pressure_conflict(nameplate_test_kpa=psi("390"), service_kpa=psi("195")) is None
    assert (
        pressure_conflict(nameplate_test_kpa=psi("3000"), service_kpa=psi("1800"), is_high_pressure=True)
        is None
    )


def test_the_calibrated_cylinder_may_show_no_permanent_expansion_at_all() -> None:
    """Letter 07-0077 on 49 CFR 180.205(g): no tolerance."""
    marked = Decimal("100.0")
    ok = judge_system_check(marked_ml=marked, read_ml=Decimal("101.0"), permanent_ml=Decimal(0))
    assert ok.ok is True
    off = judge_system_check(marked_ml=marked, read_ml=Decimal("101.1"), permanent_ml=Decimal(0))
    assert off.ok is False
    wet = judge_system_check(marked_ml=marked, read_ml=Decimal("100.0"), permanent_ml=Decimal("0.1"))
    assert wet.ok is False
