"""Writes of the workshop: opening a card, stating its steps, condemning, releasing, handing back.

Whether agent or gas may go into a unit is the due engine's matter, which lies above this package:
callers hand its answer in as ``Charging`` (``schedules.visits.workshop`` is the one that asks).
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F, Max

from inventory.errors import Conflict
from inventory.logbook.models import ServiceRecord
from inventory.measures.kinds import Task
from inventory.people import Person
from inventory.register.custody import give_back
from inventory.register.custody_queries import home_of
from inventory.register.models import Placement, Unit, local_today
from inventory.register.places import Store
from inventory.register.services import draw_numbers, set_state, take_down_unit
from inventory.workshop import booking, results
from inventory.workshop.bench import Charging, Judged
from inventory.workshop.judging import judge
from inventory.workshop.models import CardEntry, CardInstrument, Instrument, JobCard
from inventory.workshop.queries import (
    TEST_STEPS,
    WORKS,
    CardBoard,
    StepLine,
    bench_for,
    board_of,
    current_values,
    entries_of,
    plate,
    today_of,
)
from inventory.workshop.steps import FieldsRefused, Given, Step, read_fields, step_book
from inventory.workshop.values import clock_for


class Unlikely(ValidationError):
    """Figures that can be but hardly are; stored only when the person confirms them."""


# --- receiving ------------------------------------------------------------------------------------


@transaction.atomic
def open_card(
    unit: Unit,
    *,
    reason: str,
    works: Sequence[str],
    by: Person,
    now: datetime,
    promised_on: date | None = None,
    accessories: str = "",
    remarks: str = "",
) -> JobCard:
    """Receive ``unit`` in the workshop and return its new card.

    A unit that still hangs somewhere is taken down. The day by which it must be back is that of the
    place, where the place says so; the promised day defaults to the firm's own turn-round. Raises
    ``Conflict`` when the unit is gone for good or has an open card, ``ValidationError`` for a wrong
    reason, work or day.
    """
    if unit.state in Unit.GONE:
        raise Conflict(
            "unit_is_gone",
            f"Unit {unit.number} is {unit.get_state_display().lower()}. It is not serviced again; "
            "look at its history for the reason.",
            state=unit.state,
        )
    if reason not in JobCard.Reason.values:
        raise ValidationError({"reason": "Say why it came in."})
    if unknown := [code for code in works if code not in {task.value for task in WORKS}]:
        raise ValidationError({"works": f"{', '.join(unknown)} is no work of the workshop."})
    today = local_today(unit.site, now) if unit.site else now.date()
    last = Placement.objects.filter(unit=unit).order_by("-pk").first()
    away_since = last.until_on if last is not None and last.until_on else today
    clock = clock_for(unit.site.country, unit.site.region) if unit.site else None
    return_by = clock.last_day(away_since) if clock is not None else None
    if promised_on is None:
        promised_on = today + timedelta(days=int(current_values()["turn_round_days"].number))
        # Where the place has a day of its own, no later one is promised.
        promised_on = max(today, min(promised_on, return_by)) if return_by else promised_on
    if promised_on < today:
        raise ValidationError({"promised_on": f"{promised_on} has passed. Choose {today} or later."})
    card = JobCard(
        number=f"C-{draw_numbers('job card')[0]:06d}",
        unit=unit,
        site=unit.site,
        home=home_of([unit.pk]).get(unit.pk),
        reason=reason,
        works=[task.value for task in WORKS if task.value in works],
        accessories=accessories.strip()[:200],
        remarks=remarks.strip(),
        received_on=today,
        received_at=now,
        received_by_id=by.pk,
        away_since_on=away_since,
        promised_on=promised_on,
        return_by_on=return_by,
        return_rule=f"{clock.text} ({clock.source})" if clock is not None else "",
    )
    try:
        with transaction.atomic():
            card.save()
    except IntegrityError as error:
        raise Conflict("card_is_open", f"Unit {unit.number} already has an open job card.") from error
    move_to(card, Unit.State.IN_WORKSHOP, by=by, on=today, store=workshop_store())
    return card


def workshop_store() -> Store | None:
    """The workshop among the firm's places, where one is kept."""
    return Store.objects.filter(kind=Store.Kind.WORKSHOP, is_closed=False).order_by("pk").first()


