"""Tables that go along when a site gets another owner or is split: nothing ceases to be demanded unseen."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction

from inventory.people import Person
from inventory.register.models import Site
from schedules.rulebook.books import Rulebook, owners_of, standing
from schedules.rulebook.models import Adoption, Variation

REASON = "Carried over with the site; confirm whether it applies there."


def falling_away(site_ids: Sequence[int], owner_id: int) -> list[tuple[int, str, str]]:
    """Tables (site, key, version) that these sites use now and would not use under that owner."""
    stands = standing()
    now = stands.books(owners_of(site_ids))
    then = stands.books(dict.fromkeys(site_ids, owner_id))
    return [
        (site_id, key, version)
        for site_id in site_ids
        for key, version in now[site_id].keys
        if key not in dict(then[site_id].keys)
    ]


def books_under(site_ids: Sequence[int], owner_id: int) -> dict[int, Rulebook]:
    """The rulebooks that these sites would have under that owner, with what is carried over."""
    stands = standing()
    for site_id, key, version in falling_away(site_ids, owner_id):
        stands = stands.with_table(key, version, site_id=site_id)
    return stands.books(dict.fromkeys(site_ids, owner_id))


@transaction.atomic
def carry_tables(falling: Sequence[tuple[int, str, str]], *, by: Person | None, at: datetime) -> int:
    """Adopt at each site what ``falling_away`` found; return how many. To be confirmed like any table."""
    rows = [
        Adoption(
            table_key=key,
            table_version=version,
            site_id=site_id,
            adopted_by_id=by.pk if by is not None else None,
            adopted_at=at,
            reason=REASON,
        )
        for site_id, key, version in falling
    ]
    Adoption.objects.bulk_create(rows)
    return len(rows)


@transaction.atomic
def copy_site_rules(old: Site, new: Site, *, at: datetime) -> None:
    """Adopt and vary at ``new`` what is adopted and varied for ``old`` alone; names and reasons stay."""
    for adoption in Adoption.objects.standing().filter(site=old):
        adoption.pk, adoption.site, adoption.adopted_at = None, new, at
        adoption._state.adding = True
        adoption.save()
    for variation in Variation.objects.standing().filter(site=old):
        variation.pk, variation.site = None, new
        variation._state.adding = True
        variation.save()
