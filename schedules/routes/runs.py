"""Searching for a better plan in the background: claimed by a worker, stopped at will, never lost.

A search works in slices. After each its best find stands in the row, and the next slice is a message
of its own, so that other jobs get their turn in between. A worker that dies leaves a claim on which
nothing is heard any more; whoever asks next takes it over and goes on from the best find.
"""

from __future__ import annotations

import logging
import time
import uuid
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from celery import current_app
from django.db import IntegrityError, transaction
from django.db.models import F, Q
from django.utils import timezone

from inventory.errors import Conflict
from inventory.people import Person
from schedules.planning.checker import check
from schedules.planning.engine import Better, solve
from schedules.planning.model import Plan, Problem
from schedules.routes.models import PlanRun, RoutePlan
from schedules.routes.services import Done, apply_routes
from schedules.routes.store import mended, opened, totals_of

log = logging.getLogger(__name__)
SLICE_S = 15.0
SILENT_S = 40
WRITE_EVERY_S = 0.7
MOST_TRIES = 3
SPLIT_ABOVE = 400
State = PlanRun.State


def start_run(row: RoutePlan, *, seconds: int, by: Person | None, follows: bool = False) -> PlanRun:
    """Ask for a search of ``seconds``; one at a time for each plan, else ``Conflict``.

    One that ``follows`` goes on with a plan that was just made: moving a visit costs nothing yet, and the
    board takes each find until a hand changes the plan, which ends it.
    """
    try:
        with transaction.atomic():
            run = PlanRun.objects.create(
                plan=row,
                plan_version=row.version,
                seconds=seconds,
                seed=row.seed,
                outlook={"follows": True} if follows else {},
                asked_by_id=by.pk if by is not None else None,
            )
    except IntegrityError as error:
        raise Conflict("search_under_way", "A search for this plan is already under way.") from error
    transaction.on_commit(lambda: nudge(run.pk))
    return run


def nudge(run_id: int) -> None:
    """Tell a worker; without a broker the sweep of the scheduler finds the run all the same."""
    try:
        current_app.send_task("schedules.tasks.search_plan", args=[run_id])
    except Exception as error:
        log.warning("Search %s waits for the next sweep: %s", run_id, error)


def stop_run(row: RoutePlan) -> bool:
    """Ask the open search of ``row`` to stop and keep its best; False when there is none."""
    waiting = PlanRun.objects.filter(plan=row, state=State.WAITING).update(
        state=State.STOPPED, finished_at=timezone.now()
    )
    return bool(waiting + PlanRun.objects.filter(plan=row, state=State.RUNNING).update(is_stop_asked=True))


def waiting_runs(now: datetime) -> list[int]:
    """Searches that no living worker is busy with."""
    silent = Q(state=State.RUNNING) & (
        Q(heard_at__isnull=True) | Q(heard_at__lt=now - timedelta(seconds=SILENT_S))
    )
    return list(
        PlanRun.objects.filter(Q(state=State.WAITING) | silent).order_by("pk").values_list("pk", flat=True)
    )


def use_run(run: PlanRun, *, version: int, by: Person, now: datetime) -> Done:
    """Put the best find of ``run`` in the place of the plan; undone like any other change."""
    if run.best is None or not run.can_be_taken:
        raise Conflict("search_outdated", run.sentence)
    text = f"Better plan of the search used: costs {round(run.gain_60 / 60)} less."
    with transaction.atomic():
        done = apply_routes(
            run.plan, Plan.from_json(run.best), sentence=text, version=version, by=by, now=now
        )
        if run.follows:
            PlanRun.objects.filter(pk=run.pk).update(plan_version=done.plan.version)
    return done


