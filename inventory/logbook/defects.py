"""Defects of units and of places: stated, settled, taken back."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db.models import Case, Count, QuerySet, When

from inventory.access import Scope
from inventory.errors import Conflict
from inventory.logbook.models import Defect
from inventory.measures.checks import About, defect_kinds
from inventory.people import Person


@dataclass(frozen=True, slots=True)
class NewDefect:
    """A defect as it was found; severity and action as the list says where they are left out."""

    public_id: uuid.UUID
    code: str
    severity: str = ""
    action: str = ""
    remarks: str = ""
    photos: tuple[uuid.UUID, ...] = ()


def check_defect(new: NewDefect, about: About) -> None:
    """Raise ``ValidationError`` unless ``new`` is a known defect of what it is said to be about."""
    kind = defect_kinds().get(new.code)
    if kind is None or kind.about is not about:
        known = ", ".join(code for code, one in defect_kinds().items() if one.about is about)
        thing = "place" if about is About.LOCATION else "unit"
        raise ValidationError({"code": f"{new.code!r} is not a defect of a {thing}. Choose one of {known}."})
    if new.severity and new.severity not in Defect.Severity.values:
        raise ValidationError({"severity": f"Choose one of {', '.join(Defect.Severity.values)}."})
    if new.code in ("other_unit", "other_place") and not new.remarks.strip():
        raise ValidationError({"remarks": "Say what is wrong: the list has no word for it."})


def state_defect(
    new: NewDefect,
    *,
    site_id: int,
    unit_id: int | None = None,
    location_id: int | None = None,
    on: date,
    at: datetime,
    by: Person | None,
    visit_ref: uuid.UUID | None = None,
    act_ref: uuid.UUID | None = None,
    is_void: bool = False,
) -> Defect:
    """Store a defect; one that is stored under the same id already is returned as it is."""
    stored = Defect.objects.filter(public_id=new.public_id).first()
    if stored is not None:
        if stored.act_ref != act_ref:
            raise Conflict("reference_reused", "This id was used for another defect. Make a new one.")
        return stored
    kind = defect_kinds()[new.code]
    return Defect.objects.create(
        public_id=new.public_id,
        site_id=site_id,
        unit_id=unit_id,
        location_id=location_id,
        code=new.code,
        severity=new.severity or kind.severity.value,
        action=(new.action or kind.action)[:200],
        remarks=new.remarks,
        photo_refs=[str(ref) for ref in new.photos],
        visit_ref=visit_ref,
        act_ref=act_ref,
        opened_on=on,
        opened_at=at,
        opened_by_id=by.pk if by is not None else None,
        is_void=is_void,
    )


@dataclass(frozen=True, slots=True)
class OnUnit:
    """A defect of a unit that is stated of many at once, and where the unit is."""

    new: NewDefect
    unit_id: int
    site_id: int
    location_id: int | None
    on: date


def state_defects(found: Sequence[OnUnit], *, at: datetime, by: Person | None) -> int:
    """Store those of ``found`` that are not stored yet under their id; return how many. Two statements."""
    refs = [one.new.public_id for one in found]
    known = set(Defect.objects.filter(public_id__in=refs).values_list("public_id", flat=True))
    kinds = defect_kinds()
    rows = [
        Defect(
            public_id=one.new.public_id,
            site_id=one.site_id,
            unit_id=one.unit_id,
            location_id=one.location_id,
            code=one.new.code,
            severity=one.new.severity or kinds[one.new.code].severity.value,
            action=(one.new.action or kinds[one.new.code].action)[:200],
            remarks=one.new.remarks,
            opened_on=one.on,
            opened_at=at,
            opened_by_id=by.pk if by is not None else None,
        )
        for one in found
        if one.new.public_id not in known
    ]
    Defect.objects.bulk_create(rows, batch_size=500)
    return len(rows)


def settle_defect(defect: Defect, how: str, *, by: Person, at: datetime) -> Defect:
    """Settle a defect; settled already, it stays as the first one said. Raises without ``how``."""
    if not how.strip():
        raise ValidationError({"how": "Say how the defect was settled: the owner reads it."})
    Defect.objects.filter(pk=defect.pk, settled_at__isnull=True).update(
        settled_at=at, settled_by_id=by.pk, settled_how=how.strip()[:200]
    )
    defect.refresh_from_db()
    return defect


def reopen_defect(public_id: uuid.UUID) -> int:
    """Take the settling of a defect back; return how many rows changed."""
    return Defect.objects.filter(public_id=public_id, settled_at__isnull=False).update(
        settled_at=None, settled_by=None, settled_how=""
    )


def void_defects_of(act_ref: uuid.UUID) -> int:
    """Mark the defects that an act stated as recorded in error; return how many."""
    return Defect.objects.filter(act_ref=act_ref, is_void=False).update(is_void=True)


def settle_with_units(unit_ids: Iterable[int], how: str, *, by: Person, at: datetime) -> int:
    """Settle the open defects of units that no longer hang; return how many."""
    return (
        Defect.objects.open()
        .filter(unit__in=list(unit_ids))
        .update(settled_at=at, settled_by_id=by.pk, settled_how=how[:200])
    )


def open_defects(scope: Scope) -> QuerySet[Defect]:
    """Defects nobody has settled on sites that ``scope`` may see, gravest and oldest first."""
    grave_first = Case(When(severity=Defect.Severity.CRITICAL, then=0), default=1)
    return (
        Defect.objects.visible_to(scope)
        .open()
        .select_related("unit", "location", "site", "opened_by")
        .order_by(grave_first, "opened_on", "pk")
    )


def counts_by_severity(scope: Scope) -> Mapping[str, int]:
    """How many open defects of each severity ``scope`` may see, every one named."""
    rows = Defect.objects.visible_to(scope).open().order_by().values_list("severity").annotate(n=Count("pk"))
    found = dict(rows)
    return {severity: found.get(severity, 0) for severity in Defect.Severity.values}
