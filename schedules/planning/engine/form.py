"""A problem in the form that the route engine (PyVRP) understands, and plans there and back.

What the engine does not know is expressed in what it does:

* **The break** is cut out of the clock. Noon is one moment: work in hand is finished first, a drive is
  interrupted. A start window becomes one or two windows on the shorter clock; the timetable later finds
  the true break, which may lie anywhere in its own window.
* **Several openings, and days** become copies of a visit, at most one of which is served. A copy carries
  the technician-days that may serve it.
* **Who may come** and **what it costs that just this shift comes** (lateness, territory, faces) are
  written into travel matrices: a leg to a barred visit is endless, any other carries its price. Shifts
  with the same column share a matrix. Where that would take too much memory, skills become loads instead.
* **Mandatory** visits are required only if everything is; else they carry a price beyond all others, so
  that one impossible visit does not spoil the plan of the rest.

All prices are sixtieths of a unit, so a plan costs here what its bill says, up to the break.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyvrp import (
    Activity,
    ActivityType,
    Client,
    ClientGroup,
    Depot,
    Location,
    ProblemData,
    Route,
    Solution,
    VehicleType,
)

from schedules.planning.model import UNREACHABLE_S, Problem, Rest, Seconds, Shift, Stop

MATRICES_BYTES = 500_000_000
"""Beyond this the rules are expressed without a matrix of their own per kind of shift."""
NOON = 0.25
"""Where in the window of the break the clock is cut, as a share of it: 12:00 of 11:30 to 13:30."""
RULE_LOAD = 10_000
"""A rule expressed as load weighs as much as this many units of a real load."""
NO_LIMIT = 2**40

Routes = Mapping[str, Sequence[str]]


@dataclass(frozen=True, slots=True)
class Copy:
    """One way to serve a stop: a start window on the engine's clock and the kinds of shift that may."""

    stop: int
    first: int
    last: int
    kinds: tuple[int, ...]


Cut = tuple[int, Rest]
"""The moment at which a break is cut out of the clock, and the break."""


def cuts_of(problem: Problem, shifts: Sequence[Shift]) -> list[Cut | None]:
    """Where the break is cut out of the clock of each shift; ``None`` if it never gets in the way.

    The usual moment gives way where it would make an appointment impossible.
    """
    known: dict[tuple[int, Rest], int] = {}
    found: list[Cut | None] = []
    for shift in shifts:
        rest = shift.pause
        if rest is None or shift.ends_s + shift.overtime_limit_s <= rest.latest_s:
            found.append(None)
            continue
        if (shift.day, rest) not in known:
            known[shift.day, rest] = _noon(problem, shift, rest)
        found.append((max(known[shift.day, rest], shift.starts_s), rest))
    return found


def _noon(problem: Problem, shift: Shift, rest: Rest) -> int:
    usual = rest.earliest_s + int((rest.latest_s - rest.earliest_s) * NOON)
    starts = [problem.open_windows(stop, shift) for stop in problem.stops]
    narrow = [
        windows
        for windows in starts
        if windows and windows[0][0] > rest.earliest_s and windows[-1][1] < rest.latest_s + rest.length_s
    ]
    if not narrow:
        return usual
    others = range(rest.earliest_s, rest.latest_s + 1, 300)

    def lost(noon: int) -> int:
        """Stops that would have no start left."""
        return sum(
            all(first > noon and last < noon + rest.length_s for first, last in windows) for windows in narrow
        )

    moments: list[int] = [usual, *others]
    return min(moments, key=lost)


def cut(first: int, last: int, service_s: int, noon: int, rest: Rest) -> list[tuple[int, int]]:
    """A start window on the clock without the break.

    Work begun by ``noon`` is finished first, if the break can still start in time after it; what starts
    after the break moves forward by its length.
    """
    windows = []
    before = min(last, noon, rest.latest_s - service_s)
    if first <= before:
        windows.append((first, before))
    if last >= noon + rest.length_s:
        windows.append((max(first, noon + rest.length_s) - rest.length_s, last - rest.length_s))
    return windows


