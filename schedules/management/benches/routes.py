"""Routes against the best known, the bare engine and other engines, on the same core and clock.

Published sets are read from ``--instances`` (folders solomon, homberger, sdvrptw, mdvrptw, trsp_pillac,
strsp_kovacs); stored weeks are made from their seeds here. Every plan passes the independent checker.
"""

from __future__ import annotations

import resource
import time
from argparse import ArgumentParser
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from random import Random
from statistics import fmean
from typing import Any

from schedules.management.benches import Report
from schedules.management.benches.weeks import SIZES, make_week
from schedules.management.commands.plan_instance import best_known_value
from schedules.planning.checker import check
from schedules.planning.engine import Place, replan, solve
from schedules.planning.instances import Case, read_case, stored_week
from schedules.planning.model import Plan, Problem

HELP = "Route plans against best-known values, the bare engine, VROOM and OR-Tools."
DATABASE = False

# Folder, pattern, seconds, target for the mean gap in per cent, target for the worst.
SETS: dict[str, tuple[str, str, tuple[tuple[float, float | None, float | None], ...]]] = {
    "solomon": ("solomon", "*.txt", ((10, 0.2, 1.5), (30, 0.12, 1.5))),
    "homberger200": ("homberger", "*_2_*.txt", ((10, 0.2, None),)),
    "homberger400": ("homberger", "*_4_*.txt", ((30, 0.7, None),)),
    "homberger1000": ("homberger", "*_10_*.txt", ((60, 2.0, None),)),
    "sdvrptw": ("sdvrptw", "*.vrp", ((30, 2.0, None),)),
    "mdvrptw": ("mdvrptw", "*.vrp", ((30, 3.0, None),)),
    "pillac": ("trsp_pillac", "*.txt", ((10, None, None),)),
    "kovacs": ("strsp_kovacs", "[!t]*.txt", ((10, None, None),)),
}
WEEKS: dict[str, tuple[tuple[float, float], ...]] = {
    "day1": ((1, 286), (2, 281.6)),
    "week6": ((5, 5_900), (20, 5_650), (60, 5_450)),
    "week30": ((60, 60_000), (300, 55_000)),
}


def add_arguments(parser: ArgumentParser) -> None:
    """What to measure and for how long."""
    parser.add_argument("--instances", type=Path, help="Folder with the published sets.")
    parser.add_argument("--best-known", type=Path, help="CSV with instance, convention, value.")
    parser.add_argument(
        "--only",
        action="append",
        choices=[*SETS, *WEEKS, "drag"],
        help="One set; may be repeated (default: all that can be had).",
    )
    parser.add_argument("--seconds", type=float, help="One time limit instead of those of the targets.")
    parser.add_argument("--cores", type=int, default=1)
    parser.add_argument("--take", type=int, help="Only so many files of each set, spread over it.")
    parser.add_argument("--generator-seed", type=int, action="append", help="Other weeks of the same size.")
    parser.add_argument("--no-rivals", action="store_true", help="Only our own plans.")


def run(report: Report, options: dict[str, Any]) -> None:
    """Measure the chosen sets, one file after the other."""
    chosen: list[str] = options["only"] or [*SETS, *WEEKS, "drag"]
    for name in chosen:
        if name in SETS and options["instances"] is not None:
            _published(report, name, options)
        elif name in WEEKS:
            _weeks(report, name, options)
        elif name == "drag":
            _drags(report, options)


# --- published sets ---------------------------------------------------------------------------------


