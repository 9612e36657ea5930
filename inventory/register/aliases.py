"""What something is also known as: units merged into another, old numbers of places."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from django.db.models import Q, QuerySet

from inventory.register.changes import LocationAlias
from inventory.register.models import Location, Site, Unit, UnitQuerySet

Key = TypeVar("Key")


def known_as(unit_ids: Iterable[int]) -> QuerySet[Unit, Any]:
    """Ids of these units and of those merged into them, as a subquery."""
    ids = list(unit_ids)
    return Unit.objects.filter(Q(pk__in=ids) | Q(merged_into__in=ids)).order_by().values("pk")


def survivors(units: Mapping[Key, Unit]) -> dict[Key, Unit]:
    """The same mapping with each merged unit's survivor in its place; one query, none without any."""
    wanted = {unit.merged_into_id for unit in units.values() if unit.merged_into_id is not None}
    if not wanted:
        return dict(units)
    found = Unit.objects.select_related("model", "site", "location").in_bulk(wanted)
    return {key: found.get(unit.merged_into_id or 0, unit) for key, unit in units.items()}


def survivor_of(units: UnitQuerySet, number: str) -> Unit | None:
    """The unit that ``number`` leads to among ``units`` (in scope), merged ones followed."""
    unit = Unit.objects.filter(number__iexact=number.strip()).first()
    if unit is None:
        return None
    return units.filter(pk=unit.merged_into_id or unit.pk).first()


def old_unit_numbers(unit_ids: Iterable[int]) -> dict[int, list[str]]:
    """Numbers of units that were merged into these, by survivor; one query."""
    found: dict[int, list[str]] = defaultdict(list)
    rows = Unit.objects.filter(merged_into__in=list(unit_ids)).order_by("number")
    for survivor, number in rows.values_list("merged_into_id", "number"):
        if survivor is not None:
            found[survivor].append(number)
    return found


def old_place_numbers(location_ids: Iterable[int]) -> dict[int, list[str]]:
    """Numbers that these places had before; one query."""
    found: dict[int, list[str]] = defaultdict(list)
    rows = LocationAlias.objects.filter(location__in=list(location_ids)).order_by("number")
    for location, number in rows.values_list("location_id", "number"):
        found[location].append(number)
    return found


def place_numbered(site: Site, number: str) -> Location | None:
    """The place of ``site`` with this number, now or before."""
    number = number.strip()
    place = Location.objects.filter(site=site, number=number).first()
    if place is not None:
        return place
    return Location.objects.filter(aliases__site=site, aliases__number=number).first()
