"""The one door through which records enter."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Exists, F, OuterRef

from inventory.logbook.models import Reading, ServiceRecord
from inventory.measures.stamps import Stamp
from inventory.people import Person
from inventory.register.models import Unit


@dataclass(frozen=True, slots=True)
class NewReading:
    """A measured value on its way into the logbook; figures as typed, base value beside them."""

    quantity: str
    entered_value: str
    entered_unit: str
    base_value: float
    verdict: str = Reading.Verdict.UNJUDGED.value
    verdict_reason: str = ""


@dataclass(frozen=True, slots=True)
class NewRecord:
    """A record on its way into the logbook."""

    unit_id: int
    task: str
    outcome: str
    done: Stamp
    received_at: datetime
    client_ref: uuid.UUID = field(default_factory=uuid.uuid4)
    method: str = ""
    evidence: str = ServiceRecord.Evidence.OWN_WORK.value
    site_id: int | None = None
    location_id: int | None = None
    visit_ref: uuid.UUID | None = None
    performed_by_id: int | None = None
    performed_by_name: str = ""
    instrument: str = ""
    remarks: str = ""
    device_at: datetime | None = None
    corrects_id: int | None = None
    correction_reason: str = ""
    readings: tuple[NewReading, ...] = ()


@transaction.atomic
def add_records(new: Sequence[NewRecord]) -> list[ServiceRecord]:
    """Add records, in order, each chained to the unit's last, and return them.

    Set-based: four statements whatever the number. A ``client_ref`` that is already stored
    violates its unique constraint and rolls everything back; callers that expect resends look
    first. Raises ``ValidationError`` for a date in the future of ``received_at`` beyond one day
    (a site may be a day ahead of UTC) since a record states what happened.
    """
    if not new:
        return []
    for item in new:
        if item.done.first is not None and (item.done.first - item.received_at.date()).days > 1:
            raise ValidationError(
                f"The date {item.done} lies in the future. Enter the day on which the work was done."
            )
    unit_ids = {item.unit_id for item in new}
    # The update comes first: on PostgreSQL it locks the units' rows, on SQLite the transaction is
    # IMMEDIATE, so two writers cannot read the same end of a chain.
    Unit.objects.filter(pk__in=unit_ids).update(facts_revision=F("facts_revision") + 1)
    ends = _chain_ends(unit_ids)
    rows: list[ServiceRecord] = []
    for item in new:
        sequence, previous = ends.get(item.unit_id, (0, ""))
        row = ServiceRecord(
            client_ref=item.client_ref,
            unit_id=item.unit_id,
            sequence=sequence + 1,
            task=item.task,
            outcome=item.outcome,
            done_first=item.done.first,
            done_last=item.done.last,
            done_precision=item.done.precision.value,
            done_raw=item.done.raw,
            method=item.method,
            evidence=item.evidence,
            site_id=item.site_id,
            location_id=item.location_id,
            visit_ref=item.visit_ref,
            performed_by_id=item.performed_by_id,
            performed_by_name=item.performed_by_name,
            instrument=item.instrument,
            remarks=item.remarks,
            device_at=item.device_at,
            received_at=item.received_at,
            corrects_id=item.corrects_id,
            correction_reason=item.correction_reason,
            previous_digest=previous,
        )
        row.digest = record_digest(row, item.readings)
        ends[item.unit_id] = (row.sequence, row.digest)
        rows.append(row)
    ServiceRecord.objects.bulk_create(rows, batch_size=500)
    readings = [
        Reading(
            record=row,
            quantity=reading.quantity,
            entered_value=reading.entered_value,
            entered_unit=reading.entered_unit,
            base_value=reading.base_value,
            verdict=reading.verdict,
            verdict_reason=reading.verdict_reason,
        )
        for row, item in zip(rows, new, strict=True)
        for reading in item.readings
    ]
    Reading.objects.bulk_create(readings, batch_size=500)
    return rows


def correct_record(
    record: ServiceRecord, *, reason: str, by: Person, at: datetime, **changes: Any
) -> ServiceRecord:
    """Add a record that takes the place of ``record`` and return it.

    ``changes`` may name ``outcome``, ``done``, ``method``, ``remarks``, ``task`` or ``readings`` (of
    ``NewReading``); what is not named is taken over. The corrected record stays as it is. Raises
    ``ValidationError`` without a reason, or when ``record`` has already been corrected (correct the
    newer one).
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say why the earlier record is corrected."})
    unknown = set(changes) - {"outcome", "done", "method", "remarks", "task", "readings"}
    if unknown:
        raise ValueError(f"cannot correct {', '.join(sorted(unknown))}")
    if ServiceRecord.objects.filter(corrects=record.pk).exists():
        raise ValidationError(
            "This record has already been corrected. Correct the record that took its place."
        )
    readings = tuple(
        NewReading(r.quantity, r.entered_value, r.entered_unit, r.base_value, r.verdict, r.verdict_reason)
        for r in record.readings.all()
    )
    done: Stamp = changes.get("done", record.done)
    new = NewRecord(
        unit_id=record.unit_id,
        task=changes.get("task", record.task),
        outcome=changes.get("outcome", record.outcome),
        done=done,
        received_at=at,
        method=changes.get("method", record.method),
        evidence=record.evidence,
        site_id=record.site_id,
        location_id=record.location_id,
        visit_ref=record.visit_ref,
        performed_by_id=record.performed_by_id,
        performed_by_name=record.performed_by_name,
        instrument=record.instrument,
        remarks=changes.get("remarks", record.remarks),
        corrects_id=record.pk,
        correction_reason=f"{reason.strip()} ({by.display_name})",
        readings=changes.get("readings", readings),
    )
    return add_records([new])[0]


