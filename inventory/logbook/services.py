"""The one door through which records enter."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Subquery
from django.db.models.functions import Coalesce

from inventory.bulk import chunks, draw_ids, insert_rows
from inventory.logbook.chain import (
    ErasedLink,
    Proof,
    RecordLink,
    RowNumbers,
    erasure_content,
    instant,
    prove,
    record_content,
    sha256_of,
)
from inventory.logbook.erasures import ErasedRecord
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


_COLUMNS = (
    "id", "client_ref", "unit_id", "sequence", "task", "outcome", "done_first", "done_last", "done_precision",
    "done_raw", "method", "evidence", "site_id", "location_id", "visit_ref", "performed_by_id",
    "performed_by_name", "instrument", "remarks", "device_at", "received_at", "corrects_id",
    "correction_reason", "previous_digest", "digest",
)  # fmt: skip


def add_many_records(new: Iterable[NewRecord], *, fresh_units: bool = False) -> list[tuple[int, int]]:
    """Add very many records without readings; return the ranges of their ids, first and last.

    The same chain as ``add_records`` makes, in a fraction of its time. Records of one unit stand together
    in ``new``. ``fresh_units`` is the caller's word that the units have no record yet and that their
    revision counts these already. Must run in the caller's transaction.
    """
    ranges: list[tuple[int, int]] = []
    for batch in _whole_units(new, 20_000):
        unit_ids = {item.unit_id for item in batch}
        ends: dict[int, tuple[int, str]] = {}
        if not fresh_units:
            for some in chunks(unit_ids, 10_000):
                Unit.objects.filter(pk__in=some).update(facts_revision=F("facts_revision") + 1)
                ends |= _chain_ends(set(some))
        ids = draw_ids(ServiceRecord, len(batch))
        insert_rows(ServiceRecord, _COLUMNS, _chained(batch, ids, ends))
        for first in ids:
            if ranges and ranges[-1][1] == first - 1:
                ranges[-1] = (ranges[-1][0], first)
            else:
                ranges.append((first, first))
    return ranges


def _chained(
    batch: Sequence[NewRecord], ids: Sequence[int], ends: dict[int, tuple[int, str]]
) -> Iterator[tuple[Any, ...]]:
    row = ServiceRecord()
    for pk, item in zip(ids, batch, strict=True):
        if item.done.first is not None and (item.done.first - item.received_at.date()).days > 1:
            raise ValidationError(
                f"The date {item.done} lies in the future. Enter the day on which the work was done."
            )
        sequence, previous = ends.get(item.unit_id, (0, ""))
        values = (
            pk, item.client_ref, item.unit_id, sequence + 1, item.task, item.outcome, item.done.first,
            item.done.last, item.done.precision.value, item.done.raw, item.method, item.evidence,
            item.site_id, item.location_id, item.visit_ref, item.performed_by_id, item.performed_by_name,
            item.instrument, item.remarks, item.device_at, item.received_at, item.corrects_id,
            item.correction_reason, previous,
        )  # fmt: skip
        # One object is filled again and again: making one for each would take longer than its digest.
        row.__dict__.update(zip(_COLUMNS, values, strict=False))
        digest = record_digest(row, ())
        ends[item.unit_id] = (sequence + 1, digest)
        yield (*values, digest)


def _whole_units(new: Iterable[NewRecord], size: int) -> Iterator[list[NewRecord]]:
    """``new`` in lists of about ``size`` that never part the records of one unit."""
    batch: list[NewRecord] = []
    for item in new:
        if len(batch) >= size and item.unit_id != batch[-1].unit_id:
            yield batch
            batch = []
        batch.append(item)
    if batch:
        yield batch


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


def record_digest(
    row: ServiceRecord, readings: Sequence[NewReading | Reading], numbers: RowNumbers | None = None
) -> str:
    """SHA-256 over everything the record states and the digest of the link before it."""
    return sha256_of(record_content(row, readings, numbers))


def broken_links(unit: Unit) -> list[str]:
    """Name every place where the chain of ``unit`` does not hold; empty when it is whole."""
    return proof_of(unit).broken


def proof_of(unit: Unit) -> Proof:
    """What the chain of ``unit`` shows, erasures and records of another house included."""
    rows = (
        ServiceRecord.objects.filter(unit=unit)
        .order_by("sequence")
        .select_related("origin")
        .prefetch_related("readings")
    )
    erased = (
        ErasedRecord.objects.filter(unit=unit).select_related("record").order_by("after_sequence", "position")
    )
    return prove(unit.number, map(record_link, rows), map(erased_link, erased))


def record_link(row: ServiceRecord) -> RecordLink:
    """``row`` as a link; its readings and origin are best fetched before."""
    origin = getattr(row, "origin", None)
    numbers = None
    if origin is not None:
        numbers = RowNumbers(origin.unit, origin.site, origin.location, origin.by, origin.corrects)
    return RecordLink(
        str(row.client_ref),
        row.sequence,
        row.previous_digest,
        row.digest,
        record_digest(row, list(row.readings.all()), numbers),
        origin is not None and origin.has_gap_before,
    )


def erased_link(row: ErasedRecord) -> ErasedLink:
    """``row`` as a link; its record is best fetched before."""
    record = str(row.record.client_ref)
    return ErasedLink(
        record,
        row.after_sequence,
        row.position,
        row.record_digest,
        row.reads_as_digest,
        row.previous_digest,
        row.digest,
        sha256_of(
            erasure_content(
                record=record,
                after_sequence=row.after_sequence,
                position=row.position,
                record_digest=row.record_digest,
                reads_as_digest=row.reads_as_digest,
                removed=row.removed,
                made_at=instant(row.made_at),
                previous=row.previous_digest,
            )
        ),
    )


def _chain_ends(unit_ids: set[int]) -> dict[int, tuple[int, str]]:
    later = ServiceRecord.objects.filter(unit=OuterRef("unit"), sequence__gt=OuterRef("sequence"))
    erased = ErasedRecord.objects.filter(unit=OuterRef("unit"), after_sequence=OuterRef("sequence"))
    ends = ServiceRecord.objects.filter(~Exists(later), unit__in=unit_ids).order_by()
    last = Subquery(erased.order_by("-position").values("digest")[:1])
    return {
        unit: (sequence, digest)
        for unit, sequence, digest in ends.values_list("unit_id", "sequence", Coalesce(last, "digest"))
    }
