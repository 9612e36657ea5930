"""The chain of a unit's records: what a digest covers, and whether the chain holds.

Each record's digest covers all it states and the digest of the link before it. A link is a record or
an erasure (``inventory.logbook.erasures``). The same functions judge rows of our tables and rows of a
handed-over file, so that both houses mean the same by "whole".
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any, Protocol

ERASED = "[erased]"
"""What stands in the place of words that were erased."""

PERSONAL = ("performed_by_name", "remarks", "instrument", "correction_reason", "done_raw")
"""Fields of a record in which a person may be named."""


class RecordLike(Protocol):
    """What of a stored record its digest covers."""

    client_ref: Any
    unit_id: int
    sequence: int
    task: str
    outcome: str
    done_first: date | None
    done_last: date | None
    done_precision: str
    done_raw: str
    method: str
    evidence: str
    site_id: int | None
    location_id: int | None
    visit_ref: Any
    performed_by_id: int | None
    performed_by_name: str
    instrument: str
    remarks: str
    device_at: datetime | None
    received_at: datetime
    corrects_id: int | None
    correction_reason: str
    previous_digest: str


class ReadingLike(Protocol):
    """What of a reading the digest of its record covers."""

    @property
    def quantity(self) -> str: ...
    @property
    def entered_value(self) -> str: ...
    @property
    def entered_unit(self) -> str: ...
    @property
    def base_value(self) -> float: ...
    @property
    def verdict(self) -> str: ...
    @property
    def verdict_reason(self) -> str: ...


@dataclass(frozen=True, slots=True)
class RowNumbers:
    """The numbers of rows that a digest covers, as they are in the house that made the record."""

    unit: int
    site: int | None
    location: int | None
    by: int | None
    corrects: int | None


_encoded = json.JSONEncoder(sort_keys=True, ensure_ascii=False).encode
"""``json.dumps`` makes an encoder for every value."""


def sha256_of(content: Mapping[str, Any]) -> str:
    """SHA-256 over ``content`` as JSON with sorted keys."""
    return hashlib.sha256(_encoded(content).encode()).hexdigest()


def record_content(
    row: RecordLike, readings: Sequence[ReadingLike], numbers: RowNumbers | None = None
) -> dict[str, Any]:
    """Everything that the digest of ``row`` covers; ``numbers`` where another house made it."""
    own = RowNumbers(row.unit_id, row.site_id, row.location_id, row.performed_by_id, row.corrects_id)
    at = numbers or own
    return {
        "client_ref": str(row.client_ref),
        "unit": at.unit,
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
        "site": at.site,
        "location": at.location,
        "visit": str(row.visit_ref) if row.visit_ref else None,
        "by": [at.by, row.performed_by_name],
        "instrument": row.instrument,
        "remarks": row.remarks,
        "device_at": instant(row.device_at),
        "received_at": instant(row.received_at),
        "corrects": at.corrects,
        "correction_reason": row.correction_reason,
        "previous": row.previous_digest,
        "readings": [
            [r.quantity, r.entered_value, r.entered_unit, r.base_value, r.verdict, r.verdict_reason]
            for r in readings
        ],
    }


def handed_content(row: Mapping[str, Any], readings: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """The same of a record in a handed-over file: ``row`` of ``records``, ``readings`` in their order."""
    at = row["row_numbers"]
    return {
        "client_ref": row["client_ref"],
        "unit": at["unit"],
        "sequence": row["sequence"],
        "task": row["task"],
        "outcome": row["outcome"],
        "done": [row["done_first"], row["done_last"], row["done_precision"], row["done_raw"]],
        "method": row["method"],
        "evidence": row["evidence"],
        "site": at["site"],
        "location": at["location"],
        "visit": row["visit_ref"],
        "by": [at["by"], row["performed_by_name"]],
        "instrument": row["instrument"],
        "remarks": row["remarks"],
        "device_at": row["device_at"],
        "received_at": row["received_at"],
        "corrects": at["corrects"],
        "correction_reason": row["correction_reason"],
        "previous": row["previous_digest"],
        "readings": [
            [
                r["quantity"],
                r["entered_value"],
                r["entered_unit"],
                r["base_value"],
                r["verdict"],
                r["verdict_reason"],
            ]
            for r in readings
        ],
    }


def erasure_content(
    *,
    record: str,
    after_sequence: int,
    position: int,
    record_digest: str,
    reads_as_digest: str,
    removed: Any,
    made_at: str | None,
    previous: str,
) -> dict[str, Any]:
    """Everything that the digest of an erasure covers; ``made_at`` as ``instant`` writes it."""
    return {
        "erased_record": record,
        "after_sequence": after_sequence,
        "position": position,
        "record_digest": record_digest,
        "reads_as_digest": reads_as_digest,
        "removed": removed,
        "made_at": made_at,
        "previous": previous,
    }


@dataclass(frozen=True, slots=True)
class ErasedLink:
    """An erasure in the chain of a unit."""

    record: str
    after_sequence: int
    position: int
    record_digest: str
    reads_as_digest: str
    previous: str
    digest: str
    gives: str
    """The digest that its content gives."""


@dataclass(frozen=True, slots=True)
class RecordLink:
    """A record in the chain of a unit."""

    record: str
    sequence: int
    previous: str
    digest: str
    gives: str
    """The digest that its content gives."""
    has_gap_before: bool = False


@dataclass(slots=True)
class Proof:
    """What the chain of one unit shows."""

    broken: list[str] = field(default_factory=list)
    erased: list[int] = field(default_factory=list)
    """Sequences of records that lost words and whose erasure is a link of the chain."""
    gaps: list[int] = field(default_factory=list)
    """Sequences of records whose predecessor was not handed over."""


def prove(unit: str, records: Iterable[RecordLink], erasures: Iterable[ErasedLink] = ()) -> Proof:
    """Walk the chain of ``unit``; ``records`` by sequence, ``erasures`` by place."""
    found = Proof()
    after: dict[int, list[ErasedLink]] = {}
    of_record: dict[str, list[ErasedLink]] = {}
    for one in erasures:
        after.setdefault(one.after_sequence, []).append(one)
        of_record.setdefault(one.record, []).append(one)
    previous, expected = "", 1
    for row in records:
        if row.has_gap_before:
            found.gaps.append(row.sequence)
        else:
            if row.sequence != expected:
                found.broken.append(f"record {expected} of unit {unit} is missing")
            if row.previous != previous:
                found.broken.append(f"record {row.sequence} of unit {unit} does not follow the one before it")
        if row.digest != row.gives:
            said = of_record.get(row.record, [])
            if said and said[0].record_digest == row.digest and said[-1].reads_as_digest == row.gives:
                found.erased.append(row.sequence)
            else:
                found.broken.append(f"record {row.sequence} of unit {unit} was altered")
        elif row.record in of_record:
            found.broken.append(f"record {row.sequence} of unit {unit} reads as before it was erased")
        previous, expected = row.digest, row.sequence + 1
        for place, link in enumerate(after.pop(row.sequence, []), start=1):
            if link.position != place or link.previous != previous or link.digest != link.gives:
                found.broken.append(f"an erasure after record {row.sequence} of unit {unit} was altered")
            previous = link.digest
    found.broken += [f"an erasure of unit {unit} follows record {n}, which is missing" for n in sorted(after)]
    return found


def instant(at: datetime | None) -> str | None:
    """``at`` in one zone, so that what comes back from the database gives the same digest."""
    return at.astimezone(UTC).isoformat() if at else None
