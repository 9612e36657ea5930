"""Bundling at full size: invented sites like those of a register, on two cores, each with its proof."""

from __future__ import annotations

import random
import time
from argparse import ArgumentParser
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta
from typing import Any

from inventory.measures.kinds import Task
from schedules.management.benches import Report
from schedules.planning.bundling import Bundle, Terms, bundle
from schedules.planning.bundling_clocks import Clock, Span
from schedules.planning.daysoff import candidate_days
from schedules.planning.durations import SITE_MINUTES, WORKSHOP_MINUTES
from schedules.planning.figures import DEFAULTS
from schedules.rules.period import Period
from schedules.rules.table import Counts

HELP = "Trips of many sites over 24 months: time, trips against the habit, life lost."
DATABASE = False
START = date(2026, 11, 30)
END = START + timedelta(days=730)
CHUNK = 50


def add_arguments(parser: ArgumentParser) -> None:
    """How many, on how many cores."""
    parser.add_argument("--sites", type=int, default=10_000, help="Sites to bundle.")
    parser.add_argument("--cores", type=int, default=2, help="Processes.")


def site_of(seed: int) -> list[Clock]:
    """Return the clocks of an invented site: 5 to 120 units bought in up to five lots.

    Units of a lot share the yearly date, but for a few that were exchanged; examinations, recharges and
    pressure tests count from each unit's own past.
    """
    draw = random.Random(seed)  # noqa: S311  (invented data)
    clocks: list[Clock] = []
    lots = draw.choices([1, 2, 3, 4, 5], [40, 30, 15, 10, 5])[0]
    base = draw.randint(0, 364)
    for lot in range(lots):
        units = draw.randint(3, 30)
        odd = sum(draw.random() < 0.06 for _ in range(units))
        due = START + timedelta(days=(base + draw.choice([0, 0, draw.randint(-150, 150)])) % 365)
        clocks.append(_clock(f"{lot}", Task.MAINTENANCE, due, units - odd or 1, Period(12, 0)))
        clocks += [
            _clock(
                f"{lot} {n}", Task.MAINTENANCE, START + timedelta(days=draw.randint(0, 364)), 1, Period(12, 0)
            )
            for n in range(odd)
        ]
        for n in range(units):
            first = START + timedelta(days=draw.randint(0, 6 * 365))
            if first <= END:
                clocks.append(_clock(f"{lot} i{n}", Task.INTERNAL_EXAMINATION, first, 1, Period(72, 0)))
            test = START + timedelta(days=draw.randint(0, 12 * 365))
            if test <= END:
                clocks.append(
                    _clock(
                        f"{lot} i{n}",
                        Task.HYDROSTATIC_TEST,
                        test,
                        1,
                        Period(144, 0),
                        frozenset({Task.INTERNAL_EXAMINATION}),
                    )
                )
    if draw.random() < 0.05:
        clocks.append(
            _clock(
                "looks", Task.VISUAL_INSPECTION, START + timedelta(days=draw.randint(1, 30)), 40, Period(1, 0)
            )
        )
    return clocks


def _clock(
    group: str, task: Task, due: date, units: int, every: Period, covers: frozenset[Task] = frozenset()
) -> Clock:
    cap = DEFAULTS.cap_days(task, round(every.months * 30.4375))
    return Clock(
        f"{task} {group}",
        group,
        task,
        units,
        Span.until(due),
        SITE_MINUTES[task] + WORKSHOP_MINUTES.get(task, 0.0),
        cap,
        every,
        Counts.DONE,
        None,
        DEFAULTS.margin_days(cap),
        covers,
    )


def bundled(seeds: range) -> list[tuple[str, int, int, int, float, int]]:
    """Return of each site: proof, trips, habit, works late, share lost, least margin."""
    found = []
    for seed in seeds:
        clocks = site_of(seed)
        wished = sorted({clock.first.latest - timedelta(days=clock.margin_days) for clock in clocks})[:6]
        days = candidate_days(START, END, anchors=wished)
        one: Bundle = bundle(clocks, days, end=END, terms=Terms(DEFAULTS["trip_minutes"]))
        late = sum(work.late_days > 0 for trip in one.trips for work in trip.works)
        found.append(
            (one.proof.value, len(one.trips), one.habit.trips, late, one.lost_share, one.margin_days or 0)
        )
    return found


def run(report: Report, options: dict[str, Any]) -> None:
    """Bundle all sites."""
    sites, cores = options["sites"], options["cores"]
    first = report.seed * 1_000_000
    parts = [range(n, min(n + CHUNK, first + sites)) for n in range(first, first + sites, CHUNK)]
    started = time.perf_counter()
    with ProcessPoolExecutor(cores) as pool:
        rows = [row for part in pool.map(bundled, parts) for row in part]
    elapsed = time.perf_counter() - started
    proofs = Counter(row[0] for row in rows)
    report.size = sites
    report.figure(
        "sites bundled", elapsed, "s", target=300 * sites / 10_000, cores=cores, proofs=dict(proofs)
    )
    trips, habit = sum(row[1] for row in rows), sum(row[2] for row in rows)
    report.figure(
        "trips", trips, "trips", rival="each task on its own date", ratio=trips / habit, habit=habit
    )
    report.figure("not proved", proofs["good, not proved the best"], "sites", target=0)
    report.figure("works late", sum(row[3] for row in rows), "works", target=0)
    report.figure(
        "intervals thrown away", sum(row[4] for row in rows) / len(rows), "share of intervals, mean"
    )
    report.figure("least days before a latest date", min(row[5] for row in rows), "days")
