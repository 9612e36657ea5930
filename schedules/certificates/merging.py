"""Two units that are one: what must be settled first, and what follows from merging them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.logbook.models import Defect
from inventory.people import Person
from inventory.register.changes import SameUnitDecision
from inventory.register.models import Unit, local_today
from inventory.register.same import check_merge, merge, undo_merge
from inventory.workshop.models import JobCard
from schedules.certificates.corrections import flag_certificates
from schedules.due.preview import Preview, preview_units
from schedules.due.queries import UnitInput, histories_of
from schedules.due.services import refresh_units
from schedules.visits.models import Job, Visit


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of it: the decision, and visits not begun whose list changed."""

    decision: SameUnitDecision
    visits: tuple[str, ...]


def check_open_work(alias: Unit) -> None:
    """Raise ``ValidationError`` while work on the one that gives way is under way."""
    card = JobCard.objects.filter(unit=alias, state__in=JobCard.OPEN).first()
    if card is not None:
        raise ValidationError(
            f"Unit {alias.number} is in the workshop on job card {card.number}. Close the card first."
        )
    visit = Visit.objects.filter(jobs__unit=alias, state=Visit.State.UNDER_WAY).first()
    visit = visit or Visit.objects.filter(entries__unit=alias, state__in=Visit.OPEN).first()
    if visit is not None:
        raise ValidationError(
            f"Visit {visit.number}, on which {alias.number} is worked on, is under way. Close it first."
        )


def preview_merge(alias: Unit, survivor: Unit, *, at: datetime) -> Preview:
    """Which dates of the survivor would move with the history of both; raises what ``merge_units`` does."""
    check_merge(alias, survivor)
    check_open_work(alias)
    joined = tuple(histories_of([alias.pk]).get(alias.pk, ()))

    def with_both(item: UnitInput) -> UnitInput:
        return replace(item, history=(*item.history, *joined))

    return preview_units([survivor.pk], at=at, altered=with_both)


@transaction.atomic
def merge_units(alias: Unit, survivor: Unit, reason: str, *, by: Person, now: datetime) -> Merged:
    """Make ``alias`` another name of ``survivor``, with its open work, defects, papers and dates.

    Raises ``ValidationError`` where it cannot be, ``Conflict`` when somebody was faster.
    """
    alias, survivor = _fresh(alias), _fresh(survivor)
    check_open_work(alias)
    site = survivor.site or alias.site
    on = local_today(site, now) if site is not None else now.date()
    defects = list(Defect.objects.open().filter(unit=alias).values_list("pk", flat=True))
    decision, change = merge(alias, survivor, reason, on=on, by=by, at=now, more={"defects": defects})
    Defect.objects.filter(pk__in=defects).update(unit=survivor)
    visits = _hand_over_jobs(alias, survivor)
    flag_certificates([change], now=now)
    refresh_units([alias.pk, survivor.pk], now=now)
    return Merged(decision, visits)


def _fresh(unit: Unit) -> Unit:
    return Unit.objects.select_related("model", "site", "location").get(pk=unit.pk)


def _hand_over_jobs(alias: Unit, survivor: Unit) -> tuple[str, ...]:
    """Put the survivor in the place of ``alias`` on visits that have not begun, once per task."""
    jobs = list(
        Job.objects.filter(unit=alias, record=None, visit__state__in=Visit.OPEN).select_related("visit")
    )
    held = set(Job.objects.filter(unit=survivor).values_list("visit_id", "task"))
    numbers = set()
    for job in jobs:
        numbers.add(job.visit.number)
        if (job.visit_id, job.task) in held or job.visit.site_id != survivor.site_id:
            job.delete()
        else:
            Job.objects.filter(pk=job.pk).update(unit=survivor, location=survivor.location_id)
        Visit.objects.filter(pk=job.visit_id).update(version=F("version") + 1)
    return tuple(sorted(numbers))


@transaction.atomic
def undo_merge_of(alias: Unit, reason: str, *, by: Person, now: datetime) -> SameUnitDecision:
    """Let ``alias`` stand for itself again; its defects that are still open go back to it."""
    alias = _fresh(alias)
    on = local_today(alias.site, now) if alias.site is not None else now.date()
    decision, change = undo_merge(alias, reason, on=on, by=by, at=now)
    Defect.objects.open().filter(pk__in=decision.before.get("defects", ()), unit=decision.survivor_id).update(
        unit=alias
    )
    flag_certificates([change], now=now)
    refresh_units([alias.pk, decision.survivor_id], now=now)
    return decision
