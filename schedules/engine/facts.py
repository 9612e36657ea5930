"""What the engine is told: the facts of a unit, what was done to it, what happened to it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date

from inventory.measures.kinds import Agent, Construction, Environment, EventKind, Shell, Task, TestMethod
from inventory.measures.stamps import Stamp

_UNKNOWN = Stamp.unknown()


@dataclass(frozen=True, slots=True)
class UnitFacts:
    """The facts of one unit that an interval table can ask for.

    Masses are grams, volumes millilitres. ``None`` means not known. ``made`` is the manufacture
    stamp, ``first_test`` the first (original) test mark on the shell, ``commissioned`` when it was
    placed in service, ``sold`` the date of a sale tag. ``registered`` is the day the unit came
    into the register: work whose date cannot be known is due from that day on, so that the answer
    does not change from night to night. ``group_key`` names the unit's group for quotas.

    Raises ``ValueError`` for a code outside the closed vocabularies or a measure below zero.
    """

    agent: Agent
    construction: Construction
    shell: Shell
    cylinder_spec: str = ""
    water_capacity_ml: int | None = None
    charge_mass_g: int | None = None
    charge_volume_ml: int | None = None
    is_wheeled: bool = False
    is_refillable: bool | None = None
    environment: Environment = Environment.NORMAL
    has_shutoff_hose: bool | None = None
    made: Stamp = _UNKNOWN
    first_test: Stamp = _UNKNOWN
    commissioned: Stamp = _UNKNOWN
    sold: Stamp = _UNKNOWN
    group_key: str = ""
    registered: date | None = None

    def __post_init__(self) -> None:
        for name, kind in _KINDS:
            value = getattr(self, name)
            if type(value) is not kind:
                object.__setattr__(self, name, kind(value))
        for name in ("water_capacity_ml", "charge_mass_g", "charge_volume_ml"):
            value = getattr(self, name)
            if value is not None and value < 0:
                raise ValueError(f"{name} is {value}; a measure is never below zero.")


_KINDS = (("agent", Agent), ("construction", Construction), ("shell", Shell), ("environment", Environment))


@dataclass(frozen=True, slots=True)
class Done:
    """One task that was done to a unit, or tried and failed.

    ``method`` is a code of ``TestMethod`` (empty: not known). ``evidence`` and ``ref`` are the
    caller's and come back in the basis of a date.
    """

    task: Task
    stamp: Stamp
    method: str = ""
    passed: bool = True
    evidence: str = ""
    ref: str = ""

    def __post_init__(self) -> None:
        if type(self.task) is not Task:
            object.__setattr__(self, "task", Task(self.task))
        if type(self.method) is not TestMethod:
            object.__setattr__(self, "method", TestMethod(self.method))


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a unit outside planned work."""

    kind: EventKind
    on: date
    ref: str = ""

    def __post_init__(self) -> None:
        if type(self.kind) is not EventKind:
            object.__setattr__(self, "kind", EventKind(self.kind))


FACT_FIELDS = tuple(field.name for field in fields(UnitFacts))