class Form:
    """``problem`` for the engine: ``data`` and the way between plans and solutions."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.kinds, self.members = _kinds(problem)
        self.cuts = cuts_of(problem, self.kinds)
        self.mandatory = all(stop.mandatory for stop in problem.stops)
        bars = _Bars(problem, self.kinds, self.cuts)
        self.copies = list(bars.copies())
        self.of_stop: dict[str, list[int]] = {}
        for n, copy in enumerate(self.copies):
            self.of_stop.setdefault(problem.stops[copy.stop].key, []).append(n)
        self.served = frozenset(self.of_stop)
        self.skills_as_loads: tuple[str, ...] = ()
        columns = self._columns()
        if self._bytes(columns) > MATRICES_BYTES:
            bars = _Bars(problem, self.kinds, self.cuts, skills_apart=True)
            self.copies = list(bars.copies())
            self.of_stop = {}
            for n, copy in enumerate(self.copies):
                self.of_stop.setdefault(problem.stops[copy.stop].key, []).append(n)
            self.skills_as_loads = tuple(sorted({skill for stop in problem.stops for skill in stop.skills}))
            columns = self._columns(priced=False)
        self._build(*columns)

    # --- rules as matrices --------------------------------------------------------------------------

    def _columns(self, *, priced: bool = True) -> tuple[NDArray[np.bool_], Seconds]:
        allowed = np.zeros((len(self.copies), len(self.kinds)), dtype=bool)
        for n, copy in enumerate(self.copies):
            allowed[n, list(copy.kinds)] = True
        price = np.zeros(allowed.shape, dtype=np.int64)
        prices = self.problem.prices
        if priced:
            touchy = [
                any((stop.due_day is not None, stop.territory, stop.preferred_technician, stop.was))
                for stop in self.problem.stops
            ]
            for n, copy in enumerate(self.copies):
                if touchy[copy.stop]:
                    stop = self.problem.stops[copy.stop]
                    for kind in copy.kinds:
                        price[n, kind] = 60 * prices.placing(stop, self.kinds[kind])
        return allowed, price

    def _profiles(self, allowed: NDArray[np.bool_], price: Seconds) -> dict[tuple[str, bytes, bytes], int]:
        found: dict[tuple[str, bytes, bytes], int] = {}
        self._profile_of: list[int] = []
        for kind, shift in enumerate(self.kinds):
            key = (shift.profile, allowed[:, kind].tobytes(), price[:, kind].tobytes())
            self._profile_of.append(found.setdefault(key, len(found)))
        return found

    def _bytes(self, columns: tuple[NDArray[np.bool_], Seconds]) -> int:
        profiles = len(self._profiles(*columns))
        return profiles * (len(self.copies) + len(self.kinds)) ** 2 * 16

    def _build(self, allowed: NDArray[np.bool_], price: Seconds) -> None:
        problem, prices = self.problem, self.problem.prices
        profiles = self._profiles(allowed, price)
        first_kind = {profile: kind for kind, profile in reversed(list(enumerate(self._profile_of)))}
        chosen = [first_kind[profile] for profile in range(len(profiles))]

        places: list[int] = sorted({place for k in self.kinds for place in (k.start_place, k.end_place)})
        depot_of = {place: n for n, place in enumerate(places)}
        rows: list[int] = [-1] * len(places)
        location: dict[tuple[int, bytes, bytes], int] = {}
        copy_location = []
        for n, copy in enumerate(self.copies):
            place = problem.stops[copy.stop].place
            mark = (place, allowed[n, chosen].tobytes(), price[n, chosen].tobytes())
            if mark not in location:
                location[mark] = len(places)
                places.append(place)
                rows.append(n)
            copy_location.append(location[mark])

        self.drive_price = max(1, prices.drive_minute + prices.duty_minute)
        row = np.array(rows)
        barred = row >= 0
        seconds_of: list[Any] = []
        cost_of: list[Any] = []
        grid = np.ix_(places, places)
        for profile, kind in enumerate(chosen):
            travel = problem.travel[self.kinds[kind].profile]
            seconds = travel.seconds[grid].astype(np.int64)
            cost = seconds * prices.drive_minute
            if travel.metres is not None and prices.drive_km:
                km = np.rint(travel.metres[grid] * (prices.drive_km * 60 / 1000)).astype(np.int64)
                cost = cost + km
            endless = 20 * max(int(seconds[seconds < UNREACHABLE_S].max(initial=1)), 500_000)
            out = np.zeros(len(places), dtype=bool)
            out[barred] = ~allowed[row[barred], kind]
            extra = np.zeros(len(places), dtype=np.int64)
            extra[barred] = price[row[barred], kind]
            cost = cost + extra[None, :]
            closed = out[:, None] | out[None, :] | (seconds >= UNREACHABLE_S)
            cost[closed] = endless * self.drive_price
            seconds[closed] = endless
            np.fill_diagonal(seconds, 0)
            np.fill_diagonal(cost, 0)
            # Two visits in one place still pay for the second: its price rides on the leg between them.
            seconds_of.append(seconds)
            cost_of.append(cost)
            assert profile == len(cost_of) - 1

        rules = len(self.skills_as_loads)
        loads = problem.dimensions
        clients: list[tuple[int, Client]] = []
        groups: list[list[int]] = []
        for key, numbers in self.of_stop.items():
            stop = problem.stop[key]
            needs = [RULE_LOAD if skill in stop.skills else 0 for skill in self.skills_as_loads]
            group = len(groups) if len(numbers) > 1 else None
            required = self.mandatory and group is None
            for n in numbers:
                copy = self.copies[n]
                clients.append((n, Client(
                    location=copy_location[n],
                    delivery=[*_padded(stop.brings, loads), *needs],
                    pickup=[*_padded(stop.collects, loads), *([0] * rules)],
                    service_duration=stop.service_s,
                    tw_early=copy.first,
                    tw_late=copy.last,
                    prize=0 if self.mandatory else 60 * prices.leaving_out(stop),
                    required=required,
                    group=group,
                )))  # fmt: skip
            if group is not None:
                groups.append(numbers)
        clients.sort(key=lambda numbered: numbered[0])
        vans = []
        for kind, shift in enumerate(self.kinds):
            chopped = self.cuts[kind]
            off = chopped[1].length_s if chopped else 0
            over = shift.overtime_limit_s
            span = shift.ends_s - shift.starts_s - off
            longest = NO_LIMIT if shift.longest_s is None else max(0, shift.longest_s - off)
            vans.append(
                VehicleType(
                    num_available=len(self.members[kind]),
                    capacity=[
                        *_padded(shift.capacity, loads),
                        *(NO_LIMIT if skill in shift.skills else 0 for skill in self.skills_as_loads),
                    ],
                    start_depot=depot_of[shift.start_place],
                    end_depot=depot_of[shift.end_place],
                    fixed_cost=60 * shift.opening_price,
                    tw_early=shift.starts_s,
                    tw_late=shift.ends_s + over - off,
                    # Overtime is counted by the clock, so such a van leaves when its shift starts.
                    start_late=shift.starts_s if over else None,
                    shift_duration=max(0, span) if over else longest,
                    max_overtime=over,
                    unit_overtime_cost=prices.overtime_minute if over else 0,
                    unit_distance_cost=1,
                    unit_duration_cost=prices.duty_minute,
                    profile=self._profile_of[kind],
                )
            )
        xy = _drawn(seconds_of[0]) if seconds_of else []
        self.data = ProblemData(
            [Location(x, y) for x, y in xy],
            [client for _, client in clients],
            [Depot(n) for n in range(len(depot_of))],
            vans,
            cost_of,
            seconds_of,
            [ClientGroup(numbers, required=self.mandatory) for numbers in groups],
        )

    @cached_property
    def offset(self) -> int:
        """What the engine counts beyond the bill: the prizes of copies whose stop another copy serves."""
        clients = self.data.clients()
        return sum(clients[n].prize for numbers in self.of_stop.values() for n in numbers[1:])

    @cached_property
    def typical_drive(self) -> float:
        """Seconds of a middling drive between two places."""
        seconds = self.problem.travel[self.kinds[0].profile].seconds
        known = seconds[(seconds > 0) & (seconds < UNREACHABLE_S)]
        return float(np.median(known)) if known.size else 1.0

    # --- there and back -----------------------------------------------------------------------------

    @cached_property
    def _shift_kind(self) -> dict[str, int]:
        return {key: kind for kind, members in enumerate(self.members) for key in members}

    def routes(self, solution: Solution) -> dict[str, tuple[str, ...]]:
        """The solution as stop keys in order per shift key; shifts of one kind are handed out in order."""
        free = [iter(members) for members in self.members]
        found = {}
        for route in solution.routes():
            stops = self.stops_of(route)
            if stops:
                found[next(free[route.vehicle_type()])] = stops
        return found

    def stops_of(self, route: Route) -> tuple[str, ...]:
        """The stops of one route in order."""
        stops, copies = self.problem.stops, self.copies
        return tuple(stops[copies[it.idx].stop].key for it in route if it.is_client())

    def route(self, kind: int, stops: Iterable[str]) -> Route:
        """The engine's route of these stops, each in the copy that fits best when driven forward."""
        shift = self.kinds[kind]
        seconds = self.problem.travel[shift.profile].seconds
        now, here = shift.starts_s, shift.start_place
        chosen = []
        for key in stops:
            stop = self.problem.stop[key]
            now += int(seconds[here, stop.place])
            best: tuple[tuple[int, int, int], int] | None = None
            for n in self.of_stop.get(key, ()):
                copy = self.copies[n]
                late = max(0, now - copy.last)
                rank = (kind not in copy.kinds, late, max(now, copy.first))
                if best is None or rank < best[0]:
                    best = (rank, n)
            if best is None:
                continue
            now, here = best[0][2] + stop.service_s, stop.place
            chosen.append(Activity(ActivityType.CLIENT, best[1]))
        return Route(self.data, chosen, kind)

    def solution(self, routes: Routes) -> Solution:
        """The engine's solution of ``routes``; stops and shifts it does not know are passed over."""
        made = [
            self.route(self._shift_kind[shift], stops)
            for shift, stops in routes.items()
            if stops and shift in self._shift_kind
        ]
        return Solution(self.data, [route for route in made if route.num_clients()])


