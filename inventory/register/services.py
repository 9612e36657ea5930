"""Writes to the register."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F
from django.utils import timezone

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import Location, NumberSeries, Placement, Unit
from inventory.register.places import Loan, Move, Store


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
    unit: Unit,
    location: Location,
    *,
    on: date | None,
    by: Person | None,
    reason: str = "",
    ref: uuid.UUID | None = None,
    together: uuid.UUID | None = None,
    to_state: str | None = None,
) -> Placement:
    """Hang ``unit`` at ``location`` from the civil day ``on`` and return the placement.

    It is in service there unless ``to_state`` says otherwise. An open placement elsewhere is closed on
    the same day. ``ref`` is the visit or job card behind
    it; ``together`` binds the moves of one loan or exchange. Raises ``ValidationError`` when the
    unit is condemned, withdrawn or disposed of, ``Conflict`` when somebody moved it meanwhile.
    """
    unit.refresh_from_db()
    if unit.state in Unit.GONE:
        raise ValidationError(
            f"Unit {unit.number} is {unit.get_state_display().lower()} and cannot be hung again. "
            "Choose another unit."
        )
    move_unit(
        unit,
        site_id=location.site_id,
        location=location,
        store=None,
        to_state=to_state or unit.state_when_hanging,
        on=on,
        by=by,
        reason=reason,
        ref=ref,
        together=together,
    )
    placement = Placement(
        unit=unit,
        location=location,
        from_on=on,
        opened_by_id=by.pk if by is not None else None,
        reason=reason[:120],
    )
    placement.full_clean()
    placement.save()
    return placement


@transaction.atomic
def take_down_unit(
    unit: Unit,
    *,
    on: date,
    to_state: str,
    keep_site: bool = False,
    to_store: Store | None = None,
    by: Person | None = None,
    reason: str = "",
    ref: uuid.UUID | None = None,
    together: uuid.UUID | None = None,
) -> None:
    """Close the open placement of ``unit`` on the civil day ``on`` and give it ``to_state``.

    With ``keep_site`` the unit still belongs to its site (it is in the workshop and comes back);
    otherwise it leaves the premises for good. ``to_store`` is where it now stands. Raises
    ``Conflict`` when somebody moved the unit meanwhile.
    """
    unit.refresh_from_db()
    move_unit(
        unit,
        site_id=unit.site_id if keep_site else None,
        location=None,
        store=to_store,
        to_state=to_state,
        on=on,
        by=by,
        reason=reason,
        ref=ref,
        together=together,
    )


def set_state(unit: Unit, to_state: str) -> None:
    """Give ``unit`` another state without moving it."""
    Unit.objects.filter(pk=unit.pk).update(state=to_state, facts_revision=F("facts_revision") + 1)
    unit.refresh_from_db()


def move_unit(
    unit: Unit,
    *,
    site_id: int | None,
    location: Location | None,
    store: Store | None,
    to_state: str,
    on: date | None,
    by: Person | None,
    reason: str = "",
    ref: uuid.UUID | None = None,
    together: uuid.UUID | None = None,
) -> Move:
    """Take ``unit`` from where it is to ``location``, ``store`` or, with neither, out of our sight.

    The one door for moves: closes the open placement, ends the loan of a loaner that leaves, writes
    the move and the mirrors. ``unit`` must be freshly read and the caller's transaction open; the
    caller opens the new placement. Raises ``Conflict`` when somebody moved the unit meanwhile.
    """
    where = {"location": unit.location_id, "store": unit.store_id, "state": unit.state}
    changed = Unit.objects.filter(pk=unit.pk, **where).update(
        location=location,
        store=store,
        site=site_id,
        state=to_state,
        facts_revision=F("facts_revision") + 1,
    )
    if not changed:
        raise Conflict(
            "unit_moved",
            f"Unit {unit.number} was moved a moment ago. Look where it is now and try again.",
        )
    _close_open_placement(unit, on=on)
    if unit.is_loaner and unit.location_id is not None:
        _end_loan(unit, on=on, by=by)
    move = Move.objects.create(
        transaction=together or uuid.uuid4(),
        unit=unit,
        site_id=site_id if site_id is not None else unit.site_id,
        from_location_id=unit.location_id,
        from_store_id=unit.store_id,
        to_location=location,
        to_store=store,
        from_state=unit.state,
        to_state=to_state,
        on=on,
        reason=reason[:200],
        ref=ref,
        moved_by_id=by.pk if by is not None else None,
        made_at=timezone.now(),
    )
    unit.refresh_from_db()
    return move


def _close_open_placement(unit: Unit, *, on: date | None) -> None:
    for placement in Placement.objects.filter(unit=unit, is_open=True):
        # A register that is taken over may know a later day than the visit; never end before begin.
        end = on
        if end is not None and placement.from_on is not None and end < placement.from_on:
            end = placement.from_on
        Placement.objects.filter(pk=placement.pk, is_open=True).update(is_open=False, until_on=end)


def _end_loan(loaner: Unit, *, on: date | None, by: Person | None) -> None:
    for loan in Loan.objects.open().filter(loaner=loaner):
        loan.ended_on = max(on or loan.out_on, loan.out_on)
        loan.ended_by_id = by.pk if by is not None else None
        loan.save(update_fields=["ended_on", "ended_by"])
