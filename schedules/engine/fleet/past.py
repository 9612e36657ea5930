"""The usable past of many units: what counts on each unit's own day, and what restarts a clock."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np

from inventory.measures.kinds import Task
from schedules.engine.fleet.columns import (
    DAY,
    METHOD_CODES,
    METHODS,
    MONTH,
    TASK_CODES,
    TASKS,
    Fleet,
    Marks,
)
from schedules.engine.fleet.days import NO_DAY, Bools, Ints, earlier, number
from schedules.rules.table import AnchorKind, IntervalTable

_LATEST = int(np.iinfo(np.int64).max)


class FleetPast:
    """Twin of ``past.Past`` and ``clocks.Clocks`` for a whole fleet; one entry per unit.

    ``unsettled`` marks units that only the scalar engine can answer for: a record older than the
    shell, or two stamps of different precision that rank alike.
    """

    def __init__(self, fleet: Fleet) -> None:
        self.fleet = fleet
        self.count = len(fleet)
        self.unsettled: Bools = np.zeros(self.count, np.bool_)
        records = fleet.records
        as_of = fleet.as_of
        later, last = np.full(self.count, NO_DAY), np.full(self.count, NO_DAY)
        self.anchors: dict[AnchorKind, Marks] = {}
        for kind in AnchorKind:
            mark = fleet.anchors.get(kind) or Marks.none(self.count)
            future = mark.known & (mark.first > as_of)
            later = np.where(future, earlier(later, mark.first), later)
            last = np.where(future, np.maximum(last, mark.first), last)
            self.anchors[kind] = Marks.none(self.count).where(future, mark)
        first = records.mark.first
        future = (first != NO_DAY) & (first > as_of[records.unit])
        for place in np.flatnonzero(future):
            unit = records.unit[place]
            day = first[place]
            later[unit] = day if later[unit] == NO_DAY else min(later[unit], day)
        self.next_known_day = later
        np.maximum.at(last, records.unit[future], first[future])
        self.last_known_day = last

        standing = ~future
        self.unit = records.unit[standing]
        self.task = records.task[standing]
        self.method = records.method[standing]
        self.passed = records.passed[standing]
        self.mark = records.mark.at(np.flatnonzero(standing))
        self.known = self.mark.known
        self.due_now = np.where(fleet.registered == NO_DAY, as_of, np.minimum(fleet.registered, as_of))
        self._look_for_older()
        self.has_older = self.unsettled.copy()
        self._last: dict[tuple[bytes, bool], tuple[Marks, Bools]] = {}
        self._first_days: dict[bytes, Ints] = {}
        self._kinds: dict[tuple[int, IntervalTable], Bools] = {}

    def _look_for_older(self) -> None:
        made = self.anchors[AnchorKind.MADE]
        older = self.known & (self.mark.last < made.first[self.unit])
        self.unsettled[self.unit[older]] = True
        for kind in (AnchorKind.FIRST_TEST, AnchorKind.COMMISSIONED, AnchorKind.SOLD):
            mark = self.anchors[kind]
            self.unsettled |= mark.known & made.known & (mark.last < made.first)

    def doubt_until(self) -> Ints:
        """Return per unit what ``schedules.engine.doubt_until`` says."""
        for_good = self.has_older.copy()
        for_good[self.unit[~self.known]] = True
        for_good[self._twice()] = True
        ahead = np.where(self.last_known_day == NO_DAY, NO_DAY, self.last_known_day - 1)
        return np.where(for_good, number(date.max), ahead)

    def _twice(self) -> Ints:
        """Return the units with two records of one task on one day."""
        days = np.flatnonzero(self.known & (self.mark.precision == DAY))
        unit, task, first = self.unit[days], self.task[days], self.mark.first[days]
        order = np.lexsort((first, task, unit))
        unit, task, first = unit[order], task[order], first[order]
        same = (unit[1:] == unit[:-1]) & (task[1:] == task[:-1]) & (first[1:] == first[:-1])
        found: Ints = unit[1:][same]
        return found

    # -- which completions

    def of_task(self, *tasks: Task) -> Bools:
        """Return the look-up (task × method) of all completions of ``tasks``."""
        found = np.zeros((len(TASKS), len(METHODS)), np.bool_)
        for task in tasks:
            found[TASK_CODES[task]] = True
        return found

    def restarts(self, table: IntervalTable, task: Task) -> Bools:
        """Return the look-up of completions that restart the clock of ``task`` under ``table``."""
        key = (TASK_CODES[task], table)
        found = self._kinds.get(key)
        if found is None:
            found = self.of_task(task)
            for reset in table.restarted_by[task]:
                if reset.done is not task:
                    row = found[TASK_CODES[reset.done]]
                    for method in reset.methods or METHODS:
                        row[METHOD_CODES[METHODS[_place(method)]]] = True
            self._kinds[key] = found
        return found

    def passes(self, kinds: Bools) -> Bools:
        """Return which records are dated completions of ``kinds``."""
        chosen: Bools = self.passed & self.known & kinds[self.task, self.method]
        return chosen

    def failures(self, task: Task) -> Bools:
        """Return which records are failures of ``task``, undated ones among them."""
        chosen: Bools = ~self.passed & (self.task == TASK_CODES[task])
        return chosen

    # -- what they come to, per unit

    def per_unit(self, which: Bools, values: Ints, reduce: Callable[..., Ints], nothing: int) -> Ints:
        """Return ``values`` of the records ``which`` reduced per unit; ``nothing`` where there is none."""
        found = np.full(self.count, nothing)
        units = self.unit[which]
        if len(units):
            starts = np.flatnonzero(np.concatenate(([True], units[1:] != units[:-1])))
            found[units[starts]] = reduce(values[which], starts)
        return found

    def counted(self, reads_month_end: bool) -> Ints:
        """Return the day each record ranks as."""
        if not reads_month_end:
            return self.mark.first
        return np.where(self.mark.precision == MONTH, self.mark.last, self.mark.first)

    def last(self, kinds: Bools, reads_month_end: bool) -> tuple[Marks, Bools]:
        """Return the last completion of ``kinds`` per unit, and where two rank alike but differ."""
        key = (kinds.tobytes(), reads_month_end)
        found = self._last.get(key)
        if found is None:
            found = self._last[key] = self._extreme(self.passes(kinds), reads_month_end, last=True)
        return found

    def first_exact(self, kinds: Bools, reads_month_end: bool) -> tuple[Marks, Bools]:
        """Return the first completion of ``kinds`` known to the day or month, and where unclear."""
        exact = self.passes(kinds) & ((self.mark.precision == DAY) | (self.mark.precision == MONTH))
        return self._extreme(exact, reads_month_end, last=False)

    def _extreme(self, which: Bools, reads_month_end: bool, *, last: bool) -> tuple[Marks, Bools]:
        """Return the stamp that ranks first or last per unit.

        Rank and precision make the whole stamp, so stamps that agree in both are one stamp.
        """
        reduce = np.maximum.reduceat if last else np.minimum.reduceat
        nothing = NO_DAY if last else _LATEST
        days = self.counted(reads_month_end)
        best = self.per_unit(which, days, reduce, nothing)
        here = which & (days == best[self.unit])
        finest = self.per_unit(here, self.mark.precision, np.minimum.reduceat, -1)
        coarsest = self.per_unit(here, self.mark.precision, np.maximum.reduceat, -1)
        marks = Marks.none(self.count)
        first, final, precision = marks.first.copy(), marks.last.copy(), marks.precision.copy()
        units = self.unit[here]
        first[units] = self.mark.first[here]
        final[units] = self.mark.last[here]
        precision[units] = self.mark.precision[here]
        return Marks(first, final, precision), finest != coarsest

    def last_first_day(self, kinds: Bools) -> Ints:
        """Return the latest first day among completions of ``kinds`` per unit."""
        key = kinds.tobytes()
        found = self._first_days.get(key)
        if found is None:
            found = self._first_days[key] = self.per_unit(
                self.passes(kinds), self.mark.first, np.maximum.reduceat, NO_DAY
            )
        return found

    def standing_failure(self, table: IntervalTable, task: Task) -> tuple[Bools, Ints]:
        """Return which units failed ``task`` and have not passed since, and the day, if known."""
        failed = self.failures(task)
        if not failed.any():
            return np.zeros(self.count, np.bool_), np.full(self.count, NO_DAY)
        answered = self.last_first_day(self.restarts(table, task))[self.unit] > self.mark.last
        standing = failed & (~self.known | ~answered)
        has = np.zeros(self.count, np.bool_)
        has[self.unit[standing]] = True
        return has, self.per_unit(standing, self.mark.first, np.maximum.reduceat, NO_DAY)

    def happened(self, names: tuple[str, ...]) -> Bools:
        """Return which records are among the happenings ``names``: ``done:task``, ``failed:task``."""
        chosen = np.zeros(len(self.unit), np.bool_)
        for name in names:
            kind, _, task = name.partition(":")
            if task:
                passed = self.passed if kind == "done" else ~self.passed
                chosen |= passed & self.known & (self.task == TASK_CODES[Task(task)])
        return chosen


def _place(method: str) -> int:
    return next(place for place, code in enumerate(METHODS) if code.value == method)
