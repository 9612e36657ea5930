"""How long a dispatcher waits: making a plan, and a drag on its board, page included."""

from __future__ import annotations

import random
import statistics
import time as clock
from argparse import ArgumentParser
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from typing import Any

from django.conf import settings
from django.test import Client, override_settings
from django.urls import reverse
from django.utils import timezone

from inventory.register.models import AccessWindow, Depot, Location, Owner, Site, Unit, UnitModel
from schedules.crew.models import CrewMember, ShiftHours
from schedules.management.benches import Report
from schedules.routes import runs
from schedules.routes.models import PlanRun, PlanStop, RoutePlan
from schedules.routes.services import make_plan
from schedules.visits.models import Job, Visit
from servicedesk.accounts.models import User

HELP = "A drag on the board with 25 technicians, for one day and for a week: seconds until the page answers."
VISITS_A_DAY = 8
UNITS = 12
TARGETS_S = {1: 2.0, 5: 5.0}
FIRST_S = 1.0


def add_arguments(parser: ArgumentParser) -> None:
    """Size of the firm."""
    parser.add_argument("--technicians", type=int, default=25)
    parser.add_argument("--drags", type=int, default=10)
    parser.add_argument("--follow", type=int, default=20, help="Seconds that a new plan is bettered.")


def run(report: Report, options: Mapping[str, Any]) -> None:
    """Measure a day and a week."""
    # Pages name their style sheets; a throw-away home has collected none.
    plain = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    with override_settings(STORAGES={**settings.STORAGES, "staticfiles": plain}):
        _measure(report, options)


def _measure(report: Report, options: Mapping[str, Any]) -> None:
    now = timezone.now()
    by = User.objects.create_user("bench-dispatcher", role="dispatcher", password=None)
    client = Client(headers={"accept": "application/json", "host": "localhost"})
    client.force_login(by)
    for days, target in TARGETS_S.items():
        rng = random.Random(options["seed"] * 100 + days)  # noqa: S311
        depot = _firm(rng, options["technicians"], days, now)
        report.size = options["technicians"] * days
        began, busy = clock.perf_counter(), clock.process_time()
        done = make_plan([depot], first_on=_monday(now), days=days, by=by, now=now, propose=False)
        took, busy = clock.perf_counter() - began, clock.process_time() - busy
        name = f"{options['technicians']} technicians, {days} day{'s' if days > 1 else ''}"
        planned, cost = done.plan.totals["planned"], done.plan.totals["cost_60"]
        report.figure(
            f"first plan, {name}", took, "s", target=FIRST_S, visits=planned, cost=cost // 60,
            cpu_s=round(busy, 3),
        )  # fmt: skip
        _bettered(report, name, done.plan, by, options["follow"])
        planned = done.plan.totals["planned"]
        busy = clock.process_time()
        waits, moved, refused = _drags(client, done.plan, rng, options["drags"])
        busy = (clock.process_time() - busy) / max(len(waits), 1)
        report.figure(
            f"drag, {name}, mean",
            statistics.mean(waits),
            "s",
            refused=refused,
            visits=planned,
            cpu_s=round(busy, 3),
        )
        report.figure(f"drag, {name}, longest", max(waits), "s", target=target)
        if moved:
            report.figure(
                f"drag, {name}, others given to another lane", statistics.mean(moved), "visits", target=5
            )


def _bettered(report: Report, name: str, plan: RoutePlan, by: User, seconds: int) -> None:
    """Let the search that follows a new plan run to its end, and take what it found as the board does."""
    first = plan.totals["cost_60"]
    run = runs.start_run(plan, seconds=seconds, by=by, follows=True)
    while runs.work_on(run.pk):
        continue
    run = PlanRun.objects.select_related("plan").get(pk=run.pk)
    if run.can_be_taken:
        runs.use_run(run, version=plan.version, by=by, now=timezone.now())
    plan.refresh_from_db()
    report.figure(
        f"bettered by {seconds} s of search, {name}",
        100 * (1 - plan.totals["cost_60"] / max(first, 1)),
        "% of the price of the first plan",
        first_find_s=run.progress[0][0] if run.progress else None,
        finds=len(run.progress),
    )


