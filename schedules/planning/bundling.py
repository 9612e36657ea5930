"""Trips to one site over the months ahead: as few as pay, nothing late, little interval thrown away.

Purpose. Every task on every unit has a window of its own. Driving to each on its own date is the dear
habit; doing everything early throws work away. ``bundle`` weighs the one against the other.

What is chosen. On which of the given days somebody goes there, and which tasks are done then. A task may
be done within its window and no earlier than its cap before the latest day; after that its clock runs on
as the table says: from the day it was done, or on a fixed rhythm. A heavier task covers the lighter ones
of the same units that day and restarts them. The cost is that of the trips plus the share of each
interval that is thrown away times what the work is worth, both in minutes of a technician.

Guarantee. The answer is the cheapest of all over the given days: a dynamic programme over the days whose
state is the node of every clock, cut only by a bound that cannot be wrong. When it would hold too many
states, ``bundling_mip`` solves the same problem to a gap of nothing. Should that not end in time, the
answer is merely good. ``proof`` says which it was.

>>> from datetime import timedelta
>>> from inventory.measures.kinds import Task
>>> from schedules.rules.period import Period
>>> yearly = dict(group="a", task=Task.MAINTENANCE, units=10, every=Period(12, 0), counts=Counts.DONE,
...               pull_forward_days=92, worth_minutes=5.0)
>>> spring = Clock("spring", first=Span.until(date(2027, 3, 1)), **yearly)
>>> may = Clock("may", first=Span.until(date(2027, 5, 1)), **yearly)
>>> days = [date(2027, 1, 4) + timedelta(days=7 * n) for n in range(104)]
>>> found = bundle([spring, may], days, end=days[-1], terms=Terms(trip_minutes=60))
>>> [(str(trip.on), len(trip.works)) for trip in found.trips]
[('2027-03-01', 2), ('2028-02-28', 2)]
>>> found.habit.trips
4
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from itertools import pairwise

from schedules.planning.bundling_clocks import MILLI, NEVER, Clock, Nodes, Span
from schedules.planning.programme import NoAnswer
from schedules.rules.table import Counts

MOST_STATES = 600


class Proof(StrEnum):
    """How it is known that no cheaper bundle exists."""

    PROGRAMME = "dynamic programme"
    CERTIFICATE = "mixed-integer programme, gap 0"
    NONE = "good, not proved the best"


@dataclass(frozen=True, slots=True)
class Terms:
    """What weighs against what. All in minutes of a technician.

    ``day_minutes`` gives for each candidate day what going there costs beyond ``trip_minutes``, such as
    a month that is not the agreed one; left empty, all days cost alike. ``life_weight`` scales what is
    thrown away.
    """

    trip_minutes: float = 60.0
    life_weight: float = 1.0
    day_minutes: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Work:
    """One clock's work on a trip. ``is_covered`` where a heavier task of the day includes it."""

    clock: Clock
    span: Span
    lost_days: int
    is_covered: bool
    late_days: int = 0


@dataclass(frozen=True, slots=True)
class Trip:
    """One day on which somebody goes there, and what is done."""

    on: date
    works: tuple[Work, ...]

    @property
    def margin_days(self) -> int:
        """Days left before the first of its latest days; negative when that has passed."""
        return min((work.span.latest - self.on).days for work in self.works if not work.is_covered)


@dataclass(frozen=True, slots=True)
class Habit:
    """What driving to each task on its own date gives: trips, and days left before a latest day."""

    trips: int
    margin_days: int | None


@dataclass(frozen=True, slots=True)
class Bundle:
    """The cheapest trips, and what the habit would be. ``lost_share`` is thrown away of all intervals."""

    trips: tuple[Trip, ...]
    cost_minutes: float
    lost_minutes: float
    lost_share: float
    proof: Proof
    habit: Habit
    problems: tuple[str, ...] = ()
    states: int = 0

    @property
    def margin_days(self) -> int | None:
        """The least days left before any latest day over all trips."""
        return min((trip.margin_days for trip in self.trips), default=None)


