"""Ending the firm's service at a site, and taking it up again. Nothing is deleted."""

from __future__ import annotations

import uuid
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import Site, Unit, local_today
from inventory.register.places import Loan, Move
from inventory.register.service_end import ServiceEnd
from inventory.workshop.models import JobCard
from schedules.due.services import refresh_units
from schedules.visits.models import Visit

NAMED = 8


@transaction.atomic
def end_service(
    site: Site, *, ended_on: date, portal_until: date, reason: str, by: Person, now: datetime
) -> ServiceEnd:
    """Withdraw every unit of ``site`` from the firm's duty and return the end.

    Nothing falls due there afterwards; proposals are called off. Raises ``ValidationError`` for a day
    ahead or a missing reason, ``Conflict`` while visits, loans or job cards are open, or when the service
    has ended already.
    """
    if ended_on > local_today(site, now):
        raise ValidationError(
            {"ended_on": "This day is still ahead at the site. End the service on that day."}
        )
    end = ServiceEnd(
        site=site,
        ended_on=ended_on,
        portal_until=portal_until,
        reason=reason.strip(),
        ended_by_id=by.pk,
        ended_at=now,
    )
    if not end.reason:
        raise ValidationError({"reason": "Say why the service ends."})
    if portal_until < ended_on:
        raise ValidationError({"portal_until": "The owner reads at least until the service ends."})
    _nothing_is_open(site)
    try:
        with transaction.atomic():
            end.save()
    except IntegrityError as twice:
        raise Conflict("ended_already", f"The service of {site.name} has ended already.") from twice
    proposed = Visit.objects.filter(site=site, state=Visit.State.PROPOSED)
    proposed.update(
        state=Visit.State.CANCELLED, cancelled_reason="The service ended.", version=F("version") + 1
    )
    units = list(Unit.objects.on_duty().filter(site=site).order_by("pk"))
    _move(
        units,
        {unit.pk: Unit.State.WITHDRAWN for unit in units},
        end.public_id,
        site,
        ended_on,
        by,
        now,
        end.reason,
    )
    refresh_units([unit.pk for unit in units], now=now)
    return end


@transaction.atomic
def reopen_service(end: ServiceEnd, *, reason: str, by: Person, now: datetime) -> int:
    """Take the service up again: every unit gets the state it had; return how many.

    A unit that was moved or withdrawn anew meanwhile stays as it is. Raises ``ValidationError`` without a
    reason, ``Conflict`` when somebody took it up already.
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say why the service is taken up again."})
    done = ServiceEnd.objects.filter(pk=end.pk, reopened_at__isnull=True).update(
        reopened_at=now, reopened_by=by.pk, reopened_reason=reason.strip()[:300]
    )
    if not done:
        raise Conflict("reopened_already", "Somebody took the service up again a moment ago.")
    moves = Move.objects.filter(transaction=end.public_id, to_state=Unit.State.WITHDRAWN)
    before = {move.unit_id: move.from_state for move in moves}
    units = list(
        Unit.objects.filter(
            pk__in=moves.values("unit"), site=end.site_id, state=Unit.State.WITHDRAWN
        ).order_by("pk")
    )
    site = end.site
    today = local_today(site, now)
    _move(
        units,
        {unit.pk: before[unit.pk] for unit in units},
        uuid.uuid4(),
        site,
        today,
        by,
        now,
        reason.strip(),
    )
    refresh_units([unit.pk for unit in units], now=now)
    return len(units)


def end_of(site: Site) -> ServiceEnd | None:
    """The end that stands, or None while the site is served."""
    return ServiceEnd.objects.standing().filter(site=site).select_related("site").first()


def _nothing_is_open(site: Site) -> None:
    visits = Visit.objects.filter(site=site, state__in=(Visit.State.CONFIRMED, Visit.State.UNDER_WAY))
    _refuse_if(visits.values_list("number", flat=True), "Close or call off the open visits first")
    loans = Loan.objects.open().filter(location__site=site)
    _refuse_if(loans.values_list("loaner__number", flat=True), "Bring the loaners back first")
    cards = JobCard.objects.open().filter(site=site)
    _refuse_if(cards.values_list("number", flat=True), "Bring back the units of the open job cards first")


def _refuse_if(
    numbers: QuerySet[Visit, str] | QuerySet[Loan, str] | QuerySet[JobCard, str], remedy: str
) -> None:
    found = list(numbers[: NAMED + 1])
    if found:
        more = " and more" if len(found) > NAMED else ""
        raise Conflict("still_open", f"{remedy}: {', '.join(found[:NAMED])}{more}. Nothing was changed.")


def _move(
    units: list[Unit],
    to_state: dict[int, str],
    together: uuid.UUID,
    site: Site,
    on: date,
    by: Person,
    now: datetime,
    reason: str,
) -> None:
    """Write the moves, each from where the unit is to the same place, and the states."""
    Move.objects.bulk_create(
        [
            Move(
                transaction=together,
                unit=unit,
                site=site,
                from_location_id=unit.location_id,
                from_store_id=unit.store_id,
                to_location_id=unit.location_id,
                to_store_id=unit.store_id,
                from_state=unit.state,
                to_state=to_state[unit.pk],
                on=on,
                reason=reason[:200],
                moved_by_id=by.pk,
                made_at=now,
            )
            for unit in units
        ],
        batch_size=500,
    )
    by_state: dict[tuple[str, str], list[int]] = {}
    for unit in units:
        by_state.setdefault((unit.state, to_state[unit.pk]), []).append(unit.pk)
    for (before, after), ids in by_state.items():
        for start in range(0, len(ids), 500):
            some = ids[start : start + 500]
            changed = Unit.objects.filter(pk__in=some, state=before).update(
                state=after, facts_revision=F("facts_revision") + 1
            )
            if changed != len(some):
                raise Conflict("unit_moved", "A unit was moved a moment ago. Look again and repeat it.")