def move_to(card: JobCard, state: str, *, by: Person, on: date, store: Store | None) -> None:
    """Write the move of the card's unit to ``store`` in ``state``; none where it stands there so already."""
    unit = card.unit
    unit.refresh_from_db()
    place = store.pk if store is not None else None
    if unit.location_id is None and unit.state == state and unit.store_id == place:
        return
    take_down_unit(
        unit,
        on=on,
        to_state=state,
        keep_site=True,
        to_store=store,
        by=by,
        reason=f"Job card {card.number}",
        ref=card.public_id,
    )


def change_card(
    card: JobCard, *, version: int, works: Sequence[str], promised_on: date | None, remarks: str
) -> JobCard:
    """Change what the card is for, the promised day, or the remarks, before it is released."""
    if unknown := [code for code in works if code not in {task.value for task in WORKS}]:
        raise ValidationError({"works": f"{', '.join(unknown)} is no work of the workshop."})
    if promised_on is not None and promised_on < card.received_on:
        raise ValidationError({"promised_on": "The promised day cannot lie before the unit was received."})
    moved = JobCard.objects.filter(pk=card.pk, version=version, state__in=JobCard.WORKABLE).update(
        works=[task.value for task in WORKS if task.value in works],
        promised_on=promised_on,
        remarks=remarks.strip(),
        version=F("version") + 1,
    )
    return _after(card, moved)


def withdraw_card(card: JobCard, *, version: int, reason: str, now: datetime) -> JobCard:
    """Withdraw a card that was opened by mistake and has no entry yet; the unit stays in the workshop."""
    if not reason.strip():
        raise ValidationError({"reason": "Say why the card is withdrawn."})
    if CardEntry.objects.filter(card=card).exists():
        raise Conflict(
            "card_has_entries",
            "Work was stated on this card. Finish it, or condemn the unit; it stays on file.",
        )
    moved = JobCard.objects.filter(pk=card.pk, version=version, state=JobCard.State.WAITING).update(
        state=JobCard.State.WITHDRAWN,
        remarks=f"{card.remarks}\nWithdrawn: {reason.strip()}".strip(),
        closed_at=now,
        version=F("version") + 1,
    )
    return _after(card, moved)


@transaction.atomic
def take_back_card(
    card: JobCard, *, version: int, reason: str, why: str, by: Person, now: datetime
) -> JobCard:
    """End the released ``card`` and open a new one, because something is wrong with the unit after all.

    What was released stays on file as it was; only the new card leads the unit out again. Raises
    ``Conflict`` when the unit was handed back meanwhile.
    """
    if not why.strip():
        raise ValidationError({"why": "Say what is wrong with it."})
    moved = JobCard.objects.filter(pk=card.pk, version=version, state=JobCard.State.RELEASED).update(
        state=JobCard.State.TAKEN_BACK,
        remarks=f"{card.remarks}\nTaken back to the bench: {why.strip()}".strip(),
        closed_at=now,
        version=F("version") + 1,
    )
    _after(card, moved)
    return open_card(
        card.unit,
        reason=reason,
        works=card.works,
        by=by,
        now=now,
        promised_on=max(card.promised_on, today_of(card, now)) if card.promised_on else None,
        accessories=card.accessories,
        remarks=f"Taken back after its release on card {card.number}: {why.strip()}",
    )


def _after(card: JobCard, moved: int) -> JobCard:
    card.refresh_from_db()
    if not moved:
        raise changed(card)
    return card


def changed(card: JobCard) -> Conflict:
    """The refusal of a change that was made on an older sight of ``card``."""
    return Conflict(
        "card_changed",
        f"Somebody else worked on card {card.number} meanwhile; it is now "
        f"{card.get_state_display().lower()}. Nothing of yours was stored: look at it again.",
        state=card.state,
        version=card.version,
    )


# --- stating a step -------------------------------------------------------------------------------


