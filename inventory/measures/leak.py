"""Leaks: how fast a charge goes, from gauges, scales and test instruments, in the units they print.

A leak rate is pressure times volume over time (``Q = dp V / t``); the amount of gas behind it
depends on the temperature, which is 20 °C here unless given. A year has 365.25 days. Plain floats.

>>> round(rate_of_pressure_loss(100, free_volume_ml=2000, elapsed_s=YEAR_S).mbar_l_per_s, 9)
6.3376e-05
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from inventory.measures.charge import KGF_PER_CM2_KPA, REFERENCE_C, gauge_at
from inventory.measures.gases import GAS_CONSTANT_J_MOL_K, kelvin
from inventory.measures.limits import Verdict
from inventory.measures.readings import PRACTICE

DAYS_PER_YEAR = 365.25
YEAR_S = DAYS_PER_YEAR * 86_400


class Gas(StrEnum):
    """A gas that leaks or that a detector looks for."""

    NITROGEN = "nitrogen"
    CARBON_DIOXIDE = "carbon_dioxide"
    HELIUM = "helium"
    ARGON = "argon"
    AIR = "air"


# g/mol, CIAAW standard atomic weights (2021) summed; air as in ISO 2533.
MOLAR_MASS_G: dict[Gas, float] = {
    Gas.NITROGEN: 28.014,
    Gas.CARBON_DIOXIDE: 44.009,
    Gas.HELIUM: 4.0026,
    Gas.ARGON: 39.95,
    Gas.AIR: 28.9644,
}


class RateUnit(StrEnum):
    """A unit of leak rate as instruments print it."""

    MBAR_L_PER_S = "mbar·L/s"
    ATM_CM3_PER_S = "atm·cm³/s"
    PA_M3_PER_S = "Pa·m³/s"
    TORR_L_PER_S = "Torr·L/s"


# One of each in mbar·L/s; exact by definition of atm and Torr (NIST SP 811, Appendix B.8).
_IN_MBAR_L: dict[RateUnit, float] = {
    RateUnit.MBAR_L_PER_S: 1.0,
    RateUnit.ATM_CM3_PER_S: 1.01325,
    RateUnit.PA_M3_PER_S: 10.0,
    RateUnit.TORR_L_PER_S: 1013.25 / 760,
}


@dataclass(frozen=True, slots=True)
class LeakRate:
    """A leak rate as entered: the figure and its unit are kept, the others computed from them."""

    entered: float
    unit: RateUnit = RateUnit.MBAR_L_PER_S

    def __post_init__(self) -> None:
        if not math.isfinite(self.entered):
            raise ValueError("A leak rate needs a finite number.")

    @property
    def mbar_l_per_s(self) -> float:
        """Return the rate in mbar·L/s."""
        return self.to(RateUnit.MBAR_L_PER_S)

    def to(self, unit: RateUnit) -> float:
        """Return the rate in ``unit``; the figure as entered when it is the same."""
        if unit is self.unit:
            return self.entered
        return self.entered * _IN_MBAR_L[self.unit] / _IN_MBAR_L[unit]

    def mass_g_per_year(self, gas: Gas, *, temperature_c: float = REFERENCE_C) -> float:
        """Return the mass of ``gas`` that leaves in a year, in grams."""
        joule_per_s = self.to(RateUnit.PA_M3_PER_S)
        mol_per_s = joule_per_s / (GAS_CONSTANT_J_MOL_K * kelvin(temperature_c))
        return mol_per_s * MOLAR_MASS_G[gas] * YEAR_S

    def pressure_kpa_per_year(self, free_volume_ml: float) -> float:
        """Return by how much the pressure over ``free_volume_ml`` falls in a year, in kPa."""
        if free_volume_ml <= 0:
            raise ValueError("The gas space must be more than nothing.")
        return self.to(RateUnit.PA_M3_PER_S) * YEAR_S / (free_volume_ml * 1e-6) / 1000

    def __str__(self) -> str:
        return f"{self.entered:.3g} {self.unit.value}"


def rate_of_pressure_loss(loss_kpa: float, *, free_volume_ml: float, elapsed_s: float) -> LeakRate:
    """Return the rate behind a loss of pressure in a gas space of known volume.

    Both pressures at one temperature. Raises ``ValueError`` for a volume or a time not positive.
    """
    if free_volume_ml <= 0 or elapsed_s <= 0:
        raise ValueError("The gas space and the time must be more than nothing.")
    return LeakRate(loss_kpa * 10 * free_volume_ml / 1000 / elapsed_s)


def rate_of_mass_loss(
    loss_g: float, gas: Gas, *, elapsed_s: float, temperature_c: float = REFERENCE_C
) -> LeakRate:
    """Return the rate behind a loss of mass. Raises ``ValueError`` for a time that is not positive."""
    if elapsed_s <= 0:
        raise ValueError("The time must be more than nothing.")
    mol_per_s = loss_g / MOLAR_MASS_G[gas] / elapsed_s
    return LeakRate(mol_per_s * GAS_CONSTANT_J_MOL_K * kelvin(temperature_c) * 10)


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """A gauge read on a day at a temperature."""

    on: date
    gauge_kpa: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class LossPerYear:
    """How much a charge loses per year (positive is loss), how sure, from how many readings.

    ``standard_error`` is ``None`` when the readings leave no freedom to tell it.
    """

    per_year: float
    standard_error: float | None
    readings: int


def pressure_loss_from_two(
    first: GaugeReading, second: GaugeReading, *, reading_error_kpa: float | None = None
) -> LossPerYear:
    """Return the loss in kPa per year between two readings, both brought to 20 °C.

    ``reading_error_kpa`` is the standard error of one reading; with it the result carries one too.
    Raises ``ValueError`` when both are of one day: no time, no rate.
    """
    days = (second.on - first.on).days
    if days == 0:
        raise ValueError("Both readings are of the same day; a rate needs time between them.")
    before, after = (gauge_at(one.gauge_kpa, from_c=one.temperature_c) for one in (first, second))
    years = days / DAYS_PER_YEAR
    error = None if reading_error_kpa is None else math.sqrt(2) * reading_error_kpa / abs(years)
    return LossPerYear((before - after) / years, error, 2)


def pressure_loss_from_series(readings: Sequence[GaugeReading]) -> LossPerYear:
    """Return the loss in kPa per year by least squares over readings brought to 20 °C."""
    return loss_from_series([(one.on, gauge_at(one.gauge_kpa, from_c=one.temperature_c)) for one in readings])


def loss_from_series(values: Sequence[tuple[date, float]]) -> LossPerYear:
    """Return the loss per year of any quantity by least squares, with the standard error of the slope.

    Raises ``ValueError`` with fewer than two different days.
    """
    if len({on for on, _ in values}) < 2:
        raise ValueError("A rate needs readings of at least two different days.")
    start = min(on for on, _ in values)
    years = [(on - start).days / DAYS_PER_YEAR for on, _ in values]
    number = len(values)
    middle = math.fsum(years) / number
    mean = math.fsum(value for _, value in values) / number
    spread = math.fsum((year - middle) ** 2 for year in years)
    slope = (
        math.fsum((year - middle) * (value - mean) for year, (_, value) in zip(years, values, strict=True))
        / spread
    )
    if number == 2:
        return LossPerYear(-slope, None, 2)
    rest = math.fsum(
        (value - mean - slope * (year - middle)) ** 2 for year, (_, value) in zip(years, values, strict=True)
    )
    return LossPerYear(-slope, math.sqrt(rest / (number - 2) / spread), number)


WARRANTY_YEARS = 5.0
WARRANTY_LOSS_KPA = 2 * KGF_PER_CM2_KPA


def judge_warranty_leak(
    loss_kpa_per_year: float,
    *,
    years_left: float = WARRANTY_YEARS,
    limit_kpa: float = WARRANTY_LOSS_KPA,
) -> Verdict:
    """Judge a leak by what it would take until the end of the warranty; exactly the limit is inside.

    The defaults are a loss of 2 kgf/cm² within five years: common practice, no source; edit them.
    """
    if years_left < 0:
        raise ValueError("The warranty cannot have less than no time left.")
    loss = max(loss_kpa_per_year, 0.0) * years_left
    ok = loss <= limit_kpa * (1 + 1e-9)
    return Verdict(
        ok,
        f"{loss / 100:.2f} bar lost within {years_left:g} years at this rate; "
        f"{'inside' if ok else 'over'} {limit_kpa / 100:.2f} bar.",
        f"not over {limit_kpa / KGF_PER_CM2_KPA:g} kgf/cm² within {years_left:g} years",
        PRACTICE,
    )
