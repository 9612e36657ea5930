"""What is stated about a unit during a visit: checking it, storing it, reading what counts."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F, Value
from django.db.models.functions import Coalesce

from inventory.errors import Conflict
from inventory.logbook.services import NewReading
from inventory.measures import limits, readings
from inventory.measures.kinds import TASK_LABELS, Agent, Construction, Task
from inventory.measures.stamps import StampError, read_stamp
from inventory.people import Person
from inventory.register.custody import exchange_refused
from inventory.register.models import Unit, UnitModel, local_today
from inventory.register.queries import condemned_serials
from schedules.visits.models import FieldAct, Visit, VisitEntry
from schedules.visits.order import counting_instant, in_order

OPEN_TO_RECORDING = (Visit.State.CONFIRMED, Visit.State.UNDER_WAY)

# Which act a result stands for when it comes from a page or the plain API.
_KIND_OF = {
    VisitEntry.Result.SERVICED: FieldAct.Kind.RESULT,
    VisitEntry.Result.FAILED: FieldAct.Kind.RESULT,
    VisitEntry.Result.REPLACED: FieldAct.Kind.EXCHANGE,
    VisitEntry.Result.REMOVED: FieldAct.Kind.TO_WORKSHOP,
    VisitEntry.Result.NOT_FOUND: FieldAct.Kind.NOT_FOUND,
    VisitEntry.Result.NO_ACCESS: FieldAct.Kind.NO_ACCESS,
}


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
    disposition: str = ""
    checks: tuple[Mapping[str, Any], ...] = ()
    parts: tuple[Mapping[str, Any], ...] = ()
    marks: tuple[Mapping[str, str], ...] = ()


def add_entry(
    visit: Visit,
    entry: EntryInput,
    *,
    by: Person,
    now: datetime,
    act: FieldAct | None = None,
    is_begun: bool = False,
) -> tuple[VisitEntry, bool]:
    """Store what a technician states about one unit; return the entry and whether it is new.

    ``act`` is the act of a phone behind it, not yet stored; without one, an act is made of the entry,
    so that everything stated on a visit stands among its acts. With one, a visit that was closed
    meanwhile still takes the entry. ``is_begun`` says that the same transaction has put the visit under
    way already, so that nobody can close it before this ends.

    A resend with the same reference and content returns the stored entry; other content under the
    same reference raises ``Conflict``. Raises ``ValidationError`` naming the field for: a unit of
    another site, a task that is not of the trade, a measured value that is missing, impossible or
    outside its limit on a serviced unit, a replacement that is incomplete.
    """
    digest = _entry_digest(entry)
    if act is None:
        stored = VisitEntry.objects.filter(client_ref=entry.client_ref).first()
        if stored is not None:
            return _same_entry(stored, visit, digest), False
        refuse_survey(visit)
        refuse_closed(visit)
    _check_entry(visit, entry, now=now)
    try:
        with transaction.atomic():
            row = VisitEntry.objects.create(
                client_ref=entry.client_ref,
                act=_stored_act(act, visit, entry, digest, by=by, now=now),
                content_digest=digest,
                visit=visit,
                unit=entry.unit,
                result=entry.result,
                tasks=list(entry.tasks),
                readings=[dict(r) for r in entry.readings],
                method=entry.method,
                replacement=dict(entry.replacement) if entry.replacement else None,
                disposition=entry.disposition,
                checks=[dict(c) for c in entry.checks],
                parts=[dict(p) for p in entry.parts],
                marks=[dict(m) for m in entry.marks],
                remarks=entry.remarks,
                made_by_id=by.pk,
                device_at=entry.device_at,
                received_at=now,
            )
            if not is_begun and not begin(visit, now=now) and act is None:
                refuse_closed(visit)
    except IntegrityError:
        stored = VisitEntry.objects.filter(client_ref=entry.client_ref).first()
        if stored is None:
            raise
        return _same_entry(stored, visit, digest), False
    return row, True


def begin(visit: Visit, *, now: datetime) -> bool:
    """Put an open visit under way; false when it is not open (any more). ``visit`` is read again."""
    moved = Visit.objects.filter(pk=visit.pk, state__in=OPEN_TO_RECORDING).update(
        state=Visit.State.UNDER_WAY,
        started_at=Coalesce("started_at", Value(now)),
        version=F("version") + 1,
    )
    visit.refresh_from_db()
    return bool(moved)


def _stored_act(
    act: FieldAct | None, visit: Visit, entry: EntryInput, digest: str, *, by: Person, now: datetime
) -> FieldAct:
    if act is None:
        act = FieldAct(
            act_id=entry.client_ref,
            content_digest=digest,
            visit=visit,
            kind=_KIND_OF[VisitEntry.Result(entry.result)],
            unit_ref=entry.unit.public_id,
            content=_content_of(entry),
            device_at=entry.device_at,
            counts_at=counting_instant(device_at=None, drift_s=None, received_at=now),
            received_at=now,
            made_by_id=by.pk,
        )
    if act._state.adding:  # One that waited is stored already.
        act.save()
    return act


def _content_of(entry: EntryInput) -> dict[str, Any]:
    """What a phone would have sent for this entry; see the acts of the API."""
    content: dict[str, Any] = {"outcome": entry.result}
    for name in ("tasks", "readings"):
        if given := getattr(entry, name):
            content[name] = [dict(item) if isinstance(item, Mapping) else item for item in given]
    if entry.replacement:
        content["replacement"] = dict(entry.replacement)
    for name in ("method", "remarks"):
        if text := getattr(entry, name):
            content[name] = text
    return content


def _same_entry(stored: VisitEntry, visit: Visit, digest: str) -> VisitEntry:
    if stored.visit_id != visit.pk or stored.content_digest != digest:
        raise Conflict(
            "reference_reused",
            "This reference was already used for another entry. Nothing was changed; "
            "record the unit again with a new reference.",
        )
    return stored


def refuse_survey(visit: Visit) -> None:
    """Raise ``Conflict`` for a survey: work recorded on it would count nowhere."""
    if visit.kind == Visit.Kind.SURVEY:
        raise Conflict(
            "is_survey",
            f"Visit {visit.number} is a survey: units are read in the app on the phone. Work on a unit is "
            "recorded on a service visit.",
        )


def refuse_closed(visit: Visit) -> None:
    """Raise ``Conflict`` unless ``visit`` takes what is recorded on it."""
    if visit.state not in OPEN_TO_RECORDING:
        raise Conflict(
            "visit_not_open",
            f"Visit {visit.number} is {visit.get_state_display().lower()}; "
            "nothing more can be recorded on it. "
            "A correction is made on the unit's record.",
            state=visit.state,
        )


def _entry_digest(entry: EntryInput) -> str:
    content: list[Any] = [
        str(entry.unit.public_id),
        entry.result,
        sorted(entry.tasks),
        [sorted(r.items()) for r in entry.readings],
        entry.method,
        sorted(entry.replacement.items()) if entry.replacement else None,
        entry.remarks,
        entry.device_at.timestamp() if entry.device_at else None,
    ]
    # Only what goes beyond a plain entry, so that those stored before keep their digest.
    more = [entry.disposition, entry.checks, entry.parts, entry.marks]
    if any(more):
        content.append(more)
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()


def _check_entry(visit: Visit, entry: EntryInput, *, now: datetime) -> None:
    unit = entry.unit
    if visit.kind == Visit.Kind.SURVEY:
        raise ValidationError(
            {
                "visit": f"Visit {visit.number} is a survey: units are read in the app, "
                "work needs a service visit."
            }
        )
    if unit.site_id != visit.site_id and not _is_of_visit(visit, unit):
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
    if entry.disposition == VisitEntry.Disposition.LOANER:
        _check_loaner(entry.replacement)
    elif entry.result == VisitEntry.Result.REPLACED:
        _check_replacement(entry.replacement, today=local_today(visit.site, now))
        if entry.disposition != VisitEntry.Disposition.CONDEMNED and not entry.remarks.strip():
            why = exchange_refused(visit.site.owner_id, visit.site_id, local_today(visit.site, now))
            if why:
                raise ValidationError({"remarks": why})
    elif entry.replacement:
        raise ValidationError({"replacement": "Only a replaced unit names a replacement."})


def _is_of_visit(visit: Visit, unit: Unit) -> bool:
    """Whether the list or an earlier statement ties ``unit`` to ``visit``, wherever it hangs by now."""
    return visit.jobs.filter(unit=unit).exists() or visit.entries.filter(unit=unit).exists()


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
            {
                "replacement": "Name the unit that now hangs there: by its number, or a new one by "
                "model, serial and date of manufacture."
            }
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
    model = UnitModel.objects.filter(public_id=model_id).first() if model_id is not None else None
    if model is None:
        raise ValidationError(
            {"replacement": "Choose the model of the new unit from the list of unit models."}
        )
    for unit in condemned_serials([(model.maker, replacement.get("serial", ""))]).values():
        raise ValidationError(
            {
                "replacement": f"Serial {unit.serial} was condemned as unit {unit.number}. That shell "
                "must not hang again: take it down and tell the workshop."
            }
        )
    try:
        read_stamp(replacement.get("made", ""), today=today)
    except StampError as error:
        raise ValidationError({"replacement": f"Manufacture date of the new unit: {error}"}) from error


def _check_loaner(given: Mapping[str, str] | None) -> None:
    number = (given or {}).get("unit_number", "")
    # Whether it is free is asked when it is hung: where it was before may arrive after this.
    if not Unit.objects.filter(number=number, is_loaner=True).exists():
        raise ValidationError(
            {"loaner": f"Unit {number or '?'} is not one of our loaners. Check the number on its label."}
        )


def _uuid_or_none(text: str) -> uuid.UUID | None:
    try:
        return uuid.UUID(str(text))
    except ValueError:
        return None


def entries_in_order(visit: Visit, unit: Unit | None = None) -> list[VisitEntry]:
    """Every entry of ``visit``, or of one unit, not taken back, in the order in which they were made."""
    rows = VisitEntry.objects.filter(visit=visit).effective()
    if unit is not None:
        rows = rows.filter(unit=unit)
    found = list(rows.select_related("unit__model", "unit__location", "made_by", "act").order_by("pk"))
    # Entries from before acts were kept stand first, in the order in which they came.
    by_act = {row.act_id: row for row in found if row.act is not None}
    ordered = in_order(row.act for row in found if row.act is not None)
    return [row for row in found if row.act is None] + [by_act[act.pk] for act in ordered]


def last_entries(visit: Visit, unit: Unit | None = None) -> dict[int, VisitEntry]:
    """The entry that counts for each unit id: the last one made, whenever it arrived."""
    return {row.unit_id: row for row in entries_in_order(visit, unit)}


def tally(entries: Iterable[VisitEntry]) -> dict[str, int]:
    """Counts per result, every result named."""
    found = Counter(entry.result for entry in entries)
    return {result: found.get(result, 0) for result in VisitEntry.Result.values}
