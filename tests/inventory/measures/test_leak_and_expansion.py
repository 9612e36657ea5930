"""Leak rates from readings, and tests that cannot be as entered."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest

from inventory.measures.charge import gauge_at
from inventory.measures.expansion import (
    Expansion,
    ExpansionError,
    ExpansionLimit,
    expansion_limit,
    judge_expansion,
    judge_proof,
    least_burst_kpa,
    repeat_after_rig_failure,
)
from inventory.measures.leak import (
    GaugeReading,
    LeakRate,
    judge_warranty_leak,
    loss_from_series,
    pressure_loss_from_series,
    pressure_loss_from_two,
    rate_of_pressure_loss,
)

START = date(2024, 1, 1)


def at(days: int, true_kpa: float, celsius: float) -> GaugeReading:
    """A reading of a gauge that would show ``true_kpa`` at 20 °C."""
    return GaugeReading(START + timedelta(days), gauge_at(true_kpa, from_c=20, to_c=celsius), celsius)


def test_two_readings_in_different_weather_show_the_true_loss() -> None:
    found = pressure_loss_from_two(at(0, 1500, 30), at(731, 1460, -10), reading_error_kpa=15)
    assert found.per_year == pytest.approx(40 / (731 / 365.25), rel=1e-6)
    assert found.standard_error == pytest.approx(2**0.5 * 15 / (731 / 365.25))
    with pytest.raises(ValueError, match="same day"):
        pressure_loss_from_two(at(0, 1500, 20), at(0, 1500, 20))


def test_a_series_agrees_with_scipy() -> None:
    linregress = pytest.importorskip("scipy.stats").linregress
    values = [
        (START + timedelta(days), value)
        for days, value in ((0, 1500.0), (180, 1492.0), (365, 1489.0), (540, 1479.0), (900, 1462.0))
    ]
    found = loss_from_series(values)
    theirs = linregress([(on - START).days / 365.25 for on, _ in values], [value for _, value in values])
    assert found.per_year == pytest.approx(-theirs.slope, rel=1e-12)
    assert found.standard_error == pytest.approx(theirs.stderr, rel=1e-9)
    assert found.readings == 5


def test_a_series_in_changing_weather_is_flat_when_nothing_leaks() -> None:
    series = [at(days, 1500, celsius) for days, celsius in ((0, 5), (200, 35), (400, -5), (700, 28))]
    assert pressure_loss_from_series(series).per_year == pytest.approx(0, abs=1e-6)
    with pytest.raises(ValueError, match="different days"):
        loss_from_series([(START, 1.0), (START, 2.0)])


def test_the_warranty_limit_is_met_exactly() -> None:
    a_fifth = 2 * 98.0665 / 5
    assert judge_warranty_leak(a_fifth).ok is True
    assert judge_warranty_leak(a_fifth * 1.01).ok is False
    assert judge_warranty_leak(-3).ok is True
    assert judge_warranty_leak(a_fifth * 2, years_left=2).ok is True
    with pytest.raises(ValueError, match="time left"):
        judge_warranty_leak(1, years_left=-1)


def test_a_rate_keeps_the_figure_as_printed() -> None:
    assert str(LeakRate(2.5e-6)) == "2.5e-06 mbar·L/s"
    with pytest.raises(ValueError, match="finite"):
        LeakRate(float("nan"))
    with pytest.raises(ValueError, match="more than nothing"):
        rate_of_pressure_loss(1, free_volume_ml=0, elapsed_s=1)


@pytest.mark.parametrize(
    ("total", "permanent", "code"),
    [
        ("50", "51", "permanent_over_total"),
        ("50", "-1", "negative"),
        ("0", "0", "no_expansion"),
        ("NaN", "1", "no_number"),
    ],
)
def test_expansions_that_no_test_gives(total: str, permanent: str, code: str) -> None:
    with pytest.raises(ExpansionError) as caught:
        Expansion(Decimal(total), Decimal(permanent))
    assert caught.value.code == code


def test_a_limit_that_condemns_at_the_figure() -> None:
    at_ten = ExpansionLimit(expansion_limit("").share, True, "a table that says 10 % or more", "MEMORY")
    assert judge_expansion(Expansion(Decimal(50), Decimal(5)), at_ten).ok is False
    assert judge_expansion(Expansion(Decimal(50), Decimal("4.9")), at_ten).ok is True


def test_a_3ht_cylinder_also_needs_its_rejection_value() -> None:
    good = Expansion(Decimal(50), Decimal(1))
    assert judge_expansion(good, expansion_limit("3HT1850")).ok is None
    assert judge_expansion(good, expansion_limit("3HT1850"), elastic_rejection_ml=Decimal(49)).ok is True


def test_a_spoiled_test_is_repeated_higher_and_at_most_twice() -> None:
    """49 CFR 180.205(g)(5), from memory: 10 % or 100 psi more, whichever is less."""
    low = repeat_after_rig_failure(Decimal(3000), repeats_made=0)
    assert low.pressure_kpa == Decimal(3300)
    high = repeat_after_rig_failure(Decimal(20_684), repeats_made=1)
    assert high.pressure_kpa is not None
    assert float(high.pressure_kpa) == pytest.approx(20_684 + 689.476, abs=0.01)
    assert repeat_after_rig_failure(Decimal(3000), repeats_made=2).is_allowed is False


@pytest.mark.parametrize(
    ("changes", "ok"),
    [
        ({}, True),
        ({"reached_kpa": 2_939}, None),
        ({"held_s": 119}, None),
        ({"drop_kpa": 10}, False),
        ({"leaked": True}, False),
        ({"deformed": True}, False),
        ({"reached_kpa": 4_000, "most_kpa": 3_000}, None),
        ({"held_s": 30, "leaked": True}, False),
    ],
)
def test_a_proof_test_counts_when_reached_and_held(changes: dict[str, float], ok: bool | None) -> None:
    values: dict[str, float] = {
        "reached_kpa": 2_942,
        "required_kpa": 2_941.995,
        "held_s": 120,
        "required_hold_s": 120,
    }
    assert judge_proof(**(values | changes)).ok is ok  # type: ignore[arg-type]


def test_burst_is_the_greater_of_two() -> None:
    assert least_burst_kpa(1500).pressure_kpa == 5500
    assert least_burst_kpa(2500).pressure_kpa == 6750
