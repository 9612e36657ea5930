"""The search in the background: claimed once, survives its worker, stops at will, never overwrites."""

from __future__ import annotations

from datetime import time, timedelta
from typing import Any

import pytest

from inventory.errors import Conflict
from inventory.register.models import AccessWindow
from schedules import tasks
from schedules.planning.engine import Better, Outcome
from schedules.planning.model import Plan, Reason
from schedules.routes import runs, services
from schedules.routes.models import PlanRun, RoutePlan
from schedules.routes.store import opened
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
State = PlanRun.State


@pytest.fixture(autouse=True)
def _no_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runs, "nudge", lambda run_id: None)


@pytest.fixture
def plan(db: None) -> RoutePlan:
    return make_small_plan(4, 2)


def clock() -> Any:
    return NOW


def test_a_search_runs_in_slices_to_its_end(plan: RoutePlan) -> None:
    run = runs.start_run(plan, seconds=1, by=None)
    assert runs.work_on(run.pk, clock=clock, slice_s=0.3)
    run.refresh_from_db()
    assert (run.state, run.claim) == (State.RUNNING, None)
    assert 0.2 <= run.elapsed_s < 1
    while runs.work_on(run.pk, clock=clock, slice_s=0.6):
        pass
    run.refresh_from_db()
    assert run.state == State.DONE
    assert run.finished_at == NOW
    assert not runs.work_on(run.pk, clock=clock)


def test_only_one_search_for_a_plan_at_a_time(plan: RoutePlan) -> None:
    runs.start_run(plan, seconds=20, by=None)
    with pytest.raises(Conflict, match="already under way"):
        runs.start_run(plan, seconds=20, by=None)
    assert runs.stop_run(plan)
    runs.start_run(plan, seconds=20, by=None)