def bundle(
    clocks: Sequence[Clock], days: Sequence[date], *, end: date, terms: Terms, most_states: int = MOST_STATES
) -> Bundle:
    """Return the cheapest trips for ``clocks`` on some of ``days``, ascending, up to ``end``.

    Work whose latest day lies after ``end`` is not wanted yet. Raises ``ValueError`` for days out of
    order. Without any day nothing can be planned, which is named in ``problems``.
    """
    if any(later <= sooner for sooner, later in pairwise(days)):
        raise ValueError("Give the days in order, each once.")
    if terms.day_minutes and len(terms.day_minutes) != len(days):
        raise ValueError("Give a cost for each of the days, or none.")
    wanted = [clock for clock in clocks if clock.first.latest <= end]
    if not wanted or not days:
        problems = tuple(f"{clock.name}: the site is open on no day." for clock in wanted)
        return Bundle((), 0.0, 0.0, 0.0, Proof.PROGRAMME, Habit(0, None), problems)
    problem = Problem(wanted, days, end, terms)
    # Both solvers know this module.
    from schedules.planning import bundling_days, bundling_mip

    solved = bundling_days.solve(problem, most_states)
    proof = Proof.PROGRAMME
    states = 0
    if solved is None:
        try:
            chosen, proof = bundling_mip.solve(problem), Proof.CERTIFICATE
        except NoAnswer:
            chosen, proof = problem.eager_choice(), Proof.NONE
    else:
        chosen, states = solved
    return problem.told(chosen, proof, states, habit(wanted, start=days[0], end=end))


Served = list[tuple[int, int]]
"""Place of the day and the clocks served that day, as bits."""


