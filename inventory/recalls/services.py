"""Opening, following up and closing recalls."""

from __future__ import annotations

import uuid
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.measures.serials import SerialRange
from inventory.people import Person
from inventory.recalls.models import Recall, RecallStep, RecallUnit
from inventory.recalls.queries import Wanted, lines_of, matches
from inventory.register.services import draw_numbers


@transaction.atomic
def open_recall(
    wanted: Wanted,
    *,
    title: str,
    notice: str,
    source: str,
    client_ref: uuid.UUID,
    by: Person,
    now: datetime,
) -> Recall:
    """Open a recall of all units that ``wanted`` concerns; a resend returns the one that stands.

    Raises ``ValidationError``, naming the field, when nothing is looked for or serials make no range.
    """
    stored = Recall.objects.filter(client_ref=client_ref).first()
    if stored is not None:
        return stored
    check_wanted(wanted)
    recall = Recall(
        client_ref=client_ref,
        title=title.strip(),
        notice=notice.strip(),
        source=source.strip(),
        maker=wanted.maker.strip(),
        model_name=wanted.model_name.strip(),
        agent=wanted.agent,
        made_from=wanted.made_from,
        made_to=wanted.made_to,
        serial_from=wanted.serial_from.strip(),
        serial_to=wanted.serial_to.strip(),
        lot=wanted.lot,
        opened_by_id=by.pk,
        opened_at=now,
    )
    recall.number = f"RC-{draw_numbers('recall')[0]:05d}"
    recall.full_clean(exclude=["opened_by", "closed_by"])
    recall.save()
    add_matches(recall, wanted)
    return recall


def check_wanted(wanted: Wanted) -> None:
    """Raise ``ValidationError`` unless ``wanted`` looks for something that can be looked for."""
    if not wanted.is_enough:
        raise ValidationError("Name a maker, a range of serials or a lot: else every unit would be recalled.")
    if wanted.made_from and wanted.made_to and wanted.made_to < wanted.made_from:
        raise ValidationError({"made_to": "The last build date lies before the first."})
    if wanted.serial_from.strip() or wanted.serial_to.strip():
        try:
            SerialRange.of(wanted.serial_from, wanted.serial_to)
        except ValueError as error:
            raise ValidationError({"serial_from": str(error)}) from error


def wanted_of(recall: Recall) -> Wanted:
    """What ``recall`` looks for."""
    return Wanted(
        recall.maker,
        recall.model_name,
        recall.agent,
        recall.made_from,
        recall.made_to,
        recall.serial_from,
        recall.serial_to,
        recall.lot,
    )


@transaction.atomic
def add_matches(recall: Recall, wanted: Wanted | None = None) -> int:
    """Add units that fit now and are not on the list yet; return how many.

    For units that came into the register, or whose facts were corrected, after the recall was opened.
    """
    known = set(RecallUnit.objects.filter(recall=recall).values_list("unit_id", flat=True))
    new = [
        RecallUnit(recall=recall, unit_id=match.unit_id, certainty=match.certainty, why=match.why)
        for match in matches(wanted or wanted_of(recall))
        if match.unit_id not in known
    ]
    RecallUnit.objects.bulk_create(new, batch_size=500)
    return len(new)


@transaction.atomic
def follow_up(
    line: RecallUnit, to_state: str, note: str, *, version: int, by: Person, now: datetime
) -> RecallUnit:
    """Say what became of one unit of a recall. Raises ``Conflict`` when somebody said otherwise meanwhile."""
    if to_state not in RecallUnit.State.values:
        raise ValidationError({"state": "Choose one of the states."})
    note = note.strip()[:300]
    if to_state == RecallUnit.State.CLEARED and not note:
        raise ValidationError({"note": "Say how it is known that the recall does not concern it."})
    moved = RecallUnit.objects.filter(pk=line.pk, version=version, recall__state=Recall.State.OPEN).update(
        state=to_state, version=F("version") + 1
    )
    if not moved:
        raise Conflict(
            "changed_meanwhile",
            "Somebody said something about this unit a moment ago, or the recall was closed. Look again.",
        )
    RecallStep.objects.create(
        recall_unit=line, from_state=line.state, to_state=to_state, note=note, made_by_id=by.pk, made_at=now
    )
    line.refresh_from_db()
    return line


@transaction.atomic
def close_recall(recall: Recall, note: str, *, by: Person, now: datetime) -> Recall:
    """Close ``recall``; what is still to be found is named in the note that is asked for.

    Raises ``ValidationError`` without a note, ``Conflict`` when it was closed already.
    """
    note = note.strip()
    if not note:
        raise ValidationError({"note": "Say with what it is closed; units still to be found belong in it."})
    closed = Recall.objects.filter(pk=recall.pk, state=Recall.State.OPEN).update(
        state=Recall.State.CLOSED, closed_at=now, closed_by_id=by.pk, closing_note=note[:300]
    )
    if not closed:
        raise Conflict("recall_closed", f"Recall {recall.number} was closed already.")
    for line in lines_of(recall).filter(state=RecallUnit.State.OPEN):
        # What the register showed when it was closed stays on record.
        if line.stands != RecallUnit.State.OPEN:
            RecallUnit.objects.filter(pk=line.pk).update(state=line.stands, version=F("version") + 1)
    recall.refresh_from_db()
    return recall


@transaction.atomic
def reopen_recall(recall: Recall) -> Recall:
    """Open a closed recall again. Raises ``Conflict`` when it is open."""
    opened = Recall.objects.filter(pk=recall.pk, state=Recall.State.CLOSED).update(
        state=Recall.State.OPEN, closed_at=None, closed_by=None, closing_note=""
    )
    if not opened:
        raise Conflict("recall_open", f"Recall {recall.number} is open.")
    recall.refresh_from_db()
    return recall
