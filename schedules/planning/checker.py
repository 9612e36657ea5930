"""Proof of a plan: every rule, and the price, worked out again from the problem alone.

Shares no code with the planner or the timetable (only the plain values of the model), so that a mistake
there cannot hide here. The break is placed by trying it on every leg.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from schedules.planning.model import UNREACHABLE_S, Plan, Problem, Shift, Stop

Code = Literal[
    "unknown shift", "unknown stop", "planned twice", "planned and left out", "unaccounted",
    "skill", "technician", "pin", "load", "hours", "duty",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Breach:
    """One broken rule."""

    code: Code
    text: str
    shift: str | None = None
    stop: str | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """All broken rules of a plan and its price; ``mandatory_out`` names mandatory stops not served."""

    breaches: tuple[Breach, ...]
    cost_60: int
    mandatory_out: tuple[str, ...] = ()

    @property
    def feasible(self) -> bool:
        """No rule is broken."""
        return not self.breaches


def check(problem: Problem, plan: Plan) -> Verdict:
    """Every rule that ``plan`` breaks, and what it costs in sixtieths of a unit."""
    breaches: list[Breach] = []
    known = {stop.key: stop for stop in problem.stops}
    shifts = {shift.key: shift for shift in problem.shifts}
    seen: Counter[str] = Counter()
    cost = 0
    for key, stops in plan.routes.items():
        if not stops:
            continue
        if key not in shifts:
            breaches.append(Breach("unknown shift", f"There is no shift {key}.", shift=key))
            seen.update(stops)
            continue
        strangers = [stop for stop in stops if stop not in known]
        breaches += [Breach("unknown stop", f"There is no stop {it}.", key, it) for it in strangers]
        seen.update(stops)
        served = [known[stop] for stop in stops if stop in known]
        for stop in served:
            breaches += _personal(shifts[key], stop)
        breaches += _loads(problem, shifts[key], served)
        found = _drive(problem, shifts[key], served)
        if isinstance(found, Breach):
            breaches.append(found)
            cost += _cost(problem, shifts[key], served, 0, 0)
        else:
            cost += _cost(problem, shifts[key], served, *found)
    for key, times in seen.items():
        if times > 1:
            breaches.append(Breach("planned twice", f"Stop {key} is planned {times} times.", stop=key))
        if key in plan.left_out:
            breaches.append(Breach("planned and left out", f"Stop {key} is also left out.", stop=key))
    mandatory = []
    for stop in problem.stops:
        if seen[stop.key]:
            continue
        if stop.key not in plan.left_out:
            breaches.append(
                Breach("unaccounted", f"Stop {stop.key} is neither planned nor left out.", stop=stop.key)
            )
        fixed = stop.mandatory or stop.pin is not None
        if fixed:
            mandatory.append(stop.key)
        prices = problem.prices
        if fixed:
            price = prices.mandatory
        elif stop.left_out_price is not None:
            price = stop.left_out_price
        else:
            ladder = sorted(prices.left_out.items())
            price = min(ladder, key=lambda rung: abs(rung[0] - stop.priority))[1] if ladder else 0
        cost += 60 * price
    return Verdict(tuple(breaches), cost, tuple(mandatory))


def _personal(shift: Shift, stop: Stop) -> list[Breach]:
    """Rules about who serves a stop and on which day."""
    found = []
    missing = stop.skills - shift.skills
    if missing:
        text = f"{shift.technician} lacks {', '.join(sorted(missing))} for stop {stop.key}."
        found.append(Breach("skill", text, shift.key, stop.key))
    if stop.technicians is not None and shift.technician not in stop.technicians:
        text = f"{shift.technician} may not serve stop {stop.key}."
        found.append(Breach("technician", text, shift.key, stop.key))
    if stop.pin is not None and (
        (stop.pin.technician is not None and stop.pin.technician != shift.technician)
        or (stop.pin.day is not None and stop.pin.day != shift.day)
    ):
        text = f"Stop {stop.key} is pinned to another technician or day."
        found.append(Breach("pin", text, shift.key, stop.key))
    return found


def _loads(problem: Problem, shift: Shift, stops: list[Stop]) -> list[Breach]:
    found = []
    dimensions = max((len(amounts) for it in stops for amounts in (it.brings, it.collects)), default=0)
    for n in range(dimensions):
        room = shift.capacity[n] if n < len(shift.capacity) else 0
        brought = [it.brings[n] if n < len(it.brings) else 0 for it in stops]
        taken = [it.collects[n] if n < len(it.collects) else 0 for it in stops]
        most = max(sum(brought[m:]) + sum(taken[:m]) for m in range(len(stops) + 1))
        if most > room:
            found.append(
                Breach("load", f"Load {n} of shift {shift.key} reaches {most}, room is {room}.", shift.key)
            )
    return found


def _drive(problem: Problem, shift: Shift, stops: list[Stop]) -> tuple[int, int] | Breach:
    """Earliest return and shortest duty without the break, or the first rule of the clock that breaks."""
    round_trip = _Round(problem, shift, stops)
    home = round_trip.back(shift.starts_s)
    if home is None:
        return Breach(
            "hours",
            f"Shift {shift.key} cannot keep opening hours, break and end of shift in this order.",
            shift.key,
            round_trip.stuck,
        )
    if shift.longest_s is None and not problem.prices.duty_minute:
        return home, 0
    prices = problem.prices
    span, home, duty = round_trip.cheapest(prices.duty_minute, prices.overtime_minute)
    if shift.longest_s is not None and span > shift.longest_s:
        text = f"Shift {shift.key} takes {span} s from leaving to coming back, {shift.longest_s} s allowed."
        return Breach("duty", text, shift.key)
    return home, duty


class _Round:
    """A route of a shift, driven again and again with other departures and other places for the break."""

    def __init__(self, problem: Problem, shift: Shift, stops: list[Stop]) -> None:
        seconds = problem.travel[shift.profile].seconds
        places = [shift.start_place, *(stop.place for stop in stops), shift.end_place]
        self.drives = [int(seconds[a, b]) for a, b in pairwise(places)]
        self.stops = stops
        self.shift = shift
        self.limit = shift.ends_s + shift.overtime_limit_s
        rest = shift.rest
        self.rest = None if rest is None or not rest.length_s or shift.starts_s > rest.latest_s else rest
        self.furthest = -1
        self.broke_on_way = False

    @property
    def stuck(self) -> str | None:
        """The stop at which no attempt got any further."""
        n = self.furthest + 1
        return self.stops[n].key if n < len(self.stops) else None

    def back(self, leaves: int) -> int | None:
        """Earliest return of all places for the break."""
        if any(drive >= UNREACHABLE_S for drive in self.drives):
            return None
        if self.rest is None:
            return self._along(leaves, None)
        if leaves >= max(self.shift.starts_s, self.rest.earliest_s) + self.rest.length_s:
            return self._along(leaves, None)
        tries = [self._along(leaves, n) for n in range(len(self.drives))]
        alone = self._along(leaves, None)
        if alone is not None and alone <= self.rest.latest_s:
            tries.append(alone)
        done = [end for end in tries if end is not None]
        return min(done, default=None)

    def _along(self, leaves: int, break_on: int | None) -> int | None:
        now = leaves
        for n, drive in enumerate(self.drives):
            there = now + drive
            if break_on == n and self.rest is not None:
                if now > self.rest.latest_s:
                    return None
                begins = now if now >= self.rest.earliest_s else self.rest.earliest_s
                # While under way the drive goes on afterwards, later it is taken at the door.
                there = there + self.rest.length_s if begins <= there else begins + self.rest.length_s
            if n == len(self.stops):
                return there if there <= self.limit else None
            done = self._work(self.stops[n], there)
            if done is None or done > self.limit:
                return None
            self.furthest = max(self.furthest, n)
            now = done
        return now

    def _work(self, stop: Stop, there: int) -> int | None:
        ends = []
        for window in stop.windows:
            if window.day != self.shift.day:
                continue
            begins = max(there, window.opens_s)
            if stop.pin is not None and stop.pin.starts_s is not None:
                if there > stop.pin.starts_s or stop.pin.starts_s < window.opens_s:
                    continue
                begins = stop.pin.starts_s
            if begins + stop.service_s <= window.closes_s:
                ends.append(begins + stop.service_s)
        return min(ends, default=None)

    def cheapest(self, duty_minute: int, overtime_minute: int) -> tuple[int, int, int]:
        """Shortest time from leaving to coming back; return and duty without the break of the cheapest.

        The return is a rising step function of the departure; on each step the last departure is best.
        """
        best = 10**15
        price, chosen = 10**18, (10**15, 10**15)
        for first, last in self._departures():
            leaves = first
            while leaves <= last and (home := self.back(leaves)) is not None:
                low, high = leaves, min(home, last)
                while low < high:
                    middle = (low + high + 1) // 2
                    again = self.back(middle)
                    if again is not None and again <= home:
                        low = middle
                    else:
                        high = middle - 1
                span = home - low
                best = min(best, span)
                if self.shift.longest_s is None or span <= self.shift.longest_s:
                    duty = span - self._break_between(low, home)
                    cost = duty_minute * duty + overtime_minute * max(0, home - self.shift.ends_s)
                    if cost < price:
                        price, chosen = cost, (home, duty)
                if self.rest is None and self._one_opening_each():
                    break
                leaves = self._end_of_slope(low, span) + 1
        return best, *chosen

    def _departures(self) -> list[tuple[int, int]]:
        """Where the return rises with the departure: before and after there is time for the break at home."""
        starts, never = self.shift.starts_s, 10**15
        if self.rest is None:
            return [(starts, never)]
        rested = max(starts, self.rest.earliest_s) + self.rest.length_s
        return [(starts, rested - 1), (rested, never)]

    def _one_opening_each(self) -> bool:
        return all(sum(window.day == self.shift.day for window in stop.windows) == 1 for stop in self.stops)

    def _end_of_slope(self, leaves: int, span: int) -> int:
        """The last departure in a row that takes just as long, looked for in doubling steps."""
        step = 1
        while (home := self.back(leaves + step)) is not None and home - leaves - step == span:
            leaves += step
            step = min(2 * step, 600)
        return leaves

    def _break_between(self, leaves: int, home: int) -> int:
        rest = self.rest
        if rest is None or leaves >= max(self.shift.starts_s, rest.earliest_s) + rest.length_s:
            return 0
        # With time to spare on the way it is taken there, although it would do after the return as well.
        ends = [self._along(leaves, n) for n in range(len(self.drives))]
        return rest.length_s if any(end is not None and end <= home for end in ends) else 0


def _cost(problem: Problem, shift: Shift, stops: list[Stop], home: int, duty: int) -> int:
    """Price of a driven shift in sixtieths."""
    prices = problem.prices
    travel = problem.travel[shift.profile]
    places = [shift.start_place, *(stop.place for stop in stops), shift.end_place]
    legs = list(pairwise(places))
    total = prices.drive_minute * sum(int(travel.seconds[leg]) for leg in legs)
    if travel.metres is not None:
        total += round(sum(int(travel.metres[leg]) for leg in legs) * prices.drive_km * 60 / 1000)
    total += prices.duty_minute * duty + prices.overtime_minute * max(0, home - shift.ends_s)
    total += 60 * shift.opening_price
    for stop in stops:
        if stop.due_day is not None:
            total += 60 * prices.late_day * max(0, shift.day - stop.due_day)
        if stop.territory and shift.territory:
            total += 60 * prices.other_territory * (stop.territory != shift.territory)
        if stop.preferred_technician:
            total += 60 * prices.other_technician * (stop.preferred_technician != shift.technician)
        if stop.was:
            total += 60 * prices.moved * (stop.was != (shift.technician, shift.day))
    return total
