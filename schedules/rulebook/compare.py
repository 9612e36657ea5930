"""What differs between two tables: editions, versions, or a table and how a place varies it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from schedules.rules import IntervalTable, Period, Rule

FIELD_WORDS: Mapping[str, str] = {
    "task": "Task",
    "called": "Called",
    "clause": "Clause",
    "every": "Interval",
    "first": "First interval",
    "every_by_method": "Interval by method of the last test",
    "anchors": "First counted from",
    "counts": "Next counted from",
    "window": "Window",
    "align_to": "Aligned to",
    "only_if_interval": "Only where the interval of another task is",
    "interval_of": "Takes the interval of",
    "only_after": "Only after",
    "at_most": "At most, times",
    "at_filling": "Owed only at the next filling",
    "at_ages": "Once at the ages",
    "early": "Counts how long before the age",
    "on": "On the day",
    "with_next": "With the next",
    "on_events": "When this happens",
    "due_within": "Due within",
    "covered_before": "Covered by work before",
    "retires": "Ends the life",
    "grace_until": "Grace until",
    "exempt": "Not demanded",
    "bars_on": "Not allowed after",
    "select": "For which units",
    "priority": "Rank among rules",
    "also": "On top of other rules",
    "assumed": "Assumed",
    "notes": "Notes",
    "source": "Source",
    "source_status": "How the source was read",
    "source_note": "Note on the source",
    "valid_from": "Valid from",
    "valid_until": "Valid until",
}
TABLE_WORDS: Mapping[str, str] = {
    "document": "Document",
    "edition": "Edition",
    "title": "Title",
    "jurisdiction": "Applies in",
    "regime": "Regime",
    "valid_from": "Valid from",
    "valid_until": "Valid until",
    "covers": "Tasks that every unit must have a rule for",
    "failure_ends_life": "Failing ends the life",
    "conventions": "Conventions",
    "reset": "What restarts which clock",
    "quota": "Demands on groups",
    "notes": "Notes",
}


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One field that differs; an empty text means that it is not there."""

    name: str
    label: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class RuleChange:
    """A rule in both tables that differs, field by field."""

    old: Rule
    new: Rule
    fields: tuple[FieldChange, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """What differs between ``old`` and ``new``; rules are matched by id."""

    old: IntervalTable
    new: IntervalTable
    added: tuple[Rule, ...]
    removed: tuple[Rule, ...]
    changed: tuple[RuleChange, ...]
    table: tuple[FieldChange, ...]
    same: int

    @property
    def is_nothing(self) -> bool:
        """Whether the two say the same."""
        return not (self.added or self.removed or self.changed or self.table)


def compare(old: IntervalTable, new: IntervalTable) -> Comparison:
    """Return the rules added, removed and changed from ``old`` to ``new``, in the order of the files."""
    old_raw, new_raw = _raw_rules(old), _raw_rules(new)
    changed = []
    same = 0
    for rule in new.rules:
        if rule.id not in old_raw:
            continue
        fields = _differences(old_raw[rule.id], new_raw[rule.id], FIELD_WORDS)
        if fields:
            changed.append(RuleChange(old.rule(rule.id), rule, fields))
        else:
            same += 1
    skipped = ("rule", "key", "version")
    return Comparison(
        old=old,
        new=new,
        added=tuple(rule for rule in new.rules if rule.id not in old_raw),
        removed=tuple(rule for rule in old.rules if rule.id not in new_raw),
        changed=tuple(changed),
        table=_differences(
            {name: value for name, value in old.raw.items() if name not in skipped},
            {name: value for name, value in new.raw.items() if name not in skipped},
            TABLE_WORDS,
        ),
        same=same,
    )


def _raw_rules(table: IntervalTable) -> dict[str, Mapping[str, Any]]:
    return {rule["id"]: rule for rule in table.raw["rule"]}


def _differences(
    old: Mapping[str, Any], new: Mapping[str, Any], words: Mapping[str, str]
) -> tuple[FieldChange, ...]:
    names = [*words, *sorted((old.keys() | new.keys()) - words.keys())]
    return tuple(
        FieldChange(
            name,
            words.get(name, name.replace("_", " ").capitalize()),
            said(old.get(name)),
            said(new.get(name)),
        )
        for name in names
        if old.get(name) != new.get(name)
    )


def said(value: Any) -> str:
    """A value of a table file as a reader takes it; nothing for what is not there."""
    if value is None:
        return ""
    if value is True:
        return "yes"
    if value is False:
        return "no"
    if isinstance(value, Mapping):
        return "; ".join(f"{name.replace('_', ' ')}: {said(part)}" for name, part in value.items())
    if isinstance(value, list | tuple):
        joint = " | " if any(isinstance(part, Mapping) for part in value) else ", "
        return joint.join(said(part) for part in value)
    return _period_words(str(value))


def _period_words(text: str) -> str:
    try:
        return Period.parse(text).words
    except ValueError:
        return text
