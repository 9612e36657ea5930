"""What a judgement may look at, and what it answers: plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from inventory.measures.kinds import Agent, Construction, Shell
from inventory.measures.limits import Verdict
from inventory.measures.readings import PRACTICE
from inventory.measures.stamps import Stamp
from inventory.workshop.steps import Given, Kind
from inventory.workshop.values import Values


@dataclass(frozen=True, slots=True)
class Plate:
    """What is known of the unit on the bench; ``None`` where it is not known. Grams, millilitres, kPa."""

    kind: Kind
    serial: str = ""
    made: Stamp = field(default_factory=Stamp.unknown)
    charge_mass_g: int | None = None
    charge_volume_ml: int | None = None
    full_mass_g: int | None = None
    water_capacity_ml: int | None = None
    working_pressure_kpa: int | None = None
    test_pressure_kpa: int | None = None
    is_refillable: bool | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """Everything a judgement may look at beside the step itself."""

    plate: Plate
    values: Values
    today: date
    earlier: Mapping[str, Given] = field(default_factory=dict)
    rig_failures: int = 0

    def _read(self, code: str, dimension: str) -> float | None:
        triage = self.earlier.get("triage")
        found = triage.measures.get(code) if triage is not None else None
        return None if found is None else float(getattr(found, dimension))

    @property
    def charge_range_g(self) -> tuple[float, float] | None:
        """The range of the charge on the nameplate, as read at triage."""
        low, high = self._read("charge_low", "mass_g"), self._read("charge_high", "mass_g")
        return None if low is None or high is None else (low, high)

    @property
    def gross_range_g(self) -> tuple[float, float] | None:
        """The range of the gross mass on the nameplate, as read at triage."""
        low, high = self._read("gross_low", "mass_g"), self._read("gross_high", "mass_g")
        return None if low is None or high is None else (low, high)

    @property
    def test_pressure_kpa(self) -> float | None:
        """The test pressure on the nameplate: as read at triage, else as the register knows it."""
        read = self._read("plate_test_pressure", "pressure_kpa")
        known = self.plate.test_pressure_kpa
        return read if read is not None else float(known) if known is not None else None


@dataclass(frozen=True, slots=True)
class Judged:
    """The verdict on a step.

    ``must_condemn`` tells that the shell may not go on; ``asks`` are questions that the person has
    to answer by confirming before it is stored.
    """

    verdict: str = "done"
    sentences: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    asks: Mapping[str, str] = field(default_factory=dict)
    must_condemn: bool = False
    by_field: Mapping[str, Verdict] = field(default_factory=dict)


def plate_of(model: Any, *, serial: str, made: Stamp) -> Plate:
    """What the register knows of a unit of ``model`` (a row of unit models), as plain values."""
    return Plate(
        kind=Kind(
            Agent(model.agent), Construction(model.construction), Shell(model.shell), model.cylinder_spec
        ),
        serial=serial,
        made=made,
        charge_mass_g=model.charge_mass_g,
        charge_volume_ml=model.charge_volume_ml,
        full_mass_g=model.full_mass_g,
        water_capacity_ml=model.water_capacity_ml,
        working_pressure_kpa=model.working_pressure_kpa,
        test_pressure_kpa=model.test_pressure_kpa,
        is_refillable=model.is_refillable,
    )


# What was seen is a result of its own: these steps are finished also by a bad or an open answer.
_FINISHED_BY = {
    "outside": frozenset({"triage", "inside"}),
    "unjudged": frozenset({"inside", "fill", "pressurise", "finish"}),
}


def finishes(step: str, verdict: str) -> bool:
    """Whether a step is finished by an entry of this verdict; otherwise it has to be done again."""
    return verdict in ("inside", "done") or step in _FINISHED_BY.get(verdict, frozenset())


@dataclass(frozen=True, slots=True)
class Charging:
    """Whether agent or gas may be put into a unit, as its due dates say."""

    needs_test: bool = False
    has_ended: bool = False
    sentence: str = ""
    owed: tuple[str, ...] = ()


def said(verdict: Verdict) -> str:
    """The verdict in one sentence, with its limit and source."""
    return f"{verdict.sentence.rstrip('.')} (limit: {verdict.limit}; {verdict.source or PRACTICE})."


def kpa(given: Given, code: str) -> Decimal | None:
    """The pressure of a field in kilopascals, or ``None`` when it was left out."""
    measure = given.measures.get(code)
    return None if measure is None else measure.pressure_kpa
