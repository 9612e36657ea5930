"""Verdicts on measured values: inside the limit, outside it, or not to be told, always with the reason.

"Cannot tell" is a value of its own (``ok is None``), never a pass. Limits are taken as printed:
*over 10 %* means that exactly 10 % is still inside. A loss of mass is a share of the **charge**,
not of the gross mass; pressures are compared at one temperature, as absolute pressures.

>>> judge_mass_loss(Agent.CARBON_DIOXIDE, gross_mass_g=13_690, full_mass_g=14_200, charge_mass_g=5_000).ok
False
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

from inventory.measures.kinds import Agent
from inventory.measures.readings import PRACTICE, QUANTITY_LABELS, VAPOUR_AGENTS, Quantity

Number = int | float | Decimal

ATMOSPHERE_KPA = Decimal("101.325")
REFERENCE_C = Decimal(20)
ZERO_C_K = Decimal("273.15")

# How far the ideal gas law can be off, as a share of the corrected gauge pressure per kelvin between
# reading and reference: nitrogen, 300 to 2600 kPa, -40 to 60 degC, against the reference equation of
# state (CoolProp 8.0.0); the worst is 0.00039, at -40 degC.
IDEAL_ERROR_PER_K = Decimal("0.0004")
# A liquefied agent adds vapour pressure that the law leaves out. From memory: Halon 1211 gains about
# 7 kPa per kelvin near 20 degC, one hundredth of a 700 kPa charge.
VAPOUR_ERROR_PER_K = Decimal("0.01")

# What a unit can have stood in when no temperature was entered.
COLDEST_C, HOTTEST_C = Decimal(-40), Decimal(60)

# Weighing to one hundredth of the charge counts as no gain. Common practice, no source.
GAIN_SHARE = Fraction(1, 100)


@dataclass(frozen=True, slots=True)
class Limit:
    """The largest loss that is still inside, as a share, and who prints it."""

    share: Fraction
    source: str

    @property
    def text(self) -> str:
        """Return the limit in words, e.g. "loss not over 10 %"."""
        return f"loss not over {_percent(self.share)}"


MASS_LOSS_LIMITS: dict[Agent, Limit] = {
    Agent.CARBON_DIOXIDE: Limit(Fraction(10, 100), "46 CFR 91.25-20: over 10 % of the charge, recharge"),
    Agent.CLEAN_AGENT: Limit(Fraction(5, 100), "NFPA 10, from memory, edition not verified"),
    Agent.HALON_1211: Limit(Fraction(5, 100), "NFPA 10, from memory, edition not verified"),
    Agent.HALON_1301: Limit(Fraction(5, 100), "NFPA 10, from memory, edition not verified"),
}

VAPOUR_PRESSURE_LIMIT = Limit(
    Fraction(10, 100), "US Army TM 5-3835-220-13P: 10 % at one temperature, after settling at 70 °F"
)
PRESSURE_LIMIT = Limit(Fraction(10, 100), PRACTICE)

# Share of its gas that a cartridge may lose. From memory of UK and IS 2190 practice.
CARTRIDGE_LOSS_LIMIT = Limit(Fraction(10, 100), "UK and Indian practice, from memory: over 10 % of the gas")

TEST_PRESSURE_SOURCE = "29 CFR 1910.157(f)(10)-(12); factory test pressure on the nameplate"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a reading is inside its limit: true, false, or ``None`` for "cannot tell"."""

    ok: bool | None
    sentence: str
    limit: str
    source: str

    @property
    def word(self) -> str:
        """Return ``inside``, ``outside`` or ``unjudged``."""
        return "unjudged" if self.ok is None else "inside" if self.ok else "outside"


@dataclass(frozen=True, slots=True)
class Nameplate:
    """What the plate says, as far as a verdict needs it; ``None`` where it is not known.

    Masses in grams, gauge pressures in kPa. ``working_pressure_kpa`` holds at ``reference_c``.
    """

    agent: Agent
    charge_mass_g: Number | None = None
    full_mass_g: Number | None = None
    working_pressure_kpa: Number | None = None
    test_pressure_kpa: Number | None = None
    reference_c: Number = REFERENCE_C


