"""Taking in what phones did on site: late, repeated, out of order, by a wrong clock, after a new sign-in.

Every act has an id of its own. What is known already is answered as before and changes nothing; what is
new is stored, and takes effect in the same transaction; what names a unit, place or defect that has not
arrived yet, or closes a visit of which earlier acts are missing, is stored and *waits*: each later
batch tries it again. Nothing else depends on the order of arrival, because what counts is worked out
from the acts and their own order (``schedules.visits.order``) and only closing the visit turns them
into records and moves. What cannot be is refused with the field and the remedy, and stored nowhere:
it stays with the person until it is put right.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from inventory.errors import Conflict
from inventory.logbook.defects import (
    NewDefect,
    check_defect,
    reopen_defect,
    settle_defect,
    state_defect,
    void_defects_of,
)
from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.checks import About, defect_text
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.measures.plates import AnswerError, read_answer
from inventory.measures.plausibility import duration_words
from inventory.measures.stamps import StampError, read_stamp
from inventory.people import Person
from inventory.register.adding import add_found_unit, add_location, drop_found_unit, model_of_kind
from inventory.register.aliases import survivors
from inventory.register.custody import exchange_refused, wants_loaner
from inventory.register.models import Location, Unit, UnitModel, local_today
from schedules.due.services import refresh_units
from schedules.visits.closing import Closing, local_day, record_late
from schedules.visits.doubts import look_over
from schedules.visits.models import SURVEY_KINDS, FieldAct, Visit, VisitEntry, WaitingAct
from schedules.visits.moving import MOVES, carry_out_move
from schedules.visits.order import WRONG_CLOCK_S, counting_instant
from schedules.visits.recording import EntryInput, add_entry, begin

MAX_ACTS = 200
# Two people doing the same task on the same unit this close together is worth a word, not a bar.
# Common practice, no source.
SAME_TASK_DAYS = 30

NO_ACCESS_REASONS: Mapping[str, str] = {
    "locked": "Locked, no key",
    "occupied": "Room in use",
    "permit": "No permit to enter",
    "blocked": "Way blocked",
    "unsafe": "Not safe to enter",
    "refused": "Entry refused",
    "closed": "Premises closed",
    "other": "Another reason",
}

Kind = FieldAct.Kind
Result = VisitEntry.Result
Disposition = VisitEntry.Disposition
ENDED = (Visit.State.CLOSED, Visit.State.CANCELLED)
CloseVisit = Callable[..., object]


@dataclass(frozen=True, slots=True)
class NewAct:
    """One act as a phone states it; ``content`` is shaped as its kind demands."""

    act_id: UUID
    visit_ref: UUID
    kind: str
    sequence: int
    device_at: datetime
    content: Mapping[str, Any]
    unit_ref: UUID | None = None
    location_ref: UUID | None = None


@dataclass(frozen=True, slots=True)
class Sender:
    """The phone that sends, and how far its clock is off: server less phone, seconds."""

    device_ref: UUID
    app_version: str = ""
    drift_s: float | None = None


@dataclass(frozen=True, slots=True)
class Warned:
    """Something to tell about an act that was taken in."""

    code: str
    detail: str
    field: str = ""


@dataclass(slots=True)
class Taken:
    """What became of one act: ``accepted``, ``repeated``, ``waiting`` or ``refused``."""

    act_id: UUID
    status: str
    warnings: list[Warned] = field(default_factory=list)
    refusal: Exception | None = None
    visit: Visit | None = None


class Waits(Exception):
    """The act names something that has not arrived yet."""

    def __init__(self, code: str, sentence: str, **extra: Any) -> None:
        super().__init__(sentence)
        self.problem: dict[str, Any] = {"code": code, "sentence": sentence, **extra}


def take_acts(
    new: Sequence[NewAct],
    *,
    sender: Sender,
    by: Person,
    now: datetime,
    visits: Mapping[UUID, Visit],
    close: CloseVisit,
) -> list[Taken]:
    """Take in a batch of acts of one phone and answer each, in the order given.

    ``visits`` are those that ``by`` may record on; ``close`` closes a visit and issues its certificate.
    Each act is a savepoint of its own, so that a refused one takes nothing of another with it.
    """
    intake = _Intake(new, sender=sender, by=by, now=now, visits=visits, close=close)
    answers: dict[int, Taken] = {}
    for position in sorted(range(len(new)), key=lambda i: new[i].sequence):
        answers[position] = intake.take(new[position])
    for act_id, outcome in intake.try_waiting().items():
        for position, one in enumerate(new):
            if one.act_id == act_id and answers[position].status in ("waiting", "repeated"):
                answers[position] = outcome
    return [answers[position] for position in range(len(new))]


class _Intake:
    """One batch on its way in."""

    def __init__(
        self,
        new: Sequence[NewAct],
        *,
        sender: Sender,
        by: Person,
        now: datetime,
        visits: Mapping[UUID, Visit],
        close: CloseVisit,
    ) -> None:
        self.sender, self.by, self.now, self.visits, self.close = sender, by, now, visits, close
        self.touched: dict[int, Visit] = {}
        self.begun: set[int] = set()
        self.known = {
            act.act_id: act
            for act in FieldAct.objects.filter(act_id__in=[one.act_id for one in new]).select_related(
                "visit", "waiting"
            )
        }
        refs = {one.unit_ref for one in new if one.unit_ref is not None}
        self.units = {
            unit.public_id: unit
            for unit in Unit.objects.filter(public_id__in=refs).select_related("model", "site", "location")
        }
        # A phone may hold a unit that the desk has since found to be another one.
        self.units = survivors(self.units)
        # Looked up once: undoing comes seldom, and mostly before a batch has begun.
        self.undone = set(
            FieldAct.objects.filter(kind=Kind.UNDO, undoes_ref__in=[one.act_id for one in new]).values_list(
                "undoes_ref", flat=True
            )
        )
        self.recent = self._recent_work()

    # --- one act --------------------------------------------------------------------------------

    def take(self, new: NewAct) -> Taken:
        """Store one act, or say why not."""
        stored = self.known.get(new.act_id)
        digest = _digest(new, self.sender)
        if stored is not None:
            return self._repeat(stored, digest)
        visit = self.visits.get(new.visit_ref)
        try:
            if visit is None:
                raise ValidationError(
                    {"visit": "There is no such visit of yours. Ask the office whether it was given away."}
                )
            with transaction.atomic():
                return self._take_new(new, visit, digest)
        except (ValidationError, Conflict) as refusal:
            self._rolled_back(visit)
            return Taken(new.act_id, "refused", refusal=refusal, visit=visit)
        except IntegrityError:
            stored = FieldAct.objects.select_related("visit").filter(act_id=new.act_id).first()
            if stored is None:
                raise
            self.known[new.act_id] = stored
            return self._repeat(stored, digest)

    def _rolled_back(self, visit: Visit | None) -> None:
        """What a refused act had put under way is as it was; the next act sees to it again."""
        if visit is not None:
            self.begun.discard(visit.pk)

    def _repeat(self, stored: FieldAct, digest: str) -> Taken:
        if stored.content_digest != digest:
            return Taken(
                stored.act_id,
                "refused",
                refusal=Conflict(
                    "reference_reused",
                    "This id was already used for another act. Nothing was changed; "
                    "record it again under a new id.",
                ),
            )
        self.touched[stored.visit_id] = stored.visit
        waiting = getattr(stored, "waiting", None)
        if waiting is None:
            return Taken(stored.act_id, "repeated", visit=stored.visit)
        return _still(stored, waiting)

    def _take_new(self, new: NewAct, visit: Visit, digest: str) -> Taken:
        act = FieldAct(
            act_id=new.act_id,
            content_digest=digest,
            visit=visit,
            kind=new.kind,
            unit_ref=new.unit_ref,
            location_ref=new.location_ref,
            undoes_ref=UUID(str(new.content["act"])) if new.kind == Kind.UNDO else None,
            content=json.loads(json.dumps(new.content, default=str)),
            device_ref=self.sender.device_ref,
            sequence=new.sequence,
            device_at=new.device_at,
            drift_s=self.sender.drift_s,
            counts_at=counting_instant(
                device_at=new.device_at, drift_s=self.sender.drift_s, received_at=self.now
            ),
            received_at=self.now,
            app_version=self.sender.app_version,
            made_by_id=self.by.pk,
        )
        self.touched[visit.pk] = visit
        try:
            with transaction.atomic():
                warnings = self._effect(act, visit)
        except Waits as waits:
            self._rolled_back(visit)
            act.pk = None
            act._state.adding = True
            act.save()
            waiting = WaitingAct.objects.create(
                act=act,
                problem=waits.problem,
                since=self.now,
            )
            self.known[act.act_id] = act
            return _still(act, waiting)
        self.known[act.act_id] = act
        drift = self.sender.drift_s
        if drift is not None and abs(drift) > WRONG_CLOCK_S:
            warnings.append(
                Warned(
                    "clock",
                    f"The phone's clock is {duration_words(abs(drift))} off; both times are kept.",
                    "device_at",
                )
            )
        return Taken(act.act_id, "accepted", warnings, visit=visit)

    def try_waiting(self) -> dict[UUID, Taken]:
        """Try what waits on the visits of this batch until nothing moves; return what became of it."""
        outcomes: dict[UUID, Taken] = {}
        moved = bool(self.touched)
        while moved:
            moved = False
            rows = WaitingAct.objects.filter(act__visit__in=self.touched, is_refused=False)
            for waiting in rows.select_related("act__visit", "act__made_by").order_by("act__kind", "act_id"):
                act = waiting.act
                taken = self._retry(waiting, act, self.touched.get(act.visit_id, act.visit))
                outcomes[act.act_id] = taken
                moved = moved or taken.status == "accepted"
        return outcomes

    def _retry(self, waiting: WaitingAct, act: FieldAct, visit: Visit) -> Taken:
        by, self.by = self.by, act.made_by
        try:
            with transaction.atomic():
                warnings = self._effect(act, visit)
                waiting.delete()
                return Taken(act.act_id, "accepted", warnings, visit=visit)
        except Waits as waits:
            waiting.problem = waits.problem
            waiting.save(update_fields=["problem"])
            return _still(act, waiting)
        except (ValidationError, Conflict) as refusal:
            code = refusal.code if isinstance(refusal, Conflict) else "invalid"
            text = refusal.sentence if isinstance(refusal, Conflict) else " ".join(refusal.messages)
            WaitingAct.objects.filter(pk=waiting.pk).update(
                is_refused=True, problem={"code": code, "sentence": text}
            )
            return Taken(act.act_id, "refused", refusal=refusal, visit=visit)
        finally:
            self.by = by

    # --- what it means --------------------------------------------------------------------------

    def _effect(self, act: FieldAct, visit: Visit) -> list[Warned]:
        """Store the act, if it is not, and all that follows from it at once."""
        handler = _HANDLERS[Kind(act.kind)]
        _check_kind(act, visit)
        warnings: list[Warned] = handler(self, act, visit)
        if visit.state in ENDED and act.kind not in (Kind.CLOSE, Kind.START):
            warnings.append(
                Warned(
                    "after_closing",
                    f"Visit {visit.number} was {visit.get_state_display().lower()} before this arrived. "
                    "It is kept, and the office is told.",
                )
            )
        return warnings

    def _store(self, act: FieldAct) -> None:
        if act._state.adding:
            act.save()

    def _start(self, act: FieldAct, visit: Visit) -> list[Warned]:
        self._store(act)
        begin(visit, now=self.now)
        return []

    def _entry(self, act: FieldAct, visit: Visit) -> list[Warned]:
        unit = self._unit(act, visit)
        given = _entry_input(act, unit, today=local_today(visit.site, self.now))
        defects = [_defect(one) for one in act.content.get("defects", ())]
        for one in defects:
            check_defect(one, About.UNIT)
        warnings = self._same_work(act, given) + self._against_terms(visit, given)
        entry, _ = add_entry(visit, given, by=self.by, now=self.now, act=act, is_begun=visit.pk in self.begun)
        if visit.state == Visit.State.UNDER_WAY:
            # The row stays locked until the batch is stored: once is enough.
            self.begun.add(visit.pk)
        for one in defects:
            self._state(one, act, visit, unit_id=unit.pk)
        if visit.state in ENDED and act.act_id not in self.undone:
            record_late(visit, entry, by=self.by, now=self.now)
        return warnings

    def _add_unit(self, act: FieldAct, visit: Visit) -> list[Warned]:
        content = act.content
        location = self._location(act, visit)
        model = None
        if content.get("model"):
            model = UnitModel.objects.filter(public_id=content["model"]).first()
            if model is None:
                raise ValidationError({"content.model": "There is no such model. Choose one from the list."})
        if act.unit_ref is None:
            raise ValidationError({"unit": "Give the new unit an id of its own."})
        self._store(act)
        if act.act_id in self.undone:
            return []
        unit = add_found_unit(
            act.unit_ref,
            location,
            model=model or model_of_kind(content.get("kind") or {}),
            serial=content.get("serial", ""),
            made=_stamp(content.get("made", ""), "content.made", today=local_today(visit.site, self.now)),
            number=content.get("number", ""),
            on=self._day(act, visit),
            by=self.by,
            ref=visit.public_id,
        )
        self.units[unit.public_id] = unit
        refresh_units([unit.pk], now=self.now)
        begin(visit, now=self.now)
        return []

    def _move(self, act: FieldAct, visit: Visit) -> list[Warned]:
        self._unit(act, visit)
        if act.kind == Kind.MOVE_UNIT:
            self._location(act, visit)
        elif act.kind == Kind.SWAP_UNITS:
            other = UUID(str(act.content["other"]))
            if not Unit.objects.filter(public_id=other, site=visit.site_id).exists():
                raise Waits("unit_not_known", "The other unit is not known at this site yet.")
        self._store(act)
        begin(visit, now=self.now)
        if visit.state in ENDED and act.act_id not in self.undone:
            touched = carry_out_move(visit, act, on=self._day(act, visit), by=self.by, now=self.now)
            refresh_units(touched, now=self.now)
        return []

    def _unit_defect(self, act: FieldAct, visit: Visit) -> list[Warned]:
        unit = self._unit(act, visit)
        new = _defect(act.content)
        check_defect(new, About.UNIT)
        self._store(act)
        begin(visit, now=self.now)
        self._state(new, act, visit, unit_id=unit.pk)
        return []

    def _location_problem(self, act: FieldAct, visit: Visit) -> list[Warned]:
        location = self._location(act, visit)
        new = _defect(act.content)
        check_defect(new, About.LOCATION)
        self._store(act)
        begin(visit, now=self.now)
        self._state(new, act, visit, location_id=location.pk)
        return []

    def _settle(self, act: FieldAct, visit: Visit) -> list[Warned]:
        defect = Defect.objects.filter(public_id=act.content["defect"], site=visit.site_id).first()
        if defect is None:
            raise Waits("defect_not_known", "The defect that this settles has not arrived yet.")
        self._store(act)
        if act.act_id not in self.undone:
            settle_defect(defect, act.content.get("how", ""), by=self.by, at=act.counts_at)
        return []

    def _undo(self, act: FieldAct, visit: Visit) -> list[Warned]:
        undoes = act.undoes_ref
        assert undoes is not None
        target = FieldAct.objects.filter(act_id=undoes).select_related("visit").first()
        if target is not None:
            self._check_undo(target, visit)
        self._store(act)
        self.undone.add(undoes)
        if target is None:
            return []  # What it takes back will have no effect when it comes.
        WaitingAct.objects.filter(act=target).delete()
        void_defects_of(target.act_id)
        if target.kind == Kind.SETTLE_DEFECT:
            self._reopen(target)
        elif target.kind == Kind.ADD_UNIT and target.unit_ref is not None:
            unit = Unit.objects.filter(public_id=target.unit_ref, site=visit.site_id).first()
            if unit is not None:
                drop_found_unit(unit, on=self._day(act, visit), by=self.by)
                refresh_units([unit.pk], now=self.now)
        if visit.state in ENDED:
            look_over(visit, now=self.now)
        return []

    def _check_undo(self, target: FieldAct, visit: Visit) -> None:
        if target.visit_id != visit.pk or target.made_by_id != self.by.pk:
            raise ValidationError({"content.act": "Only an act of your own on this visit can be taken back."})
        if target.kind in (Kind.UNDO, Kind.CLOSE, Kind.START):
            raise ValidationError(
                {
                    "content.act": f"“{target.get_kind_display()}” cannot be taken back. "
                    "Record what is right anew."
                }
            )

    def _reopen(self, settled: FieldAct) -> None:
        """Reopen a defect unless another act that stands settled it as well."""
        defect = UUID(str(settled.content["defect"]))
        others = FieldAct.objects.filter(kind=Kind.SETTLE_DEFECT, visit=settled.visit_id).effective()
        if not any(other.content.get("defect") == str(defect) for other in others):
            reopen_defect(defect)

    def _survey(self, act: FieldAct, visit: Visit) -> list[Warned]:
        """What is stated on a survey is stored and no more: what it comes to is worked out when asked."""
        content = act.content
        today = local_today(visit.site, self.now)
        for code, given in (content.get("facts") or {}).items():
            try:
                read_answer(code, given, today=today)
            except AnswerError as error:
                raise ValidationError({f"content.facts.{code}": error.sentence}) from error
        for one in content.get("defects", ()):
            check_defect(_defect(one), About.UNIT)
        if act.kind == Kind.SURVEY_REMARK:
            check_defect(_defect(content), About.LOCATION)
        if act.kind in (Kind.SURVEY_UNIT, Kind.SURVEY_MISSING) and act.unit_ref is None:
            raise ValidationError({"unit": "Say which unit; a new one gets an id of its own."})
        if act.kind in (Kind.SURVEY_UNIT, Kind.SURVEY_PLACE, Kind.SURVEY_REMARK) and act.location_ref is None:
            raise ValidationError({"location": "Say at which place; a new one gets an id of its own."})
        unit = Unit.objects.filter(public_id=act.unit_ref).first() if act.unit_ref else None
        place = Location.objects.filter(public_id=act.location_ref).first() if act.location_ref else None
        if unit is not None and unit.site_id != visit.site_id:
            raise ValidationError({"unit": f"This unit does not belong to {visit.site.name}."})
        if place is not None and place.site_id != visit.site_id:
            raise ValidationError({"location": f"This place is not at {visit.site.name}."})
        self._store(act)
        begin(visit, now=self.now)
        return []

    def _close(self, act: FieldAct, visit: Visit) -> list[Warned]:
        content = act.content
        here = FieldAct.objects.filter(
            visit=visit, device_ref=act.device_ref, sequence__lt=act.sequence, waiting__isnull=True
        ).count()
        wanted = int(content.get("acts_before", 0))
        if here < wanted:
            raise Waits(
                "earlier_acts_missing",
                f"{wanted - here} of {wanted} acts that came before closing have not arrived. Send them; the "
                "visit is closed as soon as they are here.",
                missing=wanted - here,
            )
        self._store(act)
        if visit.state == Visit.State.CLOSED and visit.kind == Visit.Kind.SURVEY:
            # Of two who walked, each ends on the own phone; the first signature is the one that stands.
            return [Warned("closed_already", f"Survey {visit.number} was ended already. This is kept, too.")]
        if visit.state == Visit.State.CLOSED:
            raise Conflict(
                "visit_not_open",
                f"Visit {visit.number} was closed already, by {visit.closed_by or 'somebody else'}. "
                "What you recorded on it is kept.",
                state=visit.state,
            )
        self.close(
            visit,
            Closing(
                counts=content.get("counts") or content.get("survey_counts") or {},
                done_on=date.fromisoformat(str(content["done_on"])) if content.get("done_on") else None,
                contact_name=content.get("contact_name", ""),
                no_signature_reason=content.get("no_signature_reason", ""),
                signature=content.get("signature"),
            ),
            by=self.by,
            now=self.now,
        )
        visit.refresh_from_db()
        return []

    # --- what it names --------------------------------------------------------------------------

    def _unit(self, act: FieldAct, visit: Visit) -> Unit:
        if act.unit_ref is None:
            raise ValidationError({"unit": "Say which unit."})
        unit = self.units.get(act.unit_ref)
        if unit is None:
            unit = (
                Unit.objects.filter(public_id=act.unit_ref)
                .select_related("model", "site", "location")
                .first()
            )
            if unit is None:
                raise Waits("unit_not_known", "This unit is not known yet. Send the act that added it.")
            unit = survivors({act.unit_ref: unit})[act.unit_ref]
            self.units[act.unit_ref] = unit
        tied = unit.site_id == visit.site_id or visit.jobs.filter(unit=unit).exists()
        if not tied and not visit.entries.filter(unit=unit).exists():
            raise ValidationError(
                {"unit": f"This unit does not belong to {visit.site.name}. Check the number on its label."}
            )
        return unit

    def _location(self, act: FieldAct, visit: Visit) -> Location:
        new = act.content.get("new_location")
        if new:
            return add_location(
                visit.site,
                UUID(str(new["id"])),
                str(new["number"]),
                building=new.get("building", ""),
                floor=new.get("floor", ""),
                description=new.get("description", ""),
            )
        if act.location_ref is None:
            raise ValidationError({"location": "Say at which place."})
        location = Location.objects.filter(public_id=act.location_ref).first()
        if location is None:
            raise Waits("location_not_known", "This place is not known yet. Send the act that added it.")
        if location.site_id != visit.site_id:
            raise ValidationError({"location": f"This place is not at {visit.site.name}."})
        return location

    def _state(
        self,
        new: NewDefect,
        act: FieldAct,
        visit: Visit,
        *,
        unit_id: int | None = None,
        location_id: int | None = None,
    ) -> None:
        state_defect(
            new,
            site_id=visit.site_id,
            unit_id=unit_id,
            location_id=location_id,
            on=self._day(act, visit),
            at=act.counts_at,
            by=self.by,
            visit_ref=visit.public_id,
            act_ref=act.act_id,
            is_void=act.act_id in self.undone,
        )

    def _day(self, act: FieldAct, visit: Visit) -> date:
        return local_day(visit.site, act.counts_at)

    # --- the same work twice --------------------------------------------------------------------

    def _recent_work(self) -> set[tuple[int, str]]:
        """Unit and task of what others did within the window before now, in two queries."""
        ids = [unit.pk for unit in self.units.values()]
        since = self.now - timedelta(days=SAME_TASK_DAYS)
        rows = (
            ServiceRecord.objects.standing()
            .of_units(ids)
            .filter(
                outcome=ServiceRecord.Outcome.PASSED,
                done_first__gte=since.date(),
            )
            .exclude(performed_by=self.by.pk)
            .exclude(performed_by__isnull=True)
        )
        found = set(rows.values_list("counts_for", "task"))
        entries = (
            VisitEntry.objects.filter(unit__in=ids, result=Result.SERVICED, received_at__gte=since)
            .exclude(made_by=self.by.pk)
            .effective()
        )
        found |= {
            (unit_id, task) for unit_id, tasks in entries.values_list("unit_id", "tasks") for task in tasks
        }
        return found

    def _against_terms(self, visit: Visit, given: EntryInput) -> list[Warned]:
        """What is not as agreed with the owner; the office settles it, the record stands."""
        today = local_today(visit.site, self.now)
        taken = given.result == VisitEntry.Result.REMOVED and given.disposition not in (
            VisitEntry.Disposition.LOANER,
            VisitEntry.Disposition.CONDEMNED,
        )
        if taken and wants_loaner(visit.site.owner_id, visit.site_id, today):
            return [
                Warned(
                    "loaner_compulsory",
                    f"A loaner is compulsory here and none hangs in the place of {given.unit.number}. "
                    "Hang one, or tell the office.",
                    "disposition",
                )
            ]
        if (
            given.result == VisitEntry.Result.REPLACED
            and given.disposition != VisitEntry.Disposition.CONDEMNED
            and exchange_refused(visit.site.owner_id, visit.site_id, today)
        ):
            return [
                Warned(
                    "exchanged_despite_terms",
                    f"It is agreed that {given.unit.number} comes back. The office sees who allowed it.",
                    "remarks",
                )
            ]
        return []

    def _same_work(self, act: FieldAct, given: EntryInput) -> list[Warned]:
        if given.result != Result.SERVICED:
            return []
        again = [task for task in given.tasks if (given.unit.pk, task) in self.recent]
        if not again:
            return []
        words = ", ".join(TASK_LABELS[Task(task)].lower() for task in again if task in TASK_LABELS)
        return [
            Warned(
                "same_task_again",
                f"Somebody else did this on unit {given.unit.number} within {SAME_TASK_DAYS} days: {words}. "
                "Both are kept.",
                "content.tasks",
            )
        ]


def _still(act: FieldAct, waiting: WaitingAct) -> Taken:
    problem = dict(waiting.problem)
    code, sentence = problem.pop("code", "waiting"), problem.pop("sentence", "")
    status = "refused" if waiting.is_refused else "waiting"
    return Taken(act.act_id, status, refusal=Conflict(code, sentence, **problem), visit=act.visit)


def _digest(new: NewAct, sender: Sender) -> str:
    content = [
        str(new.visit_ref),
        new.kind,
        str(new.unit_ref or ""),
        str(new.location_ref or ""),
        str(sender.device_ref),
        new.sequence,
        new.device_at.timestamp(),
        new.content,
    ]
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def _defect(given: Mapping[str, Any]) -> NewDefect:
    return NewDefect(
        public_id=UUID(str(given["id"])),
        code=given["code"],
        severity=given.get("severity", ""),
        action=given.get("action", ""),
        remarks=given.get("remarks", ""),
        photos=tuple(UUID(str(ref)) for ref in given.get("photos", ())),
    )


def _stamp(text: str, name: str, *, today: date) -> Any:
    try:
        return read_stamp(text, today=today).stamp
    except StampError as error:
        raise ValidationError({name: str(error)}) from error


def _entry_input(act: FieldAct, unit: Unit, *, today: date) -> EntryInput:
    """What an act states about a unit, as the entry that counts for the visit."""
    content = act.content
    result, disposition, remarks, replacement = _RESULTS[Kind(act.kind)](content)
    defects = ", ".join(defect_text(one["code"]) for one in content.get("defects", ()))
    marks = list(content.get("marks", ()))
    for mark in marks:
        _stamp(mark["mark"], "content.marks", today=today)
    if content.get("serial") and act.kind == Kind.RESULT:
        marks.append({"what": "serial", "mark": content["serial"]})
    is_work = result in (Result.SERVICED, Result.FAILED)
    return EntryInput(
        client_ref=act.act_id,
        unit=unit,
        result=result,
        tasks=tuple(content.get("tasks", ())) if is_work else (),
        readings=tuple(content.get("readings", ())),
        method=content.get("method", ""),
        replacement=replacement,
        remarks=". ".join(part for part in (remarks, "" if remarks else defects) if part),
        device_at=act.device_at,
        disposition=disposition,
        checks=tuple(content.get("checks", ())),
        parts=tuple(content.get("parts", ())),
        marks=tuple(marks),
    )


_Stated = tuple[str, str, str, dict[str, str] | None]


def _of_result(content: Mapping[str, Any]) -> _Stated:
    return content["outcome"], "", content.get("remarks", ""), None


def _of_no_access(content: Mapping[str, Any]) -> _Stated:
    parts = [NO_ACCESS_REASONS.get(content["reason"], content["reason"])]
    if content.get("said_by"):
        parts.append(f"said by {content['said_by']}")
    if content.get("remarks"):
        parts.append(content["remarks"])
    return Result.NO_ACCESS, "", "; ".join(parts), None


def _of_lend(content: Mapping[str, Any]) -> _Stated:
    loaner = {"unit_number": _number_of(content["loaner"], "content.loaner")}
    if content.get("expected_back_on"):
        loaner["expected_back_on"] = str(content["expected_back_on"])
    parts = (content.get("reason", ""), content.get("remarks", ""))
    return Result.REMOVED, Disposition.LOANER, "; ".join(part for part in parts if part), loaner


def _of_condemn(content: Mapping[str, Any]) -> _Stated:
    remarks = f"{defect_text(content['code'])}. {content.get('remarks', '')}".strip()
    if content.get("replacement"):
        return Result.REPLACED, Disposition.CONDEMNED, remarks, _replacement(content["replacement"])
    return Result.REMOVED, Disposition.CONDEMNED, remarks, None


def _of_used(content: Mapping[str, Any]) -> _Stated:
    remarks = content.get("remarks", "") or "Used or lost its charge."
    if content.get("stays", True):
        return Result.FAILED, "", remarks, None
    return Result.REMOVED, Disposition.RECHARGE, remarks, None


def _of_to_workshop(content: Mapping[str, Any]) -> _Stated:
    parts = (content.get("reason", ""), content.get("remarks", ""))
    return Result.REMOVED, "", "; ".join(part for part in parts if part), None


def _replacement(given: Mapping[str, Any]) -> dict[str, str]:
    if given.get("unit") or given.get("unit_number"):
        return {"unit_number": _number_of(given, "content.replacement")}
    return {name: str(given[name]) for name in ("model", "serial", "made") if given.get(name)}


def _number_of(given: Mapping[str, Any], name: str) -> str:
    """The number of one of our units that an act names by id or by number."""
    if given.get("unit_number"):
        return str(given["unit_number"])
    number = Unit.objects.filter(public_id=given["unit"]).values_list("number", flat=True).first()
    if number is None:
        raise ValidationError({name: "There is no such unit. Scan its label, or type its number."})
    return number


_RESULTS: Mapping[str, Callable[[Mapping[str, Any]], _Stated]] = {
    Kind.RESULT: _of_result,
    Kind.NOT_FOUND: lambda content: (Result.NOT_FOUND, "", content.get("remarks", ""), None),
    Kind.NO_ACCESS: _of_no_access,
    Kind.EXCHANGE: lambda content: (
        Result.REPLACED,
        "",
        content.get("remarks", ""),
        _replacement(content["replacement"]),
    ),
    Kind.LEND: _of_lend,
    Kind.CONDEMN: _of_condemn,
    Kind.USED: _of_used,
    Kind.TO_WORKSHOP: _of_to_workshop,
}


def _check_kind(act: FieldAct, visit: Visit) -> None:
    """Refuse work on a survey and readings on a service: each would get lost unseen on the other."""
    is_survey = visit.kind == Visit.Kind.SURVEY
    if act.kind in SURVEY_KINDS and not is_survey:
        raise ValidationError({"kind": f"Visit {visit.number} is no survey. Record the result of the unit."})
    if is_survey and act.kind not in (*SURVEY_KINDS, Kind.START, Kind.UNDO, Kind.CLOSE):
        raise ValidationError(
            {"kind": f"Visit {visit.number} is a survey: work on a unit is recorded on a service visit."}
        )


_HANDLERS: Mapping[str, Callable[[_Intake, FieldAct, Visit], list[Warned]]] = {
    Kind.START: _Intake._start,
    **dict.fromkeys(_RESULTS, _Intake._entry),
    Kind.ADD_UNIT: _Intake._add_unit,
    **dict.fromkeys(MOVES, _Intake._move),
    Kind.DEFECT: _Intake._unit_defect,
    Kind.LOCATION_PROBLEM: _Intake._location_problem,
    Kind.SETTLE_DEFECT: _Intake._settle,
    **dict.fromkeys(SURVEY_KINDS, _Intake._survey),
    Kind.UNDO: _Intake._undo,
    Kind.CLOSE: _Intake._close,
}


def acts_of(visits: Iterable[int]) -> Any:
    """Acts of these visits that have taken effect or been taken back, as they came."""
    return (
        FieldAct.objects.filter(visit__in=list(visits), waiting__isnull=True)
        .select_related("visit__site", "made_by")
        .order_by("pk")
    )
