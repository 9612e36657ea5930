"""Invented weeks of technicians, made from a seed, in the stored form that ``plan_instance`` reads.

Towns and countryside, slow speeds in town, legs that differ by direction, half the technicians starting
from home; visits with several kinds of opening hours, two skills, two loads and three priorities. The
draws follow one fixed order, so a seed means the same week everywhere. All times are whole seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

HOUR = 3600
LONGEST_SERVICE_S = 150 * 60
_HOURS: dict[str, list[tuple[float, float]]] = {
    "std": [(8, 17)],
    "lunchbreak": [(8.5, 12), (13.5, 17.5)],
    "restaurant": [(9, 11.5), (14.5, 17.5)],
    "morning": [(7, 12)],
    "late": [(13, 18)],
    "closedday": [(8, 17)],
    "friday": [(7.5, 16.5)],
}
_KINDS = ["std", "std", "lunchbreak", "restaurant", "morning", "late", "closedday", "friday"]


@dataclass(frozen=True, slots=True)
class Size:
    """How large a week is and how its visits lie."""

    visits: int
    technicians: int
    days: int
    seed: int
    side_km: float = 60.0
    units: float = 7.0
    """Typical number of units per visit."""
    all_skills: bool = False


SIZES = {
    "week6": Size(250, 6, 5, seed=7, side_km=60, units=9),
    "week30": Size(2000, 30, 5, seed=11, side_km=110, units=4.6),
    "day1": Size(25, 1, 1, seed=5, side_km=10, units=1.0, all_skills=True),
}


def make_week(name: str, size: Size) -> dict[str, Any]:
    """A week of this size as stored JSON: ``days``, ``xy``, ``techs``, ``visits``, ``travel``."""
    rng = np.random.default_rng(size.seed)
    towns_count = max(3, round(math.sqrt(size.visits) / 3))
    towns = rng.uniform(0, size.side_km, (towns_count, 2))
    weight = rng.dirichlet(np.ones(towns_count) * 1.5)
    xy: list[tuple[float, float]] = [(size.side_km / 2, size.side_km / 2)]

    def somewhere() -> tuple[float, float]:
        if rng.random() < 0.75:
            town = towns[rng.choice(towns_count, p=weight)]
            x, y = np.clip(town + rng.normal(0, 2.5, 2), 0, size.side_km)
        else:
            x, y = rng.uniform(0, size.side_km, 2)
        return float(x), float(y)

    techs = []
    for number in range(size.technicians):
        xy.append(somewhere())
        techs.append(_technician(rng, number, size))
    visits = []
    for number in range(size.visits):
        xy.append(somewhere())
        visits.append(_visit(rng, number, size))
    return {
        "name": name,
        "days": size.days,
        "xy": [list(point) for point in xy],
        "techs": techs,
        "visits": visits,
        "travel": _travel(rng, np.array(xy)).tolist(),
    }


def _technician(rng: np.random.Generator, number: int, size: Size) -> dict[str, Any]:
    place = number + 1 if rng.random() < 0.5 else 0
    if size.all_skills:
        skills = [0, 1]
    else:
        skills = [skill for skill, share in ((0, 0.45), (1, 0.35)) if rng.random() < share]
    if size.technicians >= 6 and number % 6 == 0:
        skills = [0, 1]
    if size.technicians >= 6 and number % 6 == 3:
        skills = [0]
    starts = int(rng.choice([7, 7.5, 8]) * HOUR)
    return {
        "id": number,
        "start": place,
        "end": place,
        "shift": [starts, starts + int(8.5 * HOUR)],
        "skills": skills,
        "cap": [int(rng.choice([24, 30])), int(rng.choice([80, 110]))],
        "days": list(range(size.days)),
    }


def _visit(rng: np.random.Generator, number: int, size: Size) -> dict[str, Any]:
    units = int(np.clip(rng.lognormal(math.log(size.units), 0.7), 1, 45))
    recharges = int(rng.binomial(units, 0.18))
    retests = int(rng.binomial(units, 0.10))
    service = (8 + 2.5 * units + 7 * recharges + 4 * retests) * 60
    service = int(min(service, LONGEST_SERVICE_S) // 60 * 60)
    skill = None if rng.random() < 0.62 else int(rng.choice([0, 0, 1]))
    priority = int(rng.choice([1, 2, 3], p=[0.4, 0.4, 0.2]))
    first = last = 0
    hours: list[list[tuple[int, int]]] = []
    for _ in range(50):
        first = int(rng.integers(0, size.days))
        last = min(size.days - 1, first + int(rng.choice([0, 1, 1, 2, 2, 3, 4])))
        if priority == 1 and rng.random() < 0.5:
            first, last = 0, size.days - 1
        hours = _opening(rng, size.days)
        if any(b - service >= a for day in range(first, last + 1) for a, b in hours[day]):
            break
    return {
        "id": number,
        "loc": 1 + size.technicians + number,
        "service": service,
        "skill": skill,
        "load": [retests, 2 * recharges + retests],
        "first_day": first,
        "last_day": last,
        "priority": priority,
        "hours": [[list(opening) for opening in day] for day in hours],
    }


def _opening(rng: np.random.Generator, days: int) -> list[list[tuple[int, int]]]:
    kind = str(rng.choice(_KINDS))
    closed = int(rng.integers(0, days)) if kind == "closedday" and days > 1 else -1
    week = []
    for day in range(days):
        opening = [] if day == closed else _HOURS[kind]
        if kind == "friday" and day % 5 == 4:
            opening = [(7.5, 12.5)]
        week.append([(int(a * HOUR), int(b * HOUR)) for a, b in opening])
    return week


def _travel(rng: np.random.Generator, points: Any) -> Any:
    """Seconds between all places: faster on long legs, uneven by direction, shortest ways throughout."""
    km = 1.3 * np.sqrt(((points[:, None] - points[None]) ** 2).sum(-1))
    speed_kmh = np.clip(25 + 2.2 * km, 25, 75)
    seconds = km / speed_kmh * HOUR * rng.uniform(1.0, 1.06, km.shape) + 90
    np.fill_diagonal(seconds, 0)
    travel = np.where(km < 1e-9, 0, np.rint(seconds)).astype(np.int64)
    for via in range(len(points)):
        np.minimum(travel, travel[:, via, None] + travel[None, via, :], out=travel)
    return travel
