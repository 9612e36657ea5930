"""Instruments and their calibration, and the values that a manager sets in the place of shipped ones."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.measures.units import MeasureError, read_number
from inventory.people import Person
from inventory.workshop.models import Calibration, Instrument, WorkshopDefault
from inventory.workshop.values import shipped_values


@transaction.atomic
def add_instrument(*, code: str, kind: str, description: str, serial: str, due_on: date | None) -> Instrument:
    """Take an instrument into use. Raises ``ValidationError`` for a number that is taken."""
    row = Instrument(
        code=code.strip(), kind=kind, description=description.strip(), serial=serial.strip(), due_on=due_on
    )
    row.full_clean()
    row.save()
    return row


@transaction.atomic
def calibrate(
    instrument: Instrument,
    *,
    done_on: date,
    due_on: date,
    certificate_ref: str,
    by: Person,
    now: datetime,
    version: int,
) -> Calibration:
    """Enter a calibration; what was measured before keeps its flag. ``Conflict`` on an old sight."""
    if done_on > now.date():
        raise ValidationError({"done_on": f"{done_on} lies in the future."})
    row = Calibration(
        instrument=instrument,
        done_on=done_on,
        due_on=due_on,
        certificate_ref=certificate_ref.strip(),
        made_by_id=by.pk,
        made_at=now,
    )
    row.full_clean()
    _change(instrument, version, due_on=due_on)
    row.save()
    return row


def retire_instrument(instrument: Instrument, *, version: int) -> None:
    """Take an instrument out of use; entries made with it stay as they are."""
    _change(instrument, version, is_retired=True)


def _change(instrument: Instrument, version: int, **changes: object) -> None:
    moved = Instrument.objects.filter(pk=instrument.pk, version=version, is_retired=False).update(
        **changes, version=F("version") + 1
    )
    instrument.refresh_from_db()
    if not moved:
        raise Conflict(
            "instrument_changed",
            f"{instrument.code} was changed by somebody else meanwhile. Look at it again.",
        )


def change_value(key: str, entered: str, *, reason: str, by: Person, now: datetime) -> None:
    """Put a manager's figures in the place of a shipped value; empty figures put the shipped one back."""
    value = shipped_values().get(key)
    if value is None:
        raise ValidationError({"value": "There is no such value."})
    if not reason.strip():
        raise ValidationError(
            {"reason": "Say where the figures come from; every card judged by them shows it."}
        )
    text = entered.strip()
    if text:
        try:
            number, doubt = read_number(text)
        except MeasureError as error:
            raise ValidationError({"value": error.sentence}) from error
        if doubt is not None or number <= 0:
            raise ValidationError({"value": f"{text} is not one number above 0. Write it without grouping."})
        if not value.shipped / 10 <= number <= value.shipped * 10:
            raise ValidationError(
                {"value": f"{text} {value.unit} is far from the shipped {value.shipped}. Is the unit right?"}
            )
        text = str(Decimal(number))
    WorkshopDefault.objects.create(
        key=key, value=text, reason=reason.strip()[:200], made_by_id=by.pk, made_at=now
    )
