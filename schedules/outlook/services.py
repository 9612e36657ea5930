"""Looking ahead over the whole firm: worked out in the background, levelled, taken into visits, undone.

The work goes in slices; after each the sites done stand in rows, and the next slice is a message of its
own. A worker that dies leaves a claim on which nothing is heard any more; whoever asks next goes on.
"""

from __future__ import annotations

import logging
import time
import uuid
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from functools import partial
from zoneinfo import ZoneInfo

from celery import current_app
from dateutil.relativedelta import relativedelta
from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import F, Q, Sum
from django.utils import timezone

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.agreed import agreed_for
from inventory.register.models import Site
from schedules.bundles.queries import bundles_of, figures_in_force
from schedules.outlook.even import level_outlook
from schedules.outlook.models import Outlook, OutlookSite, OutlookTrip
from schedules.outlook.rows import rows_of
from schedules.planning.figures import Figures
from schedules.visits.models import Visit
from schedules.visits.proposing import NewVisit, add_jobs, make_visits, on_the_books, remove_jobs

log = logging.getLogger(__name__)
CHUNK = 25
SLICE_S = 20.0
SILENT_S = 120
MOST_TRIES = 3
KEPT = 3
State = Outlook.State


def start_outlook(*, by: Person | None, now: datetime) -> Outlook:
    """Ask for a new outlook over all sites. Raises ``Conflict`` while one is being worked out."""
    if Outlook.objects.filter(state__in=Outlook.OPEN).exists():
        raise Conflict(
            "outlook_under_way", "The outlook is already being worked out. Wait for it or stop it."
        )
    figures = figures_in_force()
    today = now.astimezone(ZoneInfo(settings.FIRM_TIME_ZONE)).date()
    outlook = Outlook.objects.create(
        first_on=today,
        last_on=today + relativedelta(months=int(figures["months"])),
        sites_total=Site.objects.count(),
        figures=dict(figures.changed),
        asked_by_id=by.pk if by is not None else None,
    )
    # Every slice judges by this instant, whichever day it is worked on.
    Outlook.objects.filter(pk=outlook.pk).update(created_at=now)
    outlook.created_at = now
    transaction.on_commit(partial(nudge, outlook.pk))
    return outlook


def nudge(outlook_id: int) -> None:
    """Tell a worker; without a broker the sweep of the scheduler finds the outlook all the same."""
    try:
        # By name: the module of all jobs imports slices above this one.
        current_app.send_task("schedules.tasks.work_out_outlook", args=[outlook_id])
    except Exception as error:  # whatever the broker says, the row waits
        log.warning("Outlook %s waits for the next sweep: %s", outlook_id, error)


def stop_outlook(outlook: Outlook, *, now: datetime) -> bool:
    """Ask an open outlook to stop; False when it is not open any more."""
    waiting = Outlook.objects.filter(pk=outlook.pk, state=State.WAITING).update(
        state=State.STOPPED, finished_at=now
    )
    return bool(
        waiting + Outlook.objects.filter(pk=outlook.pk, state=State.RUNNING).update(is_stop_asked=True)
    )


def waiting_outlooks(now: datetime) -> list[int]:
    """Outlooks that no living worker is busy with."""
    return list(
        Outlook.objects.filter(Q(state=State.WAITING) | (Q(state=State.RUNNING) & _silent(now)))
        .order_by("pk")
        .values_list("pk", flat=True)
    )


def _silent(now: datetime) -> Q:
    return (
        Q(claim__isnull=True) | Q(heard_at__isnull=True) | Q(heard_at__lt=now - timedelta(seconds=SILENT_S))
    )


