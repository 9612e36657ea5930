"""The dynamic programme over the days: which trips, and what is done on each, at the least cost.

Clocks that come again, or hang together with others, stand in the state with their node. Work that is
wanted once does not: given the trips, it is best done on the last one within its days, so that the last
trip alone decides, on the day on which its days end.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from dataclasses import dataclass
from itertools import accumulate

from schedules.planning.bundling import Problem, Served, bits
from schedules.planning.bundling_clocks import MILLI, NEVER, Nodes

MOST_SUBSETS = 10
GOOD_WIDTH = 24
_INFINITE = NEVER * MILLI


@dataclass(frozen=True, slots=True)
class _Link:
    """A step on the way here. ``pair`` tells a decision about a pair; else it was a trip."""

    place: int
    served: int
    before: _Link | None
    pair: int = -1


State = tuple[tuple[int, ...], int, int]
"""Nodes of the eager clocks; place of the last trip or -1; pairs, as bits, whose lighter work is done."""
_Held = tuple[int, _Link | None]


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two works wanted once, the heavier of which would cover the lighter but may come later."""

    light: int
    heavy: int


def solve(problem: Problem, most_states: int) -> tuple[Served, int] | None:
    """Return the chosen days and the states held at most; None when there are too many."""
    if most_states < 1:
        return None
    return _Programme(problem, most_states).solve()