class Problem:
    """Clocks, days and costs as the solvers take them."""

    def __init__(self, clocks: Sequence[Clock], days: Sequence[date], end: date, terms: Terms) -> None:
        self.days = list(days)
        self.end = end
        self.terms = terms
        self.nodes = self._nodes(clocks)
        self.clocks = [nodes.clock for nodes in self.nodes]
        self.carried = self._drop_carried()
        extra = terms.day_minutes or (0.0,) * len(self.days)
        self.day_cost = [round(MILLI * (terms.trip_minutes + more)) for more in extra]
        self.covers = self._covers()

    def _nodes(self, clocks: Sequence[Clock]) -> list[Nodes]:
        """Return the nodes of all clocks, those with the same choices taken together."""
        coupled = {
            id(one)
            for clock in clocks
            for other in clocks
            if clock is not other and clock.group == other.group and other.task in clock.covers
            for one in (clock, other)
        }
        alike: dict[tuple[object, ...], Nodes] = {}
        found: list[Nodes] = []
        for clock in clocks:
            nodes = Nodes([clock], self.days, self.end, self.terms.life_weight)
            if id(clock) in coupled or clock.counts is Counts.GRID or nodes.low[0] >= NEVER:
                found.append(nodes)
                continue
            choices: tuple[object, ...] = (nodes.low[0], nodes.high[0], clock.counts)
            if clock.counts is not None:
                # After a target nothing is thrown away: with leeway the best choice hangs on the target.
                target = None if clock.first.target == clock.first.latest else clock.first.target
                later = (clock.every, clock.room, clock.pull_forward_days, clock.margin_days)
                choices = (*choices, *later, target)
            held = alike.get(choices)
            if held is None:
                alike[choices] = nodes
                found.append(nodes)
            else:
                held.join(clock)
        return found

    def _drop_carried(self) -> dict[str, list[Clock]]:
        """Leave out work that a heavier task covers in time in any case; return it by the heavier's name.

        Work that is wanted once, and that another covers whose own days end no later, never needs a day
        of its own: whenever the heavier one is done, it is in time too.
        """
        covers = self._covers()
        gone: dict[int, int] = {}
        for light, nodes in enumerate(self.nodes):
            if not nodes.ends or nodes.low[0] >= NEVER:
                continue
            for heavy, mask in enumerate(covers):
                other = self.nodes[heavy]
                if not mask >> light & 1 or heavy in gone or other.high[0] > nodes.high[0]:
                    continue
                opening = max(clock.first.earliest for clock in nodes.members)
                if nodes.clock.counts is Counts.DONE or self.days[other.low[0]] >= opening:
                    gone[light] = heavy
                    break
        carried: dict[str, list[Clock]] = {}
        for light, heavy in gone.items():
            carried.setdefault(_key(self.clocks[heavy]), []).append(self.clocks[light])
        self.nodes = [nodes for number, nodes in enumerate(self.nodes) if number not in gone]
        self.clocks = [nodes.clock for nodes in self.nodes]
        return carried

    def _covers(self) -> list[int]:
        """Return for each clock the others, as bits, that it covers, directly or through another."""
        direct = [
            sum(
                1 << place
                for place, other in enumerate(self.clocks)
                if other is not clock and other.group == clock.group and other.task in clock.covers
            )
            for clock in self.clocks
        ]
        changed = True
        while changed:
            changed = False
            for place, mask in enumerate(direct):
                reached = mask
                for other in bits(mask):
                    reached |= direct[other]
                reached &= ~(1 << place)
                if reached != mask:
                    direct[place] = reached
                    changed = True
        return direct

    def eager_choice(self) -> Served:
        """Return a choice that goes only when it must and then does all that may be done."""
        at = [0] * len(self.nodes)
        chosen: Served = []
        for place in range(len(self.days)):
            able = [n for n, nodes in enumerate(self.nodes) if nodes.low[at[n]] <= place]
            if not any(self.nodes[n].high[at[n]] == place for n in able):
                continue
            served = sum(1 << n for n in able)
            covered = self.covered_by(served)
            # Of two that cover each other one is done.
            served = served & ~covered or served
            covered = self.covered_by(served) & ~served
            for number in bits(served):
                at[number] = self.nodes[number].done(at[number], place)
            for number in bits(covered):
                at[number] = self.nodes[number].covered(at[number], place)
            chosen.append((place, served))
        return chosen

    def covered_by(self, served: int) -> int:
        """Return the clocks, as bits, that the ``served`` ones include."""
        mask = 0
        for place in bits(served):
            mask |= self.covers[place]
        return mask

    def told(self, chosen: Served, proof: Proof, states: int, as_habit: Habit) -> Bundle:
        """Return the chosen days as trips with what each is worth; every figure is counted anew here."""
        at = [0] * len(self.clocks)
        trips: list[Trip] = []
        cost = lost = 0
        for place, served in chosen:
            covered = self.covered_by(served)
            works: list[Work] = []
            cost += self.day_cost[place]
            for number, nodes in enumerate(self.nodes):
                bit, node = 1 << number, at[number]
                if not (served | covered) & bit or nodes.spans[node] is None:
                    continue
                is_covered = bool(covered & bit)
                if not is_covered or nodes.low[node] <= place:
                    works += [
                        _work(nodes, node, clock, self.days[place], is_covered) for clock in nodes.members
                    ]
                if node == 0:
                    works += [
                        Work(light, light.first, 0, True) for light in self.carried.get(_key(nodes.clock), ())
                    ]
                if is_covered:
                    at[number] = nodes.covered(node, place)
                    continue
                lost += nodes.lost[node][place]
                at[number] = nodes.done(node, place)
            trips.append(Trip(self.days[place], tuple(works)))
        problems = [
            f"{nodes.clock.name}: no day is left for what is due by {span.latest}."
            for nodes, node in zip(self.nodes, at, strict=True)
            if (span := nodes.spans[node]) is not None and span.latest <= self.end
        ]
        for trip in trips:
            problems += [
                f"{work.clock.name}: its latest day, {work.span.latest}, has passed before the first day "
                f"on which somebody can go, {trip.on}."
                for work in trip.works
                if work.late_days
            ]
        return Bundle(
            tuple(trips),
            (cost + lost) / MILLI,
            lost / MILLI,
            _share(trips),
            proof,
            as_habit,
            tuple(dict.fromkeys(problems)),
            states,
        )


