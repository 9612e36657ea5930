"""The months ahead of the firm: worked out in slices, levelled, taken into visits, taken back."""

from __future__ import annotations

import uuid
from datetime import date, timedelta

import pytest

from inventory.errors import Conflict
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.agreed import agree
from inventory.register.models import BlackoutPeriod, Site
from schedules.bundles.models import BundlingFigures
from schedules.outlook import services
from schedules.outlook.models import Outlook, OutlookSite, OutlookTrip
from schedules.planning.levelling import STEPS
from schedules.visits.models import Job, Visit
from schedules.visits.proposing import propose_visit
from tests.factories import NOW, TODAY, make_record, make_site, make_unit, make_user, make_visit

pytestmark = pytest.mark.django_db


def due_site(latest: date, *, units: int = 1, **fields: object) -> Site:
    """A site whose yearly maintenance is due by ``latest``; nothing heavier comes in two years."""
    site = make_site(**({"country": "US"} | fields))  # type: ignore[arg-type]
    for _ in range(units):
        unit = make_unit(site, made=Stamp.of(latest.year - 1, latest.month), refresh=False)
        make_record(unit, Task.MAINTENANCE, Stamp.of(latest.year - 1, latest.month, latest.day))
    return site


def look(**kwargs: object) -> Outlook:
    outlook = services.start_outlook(by=None, now=NOW)
    while services.work_on(outlook.pk, clock=lambda: NOW, **kwargs):  # type: ignore[arg-type]
        pass
    outlook.refresh_from_db()
    return outlook


def test_every_site_gets_its_trips_and_the_firm_its_sum():
    one, two = due_site(date(2027, 3, 1)), due_site(date(2027, 6, 1))
    outlook = look()
    assert outlook.state == Outlook.State.DONE
    assert (outlook.sites_done, outlook.sites_total) == (2, 2)
    assert outlook.totals == {"trips": 4, "habit_trips": 4, "sites": 2, "sites_with_problems": 2}
    assert set(OutlookTrip.objects.values_list("site", flat=True)) == {one.pk, two.pk}
    for trip in OutlookTrip.objects.all():
        assert trip.first_on <= trip.on <= trip.last_on
        assert trip.latest_on - trip.level_on >= timedelta(days=14)
        assert trip.works == {"maintenance": 1}


def test_work_stops_between_slices_and_goes_on_where_it_stood():
    for n in range(3):
        due_site(TODAY + timedelta(days=100 + n))
    outlook = services.start_outlook(by=None, now=NOW)
    services_chunk, services.CHUNK = services.CHUNK, 1
    try:
        assert services.work_on(outlook.pk, clock=lambda: NOW, slice_s=0.0)
        assert OutlookSite.objects.count() == 1
        outlook.refresh_from_db()
        assert (outlook.state, outlook.sites_done) == (Outlook.State.RUNNING, 1)
        assert services.waiting_outlooks(NOW) == [outlook.pk]
        while services.work_on(outlook.pk, clock=lambda: NOW, slice_s=0.0):
            pass
    finally:
        services.CHUNK = services_chunk
    outlook.refresh_from_db()
    assert outlook.state == Outlook.State.DONE
    assert OutlookSite.objects.count() == 3


def test_a_lost_worker_is_taken_over_three_times_and_then_given_up():
    outlook = services.start_outlook(by=None, now=NOW)
    Outlook.objects.update(state="running", claim=uuid.uuid4(), heard_at=NOW)
    assert services.waiting_outlooks(NOW) == []
    assert not services.work_on(outlook.pk, clock=lambda: NOW)
    later = NOW + timedelta(seconds=services.SILENT_S + 1)
    assert services.waiting_outlooks(later) == [outlook.pk]
    Outlook.objects.update(tries=3)
    assert not services.work_on(outlook.pk, clock=lambda: later)
    outlook.refresh_from_db()
    assert (outlook.state, outlook.error) == (Outlook.State.FAILED, "Its worker was lost three times.")


def test_one_at_a_time_and_it_can_be_stopped():
    due_site(date(2027, 3, 1))
    outlook = services.start_outlook(by=None, now=NOW)
    with pytest.raises(Conflict, match="already being worked out"):
        services.start_outlook(by=None, now=NOW)
    assert services.stop_outlook(outlook, now=NOW)
    assert not services.work_on(outlook.pk, clock=lambda: NOW)
    outlook.refresh_from_db()
    assert outlook.state == Outlook.State.STOPPED
    assert not services.stop_outlook(outlook, now=NOW)


def test_a_pile_in_one_month_is_levelled_within_windows():
    for _ in range(8):
        due_site(date(2027, 6, 1), units=5)
    outlook = look()
    level = outlook.level
    assert max(level["after"]["technicians 0"]) < max(level["before"]["technicians 0"]) / 2
    assert level["cost"] < level["cost_before"]
    assert level["bound"] <= level["cost"] + 0.1
    assert level["moves"] >= 4
    assert STEPS[0] == 1.0
    for trip in OutlookTrip.objects.all():
        assert trip.first_on <= trip.level_on <= trip.last_on <= trip.latest_on - timedelta(days=14)


