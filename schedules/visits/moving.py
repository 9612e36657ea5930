"""What a visit does to where units hang and how they stand, carried out in the order it was done."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from inventory.errors import Conflict
from inventory.measures.stamps import read_stamp
from inventory.people import Person
from inventory.register import custody
from inventory.register.aliases import survivors
from inventory.register.models import Location, Unit, UnitModel
from inventory.register.places import Store
from inventory.register.services import hang_unit, set_state, take_down_unit, unit_numbers
from schedules.visits.models import FieldAct, Job, Visit, VisitEntry
from schedules.visits.order import in_order
from schedules.visits.workshop import going_back

MOVES = (FieldAct.Kind.MOVE_UNIT, FieldAct.Kind.SWAP_UNITS, FieldAct.Kind.GIVE_BACK)


def carry_out(
    visit: Visit,
    entries: Iterable[VisitEntry],
    *,
    on: date,
    by: Person,
    now: datetime,
    others: bool = True,
) -> set[int]:
    """Move units as ``entries`` and, with ``others``, the visit's moves say; return the units touched.

    Raises ``Conflict`` where a unit that is to be hung is no longer free.
    """
    entry_of: dict[int, VisitEntry] = {}
    work = _Work(visit, on=on, by=by, now=now)
    for entry in entries:
        if entry.act_id is None:
            work.touched |= work.entry(entry)
        else:
            entry_of[entry.act_id] = entry
    acts = [entry.act for entry in entry_of.values() if entry.act is not None]
    if others:
        acts += FieldAct.objects.filter(visit=visit, kind__in=MOVES).effective()
    for act in in_order(acts):
        work.touched |= work.entry(entry_of[act.pk]) if act.pk in entry_of else work.move(act)
    return work.touched


def carry_out_move(visit: Visit, act: FieldAct, *, on: date, by: Person, now: datetime) -> set[int]:
    """Carry out one move that arrived after its visit had ended; return the units touched."""
    return _Work(visit, on=on, by=by, now=now).move(act)


class _Work:
    """The moves of one visit on one day."""

    def __init__(self, visit: Visit, *, on: date, by: Person, now: datetime) -> None:
        self.visit, self.on, self.by, self.now = visit, on, by, now
        self.touched: set[int] = set()

    # --- results --------------------------------------------------------------------------------

    def entry(self, entry: VisitEntry) -> set[int]:
        """What one result does to its unit."""
        unit = entry.unit
        if unit.pk in self.touched:
            unit.refresh_from_db()  # An earlier move of the same visit has taken it elsewhere.
        result = VisitEntry.Result(entry.result)
        if result == VisitEntry.Result.SERVICED:
            was_taken_down = unit.pk in self.touched and unit.location_id is None
            if unit.state in Unit.HANGING or was_taken_down:
                return set()
            set_state(unit, unit.state_when_hanging)
        elif result == VisitEntry.Result.FAILED:
            set_state(unit, Unit.State.AWAITING_RECHARGE)
        elif result == VisitEntry.Result.NOT_FOUND:
            set_state(unit, Unit.State.NOT_FOUND)
        elif result == VisitEntry.Result.REMOVED:
            return self._removed(entry)
        elif result == VisitEntry.Result.REPLACED:
            return self._replaced(entry)
        else:
            return set()
        return {unit.pk}

    def _removed(self, entry: VisitEntry) -> set[int]:
        if entry.disposition == VisitEntry.Disposition.LOANER:
            return self._lent(entry)
        unit = entry.unit
        if entry.disposition == VisitEntry.Disposition.CONDEMNED:
            self._take_down(entry, Unit.State.CONDEMNED)
            self._void_elsewhere(unit)
        elif entry.disposition == VisitEntry.Disposition.RECHARGE:
            self._take_down(entry, Unit.State.AWAITING_RECHARGE, keep_site=True)
        else:
            self._take_down(entry, Unit.State.IN_WORKSHOP, keep_site=True)
        return {unit.pk}

    def _take_down(self, entry: VisitEntry, state: str, *, keep_site: bool = False) -> None:
        take_down_unit(
            entry.unit,
            on=self.on,
            to_state=state,
            keep_site=keep_site,
            to_store=self._van(entry.made_by_id),
            by=self.by,
            reason=entry.get_result_display(),
            ref=self.visit.public_id,
        )

    def _lent(self, entry: VisitEntry) -> set[int]:
        unit = entry.unit
        given: dict[str, Any] = entry.replacement or {}
        loaner = Unit.objects.get(number=given["unit_number"])
        if unit.location is None:
            raise Conflict(
                "unit_hangs_nowhere",
                f"Unit {unit.number} hangs nowhere, so nothing can hang in its place. "
                "Take the loan back and record where the loaner hangs.",
            )
        custody.lend(
            loaner,
            unit.location,
            in_place_of=unit,
            on=self.on,
            by=self.by,
            expected_back_on=date.fromisoformat(given["expected_back_on"])
            if given.get("expected_back_on")
            else None,
            taken_to=self._van(entry.made_by_id),
            despite=entry.remarks[:120] or "the only one at hand",
            ref=self.visit.public_id,
            client_ref=uuid.uuid5(entry.client_ref, "loan"),
        )
        return {unit.pk, loaner.pk}

    def _replaced(self, entry: VisitEntry) -> set[int]:
        unit = entry.unit
        location = unit.location
        condemned = entry.disposition == VisitEntry.Disposition.CONDEMNED
        self._take_down(entry, Unit.State.CONDEMNED if condemned else Unit.State.WITHDRAWN)
        self._void_elsewhere(unit)
        successor = self._successor(entry)
        if location is not None:
            hang_unit(successor, location, on=self.on, by=self.by, reason=f"Replaces {unit.number}")
        return {unit.pk, successor.pk}

    def _van(self, person_id: int) -> Store | None:
        """The van that a technician keeps, where there is just one."""
        vans = list(
            Store.objects.filter(kind=Store.Kind.VAN, keeper=person_id, is_closed=False).order_by("pk")[:2]
        )
        return vans[0] if len(vans) == 1 else None

    def _void_elsewhere(self, unit: Unit) -> None:
        """Take work off other visits on which nobody could give ``unit`` a result any more."""
        Job.objects.filter(unit=unit, visit__state__in=Visit.OPEN).exclude(visit=self.visit).delete()

    def _successor(self, entry: VisitEntry) -> Unit:
        given: dict[str, Any] = entry.replacement or {}
        if given.get("unit_number"):
            spare = Unit.objects.filter(number=given["unit_number"], state=Unit.State.IN_STOCK).first()
            if spare is None:
                raise Conflict(
                    "replacement_not_in_stock",
                    f"Unit {given['unit_number']} is no longer in our stock. "
                    "Name the unit that hangs there now.",
                )
            return spare
        unit = Unit(
            number=unit_numbers(1)[0],
            model=UnitModel.objects.get(public_id=given["model"]),
            site=self.visit.site,
            serial=str(given.get("serial", ""))[:60],
            commissioned_on=self.on,
        )
        unit.made = read_stamp(
            str(given.get("made", "")),
            today=self.now.astimezone(ZoneInfo(self.visit.site.time_zone)).date(),
        ).stamp
        unit.full_clean()
        unit.save()
        return unit

    # --- moves ----------------------------------------------------------------------------------

    def move(self, act: FieldAct) -> set[int]:
        """What one move does; a unit that was never added or is gone by now stays where it is."""
        unit = self._unit(act.unit_ref)
        if unit is None or unit.state in Unit.GONE:
            return set()
        if act.kind == FieldAct.Kind.SWAP_UNITS:
            return self._swap(unit, act)
        location = (
            Location.objects.filter(public_id=act.location_ref, site=self.visit.site_id).first()
            if act.location_ref is not None
            else None
        )
        if act.kind == FieldAct.Kind.GIVE_BACK:
            return self._give_back(unit, location, act)
        if location is None or unit.location_id == location.pk:
            return set()
        hang_unit(unit, location, on=self.on, by=self.by, reason="Moved", ref=self.visit.public_id)
        return {unit.pk}

    def _swap(self, unit: Unit, act: FieldAct) -> set[int]:
        other = self._unit(uuid.UUID(str(act.content["other"])))
        if other is None or other.state in Unit.GONE:
            return set()
        here, there = unit.location, other.location
        if here is None or there is None or here == there:
            return set()
        for one, place in ((unit, there), (other, here)):
            hang_unit(one, place, on=self.on, by=self.by, reason="Places changed", ref=self.visit.public_id)
        return {unit.pk, other.pk}

    def _give_back(self, unit: Unit, location: Location | None, act: FieldAct) -> set[int]:
        if unit.location_id is not None:
            return set()
        loaners = Unit.objects.filter(loans__in_place_of=unit, loans__ended_on__isnull=True)
        touched = {unit.pk, *loaners.values_list("pk", flat=True)}
        # It hangs there, whatever the office would have said: but not as one that works.
        found = going_back(unit, self.now)
        why = found.forbids or found.asks
        custody.give_back(
            unit,
            on=self.on,
            by=self.by,
            location=location,
            loaner_to=self._van(act.made_by_id),
            ref=self.visit.public_id,
            reason=f"Brought back. {why}" if why else "Brought back",
            to_state=Unit.State.AWAITING_RECHARGE if why else None,
        )
        return touched

    def _unit(self, ref: uuid.UUID | None) -> Unit | None:
        if ref is None:
            return None
        unit = Unit.objects.filter(public_id=ref).select_related("location", "model").first()
        return None if unit is None else survivors({ref: unit})[ref]