def _published(report: Report, name: str, options: dict[str, Any]) -> None:
    folder, pattern, marks = SETS[name]
    files = sorted((options["instances"] / folder).glob(pattern))
    if options["take"]:
        files = [files[n * len(files) // options["take"]] for n in range(min(options["take"], len(files)))]
    if options["seconds"]:
        marks = ((options["seconds"], marks[0][1], marks[0][2]),)
    longest = max(mark[0] for mark in marks)
    ours: dict[float, list[float]] = {mark[0]: [] for mark in marks}
    bare: dict[str, list[float]] = {}
    for file in files:
        case = read_case(file)
        known = best_known_value(options["best_known"], case, file.stem) if options["best_known"] else None
        trail: list[tuple[float, float]] = []
        began = time.process_time()
        outcome = solve(
            case.problem,
            seconds=longest,
            seed=report.seed,
            cores=options["cores"],
            on_better=lambda it, scale=case.scale, to=trail: to.append((it.seconds, it.cost_60 / scale)),  # type: ignore[misc]
        )
        share = (time.process_time() - began) / outcome.seconds
        value = _value(case, outcome.plan)
        for mark in ours:
            then = value if mark == longest else min((v for s, v in trail if s <= mark), default=value)
            if known:
                ours[mark].append(100 * (then / known - 1))
            report.figure(
                f"{name} {case.name} after {mark:g} s",
                100 * (then / known - 1) if known else then,
                "% above best known" if known else "value",
                value_found=round(then, 3),
                best_known=known,
                vehicles=sum(map(bool, outcome.plan.routes.values())),
                left_out=len(outcome.plan.left_out),
                core_share=round(share, 2),
                cores=options["cores"],
                not_modelled=list(case.missing),
            )
        if options["no_rivals"] or not known:
            continue
        for rival in ("pyvrp_as_it_comes", "pyvrp_with_our_settings"):
            theirs = _bare(rival, case, longest, report.seed, options["cores"])
            gap = 100 * (theirs / known - 1)
            bare.setdefault(rival, []).append(gap)
            report.figure(f"{name} {case.name} after {longest:g} s", gap, "% above best known", rival=rival)
    for seconds, mean_target, worst_target in marks:
        gaps = ours[seconds]
        if not gaps:
            continue
        figure = f"{name}, {len(gaps)} files, mean gap after {seconds:g} s"
        report.figure(figure, fmean(gaps), "%", target=mean_target, cores=options["cores"])
        report.figure(figure.replace("mean", "worst"), max(gaps), "%", target=worst_target)
    for rival, gaps in bare.items():
        # The bare engine is met at its own time limit; equal is not behind.
        report.figure(
            f"{name}, {len(gaps)} files, mean gap after {longest:g} s",
            fmean(ours[longest]),
            "%",
            rival=rival,
            ratio=fmean(ours[longest]) / max(1e-9, fmean(gaps)) if fmean(gaps) > 0 else None,
            target=1.0,
            their_gap=round(fmean(gaps), 4),
            cores=options["cores"],
        )


def _value(case: Case, plan: Plan) -> float:
    verdict = check(case.problem, plan)
    if not verdict.feasible:
        raise AssertionError(f"{case.name}: {verdict.breaches[0].text}")
    return verdict.cost_60 / case.scale


def _bare(rival: str, case: Case, seconds: float, seed: int, cores: int) -> float:
    """The best of as many runs side by side as there are cores, each with a seed of its own."""
    if cores == 1:
        return _rival_value(rival, case, seconds, seed)
    with ProcessPoolExecutor(cores, mp_context=get_context("spawn")) as pool:
        runs = [pool.submit(_rival_value, rival, case, seconds, seed + n) for n in range(cores)]
        return min(it.result() for it in runs)


def _rival_value(rival: str, case: Case, seconds: float, seed: int) -> float:
    from schedules.management.benches import rivals

    plan: Plan = getattr(rivals, rival)(case.problem, seconds, seed)
    return _value(case, plan)


# --- stored weeks -----------------------------------------------------------------------------------


def _week(name: str, seed: int | None) -> Case:
    size = SIZES[name]
    return stored_week(make_week(name, size if seed is None else replace(size, seed=seed)))


def _weeks(report: Report, name: str, options: dict[str, Any]) -> None:
    for generator_seed in options["generator_seed"] or [None]:
        case = _week(name, generator_seed)
        label = name if generator_seed is None else f"{name} of seed {generator_seed}"
        marks = WEEKS[name]
        if options["seconds"]:
            marks = ((options["seconds"], marks[-1][1]),)
        for seconds, target in marks:
            began = time.process_time()
            outcome = solve(case.problem, seconds=seconds, seed=report.seed, cores=options["cores"])
            report.figure(
                f"{label} after {seconds:g} s",
                _value(case, outcome.plan),
                "minutes",
                target=target if generator_seed is None else None,
                seconds=round(outcome.seconds, 2),
                served=len(case.problem.stops) - len(outcome.plan.left_out),
                core_share=round((time.process_time() - began) / outcome.seconds, 2),
                cores=options["cores"],
            )
        report.figure(
            f"{label}, peak memory",
            resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 / 1024,
            "GiB",
            target=1.0,
        )
        if options["no_rivals"]:
            continue
        for seconds, _ in marks:
            for rival, work in _rivals(case.problem, seconds, report.seed):
                value = _value(case, work())
                report.figure(f"{label} after {seconds:g} s", value, "minutes", rival=rival)


def _rivals(problem: Problem, seconds: float, seed: int) -> Iterable[tuple[str, Callable[[], Plan]]]:
    from schedules.management.benches import rivals

    yield "PyVRP as it comes", lambda: rivals.pyvrp_as_it_comes(problem, seconds, seed)
    yield "PyVRP with our settings", lambda: rivals.pyvrp_with_our_settings(problem, seconds, seed)
    yield "VROOM level 5", lambda: rivals.vroom(problem, seconds)
    yield "OR-Tools", lambda: rivals.or_tools(problem, seconds)


# --- a drag -----------------------------------------------------------------------------------------

DRAGS = 10


def _drags(report: Report, options: dict[str, Any]) -> None:
    """Drag visits of a finished week to other technician-days, drawn from the seed."""
    case = _week("week6", None)
    problem = case.problem
    plan = solve(problem, seconds=20, seed=report.seed, cores=options["cores"]).plan
    rng = Random(report.seed)  # noqa: S311 - repeatable, nothing secret
    where = plan.where()
    seconds: list[float] = []
    moved: list[int] = []
    kept = broken = 0
    cost: list[float] = []
    while len(seconds) < DRAGS:
        key = rng.choice(sorted(where))
        open_to = [
            shift
            for shift in problem.shifts
            if shift.key != where[key] and problem.bars(problem.stop[key], shift) is None
        ]
        if not open_to:
            continue
        shift = rng.choice(open_to)
        answer = replan(problem, plan, Place(key, shift.technician, shift.day))
        seconds.append(answer.seconds)
        moved.append(sum(it.other_shift and not it.named for it in answer.moved))
        kept += answer.plan.where().get(key) == shift.key
        broken += len(check(answer.problem, answer.plan).breaches)
        cost.append(check(problem, Plan(answer.plan.routes, answer.plan.left_out)).cost_60 / 60)
    report.figure("drag, lock kept", kept / DRAGS, "share", target=1.0, better="at least")
    report.figure("drag, rules broken", broken, "rules", target=0)
    report.figure("drag, slowest answer", max(seconds), "s", target=0.6, mean=round(fmean(seconds), 3))
    report.figure("drag, visits of others moved", fmean(moved), "visits", target=5.0)
    report.figure(
        "drag, plan afterwards", fmean(cost), "minutes", before=round(check(problem, plan).cost_60 / 60, 1)
    )
