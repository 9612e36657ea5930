"""The workshop and the due dates: may this unit be charged, and what its work moves.

The one way in for every edge: it asks the due engine before a step, lets ``inventory.workshop`` do
the rest, and brings the unit's dates up to date in the same transaction.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction

from inventory.errors import Conflict
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.people import Person
from inventory.register import custody
from inventory.register.models import Placement, Unit, local_today
from inventory.register.places import Store
from inventory.workshop import corrections, house, services
from inventory.workshop.bench import Charging
from inventory.workshop.models import CardEntry, HouseStay, JobCard
from inventory.workshop.queries import WORKS
from schedules.due.queries import explain
from schedules.due.services import refresh_units
from schedules.engine import Knowledge
from schedules.engine import Obligation as Answer
from schedules.rulebook.queries import table_version
from schedules.visits.models import Job, Visit

TESTS = frozenset({Task.HYDROSTATIC_TEST, Task.REQUALIFICATION})


def chargings(units: Sequence[Unit], now: datetime) -> dict[int, Charging]:
    """For each of these units whether agent or gas may go into it, and what it is owed. Five queries."""
    answers = explain([unit.pk for unit in units], now)
    return {unit.pk: _charging(unit, answers.get(unit.pk), now) for unit in units}


def charging_of(unit: Unit, now: datetime) -> Charging:
    """Whether agent or gas may go into ``unit`` at ``now``, as the due engine says."""
    return chargings([unit], now)[unit.pk]


def _charging(unit: Unit, answers: Sequence[Answer] | None, now: datetime) -> Charging:
    if unit.site is None or answers is None:
        return Charging(
            needs_test=True,
            sentence=f"Unit {unit.number} belongs to no site, so no rule says until when its last pressure "
            "test counts. Unknown is never fine: test it before it is charged.",
        )
    today = local_today(unit.site, now)
    owed = {
        answer.task.value
        for answer in answers
        if answer.task in WORKS and (answer.knowledge is Knowledge.UNKNOWN_BASIS or answer.is_due(today))
    }
    ended = next((a for a in answers if a.task is Task.RETIREMENT and a.is_overdue(today)), None)
    if ended is not None:
        return Charging(
            has_ended=True,
            sentence=f"Its life ended on {ended.latest} ({_title(ended)} {ended.clause}): it is neither "
            "tested nor charged but condemned.",
            owed=tuple(sorted(owed)),
        )
    for answer in answers:
        why = _not_proved(answer, today) if answer.task in TESTS else ""
        if why:
            return Charging(needs_test=True, sentence=why, owed=tuple(sorted(owed)))
    return Charging(owed=tuple(sorted(owed)))


def _not_proved(answer: Answer, today: date) -> str:
    """Why this demand forbids charging now; empty when it does not."""
    label, rule = TASK_LABELS[answer.task], f"{_title(answer)} {answer.clause}".strip()
    if answer.knowledge is Knowledge.UNKNOWN_BASIS:
        return f"Nobody knows when its last {label.lower()} was ({rule}): test it before it is charged."
    if answer.knowledge is Knowledge.UNCOVERED:
        return (
            f"No rule of {_title(answer)} says when its {label.lower()} is due: test it before it is charged."
        )
    if answer.knowledge is Knowledge.BARRED:
        return f"It must not be tested and cannot be charged untested ({rule}): condemn it."
    # A full unit may keep its charge past the date where the table says so; it is not filled again.
    if answer.latest is not None and answer.latest < today:
        return f"{label} was due by {answer.latest} ({rule}): test it before it is charged."
    return ""


def _title(answer: Answer) -> str:
    """What people call the table of the answer."""
    table = table_version(answer.table_key, answer.table_version)
    return table.title if table is not None else answer.table_key


@dataclass(frozen=True, slots=True)
class GoingBack:
    """What stands in the way when a unit that was taken along is to hang again as in service.

    ``forbids`` says why it must not; ``asks`` what somebody has to answer for. Both empty: it may.
    """

    forbids: str = ""
    asks: str = ""


def going_back(unit: Unit, now: datetime) -> GoingBack:
    """Whether ``unit`` may hang again: nothing that waits for work, test or release goes back as good."""
    card = JobCard.objects.open().filter(unit=unit).order_by("-pk").first()
    if card is not None:
        if card.state == JobCard.State.RELEASED:
            return GoingBack()
        return GoingBack(
            forbids=f"Its job card {card.number} is not released ({card.get_state_display().lower()}): "
            "finish the card and return the unit from it, or withdraw the card with a reason."
        )
    charging = charging_of(unit, now)
    if charging.has_ended:
        return GoingBack(forbids=charging.sentence)
    if charging.needs_test:
        return GoingBack(asks=charging.sentence)
    if unit.state == Unit.State.AWAITING_RECHARGE:
        return GoingBack(asks="It awaits its recharge, and no job card says that it was charged.")
    return GoingBack()


@transaction.atomic
def bring_back(
    unit: Unit, *, by: Person, now: datetime, loaner_to: Store | None = None, despite: str = ""
) -> Placement:
    """Hang ``unit`` where it came from, as the desk or the workshop says, and bring its dates up to date.

    Raises ``Conflict`` (``not_released``, ``to_answer_for`` without ``despite``, and those of
    ``custody.give_back``).
    """
    found = going_back(unit, now)
    if found.forbids:
        raise Conflict("not_released", f"{unit.number} does not go back yet. {found.forbids}")
    released = JobCard.objects.open().filter(unit=unit).first()
    if released is not None:
        raise Conflict(
            "return_from_card",
            f"{unit.number} is ready to return: enter the last step of its job card {released.number}, "
            "which hangs it and closes the card.",
        )
    if found.asks and not despite.strip():
        raise Conflict(
            "to_answer_for",
            f"{found.asks} Open a job card for {unit.number}, or say why it goes back all the same.",
        )
    on = local_today(unit.site, now) if unit.site is not None else now.date()
    reason = f"Brought back: {despite.strip()}" if found.asks else "Brought back"
    lent = Unit.objects.filter(loans__in_place_of=unit, loans__ended_on__isnull=True)
    loaners = list(lent.values_list("pk", flat=True))
    placement = custody.give_back(unit, on=on, by=by, loaner_to=loaner_to, reason=reason)
    # The loaner is owed nothing any more where it hung.
    refresh_units([unit.pk, *loaners], now=now)
    return placement


@transaction.atomic
def receive(
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
    """Open a job card for ``unit`` (see ``inventory.workshop.services.open_card``)."""
    card = services.open_card(
        unit,
        reason=reason,
        works=works,
        by=by,
        now=now,
        promised_on=promised_on,
        accessories=accessories,
        remarks=remarks,
    )
    refresh_units([unit.pk], now=now)
    return card


@transaction.atomic
def take_step(
    card: JobCard,
    code: str,
    raw: Mapping[str, Any],
    *,
    by: Person,
    now: datetime,
    version: int,
    confirmed: bool = False,
    remarks: str = "",
    client_ref: uuid.UUID | None = None,
) -> CardEntry:
    """State one step of ``card`` (see ``inventory.workshop.services.take_step``)."""
    entry = services.take_step(
        card,
        code,
        raw,
        by=by,
        now=now,
        version=version,
        charging=charging_of(card.unit, now),
        confirmed=confirmed,
        remarks=remarks,
        client_ref=client_ref,
    )
    _settle(card, entry, now)
    return entry


@transaction.atomic
def take_back(card: JobCard, *, version: int, reason: str, why: str, by: Person, now: datetime) -> JobCard:
    """Take a released unit back to the bench and return its new card."""
    new = services.take_back_card(card, version=version, reason=reason, why=why, by=by, now=now)
    refresh_units([card.unit_id], now=now)
    return new


@transaction.atomic
def send_to_house(
    card: JobCard, *, name: str, due_back_on: date, version: int, by: Person, now: datetime
) -> HouseStay:
    """Send the unit of ``card`` to an outside test house."""
    return house.send_out(
        card,
        house=name,
        due_back_on=due_back_on,
        version=version,
        charging=charging_of(card.unit, now),
        by=by,
        now=now,
    )


@transaction.atomic
def take_back_from_house(
    card: JobCard, result: house.HouseResult, *, version: int, by: Person, now: datetime
) -> CardEntry:
    """Take the unit back from the test house with its certificate."""
    entry = house.take_back(
        card, result, version=version, charging=charging_of(card.unit, now), by=by, now=now
    )
    _settle(card, entry, now)
    return entry


@transaction.atomic
def correct(
    entry: CardEntry,
    raw: Mapping[str, Any],
    *,
    reason: str,
    by: Person,
    now: datetime,
    version: int,
    confirmed: bool = False,
) -> CardEntry:
    """Put right one entry of a released card; the dates follow the corrected records."""
    new = corrections.correct_entry(
        entry, raw, reason=reason, by=by, now=now, version=version, confirmed=confirmed
    )
    refresh_units([entry.card.unit_id], now=now)
    return new


def _settle(card: JobCard, entry: CardEntry, now: datetime) -> None:
    """What follows outside the workshop from a step that made a record or moved the unit."""
    if entry.step == "second_look" and card.state == JobCard.State.CONDEMNED:
        # Work planned on it elsewhere is void: nobody could give it a result any more.
        Job.objects.filter(unit=card.unit_id, visit__state__in=Visit.OPEN).delete()
    if entry.record_id is not None or entry.step in ("return", "dispose"):
        refresh_units([card.unit_id], now=now)
