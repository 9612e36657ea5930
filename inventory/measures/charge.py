"""The charge of an extinguisher: is enough in it, is it not too much, is it under pressure.

A gauge is read at the temperature of the day and must be compared at the temperature of the
nameplate. The gas inside follows its **absolute** pressure and temperature, and real nitrogen a
little more than the ideal gas. Scaling the figure on the gauge is wrong, because a gauge shows the
excess over the air outside: an empty shell reads zero hot or cold, and at 195 psi and 0 °F the
mistake is about 3 psi. A charge is judged by mass; of carbon dioxide only mass says anything,
since liquid and vapour together have one pressure whatever the fill.

>>> round(gauge_at(1500, from_c=20, to_c=-20))
1273
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from inventory.measures import gases
from inventory.measures.kinds import Agent
from inventory.measures.limits import Number, Verdict
from inventory.measures.readings import PRACTICE, VAPOUR_AGENTS
from inventory.measures.units import exact

REFERENCE_C = 20.0
KGF_PER_CM2_KPA = 98.0665

POWDERS = frozenset({Agent.DRY_CHEMICAL_ABC, Agent.DRY_CHEMICAL_BC, Agent.DRY_POWDER_D})
LIQUIDS = frozenset(
    {
        Agent.WATER,
        Agent.WATER_ANTIFREEZE,
        Agent.WETTING_AGENT,
        Agent.WATER_MIST,
        Agent.LOADED_STREAM,
        Agent.FOAM,
        Agent.AFFF,
        Agent.FFFP,
        Agent.WET_CHEMICAL,
    }
)
LIQUEFIED = VAPOUR_AGENTS | {Agent.CARBON_DIOXIDE}

_EN3_MEMORY = "EN 3-7:2004+A1:2007 clause 6, figures from memory, not verified"


def gauge_at(
    gauge_kpa: float,
    *,
    from_c: float,
    to_c: float = REFERENCE_C,
    atmosphere_kpa: float = gases.ATMOSPHERE_KPA,
) -> float:
    """Return the gauge pressure in kPa that nitrogen read at ``from_c`` has in the same shell at ``to_c``.

    Real nitrogen (see ``inventory.measures.gases``), good to 0.01 % for 0 to 30 bar and -50 to
    80 °C. The vapour of the agent and gas dissolved in a liquid agent are left out: for a
    halocarbon this is not good enough, for water it is. Raises ``ValueError`` outside these ranges
    and for a gauge below zero.
    """
    if gauge_kpa < 0:
        raise ValueError("A gauge does not show less than zero.")
    inside = gases.nitrogen_at(gauge_kpa + atmosphere_kpa, from_c=from_c, to_c=to_c)
    return inside - atmosphere_kpa


@dataclass(frozen=True, slots=True)
class PressureDefault:
    """The pressure to which units of a kind are charged when nameplate and manual are silent."""

    gauge_kpa: float
    at_c: float
    printed: str
    source: str


def charge_pressure_default(agent: Agent) -> PressureDefault | None:
    """Return the usual charging pressure of stored-pressure units, or ``None`` where there is none.

    The nameplate and the maker's manual come first; this is a default to be edited.
    """
    if agent in POWDERS:
        return PressureDefault(15 * KGF_PER_CM2_KPA, 20.0, "15 kgf/cm² at 20 °C", PRACTICE)
    if agent in LIQUIDS or agent in VAPOUR_AGENTS:
        return PressureDefault(10.5 * KGF_PER_CM2_KPA, 20.0, "10.5 kgf/cm² at 20 °C", PRACTICE)
    return None


PRESSURE_TOLERANCE = Fraction(10, 100)


def judge_charge_pressure(
    gauge_kpa: float,
    *,
    temperature_c: float | None,
    nominal_kpa: float | None,
    low_kpa: float | None = None,
    high_kpa: float | None = None,
    reference_c: float = REFERENCE_C,
) -> Verdict:
    """Judge a charging pressure read at ``temperature_c`` against the nameplate at ``reference_c``.

    A printed operating range (``low_kpa`` to ``high_kpa``, both included) comes first; else 10 %
    either way of ``nominal_kpa``. Gauge pressures in kPa. Without temperature or nominal pressure
    nothing can be told.
    """
    if low_kpa is not None and high_kpa is not None:
        lowest, highest, source = low_kpa, high_kpa, "operating range on the nameplate"
    elif nominal_kpa is not None and nominal_kpa > 0:
        share = float(PRESSURE_TOLERANCE)
        lowest, highest, source = nominal_kpa * (1 - share), nominal_kpa * (1 + share), PRACTICE
    else:
        return Verdict(
            None,
            f"{_bar(gauge_kpa)} cannot be judged: the charging pressure is not known. Read it from the "
            "nameplate and enter it.",
            "within the operating range",
            PRACTICE,
        )
    text = f"{_bar(lowest)} to {_bar(highest)} at {reference_c:g} °C"
    if temperature_c is None:
        return Verdict(
            None,
            f"{_bar(gauge_kpa)} cannot be judged without a temperature: the same charge reads about 3 bar "
            "more at 60 °C than at 0 °C. Enter the temperature of the unit.",
            text,
            source,
        )
    try:
        there = gauge_at(gauge_kpa, from_c=temperature_c, to_c=reference_c)
    except ValueError as error:
        read = f"{_bar(gauge_kpa)} at {temperature_c:g} °C"
        return Verdict(None, f"{read} cannot be judged: {error}", text, source)
    read = f"{_bar(gauge_kpa)} at {temperature_c:g} °C is {_bar(there)} at {reference_c:g} °C"
    # A tenth of a kilopascal is far below any gauge; it keeps a limit met exactly inside.
    if there < lowest - 0.1:
        return Verdict(False, f"{read}: too low, charge it further.", text, source)
    if there > highest + 0.1:
        return Verdict(False, f"{read}: too high, let gas off before it leaves the bench.", text, source)
    return Verdict(True, f"{read}: inside.", text, source)


@dataclass(frozen=True, slots=True)
class MassRange:
    """The lowest and the highest charge that is right, both included, and who says so."""

    lowest_g: Fraction
    highest_g: Fraction
    text: str
    source: str


def mass_tolerance(
    agent: Agent, charge_mass_g: Number, *, nameplate: tuple[Number, Number] | None = None
) -> MassRange:
    """Return the range in which the mass filled in must lie.

    ``nameplate`` is the lowest and highest charge that the plate prints, in grams; it governs.
    Else the tolerances of the European build standard: powder 5 % either way up to 1 kg, 3 % up to
    2 kg, 2 % from 3 kg; liquids and liquefied gases nothing over and 5 % under. Between 2 and 3 kg
    the tighter one is taken. Raises ``ValueError`` for a charge that is not positive or a range
    upside down.
    """
    charge = exact(charge_mass_g)
    if charge <= 0:
        raise ValueError("The charge on the nameplate must be more than nothing.")
    if nameplate is not None:
        lowest, highest = (exact(value) for value in nameplate)
        if not 0 < lowest <= highest:
            raise ValueError("The range on the nameplate must run from a lower to a higher mass.")
        return MassRange(lowest, highest, f"{_kg(lowest)} to {_kg(highest)}", "range on the nameplate")
    if agent in POWDERS:
        under = over = (
            Fraction(5, 100) if charge <= 1000 else Fraction(3, 100) if charge <= 2000 else Fraction(2, 100)
        )
    elif agent in LIQUIDS or agent in LIQUEFIED:
        under, over = Fraction(5, 100), Fraction(0)
    else:
        under = over = Fraction(2, 100)
    source = _EN3_MEMORY if agent in POWDERS | LIQUIDS | LIQUEFIED else PRACTICE
    return MassRange(
        charge * (1 - under),
        charge * (1 + over),
        f"{_kg(charge)} +{float(over * 100):g} / -{float(under * 100):g} %",
        source,
    )


def judge_charge_mass(
    agent: Agent,
    *,
    filled_g: Number,
    charge_mass_g: Number | None,
    nameplate: tuple[Number, Number] | None = None,
) -> Verdict:
    """Judge the mass of agent that was filled in; masses in grams."""
    if charge_mass_g is None or exact(charge_mass_g) <= 0:
        return Verdict(
            None,
            f"{_kg(exact(filled_g))} filled cannot be judged: the charge of the unit is not known. "
            "Read it from the nameplate and enter it.",
            "within the tolerance of the charge",
            PRACTICE,
        )
    wanted = mass_tolerance(agent, charge_mass_g, nameplate=nameplate)
    filled = exact(filled_g)
    read = f"{_kg(filled)} filled of {_kg(exact(charge_mass_g))}"
    if filled < wanted.lowest_g:
        return Verdict(False, f"{read}: {_kg(wanted.lowest_g - filled)} short.", wanted.text, wanted.source)
    if filled > wanted.highest_g:
        over = f"{read}: {_kg(filled - wanted.highest_g)} too much"
        if agent in LIQUEFIED:
            over += "; a liquefied gas has no room to swell when warm. Take it out"
        return Verdict(False, f"{over}.", wanted.text, wanted.source)
    return Verdict(True, f"{read}: inside.", wanted.text, wanted.source)


_POUND_G = Fraction("453.59237")


def unlikely_mass(filled_g: Number, charge_mass_g: Number | None) -> str | None:
    """Return a question when a mass cannot be meant as entered, or ``None``.

    A charge is never out by a fifth by weighing; a figure that fits once pounds and kilograms are
    swapped was typed in the other unit. Common practice, no source.
    """
    if charge_mass_g is None or exact(charge_mass_g) <= 0:
        return None
    filled, charge = exact(filled_g), exact(charge_mass_g)
    if Fraction(8, 10) <= filled / charge <= Fraction(12, 10):
        return None
    meant = f"{_kg(filled)} does not fit a charge of {_kg(charge)}."
    if Fraction(9, 10) <= filled * _POUND_G / 1000 / charge <= Fraction(11, 10):
        return f"{meant} Was it read in pounds? {_kg(filled * _POUND_G / 1000)} would fit."
    if Fraction(9, 10) <= filled / _POUND_G * 1000 / charge <= Fraction(11, 10):
        return f"{meant} Was it read in kilograms? {_kg(filled / _POUND_G * 1000)} would fit."
    if Fraction(9, 10) <= filled * 1000 / charge <= Fraction(11, 10):
        return f"{meant} Was it read in kilograms and entered in grams?"
    return f"{meant} Check the figure and its unit, and the charge on the nameplate."


def loss_share(*, full_g: Number, now_g: Number, charge_mass_g: Number) -> Fraction:
    """Return the mass lost as a share of the **charge**, exactly; the gross mass is the wrong base.

    A tenth of the gross mass of a 5 kg carbon dioxide unit would be more than a quarter of its
    charge. Raises ``ValueError`` for a charge that is not positive.
    """
    charge = exact(charge_mass_g)
    if charge <= 0:
        raise ValueError("The charge on the nameplate must be more than nothing.")
    return (exact(full_g) - exact(now_g)) / charge


@dataclass(frozen=True, slots=True)
class FillLimit:
    """The highest filling ratio allowed for carbon dioxide, in kg/L, and for which shells."""

    ratio_kg_l: Fraction
    test_pressure_bar: int | None
    source: str


CO2_FILL_LIMITS = (
    FillLimit(Fraction(76, 100), 250, "ADR P200, UN 1013, from memory: 0.76 at 250 bar test pressure"),
    FillLimit(Fraction(68, 100), 190, "ADR P200, UN 1013, from memory: 0.68 at 190 bar test pressure"),
)
CO2_US_FILL_LIMIT = FillLimit(
    Fraction(68, 100), None, "49 CFR 173.304a table: 68 % of the water capacity by mass"
)


def co2_fill_ratio(charge_mass_g: Number, water_capacity_ml: Number) -> Fraction:
    """Return the filling ratio in kg per litre of water capacity.

    Raises ``ValueError`` for a capacity that is not positive.
    """
    capacity = exact(water_capacity_ml)
    if capacity <= 0:
        raise ValueError("The water capacity must be more than nothing.")
    return exact(charge_mass_g) / capacity


def co2_least_capacity_ml(charge_mass_g: Number, *, limit: FillLimit = CO2_US_FILL_LIMIT) -> Fraction:
    """Return the least water capacity in millilitres that may hold this charge."""
    return exact(charge_mass_g) / limit.ratio_kg_l


def judge_co2_fill(
    charge_mass_g: Number, water_capacity_ml: Number | None, *, test_pressure_bar: Number | None = None
) -> Verdict:
    """Judge a fill of carbon dioxide by its ratio to the water capacity; exactly the limit is inside.

    With a test pressure of 250 bar or more 0.76 kg/L is allowed, else 0.68; the sentence adds the
    pressure at 50 °C and the temperature at which liquid fills the shell.
    """
    if water_capacity_ml is None or exact(water_capacity_ml) <= 0:
        return Verdict(
            None,
            "The filling ratio cannot be judged: the water capacity is not known. Read it from the shoulder.",
            "not over 0.68 kg/L",
            CO2_US_FILL_LIMIT.source,
        )
    ratio = co2_fill_ratio(charge_mass_g, water_capacity_ml)
    limit = CO2_US_FILL_LIMIT
    if test_pressure_bar is not None:
        limit = next(
            (
                one
                for one in CO2_FILL_LIMITS
                if one.test_pressure_bar is not None and exact(test_pressure_bar) >= one.test_pressure_bar
            ),
            CO2_US_FILL_LIMIT,
        )
    text = f"not over {float(limit.ratio_kg_l):g} kg/L"
    read = f"{float(ratio):.3f} kg/L"
    if ratio <= Fraction(95, 100):
        hot = gases.co2_closed_shell_bar(float(max(ratio, Fraction(2, 100))), 50.0)
        read += f", {hot:.0f} bar at 50 °C"
        full = gases.co2_liquid_full_c(float(ratio))
        if full is not None:
            read += f", all liquid from {full:.0f} °C"
    ok = ratio <= limit.ratio_kg_l
    return Verdict(ok, f"{read}: {'inside' if ok else 'overfilled'}.", text, limit.source)


def _kg(grams: Fraction) -> str:
    return f"{float(grams) / 1000:.3f}".rstrip("0").rstrip(".") + " kg"


def _bar(kpa: float) -> str:
    return f"{kpa / 100:.2f}".rstrip("0").rstrip(".") + " bar"
