"""Putting right what a released card says: a new entry that points at the old one, never a change."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.errors import Conflict
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import correct_record
from inventory.measures.stamps import Stamp
from inventory.people import Person
from inventory.workshop import results
from inventory.workshop.bench import Charging, Judged
from inventory.workshop.judging import judge
from inventory.workshop.models import CardEntry, JobCard
from inventory.workshop.queries import (
    TEST_STEPS,
    TEST_TASKS,
    bench_for,
    board_of,
    entries_of,
    plate,
    today_of,
)
from inventory.workshop.services import Unlikely, add_entry, claim, instruments_named
from inventory.workshop.steps import FieldsRefused, Given, read_fields, step_book

OF_THE_RECHARGE = ("fill", "pressurise", "cartridge_in", "finish")


@transaction.atomic
def correct_entry(
    entry: CardEntry,
    raw: Mapping[str, Any],
    *,
    reason: str,
    by: Person,
    now: datetime,
    version: int,
    confirmed: bool = False,
) -> CardEntry:
    """Put right one entry of a card that was released or condemned, and return the new entry.

    The figures are judged anew. Records made from them are corrected as well; where a corrected
    figure lies outside its limit, the record becomes *failed* and the dates move accordingly.
    """
    card = entry.card
    if card.state in JobCard.WORKABLE or card.state == JobCard.State.AT_TEST_HOUSE:
        raise Conflict("card_not_released", "The card is still open: state the step again instead.")
    if not reason.strip():
        raise ValidationError({"reason": "Say why the entry is corrected."})
    if "house" in entry.values:
        raise Conflict("house_result", "A test house's result is corrected on the unit's record.")
    entries = entries_of(card)
    if entry.pk not in {row.pk for row in entries}:
        raise Conflict("already_corrected", "This entry was corrected already. Correct the one in its place.")
    today = today_of(card, now)
    step = step_book().step(entry.step)
    others = [row for row in entries if row.pk != entry.pk]
    try:
        given = read_fields(step, plate(card.unit).kind, raw)
        used, past = instruments_named(step, given, today=entry.done_on)
        judged = judge(entry.step, given, bench_for(card, others, today=today))
    except FieldsRefused as refused:
        raise ValidationError(refused.errors) from refused
    if judged.asks and not confirmed:
        raise Unlikely(dict(judged.asks))
    claim(card, version)
    new = add_entry(
        card,
        step=entry.step,
        done_on=given.days.get("done_on", entry.done_on),
        values=dict(given.stored),
        judged=judged,
        used=used,
        by=by,
        now=now,
        today=entry.done_on,
        extra_flags=[*past, f"Corrected after release: {reason.strip()}"],
        corrects=entry,
        reason=reason.strip()[:200],
    )
    _correct_records(card, entry, new, given, judged, reason=reason, by=by, now=now)
    return new


def _correct_records(
    card: JobCard,
    old: CardEntry,
    new: CardEntry,
    given: Given,
    judged: Judged,
    *,
    reason: str,
    by: Person,
    now: datetime,
) -> None:
    board = board_of(card, Charging())
    text = f"Job card {card.number}, {step_book().step(old.step).title.lower()}: {reason.strip()}"[:120]
    if old.step in TEST_STEPS:
        # An outcome that no longer stands as a test at all is a failed one: nothing proves the shell.
        passed = judged.verdict == CardEntry.Verdict.INSIDE
        for record in _records(old, TEST_TASKS):
            readings = results.test_readings(given, judged) if record.readings.exists() else ()
            correct_record(
                record,
                reason=text,
                by=by,
                at=now,
                outcome=(ServiceRecord.Outcome.PASSED if passed else ServiceRecord.Outcome.FAILED).value,
                done=Stamp.on(new.done_on),
                remarks=" ".join(judged.sentences),
                readings=readings,
            )
    elif old.step in OF_THE_RECHARGE:
        entries = entries_of(card)
        release = next((row for row in reversed(entries) if row.step == "release"), None)
        if release is None or release.record is None:
            return
        record = _last_of(release.record)
        correct_record(
            record,
            reason=text,
            by=by,
            at=now,
            outcome=(
                ServiceRecord.Outcome.FAILED
                if judged.verdict == CardEntry.Verdict.OUTSIDE
                else ServiceRecord.Outcome.PASSED
            ).value,
            readings=results.recharge_readings(board, entries, today=today_of(card, now)),
        )


def _records(entry: CardEntry, tasks: frozenset[str]) -> Sequence[ServiceRecord]:
    refs = [uuid.uuid5(_first_ref(entry), task) for task in tasks]
    return [_last_of(row) for row in ServiceRecord.objects.filter(client_ref__in=refs)]


def _first_ref(entry: CardEntry) -> uuid.UUID:
    while entry.corrects is not None:
        entry = entry.corrects
    return entry.client_ref


def _last_of(record: ServiceRecord) -> ServiceRecord:
    """The record that stands in the place of ``record`` now."""
    while True:
        later = ServiceRecord.objects.filter(corrects=record.pk).first()
        if later is None:
            return record
        record = later
