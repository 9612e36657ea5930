"""What is checked on a unit, and what can be wrong with it or its place: shipped lists and their loader.

The lists are data (``data/checks.toml``, ``data/defects.toml``), each line with its source. They are the
usual practice of the trade; the maker's manual and local codes come first. A unit takes the checks of
every kind it belongs to, in the order of the file.

>>> "co2.mass" in {check.code for check in checks_for(
...     Task.MAINTENANCE, kinds_of(Agent.CARBON_DIOXIDE, Construction.SELF_EXPELLING))}
True
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any, TypeVar

from inventory.measures.kinds import Agent, Construction, Task
from inventory.measures.readings import Quantity

_Code = TypeVar("_Code", bound=StrEnum)


class ListError(ValueError):
    """A shipped list that does not hold together; names file, line's code, field and remedy."""


class Answer(StrEnum):
    """What a check asks for."""

    YES_NO = "yes_no"
    MEASURE = "measure"
    TEXT = "text"
    DATE = "date"


class About(StrEnum):
    """What a defect is a defect of."""

    UNIT = "unit"
    LOCATION = "location"


class Severity(StrEnum):
    """How grave a defect is; classes named as in AS 1851, assigned by us."""

    CRITICAL = "critical"
    NON_CRITICAL = "non_critical"
    NON_CONFORMANCE = "non_conformance"


class LeadsTo(StrEnum):
    """Where a unit with this defect usually ends; a person decides."""

    IN_SERVICE = "in_service"
    AWAITING_RECHARGE = "awaiting_recharge"
    WORKSHOP = "workshop"
    CONDEMNED = "condemned"
    HELD = "held"


SEVERITY_LABELS: Mapping[Severity, str] = MappingProxyType(
    {
        Severity.CRITICAL: "Critical",
        Severity.NON_CRITICAL: "Non-critical",
        Severity.NON_CONFORMANCE: "Non-conformance",
    }
)

KINDS = frozenset(
    {
        "all",
        "powder",
        "stored_pressure",
        "stored_pressure_powder",
        "cartridge",
        "cartridge_powder",
        "stored_pressure_water",
        "cartridge_water_or_foam",
        "water_foam_wet",
        "foam",
        "wet_chemical",
        "co2",
        "clean_agent",
        "metal_fire_powder",
        "wheeled",
        "non_rechargeable",
    }
)

_POWDERS = frozenset({Agent.DRY_CHEMICAL_ABC, Agent.DRY_CHEMICAL_BC, Agent.DRY_POWDER_D})
_WATERS = frozenset(
    {Agent.WATER, Agent.WATER_ANTIFREEZE, Agent.WETTING_AGENT, Agent.WATER_MIST, Agent.LOADED_STREAM}
)
_FOAMS = frozenset({Agent.FOAM, Agent.AFFF, Agent.FFFP, Agent.CHEMICAL_FOAM})
_GASES = frozenset({Agent.CLEAN_AGENT, Agent.HALON_1211, Agent.HALON_1301})

