"""An obligation while it is being worked out, and the words its reasons are made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from inventory.measures.kinds import TASK_LABELS, Task
from inventory.measures.stamps import Stamp
from schedules.engine.facts import Done
from schedules.engine.result import NO_BASIS, Basis, Knowledge
from schedules.rules.table import IntervalTable, Rule


@dataclass(frozen=True, slots=True)
class Draft:
    """What one rule gives for one task; ``lines`` are the reasons so far, in order."""

    rule: Rule
    knowledge: Knowledge
    lines: tuple[str, ...]
    basis: Basis = NO_BASIS
    earliest: date | None = None
    target: date | None = None
    latest: date | None = None
    deferred_until: str = ""

    @property
    def is_dated(self) -> bool:
        """Return whether there is a day by which the work must be done."""
        return self.latest is not None

    @property
    def rank(self) -> date:
        """Return the day that decides which of several drafts comes first."""
        return self.latest or date.max


def due_on(rule: Rule, basis: Basis, day: date, *lines: str, since: date | None = None) -> Draft:
    """Return the draft of a task that is due on one known day, open from ``since`` on."""
    return Draft(rule, Knowledge.KNOWN, lines, basis, since or day, day, day)


def task_word(task: Task) -> str:
    """Return the task inside a sentence: ``hydrostatic test``."""
    return TASK_LABELS[task].lower()


def either(words: Sequence[str]) -> str:
    """Return ``a, b or c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}" if words else ""


def done_words(done: Done) -> str:
    """Return a completion inside a sentence: ``recharge of 2021-06-15``."""
    return f"{task_word(done.task)} of {done.stamp}"


def done_basis(done: Done) -> Basis:
    """Return a completion as what a date counts from."""
    return Basis(f"done:{done.task}", done.stamp, done_words(done), done.ref, done.evidence)


def failed_basis(done: Done) -> Basis:
    """Return a failed attempt as what a date counts from."""
    return Basis(f"failed:{done.task}", done.stamp, f"failed {done_words(done)}", done.ref, done.evidence)


def event_basis(kind: str, words: str, day: date, ref: str) -> Basis:
    """Return something that happened as what a date counts from."""
    return Basis(kind, Stamp.on(day), f"{words} on {day}", ref)


def table_line(table: IntervalTable) -> str:
    """Return the first line of every reason: which table, which version, and that it is a default."""
    statement = f"{table.statement[:1].lower()}{table.statement[1:]}"
    return f"{table.label} (table {table.key}, version {table.version}): {statement}"
