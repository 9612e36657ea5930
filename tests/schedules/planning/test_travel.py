"""Driving times from coordinates, against published distances; places that cannot be right."""

from __future__ import annotations

import math

import numpy as np
import pytest

from schedules.planning.travel import EARTH_M, estimate, faults, great_circle_m, repaired

PARIS, LONDON = (48.8566, 2.3522), (51.5074, -0.1278)


@pytest.mark.parametrize(
    ("one", "other", "km", "within"),
    [
        # A quarter of a great circle of the sphere: pi/2 times the radius.
        pytest.param((0.0, 0.0), (90.0, 0.0), math.pi / 2 * EARTH_M / 1000, 1e-6, id="equator to pole"),
        pytest.param(
            (0.0, 179.5), (0.0, -179.5), math.pi / 180 * EARTH_M / 1000, 1e-6, id="across the date line"
        ),
        # The worked example of the haversine formula in many textbooks, 2 887.26 km for a radius of
        # 6 372.8 km; from memory.
        pytest.param((36.12, -86.67), (33.94, -118.40), 2887.26 * 6371.0088 / 6372.8, 0.01, id="Nashville"),
        # City pair as airline tables give it, about 344 km; from memory.
        pytest.param(PARIS, LONDON, 344, 1.5, id="Paris to London"),
    ],
)
def test_great_circles_are_those_published(one, other, km, within):
    found = great_circle_m([one, other]) / 1000
    assert found[0, 1] == pytest.approx(km, abs=within)
    assert found[0, 1] == found[1, 0]


def test_times_grow_with_the_way_and_speed_grows_too():
    places = [(50.0, 4.0 + step) for step in (0.0, 0.01, 0.1, 0.5, 2.0)]
    seconds, metres = estimate(places)
    speeds = metres[0, 1:] / np.maximum(seconds[0, 1:] - 60, 1)
    assert (np.diff(seconds[0]) > 0).all()
    assert (np.diff(speeds) > 0).all()
    assert seconds[2, 2] == metres[2, 2] == 0
    assert (seconds == seconds.T).all()


def test_cells_that_a_network_does_not_know_are_estimated_and_counted():
    nan = math.nan
    seconds, metres, lacking = repaired(
        np.array([[0.0, 900.0], [nan, 0.0]]), np.array([[0.0, nan], [nan, 0.0]]), [PARIS, LONDON]
    )
    estimated_s, estimated_m = estimate([PARIS, LONDON])
    assert lacking == 1
    assert seconds.tolist() == [[0, 900], [estimated_s[1, 0], 0]]
    assert metres.tolist() == [[0, estimated_m[0, 1]], [estimated_m[1, 0], 0]]


def test_places_that_cannot_be_right_are_named():
    places = [(38.6, -99.8), (38.7, -99.9), (38.5, -99.7), (None, 1.0), (91.0, 0.0), (0.0, 0.0), (38.6, 99.8)]
    found = {fault.number: fault.text for fault in faults(places)}
    assert set(found) == {3, 4, 5, 6}
    assert "no coordinates" in found[3]
    assert "nowhere on earth" in found[4]
    assert "place at sea" in found[5]
    assert "another continent" in found[6]


def test_no_place_at_all_is_fine():
    assert estimate([])[0].shape == (0, 0)
    assert faults([]) == []
