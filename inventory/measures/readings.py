"""Measured values: which ones a passed task demands, and which figures can be true at all.

A task that needs a number cannot be ticked. ``demands`` says which numbers a pass needs for the
agent and construction at hand, each with its source; ``read_value`` turns an entered figure into
a measure and refuses what no extinguisher can show, so that a pressure typed in the wrong unit
never becomes a record.

>>> read_value(Quantity.GAUGE_PRESSURE, "195", "psi").measure.rounded(UnitOfMeasure.BAR, 1)
Decimal('13.4')
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from inventory.measures.kinds import AGENT_LABELS, CONSTRUCTION_LABELS, Agent, Construction, Task
from inventory.measures.units import (
    BASE_UNITS,
    Dimension,
    Measure,
    MeasureError,
    UnitOfMeasure,
    read_number,
    read_unit,
    units_of,
)

PRACTICE = "common practice, no source"


class Quantity(StrEnum):
    """What is measured on a unit. Pressures are gauge pressures."""

    GAUGE_PRESSURE = "gauge_pressure"
    PROPELLANT_PRESSURE = "propellant_pressure"
    AMBIENT_TEMPERATURE = "ambient_temperature"
    GROSS_MASS = "gross_mass"
    CHARGE_MASS = "charge_mass"
    CHARGE_VOLUME = "charge_volume"
    CARTRIDGE_MASS = "cartridge_mass"
    TEST_PRESSURE = "test_pressure"


QUANTITY_LABELS: dict[Quantity, str] = {
    Quantity.GAUGE_PRESSURE: "Gauge pressure",
    Quantity.PROPELLANT_PRESSURE: "Propellant cylinder pressure",
    Quantity.AMBIENT_TEMPERATURE: "Air temperature",
    Quantity.GROSS_MASS: "Gross mass",
    Quantity.CHARGE_MASS: "Agent mass filled",
    Quantity.CHARGE_VOLUME: "Agent volume filled",
    Quantity.CARTRIDGE_MASS: "Cartridge mass",
    Quantity.TEST_PRESSURE: "Test pressure reached",
}


@dataclass(frozen=True, slots=True)
class PhysicalRange:
    """The lowest and highest value, both included, that a quantity can show, in its base unit."""

    dimension: Dimension
    lowest: Decimal
    highest: Decimal
    source: str


RANGES: dict[Quantity, PhysicalRange] = {
    # 3.5 MPa is the test pressure of a low-pressure body (IS 15683:2006 with Amendment 1, clause 6.1);
    # no gauge on one in service stands higher.
    Quantity.GAUGE_PRESSURE: PhysicalRange(
        Dimension.PRESSURE, Decimal(0), Decimal(3500), "IS 15683:2006 Amd 1, 6.1: body tested at 3.5 MPa"
    ),
    Quantity.PROPELLANT_PRESSURE: PhysicalRange(Dimension.PRESSURE, Decimal(0), Decimal(30_000), PRACTICE),
    Quantity.AMBIENT_TEMPERATURE: PhysicalRange(Dimension.TEMPERATURE, Decimal(-60), Decimal(70), PRACTICE),
    Quantity.GROSS_MASS: PhysicalRange(Dimension.MASS, Decimal(200), Decimal(600_000), PRACTICE),
    Quantity.CHARGE_MASS: PhysicalRange(Dimension.MASS, Decimal(50), Decimal(300_000), PRACTICE),
    Quantity.CHARGE_VOLUME: PhysicalRange(Dimension.VOLUME, Decimal(100), Decimal(300_000), PRACTICE),
    Quantity.CARTRIDGE_MASS: PhysicalRange(Dimension.MASS, Decimal(20), Decimal(30_000), PRACTICE),
    Quantity.TEST_PRESSURE: PhysicalRange(Dimension.PRESSURE, Decimal(500), Decimal(70_000), PRACTICE),
}


class ReadingError(ValueError):
    """An entered figure that is no reading.

    ``code`` is ``no_number``, ``unknown_unit``, ``wrong_unit`` or ``out_of_range``; ``quantity``
    names the field; ``sentence`` says what is wrong and what to do.
    """

    def __init__(self, code: str, quantity: Quantity, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code
        self.quantity = quantity
        self.sentence = sentence


@dataclass(frozen=True, slots=True)
class ValueRead:
    """One measured value inside its physical range."""

    quantity: Quantity
    measure: Measure

    def __post_init__(self) -> None:
        limits = RANGES[self.quantity]
        label = QUANTITY_LABELS[self.quantity]
        if self.measure.dimension is not limits.dimension:
            raise ReadingError(
                "wrong_unit",
                self.quantity,
                f"{label} {self.measure}: {self.measure.unit.value} is no unit of {limits.dimension.value}. "
                f"Choose one of {', '.join(unit.value for unit in units_of(limits.dimension))}.",
            )
        if not limits.lowest <= self.measure.canonical <= limits.highest:
            base = BASE_UNITS[limits.dimension]
            lowest, highest = (
                Measure(bound, base).rounded(self.measure.unit, 1)
                for bound in (limits.lowest, limits.highest)
            )
            raise ReadingError(
                "out_of_range",
                self.quantity,
                f"{label} {self.measure} is outside {lowest} to {highest} {self.measure.unit.value}, what an "
                "extinguisher can show. Was it entered in the wrong unit? Check the figure and its unit.",
            )


def read_value(quantity: Quantity, entered: str | Decimal, unit: str | UnitOfMeasure) -> ValueRead:
    """Return the value of ``quantity`` that was entered, in the unit that was entered.

    Raises ``ReadingError`` for a text that is no number or could be two, a unit nobody knows or
    of another kind, and a value outside the physical range of the quantity.
    """
    label = QUANTITY_LABELS[quantity]
    known = unit if isinstance(unit, UnitOfMeasure) else read_unit(unit)
    if known is None:
        raise ReadingError(
            "unknown_unit",
            quantity,
            f'{label}: the unit "{unit}" is not known here. '
            f"Choose one of {', '.join(u.value for u in units_of(RANGES[quantity].dimension))}.",
        )
    if isinstance(entered, str):
        try:
            number, doubt = read_number(entered)
        except MeasureError as error:
            raise ReadingError("no_number", quantity, f"{label}: {error.sentence}") from error
        if doubt is not None:
            raise ReadingError(
                "no_number",
                quantity,
                f'{label}: "{entered}" can be read two ways. Write it without grouping.',
            )
    elif entered.is_finite():
        number = entered
    else:
        raise ReadingError("no_number", quantity, f"{label}: {entered} is not a number. Write figures.")
    return ValueRead(quantity, Measure(number, known))


@dataclass(frozen=True, slots=True)
class Demand:
    """Numbers of which a passed task needs at least one, why, and who says so."""

    any_of: tuple[Quantity, ...]
    why: str
    source: str

    def is_met_by(self, given: Collection[Quantity]) -> bool:
        """Return whether one of the numbers is among ``given``."""
        return any(quantity in given for quantity in self.any_of)

    @property
    def sentence(self) -> str:
        """Return what to enter and why, for the person who left it out."""
        names = " or ".join(QUANTITY_LABELS[quantity].lower() for quantity in self.any_of)
        return f"Enter the {names}: {self.why}."


VAPOUR_AGENTS = frozenset({Agent.CLEAN_AGENT, Agent.HALON_1211, Agent.HALON_1301})

_FROM_MEMORY = "NFPA 10, from memory, edition not verified"


def demands(
    task: Task, agent: Agent, construction: Construction, *, has_gauge: bool = True
) -> tuple[Demand, ...]:
    """Return the numbers that a pass of ``task`` needs on a unit of this kind.

    ``has_gauge`` is false for a stored-pressure unit with a pressure pin or no indicator at all;
    it is weighed instead. An unknown construction still needs one number that shows its fill.
    A failed or unreached unit needs none.
    """
    if task is Task.MAINTENANCE:
        return _of_maintenance(agent, construction, has_gauge)
    if task is Task.WEIGHING:
        if construction in (Construction.CARTRIDGE, Construction.CYLINDER_OPERATED):
            return (
                _demand(
                    "weighing is done on a scale", PRACTICE, Quantity.CARTRIDGE_MASS, Quantity.GROSS_MASS
                ),
            )
        return (_demand("weighing is done on a scale", PRACTICE, Quantity.GROSS_MASS),)
    if task in (Task.HYDROSTATIC_TEST, Task.REQUALIFICATION, Task.HOSE_TEST):
        return (
            _demand(
                "a pressure test is passed at its test pressure", "29 CFR 1910.157(f)", Quantity.TEST_PRESSURE
            ),
        )
    if task in (Task.RECHARGE, Task.EXTENDED_SERVICE, Task.WORKSHOP_SERVICE):
        return (
            _demand(
                "a charge is known by its mass",
                PRACTICE,
                Quantity.GROSS_MASS,
                Quantity.CHARGE_MASS,
                Quantity.CHARGE_VOLUME,
            ),
        )
    return ()


def _of_maintenance(agent: Agent, construction: Construction, has_gauge: bool) -> tuple[Demand, ...]:
    kind = f"{AGENT_LABELS[agent].lower()}, {CONSTRUCTION_LABELS[construction].lower()}"
    gross = _demand(f"only the scale shows what is left in it ({kind})", _FROM_MEMORY, Quantity.GROSS_MASS)
    gauge = _demand(
        f"the gauge shows whether it can drive its agent out ({kind})", _FROM_MEMORY, Quantity.GAUGE_PRESSURE
    )
    if agent is Agent.CARBON_DIOXIDE:
        return (
            _demand(
                "the pressure of carbon dioxide says nothing about its mass",
                "46 CFR 91.25-20; 29 CFR 1910.157(e)(3)",
                Quantity.GROSS_MASS,
            ),
        )
    if construction is Construction.CARTRIDGE:
        return (
            _demand(
                f"the cartridge is proved by weighing it ({kind})", _FROM_MEMORY, Quantity.CARTRIDGE_MASS
            ),
        )
    if construction is Construction.CYLINDER_OPERATED:
        return (
            _demand(
                f"the propellant cylinder is proved by its pressure or its mass ({kind})",
                _FROM_MEMORY,
                Quantity.PROPELLANT_PRESSURE,
                Quantity.CARTRIDGE_MASS,
            ),
        )
    if agent in VAPOUR_AGENTS:
        return (gross, gauge) if construction is Construction.STORED_PRESSURE and has_gauge else (gross,)
    if construction is Construction.STORED_PRESSURE:
        return (gauge,) if has_gauge else (gross,)
    if construction is Construction.SELF_EXPELLING:
        return (gross,)
    if construction is Construction.UNKNOWN:
        return (
            _demand(
                f"one number has to show that it is charged ({kind})",
                PRACTICE,
                Quantity.GAUGE_PRESSURE,
                Quantity.GROSS_MASS,
                Quantity.CARTRIDGE_MASS,
            ),
        )
    return ()  # inverting and pump-tank units hold no pressure between uses


def offered(
    task: Task, agent: Agent, construction: Construction, *, has_gauge: bool = True
) -> tuple[Quantity, ...]:
    """Return the numbers worth asking for: those demanded first, then those that help to judge them."""
    asked = [
        quantity
        for demand in demands(task, agent, construction, has_gauge=has_gauge)
        for quantity in demand.any_of
    ]
    if Quantity.GAUGE_PRESSURE in asked or Quantity.PROPELLANT_PRESSURE in asked:
        asked.append(Quantity.AMBIENT_TEMPERATURE)
    if task is Task.MAINTENANCE and construction is not Construction.PUMP_TANK:
        asked.append(Quantity.GROSS_MASS)
    if task in (Task.RECHARGE, Task.EXTENDED_SERVICE, Task.WORKSHOP_SERVICE):
        asked += [Quantity.GAUGE_PRESSURE, Quantity.AMBIENT_TEMPERATURE]
    return tuple(dict.fromkeys(asked))


def missing(wanted: Collection[Demand], given: Collection[Quantity]) -> tuple[Demand, ...]:
    """Return the demands that no number in ``given`` meets."""
    return tuple(demand for demand in wanted if not demand.is_met_by(given))


def entry_units(quantity: Quantity) -> tuple[UnitOfMeasure, ...]:
    """Return the units in which ``quantity`` may be entered, the base unit first."""
    return units_of(RANGES[quantity].dimension)


def base_unit(quantity: Quantity) -> UnitOfMeasure:
    """Return the unit in which the base value of ``quantity`` is kept."""
    return BASE_UNITS[RANGES[quantity].dimension]


def _demand(why: str, source: str, *any_of: Quantity) -> Demand:
    return Demand(any_of, why, source)
