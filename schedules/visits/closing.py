"""Closing a visit: counts that reconcile, records that move the due dates, units that moved."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.logbook.defects import settle_with_units
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewRecord, add_records
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp, read_stamp
from inventory.people import Person
from inventory.register.changes import FactSource
from inventory.register.facts import Because, note_change
from inventory.register.models import Site, Unit, local_today
from inventory.register.services import facts_changed
from schedules.due.services import refresh_units
from schedules.visits.doubts import look_over
from schedules.visits.models import Job, Visit, VisitEntry
from schedules.visits.moving import carry_out
from schedules.visits.recording import OPEN_TO_RECORDING, entries_in_order, judge_readings, tally

BACKDATE_DAYS = 60


@dataclass(frozen=True, slots=True)
class Closing:
    """What the technician states when closing."""

    counts: Mapping[str, int]
    done_on: date | None = None
    contact_name: str = ""
    no_signature_reason: str = ""
    refs: Mapping[str, str] = field(default_factory=dict)
    signature: Mapping[str, Any] | None = None


@transaction.atomic
def close_visit(visit: Visit, closing: Closing, *, by: Person, now: datetime) -> Visit:
    """Close a visit: write its records, move the units and their due dates.

    Everything or nothing, in one transaction. Raises ``Conflict`` when the visit is not open, when a
    unit of the visit has no entry, or when the stated counts differ from the entries, and
    ``ValidationError`` for a day that cannot be or a missing name.
    """
    if visit.kind == Visit.Kind.SURVEY:
        raise Conflict(
            "is_survey",
            f"Visit {visit.number} is a survey: it is counted and signed in the app on the phone, and no "
            "certificate is issued for it.",
        )
    done_on = check_closing(visit, closing, now=now)
    # Claim the visit first: of two closings at once, one finds nothing left to claim.
    claimed = Visit.objects.filter(pk=visit.pk, state__in=OPEN_TO_RECORDING).update(
        state=Visit.State.CLOSED,
        closed_at=now,
        closed_by=by,
        done_on=done_on,
        contact_name=closing.contact_name.strip(),
        no_signature_reason=closing.no_signature_reason.strip(),
        signature=dict(closing.signature) if closing.signature else None,
        version=F("version") + 1,
    )
    if not claimed:
        visit.refresh_from_db()
        raise Conflict(
            "visit_not_open",
            f"Visit {visit.number} is {visit.get_state_display().lower()} and cannot be closed."
            + (" It was already closed; its records stand." if visit.state == Visit.State.CLOSED else ""),
            state=visit.state,
        )
    stated = entries_in_order(visit)
    entries = {entry.unit_id: entry for entry in stated}
    jobs = list(visit.jobs.select_related("unit").order_by("pk"))
    _reconcile(visit, jobs, entries, closing.counts)
    records = _write_records(
        visit, jobs, [*entries.values(), *_twice(stated, entries)], on=done_on, by=by, now=now
    )
    touched = carry_out(visit, entries.values(), on=done_on, by=by, now=now)
    touched |= _take_marks(visit, entries.values(), now=now)
    _settle_what_is_gone(entries.values(), by=by, now=now)
    counts = tally(entries.values())
    counts["on_list"] = len({job.unit_id for job in jobs})
    Visit.objects.filter(pk=visit.pk).update(counts=counts)
    refresh_units({*(record.unit_id for record in records), *touched}, now=now)
    visit.refresh_from_db()
    look_over(visit, now=now)
    return visit


def check_closing(visit: Visit, closing: Closing, *, now: datetime) -> date:
    """Return the civil day on which a visit was done; ``ValidationError`` for a day that cannot be or
    when neither a name nor a reason for none is given."""
    today = local_today(visit.site, now)
    done_on = closing.done_on or today
    if done_on > today:
        raise ValidationError(
            {"done_on": f"{done_on} lies in the future. Enter the day on which the work was done."}
        )
    if done_on < today - timedelta(days=BACKDATE_DAYS):
        raise ValidationError(
            {
                "done_on": f"{done_on} is more than {BACKDATE_DAYS} days ago. "
                "Ask a manager to enter it as a correction."
            }
        )
    if not closing.contact_name.strip() and not closing.no_signature_reason.strip():
        raise ValidationError(
            {"contact_name": "Print the name of the person you reported to, or say why there was none."}
        )
    return done_on


@transaction.atomic
def record_late(visit: Visit, entry: VisitEntry, *, by: Person, now: datetime) -> None:
    """Make records of an entry that arrived after its visit had ended, and move its unit.

    The visit's counts and certificate stay as they were issued; what came late is told to the desk.
    The unit only moves when nothing stated later about it counts.
    """
    stated = entries_in_order(visit)
    counting = {row.unit_id: row for row in stated}[entry.unit_id]
    done_on = local_day(visit.site, entry.act.counts_at if entry.act is not None else now)
    jobs = list(visit.jobs.filter(unit=entry.unit, record__isnull=True).select_related("unit"))
    records = _write_records(visit, jobs, [entry], on=done_on, by=by, now=now)
    touched: set[int] = set()
    if counting.pk == entry.pk:
        touched = carry_out(visit, [entry], on=done_on, by=by, now=now, others=False)
        touched |= _take_marks(visit, [entry], now=now)
        _settle_what_is_gone([entry], by=by, now=now)
    refresh_units({*(record.unit_id for record in records), *touched}, now=now)
    look_over(visit, now=now)


def local_day(site: Site, at: datetime) -> date:
    """The civil day at ``site`` at the instant ``at``."""
    return at.astimezone(ZoneInfo(site.time_zone)).date()


def _reconcile(
    visit: Visit, jobs: Sequence[Job], entries: Mapping[int, VisitEntry], stated: Mapping[str, int]
) -> None:
    numbers = {job.unit_id: job.unit.number for job in jobs}
    missing = sorted(number for unit_id, number in numbers.items() if unit_id not in entries)
    if missing:
        shown = ", ".join(missing[:10]) + (f" and {len(missing) - 10} more" if len(missing) > 10 else "")
        raise Conflict(
            "units_without_result",
            f"{len(missing)} of {len(numbers)} units on visit {visit.number} have no result yet: {shown}. "
            "Record each one; not found and no access are results too.",
            units=missing,
        )
    found = tally(entries.values())
    differing = {
        result: {"stated": int(stated.get(result, 0)), "recorded": count}
        for result, count in found.items()
        if int(stated.get(result, 0)) != count
    }
    if differing:
        parts = [
            f"{VisitEntry.Result(result).label.lower()} {pair['stated']} stated, {pair['recorded']} recorded"
            for result, pair in differing.items()
        ]
        raise Conflict(
            "counts_do_not_reconcile",
            f"The counts of visit {visit.number} do not add up: {'; '.join(parts)}. "
            "Check the list against your count before you close.",
            counts=differing,
        )


_OUTCOMES = {
    VisitEntry.Result.SERVICED: ServiceRecord.Outcome.PASSED,
    VisitEntry.Result.FAILED: ServiceRecord.Outcome.FAILED,
    VisitEntry.Result.REPLACED: ServiceRecord.Outcome.REPLACED,
    VisitEntry.Result.REMOVED: ServiceRecord.Outcome.REMOVED,
    VisitEntry.Result.NOT_FOUND: ServiceRecord.Outcome.NOT_FOUND,
    VisitEntry.Result.NO_ACCESS: ServiceRecord.Outcome.NO_ACCESS,
}


def _twice(stated: Sequence[VisitEntry], counting: Mapping[int, VisitEntry]) -> list[VisitEntry]:
    """Work on a unit that another person did as well: both serviced it, so both are recorded."""
    kept: dict[tuple[int, int], VisitEntry] = {}
    for entry in stated:
        other = counting[entry.unit_id]
        if (
            entry.result == other.result == VisitEntry.Result.SERVICED
            and entry.made_by_id != other.made_by_id
        ):
            kept[entry.unit_id, entry.made_by_id] = entry
    return list(kept.values())


def _write_records(
    visit: Visit,
    jobs: Sequence[Job],
    entries: Iterable[VisitEntry],
    *,
    on: date,
    by: Person,
    now: datetime,
) -> list[ServiceRecord]:
    jobs_of: dict[int, list[Job]] = defaultdict(list)
    for listed in jobs:
        jobs_of[listed.unit_id].append(listed)
    new: list[NewRecord] = []
    job_of_record: list[Job | None] = []
    linked: set[int] = set()
    for entry in entries:
        by_task = {job.task: job for job in jobs_of.get(entry.unit_id, [])}
        if entry.result == VisitEntry.Result.SERVICED or (
            entry.result == VisitEntry.Result.FAILED and entry.tasks
        ):
            tasks = list(dict.fromkeys(entry.tasks))
        else:
            tasks = list(by_task) or [Task.MAINTENANCE.value]
        judged = judge_readings(entry.unit, entry.readings)
        for position, task in enumerate(tasks):
            new.append(
                NewRecord(
                    unit_id=entry.unit_id,
                    task=task,
                    outcome=_OUTCOMES[VisitEntry.Result(entry.result)].value,
                    done=Stamp.on(on),
                    received_at=now,
                    # Derived, so that closing cannot write the same fact twice under two names.
                    client_ref=uuid.uuid5(entry.client_ref, task),
                    method=entry.method if task in (Task.HYDROSTATIC_TEST, Task.REQUALIFICATION) else "",
                    site_id=visit.site_id,
                    location_id=entry.unit.location_id,
                    visit_ref=visit.public_id,
                    performed_by_id=entry.made_by_id,
                    performed_by_name=entry.made_by.display_name,
                    remarks=entry.remarks,
                    device_at=entry.device_at,
                    readings=judged if position == 0 else (),
                )
            )
            job = by_task.get(task)
            job_of_record.append(job if job is not None and job.pk not in linked else None)
            if job is not None:
                linked.add(job.pk)
    records = add_records(new)
    moved = []
    for record, done in zip(records, job_of_record, strict=True):
        if done is not None:
            done.record = record
            moved.append(done)
    Job.objects.bulk_update(moved, ["record"], batch_size=500)
    return records


def _settle_what_is_gone(entries: Iterable[VisitEntry], *, by: Person, now: datetime) -> None:
    """Settle the open defects of units that were replaced or condemned: nobody will repair them there."""
    gone = {
        "Unit replaced": VisitEntry.Result.REPLACED,
        "Unit condemned and taken away": VisitEntry.Result.REMOVED,
    }
    stated = list(entries)
    for how, result in gone.items():
        ids = [
            entry.unit_id
            for entry in stated
            if entry.result == result
            and (
                result == VisitEntry.Result.REPLACED or entry.disposition == VisitEntry.Disposition.CONDEMNED
            )
        ]
        if ids:
            settle_with_units(ids, how, by=by, at=now)


def _take_marks(visit: Visit, entries: Iterable[VisitEntry], *, now: datetime) -> set[int]:
    """Put what was read off the shells into the register where it held nothing; return the units touched.

    What the register holds already is not overwritten: a difference becomes a doubt for the desk. A
    test mark becomes a record with the shell as its evidence, unless one as late stands already.
    """
    marked = [entry for entry in entries if entry.marks]
    if not marked:
        return set()
    today = local_today(visit.site, now)
    touched: set[int] = set()
    known: dict[tuple[int, str], date] = {}
    for unit_id, task, last in (
        ServiceRecord.objects.standing()
        .of_units(entry.unit_id for entry in marked)
        .filter(outcome=ServiceRecord.Outcome.PASSED)
        .exclude(done_last__isnull=True)
        .values_list("counts_for", "task", "done_last")
    ):
        if last is not None:
            known[unit_id, task] = max(last, known.get((unit_id, task), last))
    records: list[NewRecord] = []
    # What was not known is known now: no paper said otherwise.
    read = Because(f"Read on visit {visit.number}.", FactSource.SHELL_STAMP, is_correction=False)
    for entry in marked:
        unit = entry.unit
        for mark in entry.marks:
            what, text = mark["what"], mark["mark"]
            if what == "serial":
                if not unit.serial and Unit.objects.filter(pk=unit.pk, serial="").update(serial=text[:60]):
                    note_change(unit, "serial", "", text[:60], read, by=entry.made_by, at=now)
                    touched.add(unit.pk)
                continue
            stamp = read_stamp(text, today=today).stamp
            if what == "made":
                if unit.made_first is None:
                    note_change(unit, "made", unit.made, stamp, read, by=entry.made_by, at=now)
                    unit.made = stamp
                    unit.save(update_fields=["made_first", "made_last", "made_precision", "made_raw"])
                    touched.add(unit.pk)
            elif stamp.last is not None and stamp.last > known.get((unit.pk, what), date.min):
                records.append(
                    NewRecord(
                        unit_id=unit.pk,
                        task=what,
                        outcome=ServiceRecord.Outcome.PASSED.value,
                        done=stamp,
                        received_at=now,
                        client_ref=uuid.uuid5(entry.client_ref, f"mark {what}"),
                        evidence=ServiceRecord.Evidence.SHELL_STAMP.value,
                        site_id=visit.site_id,
                        performed_by_name="",
                        remarks=f"Read off the shell by {entry.made_by.display_name}.",
                        device_at=entry.device_at,
                    )
                )
                touched.add(unit.pk)
    facts_changed(touched)
    add_records(records)
    return touched
