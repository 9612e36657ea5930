"""What planning writes into visits: technician, day and window; urgent calls; promises to owners."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import Site, local_today
from inventory.register.services import draw_numbers
from schedules.visits.models import Visit
from schedules.visits.proposing import propose_visit


@dataclass(frozen=True, slots=True)
class Assignment:
    """Where a plan puts one visit; wall times at the site."""

    visit: Visit
    technician: Person
    planned_on: date
    planned_start: time
    window_from: time
    window_until: time


@dataclass(frozen=True, slots=True)
class Written:
    """What came of writing a plan into visits."""

    changed: int = 0
    confirmed: int = 0
    kept: tuple[str, ...] = ()
    """One sentence for each visit that was left as it is, and why."""


@transaction.atomic
def write_assignments(assignments: Iterable[Assignment], *, confirm: bool, now: datetime) -> Written:
    """Give visits the technician, day and window of a plan; confirm the proposed ones where asked.

    A visit that has begun, is closed or was cancelled meanwhile is left alone, and so is one promised
    to its owner for another day or window. Raises ``ValidationError`` for a technician who is no
    longer active or whose licence has ended by the day.
    """
    changed = confirmed = 0
    kept: list[str] = []
    for item in assignments:
        visit, person = item.visit, item.technician
        if visit.state not in (Visit.State.PROPOSED, Visit.State.CONFIRMED):
            kept.append(f"{visit.number} is {visit.get_state_display().lower()}.")
            continue
        if item.planned_on < local_today(visit.site, now):
            kept.append(f"{visit.number}: {item.planned_on} has passed at {visit.site.name}.")
            continue
        if person.role != "technician" or not person.is_active:
            raise ValidationError({"technician": f"{person.display_name} is not an active technician."})
        if person.licence_expires_on is not None and person.licence_expires_on < item.planned_on:
            raise ValidationError(
                {
                    "technician": f"The licence of {person.display_name} ends on "
                    f"{person.licence_expires_on}, before visit {visit.number} on {item.planned_on}."
                }
            )
        fields: dict[str, object] = {
            "technician_id": person.pk,
            "planned_on": item.planned_on,
            "planned_start": item.planned_start,
        }
        if visit.promised_at is None:
            fields |= {"window_from": item.window_from, "window_until": item.window_until}
        elif visit.planned_on != item.planned_on or not _within(visit, item.planned_start):
            kept.append(
                f"{visit.number} is promised to {visit.site.owner.name} for {visit.planned_on}; "
                "ask there before it moves."
            )
            continue
        must_confirm = confirm and visit.state == Visit.State.PROPOSED
        if must_confirm:
            fields |= {"state": Visit.State.CONFIRMED, "confirmed_at": now}
        if all(getattr(visit, name) == value for name, value in fields.items()):
            continue
        moved = Visit.objects.filter(
            pk=visit.pk, version=visit.version, state__in=(Visit.State.PROPOSED, Visit.State.CONFIRMED)
        ).update(**fields, version=F("version") + 1)
        if not moved:
            raise Conflict(
                "visit_changed",
                f"Visit {visit.number} was changed by somebody else just now. Nothing was taken; try again.",
            )
        changed += 1
        confirmed += must_confirm
    return Written(changed, confirmed, tuple(kept))


def _within(visit: Visit, start: time) -> bool:
    if visit.window_from is None or visit.window_until is None:
        return True
    return visit.window_from <= start <= visit.window_until


@transaction.atomic
def add_urgent_visit(site: Site, *, reason: str, by: Person, now: datetime) -> Visit:
    """Open a visit that an owner called for, today; what is due at the site anyway comes along."""
    if not reason.strip():
        raise ValidationError({"reason": "Say why the owner called; the technician reads it."})
    today = local_today(site, now)
    visit = propose_visit(site, by=by, now=now, horizon_days=0, planned_on=today)
    if visit is None:
        visit = Visit.objects.create(
            number=f"V-{draw_numbers('visit', 1)[0]:06d}", site=site, planned_on=today, proposed_by_id=by.pk
        )
    visit.is_urgent, visit.call_reason = True, reason.strip()[:200]
    visit.save(update_fields=["is_urgent", "call_reason"])
    return visit


def promise_window(
    visit: Visit,
    *,
    window_from: time,
    window_until: time,
    version: int,
    now: datetime,
    planned_on: date | None = None,
) -> Visit:
    """Note that the owner was promised a day and this window; from now on planning keeps both.

    The day is the planned one unless another is given. Wall times at the site.
    """
    if window_until < window_from:
        raise ValidationError({"window_until": "The window ends before it begins."})
    on = planned_on or visit.planned_on
    if on < local_today(visit.site, now):
        raise ValidationError({"planned_on": f"{on} has passed at {visit.site.name}."})
    moved = Visit.objects.filter(
        pk=visit.pk, version=version, state__in=(Visit.State.PROPOSED, Visit.State.CONFIRMED)
    ).update(
        planned_on=on,
        window_from=window_from,
        window_until=window_until,
        promised_at=now,
        version=F("version") + 1,
    )
    return _after(visit, moved)


def release_promise(visit: Visit, *, version: int) -> Visit:
    """Take a promise back after the owner agreed; planning may move the visit again."""
    moved = Visit.objects.filter(pk=visit.pk, version=version, state__in=Visit.OPEN).update(
        promised_at=None, version=F("version") + 1
    )
    return _after(visit, moved)


def _after(visit: Visit, moved: int) -> Visit:
    visit.refresh_from_db()
    if not moved:
        raise Conflict(
            "visit_changed",
            f"Visit {visit.number} was changed by somebody else and is now "
            f"{visit.get_state_display().lower()}. Look at it again before you change it.",
            state=visit.state,
            version=visit.version,
        )
    return visit
