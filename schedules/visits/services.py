"""From what is due at a site to a visit that somebody drives to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.measures.kinds import Task
from inventory.people import Person
from inventory.register.models import AccessWindow, Site, Unit, local_today
from inventory.register.services import draw_numbers
from schedules.due.models import Obligation
from schedules.visits.models import Job, Visit

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
