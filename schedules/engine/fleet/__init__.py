"""The vectorised twin of the engine: what falls due on very many units, in columns.

Purpose. A sweep over a million units needs dates, not sentences. The twin gives the dates, the
rule, the state of knowledge and the day to look again for whole columns of units; the sentences
come from the scalar engine when somebody asks.

Guarantee. It agrees with ``schedules.engine.obligations`` row by row; a property test holds the
two against each other over random units, tables and histories. Rules are chosen once per kind of
unit by the very code of the scalar engine. Units that the columns cannot settle (a record older
than the shell, two stamps that rank alike and differ) are answered by the scalar engine itself.

>>> from datetime import date
>>> from inventory.measures.stamps import Stamp
>>> from schedules.engine import Done, UnitFacts, obligations
>>> from schedules.rules import load_tables
>>> unit = UnitFacts("dry_chemical_abc", "stored_pressure", "mild_steel", made=Stamp.of(2018, 3))
>>> recharge = Done("recharge", Stamp.of(2021, 6, 15))
>>> book = load_tables()["us-osha-1910-157"]
>>> fleet = fleet_of([(unit, [recharge], 0, date(2026, 1, 1))])
>>> found = judge(fleet, [book], lambda places: [])
>>> for row in found.rows():
...     print(row.task, row.latest)
visual_inspection 2018-04-30
maintenance 2019-03-31
internal_examination 2027-06-15
recharge None
hydrostatic_test 2030-03-31

How it is laid out: ``days`` is calendar arithmetic over columns, ``columns`` what comes in and
goes out, ``past`` reduces records to one entry per unit, ``judge`` applies the rules of a table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np

from schedules.engine.due import editions
from schedules.engine.fleet.columns import (
    KNOWLEDGE_CODES,
    KNOWLEDGES,
    METHOD_CODES,
    PRECISION_CODES,
    TASK_CODES,
    TASKS,
    Answers,
    Book,
    Fleet,
    Marks,
    Records,
    Row,
    fleet_of,
    kind_key,
)
from schedules.engine.fleet.days import NO_DAY, Ints, column, day_of, earlier, number
from schedules.engine.fleet.judge import TableJudge
from schedules.engine.fleet.past import FleetPast
from schedules.engine.result import Obligation
from schedules.rules.table import IntervalTable

Scalar = Callable[[Sequence[int]], Iterable[tuple[int, Sequence[Obligation]]]]


def judge(
    fleet: Fleet,
    rulebooks: Sequence[Sequence[IntervalTable]],
    scalar: Scalar,
    *,
    only_scalar: bool = False,
    past: FleetPast | None = None,
) -> Answers:
    """Return what the tables of each unit's rulebook demand of it on its own day.

    ``rulebooks`` holds the tables of each rulebook, editions included, as handed to
    ``schedules.engine.obligations``. ``scalar`` is asked for the units that the columns cannot
    settle: given their places it gives back each with what the scalar engine says of it. With
    ``only_scalar`` it is asked for all, which is quicker for a handful. ``past`` saves reading the
    fleet's past a second time.
    """
    book = Book()
    by_name = {(table.key, table.version): table for tables in rulebooks for table in tables}
    if only_scalar:
        told = [book.told(unit, items, by_name) for unit, items in scalar(range(len(fleet)))]
        answers = book.answers().joined(told)
        answers.fallen_back = len(fleet)
        return answers
    past = past or FleetPast(fleet)
    parts = []
    for table, switch_on, as_of, units in _sessions(fleet, rulebooks):
        parts.append(TableJudge(fleet, past, table, units, as_of, switch_on, book).judge())
    answers = book.answers().joined(parts)
    left = np.flatnonzero(past.unsettled)
    if len(left):
        answers = answers.kept(~past.unsettled[answers.unit])
        answers = answers.joined(book.told(unit, items, by_name) for unit, items in scalar(left.tolist()))
        answers.fallen_back = len(left)
    return answers


def _sessions(
    fleet: Fleet, rulebooks: Sequence[Sequence[IntervalTable]]
) -> list[tuple[IntervalTable, int, int, Ints]]:
    """Return tables with the units and the day they judge: units of several rulebooks together."""
    found: dict[tuple[int, int, int], tuple[IntervalTable, list[Ints]]] = {}
    groups = np.unique(np.stack([fleet.rulebook, fleet.as_of]), axis=1)
    for rulebook, as_of in groups.T.tolist():
        units = np.flatnonzero((fleet.rulebook == rulebook) & (fleet.as_of == as_of))
        day = day_of(as_of)
        if day is None:
            raise ValueError("Give every unit the day it is judged on.")
        for table, switch_on in editions(rulebooks[rulebook], day):
            key = (id(table), number(switch_on), as_of)
            found.setdefault(key, (table, []))[1].append(units)
    return [
        (table, switch_on, as_of, np.sort(np.concatenate(units)))
        for (_, switch_on, as_of), (table, units) in found.items()
    ]


__all__ = [
    "KNOWLEDGES",
    "KNOWLEDGE_CODES",
    "METHOD_CODES",
    "NO_DAY",
    "PRECISION_CODES",
    "TASKS",
    "TASK_CODES",
    "Answers",
    "Fleet",
    "FleetPast",
    "Ints",
    "Marks",
    "Records",
    "Row",
    "column",
    "day_of",
    "earlier",
    "fleet_of",
    "judge",
    "kind_key",
    "number",
]