class _Programme:
    def __init__(self, problem: Problem, most_states: int) -> None:
        self.problem = problem
        self.most_states = most_states
        self.cheapest = [0, *accumulate(sorted(problem.day_cost))]
        self.coverable = 0
        for mask in problem.covers:
            self.coverable |= mask
        self.singles: list[int] = []
        self.pairs: list[_Pair] = []
        self.eager: list[int] = []
        self._sort()
        self.to_go: list[dict[int, tuple[int, int]]] = [{} for _ in problem.nodes]
        self.bounds: dict[tuple[State, int], int] = {}
        nodes = problem.nodes
        self.single_ends: dict[int, list[int]] = defaultdict(list)
        for number in self.singles:
            self.single_ends[nodes[number].high[0]].append(number)
        self.single_windows = sorted(
            {(nodes[number].high[0], nodes[number].low[0]) for number in self.singles}
        )
        self.pair_ends: dict[int, list[int]] = defaultdict(list)
        for place, pair in enumerate(self.pairs):
            self.pair_ends[nodes[pair.light].high[0]].append(place)
            self.pair_ends[nodes[pair.heavy].high[0]].append(place)
        self.place_of = {number: place for place, number in enumerate(self.eager)}

    def _sort(self) -> None:
        """Tell singles and pairs from the clocks that must stand in the state."""
        problem = self.problem
        neighbours: dict[int, set[int]] = defaultdict(set)
        for heavy, mask in enumerate(problem.covers):
            for light in bits(mask):
                neighbours[heavy].add(light)
                neighbours[light].add(heavy)
        for number, nodes in enumerate(problem.nodes):
            around = neighbours[number]
            is_plain = nodes.ends and nodes.low[0] < NEVER
            if is_plain and not around:
                self.singles.append(number)
                continue
            other = next(iter(around)) if len(around) == 1 else -1
            if (
                is_plain
                and other >= 0
                and len(neighbours[other]) == 1
                and problem.nodes[other].ends
                and problem.nodes[other].low[0] < NEVER
                and not (problem.covers[number] >> other & 1 and problem.covers[other] >> number & 1)
            ):
                if problem.covers[other] >> number & 1 and self._is_pair(number, other):
                    self.pairs.append(_Pair(number, other))
                    continue
                if problem.covers[number] >> other & 1 and self._is_pair(other, number):
                    continue
            self.eager.append(number)

    def _is_pair(self, light: int, heavy: int) -> bool:
        """Return whether the lighter must be decided first, and counts whenever the heavier is done."""
        nodes, days = self.problem.nodes, self.problem.days
        span = nodes[light].spans[0]
        first = days[min(nodes[heavy].low[0], nodes[light].low[0])]
        return nodes[light].high[0] < nodes[heavy].high[0] and span is not None and first >= span.earliest

    # -- searching

    def solve(self) -> tuple[Served, int] | None:
        """Return the best choice of all."""
        good = self._run(width=GOOD_WIDTH, above=_INFINITE)
        best = self._run(width=None, above=good[0] if good is not None else _INFINITE)
        if best is None:
            return None
        return self._chosen(best[1]), best[2]

    def _run(self, *, width: int | None, above: int) -> tuple[int, _Link | None, int] | None:
        """Return cost, last step and states of the best way no dearer than ``above``.

        With a ``width`` only the most promising states are kept, so that the way is good, not best.
        """
        problem, most = self.problem, 1
        states: dict[State, _Held] = {((0,) * len(self.eager), -1, 0): (0, None)}
        for place in range(len(problem.days)):
            fresh: dict[State, _Held] = {}
            for state, held in states.items():
                if not self._step(place, state, held, above, fresh):
                    return None
            states = fresh
            if width is not None and len(states) > width:
                ranked = sorted(
                    states.items(), key=lambda item: (item[1][0] + self._least(item[0], place), item[0])
                )
                states = dict(ranked[:width])
            most = max(most, len(states))
            if len(states) > self.most_states:
                return None
        cost, link = min(states.values(), key=lambda held: held[0])
        return cost, link, most

    def _step(self, place: int, state: State, held: _Held, above: int, fresh: dict[State, _Held]) -> bool:
        """Add what the day at ``place`` leads to; False when there are too many choices."""
        nodes, _, done = state
        forced, optional = 0, []
        for position, number in enumerate(self.eager):
            own = self.problem.nodes[number]
            if own.low[nodes[position]] <= place:
                if own.high[nodes[position]] == place:
                    forced |= 1 << number
                else:
                    optional.append(number)
        if not forced:
            self._settle(place, state, held, above, fresh)
        if len(optional) > MOST_SUBSETS:
            return False
        cost = self.problem.day_cost
        # A trip for works wanted once alone could as well be a day later, unless one of their days ends
        # here or the later day is dearer.
        may_be_bare = (
            place in self.single_ends
            or place in self.pair_ends
            or place + 1 == len(cost)
            or cost[place + 1] > cost[place]
        )
        for choice in range(1 << len(optional)):
            picked = forced
            for position, number in enumerate(optional):
                if choice >> position & 1:
                    picked |= 1 << number
            if not picked and not (may_be_bare and (self.singles or self.pairs)):
                continue
            covered = self.problem.covered_by(picked)
            # What another work of the day includes needs no work of its own.
            if picked & ~forced & covered:
                continue
            served = picked & ~covered
            spent = held[0] + cost[place]
            then = list(nodes)
            for number in bits(served):
                position = self.place_of[number]
                spent += self.problem.nodes[number].lost[nodes[position]][place]
                then[position] = self.problem.nodes[number].done(nodes[position], place)
            for number in bits(covered):
                position = self.place_of[number]
                then[position] = self.problem.nodes[number].covered(nodes[position], place)
            reached = (tuple(then), place, done)
            self._settle(place, reached, (spent, _Link(place, served, held[1])), above, fresh)
        return True

    def _settle(self, place: int, state: State, held: _Held, above: int, fresh: dict[State, _Held]) -> None:
        """Do on the last trip what ends at ``place``, and keep the state unless it is too dear."""
        nodes, last, done = state
        spent, link = held
        for number in self.single_ends.get(place, ()):
            own = self.problem.nodes[number]
            if last < own.low[0]:
                return
            spent += own.lost[0][last]
        ways = [(spent, done, link)]
        for number in self.pair_ends.get(place, ()):
            ways = [way for before in ways for way in self._pair_ways(number, place, last, *before)]
        for cost, mask, step in ways:
            reached = (nodes, last, mask)
            if cost + self._least(reached, place) > above:
                continue
            kept = fresh.get(reached)
            if kept is None or cost < kept[0]:
                fresh[reached] = (cost, step)

    def _pair_ways(
        self, number: int, place: int, last: int, spent: int, done: int, link: _Link | None
    ) -> list[tuple[int, int, _Link | None]]:
        """Return what can be done of a pair on the last trip.

        Where the days of the lighter work end, either the heavier one is done then and covers it, or the
        lighter alone; in the latter case the heavier follows where its own days end.
        """
        pair, bit = self.pairs[number], 1 << number
        light, heavy = self.problem.nodes[pair.light], self.problem.nodes[pair.heavy]
        found: list[tuple[int, int, _Link | None]] = []
        if place == light.high[0]:
            if heavy.low[0] <= last:
                step = _Link(last, 1 << pair.heavy, link, number)
                found.append((spent + heavy.lost[0][last], done, step))
            if light.low[0] <= last:
                step = _Link(last, 1 << pair.light, link, number)
                found.append((spent + light.lost[0][last], done | bit, step))
            return found
        if not done & bit:
            return [(spent, done, link)]
        if heavy.low[0] <= last:
            step = _Link(last, 1 << pair.heavy, link, number)
            found.append((spent + heavy.lost[0][last], done & ~bit, step))
        return found

    def _chosen(self, link: _Link | None) -> Served:
        """Return the trips with all that is done on each."""
        served: dict[int, int] = defaultdict(int)
        trips: list[int] = []
        while link is not None:
            served[link.place] |= link.served
            if link.pair < 0:
                trips.append(link.place)
            link = link.before
        trips.sort()
        for number in self.singles:
            high = self.problem.nodes[number].high[0]
            served[trips[bisect_left(trips, high + 1) - 1]] |= 1 << number
        return [(place, served[place]) for place in sorted(served) if served[place]]

    # -- bounds

    def _least(self, state: State, place: int) -> int:
        """Return a cost that is never more than what is still to come after ``place``.

        Each clock must throw away at least what it would alone. Trips: of windows that do not meet each
        needs one of its own, and once they are counted the clock that begins after them needs all of
        its trips.
        """
        known = self.bounds.get((state, place))
        if known is not None:
            return known
        nodes, last, done = state
        lost = 0
        open_windows: list[tuple[int, int, int]] = []
        for position, number in enumerate(self.eager):
            node = nodes[position]
            alone = self.to_go[number].get(node) or self._clock_least(number, node)
            lost += alone[0]
            if alone[1]:
                own = self.problem.nodes[number]
                # One that may be covered can be so before its window opens.
                low = 0 if self.coverable >> number & 1 else own.low[node]
                open_windows.append((own.high[node], low, alone[1]))
        open_windows += [
            (high, low, 1)
            for high, low in self.single_windows[bisect_left(self.single_windows, (place + 1, 0)) :]
            if low > last
        ]
        for number, pair in enumerate(self.pairs):
            if done >> number & 1:
                self._add_window(self.problem.nodes[pair.heavy], place, last, open_windows)
        open_windows.sort()
        ends: list[int] = []
        trips, stabbed = 0, -1
        for high, low, _ in open_windows:
            if low > stabbed:
                stabbed = high
                ends.append(high)
        for _, low, alone_trips in open_windows:
            trips = max(trips, bisect_left(ends, low) + alone_trips)
        self.bounds[state, place] = found = lost + self.cheapest[min(trips, len(self.problem.days))]
        return found

    @staticmethod
    def _add_window(own: Nodes, place: int, last: int, open_windows: list[tuple[int, int, int]]) -> None:
        if own.high[0] > place and own.low[0] > last:
            open_windows.append((own.high[0], own.low[0], 1))

    def _clock_least(self, number: int, node: int) -> tuple[int, int]:
        """Return what one clock on its own must still throw away, and the trips it must still have.

        A covered clock throws nothing away and may skip a trip of its own: it then counts for nothing.
        """
        known = self.to_go[number]
        if node in known:
            return known[node]
        nodes = self.problem.nodes[number]
        if nodes.low[node] >= NEVER:
            known[node] = (0, 0)
        else:
            lost = trips = _INFINITE
            # Later places first: what they lead to is asked for again by the earlier ones.
            for place in range(nodes.high[node], nodes.low[node] - 1, -1):
                then = self._clock_least(number, nodes.done(node, place))
                lost = min(lost, nodes.lost[node][place] + then[0])
                trips = min(trips, 1 + then[1])
            known[node] = (0, 1) if self.coverable >> number & 1 else (lost, trips)
        return known[node]