def work_on(run_id: int, *, clock: Callable[[], datetime] = timezone.now, slice_s: float = SLICE_S) -> bool:
    """Search for one slice; True when more is to be done. Does nothing when another worker is at it."""
    claim = _claim(run_id, clock())
    if claim is None:
        return False
    run = PlanRun.objects.select_related("plan__depot").get(pk=run_id)
    try:
        return _slice(run, claim, clock, slice_s)
    except Conflict as gone:
        _end(run, claim, State.FAILED, clock(), error=gone.sentence)
    except Exception as error:
        log.exception("Search %s failed", run_id)
        _end(run, claim, State.FAILED, clock(), error=f"{type(error).__name__}: {error}")
    return False


def _claim(run_id: int, now: datetime) -> uuid.UUID | None:
    """Take the run, or one on which nothing is heard any more; None when somebody else has it."""
    claim = uuid.uuid4()
    silent = Q(heard_at__isnull=True) | Q(heard_at__lt=now - timedelta(seconds=SILENT_S))
    free = Q(state=State.WAITING) | (Q(state=State.RUNNING) & (Q(claim__isnull=True) | silent))
    dead = PlanRun.objects.filter(pk=run_id, state=State.RUNNING, claim__isnull=False).filter(silent)
    if dead.filter(tries__gte=MOST_TRIES).update(
        state=State.FAILED, error="Its worker was lost three times.", finished_at=now
    ):
        return None
    dead.update(tries=F("tries") + 1)
    moved = PlanRun.objects.filter(free, pk=run_id).update(state=State.RUNNING, claim=claim, heard_at=now)
    PlanRun.objects.filter(pk=run_id, claim=claim, started_at__isnull=True).update(started_at=now)
    return claim if moved else None


