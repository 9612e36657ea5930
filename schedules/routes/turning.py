"""Taking changes of a plan back, and doing them again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.db import transaction

from inventory.errors import Conflict
from inventory.people import Person
from schedules.crew.models import Absence
from schedules.routes.models import PlanChange, RoutePlan
from schedules.routes.services import Done, Kind, shifted, spot_of
from schedules.routes.store import Spot, opened, refuse_stale, write


@dataclass(frozen=True, slots=True)
class Steps:
    """What can be undone next and what can be done again, if anything."""

    undo: PlanChange | None
    redo: PlanChange | None


NOT_UNDONE = (Kind.MADE, Kind.TAKEN)


def steps(row: RoutePlan) -> Steps:
    """The next steps back and forth; a new change after an undo leaves nothing to do again."""
    done: list[PlanChange] = []
    undone: list[PlanChange] = []
    rows = PlanChange.objects.filter(plan=row).defer("before", "after").order_by("pk")
    for change in rows:
        if change.kind == Kind.UNDO:
            undone.append(done.pop())
        elif change.kind == Kind.REDO:
            done.append(undone.pop())
        elif change.kind not in NOT_UNDONE:
            done.append(change)
            undone.clear()
    return Steps(done[-1] if done else None, undone[-1] if undone else None)


def undo(row: RoutePlan, *, version: int, by: Person, now: datetime) -> Done:
    """Take the last change back."""
    change = steps(row).undo
    if change is None:
        raise Conflict("nothing_to_undo", "There is no change of this plan to take back.")
    return _turned(row, change, change.before, Kind.UNDO, f"Undone: {change.sentence}", version, by, now)


def redo(row: RoutePlan, *, version: int, by: Person, now: datetime) -> Done:
    """Do the change again that was taken back last."""
    change = steps(row).redo
    if change is None:
        raise Conflict("nothing_to_redo", "There is no change of this plan to do again.")
    return _turned(row, change, change.after, Kind.REDO, f"Done again: {change.sentence}", version, by, now)


def _turned(
    row: RoutePlan,
    change: PlanChange,
    wanted: Iterable[Mapping[str, Any]],
    kind: PlanChange.Kind,
    sentence: str,
    version: int,
    by: Person,
    now: datetime,
) -> Done:
    row.refresh_from_db(fields=["version", "state"])
    if row.version != version:
        refuse_stale(row, version)
    spots = [Spot.from_json(item) for item in wanted if "visit" in item]
    if kind == Kind.UNDO:
        # What came in by the change goes out again: it was not there before.
        known = {spot.visit_id for spot in spots}
        spots += [
            replace(Spot.from_json(item), technician_id=None, on=None, position=0, is_excluded=True)
            for item in change.after
            if "visit" in item and item["visit"] not in known
        ]
    with transaction.atomic():
        _turn_absences(change, kind)
        plain = opened(row, now=now)
        before = {key: spot_of(plain, key, plain.plan) for key in plain.built.visits}
        found = opened(row, now=now, spots=spots)
        write(found, found.plan, kind=kind, sentence=sentence, by=by, now=now, undoes=change)
    return Done(row, sentence, shifted(found, before), cost_60=row.totals.get("cost_60"))


def _turn_absences(change: PlanChange, kind: PlanChange.Kind) -> None:
    """An absence that came with a change goes and comes with it."""
    for item in change.after:
        if "absence" not in item:
            continue
        Absence.objects.filter(public_id=item["absence"]).update(is_void=kind == Kind.UNDO)
