"""What would be due if something were done to a unit today, beside what is due as things stand.

>>> from inventory.measures.stamps import Stamp
>>> from schedules.rules import load_tables
>>> unit = UnitFacts("dry_chemical_abc", "stored_pressure", "mild_steel", made=Stamp.of(2018, 3))
>>> pairs = what_if(unit, (), load_tables()["us-osha-1910-157"], date(2026, 1, 1), Supposed(Task.RECHARGE))
>>> [(pair.task.value, str(pair.before.latest), str(pair.after.latest)) for pair in pairs if pair.moves]
[('internal_examination', '2024-03-31', '2032-01-01')]
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from inventory.measures.kinds import Environment, Task, TestMethod
from inventory.measures.stamps import Stamp
from schedules.engine.due import obligations
from schedules.engine.facts import Done, Event, UnitFacts
from schedules.engine.result import Obligation
from schedules.rules.table import IntervalTable


@dataclass(frozen=True, slots=True)
class Supposed:
    """What is supposed to happen today: a task done and passed, or other surroundings.

    Raises ``ValueError`` when neither or both are given.
    """

    task: Task | None = None
    method: TestMethod = TestMethod.UNKNOWN
    environment: Environment | None = None

    def __post_init__(self) -> None:
        if (self.task is None) == (self.environment is None):
            raise ValueError("Suppose either a task or other surroundings.")


@dataclass(frozen=True, slots=True)
class Pair:
    """What one table says of one task before and after; ``None`` where it says nothing."""

    table_key: str
    task: Task
    before: Obligation | None
    after: Obligation | None

    @property
    def moves(self) -> bool:
        """Return whether the date or what is known of it differs."""
        old, new = self.before, self.after
        if old is None or new is None:
            return old is not new
        return (old.latest, old.target, old.knowledge) != (new.latest, new.target, new.knowledge)


def what_if(
    facts: UnitFacts,
    history: Iterable[Done],
    tables: Sequence[IntervalTable],
    as_of: date,
    supposed: Supposed,
    events: Iterable[Event] = (),
) -> tuple[Pair, ...]:
    """Return every table's answer for every task, as things stand and as supposed, side by side."""
    history, events = tuple(history), tuple(events)
    before = obligations(facts, history, tables, as_of, events)
    if supposed.task is not None:
        history = (*history, Done(supposed.task, Stamp.on(as_of), supposed.method, ref="supposed"))
    else:
        # What is on record of moves would speak before the surroundings; today's move speaks last.
        facts = replace(facts, environment=supposed.environment or facts.environment)
        events = tuple(event for event in events if not event.kind.value.startswith("moved_"))
    after = obligations(facts, history, tables, as_of, events)
    old = {(item.table_key, item.task): item for item in before}
    new = {(item.table_key, item.task): item for item in after}
    order = {task: place for place, task in enumerate(Task)}
    return tuple(
        Pair(*key, old.get(key), new.get(key))
        for key in sorted(old.keys() | new.keys(), key=lambda key: (key[0], order[key[1]]))
    )
