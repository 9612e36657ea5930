"""What a change of the rulebook or of units' facts would do to dates, before anything takes effect.

A proposal is a ``Standing`` (``schedules.rulebook.books``) with a row more or less. The dates of the
units concerned are worked out under what stands and under the proposal, in memory and in batches;
nothing is written. Dates are those that bind: the first among a unit's tables for each task.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from inventory.measures.kinds import AGENT_LABELS, CONSTRUCTION_LABELS, SHELL_LABELS, Task
from inventory.register.models import Unit
from schedules.due.inmemory import Batch, batches, units_at
from schedules.due.queries import UnitInput
from schedules.engine import Knowledge, UnitFacts
from schedules.engine.fleet import KNOWLEDGES, TASKS, Answers, day_of
from schedules.rulebook.books import Rulebook, Standing, owners_of, rulebooks
from schedules.rules import IntervalTable

SAMPLE = 200
"""Moves that a preview keeps for the page; the file holds all."""


class Change(StrEnum):
    """What becomes of one task of one unit."""

    EARLIER = "earlier"
    LATER = "later"
    ADDED = "added"
    DROPPED = "dropped"
    UNCOVERED = "uncovered"


CHANGE_LABELS: dict[Change, str] = {
    Change.EARLIER: "Earlier",
    Change.LATER: "Later",
    Change.ADDED: "Newly demanded",
    Change.DROPPED: "No longer demanded",
    Change.UNCOVERED: "Newly without a rule",
}


@dataclass(frozen=True, slots=True)
class Move:
    """One task of one unit that the proposal changes; tables are those that bind before and after."""

    unit_id: int
    unit: str
    site_id: int
    task: Task
    change: Change
    old_on: date | None
    new_on: date | None
    old_table: IntervalTable | None
    new_table: IntervalTable | None
    is_newly_overdue: bool


@dataclass(frozen=True, slots=True)
class Gap:
    """A kind of unit present that a table, as proposed, has no rule for; how many units are of it."""

    table: IntervalTable
    task: Task
    kind: str
    units: int


@dataclass(slots=True)
class SiteCount:
    """What happens at one site, in tasks of units, and how many units are touched."""

    site_id: int
    counts: Counter[Change] = field(default_factory=Counter)
    newly_overdue: int = 0
    units: int = 0

    @property
    def earlier(self) -> int:
        """Dates that come sooner."""
        return self.counts[Change.EARLIER]

    @property
    def later(self) -> int:
        """Dates that move away."""
        return self.counts[Change.LATER]

    @property
    def added(self) -> int:
        """Dates where none was."""
        return self.counts[Change.ADDED]

    @property
    def dropped(self) -> int:
        """Dates that fall away."""
        return self.counts[Change.DROPPED]

    @property
    def uncovered(self) -> int:
        """Tasks that a table must answer for and has no rule for, where it was not so before."""
        return self.counts[Change.UNCOVERED]


@dataclass(slots=True)
class Preview:
    """The consequences of a proposal: totals, sites with the gravest first, gaps, and some moves."""

    units_looked_at: int = 0
    total: SiteCount = field(default_factory=lambda: SiteCount(0))
    sites: list[SiteCount] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    sample: list[Move] = field(default_factory=list)

    @property
    def is_nothing(self) -> bool:
        """Whether no date moves and nothing becomes uncovered."""
        return not self.total.counts


def preview(now_stands: Standing, proposed: Standing, site_ids: Iterable[int], *, at: datetime) -> Preview:
    """Return what ``proposed`` would change against ``now_stands`` at these sites on the day of ``at``."""
    gaps: Counter[tuple[IntervalTable, Task, str]] = Counter()
    found = _counted(_compared(now_stands, proposed, site_ids, at=at, gaps=gaps))
    found.gaps = [
        Gap(table, task, kind, number)
        for (table, task, kind), number in sorted(
            gaps.items(), key=lambda item: (item[0][0].key, item[0][0].version, item[0][1], item[0][2])
        )
    ]
    return found


def preview_units(
    unit_ids: Iterable[int],
    *,
    at: datetime,
    altered: Callable[[UnitInput], UnitInput] = lambda item: item,
    new_books: Mapping[int, Rulebook] | None = None,
) -> Preview:
    """Return what would change at ``at`` if these units were as ``altered`` says.

    ``altered`` may change facts, history, site and time zone; ``new_books`` are rulebooks of sites that
    would have others than now. Nothing is written.
    """
    return _counted(_altered(unit_ids, at=at, altered=altered, new_books=new_books or {}))


def _counted(found_moves: Iterable[tuple[Batch, list[Move]]]) -> Preview:
    sites: dict[int, SiteCount] = {}
    found = Preview()
    for batch, moves in found_moves:
        found.units_looked_at += len(batch.units)
        touched: set[int] = set()
        for move in moves:
            for count in (found.total, sites.setdefault(move.site_id, SiteCount(move.site_id))):
                count.counts[move.change] += 1
                count.newly_overdue += move.is_newly_overdue
                count.units += move.unit_id not in touched
            touched.add(move.unit_id)
            if len(found.sample) < SAMPLE:
                found.sample.append(move)
    found.sites = sorted(
        sites.values(), key=lambda s: (-s.newly_overdue, -s.uncovered, -s.earlier - s.added, s.site_id)
    )
    return found


def _altered(
    unit_ids: Iterable[int],
    *,
    at: datetime,
    altered: Callable[[UnitInput], UnitInput],
    new_books: Mapping[int, Rulebook],
) -> Iterator[tuple[Batch, list[Move]]]:
    for batch in batches(unit_ids, at):
        units = [altered(item) for item in batch.units]
        days = [at.astimezone(ZoneInfo(item.time_zone)).date() for item in units]
        other = Batch(units, days)
        books = rulebooks({item.site_id for item in (*batch.units, *units)})
        yield batch, list(_moves(batch, _read(batch, books), _read(other, {**books, **new_books})))


def moves(
    now_stands: Standing, proposed: Standing, site_ids: Iterable[int], *, at: datetime
) -> Iterator[Move]:
    """Every move that ``preview`` counts, by unit, in bounded memory: for a file."""
    for _, found in _compared(now_stands, proposed, site_ids, at=at, gaps=Counter()):
        yield from found


# --- comparing -------------------------------------------------------------------------------------


def _compared(
    now_stands: Standing,
    proposed: Standing,
    site_ids: Iterable[int],
    *,
    at: datetime,
    gaps: Counter[tuple[IntervalTable, Task, str]],
) -> Iterator[tuple[Batch, list[Move]]]:
    owner_of = owners_of(site_ids)
    old_books, new_books = now_stands.books(owner_of), proposed.books(owner_of)
    # A site whose rulebook stays the same cannot have a date that moves.
    touched = [site_id for site_id in owner_of if old_books[site_id] != new_books[site_id]]
    for batch in batches(units_at(touched), at):
        old, new = _read(batch, old_books), _read(batch, new_books)
        _note_gaps(batch, new, old_books, gaps)
        yield batch, list(_moves(batch, old, new))


@dataclass(frozen=True, slots=True)
class _Row:
    latest: date | None
    table: IntervalTable
    is_overdue: bool


@dataclass(frozen=True, slots=True)
class _Reading:
    """Binding rows by unit and task, and what is uncovered by unit, task and table."""

    bound: dict[tuple[int, int], _Row]
    uncovered: dict[tuple[int, int, str], IntervalTable]


def _read(batch: Batch, books: Mapping[int, Rulebook]) -> _Reading:
    answers: Answers = batch.answers(books)
    uncovered: dict[tuple[int, int, str], IntervalTable] = {}
    bound: dict[tuple[int, int], _Row] = {}
    binding = answers.binding()
    columns = zip(
        answers.unit.tolist(),
        answers.task.tolist(),
        answers.table.tolist(),
        answers.knowledge.tolist(),
        answers.latest.tolist(),
        answers.is_deferred.tolist(),
        binding.tolist(),
        strict=True,
    )
    for unit, task, place, knowledge, latest, is_deferred, is_binding in columns:
        table = answers.tables[place]
        if KNOWLEDGES[knowledge] is Knowledge.UNCOVERED:
            uncovered[unit, task, table.key] = table
        if is_binding:
            on = day_of(latest)
            late = on is not None and on < batch.days[unit] and not is_deferred
            bound[unit, task] = _Row(on, table, late)
    return _Reading(bound, uncovered)


def _moves(batch: Batch, old: _Reading, new: _Reading) -> Iterator[Move]:
    found: list[tuple[int, int, Change, _Row | None, _Row | None]] = []
    for key in old.bound.keys() | new.bound.keys():
        before, after = old.bound.get(key), new.bound.get(key)
        change = _change(before.latest if before else None, after.latest if after else None)
        if change is not None:
            found.append((*key, change, before, after))
    for unit, task, table_key in new.uncovered.keys() - old.uncovered.keys():
        table = new.uncovered[unit, task, table_key]
        found.append(
            (unit, task, Change.UNCOVERED, old.bound.get((unit, task)), _Row(None, table, is_overdue=False))
        )
    numbers = dict(
        Unit.objects.filter(pk__in={batch.units[row[0]].unit_id for row in found}).values_list("pk", "number")
    )
    for unit, task, change, before, after in sorted(found, key=lambda row: row[:3]):
        item = batch.units[unit]
        yield Move(
            unit_id=item.unit_id,
            unit=numbers[item.unit_id],
            site_id=item.site_id,
            task=TASKS[task],
            change=change,
            old_on=before.latest if before else None,
            new_on=after.latest if after else None,
            old_table=before.table if before else None,
            new_table=after.table if after else None,
            is_newly_overdue=bool(after and after.is_overdue and not (before and before.is_overdue)),
        )


def _change(old: date | None, new: date | None) -> Change | None:
    if old == new:
        return None
    if old is None:
        return Change.ADDED
    if new is None:
        return Change.DROPPED
    return Change.EARLIER if new < old else Change.LATER


def _note_gaps(
    batch: Batch,
    new: _Reading,
    old_books: Mapping[int, Rulebook],
    gaps: Counter[tuple[IntervalTable, Task, str]],
) -> None:
    """Count the kinds that a table new to their site has no rule for."""
    had: dict[int, set[IntervalTable]] = defaultdict(set)
    for (unit, task, _), table in new.uncovered.items():
        item = batch.units[unit]
        if item.site_id not in had:
            had[item.site_id] = set(old_books[item.site_id].tables)
        if table not in had[item.site_id]:
            gaps[table, TASKS[task], kind_words(item.facts)] += 1


def kind_words(facts: UnitFacts) -> str:
    """A kind of unit in the words of the trade."""
    words = [
        AGENT_LABELS[facts.agent],
        CONSTRUCTION_LABELS[facts.construction].lower(),
        SHELL_LABELS[facts.shell].lower(),
    ]
    if facts.cylinder_spec:
        words.append(f"specification {facts.cylinder_spec}")
    if facts.is_wheeled:
        words.append("wheeled")
    return ", ".join(words)
