"""Reading job cards: which steps a card needs, how far it is, what its figures are judged by."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db.models import Max, Q, QuerySet

from inventory.access import Scope
from inventory.measures.kinds import Task
from inventory.register.models import Unit
from inventory.register.queries import words_condition
from inventory.workshop.bench import Bench, Charging, Plate, finishes, plate_of
from inventory.workshop.models import CardEntry, HouseStay, Instrument, JobCard, WorkshopDefault
from inventory.workshop.steps import Given, Step, given_again, step_book
from inventory.workshop.values import Values, with_changes

TEST_TASKS = frozenset({Task.HYDROSTATIC_TEST.value, Task.REQUALIFICATION.value})
TEST_STEPS = ("proof_test", "volumetric_test")
# Outside at one of these, the shell never goes back into service.
_ENDS_LIFE = frozenset({"triage", "inside", *TEST_STEPS})
# What a card can be for; each becomes a record at release, or at its own step.
WORKS = (
    Task.RECHARGE,
    Task.INTERNAL_EXAMINATION,
    Task.EXTENDED_SERVICE,
    Task.WORKSHOP_SERVICE,
    Task.DISCHARGE_TEST,
    Task.HYDROSTATIC_TEST,
    Task.REQUALIFICATION,
    Task.HOSE_TEST,
    Task.MAINTENANCE,
)


def current_values() -> Values:
    """What the workshop judges by now: shipped values, a manager's in the place of some. One query."""
    last = WorkshopDefault.objects.order_by().values("key").annotate(last=Max("pk")).values("last")
    rows = WorkshopDefault.objects.filter(pk__in=last).values_list("key", "value", "reason")
    return with_changes({key: (value, reason) for key, value, reason in rows})


def today_of(card: JobCard, now: datetime) -> date:
    """The civil day at the unit's site; of the firm's own units, the day in UTC."""
    return now.astimezone(ZoneInfo(card.site.time_zone if card.site else "UTC")).date()


def plate(unit: Unit) -> Plate:
    """What the register knows of ``unit``, as plain values."""
    return plate_of(unit.model, serial=unit.serial, made=unit.made)


@dataclass(slots=True)
class StepLine:
    """One step of one card: what was stated, whether it is finished, whether it is next."""

    step: Step
    entries: list[CardEntry] = field(default_factory=list)
    is_done: bool = False
    is_next: bool = False

    @property
    def last(self) -> CardEntry | None:
        """The entry that counts now."""
        return self.entries[-1] if self.entries else None


@dataclass(slots=True)
class CardBoard:
    """A card with its steps in order."""

    card: JobCard
    lines: list[StepLine]
    paths: tuple[str, ...]
    charging: Charging
    must_test: bool
    must_condemn: bool

    @property
    def next_line(self) -> StepLine | None:
        """The first step that is not finished."""
        return next((line for line in self.lines if line.is_next), None)

    @property
    def flags(self) -> list[str]:
        """What a reader of the card must know, each once."""
        found = [flag for line in self.lines if line.last for flag in line.last.flags]
        return list(dict.fromkeys(found))

    def line(self, code: str) -> StepLine | None:
        """The step of that code, if this unit needs it."""
        return next((line for line in self.lines if line.step.code == code), None)


def entries_of(card: JobCard) -> list[CardEntry]:
    """The entries of ``card`` that no correction replaced, each in the place of the one it corrects."""
    rows = list(
        CardEntry.objects.filter(card=card)
        .select_related("made_by")
        .prefetch_related("instruments__instrument")
        .order_by("sequence")
    )
    by_id = {row.pk: row for row in rows}
    replaced = {row.corrects_id for row in rows}
    for row in rows:
        first = row
        while first.corrects_id is not None:
            first = by_id[first.corrects_id]
        row.place = first.sequence
    return sorted((row for row in rows if row.pk not in replaced), key=lambda row: row.place)


