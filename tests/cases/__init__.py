"""Tables of due-date cases that an expert can read, and how a test reads them.

A case names its source, a table, a unit, what was done to it and the dates that must come out.
``"2024-03"`` as an expected date means due in March 2024: target on the first, latest on the last
of the month. ``"2024-03-15"`` means that very day. Any other word is a state of knowledge, and
``"absent"`` means that the table does not speak of the task at all.

``runs`` lists the dates of one task when it is done each time in its due month.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from inventory.measures.stamps import Stamp
from schedules.engine import Done, Event, Obligation, UnitFacts, obligations
from schedules.rules import IntervalTable, load_tables

HERE = Path(__file__).parent
STAMPED = ("made", "first_test", "commissioned", "sold")


def read_cases(name: str) -> list[dict[str, Any]]:
    """Return the cases of one file; each must name its source and have its own id."""
    cases = tomllib.loads((HERE / name).read_text(encoding="utf-8"))["case"]
    ids = [case["id"] for case in cases]
    assert len(ids) == len(set(ids)), f"{name}: an id comes twice"
    assert all(case.get("source", "").strip() for case in cases), f"{name}: a case without a source"
    return cases


def stamp(text: str) -> Stamp:
    """Return the stamp written as ``2024``, ``2024-03``, ``2024-03-15`` or ``""`` for unknown."""
    return Stamp.of(*map(int, text.split("-"))) if text else Stamp.unknown()


def unit_of(case: Mapping[str, Any]) -> UnitFacts:
    """Return the unit of a case."""
    facts = {name: stamp(value) if name in STAMPED else value for name, value in case["unit"].items()}
    return UnitFacts(**{"construction": "stored_pressure", "shell": "mild_steel"} | facts)


def history_of(case: Mapping[str, Any]) -> list[Done]:
    """Return what was done to the unit of a case."""
    return [
        Done(row["task"], stamp(row["done"]), row.get("method", ""), row.get("passed", True))
        for row in case.get("history", ())
    ]


def events_of(case: Mapping[str, Any]) -> list[Event]:
    """Return what happened to the unit of a case."""
    return [Event(row["kind"], row["on"]) for row in case.get("events", ())]


def tables_of(case: Mapping[str, Any]) -> Sequence[IntervalTable]:
    """Return the editions of the case's table, or the one version it names."""
    versions = load_tables()[case["table"]]
    wanted = case.get("version")
    return [table for table in versions if wanted in (None, table.version)]


def answers(case: Mapping[str, Any], history: Sequence[Done] | None = None) -> dict[str, Obligation]:
    """Return the obligations of a case by task."""
    found = obligations(
        unit_of(case),
        history_of(case) if history is None else history,
        tables_of(case),
        case.get("as_of", date(2026, 1, 1)),
        events_of(case),
    )
    return {item.task.value: item for item in found}


def told(item: Obligation | None) -> str:
    """Return an obligation in the words of the case files."""
    if item is None:
        return "absent"
    if item.latest is None or item.knowledge == "unknown_basis":
        return item.knowledge.value
    if item.target == item.latest:
        return item.latest.isoformat()
    assert item.target == item.latest.replace(day=1), f"{item.target} to {item.latest} is not one month"
    return f"{item.latest:%Y-%m}"