def take_step(
    card: JobCard,
    code: str,
    raw: Mapping[str, Any],
    *,
    by: Person,
    now: datetime,
    version: int,
    charging: Charging,
    confirmed: bool = False,
    remarks: str = "",
    client_ref: uuid.UUID | None = None,
) -> CardEntry:
    """State one step of ``card`` and return the entry; what follows from it happens with it.

    ``raw`` is what was filled in, by field (see ``steps.read_fields``). A resend with the same
    reference meets the stored entry. Raises ``ValidationError`` by field, ``Unlikely`` for figures
    to be confirmed, ``Conflict`` when the card moved on, when an earlier step is open, or when a
    unit may not be charged.
    """
    ref = client_ref or uuid.uuid4()
    stored = CardEntry.objects.filter(client_ref=ref).first()
    if stored is not None:
        return _same_entry(stored, card, code, raw)
    entries = entries_of(card)
    board = board_of(card, charging, entries)
    line = _line_to_take(board, code)
    today = today_of(card, now)
    known = plate(card.unit)
    try:
        given = read_fields(line.step, known.kind, raw)
        used, past = instruments_named(line.step, given, today=today)
        judged = judge(code, given, bench_for(card, entries, today=today))
    except FieldsRefused as refused:
        raise ValidationError(refused.errors) from refused
    _check(board, line.step, given, by=by, entries=entries)
    if judged.asks and not confirmed:
        raise Unlikely(dict(judged.asks))
    if judged.asks:
        past += [f"Confirmed as entered: {question}" for question in judged.asks.values()]
    with transaction.atomic():
        claim(card, version)
        return _store(
            board,
            line,
            given,
            judged,
            used,
            past,
            by=by,
            now=now,
            today=today,
            remarks=remarks,
            ref=ref,
            entries=entries,
        )


def _same_entry(stored: CardEntry, card: JobCard, code: str, raw: Mapping[str, Any]) -> CardEntry:
    same = stored.card_id == card.pk and stored.step == code
    if same:
        try:
            again = read_fields(step_book().step(code), plate(card.unit).kind, raw).stored
        except FieldsRefused:
            again = {}
        same = dict(again) == stored.values
    if not same:
        raise Conflict(
            "reference_reused",
            "This reference was already used for another entry. Nothing was changed; open the card again.",
        )
    return stored


_AFTER_RELEASE = frozenset({"return"})
_AFTER_CONDEMNING = frozenset({"mark", "consent", "dispose"})


def _line_to_take(board: CardBoard, code: str) -> StepLine:
    card = board.card
    allowed = card.state in JobCard.WORKABLE
    allowed = allowed or (card.state == JobCard.State.RELEASED and code in _AFTER_RELEASE)
    allowed = allowed or (card.state == JobCard.State.CONDEMNED and code in _AFTER_CONDEMNING)
    if not allowed:
        raise Conflict(
            "card_not_open",
            f"Card {card.number} is {card.get_state_display().lower()}: nothing more is stated on it. "
            "What is wrong on it is put right by a correction with a reason.",
            state=card.state,
        )
    line = board.line(code)
    if line is None:
        raise Conflict("step_not_asked", f"This unit does not need the step {code!r} on this card.")
    for earlier in board.lines:
        if earlier is line:
            break
        if not earlier.is_done:
            raise Conflict(
                "step_too_early",
                f"First: {earlier.step.title}. {line.step.title} comes after it.",
                step=earlier.step.code,
            )
    if line.step.charges:
        refuse_to_charge(board)
    return line


def refuse_to_charge(board: CardBoard) -> None:
    """Raise ``Conflict`` when agent or gas must not go into the unit of this card."""
    unit, charging = board.card.unit, board.charging
    if charging.has_ended:
        raise Conflict("end_of_life", charging.sentence or "It is at the end of its life: condemn it.")
    if unit.model.is_refillable is False:
        raise Conflict("not_refillable", f"Unit {unit.number} is not made to be filled again: condemn it.")
    if board.must_test:
        raise Conflict(
            "test_before_charging",
            charging.sentence or "A pressure test is asked for on this card and has not been passed.",
        )


