"""Two gases of the trade, nitrogen and carbon dioxide, as they really behave.

Nitrogen drives most agents out; carbon dioxide is its own agent, part liquid, part vapour, and
above a certain warmth all liquid. Plain floats: absolute pressures in kPa or bar, densities in
kg/L, temperatures in °C.

Sources, coefficients from memory of the papers and held by tests against CoolProp 8.0.0:

* carbon dioxide, saturation line: R. Span, W. Wagner, J. Phys. Chem. Ref. Data 25 (1996) 1509,
  eqs. 3.13 to 3.15; within 0.01 % of the reference equation up to 30 °C, densities within 0.1 %
  up to 30.7 °C;
* carbon dioxide in one phase: R. Span, W. Wagner, Int. J. Thermophys. 24 (2003) 111, the technical
  equation for polar fluids; within 0.6 % for 0.5 to 0.85 kg/L up to 75 °C;
* nitrogen: virial series to the third coefficient, fitted here to R. Span et al., J. Phys. Chem.
  Ref. Data 29 (2000) 1361 (as computed by CoolProp) between -50 and 80 °C.
"""

from __future__ import annotations

import math

GAS_CONSTANT_J_MOL_K = 8.314462618
"""CODATA 2018, exact."""

ZERO_C_K = 273.15
ATMOSPHERE_KPA = 101.325

CO2_CRITICAL_K = 304.1282
CO2_CRITICAL_BAR = 73.773
CO2_CRITICAL_KG_L = 0.4676
CO2_TRIPLE_K = 216.592
_CO2_HOTTEST_K = ZERO_C_K + 80

# (coefficient, exponent of the distance from the critical point)
_CO2_PRESSURE = ((-7.0602087, 1.0), (1.9391218, 1.5), (-1.6463597, 2.0), (-3.2995634, 4.0))
_CO2_LIQUID = ((1.9245108, 0.34), (-0.62385555, 0.5), (-0.32731127, 10 / 6), (0.39245142, 11 / 6))
_CO2_VAPOUR = (
    (-1.7074879, 0.34),
    (-0.82274670, 0.5),
    (-4.6008549, 1.0),
    (-10.111178, 7 / 3),
    (-29.742252, 14 / 3),
)
# (coefficient, exponent of density, exponent of temperature, exponent inside the exponential or 0)
_CO2_TECHNICAL = (
    (0.89875108, 1, 0.25, 0),
    (-2.1281985, 1, 1.25, 0),
    (-0.06819032, 1, 1.5, 0),
    (0.076355306, 3, 0.25, 0),
    (0.00022053253, 7, 0.875, 0),
    (0.41541823, 1, 2.375, 1),
    (0.71335657, 2, 2.0, 1),
    (0.00030354234, 5, 2.125, 1),
    (-0.36643143, 1, 3.5, 2),
    (-0.0014407781, 1, 6.5, 2),
    (-0.089166707, 4, 4.75, 2),
    (-0.023699887, 2, 12.5, 3),
)
_CO2_R_KJ_KG_K = 8.31451 / 44.0098  # as the technical equation was fitted

# Virial coefficients of nitrogen as polynomials of 100 K over temperature, lowest power first:
# B in cm³/mol, within 0.0013 of the reference, C in cm⁶/mol², within 0.6.
_N2_B = (41.06288186, -97.71170842, -128.88907853, 34.42585953)
_N2_C = (1422.24710822, -2084.40868805, 6143.55187804)
_N2_COLDEST_K, _N2_HOTTEST_K = ZERO_C_K - 50, ZERO_C_K + 80


def kelvin(temperature_c: float) -> float:
    """Return a temperature in kelvin. Raises ``ValueError`` at or below absolute zero."""
    found = temperature_c + ZERO_C_K
    if not math.isfinite(found) or found <= 0:
        raise ValueError("Temperatures must lie above absolute zero, -273.15 °C.")
    return found


def nitrogen_at(absolute_kpa: float, *, from_c: float, to_c: float) -> float:
    """Return the absolute pressure in kPa that nitrogen in a closed space has at another temperature.

    The amount and the space stay; so the density does, and the pressure follows from the virial
    series. Between -50 and 80 °C and up to 3 MPa within 0.01 % of the reference equation. Raises
    ``ValueError`` outside these or for a pressure that is not positive.
    """
    if not 0 < absolute_kpa <= 3500:
        raise ValueError("The series holds for nitrogen up to 3500 kPa absolute.")
    start, end = kelvin(from_c), kelvin(to_c)
    for temperature in (start, end):
        if not _N2_COLDEST_K <= temperature <= _N2_HOTTEST_K:
            raise ValueError("The series holds for nitrogen between -50 and 80 °C.")
    density = _nitrogen_mol_cm3(absolute_kpa, start)
    return _nitrogen_kpa(density, end)


def _nitrogen_kpa(density_mol_cm3: float, temperature_k: float) -> float:
    second, third = _nitrogen_virial(temperature_k)
    ideal = density_mol_cm3 * GAS_CONSTANT_J_MOL_K * temperature_k * 1000
    return ideal * (1 + second * density_mol_cm3 + third * density_mol_cm3**2)


