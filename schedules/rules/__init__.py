"""Interval tables: which work falls due when, on which kind of unit, and where that is written.

Purpose: the rules of the trade as data, one file per edition of one document for one place,
readable by someone who knows the document. Guarantee: a table that loads has no unknown field, no
kind outside the closed vocabularies, and no two rules that both apply to a unit and task without
an order between them; a file that does not is refused by a ``TableError`` naming file, rule, field
and remedy. Shipped tables are defaults to confirm against local code, and every rule says how its
source was read.

>>> table = load_tables()["us-osha-1910-157"][-1]
>>> rule = table.rule("test.carbon_dioxide")
>>> rule.interval_words, rule.clause, rule.source_status.value
('every 5 years', 'Table L-1', 'PRIMARY')
"""

from __future__ import annotations

from schedules.rules.loader import AGENT_GROUPS, TableError, gather, load_table_file, load_tables, read_table
from schedules.rules.period import Period
from schedules.rules.specs import spec_family
from schedules.rules.table import (
    STATEMENT,
    STATUS_WORDS,
    Anchor,
    AnchorKind,
    Conventions,
    Counts,
    DayRange,
    Effect,
    IntervalTable,
    MonthMark,
    Quota,
    Range,
    Reset,
    Rule,
    Selector,
    SourceStatus,
    Window,
    Within,
)
from schedules.rules.vary import Variation, vary

__all__ = [
    "AGENT_GROUPS",
    "STATEMENT",
    "STATUS_WORDS",
    "Anchor",
    "AnchorKind",
    "Conventions",
    "Counts",
    "DayRange",
    "Effect",
    "IntervalTable",
    "MonthMark",
    "Period",
    "Quota",
    "Range",
    "Reset",
    "Rule",
    "Selector",
    "SourceStatus",
    "TableError",
    "Variation",
    "Window",
    "Within",
    "gather",
    "load_table_file",
    "load_tables",
    "read_table",
    "spec_family",
    "vary",
]
