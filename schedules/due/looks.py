"""What an owner's own people state: monthly looks at units, and reports of used or damaged ones.

Each goes through the one door of the logbook and moves the dates in the same transaction. A statement
that is sent twice under one reference counts once.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Count, Exists, Max, OuterRef, Q, QuerySet

from inventory.access import Scope
from inventory.errors import Conflict
from inventory.logbook.defects import NewDefect, state_defect
from inventory.logbook.models import Defect, ServiceRecord
from inventory.logbook.services import NewRecord, add_records
from inventory.measures.kinds import Task
from inventory.measures.looks import IncompleteLook, Wrong, judge_look, say_look
from inventory.measures.stamps import Stamp
from inventory.people import Person
from inventory.register.models import Site, Unit, UnitQuerySet, local_today
from schedules.due.services import refresh_units


@dataclass(frozen=True, slots=True)
class Look:
    """A monthly look at one unit, as it was stated."""

    client_ref: uuid.UUID
    answers: Mapping[str, str]
    remarks: str = ""


def record_look(unit: Unit, look: Look, *, by: Person, now: datetime) -> tuple[ServiceRecord, bool]:
    """Keep a look at ``unit``; return its record and whether it is new.

    A failed look opens a defect for each wrong answer, unless the same one is open already. Raises
    ``ValidationError`` for a missing answer and ``Conflict`` when the reference was used for another unit.
    """
    site = _site_of(unit)
    try:
        judged, said = judge_look(look.answers), say_look(look.answers)
    except IncompleteLook as problem:
        raise ValidationError({problem.question.code: str(problem)}) from problem
    remarks = look.remarks.strip()
    if any(wrong.code == "other_unit" for wrong in judged.found) and not remarks:
        raise ValidationError({"remarks": "Say what is damaged: whoever comes brings the right parts."})
    stored = _stored(look.client_ref, unit)
    if stored is not None:
        return stored, False
    today = local_today(site, now)
    outcome = ServiceRecord.Outcome.PASSED if judged.is_passed else ServiceRecord.Outcome.FAILED
    with transaction.atomic():
        # Another request with the same reference may have come between the look and the write.
        stored = _stored(look.client_ref, unit)
        if stored is not None:
            return stored, False
        record = add_records(
            [
                NewRecord(
                    unit_id=unit.pk,
                    task=Task.VISUAL_INSPECTION.value,
                    outcome=outcome.value,
                    done=Stamp.of(today.year, today.month, today.day),
                    received_at=now,
                    client_ref=look.client_ref,
                    evidence=ServiceRecord.Evidence.OWNER_CHECK.value,
                    site_id=site.pk,
                    location_id=unit.location_id,
                    performed_by_id=by.pk,
                    performed_by_name=by.display_name,
                    remarks=f"{said} {remarks}".strip(),
                )
            ]
        )[0]
        for wrong in judged.found:
            _open_once(unit, wrong, look.client_ref, remarks, on=today, by=by, now=now)
        refresh_units([unit.pk], now=now)
    return record, True


def report_unit(
    unit: Unit,
    wrong: Wrong,
    remarks: str,
    *,
    client_ref: uuid.UUID,
    photos: Sequence[uuid.UUID] = (),
    by: Person,
    now: datetime,
) -> tuple[Defect, bool]:
    """Keep what somebody reports of ``unit`` as an open defect; return it and whether it is new.

    Raises ``ValidationError`` where the list has no word for it and none was given, and ``Conflict`` for
    a reference that was used for something else.
    """
    site = _site_of(unit)
    if wrong.code == "other_unit" and not remarks.strip():
        raise ValidationError({"remarks": "Say what is damaged: whoever comes brings the right parts."})
    stored = Defect.objects.filter(public_id=client_ref).first()
    if stored is not None:
        same_place = wrong.about_place and stored.location_id == unit.location_id
        if stored.code != wrong.code or not (stored.unit_id == unit.pk or same_place):
            raise Conflict("reference_reused", "This report was sent already. Open the page again.")
        return stored, False
    about_place = wrong.about_place and unit.location_id is not None
    defect = state_defect(
        NewDefect(client_ref, wrong.code, remarks=remarks.strip(), photos=tuple(photos)),
        site_id=site.pk,
        unit_id=None if about_place else unit.pk,
        location_id=unit.location_id if about_place else None,
        on=local_today(site, now),
        at=now,
        by=by,
    )
    return defect, True


def _site_of(unit: Unit) -> Site:
    if unit.site is None:
        raise Conflict("unit_elsewhere", "This unit is at none of your sites now.")
    return unit.site


def _stored(ref: uuid.UUID, unit: Unit) -> ServiceRecord | None:
    stored = ServiceRecord.objects.filter(client_ref=ref).first()
    if stored is not None and stored.unit_id != unit.pk:
        raise Conflict("reference_reused", "This look was sent for another unit. Open the page again.")
    return stored


def _open_once(
    unit: Unit, wrong: Wrong, ref: uuid.UUID, remarks: str, *, on: date, by: Person, now: datetime
) -> None:
    """State a defect unless the same one is open already: next month's look finds it again."""
    about_place = wrong.about_place and unit.location_id is not None
    subject = Q(location=unit.location_id) if about_place else Q(unit=unit.pk)
    if Defect.objects.open().filter(subject, code=wrong.code).exists():
        return
    state_defect(
        NewDefect(uuid.uuid5(ref, wrong.code), wrong.code, remarks=remarks),
        site_id=_site_of(unit).pk,
        unit_id=None if about_place else unit.pk,
        location_id=unit.location_id if about_place else None,
        on=on,
        at=now,
        by=by,
    )