def _padded(amounts: tuple[int, ...], length: int) -> list[int]:
    return [*amounts, *([0] * (length - len(amounts)))]


def _drawn(seconds: Seconds) -> list[tuple[float, float]]:
    """Coordinates; the engine wants some, and orders nothing by them that the matrices do not say."""
    return [(float(seconds[0, n]), float(seconds[n, 0])) for n in range(len(seconds))]


def _kinds(problem: Problem) -> tuple[list[Shift], list[list[str]]]:
    """Shifts that no rule or price can tell apart, together: one of each kind and the keys of all."""
    named: dict[str, list[int]] = {}
    for n, stop in enumerate(problem.stops):
        for technician in stop.technicians or ():
            named.setdefault(technician, []).append(n)
    marks = {technician: tuple(stops) for technician, stops in named.items()}
    # People with the same permissions are interchangeable; a preference or a pin names one and no other.
    personal = {
        who
        for stop in problem.stops
        for who in (
            stop.preferred_technician,
            stop.pin.technician if stop.pin else None,
            stop.was[0] if stop.was else None,
        )
        if who
    }
    found: dict[tuple[object, ...], int] = {}
    kinds: list[Shift] = []
    members: list[list[str]] = []
    for shift in problem.shifts:
        who = shift.technician if shift.technician in personal else ""
        plain = replace(shift, key="", technician=who)
        key = (plain, marks.get(shift.technician, ()))
        if key not in found:
            found[key] = len(kinds)
            kinds.append(shift)
            members.append([])
        members[found[key]].append(shift.key)
    return kinds, members


