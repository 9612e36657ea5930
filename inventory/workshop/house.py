"""Units sent to an outside test house: sent, due back, its certificate filed.

Where the law wants an accredited house, or the shop has no water jacket, the shell goes out and
comes back with a mark on its shoulder and a certificate. Both are wanted before the test counts.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.db import IntegrityError, transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.measures.kinds import TestMethod
from inventory.measures.stamps import StampError, read_stamp
from inventory.measures.units import Dimension, Measure, MeasureError, read_measure
from inventory.people import Person
from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.workshop import results
from inventory.workshop.bench import Charging, Judged
from inventory.workshop.models import CardEntry, HouseStay, JobCard
from inventory.workshop.queries import TEST_STEPS, board_of, current_values, today_of
from inventory.workshop.services import add_entry, changed, move_to, workshop_store

METHODS = (
    TestMethod.PROOF_PRESSURE,
    TestMethod.WATER_JACKET,
    TestMethod.DIRECT_EXPANSION,
    TestMethod.ULTRASONIC,
)
MAX_FILE_BYTES = 10 * 1024 * 1024
_SIGNS: Mapping[bytes, str] = {b"%PDF-": "pdf", b"\xff\xd8\xff": "jpg", b"\x89PNG\r\n\x1a\n": "png"}


@dataclass(frozen=True, slots=True)
class HouseResult:
    """What the test house states, as typed, and its certificate as a file."""

    passed: bool
    done_on: date
    method: str
    test_pressure: str
    certificate_number: str
    mark_read: str
    file: bytes


def default_due_back(sent_on: date) -> date:
    """When a unit sent today is expected back."""
    return sent_on + timedelta(days=int(current_values()["house_days"].number))


@transaction.atomic
def send_out(
    card: JobCard,
    *,
    house: str,
    due_back_on: date,
    version: int,
    charging: Charging,
    by: Person,
    now: datetime,
) -> HouseStay:
    """Send the unit of ``card`` to a test house. Its shell is empty and looked at before it travels."""
    today = today_of(card, now)
    if not house.strip():
        raise ValidationError({"house": "Name the test house."})
    if due_back_on < today:
        raise ValidationError({"due_back_on": f"{due_back_on} has passed. Choose {today} or later."})
    board = board_of(card, charging)
    step = board.next_line
    if card.state not in JobCard.WORKABLE or step is None or step.step.code not in TEST_STEPS:
        raise Conflict(
            "not_ready_to_send",
            f"Card {card.number} does not wait for a pressure test"
            + (f": its next step is {step.step.title}." if step is not None else "."),
        )
    _claim(card, version, JobCard.WORKABLE, JobCard.State.AT_TEST_HOUSE)
    known = Store.objects.filter(kind=Store.Kind.TEST_HOUSE, name=house.strip(), is_closed=False).first()
    move_to(card, Unit.State.AT_TEST_HOUSE, by=by, on=today, store=known)
    try:
        with transaction.atomic():
            return HouseStay.objects.create(
                card=card, house=house.strip()[:120], sent_on=today, due_back_on=due_back_on, sent_by_id=by.pk
            )
    except IntegrityError as error:
        raise Conflict("at_test_house", "This unit is at a test house already.") from error


@transaction.atomic
def take_back(
    card: JobCard, result: HouseResult, *, version: int, charging: Charging, by: Person, now: datetime
) -> CardEntry:
    """Take the unit back with the result of the house; file its certificate and record the test.

    Raises ``ValidationError`` by field for a missing certificate or mark, a day before manufacture
    or in the future, and a mark that names another month than the certificate.
    """
    stay = HouseStay.objects.filter(card=card, returned_on__isnull=True).first()
    if stay is None:
        raise Conflict("not_at_test_house", f"Card {card.number} is at no test house.")
    today = today_of(card, now)
    pressure, kind_of_file, flags = _check(card, stay, result, today=today)
    board = board_of(card, charging)
    step = board.next_line
    if step is None or step.step.code not in TEST_STEPS:
        raise Conflict("no_test_awaited", f"Card {card.number} does not wait for a pressure test any more.")
    state = JobCard.State.IN_WORK
    _claim(card, version, (JobCard.State.AT_TEST_HOUSE,), state)
    move_to(card, Unit.State.IN_WORKSHOP, by=by, on=today, store=workshop_store())
    stay.returned_on = today
    stay.certificate_number = result.certificate_number.strip()[:60]
    stay.certificate_sha256 = hashlib.sha256(result.file).hexdigest()
    # The name is ours: that of an upload is not to be trusted.
    stay.certificate.save(
        f"{card.number}-{stay.public_id}.{kind_of_file}", ContentFile(result.file), save=False
    )
    stay.save(update_fields=["returned_on", "certificate_number", "certificate_sha256", "certificate"])
    ref = uuid.uuid5(stay.public_id, "returned")
    sentence = (
        f"{'Passed' if result.passed else 'Failed'} at {stay.house}, certificate {stay.certificate_number}"
    )
    records = results.house_records(
        board,
        passed=result.passed,
        done_on=result.done_on,
        house=stay.house,
        method=result.method,
        pressure=pressure,
        remarks=f"{sentence}, mark {result.mark_read.strip()}.",
        now=now,
        ref=ref,
    )
    values: dict[str, Any] = {
        "house": stay.house,
        "done_on": result.done_on.isoformat(),
        "method": result.method,
        "test_pressure": {"value": str(pressure.entered), "unit": pressure.unit.value},
        "certificate": stay.certificate_number,
        "mark": result.mark_read.strip()[:60],
    }
    entry = add_entry(
        card,
        step=step.step.code,
        done_on=result.done_on,
        values=values,
        judged=Judged("inside" if result.passed else "outside", (f"{sentence}.",), tuple(flags)),
        used=(),
        by=by,
        now=now,
        today=today,
        ref=ref,
        record=records[0],
    )
    if not result.passed:
        JobCard.objects.filter(pk=card.pk).update(decision=JobCard.Decision.CONDEMN)
    card.refresh_from_db()
    return entry


def _check(
    card: JobCard, stay: HouseStay, result: HouseResult, *, today: date
) -> tuple[Measure, str, list[str]]:
    errors: dict[str, str] = {}
    flags: list[str] = []
    made = card.unit.made
    if result.done_on > today:
        errors["done_on"] = f"{result.done_on} lies in the future. Enter the day on the certificate."
    elif made.first is not None and result.done_on < made.first:
        errors["done_on"] = f"{result.done_on} lies before the shell was made ({made}). One of them is wrong."
    elif result.done_on < stay.sent_on:
        flags.append(f"The certificate is of {result.done_on}, before the unit was sent on {stay.sent_on}.")
    if result.method not in {method.value for method in METHODS}:
        errors["method"] = "Choose how the house tested it."
    if not result.certificate_number.strip():
        errors["certificate_number"] = "Enter the number of the certificate."
    if not result.mark_read.strip():
        errors["mark_read"] = (
            "Read the mark on the shell; a certificate without a mark may be another shell's."
        )
    else:
        try:
            mark = read_stamp(result.mark_read, today=today).stamp
        except StampError:
            flags.append(f"The mark {result.mark_read.strip()} could not be read as a date.")
        else:
            if mark.first and mark.last and not mark.first <= result.done_on <= mark.last:
                errors["mark_read"] = (
                    f"The mark says {mark}, the certificate {result.done_on}. Find out which shell it is for."
                )
    suffix = next((name for sign, name in _SIGNS.items() if result.file.startswith(sign)), "")
    if not suffix:
        errors["file"] = "File the certificate: a PDF, or a photograph as JPEG or PNG."
    elif len(result.file) > MAX_FILE_BYTES:
        errors["file"] = "The file is larger than 10 MB. Scan it with less detail."
    pressure: Measure | None = None
    try:
        pressure = read_measure(result.test_pressure, dimensions=(Dimension.PRESSURE,)).measure
    except MeasureError as error:
        errors["test_pressure"] = error.sentence
    if errors or pressure is None:
        raise ValidationError(errors)
    return pressure, suffix, flags


def _claim(card: JobCard, version: int, states: Any, to: str) -> None:
    moved = JobCard.objects.filter(pk=card.pk, version=version, state__in=states).update(
        state=to, version=F("version") + 1
    )
    if not moved:
        card.refresh_from_db()
        raise changed(card)
    card.refresh_from_db()