def _drags(
    client: Client, plan: RoutePlan, rng: random.Random, count: int
) -> tuple[list[float], list[int], int]:
    """Seconds of each drag to a random lane, how many other visits changed lane, how many were refused."""
    address = reverse("desk:plan", args=[plan.public_id])
    waits, moved, refused = [], [], 0
    for _ in range(count):
        plan.refresh_from_db()
        stops = list(plan.stops.filter(technician__isnull=False, pin_on__isnull=True).select_related("visit"))
        lanes = list(plan.routes.select_related("technician"))
        stop, lane = rng.choice(stops), rng.choice(lanes)
        before = _lanes(plan)
        began = clock.perf_counter()
        answer = client.post(
            address,
            {
                "do": "move",
                "visit": str(stop.visit.public_id),
                "technician": str(lane.technician.public_id),
                "on": lane.on.isoformat(),
                "version": plan.version,
            },
        )
        waits.append(clock.perf_counter() - began)
        if answer.json()["is_refused"]:
            refused += 1
            continue
        after = _lanes(plan)
        # A visit that was left out and now finds room was moved by nobody.
        others = [pk for pk in before if pk != stop.visit_id and before[pk][0] is not None]
        moved.append(sum(before[pk] != after[pk] for pk in others))
    return waits, moved, refused


def _lanes(plan: RoutePlan) -> dict[int, tuple[int | None, date | None]]:
    rows = PlanStop.objects.filter(plan=plan).values_list("visit_id", "technician_id", "on")
    return {visit_id: (technician_id, on) for visit_id, technician_id, on in rows}


def _monday(now: datetime) -> date:
    return now.date() + timedelta(days=7 - now.weekday())


def _firm(rng: random.Random, technicians: int, days: int, now: datetime) -> Depot:
    """A depot with technicians and more visits than they can make."""
    tag = f"{days}d"
    depot = Depot.objects.create(
        name=f"Depot {tag}", latitude="47.0", longitude="20.0", time_zone="Europe/Budapest"
    )
    for n in range(technicians):
        person = User.objects.create_user(f"tech-{tag}-{n}", role="technician", password=None)
        member = CrewMember.objects.create(technician=person, depot=depot)
        ShiftHours.objects.bulk_create(
            ShiftHours(member=member, weekday=day, starts_at=time(8), ends_at=time(16, 30))
            for day in range(5)
        )
    owner = Owner.objects.create(name=f"Owner {tag}")
    model = UnitModel.objects.create(  # noqa: S604 - the shell of a unit
        agent="dry_chemical_abc", construction="stored_pressure", shell="mild_steel", build_key=f"bench {tag}"
    )
    count = technicians * days * VISITS_A_DAY
    sites = Site.objects.bulk_create(
        Site(
            owner=owner,
            code=f"{tag}-{n}",
            name=f"Site {n}",
            time_zone="Europe/Budapest",
            depot=depot,
            latitude=round(47 + rng.gauss(0, 0.15), 6),
            longitude=round(20 + rng.gauss(0, 0.2), 6),
        )
        for n in range(count)
    )
    AccessWindow.objects.bulk_create(
        AccessWindow(site=site, weekday=day, opens_at=opens, closes_at=closes)
        for site in sites
        for opens, closes in rng.choice(
            [[(time(7), time(18))], [(time(8), time(12)), (time(13), time(17))], [(time(9), time(15))]]
        )
        for day in range(5)
    )
    monday = _monday(now)
    visits = Visit.objects.bulk_create(
        Visit(
            number=f"B-{tag}-{n}",
            site=site,
            planned_on=monday,
            latest_on=monday + timedelta(days=rng.randrange(-20, 40)),
        )
        for n, site in enumerate(sites)
    )
    places = Location.objects.bulk_create(Location(site=site, number="1") for site in sites)
    jobs = []
    for visit, site, place in zip(visits, sites, places, strict=True):
        units = [
            Unit(
                number=f"{visit.number}-{n}", model=model, site=site, location=place, made_precision="unknown"
            )
            for n in range(rng.randrange(2, UNITS))
        ]
        jobs += [(visit, unit) for unit in Unit.objects.bulk_create(units)]
    Job.objects.bulk_create(
        (
            Job(visit=visit, unit=unit, task="maintenance", table_key="t", table_version="1", rule_id="r")
            for visit, unit in jobs
        ),
        batch_size=1000,
    )
    return depot
