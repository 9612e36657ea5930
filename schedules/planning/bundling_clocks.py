"""Clocks of tasks as bundling sees them: windows, what follows when work is done, and the states."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from inventory.measures.kinds import Task
from schedules.engine.calendar import closes, opens
from schedules.rules.period import Period
from schedules.rules.table import Counts
from schedules.rules.table import Window as Room

MILLI = 1000
"""Costs are whole thousandths of a minute inside, so that equal plans cost exactly the same."""
NEVER = 1 << 30


@dataclass(frozen=True, slots=True)
class Span:
    """Days on which one piece of work counts, is meant, and is still in time."""

    earliest: date
    target: date
    latest: date

    def __post_init__(self) -> None:
        if not self.earliest <= self.target <= self.latest:
            raise ValueError(f"A window runs earliest, target, latest, not {self}.")

    @classmethod
    def until(cls, latest: date) -> Span:
        """Return a window without an opening day and without leeway after the target."""
        return cls(date.min, latest, latest)


@dataclass(frozen=True, slots=True)
class Clock:
    """One task on units that share every date of it.

    ``group`` names the units: a task covers others of its own group only (``covers``). Without
    ``counts`` it comes once within the horizon. ``worth_minutes`` is what doing it on one unit costs.
    ``pull_forward_days`` is the cap before the latest day, ``margin_days`` what is kept free before it so
    that a refused door leaves a second try.
    """

    name: str
    group: str
    task: Task
    units: int
    first: Span
    worth_minutes: float
    pull_forward_days: int
    every: Period | None = None
    counts: Counts | None = None
    room: Room | None = None
    margin_days: int = 0
    covers: frozenset[Task] = frozenset()

    def __post_init__(self) -> None:
        if self.units < 1 or self.worth_minutes < 0 or self.pull_forward_days < 0 or self.margin_days < 0:
            raise ValueError(f"{self.name}: units, worth, cap and margin are not negative.")
        if self.counts is not None and (self.every is None or self.every.is_zero):
            raise ValueError(f"{self.name}: what comes again needs an interval.")

    @property
    def interval_days(self) -> int:
        """The length of the interval, for the share of it that is thrown away."""
        return max(1, round(self.every.months * 30.4375) + self.every.days) if self.every else 365

    @property
    def opens_on(self) -> date:
        """The first day on which the work of the first window may be done, by its cap."""
        return self.opens_in(self.first)

    def opens_in(self, span: Span) -> date:
        """Return the first day of a window on which the work counts and the cap allows it."""
        if (span.latest - date.min).days <= self.pull_forward_days:
            return span.earliest
        return max(span.earliest, span.latest - timedelta(days=self.pull_forward_days))

    def after_done(self, day: date) -> Span:
        """Return the next window when the work was done on ``day`` and that day counts."""
        if self.every is None:
            raise AssertionError("only what comes again has a next window")
        target = self.every.after(day)
        if self.room is None:
            return Span(day, target, target)
        return Span(min(opens(self.room, target), target), target, max(closes(self.room, target), target))

    def on_grid(self, step: int) -> Span:
        """Return the window of the fixed rhythm that lies ``step`` intervals after the first."""
        if step == 0 or self.every is None:
            return self.first
        target, latest = self.every.after(self.first.target, step), self.every.after(self.first.latest, step)
        # A rhythm whose start is known to the month alone opens late on every step, as on the first.
        lag = max(timedelta(0), self.first.earliest - opens(self.room, self.first.target))
        earliest = min(opens(self.room, target) + lag, target)
        return Span(min(earliest, target), target, max(latest, target))


@dataclass(slots=True)
class Nodes:
    """The states of one clock: node 0 is as it stands, the others say what was done last.

    ``members`` are clocks that from the first day on have the same choices, and so the same best one.
    ``low`` and ``high`` are places of the candidate days between which the next work lies; ``NEVER``
    where nothing more is wanted within the horizon. ``spans`` are the windows. ``lost`` gives the
    thousandths of minutes that doing the work at a place throws away.
    """

    members: list[Clock]
    days: Sequence[date]
    end: date
    life_weight: float
    spans: list[Span | None] = field(default_factory=list)
    low: list[int] = field(default_factory=list)
    high: list[int] = field(default_factory=list)
    lost: list[dict[int, int]] = field(default_factory=list)
    done_at: list[int] = field(default_factory=list)
    step_of: list[int] = field(default_factory=list)
    ends: bool = False
    """Whether the work is wanted once at most: after that its next window lies beyond the end."""
    _by_key: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        clock = self.clock
        self.ends = clock.counts is None or (
            clock.counts is Counts.DONE and clock.after_done(self.days[0]).latest > self.end
        )
        self._add(self.clock.first, at=-1, step=0)

    @property
    def clock(self) -> Clock:
        """The one that speaks for all."""
        return self.members[0]

    def join(self, clock: Clock) -> None:
        """Take in another clock with the same choices."""
        self.members.append(clock)
        for place in self.lost[0]:
            self.lost[0][place] += self._lost(clock, clock.first, place)

    def span(self, node: int, clock: Clock) -> Span | None:
        """Return the window of a member in ``node``."""
        return clock.first if node == 0 else self.spans[node]

    def done(self, node: int, place: int) -> int:
        """Return the node after doing the work at ``place``."""
        clock = self.clock
        if self.ends:
            return self._end()
        if clock.counts is Counts.DONE:
            if place not in self._by_key:
                self._by_key[place] = self._add(clock.after_done(self.days[place]), at=place, step=0)
            return self._by_key[place]
        return self._grid(self.step_of[node] + 1, place)

    def covered(self, node: int, place: int) -> int:
        """Return the node after a heavier task of the day has included this one."""
        clock, span = self.clock, self.spans[node]
        if span is None:
            return node
        if clock.counts is Counts.DONE:
            return self.done(node, place)
        day = self.days[place]
        if clock.counts is None:
            return self._end() if day >= span.earliest else node
        step = self.step_of[node]
        while clock.on_grid(step).earliest <= day:
            step += 1
        return node if step == self.step_of[node] else self._grid(step, place)

    def _grid(self, step: int, place: int) -> int:
        key = step * len(self.days) + place
        if key not in self._by_key:
            self._by_key[key] = self._add(self.clock.on_grid(step), at=place, step=step)
        return self._by_key[key]

    def _end(self) -> int:
        if -1 not in self._by_key:
            self._by_key[-1] = self._put(None, NEVER, NEVER, {}, -1, 0)
        return self._by_key[-1]

    def _add(self, span: Span, *, at: int, step: int) -> int:
        if span.latest > self.end:
            return self._put(span, NEVER, NEVER, {}, at, step)
        low, high = self._places(span, at + 1)
        lost = (
            {
                place: sum(self._lost(clock, span, place) for clock in self.members)
                for place in range(low, high + 1)
            }
            if low < NEVER
            else {}
        )
        return self._put(span, low, high, lost, at, step)

    def _put(self, span: Span | None, low: int, high: int, lost: dict[int, int], at: int, step: int) -> int:
        self.spans.append(span)
        self.low.append(low)
        self.high.append(high)
        self.lost.append(lost)
        self.done_at.append(at)
        self.step_of.append(step)
        return len(self.spans) - 1

    def _lost(self, clock: Clock, span: Span, place: int) -> int:
        share = max(0, (span.target - self.days[place]).days) / clock.interval_days
        return round(MILLI * self.life_weight * share * clock.units * clock.worth_minutes)

    def _places(self, span: Span, after: int) -> tuple[int, int]:
        """Return the first and last place for the work.

        Where the wished window holds no day, the margin is given up first, then the cap, and only
        when no day before the latest is left does the work come late, on the first day there is.
        """
        days, clock = self.days, self.clock
        opening = clock.opens_in(span)
        wished = max(opening, span.latest - timedelta(days=clock.margin_days))
        low = max(after, bisect_left(days, opening))
        high = bisect_right(days, wished) - 1
        if low <= high:
            return low, high
        soon = max(low, bisect_left(days, wished))
        if soon < len(days) and days[soon] <= span.latest:
            return soon, soon
        last = bisect_right(days, span.latest) - 1
        if last >= after and days[last] >= span.earliest:
            return last, last
        late = max(after, bisect_left(days, span.latest))
        if late < len(days):
            return late, late
        return NEVER, NEVER
