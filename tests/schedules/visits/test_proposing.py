"""Visits proposed from what is due, and the dispatcher's hand on them."""

from __future__ import annotations

from datetime import date, time, timedelta

import pytest
from django.core.exceptions import ValidationError

from inventory.errors import Conflict
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.models import AccessWindow, Unit
from schedules.bundles import queries
from schedules.due.models import Obligation
from schedules.planning.figures import DEFAULTS
from schedules.visits.models import Job, Visit
from schedules.visits.proposing import propose_visit, propose_visits
from schedules.visits.services import assign_visit, cancel_visit, confirm_visit
from tests.factories import NOW, TODAY, make_record, make_site, make_unit, make_user

pytestmark = pytest.mark.django_db


def unit_due_on(site, latest: date, **fields) -> Unit:
    """A unit whose yearly maintenance has ``latest`` as its last day (a year after the record)."""
    unit = make_unit(site, refresh=False, **fields)
    make_record(unit, Task.MAINTENANCE, Stamp.of(latest.year - 1, latest.month, latest.day))
    row = Obligation.objects.get(unit=unit, task=Task.MAINTENANCE)
    assert row.latest_on == latest
    return unit


def test_a_visit_takes_the_work_that_is_due_and_no_more():
    site = make_site()
    soon = unit_due_on(site, TODAY + timedelta(days=20))
    late = unit_due_on(site, TODAY - timedelta(days=3))
    far = unit_due_on(site, TODAY + timedelta(days=300))
    visit = propose_visit(site, by=None, now=NOW)
    assert visit is not None
    assert visit.state == Visit.State.PROPOSED
    assert set(visit.jobs.values_list("unit_id", flat=True)) == {soon.pk, late.pk}
    assert far.pk not in visit.jobs.values_list("unit_id", flat=True)
    assert visit.latest_on == TODAY - timedelta(days=3)


def test_overdue_work_is_visited_on_the_next_open_day():
    site = make_site()
    # Open on Fridays only; 25 November 2026 is a Wednesday.
    AccessWindow.objects.create(site=site, weekday=4, opens_at=time(8), closes_at=time(12))
    unit_due_on(site, TODAY - timedelta(days=3))
    visit = propose_visit(site, by=None, now=NOW)
    assert visit.planned_on == date(2026, 11, 27)


def test_work_on_an_open_visit_is_not_proposed_again():
    site = make_site()
    unit_due_on(site, TODAY + timedelta(days=20))
    assert propose_visit(site, by=None, now=NOW) is not None
    assert propose_visit(site, by=None, now=NOW) is None
    assert Visit.objects.count() == 1


def test_cancelled_work_can_be_proposed_again():
    site = make_site()
    unit_due_on(site, TODAY + timedelta(days=20))
    visit = propose_visit(site, by=None, now=NOW)
    cancel_visit(visit, reason="Owner asked for another month", version=visit.version)
    assert propose_visit(site, by=None, now=NOW) is not None


def test_nothing_due_gives_no_visit_and_draws_no_number():
    site = make_site()
    unit_due_on(site, TODAY + timedelta(days=300))
    assert propose_visit(site, by=None, now=NOW) is None
    second = make_site()
    unit_due_on(second, TODAY + timedelta(days=20))
    assert propose_visit(second, by=None, now=NOW).number == "V-000001"


def test_the_owners_own_monthly_look_starts_no_visit():
    site = make_site()
    unit = unit_due_on(site, TODAY + timedelta(days=300))
    assert Obligation.objects.filter(
        unit=unit, task=Task.VISUAL_INSPECTION, latest_on__lte=TODAY + timedelta(days=60)
    ).exists()
    assert propose_visit(site, by=None, now=NOW) is None


def test_pulling_forward_stops_at_its_cap():
    site = make_site()
    first = TODAY + timedelta(days=20)
    unit_due_on(site, first)
    day = TODAY + timedelta(days=10)
    cap = DEFAULTS.cap_days(Task.MAINTENANCE, 365)
    assert cap == 92
    inside = unit_due_on(site, day + timedelta(days=cap))
    outside = unit_due_on(site, day + timedelta(days=cap + 1))
    visit = propose_visit(site, by=None, now=NOW, planned_on=day)
    units = set(visit.jobs.values_list("unit_id", flat=True))
    assert inside.pk in units
    assert outside.pk not in units