# --- which were looked at ----------------------------------------------------------------------------


def month_of(day: date) -> tuple[date, date]:
    """The first day of the calendar month of ``day``, and that of the next."""
    first = day.replace(day=1)
    return first, (
        first.replace(year=first.year + 1, month=1)
        if first.month == 12
        else first.replace(month=first.month + 1)
    )


def looks_in(first: date, after: date) -> QuerySet[ServiceRecord]:
    """Looks that stand and were made from ``first`` to the day before ``after``, whoever made them."""
    return ServiceRecord.objects.standing().filter(
        task=Task.VISUAL_INSPECTION.value,
        outcome__in=(ServiceRecord.Outcome.PASSED, ServiceRecord.Outcome.FAILED),
        done_first__gte=first,
        done_last__lt=after,
    )


def to_look_at(scope: Scope, site: Site, now: datetime) -> tuple[UnitQuerySet, UnitQuerySet]:
    """Units hanging at ``site`` that nobody looked at in the running calendar month, and those looked at."""
    first, after = month_of(local_today(site, now))
    here = Unit.objects.visible_to(scope).filter(site=site, state__in=Unit.HANGING)
    seen = Exists(looks_in(first, after).filter(unit=OuterRef("pk"), site=site))
    return here.filter(~seen), here.filter(seen)


@dataclass(frozen=True, slots=True)
class LookMonth:
    """One calendar month of one site: how many units were looked at, and how many of them failed."""

    month: date
    looked_at: int
    failed: int
    last_on: date | None


def look_months(site: Site, now: datetime, months: int = 13) -> list[LookMonth]:
    """Units looked at at ``site`` per calendar month, the running month first; one query."""
    month = month_of(local_today(site, now))[0]
    firsts = []
    for _ in range(months):
        firsts.append(month)
        month = (
            month.replace(year=month.year - 1, month=12)
            if month.month == 1
            else month.replace(month=month.month - 1)
        )
    rows = (
        looks_in(firsts[-1], month_of(firsts[0])[1])
        .filter(site=site)
        .order_by()
        .values("done_first__year", "done_first__month")
        .annotate(
            units=Count("unit", distinct=True),
            failed=Count("unit", distinct=True, filter=Q(outcome=ServiceRecord.Outcome.FAILED)),
            last=Max("done_last"),
        )
    )
    found = {(row["done_first__year"], row["done_first__month"]): row for row in rows}
    lines = []
    for first in firsts:
        row = found.get((first.year, first.month))
        lines.append(
            LookMonth(first, row["units"], row["failed"], row["last"])
            if row
            else LookMonth(first, 0, 0, None)
        )
    return lines
