"""Even weeks: near the best that can be, proved by a bound, and at the price of moving."""

from __future__ import annotations

import random
from itertools import product

import pytest

from schedules.planning.levelling import Movable, Way, level

WEEKS = 8


def way(week: int, minutes: float, price: float = 0.0) -> Way:
    return Way(((week, "technicians", minutes),), price)


def test_a_pile_is_spread_over_the_weeks_it_may_lie_in():
    sites = [Movable(n, tuple(way(week, 100, 1 if week else 0) for week in range(4))) for n in range(8)]
    found = level(sites, weeks=4)
    assert found.before["technicians"] == (800, 0, 0, 0)
    assert found.after["technicians"] == (200, 200, 200, 200)
    assert found.moves == 6
    assert found.cost == found.bound == 6
    assert found.gap == 0


def test_what_cannot_move_stays_and_the_rest_goes_around_it():
    pinned = Movable("promised", (way(0, 300),))
    free = [Movable(n, (way(0, 100), way(1, 100, 1.0))) for n in range(3)]
    found = level([pinned, *free], weeks=2, base={"technicians": [0, 0]})
    assert found.chosen[0] == 0
    assert found.after["technicians"] == (300, 300)


def test_moving_must_be_worth_its_price():
    sites = [Movable(n, (way(0, 1), way(1, 1, 10_000))) for n in range(2)]
    found = level(sites, weeks=2)
    assert found.moves == 0
    assert found.cost == found.cost_before


def test_load_that_is_on_the_books_counts():
    found = level([Movable("a", (way(0, 100), way(1, 100, 1)))], weeks=2, base={"technicians": [500, 0]})
    assert found.after["technicians"] == (500, 100)


def test_several_resources_are_levelled_at_once():
    both = Way(((0, "technicians", 10), (0, "workshop", 10)))
    later = Way(((1, "technicians", 10), (1, "workshop", 10)), 1)
    found = level([Movable(n, (both, later)) for n in range(2)], weeks=2)
    assert found.after == {"technicians": (10, 10), "workshop": (10, 10)}


def random_sites(seed: int) -> list[Movable]:
    draw = random.Random(seed)
    return [
        Movable(
            n,
            tuple(
                Way(
                    (
                        (week, "technicians", minutes),
                        (week + 4, "technicians", minutes),
                        (week, "workshop", bench),
                    ),
                    0.0 if number == 0 else draw.uniform(0, 60),
                )
                for number, week in enumerate(draw.sample(range(4), 3))
            ),
        )
        for n, minutes, bench in ((n, draw.randint(20, 300), draw.choice([0, 60])) for n in range(6))
    ]


@pytest.mark.parametrize("seed", range(6))
def test_the_bound_holds_for_every_choice_and_the_answer_is_near_the_best(seed: int):
    sites = random_sites(seed)
    found = level(sites, weeks=WEEKS)
    # Every choice, each costed as "the way things are" of a problem without any other way.
    best = None
    for chosen in product(range(3), repeat=len(sites)):
        cost = fixed_cost(sites, chosen, found)
        best = cost if best is None else min(best, cost)
    assert best is not None
    assert found.bound <= best + 1e-6
    assert found.cost <= found.cost_before + 1e-6
    assert found.cost == pytest.approx(fixed_cost(sites, found.chosen, found))
    assert found.cost <= best * 1.15 + 1e-6


def fixed_cost(sites: list[Movable], chosen: tuple[int, ...], found: object) -> float:
    """The cost told plainly: load above each multiple of the mean, mean taken as things are."""
    total = sum(site.ways[way].price for site, way in zip(sites, chosen, strict=True))
    for name in ("technicians", "workshop"):
        now = [0.0] * WEEKS
        then = [0.0] * WEEKS
        for site, picked in zip(sites, chosen, strict=True):
            for week, resource, amount in site.ways[0].loads:
                now[week] += amount if resource == name else 0
            for week, resource, amount in site.ways[picked].loads:
                then[week] += amount if resource == name else 0
        mean = sum(now) / WEEKS
        if mean:
            total += sum(
                max(0.0, load - step * mean) * 1000 / mean for load in then for step in (1, 1.15, 1.3, 1.5, 2)
            )
    return total


def test_there_must_be_a_week_and_a_way():
    with pytest.raises(ValueError, match="one week"):
        level([], weeks=0)
    with pytest.raises(ValueError, match="way things are"):
        Movable("a", ())
    assert level([], weeks=3).cost == 0