class _Bars:
    """Which kind of shift may serve which stop in which start windows of the engine's clock."""

    def __init__(
        self,
        problem: Problem,
        kinds: Sequence[Shift],
        cuts: Sequence[Cut | None],
        *,
        skills_apart: bool = False,
    ) -> None:
        self.problem = problem
        self.kinds = kinds
        self.skills_apart = skills_apart
        self.clocks = [(shift.day, chopped) for shift, chopped in zip(kinds, cuts, strict=True)]

    def copies(self) -> Iterable[Copy]:
        """All copies of all stops, in the order of the stops and of the clock."""
        skills = frozenset(skill for stop in self.problem.stops for skill in stop.skills)
        for n, stop in enumerate(self.problem.stops):
            found: dict[tuple[int, int], list[int]] = {}
            windows: dict[object, list[tuple[int, int]]] = {}
            for kind, shift in enumerate(self.kinds):
                asked = replace(shift, skills=skills) if self.skills_apart else shift
                if self.problem.bars(stop, asked) is not None:
                    continue
                clock = self.clocks[kind]
                if clock not in windows:
                    windows[clock] = self._windows(stop, shift, clock[1])
                for window in windows[clock]:
                    found.setdefault(window, []).append(kind)
            for (first, last), allowed in sorted(found.items()):
                yield Copy(n, first, last, tuple(allowed))

    def _windows(self, stop: Stop, shift: Shift, chopped: Cut | None) -> list[tuple[int, int]]:
        found = []
        for first, last in self.problem.open_windows(stop, shift):
            if chopped is None:
                found.append((first, last))
            else:
                found += cut(first, last, stop.service_s, *chopped)
        found.sort()
        merged: list[tuple[int, int]] = []
        for first, last in found:
            if merged and first <= merged[-1][1] + 1:
                merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
            else:
                merged.append((first, last))
        return merged
