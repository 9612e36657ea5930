"""Writes to the stock. Each act is one transaction; a repeat with the same reference changes nothing."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F, Sum

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.register.services import draw_numbers
from inventory.stock.amounts import amount_text
from inventory.stock.models import (
    Account,
    GasCylinder,
    Item,
    Lot,
    LotDecision,
    LotSample,
    StockBalance,
    StockMove,
    WasteDrum,
)


@dataclass(frozen=True, slots=True)
class UseLine:
    """An amount of an item, in its base unit; with the lot where the item is kept by lot."""

    item: Item
    quantity: int
    lot: Lot | None = None


@dataclass(frozen=True, slots=True)
class CylinderFacts:
    """What is stamped on, and agreed for, a gas cylinder."""

    serial: str
    belongs_to: str = ""
    water_capacity_ml: int | None = None
    full_pressure_kpa: int | None = None
    tested_on: date | None = None
    test_due_on: date | None = None
    rented_on: date | None = None


@dataclass(frozen=True, slots=True)
class _Act:
    """Who books what for, when and why."""

    by: Person | None
    on: date
    now: datetime
    client_ref: uuid.UUID
    reason: str = ""
    unit: Unit | None = None
    drum: WasteDrum | None = None
    ref: uuid.UUID | None = None


@dataclass(frozen=True, slots=True)
class _Side:
    account: Account
    store: Store | None = None


@transaction.atomic
def receive(
    item: Item,
    quantity: int,
    *,
    store: Store,
    by: Person | None,
    on: date,
    now: datetime,
    client_ref: uuid.UUID,
    lot_no: str = "",
    maker: str = "",
    supplier: str = "",
    expires_on: date | None = None,
    cylinder: CylinderFacts | None = None,
    remarks: str = "",
) -> Lot | None:
    """Take a delivery into ``store`` and return its lot, or ``None`` for an item without lots.

    A lot that is known gets the amount added to it. Raises ``ValidationError`` without a lot number
    where one is needed, or for a lot whose last day is past.
    """
    lot: Lot | None = None
    known = StockMove.objects.filter(client_ref=client_ref).select_related("lot").first()
    if known is not None:
        return known.lot
    if item.is_lot_tracked:
        if not lot_no.strip():
            raise ValidationError({"lot_no": f"{item.name} is kept by lot. Enter the number on the label."})
        if expires_on is not None and expires_on < on:
            raise ValidationError({"expires_on": "This lot is past its last day. Send it back."})
        lot, is_new = Lot.objects.get_or_create(
            item=item,
            lot_no=lot_no.strip(),
            defaults={
                "maker": maker or item.maker,
                "supplier": supplier,
                "received_on": on,
                "expires_on": expires_on,
                "remarks": remarks,
            },
        )
        if not is_new and expires_on is not None and lot.expires_on != expires_on:
            raise ValidationError(
                {"expires_on": f"Lot {lot.lot_no} was entered with {lot.expires_on}. Which one is right?"}
            )
        if cylinder is not None and is_new:
            facts = GasCylinder(
                lot=lot,
                serial=cylinder.serial,
                belongs_to=cylinder.belongs_to,
                water_capacity_ml=cylinder.water_capacity_ml,
                full_pressure_kpa=cylinder.full_pressure_kpa,
                tested_on=cylinder.tested_on,
                test_due_on=cylinder.test_due_on,
                rented_on=cylinder.rented_on,
            )
            facts.full_clean()
            facts.save()
    _book(
        [UseLine(item, quantity, lot)],
        _Side(Account.SUPPLIER),
        _Side(Account.STORE, store),
        _Act(by, on, now, client_ref, "Received"),
    )
    return lot


@transaction.atomic
def consume(
    lines: Sequence[UseLine],
    *,
    store: Store,
    by: Person | None,
    on: date,
    now: datetime,
    client_ref: uuid.UUID,
    unit: Unit | None = None,
    ref: uuid.UUID | None = None,
    reason: str = "",
) -> list[StockMove]:
    """Book goods out of ``store`` for ``unit``; ``ref`` is the visit or job card.

    Refused as a whole: ``lot_not_usable`` (held, recalled, scrapped, past its last day or its
    cylinder's test), ``overdrawn``. A repeat returns what was booked first. Without a unit the goods
    count as spoiled.
    """
    known = _known(client_ref)
    if known:
        return known
    for line in lines:
        _check_usable(line, unit, on)
    return _book(
        lines,
        _Side(Account.STORE, store),
        _Side(Account.UNIT if unit is not None else Account.SPOILED),
        _Act(by, on, now, client_ref, reason, unit=unit, ref=ref),
    )


@transaction.atomic
def recover(
    line: UseLine,
    *,
    unit: Unit,
    by: Person | None,
    on: date,
    now: datetime,
    client_ref: uuid.UUID,
    drum: WasteDrum | None = None,
    store: Store | None = None,
    ref: uuid.UUID | None = None,
    reason: str = "",
) -> list[StockMove]:
    """Book agent out of ``unit`` into a waste drum, or back into ``store`` under its lot.

    Chemistries are never mixed: a drum takes one agent (``drum_of_another_agent``), and is not filled
    beyond its capacity (``drum_full``).
    """
    known = _known(client_ref)
    if known:
        return known
    if (drum is None) == (store is None):
        raise ValueError("recover into a drum or into a store")
    if drum is not None:
        drum.refresh_from_db()
        if drum.agent != line.item.agent:
            raise Conflict(
                "drum_of_another_agent",
                f"Drum {drum.number} holds {drum.get_agent_display().lower()}. Powders of different "
                "chemistry can build up gas together: use another drum.",
            )
        if drum.closed_on is not None:
            raise Conflict("drum_closed", f"Drum {drum.number} is closed. Open another one.")
        held = contents_g([drum.pk]).get(drum.pk, 0)
        if held + line.quantity > drum.capacity_g:
            raise Conflict(
                "drum_full",
                f"Drum {drum.number} takes {(drum.capacity_g - held) / 1000:g} kg more. Open another.",
            )
    return _book(
        [line],
        _Side(Account.UNIT),
        _Side(Account.DRUM) if drum is not None else _Side(Account.STORE, store),
        _Act(by, on, now, client_ref, reason or "Recovered", unit=unit, drum=drum, ref=ref),
    )


@transaction.atomic
def transfer(
    lines: Sequence[UseLine],
    *,
    from_store: Store,
    to_store: Store,
    by: Person | None,
    on: date,
    now: datetime,
    client_ref: uuid.UUID,
    reason: str = "",
) -> list[StockMove]:
    """Carry goods from one store to another, such as onto a van."""
    known = _known(client_ref)
    if known:
        return known
    if from_store.pk == to_store.pk:
        raise ValidationError("Choose two different stores.")
    if to_store.is_closed:
        raise Conflict("store_closed", f"{to_store.name} is closed. Choose another store.")
    return _book(
        lines,
        _Side(Account.STORE, from_store),
        _Side(Account.STORE, to_store),
        _Act(by, on, now, client_ref, reason),
    )


@transaction.atomic
def count_stock(
    store: Store,
    counted: Mapping[tuple[int, int | None], int],
    *,
    by: Person | None,
    on: date,
    now: datetime,
    client_ref: uuid.UUID,
    reason: str,
) -> list[StockMove]:
    """Set the balances of ``store`` to what was counted, by item and lot ids; differences are booked.

    Raises ``ValidationError`` without a reason: what is missing is never smoothed over silently.
    """
    known = _known(client_ref)
    if known:
        return known
    if not reason.strip():
        raise ValidationError({"reason": "Say who counted and what explains the difference."})
    items = Item.objects.in_bulk([item for item, _ in counted])
    lots = Lot.objects.in_bulk([lot for _, lot in counted if lot is not None])
    have = {
        (row.item_id, row.lot_id): row.quantity
        for row in StockBalance.objects.filter(store=store, item__in=items)
    }
    more: list[UseLine] = []
    less: list[UseLine] = []
    for (item_id, lot_id), number in counted.items():
        if number < 0:
            raise ValidationError("A count cannot be less than nothing.")
        gap = number - have.get((item_id, lot_id), 0)
        line = UseLine(items[item_id], abs(gap), lots[lot_id] if lot_id is not None else None)
        if gap:
            (more if gap > 0 else less).append(line)
    here, counter = _Side(Account.STORE, store), _Side(Account.COUNTED)
    act = _Act(by, on, now, client_ref, reason.strip())
    moves = _book(more, counter, here, act)
    return moves + _book(less, here, counter, act, first_line=len(moves))


@transaction.atomic
def record_sample(
    lot: Lot,
    *,
    passed: bool,
    test: str,
    figures: str,
    limit: str,
    by: Person | None,
    on: date,
    now: datetime,
) -> LotSample:
    """Record an acceptance test of a lot. A failed one holds the whole lot until a person decides."""
    if not test.strip() or not figures.strip():
        raise ValidationError("Enter which test was made and the figures it gave.")
    sample = LotSample.objects.create(
        lot=lot,
        passed=passed,
        test=test.strip(),
        figures=figures.strip(),
        limit=limit.strip(),
        on=on,
        made_by_id=by.pk if by is not None else None,
        made_at=now,
    )
    if not passed and lot.state == Lot.State.OPEN:
        _decided(lot, LotDecision.Decision.HOLD, f"Sample failed: {figures.strip()}", None, now, sample)
    return sample


_STATE_AFTER = {
    LotDecision.Decision.HOLD: Lot.State.HELD,
    LotDecision.Decision.RELEASE: Lot.State.OPEN,
    LotDecision.Decision.RECALL: Lot.State.RECALLED,
    LotDecision.Decision.SCRAP: Lot.State.SCRAPPED,
}
_FITS = {
    LotDecision.Decision.HOLD: (Lot.State.OPEN,),
    LotDecision.Decision.RELEASE: (Lot.State.HELD,),
    LotDecision.Decision.RECALL: (Lot.State.OPEN, Lot.State.HELD),
    LotDecision.Decision.SCRAP: (Lot.State.HELD, Lot.State.RECALLED),
}


@transaction.atomic
def decide_lot(
    lot: Lot, decision: LotDecision.Decision, *, reason: str, by: Person, now: datetime, version: int
) -> LotDecision:
    """Hold, release, recall or scrap a lot, with the reason and by name.

    A recalled lot is never released; scrapping writes off what is left of it. Raises ``Conflict``
    when the decision does not fit the lot's state or the lot was changed meanwhile.
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say why, for whoever reads this in a year."})
    if lot.version != version:
        raise Conflict("changed_meanwhile", f"Lot {lot.lot_no} was changed a moment ago. Look again.")
    if lot.state not in _FITS[decision]:
        raise Conflict(
            "lot_state",
            f"Lot {lot.lot_no} is {lot.get_state_display().lower()} and cannot be put to "
            f'"{decision.label.lower()}".',
        )
    made = _decided(lot, decision, reason.strip(), by, now, None)
    if decision == LotDecision.Decision.SCRAP:
        for place in lot.balances.filter(quantity__gt=0).select_related("store"):
            _book(
                [UseLine(lot.item, place.quantity, lot)],
                _Side(Account.STORE, place.store),
                _Side(Account.SPOILED),
                _Act(by, now.date(), now, uuid.uuid4(), f"Scrapped: {reason.strip()}"),
            )
    return made


def _decided(
    lot: Lot,
    decision: LotDecision.Decision,
    reason: str,
    by: Person | None,
    now: datetime,
    sample: LotSample | None,
) -> LotDecision:
    done = Lot.objects.filter(pk=lot.pk, version=lot.version).update(
        state=_STATE_AFTER[decision], version=F("version") + 1
    )
    if not done:
        raise Conflict("changed_meanwhile", f"Lot {lot.lot_no} was changed a moment ago. Look again.")
    lot.refresh_from_db()
    return LotDecision.objects.create(
        lot=lot,
        decision=decision,
        reason=reason[:300],
        sample=sample,
        made_by_id=by.pk if by is not None else None,
        made_at=now,
    )


@transaction.atomic
def open_drum(*, agent: str, store: Store, capacity_g: int, on: date) -> WasteDrum:
    """Open a waste drum for one agent and give it a number."""
    drum = WasteDrum(
        number=f"D-{draw_numbers('drum')[0]:04d}",
        agent=agent,
        store=store,
        capacity_g=capacity_g,
        opened_on=on,
    )
    drum.full_clean()
    drum.save()
    return drum


@transaction.atomic
def send_drum_away(drum: WasteDrum, *, on: date, transfer_note: str, version: int) -> WasteDrum:
    """Hand a drum to the waste firm under the number of its transfer note."""
    if not transfer_note.strip():
        raise ValidationError({"transfer_note": "Enter the number of the waste transfer note."})
    done = WasteDrum.objects.filter(pk=drum.pk, version=version, gone_on__isnull=True).update(
        closed_on=drum.closed_on or on,
        gone_on=on,
        transfer_note=transfer_note.strip(),
        version=F("version") + 1,
    )
    if not done:
        raise Conflict("changed_meanwhile", f"Drum {drum.number} was changed a moment ago. Look again.")
    drum.refresh_from_db()
    return drum


def contents_g(drum_ids: Sequence[int]) -> dict[int, int]:
    """What each of these drums holds, in grams; one query."""
    rows = (
        StockMove.objects.filter(drum__in=drum_ids, to_account=Account.DRUM).order_by().values_list("drum_id")
    )
    return dict(rows.annotate(total=Sum("quantity")))


def _known(client_ref: uuid.UUID) -> list[StockMove]:
    return list(StockMove.objects.filter(client_ref=client_ref).select_related("item", "lot"))


def _check_usable(line: UseLine, unit: Unit | None, on: date) -> None:
    if line.lot is None:
        return
    lot = Lot.objects.select_related("cylinder").get(pk=line.lot.pk)
    if lot.state != Lot.State.OPEN:
        raise Conflict(
            "lot_not_usable",
            f"Lot {lot.lot_no} of {line.item.name} is {lot.get_state_display().lower()}. Take another lot.",
        )
    if lot.is_past(on):
        raise Conflict(
            "lot_not_usable", f"Lot {lot.lot_no} of {line.item.name} was good until {lot.expires_on}."
        )
    cylinder = getattr(lot, "cylinder", None)
    if cylinder is not None and cylinder.test_due_on is not None and on > cylinder.test_due_on:
        raise Conflict(
            "lot_not_usable", f"Cylinder {cylinder.serial} was due for its test on {cylinder.test_due_on}."
        )
    if (
        unit is not None
        and line.item.kind == Item.Kind.AGENT
        and line.item.agent not in ("", unit.model.agent)
    ):
        raise Conflict(
            "wrong_agent",
            f"{line.item.name} does not go into {unit.model.get_agent_display().lower()} unit {unit.number}. "
            "A unit is never converted to another agent.",
        )


def _book(
    lines: Sequence[UseLine], source: _Side, target: _Side, act: _Act, *, first_line: int = 0
) -> list[StockMove]:
    """Write the moves and the balances of one act. The caller's transaction is open."""
    rows: list[StockMove] = []
    for number, line in enumerate(lines, start=first_line):
        if line.quantity < 1:
            raise ValidationError(f"{line.item.name}: enter an amount of at least 1 {line.item.base_unit}.")
        if line.item.is_lot_tracked != (line.lot is not None):
            said = "needs its lot" if line.item.is_lot_tracked else "is not kept by lot"
            raise ValidationError(f"{line.item.name} {said}.")
        if line.lot is not None and line.lot.item_id != line.item.pk:
            raise ValidationError(f"Lot {line.lot.lot_no} is not one of {line.item.name}.")
        if source.store is not None:
            _draw(line, source.store)
        if target.store is not None:
            _add(line, target.store)
        rows.append(
            StockMove(
                client_ref=act.client_ref,
                line=number,
                item=line.item,
                lot=line.lot,
                quantity=line.quantity,
                from_account=source.account,
                from_store=source.store,
                to_account=target.account,
                to_store=target.store,
                unit=act.unit,
                drum=act.drum,
                ref=act.ref,
                on=act.on,
                reason=act.reason[:200],
                made_by_id=act.by.pk if act.by is not None else None,
                made_at=act.now,
            )
        )
    return StockMove.objects.bulk_create(rows)


def _draw(line: UseLine, store: Store) -> None:
    """Take from a balance in one conditional statement: two hands cannot both have the last of it."""
    place = StockBalance.objects.filter(store=store, item=line.item, lot=line.lot)
    if place.filter(quantity__gte=line.quantity).update(quantity=F("quantity") - line.quantity):
        return
    left = place.values_list("quantity", flat=True).first() or 0
    what = f"{line.item.name}, lot {line.lot.lot_no}" if line.lot is not None else line.item.name
    there, asked = (amount_text(value, line.item.base_unit) for value in (left, line.quantity))
    raise Conflict(
        "overdrawn",
        f"{what}: {there} left in {store.name}, {asked} asked for. Take another lot, or count the store "
        "if there is more.",
        left=left,
    )


def _add(line: UseLine, store: Store) -> None:
    place, _ = StockBalance.objects.get_or_create(store=store, item=line.item, lot=line.lot)
    StockBalance.objects.filter(pk=place.pk).update(quantity=F("quantity") + line.quantity)
