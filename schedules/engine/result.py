"""What the engine answers: obligations with their reasons, and findings about the records."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp


class Knowledge(StrEnum):
    """How well an obligation is known."""

    KNOWN = "known"
    ASSUMED_SAFE_SIDE = "assumed_safe_side"
    """Something was not known exactly; the reading that gives the earlier date was taken."""
    UNKNOWN_BASIS = "unknown_basis"
    """The date it counts from is not known: due now."""
    ON_EVENT = "on_event"
    """No date: due when something happens that has not happened."""
    UNCOVERED = "uncovered"
    """No rule of the table covers this kind of unit: a finding for the manager."""
    BARRED = "barred"
    """The task must not be done on this unit."""
    ENDED = "ended"
    """Nothing more is demanded: the unit's life ends first, or the last step is done."""
    EXEMPT = "exempt"
    """The table says that the task is not demanded of this kind."""


KNOWLEDGE_LABELS: dict[Knowledge, str] = {
    Knowledge.KNOWN: "Known",
    Knowledge.ASSUMED_SAFE_SIDE: "Assumed, on the safe side",
    Knowledge.UNKNOWN_BASIS: "Basis unknown: due now",
    Knowledge.ON_EVENT: "When something happens",
    Knowledge.UNCOVERED: "No rule covers this kind",
    Knowledge.BARRED: "Must not be done",
    Knowledge.ENDED: "No longer demanded",
    Knowledge.EXEMPT: "Not demanded",
}


@dataclass(frozen=True, slots=True)
class Basis:
    """What a date counts from. ``kind`` is ``made``, ``done:recharge``, ``event:discharged`` and so on."""

    kind: str
    stamp: Stamp
    text: str
    ref: str = ""
    evidence: str = ""


NO_BASIS = Basis("none", Stamp.unknown(), "nothing known")


@dataclass(frozen=True, slots=True)
class Finding:
    """Something wrong or doubtful in the facts or records, in words, with what was done about it.

    ``task`` is empty when it concerns the whole unit. ``ref`` is that of the record.
    """

    code: str
    text: str
    task: str = ""
    ref: str = ""


@dataclass(frozen=True, slots=True)
class Obligation:
    """What one table demands of one unit for one task.

    ``target`` is when the work is meant to be done, ``latest`` the last day on which it is in
    time, ``earliest`` the first day on which doing it counts for this date. All are civil dates at
    the unit's site, or ``None`` where no date exists; ``knowledge`` says why.

    ``deferred_until`` is not empty where the table lets a full unit stay as it is past the date:
    it is then never overdue, but must not be filled again before the work. ``covered_by`` names a
    heavier task of the same table that falls due no later and restarts this one.
    """

    table_key: str
    table_version: str
    task: Task
    rule_id: str
    earliest: date | None
    target: date | None
    latest: date | None
    knowledge: Knowledge
    interval: str
    basis: Basis
    clause: str
    source: str
    source_status: str
    why: tuple[str, ...]
    recheck_on: date | None = None
    called: str = ""
    conflicts: tuple[Finding, ...] = ()
    deferred_until: str = ""
    covered_by: str = ""

    def is_due(self, on: date) -> bool:
        """Return whether the work is owed on the day ``on``: from its target on, overdue included."""
        return self.target is not None and on >= self.target

    def is_overdue(self, on: date) -> bool:
        """Return whether the day ``on`` lies past the latest day."""
        return self.latest is not None and on > self.latest and not self.deferred_until


def binding(obligations: Iterable[Obligation]) -> dict[Task, Obligation]:
    """Return for each task the obligation that binds: the one with the earliest latest day.

    Each table keeps its own verdict; this only names the one that comes first, and its
    ``table_key`` says whose it is. An obligation that may be deferred binds only where no other
    does. Tasks without any date are left out. Equal days go to the first table key.
    """
    found: dict[Task, Obligation] = {}
    for item in obligations:
        if item.latest is None:
            continue
        held = found.get(item.task)
        if held is None or _rank(item) < _rank(held):
            found[item.task] = item
    return found


def _rank(item: Obligation) -> tuple[bool, date, str, str, str]:
    return (
        bool(item.deferred_until),
        item.latest or date.max,
        item.table_key,
        item.table_version,
        item.rule_id,
    )
