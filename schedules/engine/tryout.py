"""What falls due for a unit like this: cases read from rows of text, answered without a register.

Purpose. An expert types or tabulates facts and history and sees what a table demands, and why.
Guarantee. Cells are read by the same readers as a register. A cell that cannot be read is refused
by a ``CellError`` naming row, column and remedy; all of them are gathered, so a file is mended in
one go. What a cell leaves open is told as a doubt and read on the safe side.

>>> from datetime import date
>>> from schedules.rules import load_tables
>>> row = {"agent": "dry_chemical_abc", "construction": "stored_pressure", "shell": "mild_steel",
...        "made": "2018-03", "records": "recharge:2021-06-15", "table": "us-osha-1910-157"}
>>> cases, errors = read_cases([(2, row)], load_tables(), as_of=date(2026, 1, 1))
>>> [(line.task, line.latest) for line in answer(cases[0]) if line.latest][-2:]
[('internal_examination', '2027-06-15'), ('hydrostatic_test', '2030-03-31')]
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, timedelta
from enum import StrEnum
from typing import TypeVar

from inventory.measures.kinds import (
    AGENT_LABELS,
    CONSTRUCTION_LABELS,
    ENVIRONMENT_LABELS,
    EVENT_LABELS,
    SHELL_LABELS,
    TASK_LABELS,
    Agent,
    Construction,
    Environment,
    EventKind,
    Shell,
    Task,
    TestMethod,
)
from inventory.measures.stamps import Stamp, StampError, read_stamp
from inventory.measures.units import Dimension, Measure, MeasureError, read_measure
from schedules.engine.due import findings, obligations
from schedules.engine.facts import Done, Event, UnitFacts
from schedules.engine.result import KNOWLEDGE_LABELS, Obligation, binding
from schedules.rules.table import IntervalTable

COLUMNS: Mapping[str, str] = {
    "case": "a name of your own, repeated in the answer; may be empty",
    "agent": "what the shell is filled with: a code or its label, as in carbon_dioxide; empty is unknown",
    "construction": "stored_pressure, cartridge, self_expelling and so on; empty is unknown",
    "shell": "mild_steel, stainless_steel, aluminium and so on; empty is unknown",
    "cylinder_spec": "as stamped: 3AA, 4BW; empty when there is none",
    "water_capacity": "with its unit: 9 L, 2.5 gal, or as the water it holds: 12 lb; empty is unknown",
    "charge": "mass or volume with its unit: 10 lb, 6 L; empty is unknown",
    "made": "manufacture, as precise as known: 2018-03-14, 2018-03, Q2 2018, 2018; empty is unknown",
    "installed": "when it was placed in service; the same as commissioned",
    "commissioned": "when it was placed in service; give one of the two",
    "sold": "date of the sale tag",
    "first_test": "first test mark on the shell",
    "environment": "normal, outdoor, corrosive, vehicle, marine; empty is normal",
    "wheeled": "yes or no; empty is no",
    "refillable": "yes or no; empty is unknown",
    "hose_shutoff": "yes or no; empty is unknown",
    "records": "what was done: task:date:method:passed; more after a semicolon. Method and passed may be "
    "left out: hydrostatic_test:2019-06:water_jacket:yes; recharge:2021",
    "events": "what happened: kind:date; as in discharged:2025-03-01",
    "as_of": "the day to judge on, as in 2026-11-25; empty is the day given beside the file",
    "table": "key of the interval table; several after a semicolon; KEY@VERSION pins a version",
    "edition": "version of the table, where one table is named; empty is the edition in force",
}

_YES = frozenset({"yes", "y", "true", "1", "pass", "passed"})
_NO = frozenset({"no", "n", "false", "0", "fail", "failed"})
_Code = TypeVar("_Code", bound=StrEnum)
_FAR_AHEAD = timedelta(days=36525)


class CellError(ValueError):
    """A cell that cannot be read: which row, which column, and what to do."""

    def __init__(self, row: int, column: str, sentence: str) -> None:
        super().__init__(f'Row {row}, column "{column}": {sentence}')
        self.row = row
        self.column = column
        self.sentence = sentence


@dataclass(frozen=True, slots=True)
class Case:
    """One unit to be judged: its facts, history, tables and day, and what was doubtful in its cells."""

    name: str
    row: int
    facts: UnitFacts
    history: tuple[Done, ...]
    events: tuple[Event, ...]
    as_of: date
    tables: tuple[IntervalTable, ...]
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """What one table demands of one case for one task, as texts for a file. Days are ISO 8601."""

    case: str
    as_of: str
    table: str
    table_version: str
    task: str
    called: str
    rule: str
    earliest: str
    target: str
    latest: str
    verdict: str
    knowledge: str
    binds: str
    interval: str
    counts_from: str
    clause: str
    source: str
    source_status: str
    why: str
    findings: str
    doubts: str


LINE_COLUMNS = tuple(field.name for field in fields(Line))


# --- answering -------------------------------------------------------------------------------------


def judged(case: Case) -> tuple[Obligation, ...]:
    """Return what the tables of ``case`` demand, as the engine says it."""
    return obligations(case.facts, case.history, case.tables, case.as_of, case.events)


def answer(case: Case) -> list[Line]:
    """Return a line for every task of every table, dates, verdict and reasons as text."""
    found = judged(case)
    binds = {id(item) for item in binding(found).values()}
    doubtful = " ".join(
        finding.text for finding in findings(case.facts, case.history, case.as_of, case.events)
    )
    idle = {table.key: idle_records(case.history, table) for table in case.tables}
    return [
        Line(
            case=case.name,
            as_of=case.as_of.isoformat(),
            table=item.table_key,
            table_version=item.table_version,
            task=item.task.value,
            called=item.called,
            rule=item.rule_id,
            earliest=_iso(item.earliest),
            target=_iso(item.target),
            latest=_iso(item.latest),
            verdict=verdict(item, case.as_of),
            knowledge=item.knowledge.value,
            binds="yes" if id(item) in binds else "no",
            interval=item.interval,
            counts_from=item.basis.text,
            clause=item.clause,
            source=item.source,
            source_status=item.source_status,
            why="\n".join(item.why),
            findings=doubtful,
            doubts=" ".join([*case.doubts, *idle[item.table_key]]),
        )
        for item in found
    ]


def idle_records(history: Sequence[Done], table: IntervalTable) -> list[str]:
    """Sentences on records that move no date of ``table``, so that nobody takes them for counted."""
    counted = {*table.by_task, *(reset.done for reset in table.resets), *table.failure_ends_life}
    wanted = " and ".join(TASK_LABELS[task].lower() for task in table.by_task)
    return [
        f"{TASK_LABELS[done.task]} of {done.stamp}: moves no date of {table.key}, which counts {wanted}."
        for done in history
        if done.task not in counted
    ]


def verdict(item: Obligation, on: date) -> str:
    """Return how an obligation stands on the day ``on``, in words."""
    if item.latest is None or item.knowledge.value == "unknown_basis":
        return KNOWLEDGE_LABELS[item.knowledge]
    if item.is_overdue(on):
        return "Overdue"
    return "Due" if item.is_due(on) else "In date"


def _iso(day: date | None) -> str:
    return day.isoformat() if day else ""


# --- reading ---------------------------------------------------------------------------------------


def read_cases(
    rows: Iterable[tuple[int, Mapping[str, str]]],
    shipped: Mapping[str, Sequence[IntervalTable]],
    *,
    as_of: date,
    table: str = "",
) -> tuple[list[Case], list[CellError]]:
    """Return the cases of ``rows`` (number in the file, cell by column) and every cell that is wrong.

    ``as_of`` is the day for rows that name none; ``table`` (``KEY`` or ``KEY@VERSION``) takes the
    place of the columns ``table`` and ``edition``. Rows without any text are passed over.
    """
    cases: list[Case] = []
    errors: list[CellError] = []
    order = {name: place for place, name in enumerate(COLUMNS)}
    for number, row in rows:
        if not any(text.strip() for text in row.values()):
            continue
        reader = _Row(number, row, shipped, as_of, table)
        case = reader.read()
        errors += sorted(reader.errors, key=lambda error: order[error.column])
        if case is not None:
            cases.append(case)
    return cases, errors


def check_columns(names: Sequence[str]) -> None:
    """Raise ``CellError`` for a heading that is not known, missing or told twice."""
    for name in names:
        if name not in COLUMNS:
            raise CellError(1, name, f"is not a column known here. Use {', '.join(COLUMNS)}.")
        if names.count(name) > 1:
            raise CellError(1, name, "comes twice. Keep one of the two.")
    if "agent" not in names:
        raise CellError(1, "agent", "is missing. The first row names the columns; add at least agent.")


class _Row:
    """One row being read; ``errors`` gathers what is wrong with it."""

    def __init__(
        self,
        number: int,
        row: Mapping[str, str],
        shipped: Mapping[str, Sequence[IntervalTable]],
        as_of: date,
        table: str,
    ) -> None:
        self.number = number
        self.cells = {name: " ".join((text or "").split()) for name, text in row.items()}
        self.shipped = shipped
        self.as_of = as_of
        self.table = table
        self.errors: list[CellError] = []
        self.doubts: list[str] = []

    def read(self) -> Case | None:
        as_of = self._day("as_of", self.as_of)
        self.as_of = as_of
        charge = self._measure("charge", Dimension.MASS, Dimension.VOLUME)
        # Stamped as the water it holds, and cut at 12 lb of it by rules: a gram is a millilitre.
        capacity = self._measure("water_capacity", Dimension.VOLUME, Dimension.MASS)
        mass = charge if charge is not None and charge.dimension is Dimension.MASS else None
        volume = charge if charge is not None and charge.dimension is Dimension.VOLUME else None
        if self._text("installed") and self._text("commissioned"):
            self._wrong("installed", "commissioned says the same. Leave one of the two empty.")
        commissioned = "installed" if self._text("installed") else "commissioned"
        agent = self._code("agent", Agent, AGENT_LABELS, Agent.UNKNOWN)
        construction = self._code("construction", Construction, CONSTRUCTION_LABELS, Construction.UNKNOWN)
        shell = self._code("shell", Shell, SHELL_LABELS, Shell.UNKNOWN)
        environment = self._code("environment", Environment, ENVIRONMENT_LABELS, Environment.NORMAL)
        stamps = {name: self._stamp(name) for name in ("made", "sold", "first_test", commissioned)}
        wheeled, refillable = self._flag("wheeled"), self._flag("refillable")
        hose = self._flag("hose_shutoff")
        history = self._records()
        events = self._events()
        tables = self._tables()
        if self.errors:
            return None
        return Case(
            name=self._text("case") or f"row {self.number}",
            row=self.number,
            facts=UnitFacts(
                agent,
                construction,
                shell,
                cylinder_spec=self._text("cylinder_spec"),
                water_capacity_ml=None if capacity is None else round(capacity.canonical),
                charge_mass_g=None if mass is None else round(mass.mass_g),
                charge_volume_ml=None if volume is None else round(volume.volume_ml),
                is_wheeled=bool(wheeled),
                is_refillable=refillable,
                environment=environment,
                has_shutoff_hose=hose,
                made=stamps["made"],
                first_test=stamps["first_test"],
                commissioned=stamps[commissioned],
                sold=stamps["sold"],
                registered=as_of,
            ),
            history=history,
            events=events,
            as_of=as_of,
            tables=tables,
            doubts=tuple(self.doubts),
        )

    # -- one cell

    def _text(self, name: str) -> str:
        return self.cells.get(name, "")

    def _wrong(self, name: str, sentence: str) -> None:
        self.errors.append(CellError(self.number, name, sentence))

    def _code(self, name: str, kind: type[_Code], labels: Mapping[_Code, str], empty: _Code) -> _Code:
        text = self._text(name)
        found = _coded(text, kind, labels)
        if text and found is None:
            self._wrong(name, f'"{text}" is not known. Use one of {_listed(kind)}.')
        return empty if found is None else found

    def _flag(self, name: str) -> bool | None:
        text = self._text(name).lower()
        if text in _YES:
            return True
        if text in _NO:
            return False
        if text not in ("", "?", "unknown"):
            self._wrong(name, f'"{text}" is neither yes nor no. Write yes, no, or leave it empty.')
        return None

    def _measure(self, name: str, *dimensions: Dimension) -> Measure | None:
        text = self._text(name)
        if text in ("", "?") or text.lower() == "unknown":
            return None
        try:
            reading = read_measure(text, dimensions=dimensions)
        except MeasureError as problem:
            self._wrong(name, problem.sentence)
            return None
        if reading.measure.canonical < 0:
            self._wrong(name, f'"{text}" lies below zero. Write what is printed.')
            return None
        self.doubts += reading.doubts
        return reading.measure

    def _stamp(self, name: str, text: str | None = None) -> Stamp:
        text = self._text(name) if text is None else text
        try:
            reading = self._read_stamp(text)
        except StampError as problem:
            self._wrong(name, problem.sentence)
            return Stamp.unknown(text)
        return reading

    def _read_stamp(self, text: str) -> Stamp:
        try:
            reading = read_stamp(text, today=self.as_of)
        except StampError as problem:
            if problem.code != "future":
                raise
            # The engine knows what to make of a date after the day judged on, and says so.
            reading = read_stamp(text, today=min(self.as_of, date.max - _FAR_AHEAD) + _FAR_AHEAD)
        self.doubts += reading.doubts
        return reading.stamp

    def _day(self, name: str, empty: date) -> date:
        text = self._text(name)
        if not text:
            return empty
        try:
            return date.fromisoformat(text)
        except ValueError:
            self._wrong(name, f'"{text}" is not a day. Write it as 2026-11-25.')
            return empty

    # -- lists in one cell

    def _entries(self, name: str, most: int) -> list[list[str]]:
        found = []
        for entry in self._text(name).split(";"):
            parts = [part.strip() for part in entry.split(":")]
            if not entry.strip():
                continue
            if not 2 <= len(parts) <= most:
                self._wrong(name, f'"{entry.strip()}" does not read as {COLUMNS[name].partition("; ")[0]}.')
                continue
            found.append(parts)
        return found

    def _records(self) -> tuple[Done, ...]:
        found = []
        for place, parts in enumerate(self._entries("records", 4), 1):
            task_text, stamp_text, method_text, passed_text = (*parts, "", "")[:4]
            task = _coded(task_text, Task, TASK_LABELS)
            if task is None:
                self._wrong("records", f'"{task_text}" is not a task. Use one of {_listed(Task)}.')
            method = _coded(method_text, TestMethod, {}) if method_text else TestMethod.UNKNOWN
            if method is None:
                self._wrong("records", f'"{method_text}" is not a method. Use one of {_listed(TestMethod)}.')
            passed = passed_text.lower()
            if passed and passed not in _YES | _NO:
                self._wrong(
                    "records", f'"{passed_text}" is neither yes nor no. Write yes if it passed, or no.'
                )
            stamp = self._stamp("records", stamp_text)
            if task is not None and method is not None:
                found.append(Done(task, stamp, method, passed not in _NO, ref=f"record {place}"))
        return tuple(found)

    def _events(self) -> tuple[Event, ...]:
        found = []
        for kind_text, day_text in self._entries("events", 2):
            kind = _coded(kind_text, EventKind, EVENT_LABELS)
            if kind is None:
                self._wrong("events", f'"{kind_text}" is not an event. Use one of {_listed(EventKind)}.')
            try:
                day = date.fromisoformat(day_text)
            except ValueError:
                self._wrong("events", f'"{day_text}" is not a day. Write it as 2026-11-25.')
                continue
            if kind is not None:
                found.append(Event(kind, day))
        return tuple(found)

    def _tables(self) -> tuple[IntervalTable, ...]:
        found: list[IntervalTable] = []
        names = [part.strip() for part in (self.table or self._text("table")).split(";") if part.strip()]
        edition = "" if self.table else self._text("edition")
        if not names:
            self._wrong("table", f"is empty. Name an interval table: {', '.join(sorted(self.shipped))}.")
        if edition and len(names) > 1:
            self._wrong("edition", "goes with one table. Write KEY@VERSION in the column table instead.")
        for name in names:
            key, _, version = name.partition("@")
            version = version or edition
            editions = self.shipped.get(key, ())
            chosen = [table for table in editions if version in ("", table.version)]
            if not editions:
                self._wrong("table", f'"{key}" is not shipped. Use one of {", ".join(sorted(self.shipped))}.')
            elif not chosen:
                known = ", ".join(table.version for table in editions)
                place = "edition" if edition and version == edition else "table"
                self._wrong(place, f'{key} has no version "{version}". Use one of {known}.')
            found += [table for table in chosen if table not in found]
        return tuple(found)


def _coded(text: str, kind: type[_Code], labels: Mapping[_Code, str]) -> _Code | None:
    """Return the code that ``text`` writes out or labels, in any case, or ``None``."""
    wanted = _plain(text)
    if not wanted:
        return None
    return next((code for code in kind if wanted in (code.value, _plain(labels.get(code, "")))), None)


def _plain(words: str) -> str:
    return words.strip().lower().replace("-", "_").replace(" ", "_")


def _listed(kind: type[StrEnum]) -> str:
    return ", ".join(code.value for code in kind if code.value)
