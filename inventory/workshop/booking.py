"""What a card's steps take from stock and put into drums: every kilogram under its lot.

Agent is booked as the figures say, or the step is refused: a fill without its lot cannot be traced.
Small goods (parts, collar, seal, label) are booked once per opening where the catalogue knows them; where
the shelf is empty on paper the work goes on and the entry carries a flag, because the count is wrong then.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet, Sum

from inventory.errors import Conflict
from inventory.measures.units import Dimension, Measure
from inventory.people import Person
from inventory.register.places import Store
from inventory.stock.models import Account, Item, Lot, PartFit, StockMove, WasteDrum
from inventory.stock.queries import current_lots, usable_lots
from inventory.stock.services import UseLine, consume, recover
from inventory.workshop.models import CardEntry, JobCard
from inventory.workshop.steps import Given
from inventory.workshop.values import Values

NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Taking:
    """Who states a step, when, and what stands behind it."""

    card: JobCard
    by: Person
    on: date
    now: datetime
    ref: uuid.UUID
    store: Store | None
    opening: int
    """The last time the unit was emptied, as a place on the card: small goods are booked once per opening."""


def lots_for(card: JobCard, kind: str, store: Store | None, on: date) -> list[tuple[str, str]]:
    """Lots that may go into the unit of ``card``: what is stored, and words to choose by."""
    if store is None:
        return []
    items = Item.objects.filter(kind=kind, is_closed=False)
    if kind == Item.Kind.AGENT:
        items = items.filter(agent=card.unit.model.agent)
    found: list[tuple[str, str]] = []
    for item in items:
        for lot in usable_lots(item, store, on):
            left = getattr(lot, "left", 0)
            amount = (
                f"{left / 1000:g} kg" if item.base_unit == Item.BaseUnit.GRAM else f"{left} {item.base_unit}"
            )
            found.append((f"{item.code} / {lot.lot_no}", f"{item.name}, lot {lot.lot_no}: {amount} left"))
    return found


def drums_for(card: JobCard) -> list[tuple[str, str]]:
    """Open drums that take the agent of the unit of ``card``."""
    rows = WasteDrum.objects.filter(agent=card.unit.model.agent, closed_on__isnull=True, gone_on__isnull=True)
    return [(drum.number, drum.number) for drum in rows]


def book(code: str, given: Given, taking: Taking, entries: Sequence[CardEntry], values: Values) -> list[str]:
    """Book what the step ``code`` took or gave; return what could not be booked, in words."""
    match code:
        case "fill":
            return _fill(given, taking, entries)
        case "agent_out":
            return _agent_out(given, taking)
        case "pressurise":
            return _gas(given, taking, values)
        case "strip":
            return _parts(taking)
        case "close":
            return _small(given, taking, Item.Kind.COLLAR)
        case "finish":
            return _small(given, taking, Item.Kind.SEAL) + _small(given, taking, Item.Kind.LABEL)
    return []


def _use(lines: Sequence[UseLine], taking: Taking, ref: uuid.UUID) -> None:
    """Book goods out of the workshop for the unit of the card."""
    consume(
        lines,
        store=_store(taking),
        unit=taking.card.unit,
        ref=taking.card.public_id,
        by=taking.by,
        on=taking.on,
        now=taking.now,
        client_ref=ref,
        reason=f"Job card {taking.card.number}",
    )


def _give(
    line: UseLine, taking: Taking, ref: uuid.UUID, *, drum: WasteDrum | None = None, why: str = ""
) -> None:
    """Book agent out of the unit into a drum, or back into the workshop under its lot."""
    recover(
        line,
        unit=taking.card.unit,
        drum=drum,
        store=None if drum is not None else _store(taking),
        ref=taking.card.public_id,
        by=taking.by,
        on=taking.on,
        now=taking.now,
        client_ref=ref,
        reason=f"Job card {taking.card.number}{': ' if why else ''}{why}",
    )


def _lot(field: str, text: str, kind: str) -> Lot:
    code, _, number = text.partition(" / ")
    lot = Lot.objects.select_related("item").filter(item__code=code, item__kind=kind, lot_no=number).first()
    if lot is None:
        raise ValidationError(
            {field: f"Lot: {text} is not in stock. Choose one from the list, or take the delivery in first."}
        )
    return lot


def _store(taking: Taking) -> Store:
    if taking.store is None:
        raise Conflict(
            "no_workshop_store",
            "No workshop stands among the firm's stores, so nothing can be booked. Add one first.",
        )
    return taking.store


def _amount(item: Item, measure: Measure, field: str) -> int:
    wants_volume = item.base_unit == Item.BaseUnit.MILLILITRE
    if wants_volume != (measure.dimension is Dimension.VOLUME):
        raise ValidationError(
            {field: f"{item.name} is kept by {'volume' if wants_volume else 'mass'}. Enter it so."}
        )
    return round(measure.volume_ml if wants_volume else measure.mass_g)


def _fill(given: Given, taking: Taking, entries: Sequence[CardEntry]) -> list[str]:
    lot = _lot("lot", given.texts["lot"], Item.Kind.AGENT)
    amount = _amount(lot.item, given.measures["mass_in"], "mass_in")
    # Stated again without having been emptied: only what is more, or less, than before moves.
    since = [entry for entry in entries if entry.step == "fill" and entry.place > taking.opening]
    before = _booked(taking, [entry.client_ref for entry in since])
    ref = uuid.uuid5(taking.ref, "agent")
    if amount > before:
        _use([UseLine(lot.item, amount - before, lot)], taking, ref)
    elif amount < before:
        _give(UseLine(lot.item, before - amount, lot), taking, ref, why="less than filled first")
    return []


def _booked(taking: Taking, refs: Sequence[uuid.UUID]) -> int:
    rows = StockMove.objects.filter(client_ref__in=[uuid.uuid5(ref, "agent") for ref in refs])
    into = rows.filter(to_account=Account.UNIT).aggregate(n=Sum("quantity"))["n"] or 0
    out = rows.filter(from_account=Account.UNIT).aggregate(n=Sum("quantity"))["n"] or 0
    return int(into) - int(out)


def _agent_out(given: Given, taking: Taking) -> list[str]:
    went, out = given.texts["went_to"], given.measures["mass_out"]
    if went in ("nothing", "vented") or out.entered == 0:
        return []
    unit = taking.card.unit
    lot_id = current_lots([unit.pk]).get(unit.pk)
    lot = Lot.objects.select_related("item").get(pk=lot_id) if lot_id is not None else None
    if lot is None:
        if went == "kept":
            raise ValidationError(
                {"went_to": "Nobody knows the lot of this agent, so it is not kept: it goes to waste."}
            )
        lot = _unknown_lot(taking)
        if lot is None:
            return ["The agent that came out is not in the catalogue and was not booked."]
    line = UseLine(lot.item, max(round(out.mass_g), 1), lot)
    ref = uuid.uuid5(taking.ref, "out")
    if went == "kept":
        _give(line, taking, ref)
        return []
    drum = WasteDrum.objects.filter(number=given.texts["drum"]).first()
    if drum is None:
        if went == "waste":
            raise ValidationError(
                {"drum": f"There is no drum {given.texts['drum']}. Choose one, or open it under Stock."}
            )
        return [f"Recovered into {given.texts['drum']}, which is none of our drums: not booked."]
    _give(line, taking, ref, drum=drum)
    return []


def _unknown_lot(taking: Taking) -> Lot | None:
    """The lot under which agent of unknown origin is kept apart; held, so that nobody fills from it."""
    item = (
        Item.objects.filter(kind=Item.Kind.AGENT, agent=taking.card.unit.model.agent).order_by("pk").first()
    )
    if item is None or item.base_unit != Item.BaseUnit.GRAM:
        return None
    lot, _ = Lot.objects.get_or_create(
        item=item,
        lot_no=NOT_KNOWN,
        defaults={
            "received_on": taking.on,
            "state": Lot.State.HELD,
            "remarks": "Agent taken out of units that were filled elsewhere.",
        },
    )
    return lot


def _gas(given: Given, taking: Taking, values: Values) -> list[str]:
    named = given.texts.get("gas", "")
    if not named:
        return ["The gas is not traced: no cylinder was named."]
    lot = _lot("gas", named, Item.Kind.GAS)
    amount = max(round(values["use_gas_litres"].number), 1)
    _use([UseLine(lot.item, amount, lot)], taking, uuid.uuid5(taking.ref, "gas"))
    return []


def _parts(taking: Taking) -> list[str]:
    fits = PartFit.objects.filter(
        model=taking.card.unit.model_id, item__is_closed=False, item__is_lot_tracked=False
    ).select_related("item")
    return _take(taking, "parts", [UseLine(fit.item, fit.pieces) for fit in fits])


def goods_for(kind: str, store: Store | None) -> list[tuple[str, str]]:
    """Small goods of ``kind`` that lie in ``store``: their code, and words to choose by."""
    rows = _on_the_shelf(kind, store).annotate(left=Sum("balances__quantity"))
    return [(item.code, f"{item.name}: {item.left} left") for item in rows]


def _on_the_shelf(kind: str, store: Store | None) -> QuerySet[Item]:
    return (
        Item.objects.filter(kind=kind, is_closed=False, is_lot_tracked=False)
        .filter(balances__store=store, balances__quantity__gt=0)
        .order_by("code", "pk")
    )


def _small(given: Given, taking: Taking, kind: str) -> list[str]:
    """Book one collar, seal or label: the one named, or the only one there is where one was fitted."""
    label = Item.Kind(kind).label
    named = given.texts.get(f"{kind}_item", "")
    if not named and not given.texts.get(kind):
        return []
    there = list(_on_the_shelf(kind, taking.store))
    item = next((row for row in there if row.code == named), None)
    if named and item is None:
        if not Item.objects.filter(kind=kind, code=named, is_closed=False).exists():
            raise ValidationError({f"{kind}_item": f"{label}: {named} is none of our goods. Choose another."})
        return [f"{label} {named}: none in stock on paper, so it was not booked. Count the shelf."]
    if item is None and len(there) == 1:
        item = there[0]
    if item is not None:
        return _take(taking, kind, [UseLine(item, 1)])
    if there:
        return [f"{label}: which of {len(there)} kinds in stock was fitted was not said, so none was booked."]
    if not Item.objects.filter(kind=kind, is_closed=False).exists():
        return []
    return [f"{label}: none in stock on paper, so it was not booked. Count the shelf."]


def held_lots(entries: Sequence[CardEntry]) -> list[str]:
    """A sentence for each lot of agent or gas in the unit that may not be used now.

    ``entries`` are those that count, in order; what was in it before it was last emptied is gone.
    """
    opening = max((entry.place for entry in entries if entry.step == "empty"), default=0)
    named = {
        str(entry.values.get(field, ""))
        for entry in entries
        for step, field in (("fill", "lot"), ("pressurise", "gas"))
        if entry.step == step and entry.place > opening
    }
    numbers = {text.partition(" / ")[2] for text in named}
    rows = Lot.objects.filter(lot_no__in=numbers - {""}).exclude(state=Lot.State.OPEN).select_related("item")
    return [
        f"Lot {lot.lot_no} of {lot.item.name} is {lot.get_state_display().lower()}."
        for lot in rows
        if f"{lot.item.code} / {lot.lot_no}" in named
    ]


def _take(taking: Taking, name: str, lines: list[UseLine]) -> list[str]:
    if not lines or taking.store is None:
        return []
    try:
        with transaction.atomic():
            _use(lines, taking, uuid.uuid5(taking.card.public_id, f"{name} {taking.opening}"))
    except Conflict as refused:
        return [f"Not booked: {refused.sentence}"]
    return []
