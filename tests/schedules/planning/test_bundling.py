"""The bundle of a site is the cheapest there is: against every choice tried out, and against HiGHS."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import combinations

import pytest

from inventory.measures.kinds import Task
from schedules.planning import bundling_mip
from schedules.planning.bundling import (
    Bundle,
    Problem,
    Proof,
    Terms,
    bundle,
    habit,
)
from schedules.planning.bundling_clocks import Clock, Span
from schedules.planning.programme import NoAnswer
from schedules.rules.period import Period
from schedules.rules.table import Counts, Within
from schedules.rules.table import Window as Room

START = date(2026, 11, 30)
END = START + timedelta(days=730)
WEEKLY = [START + timedelta(days=7 * n) for n in range(104)]
COVERS = {
    Task.HYDROSTATIC_TEST: frozenset({Task.INTERNAL_EXAMINATION, Task.MAINTENANCE}),
    Task.INTERNAL_EXAMINATION: frozenset({Task.MAINTENANCE}),
}


def yearly(name: str, latest: date, **fields: object) -> Clock:
    given: dict[str, object] = {
        "group": name,
        "task": Task.MAINTENANCE,
        "units": 10,
        "first": Span.until(latest),
        "worth_minutes": 5.0,
        "pull_forward_days": 92,
        "every": Period(12, 0),
        "counts": Counts.DONE,
    }
    return Clock(name, **(given | fields))  # type: ignore[arg-type]


def once(name: str, latest: date, **fields: object) -> Clock:
    return yearly(name, latest, **({"every": Period(72, 0), "counts": None} | fields))


# --- by hand ------------------------------------------------------------------------------------------


def test_two_phases_become_one_trip_a_year_and_rebasing_keeps_them_together():
    found = bundle(
        [yearly("spring", date(2027, 3, 1)), yearly("may", date(2027, 5, 1))],
        WEEKLY,
        end=END,
        terms=Terms(60),
    )
    assert [len(trip.works) for trip in found.trips] == [2, 2]
    assert found.trips[0].on == date(2027, 3, 1)
    # Both were done on 1 March 2027, so both are due by 1 March 2028: the last Monday before is 28 February.
    assert found.trips[1].on == date(2028, 2, 28)
    assert found.habit.trips == 4
    assert found.margin_days == 0
    assert not found.problems


def test_work_worth_more_than_a_trip_stays_on_its_own_date():
    clocks = [yearly("spring", date(2027, 3, 1), units=400), yearly("may", date(2027, 5, 24), units=400)]
    found = bundle(clocks, WEEKLY, end=date(2027, 12, 1), terms=Terms(60))
    assert [str(trip.on) for trip in found.trips] == ["2027-03-01", "2027-05-24"]
    assert found.lost_minutes == 0


def test_the_cap_stops_a_pull_that_would_pay():
    clocks = [yearly("a", date(2027, 3, 1), units=1), yearly("b", date(2027, 6, 7), units=1)]
    # 98 days apart: beyond a cap of 92, within one of 98.
    assert len(bundle(clocks, WEEKLY, end=date(2027, 12, 1), terms=Terms(600)).trips) == 2
    wider = [yearly(c.name, c.first.latest, units=1, pull_forward_days=98) for c in clocks]
    assert len(bundle(wider, WEEKLY, end=date(2027, 12, 1), terms=Terms(600)).trips) == 1


def test_a_heavier_task_covers_the_lighter_and_restarts_it():
    light = yearly("m", date(2027, 6, 7), group="g")
    heavy = once(
        "h", date(2027, 3, 1), group="g", task=Task.HYDROSTATIC_TEST, covers=COVERS[Task.HYDROSTATIC_TEST]
    )
    found = bundle([light, heavy], WEEKLY, end=date(2027, 12, 31), terms=Terms(60))
    assert [str(trip.on) for trip in found.trips] == ["2027-03-01"]
    assert found.cost_minutes == 60
    # Other units of the same kind of task are not covered.
    other = yearly("m", date(2027, 6, 7), group="another", units=300)
    assert len(bundle([other, heavy], WEEKLY, end=date(2027, 12, 31), terms=Terms(60)).trips) == 2


def test_a_fixed_rhythm_is_not_moved_by_early_work():
    grid = yearly(
        "g",
        date(2027, 3, 1),
        every=Period(6, 0),
        counts=Counts.GRID,
        first=Span(date(2027, 2, 1), date(2027, 3, 1), date(2027, 3, 1)),
        room=Room(before=Period(1, 0)),
    )
    found = bundle([grid], WEEKLY, end=date(2028, 3, 31), terms=Terms(60))
    assert [str(trip.on) for trip in found.trips] == ["2027-03-01", "2027-08-30", "2028-02-28"]
    assert [str(work.span.latest) for trip in found.trips for work in trip.works] == [
        "2027-03-01",
        "2027-09-01",
        "2028-03-01",
    ]


def test_what_is_late_comes_first_and_is_named_and_the_rest_is_planned():
    found = bundle(
        [yearly("late", date(2026, 10, 1)), yearly("fine", date(2027, 9, 1))], WEEKLY, end=END, terms=Terms()
    )
    assert found.trips[0].on == START
    assert found.problems == (
        "late: its latest day, 2026-10-01, has passed before the first day on which somebody can go, "
        "2026-11-30.",
    )
    assert {work.clock.name for trip in found.trips for work in trip.works} == {"late", "fine"}


def test_a_site_that_is_never_open_is_named():
    found = bundle([yearly("a", date(2027, 3, 1))], [], end=END, terms=Terms())
    assert found.problems == ("a: the site is open on no day.",)
    assert bundle([], WEEKLY, end=END, terms=Terms()).trips == ()


def test_work_moves_before_a_closed_season_and_never_behind_it():
    closed = [day for day in WEEKLY if not date(2027, 2, 1) <= day <= date(2027, 4, 30)]
    found = bundle(
        [yearly("a", date(2027, 3, 1), margin_days=14)], closed, end=date(2027, 12, 1), terms=Terms()
    )
    assert [str(trip.on) for trip in found.trips] == ["2027-01-25"]
    # Closed for longer than the cap: earlier than the cap allows, but never late.
    shut = [day for day in WEEKLY if not date(2026, 12, 1) <= day <= date(2027, 4, 30)]
    found = bundle([yearly("a", date(2027, 3, 10))], shut, end=date(2027, 12, 1), terms=Terms())
    assert found.trips[0].on == date(2026, 11, 30)
    assert found.trips[0].margin_days == 100


def test_the_margin_leaves_a_second_try():
    found = bundle(
        [yearly("a", date(2027, 3, 1), margin_days=14)], WEEKLY, end=date(2027, 6, 1), terms=Terms()
    )
    assert (found.trips[0].on, found.margin_days) == (date(2027, 2, 15), 14)


def test_days_out_of_order_are_refused():
    with pytest.raises(ValueError, match="in order"):
        bundle([], [START, START], end=END, terms=Terms())


def test_units_whose_dates_fall_into_one_week_are_weighed_as_one_and_told_one_by_one():
    dates = [date(2027, 3, 1) + timedelta(days=n % 7) for n in range(40)]
    clocks = [once(f"u{n}", day, units=1) for n, day in enumerate(dates)]
    found = bundle([*clocks, yearly("m", date(2027, 4, 5))], WEEKLY, end=date(2027, 12, 1), terms=Terms(60))
    assert found.states < 5
    (trip,) = found.trips
    assert trip.on == date(2027, 3, 1)
    assert {w.clock.name: w.span.latest for w in trip.works if w.clock.name != "m"} == {
        f"u{n}": day for n, day in enumerate(dates)
    }


# --- against every choice tried out -------------------------------------------------------------------


def random_case(seed: int, *, day_count: int = 10) -> tuple[list[Clock], list[date], date, Terms]:
    """Up to five clocks whose windows overlap, over days that lie some weeks apart."""
    draw = random.Random(seed)
    days = sorted(draw.sample([START + timedelta(days=n) for n in range(0, 250, 5)], day_count))
    clocks: list[Clock] = []
    for number in range(draw.randint(2, 5)):
        latest = START + timedelta(days=draw.randint(-30, 240))
        opening = latest - timedelta(days=draw.choice([0, 20, 400]))
        task = draw.choice([Task.MAINTENANCE, Task.INTERNAL_EXAMINATION, Task.HYDROSTATIC_TEST])
        counts = draw.choice([None, Counts.DONE, Counts.DONE, Counts.GRID])
        group = draw.choice("ab")
        if any(c.group == group and c.task is task for c in clocks):
            continue
        clocks.append(
            Clock(
                f"c{number}",
                group,
                task,
                draw.randint(1, 60),
                Span(opening, max(opening, latest - timedelta(days=draw.choice([0, 15]))), latest),
                draw.choice([2.0, 5.0, 20.0]),
                draw.choice([30, 60, 92]),
                every=Period(draw.choice([2, 3, 6, 72]), 0),
                counts=counts,
                room=draw.choice([None, Room(before=Period(1, 0), after=Period(1, 0))])
                if counts is not Counts.GRID
                else Room(within=Within.CALENDAR_MONTH),
                margin_days=draw.choice([0, 10]),
                covers=COVERS.get(task, frozenset()),
            )
        )
    extra = tuple(draw.choice([0.0, 0.0, 40.0]) for _ in days)
    return clocks, days, START + timedelta(days=255), Terms(draw.choice([10.0, 60.0, 200.0]), 1.0, extra)


@dataclass
class Tried:
    """Every choice, tried out day by day on the plain meaning of windows; knows nothing of nodes."""

    clocks: Sequence[Clock]
    days: Sequence[date]
    end: date
    terms: Terms

    def cheapest(self) -> int:
        first = tuple((clock.first, 0, -1) for clock in self.clocks)
        return min(self._from(0, first))

    def _window(self, clock: Clock, span: Span, after: int) -> tuple[int, int] | None:
        """The places at which the work may be done, by the order of what is given up."""
        later = [n for n in range(len(self.days)) if n > after]

        def among(low: date, high: date) -> list[int]:
            return [n for n in later if low <= self.days[n] <= high]

        opening = max(span.earliest, span.latest - timedelta(days=clock.pull_forward_days))
        wished = max(opening, span.latest - timedelta(days=clock.margin_days))
        if found := among(opening, wished):
            return found[0], found[-1]
        if found := among(wished, span.latest):
            return found[0], found[0]
        if found := among(span.earliest, span.latest):
            return found[-1], found[-1]
        if found := among(span.latest, date.max):
            return found[0], found[0]
        return None

    def _from(self, place: int, stand: tuple[tuple[Span | None, int, int], ...]) -> Iterator[int]:
        if place == len(self.days):
            yield 0
            return
        day = self.days[place]
        able, must = [], set()
        for number, (clock, (span, _, after)) in enumerate(zip(self.clocks, stand, strict=True)):
            if span is None or span.latest > self.end:
                continue
            window = self._window(clock, span, after)
            if window and window[0] <= place <= window[1]:
                able.append(number)
                if place == window[1]:
                    must.add(number)
        best = None
        for size in range(len(able) + 1):
            for doing in combinations(able, size):
                covered = self._covered(doing)
                if must - set(doing) - covered or set(doing) & covered:
                    continue
                cost, then = 0, list(stand)
                if doing:
                    cost = round(1000 * (self.terms.trip_minutes + self.terms.day_minutes[place]))
                for number in doing:
                    clock, (span, step, _) = self.clocks[number], stand[number]
                    early = max(0, (span.target - day).days)
                    cost += round(1000 * early / clock.interval_days * clock.units * clock.worth_minutes)
                    then[number] = self._next(clock, step, day, place)
                for number in covered:
                    clock, (span, step, after) = self.clocks[number], stand[number]
                    if span is None:
                        continue
                    if clock.counts is Counts.DONE:
                        then[number] = self._next(clock, step, day, place)
                    elif day >= span.earliest:
                        while clock.counts is Counts.GRID and clock.on_grid(step + 1).earliest <= day:
                            step += 1
                        then[number] = self._next(clock, step, day, place)
                rest = min(self._from(place + 1, tuple(then)))
                best = cost + rest if best is None else min(best, cost + rest)
        assert best is not None
        yield best

    def _covered(self, doing: Sequence[int]) -> set[int]:
        return {
            number
            for number, clock in enumerate(self.clocks)
            for heavy in doing
            if heavy != number
            and self.clocks[heavy].group == clock.group
            and clock.task in self.clocks[heavy].covers
        }

    def _next(self, clock: Clock, step: int, day: date, place: int) -> tuple[Span | None, int, int]:
        if clock.counts is None:
            return None, 0, place
        if clock.counts is Counts.DONE:
            return clock.after_done(day), 0, place
        return clock.on_grid(step + 1), step + 1, place


def in_milli(found: Bundle) -> int:
    return round(1000 * found.cost_minutes)


@pytest.mark.parametrize("block", range(6))
def test_it_is_the_cheapest_of_all_choices(block: int):
    for seed in range(block * 25, block * 25 + 25):
        clocks, days, end, terms = random_case(seed)
        found = bundle(clocks, days, end=end, terms=terms)
        assert found.proof is Proof.PROGRAMME
        wanted = [clock for clock in clocks if clock.first.latest <= end]
        cheapest = Tried(wanted, days, end, terms).cheapest() if wanted else 0
        assert in_milli(found) == cheapest, seed


def test_the_mixed_integer_programme_proves_the_same_cost():
    for seed in range(500, 560):
        clocks, days, end, terms = random_case(seed, day_count=26)
        found = bundle(clocks, days, end=end, terms=terms)
        proved = bundle(clocks, days, end=end, terms=terms, most_states=0)
        if not found.trips:
            continue
        assert (found.proof, proved.proof) == (Proof.PROGRAMME, Proof.CERTIFICATE)
        assert in_milli(found) == in_milli(proved), seed


def test_the_certificate_is_of_the_same_problem_and_not_of_a_looser_one():
    clocks, days, end, terms = random_case(523, day_count=26)
    problem = Problem([c for c in clocks if c.first.latest <= end], days, end, terms)
    chosen = bundling_mip.solve(problem)
    assert bundling_mip.cost_of(problem, chosen) == in_milli(bundle(clocks, days, end=end, terms=terms))


def test_without_a_proof_in_time_the_answer_is_good_and_says_so(monkeypatch: pytest.MonkeyPatch):
    def gives_up(problem: Problem) -> None:
        raise NoAnswer("Time limit reached")

    monkeypatch.setattr(bundling_mip, "solve", gives_up)
    for seed in range(700, 740):
        clocks, days, end, terms = random_case(seed)
        found = bundle(clocks, days, end=end, terms=terms, most_states=0)
        best = bundle(clocks, days, end=end, terms=terms)
        if best.trips:
            assert found.proof is Proof.NONE
            assert found.cost_minutes >= best.cost_minutes
            late = {w.clock.name for trip in best.trips for w in trip.works if w.late_days}
            assert {w.clock.name for trip in found.trips for w in trip.works if w.late_days} <= late


def test_the_habit_goes_to_each_on_its_own_date():
    clocks = [yearly("a", date(2027, 3, 1)), yearly("b", date(2027, 3, 1)), yearly("c", date(2027, 5, 1))]
    assert habit(clocks, start=START, end=date(2028, 2, 29)).trips == 2
    assert habit(clocks, start=START, end=date(2028, 3, 1)).trips == 3
