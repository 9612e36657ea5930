"""A recall becomes work: a critical defect on each unit it concerns, and a visit to see to it."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q

from inventory.errors import Conflict
from inventory.logbook.defects import NewDefect, OnUnit, state_defects
from inventory.people import Person
from inventory.recalls.models import Recall, RecallUnit
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


@dataclass(frozen=True, slots=True)
class Concerned:
    """One unit that is recalled, and what is to be done and said of it."""

    unit: Unit
    action: str
    remarks: str


@transaction.atomic
def recall_to_work(lot: Lot, *, by: Person, now: datetime) -> Recalled:
    """State a critical defect on every hanging unit that holds ``lot``, and propose visits at once.

    Raises ``Conflict`` for a lot that is not recalled. See ``_to_work``.
    """
    if lot.state != Lot.State.RECALLED:
        raise Conflict("lot_not_recalled", f"Lot {lot.lot_no} is not recalled. Decide on the lot first.")
    units = [unit for unit in units_of_lot(lot) if not unit.is_refilled and unit.state not in Unit.GONE]
    decision = lot.decisions.first()
    reason = decision.reason if decision is not None else ""
    action = f"Take to the workshop: {lot.item.name}, lot {lot.lot_no}, is recalled"
    remarks = f"Recalled lot {lot.lot_no} of {lot.item.name}. {reason}".strip()
    return _to_work([Concerned(unit, action, remarks) for unit in units], ref=lot.public_id, by=by, now=now)


@transaction.atomic
def recall_units_to_work(
    recall: Recall, *, with_possible: bool, planned_days: int = 1, by: Person, now: datetime
) -> Recalled:
    """State a critical defect on every hanging unit of ``recall`` that is not settled; urgent visits at once.

    With ``with_possible`` also on units that the recall concerns possibly. Raises ``Conflict`` for a
    closed recall. See ``_to_work``.
    """
    if recall.state != Recall.State.OPEN:
        raise Conflict("recall_closed", f"Recall {recall.number} is closed. Open it again first.")
    lines = (
        RecallUnit.objects.filter(recall=recall)
        .exclude(state__in=RecallUnit.SETTLED)
        .exclude(unit__state__in=Unit.GONE)
        .filter(Q() if with_possible else Q(certainty=RecallUnit.Certainty.CERTAIN))
        .select_related("unit__site", "unit__location")
        .order_by("unit__number")
    )
    concerned = []
    for line in lines:
        certain = line.certainty == RecallUnit.Certainty.CERTAIN
        action = (
            f"Recalled ({recall.number}): take it down and put another in its place"
            if certain
            else f"Perhaps recalled ({recall.number}): read maker, serial and build date on the shell"
        )
        said = recall.notice if certain else f"{line.why} {recall.notice}"
        concerned.append(Concerned(line.unit, action, f"{recall.number}: {recall.title}. {said}"))
    return _to_work(
        concerned,
        ref=recall.public_id,
        urgent=f"Recall {recall.number}: {recall.title}",
        planned_days=planned_days,
        by=by,
        now=now,
    )


def _to_work(
    concerned: Iterable[Concerned],
    *,
    ref: uuid.UUID,
    urgent: str = "",
    planned_days: int = 1,
    by: Person,
    now: datetime,
) -> Recalled:
    """State a critical defect on each unit that hangs, and propose visits at once.

    A visit needs a task that a table demands; the next one of each unit is pulled forward. Units on an
    open visit already, and those without any task or not hanging, are named for a person. ``ref`` makes
    the ids of the defects, so that a repeat states and proposes nothing twice. A dozen statements
    whatever the number of units.
    """
    every = list(concerned)
    units = [one.unit for one in every]
    hanging = [unit for unit in units if unit.state in Unit.HANGING and unit.site is not None]
    is_hanging = {unit.pk for unit in hanging}
    stated = [
        OnUnit(
            NewDefect(
                uuid.uuid5(ref, str(one.unit.public_id)),
                DEFECT_CODE,
                severity="critical",
                action=one.action,
                remarks=one.remarks,
            ),
            unit_id=one.unit.pk,
            site_id=one.unit.site.pk,
            location_id=one.unit.location_id,
            on=local_today(one.unit.site, now),
        )
        for one in every
        if one.unit.pk in is_hanging and one.unit.site is not None
    ]
    defects = state_defects(stated, at=now, by=by)
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
        NewVisit(sites[site], local_today(sites[site], now) + timedelta(days=planned_days), frozenset(here))
        for site, here in pairs.items()
    ]
    visits = make_visits(wanted, by=by)
    if urgent and visits:
        Visit.objects.filter(pk__in=[visit.pk for visit in visits]).update(
            is_urgent=True, call_reason=urgent[:200]
        )
    return Recalled(
        defects,
        tuple(visits),
        tuple(unit for unit in hanging if unit.pk in taken),
        tuple(unit for unit in units if unit.pk not in taken and unit.pk not in next_task),
    )