def _check(board: CardBoard, step: Step, given: Given, *, by: Person, entries: Sequence[CardEntry]) -> None:
    """Refuse what one field cannot tell on its own."""
    if step.code == "decide":
        _check_decision(board, given.texts["decision"])
    if step.code == "release":
        measured = {one.code for one in step_book().steps if one.measured}
        doers = {entry.made_by_id for entry in entries if entry.step in measured}
        if by.pk in doers:
            raise Conflict(
                "same_person",
                f"{by.display_name} filled, charged, tested or finished this unit and cannot release it. "
                "Ask a second person.",
            )
        if Task.DISCHARGE_TEST in board.card.works:
            out = next((e for e in reversed(entries) if e.step == "agent_out"), None)
            if out is None or not out.values.get("operated"):
                raise Conflict(
                    "discharge_test_missing",
                    "The card is for a discharge test, but it was not emptied by operating it. "
                    "Take the discharge test off the card.",
                )
    if step.code == "second_look":
        named = next((entry for entry in reversed(entries) if entry.step == "condemn"), None)
        if named is not None and named.made_by_id == by.pk:
            raise Conflict(
                "same_person",
                f"{by.display_name} named the reason and cannot be the second opinion. Ask a second person.",
            )
    if step.code in ("release", "return") and (held := booking.held_lots(entries)):
        raise Conflict(
            "lot_on_hold",
            f"{' '.join(held)} The unit stays here until somebody decides on the lot, or it is filled anew.",
        )
    if step.code == "return":
        is_ours = board.card.site is None or board.card.unit.is_loaner
        if given.texts["to"] == "home" and board.card.home is None:
            raise ValidationError({"to": "The register does not know where it hung. Hang it from the desk."})
        if given.texts["to"] == "stock" and not is_ours:
            raise ValidationError(
                {"to": "It belongs to premises: hang it there, or exchange it at the desk first."}
            )


def _check_decision(board: CardBoard, decision: str) -> None:
    if decision == JobCard.Decision.CONDEMN:
        return
    if board.must_condemn:
        sentence = board.charging.sentence if board.charging.has_ended else ""
        raise ValidationError(
            {"decision": sentence or "What was found ends its life: condemn it, or correct the finding."}
        )
    if decision == JobCard.Decision.SERVE and board.must_test:
        raise ValidationError(
            {
                "decision": board.charging.sentence
                or "A pressure test is asked for. Choose the test, or take it off the card first."
            }
        )


def instruments_named(step: Step, given: Given, *, today: date) -> tuple[list[Instrument], list[str]]:
    """Instruments named in the step, and a line for each whose calibration is not in date."""
    wanted = {spec.code: spec for spec in step.fields if spec.kind == "instrument"}
    named = {code: given.texts[code] for code in wanted if code in given.texts}
    rows = {row.code: row for row in Instrument.objects.filter(code__in=named.values(), is_retired=False)}
    errors, used, past = {}, [], []
    for code, number in named.items():
        row = rows.get(number)
        if row is None or row.kind != wanted[code].instrument:
            errors[code] = f"{wanted[code].label}: {number} is none of ours in use. Choose one from the list."
            continue
        used.append(row)
        if row.due_on is None:
            past.append(f"{row.code} has no known calibration.")
        elif row.due_on < today:
            past.append(f"{row.code} was past its calibration, which ran out on {row.due_on}.")
    if errors:
        raise FieldsRefused(errors)
    return list(dict.fromkeys(used)), past


def claim(card: JobCard, version: int) -> None:
    """Take the card for one change; of two at once, one finds that it moved on."""
    moved = JobCard.objects.filter(pk=card.pk, version=version, state__in=JobCard.OPEN).update(
        version=F("version") + 1
    )
    if not moved:
        card.refresh_from_db()
        raise changed(card)


def _store(
    board: CardBoard,
    line: StepLine,
    given: Given,
    judged: Judged,
    used: Sequence[Instrument],
    past: Sequence[str],
    *,
    by: Person,
    now: datetime,
    today: date,
    remarks: str,
    ref: uuid.UUID,
    entries: Sequence[CardEntry],
) -> CardEntry:
    card, code = board.card, line.step.code
    done_on = given.days.get("done_on", today)
    opening = max((entry.place for entry in entries if entry.step == "empty"), default=0)
    taking = booking.Taking(card, by, today, now, ref, workshop_store(), opening)
    not_booked = booking.book(code, given, taking, entries, current_values())
    records = results.records_for(
        board, code, given, judged, used, by=by, now=now, done_on=done_on, ref=ref, entries=entries
    )
    entry = add_entry(
        card,
        step=code,
        done_on=done_on,
        values=dict(given.stored),
        judged=judged,
        extra_flags=[*past, *not_booked],
        used=used,
        by=by,
        now=now,
        today=today,
        remarks=remarks,
        ref=ref,
        record=records[0] if records else None,
    )
    _move_on(board, entry, given, judged, by=by, now=now, today=today)
    return entry


