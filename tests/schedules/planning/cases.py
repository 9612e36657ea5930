"""Small invented problems for the planning tests."""

from __future__ import annotations

import random

import numpy as np

from schedules.planning.model import Prices, Problem, Rest, Shift, Stop, Travel, Window

HOUR = 3600
LUNCH = Rest(earliest_s=41_400, latest_s=48_600, length_s=1_800)


def line_travel(places: int, minutes: int = 10) -> dict[str, Travel]:
    """Places on a line, ``minutes`` apart, a kilometre each."""
    at = np.arange(places, dtype=np.int64)
    steps = abs(at[:, None] - at[None, :])
    return {"": Travel(steps * minutes * 60, steps * 1000)}


def stop(key: str, place: int, *windows: tuple[int, float, float], minutes: int = 30, **more: object) -> Stop:
    """A stop that opens at these (day, hour, hour); all of day 0 if none are given."""
    opened = windows or ((0, 8, 17),)
    return Stop(
        key,
        place,
        minutes * 60,
        tuple(Window(day, int(a * HOUR), int(b * HOUR)) for day, a, b in opened),
        **more,  # type: ignore[arg-type]
    )


def shift(technician: str, day: int = 0, starts: float = 8, ends: float = 16.5, **more: object) -> Shift:
    """A shift from and to place 0."""
    return Shift(
        f"{technician}-{day}",
        technician,
        day,
        0,
        0,
        int(starts * HOUR),
        int(ends * HOUR),
        **{"rest": LUNCH, **more},  # type: ignore[arg-type]
    )


def random_problem(seed: int, stops: int, shifts: int, days: int = 1, **prices: int) -> Problem:
    """Points in a square of about an hour, mixed openings, skills, loads and priorities."""
    rng = random.Random(seed)
    points = np.array([(rng.uniform(0, 40), rng.uniform(0, 40)) for _ in range(stops + 2)])
    apart = np.sqrt(((points[:, None] - points[None]) ** 2).sum(-1))
    seconds = np.rint(apart * 60 * rng.uniform(0.8, 1.4)).astype(np.int64)
    hours = [((8, 17),), ((8.5, 12), (13.5, 17.5)), ((7, 12),), ((13, 18),)]
    made = []
    for n in range(stops):
        first = rng.randrange(days)
        opened = rng.choice(hours)
        made.append(
            stop(
                f"s{n}",
                n + 2,
                *((day, a, b) for day in range(first, min(days, first + 2)) for a, b in opened),
                minutes=rng.choice([15, 30, 45, 90]),
                skills=frozenset(rng.sample(["retest", "co2"], rng.choice([0, 0, 1]))),
                brings=(rng.randrange(3), 0),
                collects=(0, rng.randrange(3)),
                priority=rng.choice([1, 2, 3]),
            )
        )
    vans = [
        shift(
            f"t{t}",
            day,
            skills=frozenset(["retest", "co2"][: 1 + t % 2]),
            capacity=(8, 8),
            overtime_limit_s=rng.choice([0, 0, 1800]),
        )
        for t in range(shifts)
        for day in range(days)
    ]
    return Problem(tuple(made), tuple(vans), {"": Travel(seconds, seconds * 12)}, Prices(**prices))
