"""Writes to the register."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.people import Person
from inventory.register.models import Location, NumberSeries, Placement, Unit


def draw_numbers(series: str, count: int = 1) -> range:
    """Draw ``count`` consecutive numbers of ``series``; no two transactions get the same.

    Must run inside the transaction that stores the numbers, so that a rolled back write gives
    them back and the series has no gap.
    """
    if count < 1:
        raise ValueError("draw at least one number")
    with transaction.atomic():
        NumberSeries.objects.get_or_create(name=series)
        # The row stays locked from this UPDATE to the end of the transaction, on both databases.
        NumberSeries.objects.filter(name=series).update(last=F("last") + count)
        last = NumberSeries.objects.values_list("last", flat=True).get(name=series)
    return range(last - count + 1, last + 1)


def unit_numbers(count: int) -> list[str]:
    """Draw ``count`` unit numbers for identity labels, e.g. ``U-000123``."""
    return [f"U-{n:06d}" for n in draw_numbers("unit", count)]


def facts_changed(unit_ids: Iterable[int]) -> None:
    """Mark that facts behind the dates of these units changed, so that they are recomputed."""
    Unit.objects.filter(pk__in=list(unit_ids)).update(facts_revision=F("facts_revision") + 1)


@transaction.atomic
def hang_unit(
    unit: Unit, location: Location, *, on: date | None, by: Person | None, reason: str = ""
) -> Placement:
    """Hang ``unit`` at ``location`` from the civil day ``on`` and return the placement.

    An open placement elsewhere is closed on the same day. Raises ``ValidationError`` when the
    unit is condemned, withdrawn or disposed of.
    """
    if unit.state in Unit.GONE:
        raise ValidationError(
            f"Unit {unit.number} is {unit.get_state_display().lower()} and cannot be hung again. "
            "Choose another unit."
        )
    _close_open_placement(unit, on=on)
    placement = Placement(
        unit=unit,
        location=location,
        from_on=on,
        opened_by_id=by.pk if by is not None else None,
        reason=reason,
    )
    placement.full_clean()
    placement.save()
    Unit.objects.filter(pk=unit.pk).update(
        location=location,
        site=location.site_id,
        state=Unit.State.IN_SERVICE,
        facts_revision=F("facts_revision") + 1,
    )
    unit.refresh_from_db()
    return placement


@transaction.atomic
def take_down_unit(unit: Unit, *, on: date, to_state: str, keep_site: bool = False) -> None:
    """Close the open placement of ``unit`` on the civil day ``on`` and give it ``to_state``.

    With ``keep_site`` the unit still belongs to its site (it is in the workshop and comes back);
    otherwise it leaves the premises for good.
    """
    _close_open_placement(unit, on=on)
    changes: dict[str, object] = {"state": to_state, "facts_revision": F("facts_revision") + 1}
    if not keep_site:
        changes |= {"location": None, "site": None}
    else:
        changes |= {"location": None}
    Unit.objects.filter(pk=unit.pk).update(**changes)
    unit.refresh_from_db()


def set_state(unit: Unit, to_state: str) -> None:
    """Give ``unit`` another state without moving it."""
    Unit.objects.filter(pk=unit.pk).update(state=to_state, facts_revision=F("facts_revision") + 1)
    unit.refresh_from_db()


def _close_open_placement(unit: Unit, *, on: date | None) -> None:
    for placement in Placement.objects.filter(unit=unit, is_open=True):
        # A register that is taken over may know a later day than the visit; never end before begin.
        end = on
        if end is not None and placement.from_on is not None and end < placement.from_on:
            end = placement.from_on
        Placement.objects.filter(pk=placement.pk, is_open=True).update(is_open=False, until_on=end)
