"""How well the loss of a charge is told from a few readings, on invented fleets whose leaks are known."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from dataclasses import dataclass
from typing import Any

import numpy as np

from inventory.measures import condition
from inventory.measures.condition import Floats, Ints, Line
from schedules.management.benches import Report

HELP = "Condition forecast: coverage of the interval, alarms missed and false, against a line per unit."
DATABASE = False
LIMIT = 0.9


def add_arguments(parser: ArgumentParser) -> None:
    """How many units one fleet has, and how many fleets are made."""
    parser.add_argument("--units", type=int, default=4000)
    parser.add_argument("--fleets", type=int, default=10)
    parser.add_argument("--error", type=float, default=0.02, help="Error of one reading, share of full.")


@dataclass(frozen=True, slots=True)
class Fleet:
    """Units with known losses, read once at the charge and once a year since, with errors."""

    loss: Floats
    is_leaker: np.ndarray[Any, np.dtype[np.bool_]]
    model: Ints
    lot: Ints
    age: Floats
    lines: list[Line]
    bad_lots: int


def make_fleet(
    seed: int, units: int, error: float, *, models: int = 12, lots: int = 80, bad: int = 2
) -> Fleet:
    """Invent a fleet: typical losses by model and lot, one unit in fifty a leaker, a few bad lots."""
    random = np.random.default_rng(seed)
    of_model = np.abs(random.normal(0.004, 0.003, models))
    home = random.integers(0, models, lots)
    of_lot = np.abs(of_model[home] + random.normal(0, 0.002, lots))
    share = np.full(lots, 0.02)
    share[:bad] = 0.30
    lot = random.integers(0, lots, units)
    is_leaker = random.random(units) < share[lot]
    loss = np.maximum(0, random.normal(of_lot[lot], 0.002)) + np.where(
        is_leaker, random.gamma(2.5, 0.02, units), 0
    )
    age = random.uniform(0.2, 5, units)
    lines = []
    for unit in range(units):
        years = (
            [0.0, *np.arange(age[unit] % 1, age[unit] + 1e-9, 1.0)] if age[unit] >= 1 else [0.0, age[unit]]
        )
        times = np.array(years)
        levels = 1 - loss[unit] * times + random.normal(0, error, times.size)
        lines.append(condition.line(times.tolist(), levels.tolist()))
    return Fleet(loss, is_leaker, home[lot], lot, age, lines, bad)


@dataclass(frozen=True, slots=True)
class Score:
    """How one way of telling did on one fleet."""

    covered: float
    rms: float
    plain_rms: float
    due: int
    missed: int
    false: int
    plain_missed: int
    plain_false: int
    missed_alike: int
    bad_found: int
    flagged: int
    seconds: float


def score(fleet: Fleet) -> Score:
    """Estimate a fleet together and count what was told right.

    A unit is *due* when its true level is under the limit before its next yearly look, and an alarm
    is raised when with more than two per cent chance it may be. The rival draws a line through the
    readings of each unit alone and raises it when that line is under the limit by then.
    """
    began = time.perf_counter()
    loss = np.array([np.nan if one.loss is None else one.loss for one in fleet.lines])
    readings = np.array([one.readings for one in fleet.lines], dtype=np.int64)
    error = condition.pooled_error(np.array([one.rest for one in fleet.lines]), readings)
    variance = error**2 / np.array([one.spread for one in fleet.lines])
    middle = np.array([one.middle for one in fleet.lines])
    level = np.array([one.mean_level for one in fleet.lines])
    by_model, by_lot = condition.typical(loss, variance, fleet.model, fleet.lot)
    found = condition.estimate(loss, variance, fleet.model, fleet.lot, by_model, by_lot)
    _, early = condition.years_to(np.full(loss.shape, LIMIT), level, readings, error, found)
    verdicts = [
        condition.judge_group(loss, variance, found.weight, fleet.lot == lot, by_model.spread)
        for lot in range(int(fleet.lot.max()) + 1)
    ]
    seconds = time.perf_counter() - began
    next_look = fleet.age + 1
    due = (1 - LIMIT) / np.maximum(fleet.loss, 1e-9) < next_look
    alarm = np.nan_to_num(early, nan=np.inf) + middle < next_look
    plain = level - loss * (next_look - middle) < LIMIT
    chance = condition.chance_of_leak_by(
        next_look - middle, np.full(loss.shape, LIMIT), level, readings, error, found
    )
    # With as many false alarms as the rival raises, how many are missed?
    edge = np.sort(chance[~due])[::-1][int((plain & ~due).sum())]
    inside = (fleet.loss >= found.low) & (fleet.loss <= found.high)
    return Score(
        float(inside.mean()),
        float(np.sqrt(((found.loss - fleet.loss) ** 2).mean())),
        float(np.sqrt(((loss - fleet.loss) ** 2).mean())),
        int(due.sum()),
        int((due & ~alarm).sum()),
        int((alarm & ~due).sum()),
        int((due & ~plain).sum()),
        int((plain & ~due).sum()),
        int((due & (chance <= edge)).sum()),
        sum(verdict.is_flagged for verdict in verdicts[: fleet.bad_lots]),
        sum(verdict.is_flagged for verdict in verdicts),
        seconds,
    )


def run(report: Report, options: dict[str, Any]) -> None:
    """Make the fleets, score each and report sums and means."""
    scores = [
        score(make_fleet(options["seed"] + number, options["units"], options["error"]))
        for number in range(options["fleets"])
    ]
    due = sum(one.due for one in scores)
    sound = options["units"] * len(scores) - due
    report.figure(
        "coverage of the 90 % interval",
        float(np.mean([one.covered for one in scores])),
        "share of units",
        target=0.9,
        better="at least",
    )
    rms = float(np.mean([one.rms for one in scores]))
    plain = float(np.mean([one.plain_rms for one in scores]))
    report.figure(
        "error of the loss",
        rms,
        "share per year, root mean square",
        rival=f"a line per unit alone: {plain:.4f}",
        ratio=rms / plain,
        target=0.5,
    )
    missed, plain_missed = (sum(getattr(one, name) for one in scores) for name in ("missed", "plain_missed"))
    false, plain_false = (sum(getattr(one, name) for one in scores) for name in ("false", "plain_false"))
    report.figure(
        "alarms missed",
        missed / due,
        f"share of {due} units under the limit by the next look",
        rival=f"a line per unit alone: {plain_missed / due:.4f}",
        count=missed,
    )
    report.figure(
        "false alarms",
        false / sound,
        f"share of {sound} other units",
        rival=f"a line per unit alone: {plain_false / sound:.4f}",
        count=false,
    )
    alike = sum(one.missed_alike for one in scores)
    report.figure(
        "alarms missed at as many false alarms as the rival",
        alike / due,
        "share of those under the limit",
        rival="a line per unit alone",
        ratio=alike / plain_missed,
        target=1.1,
        count=alike,
    )
    bad = sum(one.bad_found for one in scores)
    report.figure(
        "bad lots found",
        bad / (2 * len(scores)),
        "share of lots with 30 % leakers",
        target=0.9,
        better="at least",
    )
    report.figure(
        "other lots flagged",
        sum(one.flagged for one in scores) / len(scores) - bad / len(scores),
        "lots of 78 per fleet",
    )
    report.figure("time", float(np.mean([one.seconds for one in scores])), "s per fleet")