def work_on(
    outlook_id: int, *, clock: Callable[[], datetime] = timezone.now, slice_s: float = SLICE_S
) -> bool:
    """Work for one slice; True when more is to be done. Does nothing when another worker is at it."""
    claim = _claim(outlook_id, clock())
    if claim is None:
        return False
    outlook = Outlook.objects.get(pk=outlook_id)
    try:
        more = _slice(outlook, claim, clock, slice_s)
    except Exception as error:
        log.exception("Outlook %s failed", outlook_id)
        _end(outlook, claim, State.FAILED, clock(), error=f"{type(error).__name__}: {error}"[:300])
        return False
    if more:
        # Handed back, so that whoever gets the next message need not wait for silence.
        Outlook.objects.filter(pk=outlook.pk, claim=claim).update(claim=None)
    return more


def _claim(outlook_id: int, now: datetime) -> uuid.UUID | None:
    claim = uuid.uuid4()
    lost = Outlook.objects.filter(
        pk=outlook_id,
        state=State.RUNNING,
        claim__isnull=False,
        heard_at__lt=now - timedelta(seconds=SILENT_S),
    )
    if lost.filter(tries__gte=MOST_TRIES).update(
        state=State.FAILED, error="Its worker was lost three times.", finished_at=now
    ):
        return None
    lost.update(tries=F("tries") + 1)
    try:
        with transaction.atomic():
            taken = Outlook.objects.filter(
                Q(state=State.WAITING) | (Q(state=State.RUNNING) & _silent(now)), pk=outlook_id
            ).update(state=State.RUNNING, claim=claim, heard_at=now)
    except IntegrityError:
        return None
    return claim if taken else None


def _slice(outlook: Outlook, claim: uuid.UUID, clock: Callable[[], datetime], slice_s: float) -> bool:
    until = time.monotonic() + slice_s
    figures = Figures.of(outlook.figures)
    while True:
        outlook.refresh_from_db()
        if outlook.claim != claim:
            return False
        if outlook.is_stop_asked:
            _end(outlook, claim, State.STOPPED, clock())
            return False
        done = outlook.sites.values("site")
        sites = list(Site.objects.exclude(pk__in=done).order_by("pk")[:CHUNK])
        if not sites:
            break
        look_at(outlook, sites, figures)
        Outlook.objects.filter(pk=outlook.pk, claim=claim).update(
            sites_done=outlook.sites.count(), heard_at=clock()
        )
        if time.monotonic() >= until:
            return True
    level = level_outlook(outlook, figures)
    sums = outlook.sites.aggregate(trips=Sum("trips"), habit=Sum("habit_trips"))
    totals = {
        "trips": sums["trips"] or 0,
        "habit_trips": sums["habit"] or 0,
        "sites": outlook.sites.count(),
        "sites_with_problems": outlook.sites.exclude(problems=[]).count(),
    }
    Outlook.objects.filter(pk=outlook.pk, claim=claim).update(level=level, totals=totals)
    _end(outlook, claim, State.DONE, clock())
    _forget_old()
    return False


@transaction.atomic
def look_at(outlook: Outlook, sites: Sequence[Site], figures: Figures) -> None:
    """Work out these sites as of the outlook's own instant and keep the rows."""
    terms = agreed_for(sites, outlook.created_at)
    site_rows: list[OutlookSite] = []
    trip_rows: list[OutlookTrip] = []
    for found in bundles_of(sites, now=outlook.created_at, figures=figures, fixed=on_the_books(sites)):
        own = terms[found.site.pk]
        site_row, trips = rows_of(
            outlook,
            found,
            figures,
            service_month=own.service_month,
            tolerance_days=own.tolerance_days,
        )
        site_rows.append(site_row)
        trip_rows += trips
    OutlookSite.objects.bulk_create(site_rows)
    OutlookTrip.objects.bulk_create(trip_rows, batch_size=200)


def _end(outlook: Outlook, claim: uuid.UUID, state: str, now: datetime, error: str = "") -> None:
    Outlook.objects.filter(pk=outlook.pk, claim=claim).update(
        state=state, finished_at=now, error=error, claim=None
    )