def pressure_at(
    gauge_kpa: Number, *, from_c: Number, to_c: Number, atmosphere_kpa: Number = ATMOSPHERE_KPA
) -> Decimal:
    """Return the gauge pressure that a closed gas space read at ``from_c`` has at ``to_c``.

    Ideal gas at constant volume, on absolute values; scaling the gauge figure itself would be
    wrong. Real nitrogen differs by up to ``IDEAL_ERROR_PER_K`` of the result per kelvin between
    the two temperatures. Gauge pressures in kPa, temperatures in °C above absolute zero.

    Raises ``ValueError`` at or below absolute zero.
    """
    start, end = (_number(celsius) + ZERO_C_K for celsius in (from_c, to_c))
    if start <= 0 or end <= 0:
        raise ValueError("Temperatures must lie above absolute zero, -273.15 °C.")
    atmosphere = _number(atmosphere_kpa)
    return (_number(gauge_kpa) + atmosphere) * end / start - atmosphere


def judge_mass_loss(
    agent: Agent, *, gross_mass_g: Number, full_mass_g: Number | None, charge_mass_g: Number | None
) -> Verdict:
    """Judge a weighed unit by the share of its charge that is gone.

    Carbon dioxide may lose up to and including 10 % of its charge, a halocarbon 5 %. A liquefied
    gas that weighs more than full by over 1 % of its charge is outside too: overfilled, it bursts
    its disc when warm. Other agents have no limit of mass here, so nothing can be told. Nameplate
    masses rounded to the gram can push a loss of exactly the limit over it, towards recharging.
    """
    limit = MASS_LOSS_LIMITS.get(agent)
    label = QUANTITY_LABELS[Quantity.GROSS_MASS]
    if limit is None:
        return Verdict(
            None,
            f"{label} {_mass(gross_mass_g)} is recorded but not judged: compare it with the nameplate.",
            "no limit of mass for this agent",
            PRACTICE,
        )
    if full_mass_g is None or charge_mass_g is None:
        lacking = " and ".join(
            name for name, value in (("full mass", full_mass_g), ("charge", charge_mass_g)) if value is None
        )
        return Verdict(
            None,
            f"{label} {_mass(gross_mass_g)} cannot be judged: the {lacking} of the unit is not known. "
            "Read it from the nameplate or the stamp and enter it.",
            limit.text,
            limit.source,
        )
    gross, full, charge = (Fraction(_number(value)) for value in (gross_mass_g, full_mass_g, charge_mass_g))
    if charge <= 0 or full <= charge:
        return Verdict(
            None,
            f"{label} {_mass(gross_mass_g)} cannot be judged: a unit of {_mass(full_mass_g)} full mass "
            f"cannot hold a charge of {_mass(charge_mass_g)}. Correct the nameplate facts.",
            limit.text,
            limit.source,
        )
    loss = full - gross
    share = loss / charge
    if share < -GAIN_SHARE:
        return Verdict(
            False,
            f"{_mass(-loss)} heavier than full, {_percent(-share)} of the charge: overfilled, or the full "
            "mass is wrong. Overfilled, its disc bursts when warm: take it out of service, weigh it again.",
            "not heavier than full",
            PRACTICE,
        )
    if share > 1:
        return Verdict(
            False,
            f"{_mass(loss)} lost, more than the whole charge of {_mass(charge)}: the weight or the full mass "
            "is wrong, or parts were missing. Weigh it again with hose and horn as stamped.",
            limit.text,
            limit.source,
        )
    ok = share <= limit.share
    lost = (
        f"{_mass(loss)} of {_mass(charge)} lost, {_percent(share)} of the charge"
        if loss > 0
        else "nothing lost"
    )
    return Verdict(
        ok, f"{lost}; {'inside' if ok else 'over'} {_percent(limit.share)}.", limit.text, limit.source
    )


def pressure_limit_text(limit: Limit, reference_c: Number = REFERENCE_C) -> str:
    """Return a limit of pressure in words, e.g. "within 10 % of working pressure at 20 °C"."""
    return f"within {_percent(limit.share)} of working pressure at {_plain(reference_c)} °C"


