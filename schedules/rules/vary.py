"""A site's own variation of a shipped table.

Shipped tables are never edited. A variation changes one field of one rule (or of the conventions)
with a reason and the local authority's reference; the varied table is read again from its content
like any file, so a variation that does not fit is refused in the same words.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from schedules.rules.loader import TableError, build_table
from schedules.rules.table import IntervalTable

OFF = "off"

Value = str | int | bool | tuple[str, ...] | None


@dataclass(frozen=True, slots=True)
class Variation:
    """One changed field of one rule of a table, and why.

    ``rule_id`` is empty for a field of the conventions. ``field`` is the name used in the table
    files, ``value`` what stands there (``None`` takes the field out). ``field="off"`` with ``True``
    takes the whole rule out. ``reference`` is the local authority's; ``by`` who decided.

    Raises ``ValueError`` without a reason.
    """

    table_key: str
    rule_id: str
    field: str
    value: Value
    reason: str
    reference: str = ""
    by: str = ""

    def __post_init__(self) -> None:
        if not self.reason.strip():
            raise ValueError("Give the reason for the variation.")


def vary(table: IntervalTable, variations: Sequence[Variation]) -> IntervalTable:
    """Return ``table`` with those of ``variations`` that name its key; the table itself if none does.

    Raises ``TableError`` when a variation names a rule the table does not have, or what it makes
    of the table cannot be used.
    """
    mine = tuple(variation for variation in variations if variation.table_key == table.key)
    return _varied(table, mine) if mine else table


@lru_cache(maxsize=512)
def _varied(table: IntervalTable, variations: tuple[Variation, ...]) -> IntervalTable:
    raw = copy.deepcopy(dict(table.raw))
    name = f"{table.key} {table.version} as varied"
    told: dict[str, list[str]] = {}
    for variation in variations:
        rule_id, field = variation.rule_id, variation.field
        if rule_id:
            part = next((rule for rule in raw.get("rule", ()) if rule.get("id") == rule_id), None)
            if part is None:
                raise TableError(name, rule_id, "rule_id", "the table has no such rule; correct the id.")
        else:
            part = raw.setdefault("conventions", {})
        if field in ("id", "task"):
            raise TableError(name, rule_id, field, "cannot be varied; vary another field.")
        before = part.get(field)
        if field == OFF:
            raw["rule"].remove(part)
            continue
        if variation.value is None:
            part.pop(field, None)
        else:
            part[field] = list(variation.value) if isinstance(variation.value, tuple) else variation.value
        told.setdefault(rule_id, []).append(_sentence(variation, before))
    varied = build_table(raw, name)
    return replace(
        varied,
        rules=tuple(replace(rule, varied=tuple(told.get(rule.id, ()))) for rule in varied.rules),
        conventions=replace(varied.conventions, varied=tuple(told.get("", ()))),
    )


def _sentence(variation: Variation, before: object) -> str:
    was = f", printed: {before}" if before is not None else ""
    now = "taken out" if variation.value is None else f"{variation.value}"
    more = "".join(
        f" {word} {text}."
        for word, text in (("Authority:", variation.reference), ("By", variation.by))
        if text
    )
    return f"Varied here: {variation.field} {now}{was}. Reason: {variation.reason.rstrip('.')}.{more}"
