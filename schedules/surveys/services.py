"""Planning a survey, settling what it found, and writing it into the register at the end.

Nothing of what was stated on site changes the register before somebody at the desk has settled every
difference and finished the survey; then all of it is written in one transaction, or none.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.logbook.defects import NewDefect, state_defect
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewRecord, add_records, correct_record
from inventory.measures.kinds import Agent, Construction, Shell, Task
from inventory.measures.plates import FACTS, Form, charge_of
from inventory.measures.stamps import Stamp
from inventory.measures.units import Dimension
from inventory.people import Person
from inventory.register.changes import FactSource
from inventory.register.facts import (
    Because,
    Corrected,
    as_seen,
    as_text,
    correct_row,
    correct_units,
    facts_of,
    field_label,
    model_like,
    note_change,
)
from inventory.register.models import Location, Site, Unit, UnitModel, local_today
from inventory.register.services import draw_numbers, facts_changed, hang_unit, set_state, unit_numbers
from schedules.certificates.corrections import flag_certificates
from schedules.certificates.services import close_with_certificate
from schedules.due.services import refresh_units
from schedules.surveys.findings import KEEP, TAKE, Difference, Seen, Status, Walk
from schedules.surveys.models import Survey, SurveyDecision
from schedules.surveys.queries import expected_of, walk_of
from schedules.surveys.report import outcome_digest, report_content
from schedules.visits.closing import Closing, check_closing
from schedules.visits.models import Visit
from schedules.visits.recording import OPEN_TO_RECORDING
from schedules.visits.services import assign_visit, confirm_visit, share_visit

MINUTES_PER_UNIT = 6
"""Take-over survey and labelling of one unit, with photos; common practice, no source. A planning default."""
MOST_AT_ONCE = 2000
LONGEST_MINUTES = 24 * 60

# --- planning ------------------------------------------------------------------------------------------


@transaction.atomic
def plan_survey(
    site: Site,
    *,
    planned_on: date,
    technician: Person | None,
    companions: Sequence[Person] = (),
    expected_units: int | None = None,
    note: str = "",
    by: Person,
    now: datetime,
) -> Survey:
    """Plan a survey of ``site``, also of one without a unit, and return it; confirmed with a technician.

    ``expected_units`` is what the customer says; without it what the register holds. Raises
    ``ValidationError`` for a day in the past, a person who may not go, or when one is open already.
    """
    if Survey.objects.filter(visit__site=site, visit__state__in=Visit.OPEN).exists():
        raise ValidationError(
            {"planned_on": "A survey of this site is open already. Add people to it, or cancel it first."}
        )
    if planned_on < local_today(site, now):
        raise ValidationError({"planned_on": f"{planned_on} has passed at the site. Choose a later day."})
    if expected_units is None:
        expected_units = expected_of([site.pk]).count()
    visit = Visit.objects.create(
        number=f"V-{draw_numbers('visit', 1)[0]:06d}",
        site=site,
        kind=Visit.Kind.SURVEY,
        planned_on=planned_on,
        planned_minutes=min(LONGEST_MINUTES, max(MINUTES_PER_UNIT, MINUTES_PER_UNIT * expected_units)),
        proposed_by_id=by.pk,
    )
    survey = Survey.objects.create(
        visit=visit,
        expected_units=expected_units,
        note=note.strip(),
        planned_by_id=by.pk,
        planned_at=now,
    )
    if technician is not None:
        visit = assign_visit(
            visit, technician=technician, planned_on=planned_on, version=visit.version, now=now
        )
        visit = confirm_visit(visit, version=visit.version, now=now)
    if companions:
        visit = share_visit(visit, companions, version=visit.version)
    survey.visit = visit
    return survey


# --- on site -------------------------------------------------------------------------------------------


def close_any(visit: Visit, closing: Closing, *, by: Person, now: datetime) -> object:
    """Close a visit by its kind: a service with its certificate, a survey without one."""
    if visit.kind == Visit.Kind.SURVEY:
        return close_walk(visit, closing, by=by, now=now)
    return close_with_certificate(visit, closing, by=by, now=now)


@transaction.atomic
def close_walk(visit: Visit, closing: Closing, *, by: Person, now: datetime) -> Visit:
    """End the walk of a survey: keep the counts and the signature; the desk settles and finishes.

    The counts are those of the phone on which it was signed. What a colleague's phone sends later still
    counts; the desk is shown where the two differ. Raises what ``close_visit`` raises of the day and name.
    """
    done_on = check_closing(visit, closing, now=now)
    claimed = Visit.objects.filter(pk=visit.pk, state__in=OPEN_TO_RECORDING).update(
        state=Visit.State.CLOSED,
        closed_at=now,
        closed_by=by.pk,
        done_on=done_on,
        contact_name=closing.contact_name.strip(),
        no_signature_reason=closing.no_signature_reason.strip(),
        signature=dict(closing.signature) if closing.signature else None,
        version=F("version") + 1,
    )
    visit.refresh_from_db()
    if not claimed:
        raise Conflict(
            "visit_not_open",
            f"Survey {visit.number} is {visit.get_state_display().lower()} and cannot be closed.",
            state=visit.state,
        )
    Survey.objects.filter(visit=visit).update(
        counts_stated={str(name): int(count) for name, count in closing.counts.items()}
    )
    return visit


# --- settling ------------------------------------------------------------------------------------------


@transaction.atomic
def settle(
    survey: Survey, seen: Mapping[str, str], choice: str, *, reason: str, by: Person, now: datetime
) -> int:
    """Decide the differences whose keys ``seen`` names; return how many.

    ``seen`` maps each key to the digest of what the person looked at (``Difference.digest("")``): when it
    has changed meanwhile, ``Conflict`` says so and nothing is decided. Keeping the register and asking
    again need a reason.
    """
    if choice not in SurveyDecision.Choice.values:
        raise ValidationError({"choice": "Choose: take what was found, keep the register, or ask again."})
    reason = reason.strip()
    if choice != TAKE and not reason:
        raise ValidationError(
            {"reason": "Say why the register stands." if choice == KEEP else "Say what is to be asked."}
        )
    if not seen:
        raise ValidationError({"key": "Tick at least one difference."})
    if len(seen) > MOST_AT_ONCE:
        raise ValidationError({"key": f"Settle at most {MOST_AT_ONCE} at once."})
    _claim(survey)
    _refuse_finished(survey)
    if choice == SurveyDecision.Choice.ASK and survey.visit.state not in Visit.OPEN:
        raise ValidationError(
            {
                "choice": "The walk has ended: nobody is on site to be asked. Take or keep, "
                "or plan another survey."
            }
        )
    differences = {one.key: one for one in walk_of(survey, now=now).differences}
    changed = [
        key for key, digest in seen.items() if key not in differences or differences[key].digest("") != digest
    ]
    if changed:
        raise Conflict(
            "difference_changed",
            f"{len(changed)} of these changed since you looked: something came in from site or in the "
            "register. Nothing was settled; look again.",
        )
    SurveyDecision.objects.bulk_create(
        SurveyDecision(
            survey=survey,
            key=key,
            choice=choice,
            reason=reason[:300],
            seen_digest=differences[key].digest(choice),
            made_by_id=by.pk,
            made_at=now,
        )
        for key in seen
    )
    return len(seen)


def _claim(survey: Survey) -> None:
    """Let one at a time settle or finish: the row stays locked to the end of the transaction."""
    Survey.objects.filter(pk=survey.pk).update(expected_units=F("expected_units"))
    survey.refresh_from_db()


def _refuse_finished(survey: Survey) -> None:
    if survey.finished_at is not None:
        raise Conflict("survey_finished", "This survey is finished; its register stands. Plan another one.")


# --- finishing -----------------------------------------------------------------------------------------


def lacking(survey: Survey, walk: Walk) -> list[str]:
    """What keeps ``survey`` from being finished, a sentence each; empty when nothing does."""
    found = []
    if survey.visit.state != Visit.State.CLOSED:
        found.append("The walk has not been ended and signed on the phone yet.")
    counts = walk.counts
    if open_units := counts[Status.OPEN]:
        found.append(f"{_units(open_units)} on the list nobody has looked for yet.")
    if asked := sum(one.choice == SurveyDecision.Choice.ASK for one in walk.differences):
        found.append(f"{asked} question{'s' if asked != 1 else ''} wait for an answer from site.")
    if unsettled := sum(one.choice == "" for one in walk.differences):
        found.append(f"{unsettled} difference{'s are' if unsettled != 1 else ' is'} not settled.")
    return found + list(dict.fromkeys(walk.lacking))


def _units(count: int) -> str:
    return f"{count} unit{'s' if count != 1 else ''}"


@transaction.atomic
def finish(survey: Survey, *, by: Person, now: datetime) -> Survey:
    """Write a settled survey into the register, bring due dates up to date and freeze the outcome.

    One transaction. Raises ``Conflict`` naming all that is lacking, or when it is finished already.
    """
    _claim(survey)
    _refuse_finished(survey)
    walk = walk_of(survey, now=now)
    if problems := lacking(survey, walk):
        raise Conflict("survey_not_ready", " ".join(problems), lacking=problems)
    writing = _Writing(survey, walk, by=by, now=now)
    touched = writing.all()
    flag_certificates((change for done in writing.corrected for change in done.changes), now=now)
    refresh_units(touched, now=now)
    content = report_content(survey, walk, now=now, numbers=writing.numbers, changes=writing.changes)
    survey.finished_at, survey.finished_by_id, survey.outcome = now, by.pk, content
    survey.outcome_digest = outcome_digest(content)
    survey.save(update_fields=["finished_at", "finished_by", "outcome", "outcome_digest"])
    return survey


_FIELDS: Mapping[str, str] = {
    "agent": "agent",
    "construction": "construction",
    "shell": "shell",
    "maker": "maker",
    "charge": "charge_text",
    "wheeled": "is_wheeled",
    "refillable": "is_refillable",
    "working_pressure": "working_pressure_kpa",
    "test_pressure": "test_pressure_kpa",
    "full_mass": "full_mass_g",
    "serial": "serial",
    "made": "made",
}
"""The register's field of each fact that it keeps."""