def _key(clock: Clock) -> str:
    return f"{clock.group} {clock.task}"


def _work(nodes: Nodes, node: int, clock: Clock, day: date, is_covered: bool) -> Work:
    span = nodes.span(node, clock)
    if span is None:
        raise AssertionError("what is ended is not done again")
    if is_covered:
        return Work(clock, span, 0, True)
    return Work(clock, span, max(0, (span.target - day).days), False, max(0, (day - span.latest).days))


def _share(trips: Sequence[Trip]) -> float:
    """Return which part of all intervals is thrown away, each unit's work counting once."""
    works = [work for trip in trips for work in trip.works if not work.is_covered]
    units = sum(work.clock.units for work in works)
    if not units:
        return 0.0
    return sum(work.clock.units * work.lost_days / work.clock.interval_days for work in works) / units


def bits(mask: int) -> list[int]:
    """Return the places of the bits that are set, ascending."""
    found = []
    while mask:
        low = mask & -mask
        found.append(low.bit_length() - 1)
        mask ^= low
    return found


def moved(trips: Sequence[Trip], days: Sequence[date], *, life_weight: float = 1.0) -> float | None:
    """Return the minutes thrown away when ``trips`` are made on ``days`` instead, in the same order.

    None when some work would leave its window, its cap or its margin, or come later than it does now:
    what is done later on shifts with what is done before it.
    """
    if any(later <= sooner for sooner, later in pairwise(days)):
        return None
    spans: dict[int, Span] = {}
    steps: dict[int, int] = {}
    lost = 0.0
    for trip, day in zip(trips, days, strict=True):
        for work in trip.works:
            clock, key = work.clock, id(work.clock)
            span = spans.get(key, clock.first)
            if not work.is_covered:
                # Where the margin was given up already, the move must not give up more of it.
                last = max(span.latest - timedelta(days=clock.margin_days), min(trip.on, span.latest))
                if not min(clock.opens_in(span), trip.on) <= day <= last or day < span.earliest:
                    return None
                share = max(0, (span.target - day).days) / clock.interval_days
                lost += life_weight * share * clock.units * clock.worth_minutes
            if clock.counts is Counts.DONE:
                spans[key] = clock.after_done(day)
            elif clock.counts is Counts.GRID:
                steps[key] = steps.get(key, 0) + 1
                spans[key] = clock.on_grid(steps[key])
    return lost


def habit(clocks: Sequence[Clock], *, start: date, end: date) -> Habit:
    """Return what it takes to do each task on its own date, from ``start`` on and to ``end``.

    Tasks that meet on one day share its trip, and a heavier one covers the lighter.
    """
    spans: list[Span | None] = [clock.first for clock in clocks]
    steps = [0] * len(clocks)
    trips, margin = 0, None
    while True:
        open_days = [max(span.target, start) for span in spans if span is not None and span.latest <= end]
        if not open_days:
            return Habit(trips, margin)
        day = min(open_days)
        trips += 1
        doing = [
            number
            for number, span in enumerate(spans)
            if span is not None and span.latest <= end and max(span.target, start) == day
        ]
        covered = {
            number
            for number, clock in enumerate(clocks)
            for heavy in doing
            if heavy != number and clocks[heavy].group == clock.group and clock.task in clocks[heavy].covers
        }
        for number in {*doing, *covered}:
            clock, span = clocks[number], spans[number]
            if span is None:
                continue
            if number in doing and number not in covered:
                left = (span.latest - day).days
                margin = left if margin is None else min(margin, left)
            spans[number] = _habit_next(clock, span, day, steps, number, is_covered=number in covered)


def _habit_next(
    clock: Clock, span: Span, day: date, steps: list[int], number: int, *, is_covered: bool
) -> Span | None:
    if clock.counts is Counts.DONE:
        return clock.after_done(day)
    if is_covered and day < span.earliest:
        return span
    if clock.counts is None:
        return None
    steps[number] += 1
    while clock.on_grid(steps[number]).target <= day:
        steps[number] += 1
    return clock.on_grid(steps[number])