def record_digest(row: ServiceRecord, readings: Sequence[NewReading | Reading]) -> str:
    """SHA-256 over everything the record states and the digest of the record before it."""
    content = {
        "client_ref": str(row.client_ref),
        "unit": row.unit_id,
        "sequence": row.sequence,
        "task": row.task,
        "outcome": row.outcome,
        "done": [
            row.done_first.isoformat() if row.done_first else None,
            row.done_last.isoformat() if row.done_last else None,
            row.done_precision,
            row.done_raw,
        ],
        "method": row.method,
        "evidence": row.evidence,
        "site": row.site_id,
        "location": row.location_id,
        "visit": str(row.visit_ref) if row.visit_ref else None,
        "by": [row.performed_by_id, row.performed_by_name],
        "instrument": row.instrument,
        "remarks": row.remarks,
        "device_at": _instant(row.device_at),
        "received_at": _instant(row.received_at),
        "corrects": row.corrects_id,
        "correction_reason": row.correction_reason,
        "previous": row.previous_digest,
        "readings": [
            [r.quantity, r.entered_value, r.entered_unit, r.base_value, r.verdict, r.verdict_reason]
            for r in readings
        ],
    }
    return hashlib.sha256(json.dumps(content, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def broken_links(unit: Unit) -> list[str]:
    """Name every place where the chain of ``unit`` does not hold; empty when it is whole."""
    found: list[str] = []
    previous = ""
    expected = 1
    rows = ServiceRecord.objects.filter(unit=unit).order_by("sequence").prefetch_related("readings")
    for row in rows:
        if row.sequence != expected:
            found.append(f"record {expected} of unit {unit.number} is missing")
        if row.previous_digest != previous:
            found.append(f"record {row.sequence} of unit {unit.number} does not follow the one before it")
        if row.digest != record_digest(row, list(row.readings.all())):
            found.append(f"record {row.sequence} of unit {unit.number} was altered")
        previous, expected = row.digest, row.sequence + 1
    return found


def _chain_ends(unit_ids: set[int]) -> dict[int, tuple[int, str]]:
    later = ServiceRecord.objects.filter(unit=OuterRef("unit"), sequence__gt=OuterRef("sequence"))
    ends = ServiceRecord.objects.filter(~Exists(later), unit__in=unit_ids).order_by()
    return {
        unit: (sequence, digest)
        for unit, sequence, digest in ends.values_list("unit_id", "sequence", "digest")
    }


def _instant(at: datetime | None) -> str | None:
    # One zone for one instant: what comes back from the database must give the same digest.
    return at.astimezone(UTC).isoformat() if at else None