def test_what_was_promised_stays_and_is_asked_about_when_its_week_is_crowded():
    busy = date(2027, 1, 18)
    sites = [due_site(date(2027, 2, 20), units=6) for _ in range(3)]
    for site in sites:
        make_visit(site, list(site.units.all()), planned_on=busy)
    outlook = look()
    promised = list(OutlookTrip.objects.filter(booked_visit__isnull=False))
    assert [trip.level_on for trip in promised] == [busy] * 3
    assert outlook.level["asks"] == sum(trip.ask_on is not None for trip in promised) > 0
    assert all(trip.ask_on < busy for trip in promised if trip.ask_on)
    # What they are for counts as done then: the next trips follow a year later.
    later = OutlookTrip.objects.exclude(pk__in=[t.pk for t in promised])
    assert {trip.latest_on for trip in later} == {date(2028, 1, 18)}


def test_service_months_and_blackouts_are_kept():
    site = due_site(date(2027, 6, 1))
    terms = {"service_month": 4, "tolerance_days": 0}
    agree(site.owner, site, terms, from_on=TODAY, reason="Agreed", seen=0, by=None, now=NOW)
    other = due_site(date(2027, 6, 1))
    BlackoutPeriod.objects.create(
        kind="school",
        label="Examinations",
        owner=other.owner,
        first_on=date(2027, 4, 15),
        last_on=date(2027, 6, 30),
        is_yearly=True,
    )
    look()
    own = OutlookTrip.objects.filter(site=site).order_by("on").first()
    assert own is not None
    assert own.level_on.month == 4
    for trip in OutlookTrip.objects.filter(site=other):
        assert not date(trip.level_on.year, 4, 15) <= trip.level_on <= date(trip.level_on.year, 6, 30)


def test_trips_become_visits_once_and_are_taken_back():
    site = due_site(date(2027, 1, 20))
    far = due_site(date(2027, 9, 1))
    outlook = look()
    by = make_user("dispatcher")
    until = TODAY + timedelta(days=92)
    act, made, joined = services.take_trips(outlook, until=until, by=by, now=NOW)
    assert (made, joined) == (1, 0)
    visit = Visit.objects.get()
    assert (visit.site, visit.state, visit.proposed_by) == (site, Visit.State.PROPOSED, by)
    assert visit.jobs.count() == 1
    with pytest.raises(Conflict, match="No trip up to"):
        services.take_trips(outlook, until=until, by=by, now=NOW)
    assert propose_visit(site, by=by, now=NOW) is None
    assert services.undo_take(outlook, act) == (1, [])
    visit.refresh_from_db()
    assert visit.state == Visit.State.CANCELLED
    with pytest.raises(Conflict, match="taken back already"):
        services.undo_take(outlook, act)
    assert services.take_trips(outlook, until=until, by=by, now=NOW, site=site)[1] == 1
    assert not Visit.objects.filter(site=far).exists()


def test_a_visit_that_somebody_changed_is_not_taken_back():
    due_site(date(2027, 1, 20))
    outlook = look()
    act, _, _ = services.take_trips(outlook, until=date(2027, 2, 1), by=None, now=NOW)
    visit = Visit.objects.get()
    Visit.objects.update(version=2)
    assert services.undo_take(outlook, act) == (0, [visit.number])
    visit.refresh_from_db()
    assert visit.state == Visit.State.PROPOSED


def test_work_joins_a_visit_on_the_books_and_leaves_it_again():
    site = due_site(date(2027, 1, 20), units=2)
    first, second = site.units.order_by("pk")
    visit = make_visit(site, [first], planned_on=date(2026, 12, 14))
    outlook = look()
    act, made, joined = services.take_trips(outlook, until=date(2027, 1, 31), by=None, now=NOW)
    assert (made, joined) == (0, 1)
    assert set(visit.jobs.values_list("unit", flat=True)) == {first.pk, second.pk}
    assert services.undo_take(outlook, act)[0] == 1
    assert list(Job.objects.filter(visit=visit).values_list("unit", flat=True)) == [first.pk]


def test_odd_sites_are_named_and_the_rest_is_planned():
    bare = make_site(country="")
    late = due_site(date(2026, 10, 1), latitude=38.5, longitude=-99.1)
    outlook = look()
    said = {row.site_id: row.problems for row in OutlookSite.objects.filter(outlook=outlook)}
    assert "No unit is on duty here." in said[bare.pk]
    assert any("no coordinates" in text for text in said[bare.pk])
    assert any("not known; none are kept free" in text for text in said[bare.pk])
    assert [text for text in said[late.pk] if "has passed" in text]
    # Thanksgiving is kept free: the first trip comes on the Friday after.
    assert OutlookTrip.objects.filter(site=late).earliest("on").on == date(2026, 11, 27)


def test_the_figures_of_the_manager_count():
    site = due_site(date(2027, 3, 1))
    unit = make_unit(site, made=Stamp.of(2026, 4), refresh=False)
    make_record(unit, Task.MAINTENANCE, Stamp.of(2026, 4, 20))
    look()
    assert OutlookTrip.objects.filter(on__lt=date(2027, 7, 1)).count() == 1
    BundlingFigures.objects.create(values={"cap.maintenance": 30}, made_at=NOW)
    outlook = look()
    assert OutlookTrip.objects.filter(outlook=outlook, on__lt=date(2027, 7, 1)).count() == 2
