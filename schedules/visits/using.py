"""Goods used on visits: seals and labels are booked out of the van, unit by unit, once a visit is closed.

What is loose on a van is not scanned on site, so it is booked afterwards by what one service takes.
A van that does not hold enough is booked as far as it goes; the next run tries the rest again.
"""

from __future__ import annotations

import math
import uuid
from collections import defaultdict
from datetime import datetime, timedelta

from inventory.errors import Conflict
from inventory.logbook.models import ServiceRecord
from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.stock.models import Item, StockBalance, StockMove
from inventory.stock.services import UseLine, consume
from inventory.workshop.queries import current_values
from schedules.visits.models import Visit

LOOK_BACK_DAYS = 30
_TAKES = ((Item.Kind.SEAL, "use_seals"), (Item.Kind.LABEL, "use_labels"))


def book_used(*, now: datetime) -> int:
    """Book what closed visits of the last 30 days used; return for how many units. Repeats book nothing."""
    vans = {
        store.keeper_id: store
        for store in Store.objects.filter(kind=Store.Kind.VAN, is_closed=False, keeper__isnull=False)
    }
    visits = {
        visit.public_id: visit
        for visit in Visit.objects.filter(
            state=Visit.State.CLOSED,
            technician__in=vans,
            done_on__gte=now.date() - timedelta(days=LOOK_BACK_DAYS),
        )
    }
    done = set(
        ServiceRecord.objects.filter(visit_ref__in=visits, outcome=ServiceRecord.Outcome.PASSED)
        .order_by()
        .values_list("visit_ref", "unit_id")
        .distinct()
    )
    done -= set(StockMove.objects.filter(ref__in=visits, unit__isnull=False).values_list("ref", "unit_id"))
    if not done:
        return 0
    units = Unit.objects.select_related("model").in_bulk({unit for _, unit in done})
    values = current_values()
    held: dict[tuple[int, str], list[StockBalance]] = defaultdict(list)
    kinds = [kind for kind, _ in _TAKES]
    for row in StockBalance.objects.filter(
        store__in=vans.values(), item__kind__in=kinds, lot__isnull=True, quantity__gt=0
    ).select_related("item"):
        held[row.store_id, row.item.kind].append(row)
    booked = 0
    for ref, unit_id in sorted(done, key=str):
        if ref is None:
            continue
        visit = visits[ref]
        van = vans[visit.technician_id]
        lines = []
        for kind, key in _TAKES:
            number = math.ceil(values[key].number)
            place = next((one for one in held[van.pk, kind] if one.quantity >= number), None)
            if place is not None and number:
                place.quantity -= number
                lines.append(UseLine(place.item, number))
        if not lines or visit.done_on is None:
            continue
        try:
            consume(
                lines,
                store=van,
                unit=units[unit_id],
                ref=ref,
                by=None,
                on=visit.done_on,
                now=now,
                client_ref=uuid.uuid5(ref, f"used on {unit_id}"),
                reason=f"Used on visit {visit.number}",
            )
        except Conflict:
            continue  # somebody emptied the van meanwhile; the next run sees what is left
        booked += 1
    return booked
