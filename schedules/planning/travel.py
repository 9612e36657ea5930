"""Driving times between places from their coordinates alone: the provider that is always there.

Great circle by the haversine formula on a sphere of the earth's mean radius (6 371 008.8 m, IUGG
Geodetic Reference System 1980), times a road factor, driven at a speed that grows with the distance.
Road factor and speeds are common practice, no source; from memory, road distances published for several
countries lie 1.2 to 1.5 times above the great circle on the mean.

>>> seconds, metres = estimate([(48.8566, 2.3522), (51.5074, -0.1278)])
>>> int(metres[0, 1]) // 1000, int(seconds[0, 1]) // 60
(446, 335)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Place = tuple[float, float]
"""Latitude and longitude in degrees."""

EARTH_M = 6_371_008.8
ROAD_FACTOR = 1.3
SPEED_BANDS_KM_KMH = ((3.0, 28.0), (12.0, 42.0), (50.0, 65.0), (float("inf"), 85.0))
"""Upper end of each band of road distance, and the speed of the kilometres within it."""
PARKING_S = 60
"""For each drive: setting off, finding a place to stop."""
FAR_KM = 2_500.0
"""A place so far from the middle of all others is taken for a slip of the pen."""


def great_circle_m(places: Sequence[Place]) -> Floats:
    """Return the great-circle distances in metres from row to column."""
    at = np.radians(np.array(places, np.float64).reshape(-1, 2))
    level = np.cos(at[:, 0])
    # Half the straight line through the earth is the root in the haversine formula, without its sines.
    axes = level * np.cos(at[:, 1]), level * np.sin(at[:, 1]), np.sin(at[:, 0])
    squared = sum((axis[:, None] - axis) ** 2 for axis in axes)
    found: Floats = 2 * EARTH_M * np.arcsin(np.clip(np.sqrt(squared) / 2, 0.0, 1.0))
    return found


def estimate(places: Sequence[Place]) -> tuple[Ints, Ints]:
    """Return driving times in seconds and distances in metres from row to column."""
    km = great_circle_m(places) * ROAD_FACTOR / 1000
    seconds = np.zeros_like(km)
    below = 0.0
    for upto, kmh in SPEED_BANDS_KM_KMH:
        seconds += (np.clip(km, below, upto) - below) / kmh * 3600
        below = upto
    seconds = np.where(km > 0, seconds + PARKING_S, 0)
    return np.rint(seconds).astype(np.int64), np.rint(km * 1000).astype(np.int64)


def repaired(seconds: Floats, metres: Floats, places: Sequence[Place]) -> tuple[Ints, Ints, int]:
    """Return times and distances with every cell that is not known estimated, and how many those are."""
    estimated_s, estimated_m = estimate(places)
    lacking = np.isnan(seconds) | (seconds < 0)
    short = np.isnan(metres) | (metres < 0)
    np.fill_diagonal(lacking, False)
    whole_s = np.where(lacking, estimated_s, np.nan_to_num(seconds))
    whole_m = np.where(lacking | short, estimated_m, np.nan_to_num(metres))
    np.fill_diagonal(whole_s, 0)
    np.fill_diagonal(whole_m, 0)
    return np.rint(whole_s).astype(np.int64), np.rint(whole_m).astype(np.int64), int(lacking.sum())


@dataclass(frozen=True, slots=True)
class Fault:
    """A place that cannot be where it is said to be. ``number`` is its place in the list."""

    number: int
    text: str


def faults(places: Sequence[tuple[float | None, float | None]]) -> list[Fault]:
    """Return what is wrong with places, in words; the others are fine to plan with."""
    found: list[Fault] = []
    good: list[tuple[int, Place]] = []
    for number, (latitude, longitude) in enumerate(places):
        if latitude is None or longitude is None:
            found.append(Fault(number, "It has no coordinates. Enter latitude and longitude."))
        elif not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
            found.append(
                Fault(number, f"{latitude}, {longitude} is nowhere on earth. Correct its coordinates.")
            )
        elif latitude == 0 and longitude == 0:
            found.append(Fault(number, "Its coordinates are 0, 0: a place at sea. Correct them."))
        else:
            good.append((number, (latitude, longitude)))
    if len(good) >= 3:
        middle = (median(at[0] for _, at in good), median(at[1] for _, at in good))
        far = great_circle_m([middle, *(at for _, at in good)])[0, 1:] / 1000
        found += [
            Fault(
                number,
                f"It lies {km:.0f} km from the middle of the others: on another continent, or a sign or "
                "order of its coordinates is wrong.",
            )
            for (number, _), km in zip(good, far.tolist(), strict=True)
            if km > FAR_KM
        ]
    return sorted(found, key=lambda fault: fault.number)