def _nitrogen_mol_cm3(absolute_kpa: float, temperature_k: float) -> float:
    """Solve the series for density; the ideal gas is a close start and Newton needs few steps."""
    second, third = _nitrogen_virial(temperature_k)
    scale = GAS_CONSTANT_J_MOL_K * temperature_k * 1000
    density = absolute_kpa / scale
    for _ in range(12):
        error = scale * density * (1 + second * density + third * density**2) - absolute_kpa
        step = error / (scale * (1 + 2 * second * density + 3 * third * density**2))
        density -= step
        if abs(step) < 1e-15:
            break
    return density


def _nitrogen_virial(temperature_k: float) -> tuple[float, float]:
    x = 100 / temperature_k
    return (
        sum(factor * x**power for power, factor in enumerate(_N2_B)),
        sum(factor * x**power for power, factor in enumerate(_N2_C)),
    )


def co2_saturation_bar(temperature_c: float) -> float:
    """Return the absolute pressure over liquid carbon dioxide, in bar, from -56 °C to the critical point.

    Raises ``ValueError`` outside these; above 30.978 °C there is no liquid to speak of.
    """
    temperature = kelvin(temperature_c)
    if not CO2_TRIPLE_K <= temperature <= CO2_CRITICAL_K:
        raise ValueError("Carbon dioxide has a saturation pressure from -56.55 to 30.978 °C.")
    return CO2_CRITICAL_BAR * math.exp(
        CO2_CRITICAL_K / temperature * _sum_of_powers(_CO2_PRESSURE, temperature)
    )


def co2_liquid_kg_l(temperature_c: float) -> float:
    """Return the density of liquid carbon dioxide at saturation, in kg/L; range as the pressure."""
    return _co2_saturated(_CO2_LIQUID, kelvin(temperature_c))


def co2_vapour_kg_l(temperature_c: float) -> float:
    """Return the density of carbon dioxide vapour at saturation, in kg/L; range as the pressure."""
    return _co2_saturated(_CO2_VAPOUR, kelvin(temperature_c))


def co2_closed_shell_bar(fill_ratio_kg_l: float, temperature_c: float) -> float:
    """Return the absolute pressure in bar inside a closed shell filled to ``fill_ratio_kg_l``.

    While liquid and vapour are both there it is the saturation pressure, whatever the fill; once
    the liquid has swelled to fill the shell it climbs steeply. Raises ``ValueError`` outside 0.02
    to 0.95 kg/L and -56 to 80 °C.
    """
    if not 0.02 <= fill_ratio_kg_l <= 0.95:
        raise ValueError("The filling ratio of carbon dioxide must lie between 0.02 and 0.95 kg/L.")
    temperature = kelvin(temperature_c)
    if not CO2_TRIPLE_K <= temperature <= _CO2_HOTTEST_K:
        raise ValueError("Carbon dioxide is computed here from -56.55 to 80 °C.")
    one_phase = _co2_technical_bar(fill_ratio_kg_l, temperature)
    if temperature >= CO2_CRITICAL_K:
        return one_phase
    liquid, vapour = _co2_saturated(_CO2_LIQUID, temperature), _co2_saturated(_CO2_VAPOUR, temperature)
    if fill_ratio_kg_l < vapour:
        return one_phase
    saturation = co2_saturation_bar(temperature_c)
    if fill_ratio_kg_l <= liquid:
        return saturation
    # Squeezed liquid: the rise above the line, so that it starts from the line itself.
    return max(saturation, saturation + one_phase - _co2_technical_bar(liquid, temperature))


def co2_liquid_full_c(fill_ratio_kg_l: float) -> float | None:
    """Return the temperature in °C at which liquid fills the whole shell.

    ``None`` for a fill below the critical density: its liquid boils away before it could.
    """
    if fill_ratio_kg_l <= CO2_CRITICAL_KG_L:
        return None
    low, high = CO2_TRIPLE_K, CO2_CRITICAL_K
    if fill_ratio_kg_l >= _co2_saturated(_CO2_LIQUID, low):
        return low - ZERO_C_K
    for _ in range(60):
        middle = (low + high) / 2
        if _co2_saturated(_CO2_LIQUID, middle) > fill_ratio_kg_l:
            low = middle
        else:
            high = middle
    return high - ZERO_C_K


def _co2_saturated(terms: tuple[tuple[float, float], ...], temperature_k: float) -> float:
    if not CO2_TRIPLE_K <= temperature_k <= CO2_CRITICAL_K:
        raise ValueError("Carbon dioxide has liquid and vapour from -56.55 to 30.978 °C.")
    return CO2_CRITICAL_KG_L * math.exp(_sum_of_powers(terms, temperature_k))


def _sum_of_powers(terms: tuple[tuple[float, float], ...], temperature_k: float) -> float:
    distance = 1 - temperature_k / CO2_CRITICAL_K
    return sum(factor * float(distance**power) for factor, power in terms)


def _co2_technical_bar(density_kg_l: float, temperature_k: float) -> float:
    delta = density_kg_l / (10.6249 * 0.0440098)
    tau = CO2_CRITICAL_K / temperature_k
    departure = 0.0
    for factor, d, t, inner in _CO2_TECHNICAL:
        term = factor * delta**d * tau**t
        if inner:
            term *= math.exp(-(delta**inner)) * (d - inner * delta**inner)
        else:
            term *= d
        departure += term
    # kg/L times kJ/kg is MPa.
    return 10 * density_kg_l * _CO2_R_KJ_KG_K * temperature_k * (1 + departure)
