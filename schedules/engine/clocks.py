"""The clocks of a unit under one table: what restarts them, what they first count from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from inventory.measures.kinds import EVENT_LABELS, TASK_LABELS, EventKind, Task
from inventory.measures.stamps import Precision, Stamp
from schedules.engine.draft import task_word
from schedules.engine.facts import Done
from schedules.engine.past import Past
from schedules.engine.result import Basis
from schedules.rules.period import Period
from schedules.rules.table import ANCHOR_WORDS, Anchor, AnchorKind, IntervalTable, MonthMark, Rule


@dataclass(frozen=True, order=True, slots=True)
class Happening:
    """Something an event rule or a bar answers to, between ``day`` and ``until``."""

    day: date
    until: date
    words: str
    ref: str
    kind: str


class Clocks:
    """The past of one unit, read by the reset matrix and the conventions of one table."""

    def __init__(self, past: Past, table: IntervalTable) -> None:
        self.past = past
        self.table = table
        self.reads_month_end = table.conventions.month_mark is MonthMark.LAST_DAY

    def counted(self, stamp: Stamp) -> date:
        """Return the day a stamp ranks as: a month counts to its end where the table reads it so."""
        if stamp.first is None or stamp.last is None:
            raise AssertionError("only known stamps are counted")
        return stamp.last if stamp.precision is Precision.MONTH and self.reads_month_end else stamp.first

    def own_passes(self, task: Task) -> list[Done]:
        """Return the completions of the task itself, oldest first."""
        return sorted(self.past.passes.get(task, ()), key=lambda done: self.counted(done.stamp))

    def other_restarts(self, task: Task) -> list[Done]:
        """Return the completions of other tasks that restart this one's clock, oldest first."""
        found = [
            done
            for reset in self.table.restarted_by[task]
            if reset.done is not task
            for done in self.past.passes.get(reset.done, ())
            if not reset.methods or done.method in reset.methods
        ]
        return sorted(found, key=lambda done: self.counted(done.stamp))

    def last_restart(self, rule: Rule) -> Done | None:
        """Return the completion that the clock of ``rule`` runs from."""
        found = [*self.own_passes(rule.task), *self.other_restarts(rule.task)]
        return max(
            found,
            key=lambda done: (
                self.counted(done.stamp),
                done.task is rule.task,
                done.task,
                done.method,
                done.ref,
            ),
            default=None,
        )

    def interval_after(self, rule: Rule, last: Done) -> Period | None:
        """Return the interval that follows ``last``.

        Where it depends on the method of the last test and the stamps leave open which test that
        was, the shortest interval of those that can have been the last counts.
        """
        if not rule.every_by_method:
            return rule.every
        found = [*self.own_passes(rule.task), *self.other_restarts(rule.task)]
        periods = [
            period
            for done in found
            if done.stamp.last is not None
            and last.stamp.first is not None
            and done.stamp.last >= last.stamp.first
            and (period := rule.every_after(done.method)) is not None
        ]
        return min(periods, key=lambda period: period.months * 31 + period.days, default=rule.every)

    def restarting_tasks(self, task: Task) -> list[str]:
        """Return the names of all tasks that restart the clock of ``task``, its own first."""
        return list(dict.fromkeys(task_word(reset.done) for reset in self.table.restarted_by[task]))

    def anchor(self, anchors: tuple[Anchor, ...]) -> tuple[Basis, tuple[str, ...]] | None:
        """Return the first known fact among ``anchors``, and what to say of those passed over."""
        said: list[str] = []
        made = self.past.anchors[AnchorKind.MADE]
        for anchor in anchors:
            stamp = self.past.anchors[anchor.kind]
            words = ANCHOR_WORDS[anchor.kind]
            if stamp.first is None:
                continue
            if anchor.within is not None:
                if made.first is None:
                    said.append(
                        f"The {words} date ({stamp}) is not used: without manufacture it proves no age."
                    )
                    continue
                if (stamp.last or stamp.first) > anchor.within.after(made.first):
                    said.append(
                        f"The {words} date ({stamp}) lies more than {anchor.within} after manufacture "
                        f"({made}) and is not used."
                    )
                    continue
            return Basis(anchor.kind, stamp, f"{words}, {stamp}"), tuple(said)
        return None

    def standing_failure(self, task: Task) -> Done | None:
        """Return the last failure of ``task`` that no later completion has answered.

        A completion on the day of the failure does not answer it: which came last is not known.
        """
        passes = [*self.past.passes.get(task, ()), *self.other_restarts(task)]

        def answered(failure: Done) -> bool:
            last = failure.stamp.last
            return last is not None and any(
                done.stamp.first is not None and done.stamp.first > last for done in passes
            )

        standing = [failure for failure in self.past.failures.get(task, ()) if not answered(failure)]
        return max(standing, key=lambda done: done.stamp.first or date.min, default=None)

    def happenings(self, names: tuple[str, ...]) -> Iterator[Happening]:
        """Yield what happened of ``names``: event codes, ``done:task`` and ``failed:task``."""
        for name in names:
            kind, _, task = name.partition(":")
            if not task:
                words = EVENT_LABELS[EventKind(name)]
                for event in self.past.events:
                    if event.kind == name:
                        yield Happening(event.on, event.on, words, event.ref, f"event:{name}")
                continue
            source = self.past.passes if kind == "done" else self.past.failures
            for done in source.get(Task(task), ()):
                if done.stamp.first is not None and done.stamp.last is not None:
                    words = TASK_LABELS[done.task] + (" done" if kind == "done" else " failed")
                    yield Happening(done.stamp.first, done.stamp.last, words, done.ref, name)

    def first_open(self, rule: Rule) -> Happening | None:
        """Return the first happening of an event rule that its task has not answered yet."""
        passes = [*self.past.passes.get(rule.task, ()), *self.other_restarts(rule.task)]

        def answered(happening: Happening) -> bool:
            since = rule.covered_before.before(happening.until)
            return any(done.stamp.first is not None and done.stamp.first >= since for done in passes)

        return min((item for item in self.happenings(rule.events) if not answered(item)), default=None)
