"""A recalled lot becomes work: a critical defect on each unit that holds it, and a visit to take it out."""

from __future__ import annotations

import uuid
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction

from inventory.errors import Conflict
from inventory.logbook.defects import NewDefect, state_defect
from inventory.people import Person
from inventory.register.models import Site, Unit, local_today
from inventory.stock.models import Lot
from inventory.stock.queries import units_of_lot
from schedules.due.models import Obligation
from schedules.visits.models import Job, Visit
from schedules.visits.proposing import NewVisit, make_visits

DEFECT_CODE = "other_unit"


@dataclass(frozen=True, slots=True)
class Recalled:
    """What became of a recall: defects stated, visits proposed, and units that a person must see to."""

    defects: int
    visits: tuple[Visit, ...]
    on_open_visits: tuple[Unit, ...]
    by_hand: tuple[Unit, ...]


@transaction.atomic
def recall_to_work(lot: Lot, *, by: Person, now: datetime) -> Recalled:
    """State a critical defect on every hanging unit that holds ``lot``, and propose visits at once.

    A visit needs a task that a table demands; the next one of each unit is pulled forward. Units on an
    open visit already, and those without any task or not hanging, are named for a person. A repeat
    states and proposes nothing twice. Raises ``Conflict`` for a lot that is not recalled.
    """
    if lot.state != Lot.State.RECALLED:
        raise Conflict("lot_not_recalled", f"Lot {lot.lot_no} is not recalled. Decide on the lot first.")
    units = [unit for unit in units_of_lot(lot) if not unit.is_refilled and unit.state not in Unit.GONE]
    hanging = [unit for unit in units if unit.state in Unit.HANGING and unit.site is not None]
    decision = lot.decisions.first()
    reason = decision.reason if decision is not None else ""
    defects = 0
    for unit in hanging:
        assert unit.site is not None
        new = NewDefect(
            uuid.uuid5(lot.public_id, str(unit.public_id)),
            DEFECT_CODE,
            severity="critical",
            action=f"Take to the workshop: {lot.item.name}, lot {lot.lot_no}, is recalled",
            remarks=f"Recalled lot {lot.lot_no} of {lot.item.name}. {reason}".strip(),
        )
        stored = state_defect(
            new,
            site_id=unit.site.pk,
            unit_id=unit.pk,
            location_id=unit.location_id,
            on=local_today(unit.site, now),
            at=now,
            by=by,
        )
        defects += stored.opened_at == now
    taken = set(
        Job.objects.filter(unit__in=hanging, visit__state__in=Visit.OPEN).values_list("unit_id", flat=True)
    )
    next_task: dict[int, str] = {}
    owed = Obligation.objects.ours().filter(
        unit__in=[unit.pk for unit in hanging if unit.pk not in taken],
        is_binding=True,
        latest_on__isnull=False,
    )
    for unit_id, task in owed.order_by("latest_on", "pk").values_list("unit_id", "task"):
        next_task.setdefault(unit_id, task)
    pairs: dict[int, set[tuple[int, str]]] = defaultdict(set)
    sites: dict[int, Site] = {}
    for unit in hanging:
        if unit.pk in next_task and unit.site is not None:
            pairs[unit.site.pk].add((unit.pk, next_task[unit.pk]))
            sites[unit.site.pk] = unit.site
    wanted = [
        NewVisit(sites[site], local_today(sites[site], now) + timedelta(days=1), frozenset(here))
        for site, here in pairs.items()
    ]
    visits = make_visits(wanted, by=by)
    return Recalled(
        defects,
        tuple(visits),
        tuple(unit for unit in hanging if unit.pk in taken),
        tuple(unit for unit in units if unit.pk not in taken and unit.pk not in next_task),
    )
