"""Reading the stock: balances, lots, and where a lot went."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, TypedDict

from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.stock.models import (
    Account,
    Item,
    Lot,
    StockBalance,
    StockMove,
    StockMoveQuerySet,
    WasteDrum,
)


def balances(*, store: Store | None = None, item: Item | None = None) -> QuerySet[StockBalance]:
    """What stands in the stores, by item, lot and store; nothing of what is used up."""
    rows = StockBalance.objects.filter(quantity__gt=0).select_related("item", "lot", "store")
    if store is not None:
        rows = rows.filter(store=store)
    if item is not None:
        rows = rows.filter(item=item)
    return rows.order_by("item__kind", "item__name", "lot__expires_on", "lot__lot_no", "store__name")


def items_with_stock(*, with_closed: bool = False) -> QuerySet[Item]:
    """The catalogue with ``total`` in all stores, ``usable`` of open lots, and the number of lots held."""
    usable = Q(balances__lot__isnull=True) | Q(balances__lot__state=Lot.State.OPEN)
    held = Lot.objects.filter(item=OuterRef("pk"), state=Lot.State.HELD).order_by()
    rows = Item.objects.order_by("kind", "name", "pk").annotate(
        total=Coalesce(Sum("balances__quantity"), Value(0)),
        usable=Coalesce(Sum("balances__quantity", filter=usable), Value(0)),
        lots_held=Coalesce(Subquery(held.values("item").annotate(n=Count("pk")).values("n")[:1]), Value(0)),
    )
    return rows if with_closed else rows.filter(is_closed=False)


def usable_lots(item: Item, store: Store, on: date) -> QuerySet[Lot]:
    """Lots of ``item`` that may be used from ``store`` on that day, the first to expire first."""
    return (
        Lot.objects.filter(
            Q(expires_on__isnull=True) | Q(expires_on__gte=on),
            Q(cylinder__isnull=True)
            | Q(cylinder__test_due_on__isnull=True)
            | Q(cylinder__test_due_on__gte=on),
            item=item,
            state=Lot.State.OPEN,
            balances__store=store,
            balances__quantity__gt=0,
        )
        .annotate(left=F("balances__quantity"))
        .order_by(F("expires_on").asc(nulls_last=True), "received_on", "pk")
    )


def lots_with_stock() -> QuerySet[Lot]:
    """Lots with ``left`` in all stores and ``unit_count``, the units that got of them."""
    units = (
        StockMove.objects.filter(lot=OuterRef("pk"), to_account=Account.UNIT)
        .order_by()
        .values("lot")
        .annotate(n=Count("unit", distinct=True))
        .values("n")[:1]
    )
    return (
        Lot.objects.select_related("item", "cylinder")
        .annotate(
            left=Coalesce(Sum("balances__quantity"), Value(0)),
            unit_count=Coalesce(Subquery(units), Value(0)),
        )
        .order_by("-received_on", "-pk")
    )


def units_of_lot(lot: Lot) -> QuerySet[Any]:
    """Units that got of ``lot`` and where they are now: one query.

    Each carries ``got`` (base units), ``got_on``, and ``is_refilled`` when agent or gas of the same item
    from another lot went in since, so that what it holds now is not of this lot any more.
    """
    into = StockMove.objects.filter(unit=OuterRef("pk"), lot=lot, to_account=Account.UNIT)
    later = StockMove.objects.filter(
        unit=OuterRef("pk"), item=lot.item_id, to_account=Account.UNIT, pk__gt=OuterRef("got_move")
    ).exclude(lot=lot)
    return (
        Unit.objects.filter(Exists(into))
        .annotate(
            got=Subquery(into.order_by().values("unit").annotate(n=Sum("quantity")).values("n")[:1]),
            got_on=Subquery(into.order_by("-pk").values("on")[:1]),
            got_move=Subquery(into.order_by("-pk").values("pk")[:1]),
            is_refilled=Exists(later),
        )
        .select_related("model", "site__owner", "location", "store")
        .order_by("site__name", "location__walking_order", "number")
    )


def current_lots(unit_ids: Sequence[int]) -> dict[int, int]:
    """The lot of agent that each of these units holds now, by id; one query."""
    later = StockMove.objects.filter(
        unit=OuterRef("unit"), item__kind=Item.Kind.AGENT, to_account=Account.UNIT, pk__gt=OuterRef("pk")
    )
    rows = StockMove.objects.filter(
        ~Exists(later), unit__in=unit_ids, item__kind=Item.Kind.AGENT, to_account=Account.UNIT
    ).order_by()
    return {unit: lot for unit, lot in rows.values_list("unit_id", "lot_id") if unit and lot}


def moves_for(
    *, item: Item | None = None, lot: Lot | None = None, unit: Unit | None = None, ref: object = None
) -> StockMoveQuerySet:
    """Stock moves, newest first, narrowed to an item, a lot, a unit or what is behind them."""
    rows = StockMove.objects.select_related(
        "item", "lot", "from_store", "to_store", "unit", "drum", "made_by"
    )
    for name, value in (("item", item), ("lot", lot), ("unit", unit), ("ref", ref)):
        if value is not None:
            rows = rows.filter(**{name: value})
    return rows.order_by("-pk")


def drums() -> QuerySet[WasteDrum]:
    """Waste drums with what each holds, open ones first."""
    return (
        WasteDrum.objects.annotate(held_g=Coalesce(Sum("moves__quantity"), Value(0)))
        .select_related("store")
        .order_by(F("gone_on").asc(nulls_first=True), "number")
    )


class Shift(TypedDict):
    """What entered and left the stores on one account."""

    account: str
    into: int
    out_of: int


def account_sheet(item: Item) -> list[Shift]:
    """Everything of ``item`` that ever moved, by account; into less out of is what stands there.

    Over all accounts both columns have the same sum: every amount left one and entered another.
    """
    into = dict(
        StockMove.objects.filter(item=item).order_by().values_list("to_account").annotate(n=Sum("quantity"))
    )
    out_of = dict(
        StockMove.objects.filter(item=item).order_by().values_list("from_account").annotate(n=Sum("quantity"))
    )
    return [
        Shift(account=account.label, into=into.get(account.value, 0), out_of=out_of.get(account.value, 0))
        for account in Account
        if account.value in into or account.value in out_of
    ]


def stock_disagreements(limit: int = 100) -> list[str]:
    """Balances that are not the sum of their moves; empty when all is well. Two queries."""
    sums: dict[tuple[int, int | None, int], int] = {}
    for side, sign in (("to_store", 1), ("from_store", -1)):
        rows = (
            StockMove.objects.filter(**{f"{side}__isnull": False})
            .order_by()
            .values_list("item_id", "lot_id", f"{side}_id")
            .annotate(n=Sum("quantity"))
        )
        for item, lot, store, number in rows:
            sums[item, lot, store] = sums.get((item, lot, store), 0) + sign * number
    kept = {
        (row.item_id, row.lot_id, row.store_id): row
        for row in StockBalance.objects.select_related("item", "lot", "store")
    }
    found = []
    for key in sorted(sums.keys() | kept.keys(), key=str):
        row = kept.get(key)
        if (row.quantity if row is not None else 0) != sums.get(key, 0):
            what = f"{row.item} in {row.store}" if row is not None else f"item {key[0]} in store {key[2]}"
            found.append(f"{what}: {row.quantity if row else 0} kept, {sums.get(key, 0)} by its moves.")
    return found[:limit]
