"""What happened to a unit, as its timeline tells it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from inventory.logbook.models import Reading, ServiceRecord
from inventory.measures.kinds import TestMethod
from inventory.measures.readings import QUANTITY_LABELS, Quantity

Outcome = ServiceRecord.Outcome

OUTCOME_LOOKS: Mapping[str, tuple[str, str]] = {
    Outcome.PASSED: ("ok", "done"),
    Outcome.FAILED: ("overdue", "failed"),
    Outcome.REPLACED: ("ok", "unit"),
    Outcome.REMOVED: ("away", "away"),
    Outcome.NOT_FOUND: ("unknown", "unknown"),
    Outcome.NO_ACCESS: ("unknown", "unknown"),
    Outcome.VOID: ("none", "none"),
}
METHOD_WORDS: Mapping[str, str] = {
    TestMethod.PROOF_PRESSURE: "proof pressure",
    TestMethod.WATER_JACKET: "water jacket, volumetric",
    TestMethod.DIRECT_EXPANSION: "direct expansion",
    TestMethod.ULTRASONIC: "ultrasonic",
}


@dataclass(frozen=True, slots=True)
class Event:
    """One record of a unit."""

    record: ServiceRecord
    tone: str
    icon: str
    readings: list[dict[str, Any]]
    method: str
    takes_place_of: int | None
    replaced_by: int | None

    @property
    def is_corrected(self) -> bool:
        """Whether a later record took its place."""
        return self.replaced_by is not None


def events_of(records: Iterable[ServiceRecord]) -> list[Event]:
    """Records as events, latest first by the day they are about; those of unknown day come last."""
    ordered = sorted(records, key=lambda row: (row.done_first or date.min, row.sequence), reverse=True)
    return [_event(record) for record in ordered]


def _event(record: ServiceRecord) -> Event:
    tone, icon = OUTCOME_LOOKS.get(record.outcome, ("unknown", "unknown"))
    successor = getattr(record, "corrected_by", None)
    return Event(
        record=record,
        tone="none" if successor else tone,
        icon=icon,
        readings=[_reading(row) for row in record.readings.all()],
        method=METHOD_WORDS.get(record.method, record.method.replace("_", " ")),
        takes_place_of=record.corrects.sequence if record.corrects else None,
        replaced_by=successor.sequence if successor else None,
    )


def _reading(row: Reading) -> dict[str, Any]:
    return {
        "label": QUANTITY_LABELS[Quantity(row.quantity)],
        "value": f"{row.entered_value} {row.entered_unit}",
        "is_outside": row.verdict == Reading.Verdict.OUTSIDE,
        "reason": row.verdict_reason,
    }
