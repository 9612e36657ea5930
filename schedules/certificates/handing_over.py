"""Sites that change hands or become one, owners that are one: with open visits, tables and dates."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.logbook.models import Defect
from inventory.people import Person
from inventory.register.facts import Corrected
from inventory.register.models import Location, Owner, Site
from inventory.register.ownership import (
    apply_owner_change,
    due_owner_changes,
    merge_owner,
    merge_site,
    split_site,
)
from schedules.certificates.corrections import save_correction
from schedules.due.services import refresh_units
from schedules.rulebook.carrying import carry_tables, copy_site_rules, falling_away
from schedules.visits.models import Job, Visit

log = logging.getLogger(__name__)


def apply_due_owner_changes(*, now: datetime) -> int:
    """Let every change of owner take effect whose day has come at its site; return how many did.

    Safe to run at any time and any number of times. A change whose site has another owner by now stays
    ahead and is told to the log.
    """
    done = 0
    for change in due_owner_changes(now):
        try:
            with transaction.atomic():
                falling = falling_away([change.site_id], change.to_owner_id)
                found = apply_owner_change(change, at=now)
                if found is not None:
                    carry_tables(falling, by=change.decided_by, at=now)
                    refresh_units(found.unit_ids, now=now)
                    done += 1
        except Conflict as problem:
            log.warning("owner change %s: %s", change.pk, problem.sentence)
    return done


@transaction.atomic
def merge_sites(old: Site, into: Site, reason: str, *, front: str, by: Person, now: datetime) -> Corrected:
    """Make ``old`` part of ``into``, with visits that have not begun and open defects.

    Raises ``ValidationError`` while a visit is under way, and what ``merge_site`` raises.
    """
    going_on = Visit.objects.filter(site=old, state=Visit.State.UNDER_WAY).first()
    if going_on is not None:
        raise ValidationError(f"Visit {going_on.number} is under way at {old.name}. Close it first.")
    done = save_correction(lambda: merge_site(old, into, reason, front=front, by=by, at=now), now=now)
    Visit.objects.filter(site=old, state__in=Visit.OPEN).update(site=into, version=F("version") + 1)
    Defect.objects.open().filter(site=old).update(site=into)
    return done


@transaction.atomic
def split_off(
    site: Site, places: Sequence[Location], values: dict[str, Any], reason: str, *, by: Person, now: datetime
) -> tuple[Site, Corrected]:
    """Make a new site of ``places``, with the rules that ``site`` alone has; raises ``ValidationError``."""
    units_off_visits(places)
    made: list[Site] = []

    def make() -> Corrected:
        new, done = split_site(site, places, values, reason, by=by, at=now)
        copy_site_rules(site, new, at=now)
        Defect.objects.open().filter(site=site, location__in=places).update(site=new)
        made.append(new)
        return done

    done = save_correction(make, now=now)
    return made[0], done


def units_off_visits(places: Sequence[Location]) -> None:
    """Raise ``ValidationError`` while units at ``places`` are on an open visit."""
    jobs = Job.objects.filter(unit__location__in=places, visit__state__in=Visit.OPEN)
    numbers = sorted(set(jobs.order_by().values_list("visit__number", flat=True)))
    if numbers:
        named = ", ".join(numbers[:8])
        raise ValidationError(
            {"places": f"Units there are on visits {named}. Close or cancel these visits first."}
        )


@transaction.atomic
def merge_owners(old: Owner, into: Owner, reason: str, *, by: Person, now: datetime) -> Corrected:
    """State that ``old`` is ``into``; dates follow the tables adopted for the owner that stays."""
    sites = list(Site.objects.filter(owner=old).order_by("pk").values_list("pk", flat=True))
    falling = falling_away(sites, into.pk)

    def make() -> Corrected:
        done = merge_owner(old, into, reason, by=by, at=now)
        carry_tables(falling, by=by, at=now)
        return done

    return save_correction(make, now=now)