def judge_gauge_pressure(
    agent: Agent,
    *,
    gauge_kpa: Number,
    working_pressure_kpa: Number | None,
    temperature_c: Number | None,
    reference_c: Number = REFERENCE_C,
) -> Verdict:
    """Judge a stored-pressure gauge against its working pressure, both at ``reference_c``.

    More than 10 % below or above is outside. When the gas law may be off by as much as lies
    between the corrected reading and the limit, nothing can be told and the verdict says how to
    settle it. Without a temperature the reading is taken as made at ``reference_c``, which the
    sentence states; a reading outside the limit is then judged only if no temperature from -40 to
    60 °C explains it, since a cold unit reads low.

    The zone printed on the gauge and the maker's manual come first where they say otherwise.
    """
    limit = VAPOUR_PRESSURE_LIMIT if agent in VAPOUR_AGENTS else PRESSURE_LIMIT
    reference = f"{_plain(reference_c)} °C"
    text = pressure_limit_text(limit, reference_c)
    if working_pressure_kpa is None or _number(working_pressure_kpa) <= 0:
        return Verdict(
            None,
            f"Gauge at {_pressure(gauge_kpa)} cannot be judged: the working pressure is not known. "
            "Read it from the nameplate and enter it.",
            text,
            limit.source,
        )
    working = _number(working_pressure_kpa)
    lowest = working * (100 - _hundredths(limit.share)) / 100
    highest = working * (100 + _hundredths(limit.share)) / 100

    def at_reference(celsius: Decimal) -> tuple[Decimal, Decimal]:
        """Return the corrected pressure and how far off it may be."""
        corrected = pressure_at(gauge_kpa, from_c=celsius, to_c=reference_c)
        per_kelvin = VAPOUR_ERROR_PER_K if agent in VAPOUR_AGENTS else IDEAL_ERROR_PER_K
        return corrected, abs(corrected) * per_kelvin * abs(celsius - _number(reference_c))

    against = f"against {_pressure(working)} working pressure"
    if temperature_c is None:
        coldest, cold_error = at_reference(COLDEST_C)
        hottest, hot_error = at_reference(HOTTEST_C)
        corrected = _number(gauge_kpa)
        read = (
            f"{_pressure(gauge_kpa)}, taken as read at {reference} as no temperature was entered, {against}"
        )
        low, high = coldest + cold_error < lowest, hottest - hot_error > highest
        inside = lowest <= corrected <= highest
        remedy = "looks {side}, but a cold or hot unit reads so. Enter the air temperature"
    else:
        corrected, error = at_reference(_number(temperature_c))
        there = f"{_pressure(corrected)} at {reference}"
        read = f"{_pressure(gauge_kpa)} at {_plain(temperature_c)} °C is {there}, {against}"
        low, high = corrected + error < lowest, corrected - error > highest
        inside = lowest + error <= corrected <= highest - error
        remedy = (
            f"too near the limit to tell at this temperature. Let it settle near {reference} and read again"
        )
    if inside:
        return Verdict(True, f"{read}: inside.", text, limit.source)
    side = "low" if corrected < working else "high"
    if low or high:
        return Verdict(False, f"{read}: too {side}.", text, limit.source)
    return Verdict(None, f"{read}: {remedy.format(side=side)}.", text, limit.source)


def judge_cartridge_loss(
    *, cartridge_mass_g: Number, full_cartridge_mass_g: Number | None, gas_mass_g: Number | None
) -> Verdict:
    """Judge a weighed cartridge by the share of its gas that is gone; over 10 % is outside."""
    limit = CARTRIDGE_LOSS_LIMIT
    if full_cartridge_mass_g is None or gas_mass_g is None or _number(gas_mass_g) <= 0:
        return Verdict(
            None,
            f"Cartridge at {_mass(cartridge_mass_g)} is recorded but not judged: compare it with the mass "
            "stamped on it and change it when it is light.",
            limit.text,
            limit.source,
        )
    loss = Fraction(_number(full_cartridge_mass_g)) - Fraction(_number(cartridge_mass_g))
    share = loss / Fraction(_number(gas_mass_g))
    ok = share <= limit.share
    lost = f"{_mass(loss)} lost, {_percent(share)} of the gas" if loss > 0 else "nothing lost"
    return Verdict(
        ok, f"{lost}; {'inside' if ok else 'over'} {_percent(limit.share)}.", limit.text, limit.source
    )


