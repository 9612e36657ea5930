"""Reading condition: estimates of units, what they rest on, and groups that leak more than their peers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import QuerySet

from inventory.condition.models import LeakEstimate, LeakPeers
from inventory.logbook.models import Reading, ServiceRecord
from inventory.measures.charge import gauge_at
from inventory.measures.condition import GAUGE_ERROR, MASS_ERROR
from inventory.measures.kinds import Agent, Environment, Task
from inventory.measures.limits import MASS_LOSS_LIMITS
from inventory.measures.readings import VAPOUR_AGENTS, Quantity
from inventory.register.aliases import known_as
from inventory.register.models import Unit, UnitModel

PRESSURE, MASS = "pressure", "mass"
READING_ERROR = {PRESSURE: GAUGE_ERROR, MASS: MASS_ERROR}

# Work in which a unit is emptied and filled anew: what was read before says nothing of the new charge.
RESETS = (
    Task.RECHARGE,
    Task.EXTENDED_SERVICE,
    Task.WORKSHOP_SERVICE,
    Task.DISCHARGE_TEST,
    Task.HYDROSTATIC_TEST,
    Task.REQUALIFICATION,
)
# A rise by more than this many reading errors is a recharge that nobody wrote down.
RISE = 4.0


@dataclass(frozen=True, slots=True)
class Level:
    """One reading as a share of the full value, at one temperature."""

    on: date
    level: float
    entered: str
    is_assumed_20c: bool = False


@dataclass(frozen=True, slots=True)
class History:
    """The readings of a unit since its last recharge, in the order of time, and those before it."""

    measure: str
    since_on: date | None
    levels: tuple[Level, ...]
    earlier: tuple[Level, ...] = ()


def measure_of(model: UnitModel) -> str | None:
    """By what the charge of this model is followed, or ``None`` when its plate lacks the figures.

    A liquefied gas is weighed; a stored-pressure unit has its gauge.
    """
    if Agent(model.agent) in VAPOUR_AGENTS | {Agent.CARBON_DIOXIDE}:
        return MASS if model.full_mass_g and model.charge_mass_g else None
    return PRESSURE if model.construction == "stored_pressure" and model.working_pressure_kpa else None


def lower_limit(model: UnitModel, measure: str) -> float:
    """The level below which the charge must not fall, as a share of the full value."""
    if measure == MASS:
        limit = MASS_LOSS_LIMITS.get(Agent(model.agent))
        return 1 - float(limit.share) if limit is not None else 0.9
    return 0.9


def histories(units: Sequence[Unit]) -> dict[int, History]:
    """What was read on each of these units (with their models), by id; two queries.

    A gauge read without a temperature counts as read at 20 °C when the unit hangs indoors, and is left
    out elsewhere: in the cold it would look like a leak.
    """
    by_id = {unit.pk: unit for unit in units if measure_of(unit.model) is not None}
    records = (
        ServiceRecord.objects.standing()
        .of_units(by_id)
        .filter(done_first__isnull=False)
        .exclude(outcome__in=(ServiceRecord.Outcome.VOID, ServiceRecord.Outcome.NOT_FOUND))
        .order_by("counts_for", "done_first", "sequence")
        .values_list("pk", "counts_for", "task", "outcome", "done_first", "location__environment")
    )
    rows = list(records)
    values: dict[int, dict[str, tuple[float, str]]] = defaultdict(dict)
    wanted = (Quantity.GAUGE_PRESSURE, Quantity.GROSS_MASS, Quantity.AMBIENT_TEMPERATURE)
    readings = Reading.objects.filter(record__unit__in=known_as(by_id), quantity__in=wanted)
    for record, quantity, value, entered, unit in readings.values_list(
        "record_id", "quantity", "base_value", "entered_value", "entered_unit"
    ):
        values[record][quantity] = (value, f"{entered} {unit}")
    found: dict[int, History] = {}
    current: dict[int, list[Level]] = defaultdict(list)
    earlier: dict[int, list[Level]] = defaultdict(list)
    since: dict[int, date] = {}
    for record, unit_id, task, outcome, on, environment in rows:
        if on is None:
            continue
        if task in RESETS and outcome == ServiceRecord.Outcome.PASSED and since.get(unit_id) != on:
            earlier[unit_id] += current[unit_id]
            current[unit_id] = []
            since[unit_id] = on
        level = _level(by_id[unit_id].model, values.get(record, {}), on, environment)
        if level is None:
            continue
        here = current[unit_id]
        if here and level.level - here[-1].level > RISE * READING_ERROR[_measure(by_id[unit_id])]:
            earlier[unit_id] += here
            current[unit_id] = here = []
            since[unit_id] = on
        here.append(level)
    for pk, levels in current.items():
        if levels:
            found[pk] = History(_measure(by_id[pk]), since.get(pk), tuple(levels), tuple(earlier[pk]))
    return found


def _measure(unit: Unit) -> str:
    return measure_of(unit.model) or PRESSURE


def _level(
    model: UnitModel, given: dict[str, tuple[float, str]], on: date, environment: str | None
) -> Level | None:
    if measure_of(model) == MASS:
        if Quantity.GROSS_MASS not in given or not model.full_mass_g or not model.charge_mass_g:
            return None
        gross, entered = given[Quantity.GROSS_MASS]
        return Level(on, 1 - (model.full_mass_g - gross) / model.charge_mass_g, entered)
    if Quantity.GAUGE_PRESSURE not in given or not model.working_pressure_kpa:
        return None
    gauge, entered = given[Quantity.GAUGE_PRESSURE]
    temperature = given.get(Quantity.AMBIENT_TEMPERATURE)
    if temperature is None and environment not in (None, Environment.NORMAL):
        return None
    try:
        there = gauge_at(gauge, from_c=temperature[0] if temperature is not None else 20.0)
    except ValueError:
        return None  # outside what nitrogen is computed for; such a reading says nothing of a leak
    text = f"{entered} at {temperature[1]}" if temperature is not None else entered
    return Level(on, there / model.working_pressure_kpa, text, temperature is None)


def estimates_of(units: Iterable[int]) -> dict[int, LeakEstimate]:
    """The stored estimate of each of these units; one query."""
    rows = LeakEstimate.objects.filter(unit__in=list(units)).select_related("lot", "model")
    return {row.unit_id: row for row in rows}


def peers() -> QuerySet[LeakPeers]:
    """All groups, those that leak more than their peers first."""
    return LeakPeers.objects.select_related("model", "lot__item").order_by("-is_flagged", "-loss", "pk")