def _slice(run: PlanRun, claim: uuid.UUID, clock: Callable[[], datetime], slice_s: float) -> bool:
    row = run.plan
    if row.version != run.plan_version:
        _end(run, claim, State.STOPPED, clock())
        return False
    found = opened(row, now=run.created_at)
    mended(found)
    problem, here = found.built.problem, found.plan
    if run.follows:
        # Nobody was told anything yet: the first plan is no reason to keep a visit where it stands.
        problem = replace(problem, prices=replace(problem.prices, moved=0))
    start = Plan.from_json(run.best) if run.best else here
    outlook: dict[str, Any] = dict(run.outlook)
    if "start_60" not in outlook:
        outlook["start_60"] = totals_of(found.built, here)["cost_60"] or 0
    spent = float(outlook.get("spent_s", 0.0))
    length = min(slice_s, run.seconds - spent)
    began = time.monotonic()
    heard = {"at": 0.0, "stop": False}
    progress: list[Any] = list(run.progress)
    best: dict[str, Any] = {"plan": None}

    def report(force: bool = False) -> None:
        at = time.monotonic()
        if not force and at - heard["at"] < WRITE_EVERY_S:
            return
        heard["at"] = at
        outlook["spent_s"] = round(min(spent + at - began, run.seconds), 1)
        fields: dict[str, Any] = {"heard_at": clock(), "progress": progress, "outlook": outlook}
        if best["plan"] is not None:
            plan = best["plan"]
            was, is_now = here.where(), plan.where()
            outlook["moved"] = sum(was.get(key) != is_now.get(key) for key in problem.stop)
            fields["best"] = plan.as_json()
        PlanRun.objects.filter(pk=run.pk, claim=claim).update(**fields)
        # Lost to another worker, asked to stop, or overtaken by a hand: there is nothing more to do here.
        still = (
            PlanRun.objects.filter(pk=run.pk, claim=claim, plan__version=F("plan_version"))
            .values_list("is_stop_asked", flat=True)
            .first()
        )
        heard["stop"] = still is None or still

    def on_better(better: Better) -> None:
        cost = int(better.cost_60)
        if cost < outlook.get("cost_60", outlook["start_60"]):
            best["plan"] = better.plan
            outlook["cost_60"] = cost
            progress.append([round(spent + time.monotonic() - began, 1), cost])
        report()

    def should_stop() -> bool:
        report()
        return bool(heard["stop"])

    report(force=True)
    slice_number = int(spent // slice_s)
    seed = run.seed + 1 + slice_number
    # The first plan was made in a hurry: better ones are seldom near it.
    afresh = run.follows and not run.best
    outcome_plan, outcome_60 = _solve(problem, start, length, seed, on_better, should_stop, afresh=afresh)
    if outcome_60 < outlook.get("cost_60", outlook["start_60"]):
        best["plan"], outlook["cost_60"] = outcome_plan, outcome_60
        progress.append([round(spent + time.monotonic() - began, 1), outcome_60])
    report(force=True)
    plan = best["plan"] or (Plan.from_json(run.best) if run.best else None)
    if plan is not None:
        outlook["totals"] = totals_of(found.built, plan)
    is_over = heard["stop"] or outlook["spent_s"] >= run.seconds - 0.5
    if is_over:
        outlook["spent_s"] = run.seconds if not heard["stop"] else outlook["spent_s"]
        state = State.STOPPED if heard["stop"] else State.DONE
        _end(run, claim, state, clock(), outlook=outlook)
        return False
    # The claim is given back, so that the next slice may be anybody's.
    PlanRun.objects.filter(pk=run.pk, claim=claim).update(claim=None, outlook=outlook, heard_at=clock())
    return True


def _end(run: PlanRun, claim: uuid.UUID, state: str, now: datetime, **fields: Any) -> None:
    if "error" in fields:
        fields["error"] = fields["error"][:300]
    PlanRun.objects.filter(pk=run.pk, claim=claim).update(state=state, finished_at=now, **fields)


def _solve(
    problem: Problem,
    start: Plan,
    seconds: float,
    seed: int,
    on_better: Callable[[Better], None],
    should_stop: Callable[[], bool],
    *,
    afresh: bool = False,
) -> tuple[Plan, int]:
    """Solve whole, or territory by territory where the whole is too large to search well in one go."""
    parts = split(problem) if len(problem.stops) > SPLIT_ABOVE else [problem]
    if len(parts) == 1:
        outcome = solve(
            problem,
            seconds=seconds,
            seed=seed,
            start=None if afresh else start,
            on_better=on_better,
            should_stop=should_stop,
        )
        return outcome.plan, int(outcome.cost_60)
    plan, total = start, check(problem, start).cost_60
    began = time.monotonic()
    for part in parts:
        outcome = solve(
            part,
            seconds=seconds * len(part.stops) / len(problem.stops),
            seed=seed,
            start=None if afresh else _within(start, part),
            should_stop=should_stop,
        )
        routes = {**plan.routes, **{shift.key: () for shift in part.shifts}, **outcome.plan.routes}
        left = {key: reason for key, reason in plan.left_out.items() if key not in part.stop}
        together = Plan(routes, {**left, **outcome.plan.left_out})
        verdict = check(problem, together)
        if not verdict.feasible or verdict.cost_60 >= total:
            continue
        plan, total = together, verdict.cost_60
        on_better(Better(plan, total, time.monotonic() - began))
    return plan, total


def split(problem: Problem) -> list[Problem]:
    """One problem for each territory that has shifts; stops of other territories join the largest.

    A stop that the plan in force has in another territory stays with its own: crossing over is what the
    search of the whole is for.
    """
    shifts = defaultdict(list)
    for shift in problem.shifts:
        shifts[shift.territory].append(shift)
    largest = max(shifts, key=lambda name: (len(shifts[name]), str(name)), default=None)
    stops = defaultdict(list)
    for stop in problem.stops:
        stops[stop.territory if stop.territory in shifts else largest].append(stop)
    return [
        replace(problem, stops=tuple(stops[name]), shifts=tuple(found))
        for name, found in shifts.items()
        if stops[name]
    ]


def _within(plan: Plan, part: Problem) -> Plan:
    return Plan(
        {
            key: tuple(stop for stop in stops if stop in part.stop)
            for key, stops in plan.routes.items()
            if key in part.shift
        },
        {key: reason for key, reason in plan.left_out.items() if key in part.stop},
    )
