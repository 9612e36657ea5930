"""From what is due at a site to a closed visit."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewReading, NewRecord, add_records
from inventory.measures import limits, readings
from inventory.measures.kinds import TASK_LABELS, Agent, Construction, Task
from inventory.measures.stamps import Stamp, StampError, read_stamp
from inventory.people import Person
from inventory.register.models import AccessWindow, Site, Unit, UnitModel, local_today
from inventory.register.services import draw_numbers, hang_unit, set_state, take_down_unit, unit_numbers
from schedules.due.models import Obligation
from schedules.due.services import refresh_units
from schedules.visits.models import Job, Visit, VisitEntry

# How far ahead of its latest date a task may be pulled into a trip that is made anyway. Common
# practice, no source: three to six months for yearly tasks, twelve for those of five years or more.
PULL_FORWARD_DAYS: Mapping[str, int] = {
    Task.VISUAL_INSPECTION: 15,
    Task.WEIGHING: 45,
    Task.MAINTENANCE: 92,
    Task.CONDUCTIVITY_TEST: 92,
}
PULL_FORWARD_OTHERWISE_DAYS = 183
# A trip is planned this long before the first latest date, so that a refused door leaves a second try.
MARGIN_DAYS = 14
BACKDATE_DAYS = 60


@dataclass(frozen=True, slots=True)
class EntryInput:
    """What a technician states about one unit; values as typed."""

    client_ref: uuid.UUID
    unit: Unit
    result: str
    tasks: tuple[str, ...] = ()
    readings: tuple[Mapping[str, str], ...] = ()
    method: str = ""
    replacement: Mapping[str, str] | None = None
    remarks: str = ""
    device_at: datetime | None = None


# --- proposing -------------------------------------------------------------------------------


@transaction.atomic
def propose_visit(
    site: Site, *, by: Person | None, now: datetime, horizon_days: int = 92, planned_on: date | None = None
) -> Visit | None:
    """Propose a visit for what falls due at ``site`` within ``horizon_days``; None when nothing does.

    The day is the given one, or else ``MARGIN_DAYS`` before the first latest date, moved forward to a day
    on which the site lets people in and never before tomorrow. Every obligation whose latest date
    lies within its pull-forward cap of that day comes along. Work already on an open visit is left
    out. Raises ``ValidationError`` for a day in the past.
    """
    made = propose_visits([site], by=by, now=now, horizon_days=horizon_days, planned_on=planned_on)
    return made[0] if made else None


@transaction.atomic
def propose_visits(
    sites: Sequence[Site],
    *,
    by: Person | None,
    now: datetime,
    horizon_days: int = 92,
    planned_on: date | None = None,
) -> list[Visit]:
    """Propose one visit for each of ``sites`` that has work due; see ``propose_visit``.

    Set-based: the number of statements does not grow with the number of sites.
    """
    site_of = {site.pk: site for site in sites}
    due: dict[int, list[Obligation]] = defaultdict(list)
    obligations = (
        Obligation.objects.ours()
        .filter(
            site__in=site_of,
            is_binding=True,
            latest_on__isnull=False,
            unit__state__in=(*Unit.HANGING, Unit.State.AWAITING_RECHARGE, Unit.State.NOT_FOUND),
        )
        .select_related("unit")
        .order_by("site_id", "latest_on", "unit_id", "pk")
    )
    taken = set(
        Job.objects.filter(visit__site__in=site_of, visit__state__in=Visit.OPEN).values_list(
            "unit_id", "task"
        )
    )
    for row in obligations:
        if (row.unit_id, row.task) not in taken and row.site_id is not None:
            due[row.site_id].append(row)
    hours: dict[int, set[int]] = defaultdict(set)
    for site_id, weekday in AccessWindow.objects.filter(site__in=site_of).values_list("site_id", "weekday"):
        hours[site_id].add(weekday)

    visits: list[Visit] = []
    jobs_of: list[list[Obligation]] = []
    for site in sites:
        rows = due.get(site.pk, [])
        today = local_today(site, now)
        if planned_on is not None and planned_on < today:
            raise ValidationError(
                {"planned_on": f"{planned_on} has passed at {site.name}. Choose {today} or later."}
            )
        if not rows or rows[0].latest_on is None or rows[0].latest_on > today + timedelta(days=horizon_days):
            continue
        day = planned_on or _trip_day(rows[0].latest_on, today=today, weekdays=hours.get(site.pk, set()))
        included = [
            row for row in rows if row.latest_on is not None and row.latest_on <= day + _pull(row.task)
        ]
        if not included:
            continue
        visits.append(
            Visit(
                site=site,
                planned_on=day,
                latest_on=included[0].latest_on,
                proposed_by_id=by.pk if by is not None else None,
            )
        )
        jobs_of.append(included)
    if not visits:
        return []
    for visit, number in zip(visits, draw_numbers("visit", len(visits)), strict=True):
        visit.number = f"V-{number:06d}"
    Visit.objects.bulk_create(visits)
    Job.objects.bulk_create(
        [
            Job(
                visit=visit,
                unit_id=row.unit_id,
                location_id=row.unit.location_id,
                task=row.task,
                table_key=row.table_key,
                table_version=row.table_version,
                rule_id=row.rule_id,
                target_on=row.target_on,
                latest_on=row.latest_on,
            )
            for visit, rows in zip(visits, jobs_of, strict=True)
            for row in rows
        ],
        batch_size=500,
    )
    return visits


def _pull(task: str) -> timedelta:
    return timedelta(days=PULL_FORWARD_DAYS.get(task, PULL_FORWARD_OTHERWISE_DAYS))


def _trip_day(first_latest: date, *, today: date, weekdays: set[int]) -> date:
    day = max(first_latest - timedelta(days=MARGIN_DAYS), today + timedelta(days=1))
    open_on = weekdays or set(range(5))
    for _ in range(7):
        if day.weekday() in open_on:
            return day
        day += timedelta(days=1)
    return day


# --- planning by hand ------------------------------------------------------------------------


def assign_visit(
    visit: Visit, *, technician: Person | None, planned_on: date, version: int, now: datetime
) -> Visit:
    """Give a proposed or confirmed visit a technician and a day.

    ``version`` is the one the dispatcher saw; when somebody changed the visit meanwhile, ``Conflict``
    says so. Raises ``ValidationError`` for a day in the past, a person who is not a technician, or a licence
    that has expired by that day.
    """
    today = local_today(visit.site, now)
    if planned_on < today:
        raise ValidationError(
            {"planned_on": f"{planned_on} has passed at the site. Choose {today} or later."}
        )
    if technician is not None:
        if technician.role != "technician" or not technician.is_active:
            raise ValidationError({"technician": f"{technician.display_name} is not an active technician."})
        if technician.licence_expires_on is not None and technician.licence_expires_on < planned_on:
            raise ValidationError(
                {
                    "technician": f"The licence of {technician.display_name} ends on "
                    f"{technician.licence_expires_on}. Choose another person or an earlier day."
                }
            )
    if technician is None and visit.state == Visit.State.CONFIRMED:
        raise ValidationError({"technician": "A confirmed visit needs a technician."})
    moved = Visit.objects.filter(
        pk=visit.pk, version=version, state__in=(Visit.State.PROPOSED, Visit.State.CONFIRMED)
    ).update(technician=technician, planned_on=planned_on, version=F("version") + 1)
    return _after(visit, moved)


def confirm_visit(visit: Visit, *, version: int, now: datetime) -> Visit:
    """Confirm a proposed visit, so that its technician sees it."""
    if visit.technician_id is None:
        raise ValidationError({"technician": "Choose a technician before you confirm the visit."})
    if visit.planned_on < local_today(visit.site, now):
        raise ValidationError(
            {"planned_on": "The planned day has passed. Move the visit before you confirm it."}
        )
    moved = Visit.objects.filter(pk=visit.pk, version=version, state=Visit.State.PROPOSED).update(
        state=Visit.State.CONFIRMED, confirmed_at=now, version=F("version") + 1
    )
    return _after(visit, moved)


def cancel_visit(visit: Visit, *, reason: str, version: int) -> Visit:
    """Cancel a visit that has not begun; its work becomes free to be proposed again."""
    if not reason.strip():
        raise ValidationError({"reason": "Say why the visit is cancelled."})
    moved = Visit.objects.filter(
        pk=visit.pk, version=version, state__in=(Visit.State.PROPOSED, Visit.State.CONFIRMED)
    ).update(state=Visit.State.CANCELLED, cancelled_reason=reason.strip(), version=F("version") + 1)
    return _after(visit, moved)


def _after(visit: Visit, moved: int) -> Visit:
    visit.refresh_from_db()
    if not moved:
        raise Conflict(
            "visit_changed",
            f"Visit {visit.number} was changed by somebody else "
            f"and is now {visit.get_state_display().lower()}. "
            "Look at it again before you change it.",
            state=visit.state,
            version=visit.version,
        )
    return visit


# --- recording -------------------------------------------------------------------------------


def add_entry(visit: Visit, entry: EntryInput, *, by: Person, now: datetime) -> tuple[VisitEntry, bool]:
    """Store what a technician states about one unit; return the entry and whether it is new.

    A resend with the same reference and content returns the stored entry; other content under the
    same reference raises ``Conflict``. Raises ``ValidationError`` naming the field for: a unit of
    another site, a task that is not of the trade, a measured value that is missing, impossible or
    outside its limit on a serviced unit, a replacement that is incomplete.
    """
    digest = _entry_digest(entry)
    stored = VisitEntry.objects.filter(client_ref=entry.client_ref).first()
    if stored is not None:
        return _same_entry(stored, visit, digest), False
    _refuse_closed(visit)
    _check_entry(visit, entry, now=now)
    try:
        with transaction.atomic():
            row = VisitEntry.objects.create(
                client_ref=entry.client_ref,
                content_digest=digest,
                visit=visit,
                unit=entry.unit,
                result=entry.result,
                tasks=list(entry.tasks),
                readings=[dict(r) for r in entry.readings],
                method=entry.method,
                replacement=dict(entry.replacement) if entry.replacement else None,
                remarks=entry.remarks,
                made_by_id=by.pk,
                device_at=entry.device_at,
                received_at=now,
            )
            moved = Visit.objects.filter(
                pk=visit.pk, state__in=(Visit.State.CONFIRMED, Visit.State.UNDER_WAY)
            ).update(state=Visit.State.UNDER_WAY, version=F("version") + 1)
            if not moved:
                visit.refresh_from_db()
                _refuse_closed(visit)
            Visit.objects.filter(pk=visit.pk, started_at__isnull=True).update(started_at=now)
    except IntegrityError:
        stored = VisitEntry.objects.filter(client_ref=entry.client_ref).first()
        if stored is None:
            raise
        return _same_entry(stored, visit, digest), False
    visit.refresh_from_db()
    return row, True


def _same_entry(stored: VisitEntry, visit: Visit, digest: str) -> VisitEntry:
    if stored.visit_id != visit.pk or stored.content_digest != digest:
        raise Conflict(
            "reference_reused",
            "This reference was already used for another entry. Nothing was changed; "
            "record the unit again with a new reference.",
        )
    return stored


def _refuse_closed(visit: Visit) -> None:
    if visit.state not in (Visit.State.CONFIRMED, Visit.State.UNDER_WAY):
        raise Conflict(
            "visit_not_open",
            f"Visit {visit.number} is {visit.get_state_display().lower()}; "
            "nothing more can be recorded on it. "
            "A correction is made on the unit's record.",
            state=visit.state,
        )


def _entry_digest(entry: EntryInput) -> str:
    content = [
        str(entry.unit.public_id),
        entry.result,
        sorted(entry.tasks),
        [sorted(r.items()) for r in entry.readings],
        entry.method,
        sorted(entry.replacement.items()) if entry.replacement else None,
        entry.remarks,
        entry.device_at.timestamp() if entry.device_at else None,
    ]
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()


def _check_entry(visit: Visit, entry: EntryInput, *, now: datetime) -> None:
    unit = entry.unit
    if unit.site_id != visit.site_id:
        raise ValidationError(
            {
                "unit": f"Unit {unit.number} does not belong to {visit.site.name}. "
                "Check the number on its label."
            }
        )
    if entry.result not in VisitEntry.Result.values:
        raise ValidationError({"result": f"Choose one of {', '.join(VisitEntry.Result.values)}."})
    for task in entry.tasks:
        if task not in TASK_LABELS:
            raise ValidationError(
                {"tasks": f"{task!r} is not a task. Choose one of {', '.join(TASK_LABELS)}."}
            )
    judged = judge_readings(unit, entry.readings)
    if entry.result == VisitEntry.Result.SERVICED:
        _check_serviced(unit, entry, judged)
    elif entry.tasks and entry.result != VisitEntry.Result.FAILED:
        raise ValidationError({"tasks": "Only a serviced or failed unit has tasks done."})
    if entry.result in (VisitEntry.Result.FAILED, VisitEntry.Result.NO_ACCESS) and not entry.remarks.strip():
        raise ValidationError({"remarks": "Say what was found: the owner reads it on the certificate."})
    if entry.result == VisitEntry.Result.REPLACED:
        _check_replacement(entry.replacement, today=local_today(visit.site, now))
    elif entry.replacement:
        raise ValidationError({"replacement": "Only a replaced unit names a replacement."})


def _check_serviced(unit: Unit, entry: EntryInput, judged: Sequence[NewReading]) -> None:
    if not entry.tasks:
        raise ValidationError({"tasks": "Name at least one task that was done on this unit."})
    if Task.RETIREMENT in entry.tasks:
        raise ValidationError(
            {
                "tasks": "A unit at the end of its life is not serviced: "
                "record it as replaced, removed or failed."
            }
        )
    if {Task.HYDROSTATIC_TEST, Task.REQUALIFICATION} & set(entry.tasks) and not entry.method:
        raise ValidationError(
            {"method": "Say how the pressure test was made; the next interval may depend on it."}
        )
    given = {readings.Quantity(r.quantity) for r in judged}
    lacking = dict.fromkeys(
        demand.sentence
        for task in entry.tasks
        for demand in readings.missing(demands_of(unit.model, task), given)
    )
    if lacking:
        raise ValidationError(
            {
                "readings": f"Unit {unit.number}: {' '.join(lacking)} "
                "If it could not be measured, record the unit as failed or not reached."
            }
        )
    for reading in judged:
        if reading.verdict == "outside":
            raise ValidationError(
                {"readings": f"Unit {unit.number}: {reading.verdict_reason} Record the unit as failed."}
            )


def demands_of(model: UnitModel, task: str) -> tuple[readings.Demand, ...]:
    """The measured values that a pass of ``task`` needs on a unit of this model."""
    return readings.demands(Task(task), Agent(model.agent), Construction(model.construction))


def judge_readings(unit: Unit, given: Iterable[Mapping[str, str]]) -> tuple[NewReading, ...]:
    """Check measured values against physics and the unit's limits.

    ``given`` holds mappings with quantity, value and unit as typed. Raises ``ValidationError``
    naming the value that cannot be.
    """
    values: dict[readings.Quantity, readings.ValueRead] = {}
    for item in given:
        name = str(item.get("quantity", ""))
        if name not in readings.Quantity.__members__.values():
            known = ", ".join(readings.Quantity)
            raise ValidationError(
                {"readings": f"{name!r} is not a measured quantity. Choose one of {known}."}
            )
        quantity = readings.Quantity(name)
        try:
            value = readings.read_value(quantity, str(item.get("value", "")), str(item.get("unit", "")))
        except readings.ReadingError as error:
            raise ValidationError({"readings": f"Unit {unit.number}: {error.sentence}"}) from error
        if quantity in values:
            raise ValidationError(
                {
                    "readings": f"Unit {unit.number}: "
                    f"{readings.QUANTITY_LABELS[quantity].lower()} is given twice."
                }
            )
        values[quantity] = value
    verdicts = limits.judge_readings(
        nameplate_of(unit.model), {quantity: value.measure.canonical for quantity, value in values.items()}
    )
    return tuple(
        NewReading(
            quantity=quantity.value,
            entered_value=str(value.measure.entered),
            entered_unit=value.measure.unit.value,
            base_value=float(value.measure.canonical),
            verdict=verdicts[quantity].word,
            verdict_reason=f"{verdicts[quantity].sentence} ({verdicts[quantity].source})"[:300],
        )
        for quantity, value in values.items()
    )


def nameplate_of(model: UnitModel) -> limits.Nameplate:
    """What the plate of this model says, as far as a verdict needs it."""
    return limits.Nameplate(
        agent=Agent(model.agent),
        charge_mass_g=model.charge_mass_g,
        full_mass_g=model.full_mass_g,
        working_pressure_kpa=model.working_pressure_kpa,
        test_pressure_kpa=model.test_pressure_kpa,
    )


def _check_replacement(replacement: Mapping[str, str] | None, *, today: date) -> None:
    if not replacement:
        raise ValidationError(
            {"replacement": "Name the unit that now hangs there: unit_number, or model, serial and made."}
        )
    if replacement.get("unit_number"):
        spare = Unit.objects.filter(number=replacement["unit_number"]).first()
        if spare is None or spare.state != Unit.State.IN_STOCK:
            raise ValidationError(
                {
                    "replacement": f"Unit {replacement['unit_number']} is not in our stock. "
                    "Check the number on its label."
                }
            )
        return
    model_id = _uuid_or_none(replacement.get("model", ""))
    if model_id is None or not UnitModel.objects.filter(public_id=model_id).exists():
        raise ValidationError(
            {"replacement": "Choose the model of the new unit from the list of unit models."}
        )
    try:
        read_stamp(replacement.get("made", ""), today=today)
    except StampError as error:
        raise ValidationError({"replacement": f"Manufacture date of the new unit: {error}"}) from error


def _uuid_or_none(text: str) -> uuid.UUID | None:
    try:
        return uuid.UUID(str(text))
    except ValueError:
        return None


# --- closing ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Closing:
    """What the technician states when closing."""

    counts: Mapping[str, int]
    done_on: date | None = None
    contact_name: str = ""
    no_signature_reason: str = ""
    refs: Mapping[str, str] = field(default_factory=dict)


def last_entries(visit: Visit) -> dict[int, VisitEntry]:
    """The entry that counts for each unit id: the last one received."""
    rows = (
        VisitEntry.objects.filter(visit=visit).select_related("unit", "unit__model", "made_by").order_by("pk")
    )
    return {row.unit_id: row for row in rows}


def tally(entries: Iterable[VisitEntry]) -> dict[str, int]:
    """Counts per result, every result named."""
    found = Counter(entry.result for entry in entries)
    return {result: found.get(result, 0) for result in VisitEntry.Result.values}


@transaction.atomic
def close_visit(visit: Visit, closing: Closing, *, by: Person, now: datetime) -> Visit:
    """Close a visit: write its records, move the units and their due dates.

    Everything or nothing, in one transaction. Raises ``Conflict`` when the visit is not open, when a
    unit of the visit has no entry, or when the stated counts differ from the entries, and
    ``ValidationError`` for a day that cannot be or a missing name.
    """
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
    # Claim the visit first: of two closings at once, one finds nothing left to claim.
    claimed = Visit.objects.filter(
        pk=visit.pk, state__in=(Visit.State.CONFIRMED, Visit.State.UNDER_WAY)
    ).update(
        state=Visit.State.CLOSED,
        closed_at=now,
        closed_by=by,
        done_on=done_on,
        contact_name=closing.contact_name.strip(),
        no_signature_reason=closing.no_signature_reason.strip(),
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
    entries = last_entries(visit)
    jobs = list(visit.jobs.select_related("unit").order_by("pk"))
    _reconcile(visit, jobs, entries, closing.counts)
    records = _write_records(visit, jobs, entries, done_on=done_on, by=by, now=now)
    touched = _move_units(visit, entries, done_on=done_on, by=by, now=now)
    counts = tally(entries.values())
    counts["on_list"] = len({job.unit_id for job in jobs})
    Visit.objects.filter(pk=visit.pk).update(counts=counts)
    refresh_units({*(record.unit_id for record in records), *touched}, now=now)
    visit.refresh_from_db()
    return visit


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


def _write_records(
    visit: Visit,
    jobs: Sequence[Job],
    entries: Mapping[int, VisitEntry],
    *,
    done_on: date,
    by: Person,
    now: datetime,
) -> list[ServiceRecord]:
    jobs_of: dict[int, list[Job]] = defaultdict(list)
    for job in jobs:
        jobs_of[job.unit_id].append(job)
    new: list[NewRecord] = []
    job_of_record: list[Job | None] = []
    for unit_id, entry in entries.items():
        by_task: dict[str, Job | None] = {job.task: job for job in jobs_of.get(unit_id, [])}
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
                    unit_id=unit_id,
                    task=task,
                    outcome=_OUTCOMES[VisitEntry.Result(entry.result)].value,
                    done=Stamp.on(done_on),
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
            job_of_record.append(by_task.get(task))
    records = add_records(new)
    linked = []
    for record, done in zip(records, job_of_record, strict=True):
        if done is not None:
            done.record = record
            linked.append(done)
    Job.objects.bulk_update(linked, ["record"], batch_size=500)
    return records


def _move_units(
    visit: Visit, entries: Mapping[int, VisitEntry], *, done_on: date, by: Person, now: datetime
) -> set[int]:
    touched: set[int] = set()
    for unit_id, entry in entries.items():
        unit = entry.unit
        result = VisitEntry.Result(entry.result)
        if result == VisitEntry.Result.SERVICED and unit.state not in Unit.HANGING:
            set_state(unit, unit.state_when_hanging)
        elif result == VisitEntry.Result.FAILED:
            set_state(unit, Unit.State.AWAITING_RECHARGE)
        elif result == VisitEntry.Result.NOT_FOUND:
            set_state(unit, Unit.State.NOT_FOUND)
        elif result == VisitEntry.Result.REMOVED:
            take_down_unit(unit, on=done_on, to_state=Unit.State.IN_WORKSHOP, keep_site=True)
        elif result == VisitEntry.Result.REPLACED:
            location = unit.location
            take_down_unit(unit, on=done_on, to_state=Unit.State.WITHDRAWN)
            # Work planned on it elsewhere is void: nobody could give it a result any more.
            Job.objects.filter(unit=unit, visit__state__in=Visit.OPEN).exclude(visit=visit).delete()
            successor = _successor(entry, visit=visit, on=done_on, now=now)
            if location is not None:
                hang_unit(successor, location, on=done_on, by=by, reason=f"Replaces {unit.number}")
            touched.add(successor.pk)
        else:
            continue
        touched.add(unit_id)
    return touched


def _successor(entry: VisitEntry, *, visit: Visit, on: date, now: datetime) -> Unit:
    given: dict[str, Any] = entry.replacement or {}
    if given.get("unit_number"):
        spare = Unit.objects.filter(number=given["unit_number"], state=Unit.State.IN_STOCK).first()
        if spare is None:
            raise Conflict(
                "replacement_not_in_stock",
                f"Unit {given['unit_number']} is no longer in our stock. Name the unit that hangs there now.",
            )
        return spare
    unit = Unit(
        number=unit_numbers(1)[0],
        model=UnitModel.objects.get(public_id=given["model"]),
        site=visit.site,
        serial=str(given.get("serial", ""))[:60],
        commissioned_on=on,
    )
    unit.made = read_stamp(
        str(given.get("made", "")), today=now.astimezone(ZoneInfo(visit.site.time_zone)).date()
    ).stamp
    unit.full_clean()
    unit.save()
    return unit
