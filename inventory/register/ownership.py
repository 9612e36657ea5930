"""Premises that change hands, sites that become one or two, owners that turn out to be the same.

What a site sold means for seeing: the new owner sees what was recorded from the first day on
(``Site.owner_since``), the old one keeps the papers issued to it. ``servicedesk.access`` and the
``visible_to`` of each table decide; here the facts are written.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.agreed import carry_terms, put_in_force, terms_to_carry
from inventory.register.changes import LocationAlias, OwnerChange
from inventory.register.facts import Because, Corrected, add_site, note_change
from inventory.register.models import BlackoutPeriod, Location, Owner, Site, Unit, local_today


def _units_of(sites: Sequence[int]) -> frozenset[int]:
    ids = Unit.objects.filter(site__in=sites).order_by().values_list("pk", flat=True)
    return frozenset(ids)


def _touch(unit_ids: frozenset[int]) -> None:
    Unit.objects.filter(pk__in=unit_ids).update(facts_revision=F("facts_revision") + 1)


def _changed(what: str) -> Conflict:
    return Conflict("changed_meanwhile", f"{what} was changed by somebody else a moment ago. Look again.")


# --- a site sold -------------------------------------------------------------------------------------


@transaction.atomic
def plan_owner_change(
    site: Site, to_owner: Owner, from_on: date, reason: str, *, by: Person | None, at: datetime
) -> OwnerChange:
    """Note that ``site`` belongs to ``to_owner`` from the civil day ``from_on``; takes effect when due.

    Raises ``ValidationError``, naming the field, when it belongs to that owner already, when the owner
    was merged into another, when an earlier change is later than the day, or a change is ahead already.
    """
    because = Because(reason).checked()
    if to_owner.pk == site.owner_id:
        raise ValidationError({"owner": f"{site.name} belongs to {to_owner.name} already."})
    if to_owner.merged_into_id is not None or site.merged_into_id is not None:
        raise ValidationError({"owner": "It was merged into another. Choose that one."})
    if site.owner_since is not None and from_on <= site.owner_since:
        raise ValidationError(
            {"from_on": f"The present owner has it since {site.owner_since}. Choose a later day."}
        )
    change = OwnerChange(
        site=site,
        from_owner_id=site.owner_id,
        to_owner=to_owner,
        from_on=from_on,
        reason=because.reason,
        decided_by_id=by.pk if by is not None else None,
        made_at=at,
    )
    try:
        with transaction.atomic():
            change.save()
    except IntegrityError as twice:
        raise ValidationError(
            {"owner": "A change of owner is planned for this site already. Call it off first."}
        ) from twice
    return change


@transaction.atomic
def call_off_owner_change(change: OwnerChange, *, at: datetime) -> None:
    """Call off a change that is still ahead. Raises ``Conflict`` when it took effect meanwhile."""
    dropped = OwnerChange.objects.filter(pk=change.pk, applied_at=None, dropped_at=None).update(dropped_at=at)
    if not dropped:
        raise _changed(str(change.site))


def due_owner_changes(at: datetime) -> list[OwnerChange]:
    """Changes whose day has come at their site and that have not taken effect."""
    rows = OwnerChange.objects.filter(applied_at=None, dropped_at=None).select_related(
        "site", "from_owner", "to_owner", "decided_by"
    )
    return [change for change in rows if change.from_on <= local_today(change.site, at)]


@transaction.atomic
def apply_owner_change(change: OwnerChange, *, at: datetime) -> Corrected | None:
    """Let ``change`` take effect; None when somebody was faster or the site has another owner by now."""
    claimed = OwnerChange.objects.filter(pk=change.pk, applied_at=None, dropped_at=None).update(applied_at=at)
    if not claimed:
        return None
    moved = Site.objects.filter(pk=change.site_id, owner=change.from_owner_id).update(
        owner=change.to_owner_id, owner_since=change.from_on
    )
    if not moved:
        raise _changed(str(change.site))
    row = note_change(
        change.site,
        "owner",
        change.from_owner,
        change.to_owner,
        Because(f"{change.reason} From {change.from_on}.", is_correction=False),
        by=change.decided_by,
        at=at,
    )
    units = _units_of([change.site_id])
    _touch(units)
    return Corrected(row.together, (row,), units)


# --- two sites become one, one becomes two -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Clash:
    """A number that two places would have at one site."""

    number: str
    here: str
    there: str


def clashes(places: Sequence[Location], site: Site) -> list[Clash]:
    """Numbers of ``places`` that a place of ``site`` has now or had before; two queries."""
    numbers = {place.number: place for place in places}
    taken = dict(
        LocationAlias.objects.filter(site=site, number__in=numbers).values_list("number", "location__number")
    )
    taken |= {
        n: n for n in Location.objects.filter(site=site, number__in=numbers).values_list("number", flat=True)
    }
    return [Clash(n, numbers[n].place or n, taken[n]) for n in sorted(taken)]


@transaction.atomic
def move_places(
    places: Sequence[Location],
    site: Site,
    because: Because,
    *,
    front: str = "",
    by: Person | None,
    at: datetime,
    together: uuid.UUID | None = None,
) -> frozenset[int]:
    """Make ``places`` of another site of the same owner places of ``site``; return the units that go along.

    A place keeps its number unless ``site`` has that number; then ``front`` goes in front of it and the
    old number stays as an alias where that leads to one place only. Raises ``ValidationError`` for
    clashes without a front that settles them.
    """
    clashing = {clash.number for clash in clashes(places, site)}
    if clashing and not front.strip():
        named = ", ".join(sorted(clashing)[:8])
        raise ValidationError(
            {"front": f"{site.name} has places numbered {named} already. Give what goes in front."}
        )
    new = {place.pk: f"{front.strip()}{place.number}" for place in places if place.number in clashing}
    still = Location.objects.filter(site=site, number__in=new.values()).values_list("number", flat=True)
    if still:
        raise ValidationError({"front": f"{', '.join(still)} exists too. Choose other letters."})
    if any(len(number) > 30 for number in new.values()):
        raise ValidationError({"front": "With it a number has more than 30 letters. Choose a shorter one."})
    together = together or uuid.uuid4()
    last = Location.objects.filter(site=site).order_by("-walking_order").first()
    order = last.walking_order if last is not None else 0
    old_site = places[0].site if places else site
    for place in places:
        number = new.get(place.pk, place.number)
        order += 10
        changed = Location.objects.filter(pk=place.pk, site=place.site_id, number=place.number).update(
            site=site, number=number, walking_order=order
        )
        if not changed:
            raise _changed(f"Place {place.number}")
        note_change(place, "site", place.site, site, because, by=by, at=at, together=together)
        if number != place.number:
            note_change(place, "number", place.number, number, because, by=by, at=at, together=together)
    ids = [place.pk for place in places]
    # Old numbers go along where they lead to one place only at the new site.
    aliases = LocationAlias.objects.filter(location__in=ids)
    known = set(LocationAlias.objects.filter(site=site).values_list("number", flat=True))
    known |= set(Location.objects.filter(site=site).values_list("number", flat=True))
    for alias in aliases.exclude(site=site):
        if alias.number in known:
            alias.delete()
        else:
            LocationAlias.objects.filter(pk=alias.pk).update(site=site)
    units = frozenset(Unit.objects.filter(location__in=ids).order_by().values_list("pk", flat=True))
    Unit.objects.filter(pk__in=units).update(site=site, facts_revision=F("facts_revision") + 1)
    # Units that are away belong where their place is: they come back to it.
    away = Unit.objects.filter(site=old_site, location__isnull=True, placements__location__in=ids).exclude(
        placements__location__site=old_site
    )
    gone_along = frozenset(away.order_by().values_list("pk", flat=True).distinct())
    Unit.objects.filter(pk__in=gone_along).update(site=site, facts_revision=F("facts_revision") + 1)
    return units | gone_along


@transaction.atomic
def merge_site(
    old: Site, into: Site, reason: str, *, front: str = "", by: Person | None, at: datetime
) -> Corrected:
    """Make every place of ``old`` a place of ``into``; ``old`` stays as a name that leads there.

    Both must belong to one owner. Raises ``ValidationError``, ``Conflict`` when somebody was faster.
    """
    because = Because(reason, is_correction=False).checked()
    if old.pk == into.pk:
        raise ValidationError({"into": "Choose another site."})
    if old.owner_id != into.owner_id:
        raise ValidationError(
            {"into": f"{into.name} belongs to {into.owner.name}. Change the owner of one of them first."}
        )
    if into.merged_into_id is not None:
        raise ValidationError({"into": f"{into.name} is part of another site itself. Choose that one."})
    together = uuid.uuid4()
    places = list(Location.objects.filter(site=old).select_related("site").order_by("walking_order", "pk"))
    units = move_places(places, into, because, front=front, by=by, at=at, together=together)
    rest = _units_of([old.pk])
    Unit.objects.filter(pk__in=rest).update(site=into, facts_revision=F("facts_revision") + 1)
    if not Site.objects.filter(pk=old.pk, merged_into=None, owner=into.owner_id).update(merged_into=into):
        raise _changed(str(old))
    Site.objects.filter(merged_into=old).update(merged_into=into)
    row = note_change(old, "merged_into", None, into, because, by=by, at=at, together=together)
    return Corrected(together, (row,), units | rest)


@transaction.atomic
def split_site(
    site: Site,
    places: Sequence[Location],
    values: dict[str, Any],
    reason: str,
    *,
    by: Person | None,
    at: datetime,
) -> tuple[Site, Corrected]:
    """Make a new site of the same owner out of ``places`` of ``site`` and return it.

    Time zone, language and who looks each month are those of ``site`` unless ``values`` say otherwise.
    Raises ``ValidationError`` without places or with all of them.
    """
    because = Because(reason, is_correction=False).checked()
    if not places:
        raise ValidationError({"places": "Choose the places that go to the new site."})
    if Location.objects.filter(site=site).count() == len(places):
        raise ValidationError({"places": "All places are chosen. Correct the site's own facts instead."})
    like = ("time_zone", "language", "monthly_checks_by", "depot", "country", "region", "city", "postcode")
    facts = {name: getattr(site, name) for name in like} | values
    new = add_site(site.owner, facts | {"owner_since": site.owner_since})
    together = uuid.uuid4()
    units = move_places(places, new, because, by=by, at=at, together=together)
    row = note_change(new, "name", "", new.name, because, by=by, at=at, together=together)
    return new, Corrected(together, (row,), units)


# --- one owner, twice --------------------------------------------------------------------------------


@transaction.atomic
def merge_owner(old: Owner, into: Owner, reason: str, *, by: Person | None, at: datetime) -> Corrected:
    """State that ``old`` is ``into``: its sites and days off go there, its name stays as an alias.

    The sites keep the terms that held for them, as terms of their own (``terms_to_carry``). Papers issued
    to ``old`` stay as issued and are seen by the people of ``into``. Who may sign in for ``old`` is the
    caller's matter. Raises ``ValidationError``, ``Conflict`` when somebody was faster.
    """
    because = Because(reason).checked()
    if old.pk == into.pk:
        raise ValidationError({"into": "Choose another owner."})
    if into.merged_into_id is not None:
        raise ValidationError({"into": f"{into.name} was merged into another itself. Choose that one."})
    for pk in sorted((old.pk, into.pk)):
        # Both are written in one order, so that two who merge crosswise do not wait for each other.
        if not Owner.objects.filter(pk=pk, merged_into=None).update(name=F("name")):
            raise _changed(old.name)
    carried = terms_to_carry(old, into, by=by, now=at)
    Owner.objects.filter(pk=old.pk).update(merged_into=into)
    Owner.objects.filter(merged_into=old).update(merged_into=into)
    sites = list(Site.objects.filter(owner=old).order_by().values_list("pk", flat=True))
    Site.objects.filter(pk__in=sites).update(owner=into)
    BlackoutPeriod.objects.filter(owner=old).update(owner=into)
    OwnerChange.objects.filter(to_owner=old, applied_at=None, dropped_at=None).exclude(
        from_owner=into
    ).update(to_owner=into)
    carry_terms(carried, now=at)
    put_in_force(at, owner_ids=[into.pk])
    row = note_change(old, "merged_into", None, into, because, by=by, at=at)
    units = _units_of(sites)
    _touch(units)
    return Corrected(row.together, (row,), units)
