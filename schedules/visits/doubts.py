"""The office check: what came in is looked over by rule, and a person says what it was.

A doubt holds nothing up: records stand, due dates move and the certificate goes out. It is shown to the
desk with its evidence until somebody has looked; nothing is dropped or blocked in silence.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError

from inventory.errors import Conflict
from inventory.logbook.models import Reading
from inventory.measures import plausibility, readings
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.measures.plausibility import Before, Finding, Seen, Thresholds
from inventory.measures.stamps import StampError, read_stamp
from inventory.people import Person
from inventory.register.models import local_today
from schedules.visits.models import Doubt, DoubtLimit, FieldAct, Visit, VisitEntry
from schedules.visits.recording import entries_in_order

_FILLING = {Task.RECHARGE, Task.EXTENDED_SERVICE, Task.WORKSHOP_SERVICE, Task.HYDROSTATIC_TEST}
_MAX_EVIDENCE = 20


def look_over(visit: Visit, *, now: datetime) -> list[Doubt]:
    """Look a visit's records over and store what is doubtful about them; return the new doubts.

    Safe to run again: a doubt that is known already, settled or not, is left as it is.
    """
    stated = entries_in_order(visit)
    thresholds = current_thresholds()
    found = [
        *plausibility.look(_seen(visit, stated), thresholds),
        *_about_people(visit, stated),
        *_about_clocks(visit, thresholds),
        *_about_day(visit),
        *_about_twice(stated),
        *_about_marks(visit, stated, now=now),
        *_about_late(visit, stated),
    ]
    known = set(Doubt.objects.filter(visit=visit).values_list("kind", "subject"))
    new = [
        Doubt(
            visit=visit,
            kind=one.kind,
            subject=one.subject[:80],
            sentence=one.sentence[:400],
            evidence=list(one.evidence[:_MAX_EVIDENCE]),
            found_at=now,
        )
        for one in {(f.kind, f.subject[:80]): f for f in found}.values()
        if (one.kind, one.subject[:80]) not in known
    ]
    return Doubt.objects.bulk_create(new)


def settle_doubt(doubt: Doubt, note: str, *, by: Person, now: datetime) -> Doubt:
    """State what a person found when looking; raises ``Conflict`` when somebody else was faster."""
    note = note.strip()
    if not note:
        raise ValidationError({"note": "Say what you found when you looked, for instance who was asked."})
    moved = Doubt.objects.filter(pk=doubt.pk, settled_at__isnull=True).update(
        settled_at=now, settled_by_id=by.pk, settled_note=note[:300]
    )
    doubt.refresh_from_db()
    if not moved:
        raise Conflict("doubt_settled", "Somebody has looked at this already. Read what they found.")
    return doubt


def current_thresholds() -> Thresholds:
    """The thresholds in force: as shipped, with what a manager changed."""
    return plausibility.thresholds_from(dict(DoubtLimit.objects.values_list("name", "value")))


def set_threshold(name: str, value: float, *, by: Person, now: datetime) -> None:
    """Change one threshold for what is looked over from now on."""
    if name not in plausibility.THRESHOLD_WORDS:
        raise ValidationError({"name": f"There is no threshold {name}."})
    if not 0 < value < 1e6:
        raise ValidationError({name: "Enter a figure above 0."})
    DoubtLimit.objects.update_or_create(
        name=name, defaults={"value": value, "changed_at": now, "changed_by_id": by.pk}
    )


# --- what the rules are asked about ------------------------------------------------------------------


def _seen(visit: Visit, stated: Iterable[VisitEntry]) -> list[Seen]:
    entries = list(stated)
    before = _earlier_values(visit, {entry.unit_id for entry in entries})
    site = visit.site
    centre = (
        (float(site.latitude), float(site.longitude))
        if site.latitude is not None and site.longitude is not None
        else None
    )
    found = []
    for entry in entries:
        values: dict[str, float] = {}
        typed: dict[str, str] = {}
        for reading in entry.readings:
            quantity = readings.Quantity(reading["quantity"])
            read = readings.read_value(quantity, reading["value"], reading["unit"])
            values[quantity] = float(read.measure.canonical)
            typed[quantity] = f"{reading['value']} {reading['unit']}"
        act = entry.act
        found.append(
            Seen(
                unit=entry.unit.number,
                at=act.counts_at if act is not None else entry.received_at,
                by=entry.made_by.display_name,
                device=str(act.device_ref or "") if act is not None else "",
                # Entries from the pages are typed in afterwards, often all at once.
                is_serviced=entry.result == VisitEntry.Result.SERVICED
                and act is not None
                and act.device_ref is not None,
                is_filled=bool(_FILLING & set(entry.tasks)),
                values=values,
                typed=typed,
                before=before.get(entry.unit_id, {}),
                distance_m=_distance(act, centre),
            )
        )
    return found


def _distance(act: FieldAct | None, centre: tuple[float, float] | None) -> float | None:
    """How far from the site an act was recorded, less how unsure the phone was of its place."""
    scan: Mapping[str, Any] = (act.content.get("scan") or {}) if act is not None else {}
    if centre is None or scan.get("latitude_deg") is None or scan.get("longitude_deg") is None:
        return None
    there = (float(scan["latitude_deg"]), float(scan["longitude_deg"]))
    return max(0.0, plausibility.distance_m(centre, there) - float(scan.get("accuracy_m") or 0))


def _earlier_values(visit: Visit, unit_ids: set[int]) -> dict[int, dict[str, Before]]:
    """The last value of each quantity before this visit, unless the unit was filled after it."""
    rows = (
        Reading.objects.filter(
            record__unit__in=unit_ids, record__corrected_by__isnull=True, record__done_last__isnull=False
        )
        .exclude(record__visit_ref=visit.public_id)
        .order_by("record__done_last", "pk")
        .values_list("record__unit_id", "quantity", "base_value", "record__done_last")
    )
    found: dict[int, dict[str, Before]] = defaultdict(dict)
    for unit_id, quantity, value, on in rows:
        if on is not None:
            found[unit_id][quantity] = Before(on, value)
    return found


def _about_people(visit: Visit, stated: Iterable[VisitEntry]) -> list[Finding]:
    people = {entry.made_by_id: entry.made_by for entry in stated}
    if visit.done_on is None:
        return []
    found = [
        plausibility.licence_finding(
            person.display_name, expired_on=person.licence_expires_on, done_on=visit.done_on
        )
        for person in people.values()
    ]
    return [one for one in found if one is not None]


def _about_clocks(visit: Visit, thresholds: Thresholds) -> list[Finding]:
    worst: dict[UUID, float] = {}
    rows = FieldAct.objects.filter(visit=visit, device_ref__isnull=False, drift_s__isnull=False)
    for device, drift_s in rows.values_list("device_ref", "drift_s"):
        if device is not None and drift_s is not None and abs(drift_s) > abs(worst.get(device, 0.0)):
            worst[device] = drift_s
    found = [
        plausibility.clock_finding(str(device), drift_s, thresholds) for device, drift_s in worst.items()
    ]
    return [one for one in found if one is not None]


def _about_day(visit: Visit) -> list[Finding]:
    if visit.done_on is None:
        return []
    acts = FieldAct.objects.filter(visit=visit, device_ref__isnull=False)
    told = acts.exclude(kind__in=[FieldAct.Kind.START, FieldAct.Kind.UNDO])
    days = {local_today(visit.site, at) for at in told.values_list("counts_at", flat=True)}
    found = plausibility.day_finding(visit.done_on, days)
    return [found] if found is not None else []


def _about_twice(stated: Iterable[VisitEntry]) -> list[Finding]:
    by_unit: dict[int, list[VisitEntry]] = defaultdict(list)
    for entry in stated:
        by_unit[entry.unit_id].append(entry)
    return [
        Finding(
            "twice",
            rows[0].unit.number,
            f"{len({row.made_by_id for row in rows})} people recorded unit {rows[0].unit.number}; "
            "all of it is kept, the last counts for the visit.",
            tuple(f"{row.made_by.display_name}: {row.get_result_display().lower()}" for row in rows),
        )
        for rows in by_unit.values()
        if len({row.made_by_id for row in rows}) > 1
    ]


def _about_marks(visit: Visit, stated: Iterable[VisitEntry], *, now: datetime) -> list[Finding]:
    today = local_today(visit.site, now)
    found = []
    for entry in stated:
        unit = entry.unit
        for mark in entry.marks:
            told = ""
            if mark["what"] == "serial" and unit.serial and unit.serial != mark["mark"]:
                told = f"serial {mark['mark']}, registered {unit.serial}"
            elif mark["what"] == "made" and unit.made_first is not None and unit.made_last is not None:
                try:
                    stamp = read_stamp(mark["mark"], today=today).stamp
                except StampError:
                    continue
                if stamp.first is None or stamp.last is None:
                    continue
                if stamp.last < unit.made_first or stamp.first > unit.made_last:
                    told = f"made {mark['mark']}, registered {unit.made}"
            if told:
                found.append(
                    Finding(
                        "marks_differ",
                        f"{mark['what']} {unit.number}",
                        f"What was read off unit {unit.number} is not what the register holds.",
                        (told,),
                    )
                )
    return found


def _about_late(visit: Visit, stated: Iterable[VisitEntry]) -> list[Finding]:
    if visit.closed_at is None:
        return []
    return [
        Finding(
            "late",
            entry.unit.number,
            f"A result for unit {entry.unit.number} arrived after the visit was closed. It is in the "
            "logbook; the certificate does not list it until it is issued again.",
            (", ".join([f"{entry.made_by.display_name}: {entry.get_result_display().lower()}", *tasks]),),
        )
        for entry in stated
        if entry.received_at > visit.closed_at
        for tasks in [[TASK_LABELS[Task(task)].lower() for task in entry.tasks]]
    ]


def open_doubts(visit_ids: Iterable[int]) -> dict[int, int]:
    """How many doubts nobody has looked at, by visit."""
    counts: dict[int, int] = defaultdict(int)
    for visit_id in Doubt.objects.open().filter(visit__in=list(visit_ids)).values_list("visit_id", flat=True):
        counts[visit_id] += 1
    return dict(counts)
