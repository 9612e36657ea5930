"""The loss of a charge from few readings, on invented fleets whose losses are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from inventory.measures import condition
from schedules.management.benches.condition import make_fleet, score


def test_the_line_of_one_unit_agrees_with_scipy() -> None:
    linregress = pytest.importorskip("scipy.stats").linregress
    random = np.random.default_rng(3)
    for number in (2, 3, 7):
        times = np.sort(random.uniform(0, 6, number))
        levels = 1 - 0.02 * times + random.normal(0, 0.02, number)
        found = condition.line(times.tolist(), levels.tolist())
        theirs = linregress(times, levels)
        assert found.loss == pytest.approx(-theirs.slope, rel=1e-9)
        assert found.mean_level == pytest.approx(theirs.intercept + theirs.slope * found.middle)
        if number > 2:
            error = math.sqrt(found.rest / (number - 2) / found.spread)
            assert error == pytest.approx(theirs.stderr, rel=1e-6)


def test_readings_of_one_day_give_no_loss() -> None:
    found = condition.line([1.0, 1.0], [0.99, 1.01])
    assert found.loss is None
    assert found.mean_level == pytest.approx(1.0)
    with pytest.raises(ValueError, match="needs readings"):
        condition.line([], [])


def test_the_distribution_function_agrees_with_scipy() -> None:
    norm = pytest.importorskip("scipy.stats").norm
    z = np.linspace(-6, 6, 241)
    assert np.abs(condition._cdf(z) - norm.cdf(z)).max() < 8e-8


@pytest.fixture(scope="module")
def scores():
    return [score(make_fleet(seed, 2500, 0.02)) for seed in (11, 12, 13)]


def test_nine_in_ten_losses_lie_inside_the_interval(scores) -> None:
    covered = float(np.mean([one.covered for one in scores]))
    assert 0.88 < covered < 0.99


def test_peers_halve_the_error_at_least(scores) -> None:
    for one in scores:
        assert one.rms < 0.5 * one.plain_rms


def test_alarms_are_no_worse_than_by_a_line_per_unit_and_few_are_missed(scores) -> None:
    due = sum(one.due for one in scores)
    plain_false, plain_missed = (
        sum(getattr(one, f"plain_{name}") for one in scores) for name in ("false", "missed")
    )
    assert sum(one.false for one in scores) < 1.2 * plain_false
    assert sum(one.missed_alike for one in scores) < 1.2 * plain_missed
    assert sum(one.missed for one in scores) < 0.15 * due


def test_bad_lots_are_found_and_few_others(scores) -> None:
    assert sum(one.bad_found for one in scores) >= 4
    assert sum(one.flagged - one.bad_found for one in scores) < 0.12 * 78 * len(scores)


def test_two_readings_already_say_something_once_there_are_peers() -> None:
    """A unit read twice takes most of its loss from its lot; alone it would be all over the place."""
    peers = 40
    random = np.random.default_rng(5)
    true = np.full(peers, 0.01)
    variance = np.full(peers, (0.02 / 0.7) ** 2)
    loss = true + random.normal(0, np.sqrt(variance))
    group = np.zeros(peers, dtype=np.int64)
    by_model, by_lot = condition.typical(loss, variance, group, group)
    alone = np.array([0.06, np.nan])
    given = np.array([variance[0], np.nan])
    two = np.zeros(2, dtype=np.int64)
    found = condition.estimate(alone, given, two, two, by_model, by_lot)
    assert abs(found.loss[0] - 0.01) < 0.015  # alone it says 0.06, five times as far off
    assert found.loss[1] == pytest.approx(0.0125, abs=0.012)
    assert found.weight[0] > found.weight[1]
    assert found.low[0] < found.loss[0] < found.high[0]


def test_a_strong_leak_is_not_smoothed_away() -> None:
    loss = np.concatenate([np.full(60, 0.004), [0.12]])
    variance = np.full(61, 0.008**2)
    group = np.zeros(61, dtype=np.int64)
    by_model, by_lot = condition.typical(loss, variance, group, group)
    found = condition.estimate(loss, variance, group, group, by_model, by_lot)
    assert found.weight[-1] > 0.99
    assert found.loss[-1] == pytest.approx(0.12, abs=0.01)
    assert found.loss[0] == pytest.approx(0.004, abs=0.002)


def test_when_the_limit_is_reached() -> None:
    found = condition.Estimates(
        *(np.array(one) for one in ([0.02, 0.0], [1e-4, 1e-4], [0.06, 0.06], [1e-4, 1e-4], [0.0, 0.0])),
        low=np.zeros(2),
        high=np.zeros(2),
    )
    level, limit, readings = np.array([1.0, 1.0]), np.full(2, 0.9), np.array([400, 400])
    expected, early = condition.years_to(limit, level, readings, 0.002, found)
    assert expected[0] == pytest.approx(5.0)
    assert 4.5 < early[0] < 5.0
    assert np.isnan(expected[1])
    assert np.isnan(early[1])
    under, now = condition.years_to(limit, np.array([0.89, 1.0]), readings, 0.002, found)
    assert under[0] == 0
    assert now[0] == 0


def test_nothing_at_all_gives_nothing() -> None:
    none = np.zeros(0)
    ids = np.zeros(0, dtype=np.int64)
    by_model, by_lot = condition.typical(none, none, ids, ids)
    assert condition.estimate(none, none, ids, ids, by_model, by_lot).loss.size == 0
    assert condition.pooled_error(none, ids) == pytest.approx(condition.GAUGE_ERROR)