def _forget_old() -> None:
    """Delete all but the newest outlooks; visits that were made of them stay."""
    keep = list(Outlook.objects.order_by("-pk").values_list("pk", flat=True)[:KEPT])
    Outlook.objects.exclude(pk__in=keep).exclude(state__in=Outlook.OPEN).delete()


# --- taking trips into visits -------------------------------------------------------------------------


@transaction.atomic
def take_trips(
    outlook: Outlook, *, until: date, by: Person | None, now: datetime, site: Site | None = None
) -> tuple[uuid.UUID, int, int]:
    """Make proposed visits of all trips up to ``until``; return the act, visits made, visits joined.

    Work that joins a visit on the books becomes more jobs of it. A trip that was taken already is
    passed over, and so is work that is on another visit by now. Raises ``Conflict`` when the outlook
    is not done or there is nothing to take.
    """
    if outlook.state != State.DONE:
        raise Conflict("outlook_not_done", "This outlook is not done. Have it worked out first.")
    act = uuid.uuid4()
    rows = OutlookTrip.objects.filter(
        outlook=outlook, taken__isnull=True, level_on__lte=until, level_on__gte=_today(now)
    ).exclude(pairs=[])
    if site is not None:
        rows = rows.filter(site=site)
    # One statement claims the rows, so that two dispatchers never take the same trip.
    ids = list(rows.values_list("pk", flat=True))
    OutlookTrip.objects.filter(pk__in=ids, taken__isnull=True).update(taken=act)
    trips = list(OutlookTrip.objects.filter(taken=act).select_related("site").order_by("level_on", "pk"))
    busy = {
        pair for visits in on_the_books([t.site for t in trips]).values() for v in visits for pair in v.pairs
    }
    joined = 0
    wanted: list[NewVisit] = []
    row_of: dict[tuple[int, date], OutlookTrip] = {}
    for trip in trips:
        pairs = frozenset((unit, task) for unit, task in trip.pairs) - busy
        if trip.booked_visit_id:
            joined += bool(add_jobs(trip.booked_visit_id, pairs))
        elif pairs:
            wanted.append(NewVisit(trip.site, trip.level_on, pairs))
            row_of[trip.site_id, trip.level_on] = trip
    made = make_visits(wanted, by=by)
    for visit in made:
        row_of[visit.site_id, visit.planned_on].visit = visit
    OutlookTrip.objects.bulk_update(row_of.values(), ["visit"], batch_size=200)
    if not made and not joined:
        raise Conflict("nothing_to_take", f"No trip up to {until} is left to be proposed.")
    return act, len(made), joined


@transaction.atomic
def undo_take(outlook: Outlook, act: uuid.UUID) -> tuple[int, list[str]]:
    """Take back the visits that ``act`` proposed; return how many, and the numbers of those that stay.

    A visit that somebody has changed since stays: it is cancelled like any other.
    """
    rows = list(OutlookTrip.objects.filter(outlook=outlook, taken=act).select_related("visit"))
    if not rows:
        raise Conflict("nothing_to_undo", "These visits were taken back already.")
    undone, kept = 0, []
    for row in rows:
        if row.booked_visit_id is not None:
            remove_jobs(row.booked_visit_id, frozenset((unit, task) for unit, task in row.pairs))
            row.taken = None
            undone += 1
            continue
        if row.visit is None:
            row.taken = None
            continue
        gone = Visit.objects.filter(
            pk=row.visit.pk, state=Visit.State.PROPOSED, version=1, technician__isnull=True
        ).update(
            state=Visit.State.CANCELLED,
            cancelled_reason="Taken back to the outlook.",
            version=F("version") + 1,
        )
        if gone:
            row.visit, row.taken = None, None
            undone += 1
        else:
            kept.append(row.visit.number)
    OutlookTrip.objects.bulk_update(rows, ["visit", "taken"], batch_size=200)
    return undone, kept


def _today(now: datetime) -> date:
    return now.astimezone(ZoneInfo(settings.FIRM_TIME_ZONE)).date()
