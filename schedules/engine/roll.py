"""Rolling the clocks forward: what falls due over years, if each task is done when it is meant to be.

Purpose. Capacity is planned on work that is not on the books yet. ``roll`` asks the fleet engine what
falls due, supposes it done, and asks again until the horizon, so every reset, step by age and end of
life is the engine's own.

Guarantee. What is due already comes on the first day. Tasks of a unit are done in the order of their
targets; one that a heavier task restarts on the same day comes within that task. A unit whose life
ends is replaced that day by a new one of its kind. An edition that begins within the horizon counts
from its first day. Nothing is random.

>>> from inventory.measures.stamps import Stamp
>>> from schedules.rules import load_tables
>>> unit = Rolling(UnitFacts("dry_chemical_abc", "stored_pressure", "mild_steel", made=Stamp.of(2018, 3)),
...                (Done("maintenance", Stamp.of(2025, 6, 15)), Done("recharge", Stamp.of(2021, 6, 15))), 0,
...                frozenset({Task.VISUAL_INSPECTION}))
>>> found = roll([unit], [load_tables()["us-osha-1910-157"]], date(2026, 1, 1), date(2030, 12, 31))
>>> [(str(fall.on), fall.task.value) for fall in found if fall.task is not Task.MAINTENANCE]
[('2027-06-15', 'internal_examination'), ('2030-03-01', 'hydrostatic_test')]
>>> sum(fall.task is Task.MAINTENANCE for fall in found)
5
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np

from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from schedules.engine.due import editions, obligations
from schedules.engine.facts import Done, UnitFacts
from schedules.engine.fleet import (
    KNOWLEDGE_CODES,
    METHOD_CODES,
    NO_DAY,
    PRECISION_CODES,
    TASK_CODES,
    TASKS,
    Answers,
    Fleet,
    Ints,
    Marks,
    Records,
    day_of,
    fleet_of,
    judge,
    number,
)
from schedules.engine.fleet.days import Bools
from schedules.engine.result import Knowledge, Obligation
from schedules.engine.select import rule_switches
from schedules.rules.table import AnchorKind, Effect, IntervalTable

_N = len(TASKS)
_END = TASK_CODES[Task.RETIREMENT]
_FAR = np.iinfo(np.int64).max
_UNKNOWN = KNOWLEDGE_CODES[Knowledge.UNKNOWN_BASIS]
_METHODS = tuple(METHOD_CODES)
_DAY = next(code for precision, code in PRECISION_CODES.items() if precision.value == "day")


@dataclass(frozen=True, slots=True)
class Rolling:
    """A unit to roll forward: facts, history, the place of its rulebook, tasks that are not asked for."""

    facts: UnitFacts
    history: tuple[Done, ...]
    rulebook: int
    left_out: frozenset[Task] = frozenset()


@dataclass(frozen=True, slots=True)
class Fall:
    """One task that falls due. ``unit`` is the place of the unit, ``on`` the day it is supposed done.

    ``target`` is the day it was meant for: earlier than ``on`` where it is owed already.
    """

    unit: int
    task: Task
    table_key: str
    table_version: str
    target: date
    on: date
    is_unknown: bool = False


def roll(
    units: Sequence[Rolling],
    rulebooks: Sequence[Sequence[IntervalTable]],
    start: date,
    end: date,
    planned: Mapping[tuple[int, Task], date] | None = None,
) -> list[Fall]:
    """Return what falls due on ``units`` from ``start`` to ``end``, both included, by unit and day.

    ``planned`` gives for a unit's place and task the day of a visit that is planned already: the task
    is supposed done then instead of on its target, the first time. Raises ``ValueError`` when the
    horizon is empty.
    """
    if end < start:
        raise ValueError("Let the horizon end after it starts.")
    rolled = _Rolled(units, rulebooks, start, planned or {})
    switches = sorted(_switches(rulebooks, start, end))
    for first_of_next in [*switches, end + timedelta(days=1)]:
        rolled.until(first_of_next - timedelta(days=1))
    return sorted(rolled.falls, key=lambda fall: (fall.unit, fall.on, fall.task))


def _switches(rulebooks: Sequence[Sequence[IntervalTable]], start: date, end: date) -> set[date]:
    """Return the days in the horizon from which other editions or rows are in force."""
    found: set[date] = set()
    for tables in rulebooks:
        for table in tables:
            found |= {day for day in rule_switches(table) if start < day <= end}
        day = start
        while True:
            later = [
                switch for _, switch in editions(tables, day) if switch is not None and day < switch <= end
            ]
            if not later:
                break
            day = min(later)
            found.add(day)
    return found


@dataclass(slots=True)
class _Rolled:
    """The state of all units on the way: what they are, and what is supposed done."""

    units: Sequence[Rolling]
    rulebooks: Sequence[Sequence[IntervalTable]]
    start: date
    planned: Mapping[tuple[int, Task], date]
    falls: list[Fall] = field(default_factory=list)
    fleet: Fleet = field(init=False)
    restarts: Bools = field(init=False)
    related: Bools = field(init=False)
    left_out: Bools = field(init=False)
    keeps_all: set[int] = field(init=False)
    last: Ints = field(init=False)
    method: Ints = field(init=False)
    told: Ints = field(init=False)
    kept: list[tuple[int, int, int]] = field(default_factory=list)
    replaced: Ints = field(init=False)
    open_plans: dict[tuple[int, int], int] = field(init=False)

    def __post_init__(self) -> None:
        count = len(self.units)
        self.fleet = fleet_of(
            [
                (
                    _known_by(unit.facts, self.start),
                    [
                        done
                        for done in unit.history
                        if done.stamp.first is None or done.stamp.first <= self.start
                    ],
                    unit.rulebook,
                    self.start,
                )
                for unit in self.units
            ]
        )
        self.restarts = np.stack([_restarts(tables) for tables in self.rulebooks])
        waits = np.stack([_looks_at(tables) for tables in self.rulebooks]) | self.restarts
        self.related = waits | waits.transpose(0, 2, 1)
        self.left_out = np.zeros((count, _N), np.bool_)
        for place, unit in enumerate(self.units):
            self.left_out[place, [TASK_CODES[task] for task in unit.left_out]] = True
        self.keeps_all = _keeps_all(self.rulebooks)
        self.last = np.full((count, _N), NO_DAY)
        self.told = np.full((count, _N), NO_DAY)
        self.replaced = np.full(count, NO_DAY)
        self.method = np.full((count, _N), METHOD_CODES[_METHODS[-1]])
        records = self.fleet.records
        # A pressure test is supposed to be made by the method of the last one.
        self.method[records.unit[records.passed], records.task[records.passed]] = records.method[
            records.passed
        ]
        self.open_plans = {
            (unit, TASK_CODES[task]): max(number(day), number(self.start))
            for (unit, task), day in self.planned.items()
        }

    def until(self, end: date) -> None:
        """Do all that falls due up to ``end``; the rules of that day count."""
        left = np.arange(len(self.units))
        while len(left):
            left = self._do(left, number(end))

    def _do(self, places: Ints, end: int) -> Ints:
        """Do what comes next on the units at ``places``; return those on which something was done."""
        answers = self._judged(places, end)
        rows = np.flatnonzero(
            answers.binding() & (answers.target != NO_DAY) & (answers.target <= end) & ~answers.is_deferred
        )
        unit, task, target = places[answers.unit[rows]], answers.task[rows], answers.target[rows]
        # A task that comes back unmoved by its doing would come back for ever.
        wanted = (self.told[unit, task] != target) & ~self.left_out[unit, task]
        rows, unit, task, target = rows[wanted], unit[wanted], task[wanted], target[wanted]
        if not len(rows):
            return np.empty(0, np.int64)
        when = self._when(unit, task, target)
        first = self._comes_first(places, unit, task, when)
        rows, unit, task, target, when = (c[first] for c in (rows, unit, task, target, when))
        self.told[unit, task] = target
        for row, u, t, meant, day in zip(
            rows.tolist(), unit.tolist(), task.tolist(), target.tolist(), when.tolist(), strict=True
        ):
            self._done(answers, row, u, t, meant, day)
        return np.unique(unit)

    def _done(self, answers: Answers, row: int, unit: int, task: int, target: int, day: int) -> None:
        table = answers.tables[answers.table[row]]
        is_unknown = bool(answers.knowledge[row] == _UNKNOWN)
        self.falls.append(
            Fall(unit, TASKS[task], table.key, table.version, _day(target), _day(day), is_unknown)
        )
        self.open_plans.pop((unit, task), None)
        if task == _END:
            if not is_unknown:
                self._replace(unit, day)
        elif task in self.keeps_all:
            self.kept.append((unit, task, day))
        else:
            self.last[unit, task] = day

    def _replace(self, unit: int, day: int) -> None:
        """Let a new unit of the kind take the place of one whose life has ended."""
        self.replaced[unit] = day
        self.last[unit], self.told[unit] = NO_DAY, NO_DAY
        self.kept = [row for row in self.kept if row[0] != unit]

    def _when(self, unit: Ints, task: Ints, target: Ints) -> Ints:
        """Return the day on which each task is supposed done."""
        when = np.maximum(target, number(self.start))
        if self.open_plans:
            pairs = zip(unit.tolist(), task.tolist(), when.tolist(), strict=True)
            when = np.array([self.open_plans.get((u, t), day) for u, t, day in pairs], np.int64)
        return when

    def _comes_first(self, places: Ints, unit: Ints, task: Ints, when: Ints) -> Ints:
        """Return the rows that no task done earlier, or heavier on the same day, could still move."""
        row_of = np.searchsorted(places, unit)
        days = np.full((len(places), _N), _FAR)
        days[row_of, task] = when
        rulebook = self.fleet.rulebook[unit]
        weight = self.restarts.sum(axis=2)
        own = weight[rulebook, task]
        blocked = np.zeros(len(unit), np.bool_)
        for other in range(_N):
            theirs, heavier = days[row_of, other], weight[rulebook, other]
            before = (heavier > own) | ((heavier == own) & (other < task))
            blocked |= self.related[rulebook, other, task] & (theirs < when)
            blocked |= self.restarts[rulebook, other, task] & (theirs == when) & before
        return np.flatnonzero(~blocked)

    # -- asking the engine

    def _judged(self, places: Ints, as_of: int) -> Answers:
        fleet = self.fleet
        new = self.replaced[places]
        is_new = new != NO_DAY
        anchors = {
            kind: Marks.on(new).where(is_new, fleet.anchors[kind].at(places))
            if kind is not AnchorKind.SOLD
            else Marks.none(len(places)).where(is_new, fleet.anchors[kind].at(places))
            for kind in fleet.anchors
        }
        part = Fleet(
            fleet.kinds,
            fleet.kind[places],
            fleet.rulebook[places],
            np.full(len(places), as_of),
            np.where(is_new, new, fleet.registered[places]),
            anchors,
            self._records(places),
        )
        return judge(part, self.rulebooks, lambda wanted: self._one_by_one(places, wanted, as_of))

    def _records(self, places: Ints) -> Records:
        old = self.fleet.records
        row_of = np.full(len(self.units), -1)
        row_of[places] = np.arange(len(places))
        here = (row_of[old.unit] >= 0) & (self.replaced[old.unit] == NO_DAY)
        supposed = self.last[places]
        row, task = np.nonzero(supposed != NO_DAY)
        kept = np.array(self.kept, np.int64).reshape(len(self.kept), 3)
        kept = kept[row_of[kept[:, 0]] >= 0]
        days = np.concatenate([supposed[row, task], kept[:, 2]])
        tasks = np.concatenate([task, kept[:, 1]])
        rows = np.concatenate([row, row_of[kept[:, 0]]])
        unit = np.concatenate([row_of[old.unit[here]], rows])
        order = np.argsort(unit, kind="stable")
        return Records(
            unit=unit[order],
            task=np.concatenate([old.task[here], tasks])[order],
            method=np.concatenate([old.method[here], self.method[places[rows], tasks]])[order],
            passed=np.concatenate([old.passed[here], np.ones(len(rows), np.bool_)])[order],
            mark=Marks(
                np.concatenate([old.mark.first[here], days])[order],
                np.concatenate([old.mark.last[here], days])[order],
                np.concatenate([old.mark.precision[here], np.full(len(rows), _DAY)])[order],
            ),
        )

    def _one_by_one(
        self, places: Ints, wanted: Sequence[int], as_of: int
    ) -> Iterator[tuple[int, Sequence[Obligation]]]:
        """Ask the scalar engine for the few units that columns cannot settle."""
        for row in wanted:
            place = int(places[row])
            unit = self.units[place]
            facts = _known_by(unit.facts, self.start)
            history = [d for d in unit.history if d.stamp.first is None or d.stamp.first <= self.start]
            if self.replaced[place] != NO_DAY:
                facts, history = _renewed(facts, _day(int(self.replaced[place]))), []
            supposed = [(t, day) for t, day in enumerate(self.last[place].tolist()) if day != NO_DAY]
            supposed += [(t, day) for u, t, day in self.kept if u == place]
            history += [
                Done(TASKS[t], Stamp.on(_day(day)), _METHODS[int(self.method[place, t])])
                for t, day in supposed
            ]
            yield row, obligations(facts, history, self.rulebooks[unit.rulebook], _day(as_of))


def _day(day: int) -> date:
    found = day_of(day)
    if found is None:
        raise AssertionError("only known days are rolled")
    return found


def _known_by(facts: UnitFacts, start: date) -> UnitFacts:
    """Return the facts without dates that lie ahead, and registered on the first day at the latest."""

    def known(stamp: Stamp) -> Stamp:
        return Stamp.unknown() if stamp.first is not None and stamp.first > start else stamp

    return replace(
        facts,
        made=known(facts.made),
        first_test=known(facts.first_test),
        commissioned=known(facts.commissioned),
        sold=known(facts.sold),
        registered=min(facts.registered or start, start),
    )


def _renewed(facts: UnitFacts, day: date) -> UnitFacts:
    new = Stamp.on(day)
    return replace(facts, made=new, first_test=new, commissioned=new, sold=Stamp.unknown(), registered=day)


def _restarts(tables: Sequence[IntervalTable]) -> Bools:
    """Return which task starts which other again by any of the tables; the end of life ends them all."""
    found = np.zeros((_N, _N), np.bool_)
    for table in tables:
        for reset in table.resets:
            for task in reset.restarts:
                found[TASK_CODES[reset.done], TASK_CODES[task]] = True
    found[_END, :] = True
    np.fill_diagonal(found, False)
    return found


def _looks_at(tables: Sequence[IntervalTable]) -> Bools:
    """Return which task takes its date from which other by any of the tables."""
    found = np.zeros((_N, _N), np.bool_)
    for table in tables:
        for rule in table.rules:
            events = [Task(name.partition(":")[2]) for name in rule.events if ":" in name]
            for task in (*rule.next_of, *((rule.align_to,) if rule.align_to else ()), *events):
                found[TASK_CODES[rule.task], TASK_CODES[task]] = True
    return found


def _keeps_all(rulebooks: Sequence[Sequence[IntervalTable]]) -> set[int]:
    """Return the tasks of which every completion matters, not the last alone: steps by age, counts."""
    return {
        TASK_CODES[rule.task]
        for tables in rulebooks
        for table in tables
        for rule in table.rules
        if rule.effect in (Effect.AGES, Effect.FIXED) or rule.at_most is not None
    }