# Tasks that are made of other tasks' checks.
_CHECKS_OF: Mapping[Task, tuple[Task, ...]] = MappingProxyType(
    {
        Task.EXTENDED_SERVICE: (Task.INTERNAL_EXAMINATION, Task.RECHARGE),
        Task.WORKSHOP_SERVICE: (Task.INTERNAL_EXAMINATION, Task.RECHARGE),
    }
)


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to look at, when it is right, and who says so."""

    code: str
    task: Task
    kinds: frozenset[str]
    seq: int
    text: str
    pass_when: str
    answer: Answer
    quantity: Quantity | None
    source: str


@dataclass(frozen=True, slots=True)
class DefectKind:
    """One thing that can be wrong, how grave, what is done, where the unit usually ends."""

    code: str
    about: About
    text: str
    meaning: str
    also: tuple[str, ...]
    kinds: frozenset[str]
    severity: Severity
    action: str
    leads_to: LeadsTo
    source: str


def kinds_of(
    agent: Agent, construction: Construction, *, is_wheeled: bool = False, is_refillable: bool | None = None
) -> frozenset[str]:
    """Return the kinds whose checks and defects a unit of this build takes; ``all`` among them."""
    found = {"all"}
    stored = construction is Construction.STORED_PRESSURE
    by_cartridge = construction is Construction.CARTRIDGE
    if stored:
        found.add("stored_pressure")
    if by_cartridge:
        found.add("cartridge")
    if agent in _POWDERS:
        found.add("powder")
        found |= {"stored_pressure_powder"} if stored else {"cartridge_powder"} if by_cartridge else set()
    if agent is Agent.DRY_POWDER_D:
        found.add("metal_fire_powder")
    if agent in _WATERS or agent in _FOAMS or agent is Agent.WET_CHEMICAL:
        found.add("water_foam_wet")
    if (agent in _WATERS or agent in _FOAMS) and by_cartridge:
        found.add("cartridge_water_or_foam")
    elif agent in _WATERS and stored:
        found.add("stored_pressure_water")
    elif agent in _FOAMS:
        found.add("foam")
    if agent is Agent.WET_CHEMICAL:
        found.add("wet_chemical")
    if agent is Agent.CARBON_DIOXIDE:
        found.add("co2")
    if agent in _GASES:
        found.add("clean_agent")
    if is_wheeled:
        found.add("wheeled")
    if is_refillable is False:
        found.add("non_rechargeable")
    return frozenset(found)


@cache
def checks() -> tuple[Check, ...]:
    """Return every check, in the order of the file. Raises ``ListError`` for a file that is not whole."""
    found: list[Check] = []
    for position, row in enumerate(_rows("checks.toml", "check"), 1):
        quantity = row.get("quantity")
        answer = _code("checks.toml", row, "answer", Answer)
        if (answer is Answer.MEASURE) != (quantity is not None):
            raise ListError(f"checks.toml, {row['code']}: a measure names its quantity, nothing else does.")
        found.append(
            Check(
                code=row["code"],
                task=_code("checks.toml", row, "task", Task),
                kinds=_kinds("checks.toml", row),
                seq=position,
                text=row["text"],
                pass_when=row["pass_when"],
                answer=answer,
                quantity=None if quantity is None else _code("checks.toml", row, "quantity", Quantity),
                source=row["source"],
            )
        )
    return tuple(found)


@cache
def defect_kinds() -> Mapping[str, DefectKind]:
    """Return every kind of defect by its code. Raises ``ListError`` for a file that is not whole."""
    return MappingProxyType(
        {
            row["code"]: DefectKind(
                code=row["code"],
                about=_code("defects.toml", row, "about", About),
                text=row["text"],
                meaning=row["meaning"],
                also=tuple(row.get("also", ())),
                kinds=_kinds("defects.toml", row),
                severity=_code("defects.toml", row, "severity", Severity),
                action=row["action"],
                leads_to=_code("defects.toml", row, "leads_to", LeadsTo),
                source=row["source"],
            )
            for row in _rows("defects.toml", "defect")
        }
    )


def checks_for(task: Task, kinds: Collection[str]) -> tuple[Check, ...]:
    """Return the checks of ``task`` for a unit of ``kinds``, in order; none where none are shipped."""
    tasks = _CHECKS_OF.get(task, (task,))
    return tuple(check for check in checks() if check.task in tasks and not check.kinds.isdisjoint(kinds))


def tasks_of_checks(task: Task) -> tuple[Task, ...]:
    """Return the tasks whose checks make up ``task``."""
    return _CHECKS_OF.get(task, (task,))


def defect_text(code: str) -> str:
    """Return a kind of defect in words; the code itself where it is no longer shipped."""
    kind = defect_kinds().get(code)
    return kind.text if kind is not None else code


_NEEDED = {
    "check": ("code", "task", "kinds", "text", "pass_when", "answer", "source"),
    "defect": (
        "code",
        "about",
        "text",
        "meaning",
        "kinds",
        "severity",
        "action",
        "leads_to",
        "source",
    ),
}


def _rows(name: str, key: str) -> list[dict[str, Any]]:
    text = resources.files("inventory.measures").joinpath("data", name).read_text(encoding="utf-8")
    return read_rows(text, name, key)


def read_rows(text: str, name: str, key: str) -> list[dict[str, Any]]:
    """Return the rows of a shipped list; ``ListError`` names what is missing, unknown or given twice."""
    rows: list[dict[str, Any]] = tomllib.loads(text).get(key, [])
    known = {*_NEEDED[key], "quantity", "also"}
    seen: set[str] = set()
    for position, row in enumerate(rows, 1):
        code = str(row.get("code", f"line {position}"))
        for field in _NEEDED[key]:
            if not row.get(field):
                raise ListError(f"{name}, {code}: {field} is missing. Write it.")
        if strange := row.keys() - known:
            raise ListError(f"{name}, {code}: {', '.join(sorted(strange))} is not a field here. Remove it.")
        if code in seen:
            raise ListError(f"{name}, {code}: the code is given twice. Give the second one another.")
        seen.add(code)
    return rows


def _kinds(name: str, row: Mapping[str, Any]) -> frozenset[str]:
    kinds = frozenset(row["kinds"])
    if strange := kinds - KINDS:
        raise ListError(f"{name}, {row['code']}: {', '.join(sorted(strange))} is not a kind. Correct kinds.")
    return kinds


def _code(name: str, row: Mapping[str, Any], field: str, codes: type[_Code]) -> _Code:
    try:
        return codes(row[field])
    except ValueError as error:
        raise ListError(
            f"{name}, {row['code']}: {row[field]!r} is not a {field}. Choose one of {', '.join(codes)}."
        ) from error