def board_of(card: JobCard, charging: Charging, entries: Sequence[CardEntry] | None = None) -> CardBoard:
    """The steps that ``card`` needs and how far it is."""
    stated = list(entries_of(card) if entries is None else entries)
    by_step: dict[str, list[CardEntry]] = {}
    for row in stated:
        by_step.setdefault(row.step, []).append(row)
    last = {code: rows[-1] for code, rows in by_step.items()}
    passed = [last[code] for code in TEST_STEPS if code in last and finishes(code, last[code].verdict)]
    tested_at = max((entry.place for entry in passed), default=0)
    wants_test = bool(TEST_TASKS & set(card.works)) or card.decision == JobCard.Decision.TEST
    # A doubt is settled by a test after it; a test that was passed before proves nothing about it.
    doubtful = (
        "inside" in last
        and last["inside"].verdict == CardEntry.Verdict.UNJUDGED
        and last["inside"].place > tested_at
    )
    must_test = doubtful or (not tested_at and (wants_test or charging.needs_test))
    must_condemn = charging.has_ended or any(
        code in _ENDS_LIFE and entry.verdict == CardEntry.Verdict.OUTSIDE for code, entry in last.items()
    )
    if card.decision == JobCard.Decision.CONDEMN:
        paths: tuple[str, ...] = ("condemn",)
    else:
        paths = ("serve",)
        if must_test or any(code in by_step for code in TEST_STEPS):
            paths += ("test",)
        if Task.HOSE_TEST in card.works:
            paths += ("hose",)
    kind = plate(card.unit).kind
    # What was condemned before second opinions were asked for is not asked for one afterwards.
    is_settled = card.state in (JobCard.State.CONDEMNED, JobCard.State.DISPOSED)
    lines = [
        StepLine(step, by_step.get(step.code, []))
        for step in step_book().for_unit(kind, paths)
        if step.code != "second_look" or step.code in by_step or not is_settled
    ]
    barrier, is_first_open = 0, True
    for line in lines:
        entry = line.last
        # Work that was done again makes everything after it void: it has to be stated anew. Only a passed
        # pressure test stands: opening the valve once more does not weaken the shell.
        if line.step.code in TEST_STEPS:
            line.is_done = entry is not None and entry in passed and not doubtful
        else:
            line.is_done = (
                entry is not None and finishes(line.step.code, entry.verdict) and entry.place > barrier
            )
        if line.step.code == "decide" and not card.decision:
            line.is_done = False  # a second person did not agree with it
        if line.step.restarts and entry is not None:
            barrier = max(barrier, entry.place)
        if not line.is_done and is_first_open:
            line.is_next, is_first_open = True, False
    return CardBoard(card, lines, paths, charging, must_test, must_condemn)


def bench_for(card: JobCard, entries: Iterable[CardEntry], *, today: date) -> Bench:
    """What the figures of ``card`` are judged by: plate, values, and what was stated before."""
    known = plate(card.unit)
    earlier: dict[str, Given] = {}
    rig_failures = 0
    for entry in entries:
        if "house" in entry.values:
            continue  # made elsewhere, by other fields
        step = step_book().step(entry.step)
        earlier[entry.step] = given_again(step, known.kind, entry.values)
        if entry.step == "volumetric_test" and entry.values.get("equipment") == "failed":
            rig_failures += 1
    return Bench(known, current_values(), today, earlier, rig_failures)


# --- lists ----------------------------------------------------------------------------------------


def cards_for(scope: Scope, text: str = "") -> QuerySet[JobCard]:
    """Cards that ``scope`` may see and whose number, unit or site holds every word of ``text``."""
    found = words_condition(text, "number", "unit__number", "unit__serial", "site__name", "site__code")
    return (
        JobCard.objects.visible_to(scope).filter(found).select_related("unit__model", "site__owner", "home")
    )


def open_card_of(unit: Unit) -> JobCard | None:
    """The open card of ``unit``, if there is one."""
    return JobCard.objects.open().filter(unit=unit).first()


def units_with_open_card(unit_ids: Iterable[int]) -> dict[int, JobCard]:
    """The open card of each of these units that has one."""
    return {card.unit_id: card for card in JobCard.objects.open().filter(unit__in=list(unit_ids))}


def stays_out(scope: Scope) -> QuerySet[HouseStay]:
    """Units at outside test houses that ``scope`` may see, the one due back first on top."""
    cards = JobCard.objects.visible_to(scope).order_by().values("pk")
    return (
        HouseStay.objects.filter(card__in=cards, returned_on__isnull=True)
        .select_related("card__unit__model", "card__site__owner")
        .order_by("due_back_on", "pk")
    )


def pressure_tests(
    scope: Scope, *, since: date | None = None, until: date | None = None
) -> QuerySet[CardEntry]:
    """Pressure tests of shells for the test register, oldest first; corrected entries are left out."""
    rows = CardEntry.objects.visible_to(scope).standing().filter(step__in=TEST_STEPS)
    if since is not None:
        rows = rows.filter(done_on__gte=since)
    if until is not None:
        rows = rows.filter(done_on__lte=until)
    return (
        rows.select_related("card__unit__model", "card__site__owner", "made_by")
        .prefetch_related("instruments__instrument", "card__stays")
        .order_by("done_on", "pk")
    )


def instruments(*, with_retired: bool = False) -> QuerySet[Instrument]:
    """Instruments by kind and number."""
    rows = Instrument.objects.prefetch_related("calibrations")
    return rows if with_retired else rows.filter(is_retired=False)


def instruments_in_use() -> dict[str, list[Instrument]]:
    """Instruments that results may be taken with, by kind."""
    found: dict[str, list[Instrument]] = {}
    for row in Instrument.objects.filter(is_retired=False):
        found.setdefault(row.kind, []).append(row)
    return found


def calibration_due(today: date, *, days: int = 30) -> QuerySet[Instrument]:
    """Instruments whose calibration has run out, is unknown, or runs out within ``days``."""
    soon = date.fromordinal(today.toordinal() + days)
    return Instrument.objects.filter(Q(due_on__isnull=True) | Q(due_on__lte=soon), is_retired=False)
