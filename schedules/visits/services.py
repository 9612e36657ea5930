"""The dispatcher's hand on visits: who goes, when, confirmed or not."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import local_today
from schedules.visits.models import Visit

MOST_DAYS_AHEAD = 731
"""As far as visits are proposed; beyond it a day is most likely a slip of the year."""


def assign_visit(
    visit: Visit, *, technician: Person | None, planned_on: date, version: int, now: datetime
) -> Visit:
    """Give a proposed or confirmed visit a technician and a day.

    ``version`` is the one the dispatcher saw; when somebody changed the visit meanwhile, ``Conflict``
    says so. Raises ``ValidationError`` for a day in the past or more than two years ahead, a person who is
    not a technician, or a licence that has expired by that day.
    """
    today = local_today(visit.site, now)
    if planned_on < today:
        raise ValidationError(
            {"planned_on": f"{planned_on} has passed at the site. Choose {today} or later."}
        )
    last = today + timedelta(days=MOST_DAYS_AHEAD)
    if planned_on > last:
        raise ValidationError(
            {
                "planned_on": f"{planned_on} is more than two years ahead. Check the year, or choose {last} "
                "or earlier."
            }
        )
    if technician is not None:
        if technician.role != "technician" or not technician.is_active:
            raise ValidationError({"technician": f"{technician.display_name} is not an active technician."})
        if technician.licence_expires_on is not None and technician.licence_expires_on < planned_on:
            raise ValidationError(
                {
                    "technician": f"The licence of {technician.display_name} ends on "
                    f"{technician.licence_expires_on}. Choose another person or an earlier day."
                }
            )
    if technician is None and visit.state == Visit.State.CONFIRMED:
        raise ValidationError({"technician": "A confirmed visit needs a technician."})
    moved = Visit.objects.filter(
        pk=visit.pk, version=version, state__in=(Visit.State.PROPOSED, Visit.State.CONFIRMED)
    ).update(technician=technician, planned_on=planned_on, version=F("version") + 1)
    return _after(visit, moved)


@transaction.atomic
def share_visit(visit: Visit, companions: Sequence[Person], *, version: int) -> Visit:
    """Say who goes along with the technician and records on the same visit, and return it.

    Raises ``ValidationError`` for a person who is not an active technician or goes anyway, ``Conflict``
    when somebody changed the visit meanwhile or it has ended.
    """
    for person in companions:
        if person.role != "technician" or not person.is_active:
            raise ValidationError({"companions": f"{person.display_name} is not an active technician."})
        if person.pk == visit.technician_id:
            raise ValidationError({"companions": f"{person.display_name} goes anyway. Choose others."})
    moved = Visit.objects.filter(pk=visit.pk, version=version, state__in=Visit.OPEN).update(
        version=F("version") + 1
    )
    _after(visit, moved)
    visit.companions.set([person.pk for person in companions])
    return visit


def confirm_visit(visit: Visit, *, version: int, now: datetime) -> Visit:
    """Confirm a proposed visit, so that its technician sees it."""
    if visit.technician_id is None:
        raise ValidationError({"technician": "Choose a technician before you confirm the visit."})
    if visit.planned_on < local_today(visit.site, now):
        raise ValidationError(
            {"planned_on": "The planned day has passed. Move the visit before you confirm it."}
        )
    moved = Visit.objects.filter(pk=visit.pk, version=version, state=Visit.State.PROPOSED).update(
        state=Visit.State.CONFIRMED, confirmed_at=now, version=F("version") + 1
    )
    return _after(visit, moved)


def cancel_visit(visit: Visit, *, reason: str, version: int) -> Visit:
    """Cancel a visit that has not begun; its work becomes free to be proposed again."""
    if not reason.strip():
        raise ValidationError({"reason": "Say why the visit is cancelled."})
    moved = Visit.objects.filter(
        pk=visit.pk, version=version, state__in=(Visit.State.PROPOSED, Visit.State.CONFIRMED)
    ).update(state=Visit.State.CANCELLED, cancelled_reason=reason.strip(), version=F("version") + 1)
    return _after(visit, moved)


def _after(visit: Visit, moved: int) -> Visit:
    visit.refresh_from_db()
    if not moved:
        raise Conflict(
            "visit_changed",
            f"Visit {visit.number} was changed by somebody else "
            f"and is now {visit.get_state_display().lower()}. "
            "Look at it again before you change it.",
            state=visit.state,
            version=visit.version,
        )
    return visit
