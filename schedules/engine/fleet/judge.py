"""The rules of one table applied to many units at once.

Follows ``calendar.Calendar`` and ``due._Judge`` step by step; the order of steps is theirs.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator

import numpy as np

from inventory.measures.kinds import Task
from schedules.engine.due import _waits
from schedules.engine.fleet import days
from schedules.engine.fleet.columns import (
    DAY,
    KNOWLEDGE_CODES,
    METHODS,
    MONTH,
    TASK_CODES,
    TASKS,
    Answers,
    Book,
    Fleet,
    Marks,
)
from schedules.engine.fleet.days import FIRST_DAY, NO_DAY, Bools, Ints
from schedules.engine.fleet.past import FleetPast
from schedules.engine.result import Knowledge
from schedules.engine.select import Selection, TaskRules, rule_switches, select_rules, signature, thresholds
from schedules.rules.period import Period
from schedules.rules.table import (
    Anchor,
    AnchorKind,
    Counts,
    Effect,
    IntervalTable,
    MonthMark,
    Rule,
)

KNOWN = KNOWLEDGE_CODES[Knowledge.KNOWN]
ASSUMED = KNOWLEDGE_CODES[Knowledge.ASSUMED_SAFE_SIDE]
UNKNOWN_BASIS = KNOWLEDGE_CODES[Knowledge.UNKNOWN_BASIS]
ON_EVENT = KNOWLEDGE_CODES[Knowledge.ON_EVENT]
UNCOVERED = KNOWLEDGE_CODES[Knowledge.UNCOVERED]
BARRED = KNOWLEDGE_CODES[Knowledge.BARRED]
ENDED = KNOWLEDGE_CODES[Knowledge.ENDED]
EXEMPT = KNOWLEDGE_CODES[Knowledge.EXEMPT]
_NONE = -1


class Drafts:
    """What has been worked out for one task, one entry per unit; ``rule`` is -1 where nothing was."""

    __slots__ = ("basis", "deferred", "earliest", "knowledge", "latest", "rule", "target")

    def __init__(self, count: int, rule: int = _NONE, knowledge: int = KNOWN) -> None:
        self.rule = np.full(count, rule)
        self.knowledge = np.full(count, knowledge)
        self.earliest = np.full(count, NO_DAY)
        self.target = np.full(count, NO_DAY)
        self.latest = np.full(count, NO_DAY)
        self.deferred: Bools = np.zeros(count, np.bool_)
        self.basis = Marks.none(count)

    @property
    def exists(self) -> Bools:
        found: Bools = self.rule != _NONE
        return found

    @property
    def is_dated(self) -> Bools:
        found: Bools = self.latest != NO_DAY
        return found

    def put(self, places: Ints, other: Drafts, which: Bools | None = None) -> None:
        """Take over the entries of ``other``, which stand for ``places`` here, where ``which``."""
        if which is not None:
            places = places[which]
        for name in ("rule", "knowledge", "earliest", "target", "latest", "deferred"):
            values = getattr(other, name)
            getattr(self, name)[places] = values if which is None else values[which]

    def date(self, which: Ints | Bools, earliest: Ints, target: Ints, latest: Ints) -> None:
        self.earliest[which] = earliest
        self.target[which] = target
        self.latest[which] = latest

    def take(self, places: Ints) -> Drafts:
        found = Drafts(len(places))
        for name in ("rule", "knowledge", "earliest", "target", "latest", "deferred"):
            setattr(found, name, getattr(self, name)[places])
        return found

    def undate(self, which: Bools, knowledge: int) -> None:
        self.knowledge[which] = knowledge
        self.date(which, *(np.full(int(which.sum()), NO_DAY) for _ in range(3)))
        self.deferred[which] = False

    def first_of(self, other: Drafts) -> None:
        """Keep the draft that comes first: a dated one before others, the earlier, then this one."""
        wins = other.exists & (
            ~self.exists | (other.is_dated & (~self.is_dated | (other.latest < self.latest)))
        )
        self.replace(wins, other)

    def replace(self, wins: Bools, other: Drafts) -> None:
        """Take over the entries of ``other`` where ``wins``."""
        for name in ("rule", "knowledge", "earliest", "target", "latest", "deferred"):
            getattr(self, name)[wins] = getattr(other, name)[wins]


class TableJudge:
    """Some units of a fleet, all on one day, before one table. ``units`` are places in the fleet."""

    def __init__(
        self,
        fleet: Fleet,
        past: FleetPast,
        table: IntervalTable,
        units: Ints,
        as_of: int,
        switch_on: int,
        book: Book,
    ) -> None:
        self.fleet = fleet
        self.past = past
        self.table = table
        self.units = units
        self.as_of = as_of
        self.book = book
        self.reads_month_end = table.conventions.month_mark is MonthMark.LAST_DAY
        switches = [days.number(day) for day in rule_switches(table)]
        later = [day for day in (*switches, switch_on) if day != NO_DAY and day > as_of]
        # A switch of edition lies after the day by its nature; it is compared like the others.
        self.recheck = min(later, default=NO_DAY)
        self.rules: list[Rule] = []
        self.codes: dict[int, int] = {}
        self.drafts: dict[Task, Drafts] = {}
        self.endings = Drafts(len(units))

    # -- kinds

    def _kinds(self) -> tuple[list[Selection], Ints]:
        """Return the selections that occur, and the place of each unit's among them."""
        lines = thresholds(self.table).made
        limits = days.column(lines)
        made = self.past.anchors[AnchorKind.MADE].first[self.units]
        bucket = np.where(made == NO_DAY, -1, np.searchsorted(limits, made, side="right"))
        combined = self.fleet.kind[self.units] * (len(lines) + 2) + bucket + 1
        found, places = np.unique(combined, return_inverse=True)
        as_of = days.day_of(self.as_of)
        first = days.day_of(FIRST_DAY)
        if as_of is None or first is None:
            raise AssertionError("a fleet is judged on a day")
        selections = []
        for code in found.tolist():
            kind, bucket_code = divmod(code, len(lines) + 2)
            facts = self.fleet.kinds[kind]
            day = None if bucket_code == 0 else lines[bucket_code - 2] if bucket_code > 1 else first
            selections.append(
                select_rules(self.table, signature(self.table, facts, day, facts.environment, as_of))
            )
        return selections, places

    def _code(self, rule: Rule) -> int:
        """Return the place of ``rule`` among those that were used."""
        code = self.codes.get(id(rule))
        if code is None:
            code = self.codes[id(rule)] = len(self.rules)
            self.rules.append(rule)
        return code

    # -- the whole table

    def judge(self) -> Answers:
        selections, places = self._kinds()
        count = len(self.units)
        gone = self.past.last_first_day(self.past.of_task(Task.RETIREMENT))[self.units] != NO_DAY
        jobs = list(_jobs(self.table, selections))
        for wait, task, rules, chosen in jobs:
            if task is Task.RETIREMENT:
                continue
            which = _marked(len(selections), chosen)[places] & ~gone
            self._judge_task(task, rules, np.flatnonzero(which), wait)
        end = self.drafts[Task.RETIREMENT] = Drafts(count)
        for _, task, rules, chosen in jobs:
            if task is Task.RETIREMENT:
                at = np.flatnonzero(_marked(len(selections), chosen)[places] & ~gone)
                end.put(at, self._drafts(task, rules, at))
        end.first_of(self.endings)
        self._let_the_end_come_first(end)
        return self._answers(selections, places, gone)

    def _judge_task(self, task: Task, rules: TaskRules, at: Ints, wait: int) -> None:
        found = self._drafts(task, rules, at)
        dense = self.drafts.setdefault(task, Drafts(len(self.units)))
        barred = self._barred(rules.bars, at)
        self._unless_spent(task, found, at, ~barred.exists)
        found.replace(barred.exists, barred)
        dense.put(at, found, found.exists)

    def _drafts(self, task: Task, rules: TaskRules, at: Ints) -> Drafts:
        """Return what calendar, failures and events give for a task on the units ``at``."""
        found = Drafts(len(at))
        any_dated = np.zeros(len(at), np.bool_)
        for rule in rules.calendar:
            draft = self._calendar(rule, at)
            any_dated |= draft.is_dated
            found.first_of(draft)
        units = self.units[at]
        if rules.calendar:
            failed, failed_on = self.past.standing_failure(self.table, task)
            which = failed[units] & any_dated
            if which.any():
                undated = failed_on[units] == NO_DAY
                day = np.where(undated, self.past.due_now[units], failed_on[units])
                again = self._due_on(rules.calendar[0], which, day, day)
                again.knowledge[undated] = UNKNOWN_BASIS
                found.first_of(again)
        happened_at_all = np.zeros(len(at), np.bool_)
        for rule in rules.events:
            records = self.past.happened(rule.events)
            if not records.any():
                continue
            since = days.period_before(self.past.mark.last, rule.covered_before)
            answered = self.past.last_first_day(self.past.restarts(self.table, task))[self.past.unit] >= since
            none = int(np.iinfo(np.int64).max)
            first = self.past.per_unit(records & ~answered, self.past.mark.first, np.minimum.reduceat, none)[
                units
            ]
            which = first != none
            happened_at_all |= which
            first = np.where(which, first, NO_DAY)
            found.first_of(self._due_on(rule, which, days.period_after(first, rule.within), first))
        if rules.events:
            waiting = ~found.exists
            found.rule[waiting] = self._code(rules.events[0])
            found.knowledge[waiting] = ON_EVENT
        return found

    def _due_on(self, rule: Rule, which: Bools, day: Ints, since: Ints) -> Drafts:
        found = Drafts(len(which))
        found.rule[which] = self._code(rule)
        found.date(which, since[which], day[which], day[which])
        return found

    def _barred(self, bars: tuple[Rule, ...], at: Ints) -> Drafts:
        found = Drafts(len(at))
        units = self.units[at]
        for rule in bars:
            free = ~found.exists
            if not rule.events:
                which = free
            else:
                none = int(np.iinfo(np.int64).max)
                first = self.past.per_unit(
                    self.past.happened(rule.events), self.past.mark.first, np.minimum.reduceat, none
                )[units]
                which = free & (first != none)
                if rule.retires and which.any():
                    self._end(at, self._due_on(rule, which, first, first))
            found.rule[which] = self._code(rule)
            found.knowledge[which] = BARRED
        return found

    def _unless_spent(self, task: Task, found: Drafts, at: Ints, free: Bools) -> None:
        """Turn a task that may not be done again into the end of the unit, on the units ``free``."""
        units = self.units[at]
        everywhere = np.arange(len(at))
        spent = np.zeros(len(at), np.bool_)
        if task in self.table.failure_ends_life:
            failed, failed_on = self.past.standing_failure(self.table, task)
            spent = failed[units] & free & found.exists
            if spent.any():
                undated = failed_on[units] == NO_DAY
                day = np.where(undated, self.past.due_now[units], failed_on[units])
                ending = found.take(everywhere)
                ending.rule = np.where(spent, found.rule, _NONE)
                ending.knowledge = np.where(undated, UNKNOWN_BASIS, KNOWN)
                ending.deferred[:] = False
                ending.date(everywhere, day, day, day)
                self._end(at, ending)
        limits = [(code, rule.at_most) for code, rule in enumerate(self.rules) if rule.at_most is not None]
        used_up = np.zeros(len(at), np.bool_)
        if limits:
            times = self._times_done(task)[units]
            for code, at_most in limits:
                used_up |= (found.rule == code) & (times >= (at_most or 0))
            used_up &= free & ~spent & found.is_dated
            if used_up.any():
                ending = found.take(everywhere)
                ending.rule = np.where(used_up, found.rule, _NONE)
                self._end(at, ending)
        found.undate(spent | used_up, BARRED)

    def _times_done(self, task: Task) -> Ints:
        """Return on how many days ``task`` was done, per unit of the fleet."""
        which = self.past.passes(self.past.of_task(task))
        pairs = np.unique(
            np.stack([self.past.unit[which], self.past.counted(self.reads_month_end)[which]]), axis=1
        )
        return np.bincount(pairs[0], minlength=len(self.fleet)).astype(np.int64)

    def _end(self, at: Ints, ending: Drafts) -> None:
        """Note an end of life for the units ``at``, where ``ending`` has one."""
        dense = Drafts(len(self.units))
        dense.put(at, ending)
        self.endings.first_of(dense)

    def _let_the_end_come_first(self, end: Drafts) -> None:
        ends = end.exists & end.is_dated & (end.knowledge != UNKNOWN_BASIS)
        for task, drafts in self.drafts.items():
            if task is not Task.RETIREMENT:
                drafts.undate(ends & drafts.is_dated & (drafts.latest >= end.latest), ENDED)

    # -- the answer

    def _answers(self, selections: list[Selection], places: Ints, gone: Bools) -> Answers:
        table_code = self.book.table(self.table)
        rule_codes = np.array([*(self.book.rule(rule.id) for rule in self.rules), 0], np.int64)
        assumed = np.array([*(bool(rule.assumed) for rule in self.rules), False], np.bool_)
        parts = [self._retired(table_code, gone)] if gone.any() else []
        every_task = {*self.drafts, *(task for s in selections for task in s.uncovered)}
        for task in TASKS:
            if task not in every_task:
                continue
            drafts = self.drafts.get(task) or Drafts(len(self.units))
            open_ = ~drafts.exists | (drafts.knowledge == ON_EVENT)
            asked = np.array([task in s.uncovered for s in selections], np.bool_)[places] & ~gone
            clashing = np.array([any(t is task for t, _, _ in s.clashes) for s in selections], np.bool_)
            uncovered = asked & open_
            nothing = uncovered | (clashing[places] & (drafts.exists & ~gone))
            which = np.flatnonzero((drafts.exists | uncovered) & ~gone)
            if not len(which):
                continue
            none = nothing[which]
            knowledge = drafts.knowledge[which]
            knowledge = np.where(assumed[drafts.rule[which]] & (knowledge == KNOWN), ASSUMED, knowledge)
            knowledge = np.where(none, UNCOVERED, knowledge)
            parts.append(
                self._part(
                    table_code,
                    self.units[which],
                    task,
                    rule=np.where(none, 0, rule_codes[drafts.rule[which]]),
                    knowledge=knowledge,
                    earliest=np.where(none, NO_DAY, drafts.earliest[which]),
                    target=np.where(none, NO_DAY, drafts.target[which]),
                    latest=np.where(none, NO_DAY, drafts.latest[which]),
                    is_deferred=~none & drafts.deferred[which],
                )
            )
        return self.book.answers().joined(parts)

    def _retired(self, table_code: int, gone: Bools) -> Answers:
        units = self.units[gone]
        nothing = np.full(len(units), NO_DAY)
        return self._part(
            table_code,
            units,
            Task.RETIREMENT,
            rule=np.zeros(len(units), np.int64),
            knowledge=np.full(len(units), ENDED),
            earliest=nothing,
            target=nothing,
            latest=nothing,
            is_deferred=np.zeros(len(units), np.bool_),
        )

    def _part(
        self,
        table_code: int,
        units: Ints,
        task: Task,
        *,
        rule: Ints,
        knowledge: Ints,
        earliest: Ints,
        target: Ints,
        latest: Ints,
        is_deferred: Bools,
    ) -> Answers:
        recheck = days.earlier(self.past.next_known_day[units], np.full(len(units), self.recheck))
        due_now, registered = self.past.due_now[units], self.fleet.registered[units]
        moves = (knowledge == UNKNOWN_BASIS) & (due_now == self.as_of) & (registered != self.as_of)
        recheck = np.where(moves, days.earlier(recheck, np.full(len(units), self.as_of + 1)), recheck)
        return Answers(
            self.book.tables,
            self.book.rules,
            unit=units,
            table=np.full(len(units), table_code),
            task=np.full(len(units), TASK_CODES[task]),
            rule=rule,
            knowledge=knowledge,
            earliest=earliest,
            target=target,
            latest=latest,
            recheck=recheck,
            is_deferred=is_deferred,
        )

    # -- calendar rules

    def _calendar(self, rule: Rule, at: Ints) -> Drafts:
        match rule.effect:
            case Effect.REPEAT if rule.counts is Counts.GRID:
                found = self._started(rule, at, self._grid)
            case Effect.REPEAT:
                found = self._started(rule, at, self._repeat)
            case Effect.AGES:
                found = self._ages(rule, at)
            case Effect.FIXED:
                found = self._fixed(rule, at)
            case Effect.NEXT_OF:
                found = self._next_of(rule, at)
            case _:
                return Drafts(len(at), self._code(rule), EXEMPT)
        if rule.align_to is not None and rule.align_to in self.drafts:
            self._align(found, self.drafts[rule.align_to].take(at))
        if rule.at_filling:
            self._at_filling(found, at)
        if rule.grace_until is not None:
            grace = days.number(rule.grace_until)
            late = found.is_dated & (found.latest < grace) & (found.knowledge != UNKNOWN_BASIS)
            found.target[late] = grace
            found.latest[late] = grace
        return found

    def _started(self, rule: Rule, at: Ints, work: Callable[[Rule, Ints], Drafts]) -> Drafts:
        """Return ``work`` on the units whose task has started, waiting for its start elsewhere."""
        if not rule.only_after:
            return work(rule, at)
        found = Drafts(len(at), self._code(rule), ON_EVENT)
        began = self.past.last_first_day(self.past.of_task(*rule.only_after))[self.units[at]] != NO_DAY
        inner = work(rule, at[began])
        found.put(np.flatnonzero(began), inner)
        found.basis = _spread(inner.basis, began)
        return found

    def _repeat(self, rule: Rule, at: Ints) -> Drafts:
        units = self.units[at]
        found = Drafts(len(at), self._code(rule))
        kinds = self.past.restarts(self.table, rule.task)
        last, unclear = self.past.last(kinds, self.reads_month_end)
        self.past.unsettled[units] |= unclear[units]
        last = last.at(units)
        done = last.known
        self._first_time(rule, found, units, ~done)
        found.basis = last.where(done, found.basis)
        if rule.every_by_method:
            for period, which in self._by_method(rule, kinds, last, units):
                self._date(rule, found, np.flatnonzero(which & done), last, period)
        elif rule.every is None:
            found.knowledge[done] = ENDED
        else:
            self._date(rule, found, np.flatnonzero(done), last, rule.every)
        return found

    def _by_method(
        self, rule: Rule, kinds: Bools, last: Marks, units: Ints
    ) -> Iterator[tuple[Period, Bools]]:
        """Yield the intervals that follow the last test, with the units they are for."""
        periods = sorted(
            {period for code in METHODS if (period := rule.every_after(code)) is not None},
            key=_length,
        )
        if len({_length(period) for period in periods}) < len(periods):
            self.past.unsettled[units] = True  # "one month" and "31 days": which is shorter?
        rank = np.array([periods.index(rule.every_after(code) or periods[0]) for code in METHODS], np.int64)
        since = np.full(len(self.fleet), NO_DAY)
        since[units] = last.first
        which = self.past.passes(kinds) & (self.past.mark.last >= since[self.past.unit])
        best = self.past.per_unit(which, rank[self.past.method], np.minimum.reduceat, -1)[units]
        for place, period in enumerate(periods):
            yield period, best == place

    def _first_time(self, rule: Rule, found: Drafts, units: Ints, which: Bools) -> None:
        """Date the units that never had the task from the rule's anchors."""
        start = self._anchor(rule.anchors, units)
        dated = which & start.known if rule.first is not None else np.zeros(len(units), np.bool_)
        found.basis = start.where(dated, found.basis)
        if rule.first is not None:
            self._date(rule, found, np.flatnonzero(dated), start, rule.first)
        self._unknown(found, units, which & ~dated)

    def _unknown(self, found: Drafts, units: Ints, which: Bools) -> None:
        found.knowledge[which] = UNKNOWN_BASIS
        now = self.past.due_now[units][which]
        found.date(which, now, now, now)

    def _anchor(self, anchors: tuple[Anchor, ...], units: Ints) -> Marks:
        found = Marks.none(len(units))
        made = self.past.anchors[AnchorKind.MADE].at(units)
        for anchor in anchors:
            mark = self.past.anchors[anchor.kind].at(units)
            fits = mark.known
            if anchor.within is not None:
                fits = fits & made.known & (mark.last <= days.period_after(made.first, anchor.within))
            found = found.where(found.known | ~fits, mark)
        return found

    def _date(self, rule: Rule, found: Drafts, which: Ints, basis: Marks, period: Period) -> None:
        self._date_by(rule, found, which, basis.at(which), period.months, period.days)

    def _date_by(
        self, rule: Rule, found: Drafts, which: Ints, basis: Marks, months: days.Count, more: days.Count
    ) -> None:
        """Date the entries ``which`` of ``found`` from ``basis`` (one each) plus months and days."""
        target = days.after(basis.first, months, more)
        by_month = (basis.precision == MONTH) & (np.asarray(more) == 0) & self.reads_month_end
        latest = np.where(by_month, days.month_end(target), target)
        found.knowledge[which] = np.where(by_month | (basis.precision == DAY), KNOWN, ASSUMED)
        earliest = np.minimum(self._counted(basis), target)
        if rule.window is not None:
            earliest, latest = days.opens(rule.window, target), days.closes(rule.window, latest)
        found.date(which, earliest, target, latest)

    def _counted(self, marks: Marks) -> Ints:
        if not self.reads_month_end:
            return marks.first
        return np.where(marks.precision == MONTH, marks.last, marks.first)

    def _grid(self, rule: Rule, at: Ints) -> Drafts:
        every = rule.every
        if every is None:
            raise AssertionError("the loader gives a fixed rhythm an interval")
        units = self.units[at]
        found = Drafts(len(at), self._code(rule))
        kinds = self.past.restarts(self.table, rule.task)
        exact, unclear = self.past.first_exact(kinds, self.reads_month_end)
        last, unclear_last = self.past.last(kinds, self.reads_month_end)
        exact, last = exact.at(units), last.at(units)
        start = self._anchor(rule.anchors, units)
        from_anchor = start.known & (~last.known | _carries(start))
        from_exact = ~from_anchor & exact.known
        from_last = ~from_anchor & ~exact.known & last.known
        self.past.unsettled[units] |= (from_exact & unclear[units]) | (from_last & unclear_last[units])
        start = start.where(from_anchor, exact.where(from_exact, last))
        lead = rule.first or every
        lead_months = np.where(from_anchor, lead.months, every.months)
        lead_days = np.where(from_anchor, lead.days, every.days)
        begin = start.last
        done_on = self.past.last_first_day(kinds)[units]
        steps = np.zeros(len(at), np.int64)
        if every.months and not every.days:
            passed = days.month_numbers(done_on) - days.month_numbers(begin) - lead_months
            steps = np.maximum(0, passed // every.months - 1)
        elif every.days and not every.months:
            passed = np.where(done_on == NO_DAY, 0, done_on - begin - lead_days - 31 * lead_months)
            steps = np.maximum(0, passed // every.days - 1)
        dated = start.known
        moving = dated & (done_on != NO_DAY)
        steps = np.where(moving, steps, 0)
        left = np.flatnonzero(moving)
        while len(left):
            next_one = days.after(
                begin[left],
                lead_months[left] + steps[left] * every.months,
                lead_days[left] + steps[left] * every.days,
            )
            left = left[days.opens(rule.window, next_one) <= done_on[left]]
            steps[left] += 1
        which = np.flatnonzero(dated)
        self._date_by(
            rule,
            found,
            which,
            start.at(which),
            lead_months[which] + steps[which] * every.months,
            lead_days[which] + steps[which] * every.days,
        )
        found.basis = start
        self._unknown(found, units, ~dated)
        return found

    def _ages(self, rule: Rule, at: Ints) -> Drafts:
        units = self.units[at]
        found = Drafts(len(at), self._code(rule))
        start = self._anchor(rule.anchors, units)
        self._unknown(found, units, ~start.known)
        last, unclear = self.past.last(self.past.restarts(self.table, rule.task), self.reads_month_end)
        self.past.unsettled[units] |= unclear[units]
        done_on = last.first[units]
        left = start.known
        for age in rule.ages:
            opens = days.period_before(days.period_after(start.last, age), rule.early)
            here = np.flatnonzero(left & (done_on < opens))
            self._date(rule, found, here, start, age)
            found.earliest[here] = np.minimum(opens[here], found.target[here])
            left = left & (done_on >= opens)
        found.knowledge[left] = ENDED
        return found

    def _fixed(self, rule: Rule, at: Ints) -> Drafts:
        units = self.units[at]
        found = Drafts(len(at), self._code(rule))
        on = days.number(rule.on)
        last, unclear = self.past.last(self.past.restarts(self.table, rule.task), self.reads_month_end)
        self.past.unsettled[units] |= unclear[units]
        ended = last.first[units] >= on
        found.knowledge[ended] = ENDED
        day = np.full(int((~ended).sum()), on)
        found.date(~ended, day, day, day)
        found.basis = Marks.on(np.full(len(at), on))
        return found

    def _next_of(self, rule: Rule, at: Ints) -> Drafts:
        found = Drafts(len(at))
        for task in rule.next_of:
            if task in self.drafts:
                other = self.drafts[task].take(at)
                other.rule = np.where(other.is_dated, other.rule, _NONE)
                found.first_of(other)
        found.knowledge[~found.exists] = ON_EVENT
        found.rule[:] = self._code(rule)
        found.deferred[:] = False
        return found

    def _align(self, found: Drafts, other: Drafts) -> None:
        """Pull dates forward to the visit of another task in the same calendar year."""
        both = other.exists & other.is_dated & found.is_dated & (found.target != NO_DAY)
        ahead = 12 * (days.years(found.latest) - days.years(other.latest))
        visit = days.after(other.latest, ahead, 0)
        pulled = both & (ahead >= 0) & (visit < found.latest)
        sure = (found.knowledge != KNOWN) | (other.knowledge == KNOWN)
        other_target = np.where(other.target == NO_DAY, other.latest, other.target)
        target = np.minimum(found.target, days.after(other_target, ahead, 0))
        earliest = np.minimum(np.where(found.earliest == NO_DAY, target, found.earliest), target)
        found.date(pulled, earliest[pulled], target[pulled], visit[pulled])
        found.knowledge[pulled & ~sure] = ASSUMED

    def _at_filling(self, found: Drafts, at: Ints) -> None:
        units = self.units[at]
        filled, unclear = self.past.last(self.past.of_task(Task.RECHARGE), self.reads_month_end)
        filled = filled.at(units)
        self.past.unsettled[units] |= unclear[units]
        filled = filled.where(filled.known, found.basis)
        may_stay = found.is_dated & filled.known & (found.knowledge != UNKNOWN_BASIS)
        found.deferred[may_stay & (filled.last <= found.latest)] = True


def _jobs(
    table: IntervalTable, selections: list[Selection]
) -> Iterator[tuple[int, Task, TaskRules, list[int]]]:
    """Yield what is to be judged, in the order of the scalar engine, with the selections it is for.

    Kinds that share the rules of a task are judged together.
    """
    groups: dict[tuple[int, Task], dict[tuple[object, ...], tuple[TaskRules, list[int]]]] = defaultdict(dict)
    for place, selection in enumerate(selections):
        for task, rules in selection.tasks.items():
            parts = (rules.calendar, rules.events, rules.bars)
            key = tuple(tuple(_identity(rule) for rule in part) for part in parts)
            groups[_waits(rules), task].setdefault(key, (rules, []))[1].append(place)
    order = {task: place for place, task in enumerate(table.by_task)}
    for wait, task in sorted(groups, key=lambda item: (item[0], order[item[1]])):
        for rules, chosen in groups[wait, task].values():
            yield wait, task, rules, chosen


def _identity(rule: Rule) -> tuple[object, ...]:
    """Return what tells a rule of one table from another, a borrowed interval included."""
    return (rule.id, rule.first, rule.every, rule.every_by_method, rule.anchors, rule.assumed)


def _marked(count: int, chosen: list[int]) -> Bools:
    found = np.zeros(count, np.bool_)
    found[chosen] = True
    return found


def _spread(marks: Marks, which: Bools) -> Marks:
    found = Marks.none(len(which))
    found.first[which], found.last[which], found.precision[which] = marks.first, marks.last, marks.precision
    return found


def _carries(marks: Marks) -> Bools:
    chosen: Bools = (marks.precision == DAY) | (marks.precision == MONTH)
    return chosen


def _length(period: Period) -> int:
    return period.months * 31 + period.days