_EVIDENCE: Mapping[str, str] = {
    "tests": ServiceRecord.Evidence.SHELL_STAMP,
    "test_label": ServiceRecord.Evidence.TEST_LABEL,
    "internal_label": ServiceRecord.Evidence.TEST_LABEL,
    "last_service": ServiceRecord.Evidence.TAG,
}


class _Writing:
    """Everything that one finished survey does to the register."""

    def __init__(self, survey: Survey, walk: Walk, *, by: Person, now: datetime) -> None:
        self.survey, self.walk, self.by, self.now = survey, walk, by, now
        self.visit = survey.visit
        self.site = survey.visit.site
        self.on = survey.visit.done_on or local_today(self.site, now)
        self.choice = {one.key: one for one in walk.differences}
        self.touched: set[int] = set()
        self.corrected: list[Corrected] = []
        self.numbers: dict[UUID, str] = {}
        self.changes: list[str] = []
        self.records: list[NewRecord] = []
        self.models: dict[str, UnitModel] = {}
        self.places: dict[UUID, Location] = {
            row.public_id: row for row in Location.objects.filter(site=self.site)
        }
        refs = [seen.ref for seen in walk.units if seen.listed is not None]
        self.units = {
            unit.public_id: unit
            for unit in Unit.objects.filter(public_id__in=refs).select_related("model", "location", "site")
        }

    def all(self) -> set[int]:
        """Write it; return the ids of the units whose dates may move."""
        self._places()
        for seen in self.walk.units:
            if seen.listed is not None:
                self._known(seen)
            elif self._takes(f"U:{seen.ref}:extra"):
                self._extra(seen)
        add_records(self.records)
        self._remarks()
        facts_changed(self.touched)
        return self.touched

    def _takes(self, key: str) -> bool:
        one = self.choice.get(key)
        return one is not None and one.choice == TAKE

    def _because(self, one: Difference | None, source: str) -> Because:
        said = f" {one.reason}" if one is not None and one.reason else ""
        # Where the register held nothing, nothing was wrong, and no paper said otherwise.
        return Because(f"As found on survey {self.visit.number}.{said}"[:300], source, one is not None)

    def _note(self, subject: str, corrected: Corrected) -> None:
        """Keep what was corrected for the report and for papers that stated it otherwise."""
        self.corrected.append(corrected)
        self.touched |= corrected.unit_ids
        self.changes += [
            f"{subject}: {field_label(one).lower()} {one.old_words or 'nothing'} to {one.new_words}."
            for one in corrected.changes
        ]

    # --- places ---------------------------------------------------------------------------------

    def _places(self) -> None:
        """Places that are new, details that were taken, and the order in which the site was walked."""
        walk = self.walk
        for ref in walk.new_places:
            place = walk.places[ref]
            location = Location(
                public_id=ref,
                site=self.site,
                number=self._free_number(place.number),
                building=place.building,
                floor=place.floor,
                description=place.description,
            )
            if place.environment:
                location.environment = place.environment
            location.full_clean(exclude=["site"])
            location.save()
            self.places[ref] = location
        for ref, names in walk.place_fills.items():
            self._describe(self.places[ref], ref, names)
        order: list[Location] = []
        for walked in walk.walked:
            row = self._place(walked)
            if row is not None and row not in order:
                order.append(row)
        here = set(order)
        rest = [row for row in self.places.values() if row not in here]
        order += sorted(rest, key=lambda row: (row.walking_order, row.number))
        for position, row in enumerate(order, start=1):
            row.walking_order = 10 * position
        Location.objects.bulk_update(order, ["walking_order"], batch_size=500)

    def _free_number(self, number: str) -> str:
        """``number``, or the next one beside it where another place of the site has it."""
        taken = {row.number for row in self.places.values()}
        candidate, n = number[:30], 1
        while candidate in taken:
            n += 1
            candidate = f"{number[:26]}-{n}"
        return candidate

    def _describe(self, row: Location, ref: UUID, names: Sequence[str]) -> None:
        place, decision = self.walk.places[ref], self.choice.get(f"P:{ref}:place")
        changes = {name: getattr(place, name) for name in names}
        number = changes.get("number", row.number)
        if Location.objects.filter(site=self.site, number=number).exclude(pk=row.pk).exists():
            raise Conflict(
                "place_number_taken",
                f"Place {row.number} was found numbered {number}, but another place has that number. "
                "Keep the register there, or correct the other place first.",
            )
        self._note(
            row.number,
            correct_row(row, changes, self._because(decision, FactSource.ON_SITE), by=self.by, at=self.now),
        )
        self.touched |= set(Unit.objects.filter(location=row).values_list("pk", flat=True))

    def _place(self, ref: UUID | None) -> Location | None:
        place = self.walk.place_of(ref)
        return self.places.get(place.ref) if place is not None else None

    # --- units ----------------------------------------------------------------------------------

    def _known(self, seen: Seen) -> None:
        unit = self.units[seen.ref]
        self.numbers[seen.ref] = unit.number
        if seen.status is Status.MISSING:
            if self._takes(f"U:{seen.ref}:missing"):
                set_state(unit, Unit.State.NOT_FOUND)
                self.touched.add(unit.pk)
                self.changes.append(f"{unit.number}: not found.")
            return
        if seen.status not in (Status.FOUND, Status.DIFFERS):
            return
        self._facts(unit, seen)
        if self._takes(f"U:{seen.ref}:label"):
            self._renumber(unit, seen.label)
        if self._takes(f"U:{seen.ref}:place"):
            self._move(unit, seen)
        elif unit.state == Unit.State.NOT_FOUND:
            set_state(unit, unit.state_when_hanging)
            self.changes.append(f"{unit.number}: found again.")
        self._doubts(unit, seen)
        self._defects(unit, seen)
        self.numbers[seen.ref] = unit.number
        self.touched.add(unit.pk)

    def _facts(self, unit: Unit, seen: Seen) -> None:
        """Facts of a known unit that were taken or that the register did not hold, each with its reason."""
        by_reason: dict[Because, dict[str, Any]] = {}
        for code, reading in seen.readings.items():
            key = f"U:{seen.ref}:{code}"
            if not (reading.answer.is_read and (code in seen.fills or self._takes(key))):
                continue
            if FACTS[code].task is not None:
                self._record(unit, seen, code, void_weaker=self._takes(key))
            elif code in _FIELDS:
                source = FactSource.SHELL_STAMP if code == "made" else FactSource.NAMEPLATE
                because = self._because(self.choice.get(key), source)
                by_reason.setdefault(because, {}).update(_register_values(seen, code))
        for because, changes in by_reason.items():
            fresh = Unit.objects.select_related("model", "location", "site").get(pk=unit.pk)
            before = facts_of(fresh)
            if any(as_text(before[name]) != as_text(value) for name, value in changes.items()):
                self._note(unit.number, correct_units([fresh], changes, because, by=self.by, at=self.now))
        unit.refresh_from_db()

    def _renumber(self, unit: Unit, label: str) -> None:
        if Unit.objects.filter(number=label).exclude(pk=unit.pk).exists():
            raise Conflict(
                "number_taken",
                f"Label {label} on unit {unit.number} is the number of another unit. "
                "Keep the register there, and print the unit a label of its own.",
            )
        note_change(
            unit,
            "number",
            unit.number,
            label,
            self._because(self.choice.get(f"U:{unit.public_id}:label"), FactSource.ON_SITE),
            by=self.by,
            at=self.now,
        )
        self.changes.append(f"{unit.number}: carries the label {label} now.")
        unit.number = label
        unit.full_clean()
        unit.save(update_fields=["number"])

    def _move(self, unit: Unit, seen: Seen) -> None:
        place = self._place(seen.place_ref)
        if place is None:
            return
        hang_unit(
            unit,
            place,
            on=self.on,
            by=self.by,
            reason=f"Found there on survey {self.visit.number}",
            ref=self.visit.public_id,
        )
        self.changes.append(f"{unit.number}: hangs at {place.number} now.")

    def _doubts(self, unit: Unit, seen: Seen) -> None:
        """What could not be read stays said on the unit until somebody reads it."""
        sentences = [
            f"{label}: {words} on survey {self.visit.number}."
            for label, words in seen.unread
            if label not in ("Collar on the neck", "Agent as printed")
        ]
        doubts = [one for one in unit.doubts if one not in sentences] + sentences
        if doubts != unit.doubts:
            unit.doubts = doubts
            unit.save(update_fields=["doubts"])

    def _extra(self, seen: Seen) -> None:
        place = self._place(seen.place_ref)
        if place is None:
            raise Conflict(
                "extra_without_place",
                f"Unit {seen.number} was found, but not where. Ask for its place, or keep it off the "
                "register.",
            )
        number = seen.label
        if number and Unit.objects.filter(number=number).exists():
            raise Conflict(
                "number_taken",
                f"Label {number} at {place.number} is the number of a unit that is registered elsewhere. "
                "Keep it off the register here and move that unit, or print this one a label of its own.",
            )
        unit = Unit(
            public_id=seen.ref,
            number=number or unit_numbers(1)[0],
            model=self._model(seen),
            site=self.site,
            serial=_register_values(seen, "serial").get("serial", ""),
        )
        made = _stamp_of(seen, "made")
        unit.made = made if made is not None else Stamp.unknown(_estimate(seen, "made"))
        unit.full_clean(exclude=["model", "site"])
        unit.save()
        hang_unit(
            unit,
            place,
            on=self.on,
            by=self.by,
            reason=f"Found on survey {self.visit.number}",
            ref=self.visit.public_id,
        )
        for code, fact in FACTS.items():
            if fact.task is not None and code in seen.readings and seen.readings[code].answer.is_read:
                self._record(unit, seen, code, void_weaker=False)
        self._doubts(unit, seen)
        self._defects(unit, seen)
        self.numbers[seen.ref] = unit.number
        self.touched.add(unit.pk)
        self.changes.append(f"{unit.number}: new at {place.number}.")

    def _model(self, seen: Seen) -> UnitModel:
        values: dict[str, Any] = {
            "agent": Agent.UNKNOWN.value,
            "construction": Construction.UNKNOWN.value,
            "shell": Shell.UNKNOWN.value,
        }
        for code in _FIELDS:
            if code not in ("serial", "made"):
                values |= _register_values(seen, code)
        key = as_seen(values)
        if key not in self.models:
            self.models[key] = model_like(None, values)
        return self.models[key]

    # --- records, defects -------------------------------------------------------------------------

    def _record(self, unit: Unit, seen: Seen, code: str, *, void_weaker: bool) -> None:
        """Dates on the unit become records with what they rest on; never our own work."""
        task = FACTS[code].task
        assert task is not None
        answer = seen.readings[code].answer
        if void_weaker:
            self._void_weaker(unit, task, code)
        dates = (
            [(test.stamp, test.tester, test.mark) for test in answer.tests]
            if FACTS[code].form is Form.TESTS
            else [(answer.value, "", answer.text)]
        )
        known = self._held(unit, task)
        for stamp, tester, mark in dates:
            if not isinstance(stamp, Stamp) or not stamp.is_known or (stamp.first, stamp.last) in known:
                continue
            self.records.append(
                NewRecord(
                    unit_id=unit.pk,
                    task=task.value,
                    outcome=ServiceRecord.Outcome.PASSED.value,
                    done=stamp,
                    received_at=self.now,
                    client_ref=uuid.uuid5(self.survey.public_id, f"{seen.ref}|{code}|{stamp}|{tester}"),
                    evidence=str(_EVIDENCE[code]),
                    site_id=self.site.pk,
                    location_id=unit.location_id,
                    visit_ref=self.visit.public_id,
                    performed_by_name=tester,
                    remarks=f"“{mark}”, read by {seen.readings[code].by} on survey {self.visit.number}.",
                )
            )
            self.changes.append(f"{unit.number}: {FACTS[code].label.lower()} {stamp} added to its records.")

    def _held(self, unit: Unit, task: Task) -> set[tuple[date | None, date | None]]:
        if unit.public_id not in self.units:
            return set()
        return set(
            ServiceRecord.objects.standing()
            .filter(unit=unit, task=task, outcome=ServiceRecord.Outcome.PASSED)
            .values_list("done_first", "done_last")
        )

    def _void_weaker(self, unit: Unit, task: Task, code: str) -> None:
        """Claims that weigh less than what was read and say something later no longer stand."""
        order = list(ServiceRecord.Evidence.values)
        weight = order.index(str(_EVIDENCE[code]))
        rows = ServiceRecord.objects.standing().filter(
            unit=unit, task=task, outcome=ServiceRecord.Outcome.PASSED
        )
        for row in rows.order_by("sequence"):
            if row.evidence != ServiceRecord.Evidence.OWN_WORK and order.index(row.evidence) > weight:
                correct_record(
                    row,
                    reason=f"The shell shows another date; survey {self.visit.number}",
                    by=self.by,
                    at=self.now,
                    outcome=ServiceRecord.Outcome.VOID,
                )

    def _defects(self, unit: Unit, seen: Seen) -> None:
        for given in seen.defects:
            self._state(given, seen.acts[-1].act_id, unit_id=unit.pk)

    def _remarks(self) -> None:
        for remark in self.walk.remarks:
            place = self._place(remark.place_ref)
            if place is not None:
                self._state(remark.content, remark.act_id, location_id=place.pk)

    def _state(
        self,
        given: Mapping[str, Any],
        act_id: UUID,
        *,
        unit_id: int | None = None,
        location_id: int | None = None,
    ) -> None:
        state_defect(
            NewDefect(
                UUID(str(given["id"])),
                str(given["code"]),
                str(given.get("severity") or ""),
                str(given.get("action") or ""),
                str(given.get("remarks") or ""),
                tuple(UUID(str(ref)) for ref in given.get("photos") or ()),
            ),
            site_id=self.site.pk,
            on=self.on,
            at=self.now,
            by=self.by,
            visit_ref=self.visit.public_id,
            act_ref=act_id,
            unit_id=unit_id,
            location_id=location_id,
        )


