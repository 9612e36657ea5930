"""``manage.py plan_instance FILE``: plan a published routing problem through the product's own model."""

from __future__ import annotations

import csv
import json
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from schedules.planning.checker import Verdict, check
from schedules.planning.engine import Outcome, solve
from schedules.planning.instances import Case, UnreadableCase, read_case


def best_known_value(table: Path, case: Case, stem: str) -> float | None:
    """The best published value of this case in the unit of ``plan_instance``, if ``table`` lists it."""
    with table.open(newline="", encoding="utf-8") as lines:
        rows = {row["instance"].strip().upper(): row for row in csv.DictReader(lines)}
    for name in (case.name, stem, f"{case.form}/{case.name}", f"{case.form}/{stem}", f"TRSP/{stem}"):
        row = rows.get(name.upper())
        if row is not None and _same_convention(row["convention"], case.convention):
            per_unit = 1000 if row["convention"].startswith("exact1000") else 1
            return float(row["value"]) / per_unit
    return None


def _same_convention(listed: str, used: str) -> bool:
    return used in listed or ("trunc1" not in listed and "exact1000" not in listed)


def figures(case: Case, outcome: Outcome, verdict: Verdict, best_known: float | None) -> dict[str, Any]:
    """What is said about a plan: its value, vans, and whether the independent checker accepts it."""
    problem, plan = case.problem, outcome.plan
    drive = 0
    for key, stops in plan.routes.items():
        shift = problem.shift[key]
        places = [shift.start_place, *(problem.stop[stop].place for stop in stops), shift.end_place]
        seconds = problem.travel[shift.profile].seconds
        drive += sum(int(seconds[a, b]) for a, b in pairwise(places) if stops)
    value = verdict.cost_60 / case.scale
    served = sum(map(len, plan.routes.values()))
    unit = case.scale / 60 if case.objective == "distance and outsourcing" else case.scale
    return {
        "instance": case.name,
        "form": case.form,
        "convention": case.convention,
        "objective": case.objective,
        "distance": round(drive / unit, 3),
        "value": round(value, 3),
        "vehicles": sum(bool(stops) for stops in plan.routes.values()),
        "visits": len(problem.stops),
        "served": served,
        "left_out": len(problem.stops) - served,
        "feasible": verdict.feasible and not verdict.mandatory_out,
        "breaches": [breach.text for breach in verdict.breaches[:5]],
        "best_known": best_known,
        "gap_percent": None if not best_known else round(100 * (value / best_known - 1), 3),
        "seconds": round(outcome.seconds, 2),
        "iterations": outcome.iterations,
        "not_modelled": list(case.missing),
    }


class Command(BaseCommand):
    help = (
        "Plan a published routing problem (Solomon, Homberger, VRPLIB sections, Pillac, Kovacs) or a stored "
        "week (JSON) and print the result as JSON. The unit is that of the file: times and distances in its "
        "convention, minutes of driving and price left out for a stored week."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--seconds", type=float, default=10.0, help="Time limit (default 10).")
        parser.add_argument("--iterations", type=int, help="Stop after so many steps instead; repeatable.")
        parser.add_argument("--cores", type=int, default=1)
        parser.add_argument("--seed", type=int, default=1)
        parser.add_argument("--convention", choices=["trunc1", "exact1000", "rounded"])
        parser.add_argument("--best-known", type=Path, help="CSV with instance, convention, value.")
        parser.add_argument("--routes", action="store_true", help="Print the routes too.")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["cores"] < 1 or (options["seconds"] <= 0 and not options["iterations"]):
            raise CommandError("Give at least one core and a time limit above nought.")
        path: Path = options["file"]
        table: Path | None = options["best_known"]
        if table is not None and not table.is_file():
            raise CommandError(f"{table}: there is no such file. Leave --best-known out or correct it.")
        try:
            case = read_case(path, options["convention"])
        except UnreadableCase as error:
            raise CommandError(str(error)) from error
        began = time.perf_counter()
        marks: list[tuple[float, float]] = []
        outcome = solve(
            case.problem,
            seconds=None if options["iterations"] else options["seconds"],
            iterations=options["iterations"],
            seed=options["seed"],
            cores=options["cores"],
            on_better=lambda better: marks.append((round(better.seconds, 2), better.cost_60 / case.scale)),
        )
        verdict = check(case.problem, outcome.plan)
        known = best_known_value(table, case, path.stem) if table else None
        said = figures(case, outcome, verdict, known)
        said["wall_seconds"] = round(time.perf_counter() - began, 2)
        said["first_answer_seconds"] = marks[0][0] if marks else None
        if options["routes"]:
            said["routes"] = {key: list(stops) for key, stops in outcome.plan.routes.items() if stops}
            said["left_out_reasons"] = {key: why.text for key, why in outcome.plan.left_out.items()}
        self.stdout.write(json.dumps(said, ensure_ascii=False))
