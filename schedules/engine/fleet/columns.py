"""What the twin is told and what it answers, as columns."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np

from inventory.measures.kinds import Task, TestMethod
from inventory.measures.stamps import Precision
from schedules.engine.facts import Done, UnitFacts
from schedules.engine.fleet.days import NO_DAY, Bools, Ints, day_of, number
from schedules.engine.result import Knowledge, Obligation
from schedules.rules.table import AnchorKind, IntervalTable

TASKS = tuple(Task)
METHODS = tuple(TestMethod)
PRECISIONS = tuple(Precision)
KNOWLEDGES = tuple(Knowledge)
TASK_CODES = {task: code for code, task in enumerate(TASKS)}
METHOD_CODES = {method: code for code, method in enumerate(METHODS)}
PRECISION_CODES = {precision: code for code, precision in enumerate(PRECISIONS)}
KNOWLEDGE_CODES = {knowledge: code for code, knowledge in enumerate(KNOWLEDGES)}

DAY = PRECISION_CODES[Precision.DAY]
MONTH = PRECISION_CODES[Precision.MONTH]
UNKNOWN = PRECISION_CODES[Precision.UNKNOWN]


@dataclass(frozen=True, slots=True)
class Marks:
    """Stamps as columns: first and last day, and the precision as a place in ``PRECISIONS``."""

    first: Ints
    last: Ints
    precision: Ints

    @classmethod
    def none(cls, count: int) -> Marks:
        """Return ``count`` unknown stamps."""
        nothing = np.full(count, NO_DAY)
        return cls(nothing, nothing, np.full(count, UNKNOWN))

    @classmethod
    def on(cls, days: Ints) -> Marks:
        """Return stamps of known days, unknown where there is no day."""
        return cls(days, days, np.where(days == NO_DAY, UNKNOWN, DAY))

    @property
    def known(self) -> Bools:
        """Which stamps tell a date."""
        known: Bools = self.first != NO_DAY
        return known

    def at(self, places: Ints) -> Marks:
        """Return the stamps at ``places``."""
        return Marks(self.first[places], self.last[places], self.precision[places])

    def where(self, chosen: Bools, other: Marks) -> Marks:
        """Return these stamps where ``chosen``, those of ``other`` elsewhere."""
        return Marks(
            np.where(chosen, self.first, other.first),
            np.where(chosen, self.last, other.last),
            np.where(chosen, self.precision, other.precision),
        )


@dataclass(frozen=True, slots=True)
class Records:
    """Completions and failures of many units; ``unit`` is the place of the unit and rises.

    ``task`` and ``method`` are places in ``TASKS`` and ``METHODS``.
    """

    unit: Ints
    task: Ints
    method: Ints
    passed: Bools
    mark: Marks

    @classmethod
    def none(cls) -> Records:
        """Return no records at all."""
        nothing = np.empty(0, np.int64)
        return cls(nothing, nothing, nothing, np.empty(0, np.bool_), Marks.none(0))

    def __post_init__(self) -> None:
        if len(self.unit) and (np.diff(self.unit) < 0).any():
            raise ValueError("Sort the records by unit.")


@dataclass(frozen=True, slots=True)
class Fleet:
    """Many units as columns, one row each.

    ``kind`` is a place in ``kinds``, facts that many units share; the dates in those do not count.
    ``rulebook`` is a place in the list of rulebooks handed over beside the fleet, ``as_of`` the
    civil day at the unit's site, ``registered`` the day it came into the register or ``NO_DAY``.
    An anchor that is left out is unknown for all.
    """

    kinds: Sequence[UnitFacts]
    kind: Ints
    rulebook: Ints
    as_of: Ints
    registered: Ints
    anchors: dict[AnchorKind, Marks]
    records: Records

    def __len__(self) -> int:
        return len(self.kind)


@dataclass(slots=True)
class Answers:
    """Obligations as columns, one row each, in no order.

    ``table`` is a place in ``tables``, ``rule`` one in ``rules`` (ids; the empty one where no rule
    stands behind the row), ``task`` one in ``TASKS``, ``knowledge`` one in ``KNOWLEDGES``.
    ``is_deferred`` says that a full unit may stay as it is past the date. ``fallen_back`` counts
    the units that the scalar engine had to answer for.
    """

    tables: list[IntervalTable] = field(default_factory=list)
    rules: list[str] = field(default_factory=lambda: [""])
    unit: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    table: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    task: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    rule: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    knowledge: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    earliest: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    target: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    latest: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    recheck: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    is_deferred: Bools = field(default_factory=lambda: np.empty(0, np.bool_))
    fallen_back: int = 0

    def __len__(self) -> int:
        return len(self.unit)

    def kept(self, which: Bools) -> Answers:
        """Return those rows where ``which`` holds."""
        return Answers(
            self.tables,
            self.rules,
            **{name: getattr(self, name)[which] for name in _COLUMNS},
            fallen_back=self.fallen_back,
        )

    def joined(self, parts: Iterable[Answers]) -> Answers:
        """Return these rows and those of ``parts``, which share ``tables`` and ``rules``."""
        every = [self, *parts]
        return Answers(
            self.tables,
            self.rules,
            **{name: np.concatenate([getattr(part, name) for part in every]) for name in _COLUMNS},
            fallen_back=self.fallen_back,
        )

    def rows(self) -> Iterator[Row]:
        """Yield the rows as plain values, for tests and small numbers."""
        for place in range(len(self)):
            table = self.tables[self.table[place]]
            yield Row(
                int(self.unit[place]),
                table.key,
                table.version,
                TASKS[self.task[place]],
                self.rules[self.rule[place]],
                day_of(self.earliest[place]),
                day_of(self.target[place]),
                day_of(self.latest[place]),
                KNOWLEDGES[self.knowledge[place]],
                day_of(self.recheck[place]),
                bool(self.is_deferred[place]),
            )

    def binding(self) -> Bools:
        """Return which row binds its task on its unit: the earliest latest day, one row each.

        As ``schedules.engine.binding``: a row that may be deferred binds only where no other does,
        equal days go to the first table key. Where no row has a date the first one stands.
        """
        key_order = {key: place for place, key in enumerate(sorted({table.key for table in self.tables}))}
        by_key = np.array([key_order[table.key] for table in self.tables], np.int64)
        undated = self.latest == NO_DAY
        order = np.lexsort(
            (by_key[self.table], self.latest, self.is_deferred, undated, self.task, self.unit)
            if len(self)
            else (self.unit,)
        )
        unit, task = self.unit[order], self.task[order]
        leads = np.ones(len(self), np.bool_)
        leads[1:] = (unit[1:] != unit[:-1]) | (task[1:] != task[:-1])
        found = np.zeros(len(self), np.bool_)
        found[order[leads]] = True
        return found

    def rechecks(self, count: int) -> Ints:
        """Return for each of ``count`` units the first day on which to look again, or ``NO_DAY``."""
        found = np.full(count, np.iinfo(np.int64).max)
        known = self.recheck != NO_DAY
        np.minimum.at(found, self.unit[known], self.recheck[known])
        return np.where(found == np.iinfo(np.int64).max, NO_DAY, found)


@dataclass(frozen=True, slots=True)
class Row:
    """One obligation as far as the twin tells it."""

    unit: int
    table_key: str
    table_version: str
    task: Task
    rule_id: str
    earliest: date | None
    target: date | None
    latest: date | None
    knowledge: Knowledge
    recheck_on: date | None
    is_deferred: bool

    @classmethod
    def of(cls, unit: int, item: Obligation) -> Row:
        """Return what the twin should say where the scalar engine says ``item``."""
        return cls(
            unit,
            item.table_key,
            item.table_version,
            item.task,
            item.rule_id,
            item.earliest,
            item.target,
            item.latest,
            item.knowledge,
            item.recheck_on,
            bool(item.deferred_until),
        )


_COLUMNS = (
    "unit",
    "table",
    "task",
    "rule",
    "knowledge",
    "earliest",
    "target",
    "latest",
    "recheck",
    "is_deferred",
)


class Book:
    """Places of tables and rule ids, given out as they are met."""

    def __init__(self) -> None:
        self.tables: list[IntervalTable] = []
        self.rules: list[str] = [""]
        self._tables: dict[tuple[str, str], int] = {}
        self._rules: dict[str, int] = {"": 0}

    def table(self, table: IntervalTable) -> int:
        """Return the place of ``table``."""
        return self.table_named(table.key, table.version, table)

    def table_named(self, key: str, version: str, table: IntervalTable | None = None) -> int:
        """Return the place of the table of that name; ``table`` is entered when it is new."""
        place = self._tables.get((key, version))
        if place is None:
            if table is None:
                raise KeyError(f"table {key} {version} is in no rulebook")
            place = self._tables[key, version] = len(self.tables)
            self.tables.append(table)
        return place

    def rule(self, rule_id: str) -> int:
        """Return the place of a rule id."""
        place = self._rules.get(rule_id)
        if place is None:
            place = self._rules[rule_id] = len(self.rules)
            self.rules.append(rule_id)
        return place

    def answers(self) -> Answers:
        """Return answers without rows that share this book."""
        return Answers(self.tables, self.rules)

    def told(
        self, unit: int, items: Iterable[Obligation], by_name: dict[tuple[str, str], IntervalTable]
    ) -> Answers:
        """Return what the scalar engine said of one unit as columns."""
        found = list(items)

        def ints(values: Iterable[int]) -> Ints:
            return np.array(list(values), dtype=np.int64)

        return Answers(
            self.tables,
            self.rules,
            unit=ints(unit for _ in found),
            table=ints(
                self.table_named(i.table_key, i.table_version, by_name.get((i.table_key, i.table_version)))
                for i in found
            ),
            task=ints(TASK_CODES[i.task] for i in found),
            rule=ints(self.rule(i.rule_id) for i in found),
            knowledge=ints(KNOWLEDGE_CODES[i.knowledge] for i in found),
            earliest=ints(number(i.earliest) for i in found),
            target=ints(number(i.target) for i in found),
            latest=ints(number(i.latest) for i in found),
            recheck=ints(number(i.recheck_on) for i in found),
            is_deferred=np.array([bool(i.deferred_until) for i in found], np.bool_),
        )


def fleet_of(
    units: Sequence[tuple[UnitFacts, Sequence[Done], int, date]],
) -> Fleet:
    """Return units told one by one (facts, history, place of the rulebook, as-of day) as a fleet."""
    kinds: dict[tuple[object, ...], int] = {}
    distinct: list[UnitFacts] = []
    kind: list[int] = []
    for facts, _, _, _ in units:
        key = kind_key(facts)
        if key not in kinds:
            kinds[key] = len(distinct)
            distinct.append(facts)
        kind.append(kinds[key])

    def marks(stamps: Iterable[tuple[date | None, date | None, Precision]]) -> Marks:
        rows = list(stamps)
        return Marks(
            np.array([number(first) for first, _, _ in rows], np.int64),
            np.array([number(last) for _, last, _ in rows], np.int64),
            np.array([PRECISION_CODES[precision] for _, _, precision in rows], np.int64),
        )

    def anchor(name: str) -> Marks:
        stamps = [getattr(facts, name) for facts, _, _, _ in units]
        return marks((stamp.first, stamp.last, stamp.precision) for stamp in stamps)

    dones = [(place, done) for place, (_, history, _, _) in enumerate(units) for done in history]
    return Fleet(
        kinds=distinct,
        kind=np.array(kind, np.int64),
        rulebook=np.array([place for _, _, place, _ in units], np.int64),
        as_of=np.array([number(day) for _, _, _, day in units], np.int64),
        registered=np.array([number(facts.registered) for facts, _, _, _ in units], np.int64),
        anchors={kind: anchor(kind.value) for kind in AnchorKind},
        records=Records(
            unit=np.array([place for place, _ in dones], np.int64),
            task=np.array([TASK_CODES[done.task] for _, done in dones], np.int64),
            method=np.array([METHOD_CODES[TestMethod(done.method)] for _, done in dones], np.int64),
            passed=np.array([done.passed for _, done in dones], np.bool_),
            mark=marks((done.stamp.first, done.stamp.last, done.stamp.precision) for _, done in dones),
        ),
    )


def kind_key(facts: UnitFacts) -> tuple[object, ...]:
    """Return what two units must share to be of one kind."""
    return (
        facts.agent,
        facts.construction,
        facts.shell,
        facts.cylinder_spec,
        facts.water_capacity_ml,
        facts.charge_mass_g,
        facts.charge_volume_ml,
        facts.is_wheeled,
        facts.is_refillable,
        facts.environment,
        facts.has_shutoff_hose,
    )
