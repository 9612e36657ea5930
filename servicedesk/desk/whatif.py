"""The "what if" of a unit's page: something done today, or other surroundings, beside what stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms

from inventory.measures.kinds import TASK_LABELS, Environment, Task, TestMethod
from inventory.register.models import Unit
from schedules.due.queries import unit_inputs
from schedules.engine.result import KNOWLEDGE_LABELS, Obligation
from schedules.engine.whatif import Pair, Supposed, what_if
from schedules.rulebook.books import rulebooks
from schedules.rules import IntervalTable
from servicedesk.desk.history import METHOD_WORDS
from servicedesk.desk.tables_shown import TableBook, TableShown

TEST = "test"
CHOICES = (
    ("recharge", "Recharged today"),
    (TEST, "Pressure tested today"),
    ("vehicle", "Moved to a vehicle"),
    ("outdoor", "Moved outdoors"),
    ("corrosive", "Moved into corrosive air"),
    ("normal", "Moved indoors"),
)


class WhatIfForm(forms.Form):
    """What is supposed."""

    what = forms.ChoiceField(label="What if it were", choices=CHOICES)
    method = forms.ChoiceField(
        label="Method of the test",
        required=False,
        choices=[
            ("", "Not said"),
            *((method.value, METHOD_WORDS[method]) for method in TestMethod if method),
        ],
    )

    def supposed(self, tables: frozenset[Task]) -> list[Supposed]:
        """What the valid form supposes; a pressure test is whichever of the two the tables speak of."""
        what, method = self.cleaned_data["what"], TestMethod(self.cleaned_data["method"])
        if what == TEST:
            tests = [task for task in (Task.REQUALIFICATION, Task.HYDROSTATIC_TEST) if task in tables]
            return [Supposed(task, method) for task in tests[:1] or [Task.HYDROSTATIC_TEST]]
        if what == "recharge":
            return [Supposed(Task.RECHARGE)]
        return [Supposed(environment=Environment(what))]


@dataclass(frozen=True, slots=True)
class PairLine:
    """One task of one table, before and after."""

    task: str
    table: TableShown
    before: str
    after: str
    before_on: date | None
    after_on: date | None
    moves: bool
    why: tuple[str, ...]


def what_if_context(unit: Unit, query: Mapping[str, str], today: date, book: TableBook) -> dict[str, Any]:
    """What ``desk/_what_if.html`` takes; the engine is asked only when something is supposed."""
    if "what" not in query:
        return {"form": WhatIfForm()}
    form = WhatIfForm(query)
    if not form.is_valid() or unit.site_id is None:
        return {"form": form}
    for item in unit_inputs([unit.pk]):
        tables = rulebooks([item.site_id])[item.site_id].tables
        (supposed,) = form.supposed(frozenset(task for table in tables for task in table.by_task))
        pairs = what_if(item.facts, item.history, tables, today, supposed)
        lines = [_line(pair, book) for pair in pairs if _is_shown(pair)]
        return {
            "form": form,
            "said": dict(CHOICES)[form.cleaned_data["what"]].lower(),
            "lines": lines,
            "moved": sum(line.moves for line in lines),
            "is_unasked": supposed.environment is not None and not asks_for_surroundings(tables),
        }
    return {"form": form}


def asks_for_surroundings(tables: Iterable[IntervalTable]) -> bool:
    """Whether any rule of ``tables`` makes a difference by where a unit hangs."""
    return any(rule.select.environments is not None for table in tables for rule in table.rules)


def _is_shown(pair: Pair) -> bool:
    return pair.moves or any(
        item is not None and item.latest is not None for item in (pair.before, pair.after)
    )


def _line(pair: Pair, book: TableBook) -> PairLine:
    one = pair.after or pair.before
    if one is None:
        raise AssertionError("a pair has at least one side")
    return PairLine(
        task=TASK_LABELS[pair.task],
        table=book.get(one.table_key, one.table_version),
        before=_words(pair.before),
        after=_words(pair.after),
        before_on=_dated(pair.before),
        after_on=_dated(pair.after),
        moves=pair.moves,
        why=one.why if pair.moves else (),
    )


def _dated(item: Obligation | None) -> date | None:
    return None if item is None or item.knowledge.value == "unknown_basis" else item.latest


def _words(item: Obligation | None) -> str:
    return "Not demanded" if item is None else KNOWLEDGE_LABELS[item.knowledge]