def test_a_day_that_has_passed_is_refused():
    site = make_site()
    unit_due_on(site, TODAY + timedelta(days=20))
    with pytest.raises(ValidationError, match="has passed"):
        propose_visit(site, by=None, now=NOW, planned_on=TODAY - timedelta(days=1))
    assert not Visit.objects.exists()


def test_many_sites_cost_as_many_queries_as_one(django_assert_num_queries):
    sites = [make_site() for _ in range(4)]
    for site in sites:
        unit_due_on(site, TODAY + timedelta(days=20))
    # Savepoints of the two nested transactions (2 x 2); figures; open visits; units, what is owed, hours,
    # agreed terms; adoptions, variations; blackouts; the same obligations with their units; savepoint of
    # making (2); drawing numbers (savepoint, get, update, read, release and get_or_create's); visits, jobs
    with django_assert_num_queries(25):
        assert len(propose_visits(sites[:1], by=None, now=NOW)) == 1
    with django_assert_num_queries(22):
        assert len(propose_visits(sites[1:], by=None, now=NOW)) == 3
    assert Job.objects.count() == 4


def test_a_site_with_nothing_due_is_passed_over_and_the_others_get_what_they_would_anyway(monkeypatch):
    """Finding the cheapest trips over two years takes a tenth of a second a site."""
    near, edge, far = make_site(), make_site(), make_site()
    unit_due_on(near, TODAY + timedelta(days=20))
    unit_due_on(edge, TODAY + timedelta(days=60))
    unit_due_on(far, TODAY + timedelta(days=61))
    sites, bundled = [near, edge, far], []
    real = queries.bundle

    def counted(*args, **kwargs):
        bundled.append(args)
        return real(*args, **kwargs)

    monkeypatch.setattr(queries, "bundle", counted)
    every = list(queries.bundles_of(sites, now=NOW, figures=DEFAULTS, fixed={}, joins=False))
    firsts = {found.site: found.bundle.trips[0].on for found in every}
    assert len(bundled) == len(firsts) == 3
    bundled.clear()
    made = propose_visits(sites, by=None, now=NOW, horizon_days=60)
    assert len(bundled) == 2
    assert {visit.site: visit.planned_on for visit in made} == {near: firsts[near], edge: firsts[edge]}


def test_two_dispatchers_at_once_the_second_is_told():
    site = make_site()
    unit_due_on(site, TODAY + timedelta(days=20))
    visit = propose_visit(site, by=None, now=NOW)
    seen = visit.version
    one, two = make_user("technician"), make_user("technician")
    assign_visit(visit, technician=one, planned_on=TODAY + timedelta(days=2), version=seen, now=NOW)
    with pytest.raises(Conflict, match="changed by somebody else"):
        assign_visit(visit, technician=two, planned_on=TODAY + timedelta(days=3), version=seen, now=NOW)
    visit.refresh_from_db()
    assert visit.technician == one


def test_a_visit_is_confirmed_for_a_technician_only():
    site = make_site()
    unit_due_on(site, TODAY + timedelta(days=20))
    visit = propose_visit(site, by=None, now=NOW)
    with pytest.raises(ValidationError, match="Choose a technician"):
        confirm_visit(visit, version=visit.version, now=NOW)
    with pytest.raises(ValidationError, match="not an active technician"):
        assign_visit(
            visit,
            technician=make_user("workshop"),
            planned_on=visit.planned_on,
            version=visit.version,
            now=NOW,
        )
    visit = assign_visit(
        visit, technician=make_user("technician"), planned_on=visit.planned_on, version=visit.version, now=NOW
    )
    assert confirm_visit(visit, version=visit.version, now=NOW).state == Visit.State.CONFIRMED


def test_a_lapsed_licence_is_refused():
    site = make_site()
    unit_due_on(site, TODAY + timedelta(days=20))
    visit = propose_visit(site, by=None, now=NOW)
    lapsed = make_user("technician", licence_expires_on=visit.planned_on - timedelta(days=1))
    with pytest.raises(ValidationError, match=r"licence of .* ends on"):
        assign_visit(visit, technician=lapsed, planned_on=visit.planned_on, version=visit.version, now=NOW)
