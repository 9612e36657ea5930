"""Small interval tables for tests of one rule at a time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from schedules.rules import IntervalTable
from schedules.rules.loader import build_table

RULE = {
    "id": "r",
    "task": "maintenance",
    "clause": "1",
    "source": "invented for a test",
    "source_status": "MEMORY",
}


def rule(**fields: Any) -> dict[str, Any]:
    """Return the raw content of a rule; the fields not given are dull."""
    return RULE | fields


def content(*rules: dict[str, Any], **fields: Any) -> dict[str, Any]:
    """Return the raw content of a table of ``rules``."""
    return {
        "key": "test",
        "version": "1",
        "title": "Test",
        "jurisdiction": "Nowhere",
        "document": "Test document",
        "edition": "first",
        "regime": "workplace",
        "valid_from": date(2000, 1, 1),
        "covers": sorted({one["task"] for one in rules}),
        "rule": list(rules),
    } | fields


def table(*rules: dict[str, Any], **fields: Any) -> Sequence[IntervalTable]:
    """Return one small table, as the engine takes it."""
    return [build_table(content(*rules, **fields), "test.toml")]
