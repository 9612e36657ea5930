"""Visits from what falls due: the one way in which obligations become proposed visits."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.people import Person
from inventory.register.models import Site, local_today
from inventory.register.services import draw_numbers
from schedules.bundles.queries import Fixed, SiteBundle, bundles_of, figures_in_force
from schedules.due.models import Obligation
from schedules.planning.bundling import Trip
from schedules.visits.models import Job, Visit


@dataclass(frozen=True, slots=True)
class NewVisit:
    """A visit to be made: one site, one day, unit and task of each job."""

    site: Site
    on: date
    pairs: frozenset[tuple[int, str]]


@transaction.atomic
def propose_visit(
    site: Site, *, by: Person | None, now: datetime, horizon_days: int = 92, planned_on: date | None = None
) -> Visit | None:
    """Propose a visit for what falls due at ``site`` within ``horizon_days``; None when nothing does.

    Without a day it is the first trip of the site's bundle (``schedules.planning.bundling``): the day on
    which somebody should go so that trips are few, nothing is late and little interval is thrown away,
    never before tomorrow. With ``planned_on`` all comes along whose window is open on that day. Work on
    an open visit is left out. Raises ``ValidationError`` for a day in the past.
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
    if planned_on is not None:
        for site in sites:
            today = local_today(site, now)
            if planned_on < today:
                raise ValidationError(
                    {"planned_on": f"{planned_on} has passed at {site.name}. Choose {today} or later."}
                )
    wanted: list[NewVisit] = []
    for found in bundles_of(
        sites,
        now=now,
        figures=figures_in_force(),
        fixed=on_the_books(sites),
        joins=False,
        only_on=planned_on,
        # A trip on which nothing has its latest day by then is not wanted, nor need it be found.
        due_within_days=horizon_days,
    ):
        horizon = found.today + timedelta(days=horizon_days)
        trip = next(iter(found.bundle.trips), None)
        if trip is not None and min(work.span.latest for work in trip.works) <= horizon:
            wanted.append(NewVisit(found.site, trip.on, pairs_of(found, trip)))
    return make_visits(wanted, by=by)


def pairs_of(found: SiteBundle, trip: Trip) -> frozenset[tuple[int, str]]:
    """Unit and task of everything that is done on ``trip``."""
    return frozenset(
        (unit_id, work.clock.task.value) for work in trip.works for unit_id in found.units_of[id(work.clock)]
    )


def on_the_books(sites: Iterable[Site]) -> Mapping[int, Sequence[Fixed]]:
    """Open visits with unit and task of their jobs, by site id; two queries."""
    visits = {
        pk: (site_id, on, state in (Visit.State.CONFIRMED, Visit.State.UNDER_WAY) or promised is not None)
        for pk, site_id, on, state, promised in Visit.objects.filter(
            site__in=[site.pk for site in sites], state__in=Visit.OPEN, kind=Visit.Kind.SERVICE
        )
        .order_by()
        .values_list("pk", "site_id", "planned_on", "state", "promised_at")
    }
    pairs: dict[int, set[tuple[int, str]]] = defaultdict(set)
    if visits:
        for visit_id, unit_id, task in Job.objects.filter(
            visit__site__in=[site.pk for site in sites], visit__state__in=Visit.OPEN
        ).values_list("visit_id", "unit_id", "task"):
            pairs[visit_id].add((unit_id, task))
    found: dict[int, list[Fixed]] = defaultdict(list)
    for pk, (site_id, on, is_promised) in sorted(visits.items(), key=lambda item: (item[1][1], item[0])):
        found[site_id].append(Fixed(on, frozenset(pairs[pk]), pk, is_promised))
    return found


@transaction.atomic
def make_visits(wanted: Sequence[NewVisit], *, by: Person | None) -> list[Visit]:
    """Write proposed visits with a job for each unit and task that is owed; one for each of ``wanted``.

    A pair that is no longer owed is passed over, and so is a visit of which nothing is left. The number
    of statements does not grow with the number of visits.
    """
    if not wanted:
        return []
    owed: dict[tuple[int, str], Obligation] = {}
    for row in (
        Obligation.objects.filter(
            site__in={visit.site.pk for visit in wanted}, is_binding=True, latest_on__isnull=False
        )
        .select_related("unit")
        .order_by("latest_on", "unit_id", "pk")
    ):
        owed.setdefault((row.unit_id, row.task), row)
    visits: list[Visit] = []
    jobs_of: list[list[Obligation]] = []
    for new in wanted:
        rows = [owed[pair] for pair in new.pairs if pair in owed and owed[pair].site_id == new.site.pk]
        rows.sort(key=lambda row: (row.latest_on or date.max, row.unit_id, row.pk))
        if not rows:
            continue
        visits.append(
            Visit(
                site=new.site,
                planned_on=new.on,
                latest_on=rows[0].latest_on,
                proposed_by_id=by.pk if by is not None else None,
            )
        )
        jobs_of.append(rows)
    if not visits:
        return []
    for visit, number in zip(visits, draw_numbers("visit", len(visits)), strict=True):
        visit.number = f"V-{number:06d}"
    Visit.objects.bulk_create(visits)
    Job.objects.bulk_create(
        [job_of(visit, row) for visit, rows in zip(visits, jobs_of, strict=True) for row in rows],
        batch_size=500,
    )
    return visits


@transaction.atomic
def add_jobs(visit_id: int, pairs: frozenset[tuple[int, str]]) -> int:
    """Add a job for each of ``pairs`` to a visit that has not begun; return how many were added."""
    visit = Visit.objects.filter(pk=visit_id, state__in=(Visit.State.PROPOSED, Visit.State.CONFIRMED)).first()
    if visit is None or not pairs:
        return 0
    held = set(visit.jobs.values_list("unit_id", "task"))
    rows = [
        row
        for row in Obligation.objects.filter(
            site=visit.site_id, is_binding=True, latest_on__isnull=False, unit__in={unit for unit, _ in pairs}
        ).select_related("unit")
        if (row.unit_id, row.task) in pairs - held
    ]
    moved = Visit.objects.filter(pk=visit.pk, version=visit.version).update(version=visit.version + 1)
    if not moved or not rows:
        return 0
    Job.objects.bulk_create([job_of(visit, row) for row in rows])
    return len(rows)


@transaction.atomic
def remove_jobs(visit_id: int, pairs: frozenset[tuple[int, str]]) -> int:
    """Take jobs off a visit that has not begun and is left with others; return how many were removed."""
    visit = Visit.objects.filter(pk=visit_id, state__in=(Visit.State.PROPOSED, Visit.State.CONFIRMED)).first()
    if visit is None:
        return 0
    rows = [
        pk
        for pk, unit_id, task in visit.jobs.filter(record__isnull=True).values_list("pk", "unit_id", "task")
        if (unit_id, task) in pairs
    ]
    Job.objects.filter(pk__in=rows).delete()
    Visit.objects.filter(pk=visit.pk).update(version=visit.version + 1)
    return len(rows)


def job_of(visit: Visit, row: Obligation) -> Job:
    """A job for what ``row`` demands."""
    return Job(
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