def _stamp_of(seen: Seen, code: str) -> Stamp | None:
    reading = seen.readings.get(code)
    if reading is None or not reading.answer.is_read or not isinstance(reading.answer.value, Stamp):
        return None
    stamp = reading.answer.value
    return Stamp(stamp.first, stamp.last, stamp.precision, reading.answer.text[:60])


def _estimate(seen: Seen, code: str) -> str:
    """What was said of a date that is not known, for whoever looks at the unit later."""
    reading = seen.readings.get(code)
    return reading.answer.words[:60] if reading is not None and not reading.answer.is_read else ""


def _register_values(seen: Seen, code: str) -> dict[str, Any]:
    """A fact that was read, by field of the register and in its form; empty for what was not read."""
    reading = seen.readings.get(code)
    if reading is None or not reading.answer.is_read:
        return {}
    answer, name = reading.answer, _FIELDS[code]
    match FACTS[code].form:
        case Form.YES_NO:
            return {name: answer.text == "yes"}
        case Form.STAMP:
            stamp = _stamp_of(seen, code)
            return {name: stamp} if stamp is not None else {}
        case Form.CHARGE:
            measured = charge_of(answer.text)
            mass = volume = None
            if measured is not None and measured[0] is Dimension.MASS:
                mass = round(measured[1])
            elif measured is not None:
                volume = round(measured[1])
            return {name: answer.text[:30], "charge_mass_g": mass, "charge_volume_ml": volume}
        case Form.MASS | Form.PRESSURE:
            return {name: round(answer.value[1])} if isinstance(answer.value, tuple) else {}
        case _:
            return {name: answer.text[: 60 if code == "serial" else 100]}
