"""Plans: made, changed by hand, undone, taken; and what two dispatchers at once are told."""

from __future__ import annotations

from datetime import date, time, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.exceptions import ValidationError

from inventory.errors import Conflict
from inventory.register.models import BlackoutPeriod
from schedules.crew.models import Absence, Skill, SkillNeed, Van
from schedules.planning import checker
from schedules.routes import services, turning
from schedules.routes.models import PlanChange, PlanStop, RoutePlan
from schedules.routes.store import opened
from schedules.visits.models import Visit
from servicedesk.accounts.models import User
from tests.factories import NOW, make_user
from tests.servicedesk.desk.plan_cast import (
    MONDAY,
    make_depot,
    make_member,
    make_open_visit,
    make_planned_site,
    make_small_plan,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def by(db: None) -> Any:
    return make_user("dispatcher")


def made(depot: Any, by: Any, **fields: Any) -> services.Done:
    fields = {"first_on": MONDAY, "days": 5, "propose": False, "seconds": 0.1} | fields
    return services.make_plan([depot], by=by, now=NOW, **fields)


def places(plan: RoutePlan) -> dict[str, tuple[int | None, date | None]]:
    return {stop.visit.number: (stop.technician_id, stop.on) for stop in plan.stops.select_related("visit")}


def test_a_plan_serves_what_is_open_and_passes_the_independent_check(by: Any) -> None:
    plan = make_small_plan(4, 2, by=by)
    assert plan.totals["planned"] == 4
    assert plan.problems == []
    found = opened(plan, now=NOW)
    assert checker.check(found.built.problem, found.plan).feasible
    days = {day.technician_id: day for day in plan.routes.filter(leaves_s__isnull=False)}
    stops = list(plan.stops.filter(technician__isnull=False).order_by("technician", "on", "position"))
    assert all(stop.starts_s is not None and stop.starts_s >= 8 * 3600 for stop in stops)
    assert sum(day.work_s for day in days.values()) == sum(stop.work_s for stop in stops)


def test_what_cannot_be_planned_is_named_and_the_rest_is_planned(by: Any) -> None:
    depot = make_depot()
    make_member(depot)
    lost = make_open_visit(make_planned_site(1, latitude=None, longitude=None))
    closed = make_planned_site(2)
    BlackoutPeriod.objects.create(
        label="Shutdown", first_on=MONDAY, last_on=MONDAY + timedelta(days=13), site=closed
    )
    shut = make_open_visit(closed)
    needs = make_planned_site(3)
    SkillNeed.objects.create(skill=Skill.objects.create(name="Halon"), site=needs)
    skilled = make_open_visit(needs)
    plain = make_open_visit(make_planned_site(4))
    plan = made(depot, by).plan
    why = {stop.visit_id: stop.why_out[0]["code"] for stop in plan.stops.filter(technician__isnull=True)}
    assert why == {lost.pk: "no coordinates", shut.pk: "no opening", skilled.pk: "skill missing"}
    assert plan.stops.get(visit=plain).technician_id is not None


@pytest.mark.parametrize(
    ("lacks", "word"),
    [("crew", "No technician"), ("visits", "no visit to drive to"), ("place", "no coordinates")],
)
def test_a_plan_of_nothing_says_what_is_lacking(by: Any, lacks: str, word: str) -> None:
    depot = make_depot(latitude=None, longitude=None) if lacks == "place" else make_depot()
    if lacks != "crew":
        make_member(depot)
    if lacks != "visits":
        make_open_visit(make_planned_site(1))
    with pytest.raises(ValidationError, match=word):
        made(depot, by)
    assert not RoutePlan.objects.exists()


def test_a_van_carries_no_more_loaners_than_it_has(by: Any) -> None:
    depot = make_depot()
    member = make_member(depot)
    site = make_planned_site(1)
    visit = make_open_visit(site, tasks=("hydrostatic_test",))
    Van.objects.create(name="Empty van", driver=member)
    plan = made(depot, by).plan
    assert plan.stops.get(visit=visit).why_out[0]["code"] == "van too small"
    Van.objects.all().delete()
    # Without a van on record loads are not limited, and that is said.
    done = made(depot, by)
    assert done.plan.totals["planned"] == 1
    assert [note.code for note in done.notes if note.code == "van"] == ["van"]


def test_a_drag_keeps_the_hands_wish_and_can_be_undone_and_done_again(by: Any) -> None:
    plan = make_small_plan(4, 2, by=by)
    before = places(plan)
    stop = plan.stops.select_related("visit").first()
    other = plan.routes.exclude(technician=stop.technician_id).first().technician_id
    wednesday = MONDAY + timedelta(days=2)
    done = services.move(plan, stop.visit_id, technician_id=other, on=wednesday, version=1, by=by, now=NOW)
    assert not done.refused
    after = places(plan)
    assert after[stop.visit.number] == (other, wednesday)
    moved = plan.stops.get(visit=stop.visit_id)
    assert (moved.pin_technician_id, moved.pin_on) == (other, wednesday)
    assert done.cost_before_60 is not None
    assert done.cost_60 is not None
    assert done.cost_60 > done.cost_before_60
    assert next(item.visit.pk for item in done.moved) == stop.visit_id

    turning.undo(plan, version=2, by=by, now=NOW)
    assert places(plan) == before
    assert plan.stops.get(visit=stop.visit_id).pin_technician_id is None
    turning.redo(plan, version=3, by=by, now=NOW)
    assert places(plan) == after
    plan.refresh_from_db()
    assert (plan.version, plan.problems) == (4, [])
    kinds = list(PlanChange.objects.filter(plan=plan).order_by("pk").values_list("kind", flat=True))
    assert kinds == ["made", "move", "undo", "redo"]
    turning.undo(plan, version=4, by=by, now=NOW)
    with pytest.raises(Conflict, match="no change"):
        turning.undo(plan, version=5, by=by, now=NOW)


def test_a_wish_that_cannot_be_kept_changes_nothing_and_says_what_would_help(by: Any) -> None:
    plan = make_small_plan(2, 1, by=by)
    stop = plan.stops.first()
    before = places(plan)
    done = services.move(
        plan, stop.visit_id, technician_id=stop.technician_id, on=MONDAY, starts_s=3 * 3600,
        version=1, by=by, now=NOW,
    )  # fmt: skip
    assert done.refused
    assert done.ways
    assert "Technician Person" in done.ways[0].text
    plan.refresh_from_db()
    assert (plan.version, places(plan)) == (1, before)


def test_of_two_dispatchers_at_once_the_second_is_told_what_the_first_did(by: Any) -> None:
    plan = make_small_plan(2, 1, by=by)
    first, second = RoutePlan.objects.get(), RoutePlan.objects.get()
    stop = plan.stops.select_related("visit").first()
    services.exclude(first, stop.visit_id, version=1, by=by, now=NOW)
    with pytest.raises(Conflict, match=f"{stop.visit.number}.*kept out") as told:
        services.pin_here(second, stop.visit_id, version=1, by=by, now=NOW)
    assert told.value.code == "plan_changed"
    # The same when the first one's change lands between reading and writing of the second.
    late = RoutePlan.objects.get()
    RoutePlan.objects.filter(pk=plan.pk).update(version=7)
    with pytest.raises(Conflict):
        services.include(late, stop.visit_id, version=2, by=by, now=NOW)
    assert plan.stops.get(visit=stop.visit_id).is_excluded


def test_kept_out_stays_out_until_let_in_again(by: Any) -> None:
    plan = make_small_plan(2, 1, by=by)
    stop = plan.stops.first()
    services.exclude(plan, stop.visit_id, version=1, by=by, now=NOW)
    row = plan.stops.get(visit=stop.visit_id)
    assert (row.is_excluded, row.technician_id, row.why_out[0]["code"]) == (True, None, "by_hand")
    services.include(plan, stop.visit_id, version=2, by=by, now=NOW)
    row = plan.stops.get(visit=stop.visit_id)
    assert (row.is_excluded, row.technician_id) == (False, stop.technician_id)


def test_falling_ill_at_ten_keeps_what_was_begun_and_hands_on_the_rest(by: Any) -> None:
    plan = make_small_plan(9, 2, days=1, by=by)
    day = max(plan.routes.all(), key=lambda row: row.work_s)
    theirs = list(plan.stops.filter(technician=day.technician_id).order_by("position"))
    ten = 10 * 3600
    begun = [stop.visit_id for stop in theirs if stop.ends_s <= ten]
    assert begun
    assert len(begun) < len(theirs)
    others = {s.visit_id: (s.technician_id, s.on) for s in plan.stops.exclude(technician=day.technician_id)}
    member = day.technician.crew
    services.technician_away(
        plan, member, kind="ill", on=MONDAY, from_time=time(10), version=1, by=by, now=NOW
    )
    left = plan.stops.filter(technician=day.technician_id)
    assert sorted(left.values_list("visit_id", flat=True)) == sorted(begun)
    # Nobody else's visit is given away for it.
    kept = {s.visit_id: (s.technician_id, s.on) for s in plan.stops.filter(visit__in=others)}
    assert kept == others
    plan.refresh_from_db()
    assert plan.problems == []
    # A later change reads the shortened day from the tables and still finds it sound.
    other = plan.stops.exclude(technician=day.technician_id).filter(technician__isnull=False).first()
    services.pin_here(plan, other.visit_id, version=2, by=by, now=NOW)
    assert plan.problems == []
    turning.undo(plan, version=3, by=by, now=NOW)
    turning.undo(plan, version=4, by=by, now=NOW)
    assert Absence.objects.get().is_void
    assert plan.stops.filter(technician=day.technician_id).count() == len(theirs)


def test_an_urgent_call_is_squeezed_in_today(by: Any) -> None:
    depot = make_depot()
    make_member(depot)
    make_open_visit(make_planned_site(1), planned_on=date(2026, 11, 25))
    done = made(depot, by, first_on=date(2026, 11, 25), days=1)
    site = make_planned_site(2)
    done = services.urgent_call(done.plan, site, reason="Used on a bin fire", version=1, by=by, now=NOW)
    visit = Visit.objects.get(site=site)
    assert (visit.is_urgent, visit.call_reason) == (True, "Used on a bin fire")
    stop = done.plan.stops.get(visit=visit)
    assert (stop.technician_id is not None, stop.on) == (True, date(2026, 11, 25))
    # Who asked reads where it is, or that nobody goes and why.
    who = User.objects.get(pk=stop.technician_id).display_name
    at = f"{stop.starts_s // 3600:02d}:{stop.starts_s % 3600 // 60:02d}"
    assert f"{visit.number} is on Wed 25 Nov 2026 at {at} with {who}." in done.sentence
    far = make_planned_site(3, latitude=-33.9, longitude=18.4)
    done = services.urgent_call(done.plan, far, reason="Used", version=2, by=by, now=NOW)
    assert not done.plan.stops.get(visit__site=far).technician_id
    assert f"{Visit.objects.get(site=far).number} found no place, so nobody goes: " in done.sentence


def test_an_absence_outside_the_plan_is_not_taken_for_one_in_it(by: Any) -> None:
    depot = make_depot()
    member = make_member(depot)
    make_open_visit(make_planned_site(1))
    plan = made(depot, by).plan
    for on in (MONDAY - timedelta(days=6), MONDAY + timedelta(days=365)):
        with pytest.raises(ValidationError, match="This plan runs from"):
            services.technician_away(
                plan, member, kind="ill", on=on, from_time=None, version=1, by=by, now=NOW
            )
    assert not Absence.objects.exists()


def test_taking_writes_into_visits_and_keeps_promises(by: Any) -> None:
    depot = make_depot()
    member = make_member(depot)
    make_member(depot)
    plain = make_open_visit(make_planned_site(1))
    promised = make_open_visit(
        make_planned_site(2), state=Visit.State.CONFIRMED, technician=member.technician, promised_at=NOW,
        window_from=time(13), window_until=time(14), planned_on=MONDAY + timedelta(days=1),
    )  # fmt: skip
    plan = made(depot, by).plan
    stop = plan.stops.get(visit=promised)
    assert stop.on == MONDAY + timedelta(days=1)
    assert 13 * 3600 <= stop.starts_s <= 14 * 3600
    written = services.take(plan, confirm=True, version=1, by=by, now=NOW)
    assert (written.changed, written.confirmed, written.kept) == (2, 1, ())
    plain.refresh_from_db()
    spot = plan.stops.get(visit=plain)
    assert (plain.state, plain.technician_id, plain.planned_on) == ("confirmed", spot.technician_id, spot.on)
    assert plain.window_from <= plain.planned_start <= plain.window_until
    promised.refresh_from_db()
    assert (promised.window_from, promised.window_until) == (time(13), time(14))
    # Taking it again finds nothing to change.
    again = services.take(plan, confirm=True, version=2, by=by, now=NOW)
    assert again.changed == 0


def test_a_plan_that_breaks_a_rule_is_never_taken(by: Any) -> None:
    plan = make_small_plan(1, 1, by=by)
    RoutePlan.objects.update(problems=["Two vans at once."])
    plan.refresh_from_db()
    with pytest.raises(Conflict, match="Two vans at once"):
        services.take(plan, confirm=True, version=1, by=by, now=NOW)
    assert Visit.objects.get().state == "proposed"


def test_facts_that_changed_take_out_what_no_longer_fits(by: Any) -> None:
    plan = make_small_plan(2, 1, by=by)
    first, second = plan.stops.order_by("pk")
    first.visit.site.access_windows.all().delete()
    BlackoutPeriod.objects.create(
        label="Flood", first_on=MONDAY, last_on=MONDAY + timedelta(days=6), site=first.visit.site
    )
    services.pin_here(plan, second.visit_id, version=1, by=by, now=NOW)
    row = plan.stops.get(visit=first.visit_id)
    assert (row.technician_id, row.why_out[0]["code"]) == (None, "facts_changed")
    plan.refresh_from_db()
    assert plan.problems == []


def test_the_clock_of_the_plan_meets_hours_in_another_zone(by: Any) -> None:
    depot = make_depot()
    make_member(depot)
    site = make_planned_site(1, time_zone="America/Denver", longitude=Decimal("-99.71"))
    site.access_windows.all().update(opens_at=time(8), closes_at=time(9, 30))
    visit = make_open_visit(site)
    plan = made(depot, by).plan
    stop = plan.stops.get(visit=visit)
    # Eight in Denver is nine in Chicago.
    assert 9 * 3600 <= stop.starts_s <= 10 * 3600 + 1800
    services.take(plan, confirm=True, version=1, by=by, now=NOW)
    visit.refresh_from_db()
    assert time(8) <= visit.planned_start <= time(9, 30)


@pytest.mark.parametrize("sites", [2, 5])
def test_reading_a_plan_for_a_change_costs_the_same_whatever_its_size(
    by: Any, sites: int, django_assert_num_queries: Any
) -> None:
    plan = make_small_plan(sites, 2, by=by)
    # Plan stops; depots; crew with shifts, absences, skills, van (its stock only where there is one);
    # skill needs; figures; jobs; blackouts; hours; site calls; who came last (twice).
    with django_assert_num_queries(13):
        opened(plan, now=NOW)
    assert PlanStop.objects.filter(plan=plan).count() == sites