def add_entry(
    card: JobCard,
    *,
    step: str,
    done_on: date,
    values: dict[str, Any],
    judged: Judged,
    used: Sequence[Instrument],
    by: Person,
    now: datetime,
    today: date,
    extra_flags: Sequence[str] = (),
    remarks: str = "",
    ref: uuid.UUID | None = None,
    record: ServiceRecord | None = None,
    corrects: CardEntry | None = None,
    reason: str = "",
) -> CardEntry:
    """Append an entry to ``card``; the caller has claimed the card."""
    last = CardEntry.objects.filter(card=card).aggregate(last=Max("sequence"))["last"] or 0
    entry = CardEntry.objects.create(
        client_ref=ref or uuid.uuid4(),
        card=card,
        sequence=last + 1,
        step=step,
        done_on=done_on,
        values=values,
        verdict=judged.verdict,
        sentences=list(judged.sentences),
        flags=[*judged.flags, *extra_flags],
        remarks=remarks.strip(),
        record=record,
        made_by_id=by.pk,
        made_by_name=by.display_name,
        made_at=now,
        corrects=corrects,
        correction_reason=reason,
    )
    CardInstrument.objects.bulk_create(
        [
            CardInstrument(
                entry=entry,
                instrument=row,
                due_on=row.due_on,
                was_in_calibration=row.due_on is not None and row.due_on >= today,
            )
            for row in used
        ]
    )
    return entry


def _move_on(
    board: CardBoard,
    entry: CardEntry,
    given: Given,
    judged: Judged,
    *,
    by: Person,
    now: datetime,
    today: date,
) -> None:
    """Bring the card and the unit into the state that follows from ``entry``."""
    card, code = board.card, entry.step
    state, changes = JobCard.State.IN_WORK, dict[str, Any]()
    if code == "decide":
        changes["decision"] = given.texts["decision"]
    # A shell that failed is condemned without anybody having to decide it.
    if judged.must_condemn and (code in TEST_STEPS or code == "triage"):
        changes["decision"] = JobCard.Decision.CONDEMN
    if code == "finish" and judged.verdict != CardEntry.Verdict.OUTSIDE:
        state = JobCard.State.TO_RELEASE
    elif code == "release":
        state = JobCard.State.RELEASED
        changes |= {"released_at": now, "released_by": by.pk}
        set_state(card.unit, Unit.State.READY_TO_RETURN)
    elif code == "return":
        state = JobCard.State.RETURNED
        changes["closed_at"] = now
        _hand_back(card, given.texts["to"], by=by, today=today)
    elif code == "condemn":
        state = JobCard.State.TO_CONDEMN
    elif code == "second_look" and judged.verdict != CardEntry.Verdict.DONE:
        changes["decision"] = JobCard.Decision.OPEN
    elif code == "second_look":
        state = JobCard.State.CONDEMNED
        move_to(card, Unit.State.CONDEMNED, by=by, on=today, store=workshop_store())
    elif card.state == JobCard.State.CONDEMNED:
        state = JobCard.State.CONDEMNED
        if code == "dispose":
            state = JobCard.State.DISPOSED
            changes["closed_at"] = now
            move_to(card, Unit.State.DISPOSED, by=by, on=today, store=None)
    JobCard.objects.filter(pk=card.pk).update(state=state, **changes)
    card.refresh_from_db()


def _hand_back(card: JobCard, to: str, *, by: Person, today: date) -> None:
    """Hang the unit where it came from and take its loaner out, or put our own back into stock."""
    unit, store = card.unit, workshop_store()
    if to == "home" and unit.location_id is not None and unit.state in Unit.HANGING:
        return  # A technician has hung it on the way.
    if to == "home" and card.home is not None:
        give_back(unit, on=today, by=by, location=card.home, loaner_to=store, ref=card.public_id)
    else:
        state = Unit.State.LOANER_FREE if unit.is_loaner else Unit.State.IN_STOCK
        move_to(card, state, by=by, on=today, store=store)