def test_a_run_is_claimed_once_and_taken_over_when_its_worker_is_lost(
    plan: RoutePlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = runs.start_run(plan, seconds=1, by=None)
    first = runs._claim(run.pk, NOW)
    assert first is not None
    assert runs._claim(run.pk, NOW + timedelta(seconds=5)) is None
    assert runs.waiting_runs(NOW + timedelta(seconds=5)) == []
    # Nothing is heard of it for a while: the sweep finds it, and somebody else goes on.
    later = NOW + timedelta(seconds=runs.SILENT_S + 1)
    assert runs.waiting_runs(later) == [run.pk]
    nudged: list[int] = []
    monkeypatch.setattr(tasks.search_plan, "delay", nudged.append)
    monkeypatch.setattr("schedules.tasks.timezone.now", lambda: later)
    assert tasks.resume_plan_searches() == 1
    assert nudged == [run.pk]
    assert runs._claim(run.pk, later) not in (None, first)
    run.refresh_from_db()
    assert run.tries == 1
    # The lost worker wakes up and finds that it has no say any more.
    runs._end(run, first, State.DONE, later)
    run.refresh_from_db()
    assert run.state == State.RUNNING


def test_a_run_that_kills_its_workers_is_given_up(plan: RoutePlan) -> None:
    run = runs.start_run(plan, seconds=1, by=None)
    for turn in range(runs.MOST_TRIES + 2):
        runs._claim(run.pk, NOW + turn * timedelta(seconds=runs.SILENT_S + 1))
    run.refresh_from_db()
    assert (run.state, run.error) == (State.FAILED, "Its worker was lost three times.")


def test_a_failing_search_says_so_and_leaves_the_plan(
    plan: RoutePlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: Any, **kwargs: Any) -> None:
        raise RuntimeError("no memory")

    monkeypatch.setattr(runs, "solve", broken)
    run = runs.start_run(plan, seconds=1, by=None)
    assert not runs.work_on(run.pk, clock=clock)
    run.refresh_from_db()
    assert (run.state, run.error) == (State.FAILED, "RuntimeError: no memory")
    plan.refresh_from_db()
    assert plan.version == 1


def worse_then_better(plan: RoutePlan, monkeypatch: pytest.MonkeyPatch) -> PlanRun:
    """Spoil the plan by hand, so that the search has something to find; run it."""
    by = make_user("dispatcher")
    # Moving a visit is to cost nothing, or it would not pay to undo what the hand did.
    plan.rules = {**plan.rules, "moved": 0}
    plan.save(update_fields=["rules"])
    stops = list(plan.stops.filter(technician__isnull=False).order_by("technician", "on", "position"))
    other = plan.routes.exclude(technician=stops[0].technician_id).first().technician_id
    services.move(
        plan, stops[0].visit_id, technician_id=other, on=plan.first_on + timedelta(days=4), version=1,
        by=by, now=NOW,
    )  # fmt: skip
    services.release(plan, stops[0].visit_id, version=2, by=by, now=NOW)
    run = runs.start_run(plan, seconds=1, by=by)
    while runs.work_on(run.pk, clock=clock, slice_s=0.5):
        pass
    run.refresh_from_db()
    return run


def test_a_better_plan_is_shown_used_and_undone(plan: RoutePlan, monkeypatch: pytest.MonkeyPatch) -> None:
    run = worse_then_better(plan, monkeypatch)
    assert run.gain_60 > 0
    assert run.progress
    assert "costs" in run.sentence
    cost = plan.totals["cost_60"]
    done = runs.use_run(run, version=3, by=make_user("dispatcher"), now=NOW)
    assert done.moved
    fresh = RoutePlan.objects.get()
    assert fresh.totals["cost_60"] == cost - run.gain_60
    assert (fresh.version, fresh.problems) == (4, [])


def test_a_find_is_not_used_once_the_plan_has_changed(
    plan: RoutePlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = worse_then_better(plan, monkeypatch)
    by = make_user("dispatcher")
    services.pin_here(plan, plan.stops.first().visit_id, version=3, by=by, now=NOW)
    run = PlanRun.objects.select_related("plan").get(pk=run.pk)
    assert not run.can_be_taken
    with pytest.raises(Conflict, match="search again"):
        runs.use_run(run, version=4, by=by, now=NOW)


def test_a_search_stops_when_asked(plan: RoutePlan, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def slow(problem: Any, *, should_stop: Any, **kwargs: Any) -> Outcome:
        PlanRun.objects.update(is_stop_asked=True)
        monkeypatch.setattr(runs, "WRITE_EVERY_S", 0)
        asked.append(should_stop())
        found = Plan({}, {})
        return Outcome(found, 10**9, 0.0, 1, ())

    monkeypatch.setattr(runs, "solve", slow)
    run = runs.start_run(plan, seconds=60, by=None)
    assert not runs.work_on(run.pk, clock=clock)
    run.refresh_from_db()
    assert asked == [True]
    assert (run.state, run.best) == (State.STOPPED, None)


def test_a_large_problem_is_split_by_territory_and_put_together(monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = make_depot(), make_depot(name="Second depot", longitude="-99.400000")
    for depot in (first, second):
        make_member(depot)
    for number in (1, 2, 3):
        make_open_visit(make_planned_site(number, depot=first))
    for number in (28, 29):
        make_open_visit(make_planned_site(number, depot=second))
    plan = services.make_plan(
        [first, second], first_on=MONDAY, days=5, by=None, now=NOW,
        propose=False, seconds=0.1,
    ).plan  # fmt: skip
    found = opened(plan, now=NOW)
    parts = runs.split(found.built.problem)
    assert sorted(len(part.stops) for part in parts) == [2, 3]
    monkeypatch.setattr(runs, "SPLIT_ABOVE", 1)
    better: list[Better] = []
    whole, cost = runs._solve(found.built.problem, found.plan, 0.4, 1, better.append, lambda: False)
    assert len(whole.where()) == 5
    assert cost <= plan.totals["cost_60"]
    # From nothing: each territory is told as soon as it stands.
    nothing = Plan({}, found.plan.left_out | {key: Reason("x", "x") for key in found.built.problem.stop})
    whole, cost = runs._solve(found.built.problem, nothing, 0.4, 1, better.append, lambda: False)
    assert [len(told.plan.where()) for told in better[-2:]] in ([2, 5], [3, 5])
    assert better[-1].cost_60 == cost


def following(plan: RoutePlan) -> PlanRun:
    """A search that follows a plan which has a far better one beside it."""
    by = make_user("dispatcher")
    stop = plan.stops.filter(technician__isnull=False).order_by("technician", "on", "position").first()
    other = plan.routes.exclude(technician=stop.technician_id).first().technician_id
    services.move(
        plan, stop.visit_id, technician_id=other, on=plan.first_on + timedelta(days=4), version=1, by=by,
        now=NOW,
    )  # fmt: skip
    services.release(plan, stop.visit_id, version=2, by=by, now=NOW)
    run = runs.start_run(plan, seconds=2, by=by, follows=True)
    assert runs.work_on(run.pk, clock=clock, slice_s=0.5)
    return PlanRun.objects.select_related("plan").get()


def test_what_follows_a_new_plan_is_taken_while_it_goes_on(plan: RoutePlan) -> None:
    run = following(plan)
    # The move that the hand made costs nothing to undo, whatever moving costs elsewhere.
    assert run.is_open
    assert run.can_be_taken
    cost, gain = run.plan.totals["cost_60"], run.gain_60
    assert gain > 0
    assert "less than the first plan" in run.sentence
    done = runs.use_run(run, version=3, by=make_user("dispatcher"), now=NOW)
    assert done.plan.totals["cost_60"] == cost - gain
    assert done.plan.problems == []
    run = PlanRun.objects.select_related("plan").get()
    assert (run.plan_version, run.gain_60, run.can_be_taken) == (4, 0, False)
    # It goes on from there, until a hand changes the plan.
    assert runs.work_on(run.pk, clock=clock, slice_s=0.5)
    services.pin_here(done.plan, plan.stops.first().visit_id, version=4, by=make_user("dispatcher"), now=NOW)
    assert not runs.work_on(run.pk, clock=clock, slice_s=0.5)
    run = PlanRun.objects.select_related("plan").get()
    assert run.state == State.STOPPED
    assert not run.can_be_taken
    assert "changed by hand" in run.sentence


def test_a_hand_on_the_plan_ends_the_search_that_is_at_work(
    plan: RoutePlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def slow(problem: Any, *, should_stop: Any, **kwargs: Any) -> Outcome:
        RoutePlan.objects.update(version=2)
        monkeypatch.setattr(runs, "WRITE_EVERY_S", 0)
        asked.append(should_stop())
        return Outcome(Plan({}, {}), 10**9, 0.0, 1, ())

    monkeypatch.setattr(runs, "solve", slow)
    run = runs.start_run(plan, seconds=60, by=None, follows=True)
    assert not runs.work_on(run.pk, clock=clock)
    assert asked == [True]


def test_a_find_that_facts_have_overtaken_is_refused(plan: RoutePlan) -> None:
    run = following(plan)
    AccessWindow.objects.all().update(opens_at=time(3), closes_at=time(4))
    with pytest.raises(Conflict, match="Facts changed"):
        runs.use_run(run, version=3, by=make_user("dispatcher"), now=NOW)
    assert RoutePlan.objects.get().version == 3