def judge_test_pressure(*, reached_kpa: Number, nameplate_test_kpa: Number | None) -> Verdict:
    """Judge whether a pressure test reached the test pressure on the nameplate.

    Pressures compare to the nearest kPa, because plates round when they print two units. A rule
    that caps the pressure below the plate is a conflict for a person, not for this verdict.
    """
    source = TEST_PRESSURE_SOURCE
    if nameplate_test_kpa is None:
        return Verdict(
            None,
            f"{_pressure(reached_kpa)} reached cannot be judged: the test pressure of the unit is not known. "
            "Read it from the nameplate and enter it.",
            "test pressure reached",
            source,
        )
    wanted = _number(nameplate_test_kpa)
    ok = _number(reached_kpa).quantize(Decimal(1), ROUND_HALF_UP) >= wanted.quantize(
        Decimal(1), ROUND_HALF_UP
    )
    return Verdict(
        ok,
        f"{_pressure(reached_kpa)} reached of {_pressure(wanted)} test pressure"
        + (": reached." if ok else ": not reached, the test does not count."),
        f"at least {_pressure(wanted)}",
        source,
    )


def judge_readings(plate: Nameplate, readings: Mapping[Quantity, Number]) -> dict[Quantity, Verdict]:
    """Judge the readings of one record together; each quantity in its base unit (kPa, g, mL, °C).

    Every reading gets a verdict. One that only helps to judge another, or has no limit here, is
    ``None`` with the reason.
    """
    verdicts: dict[Quantity, Verdict] = {}
    for quantity, value in readings.items():
        match quantity:
            case Quantity.GROSS_MASS:
                verdicts[quantity] = judge_mass_loss(
                    plate.agent,
                    gross_mass_g=value,
                    full_mass_g=plate.full_mass_g,
                    charge_mass_g=plate.charge_mass_g,
                )
            case Quantity.GAUGE_PRESSURE:
                verdicts[quantity] = judge_gauge_pressure(
                    plate.agent,
                    gauge_kpa=value,
                    working_pressure_kpa=plate.working_pressure_kpa,
                    temperature_c=readings.get(Quantity.AMBIENT_TEMPERATURE),
                    reference_c=plate.reference_c,
                )
            case Quantity.CARTRIDGE_MASS:
                verdicts[quantity] = judge_cartridge_loss(
                    cartridge_mass_g=value, full_cartridge_mass_g=None, gas_mass_g=None
                )
            case Quantity.TEST_PRESSURE:
                verdicts[quantity] = judge_test_pressure(
                    reached_kpa=value, nameplate_test_kpa=plate.test_pressure_kpa
                )
            case Quantity.AMBIENT_TEMPERATURE:
                verdicts[quantity] = Verdict(
                    None, f"{_plain(value)} °C, used to judge the pressure.", "no limit", PRACTICE
                )
            case _:
                verdicts[quantity] = Verdict(
                    None,
                    f"{QUANTITY_LABELS[quantity]} is recorded but not judged: compare it with the nameplate.",
                    "no limit here",
                    PRACTICE,
                )
    return verdicts


def _number(value: Number | Fraction) -> Decimal:
    """Return ``value`` as written, so that 0.1 stays one tenth and not its binary neighbour."""
    if isinstance(value, Fraction):
        return Decimal(value.numerator) / Decimal(value.denominator)
    return Decimal(repr(value)) if isinstance(value, float) else Decimal(value)


def _hundredths(share: Fraction) -> Decimal:
    return _number(share * 100)


def _plain(value: Number | Fraction, places: int = 1) -> str:
    """Return a figure with at most ``places`` decimals and no trailing zeros."""
    rounded = _number(value).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
    return f"{rounded.normalize():f}" if rounded else "0"


def _percent(share: Fraction) -> str:
    """Return a share in per cent; more decimals when rounding would hide which side of a limit it is."""
    exact = share * 100
    for places in (1, 2, 4):
        text = _plain(exact, places)
        if Fraction(text) == exact or (Fraction(text) > 0 and Fraction(text) % 5 != 0):
            break
    return f"{text} %"


def _mass(value: Number | Fraction) -> str:
    return f"{_plain(_number(value) / 1000, 3)} kg"


def _pressure(kpa: Number) -> str:
    return f"{_plain(_number(kpa) / 100, 2)} bar"
