"""The demo register: what it promises to hold, and that anyone can make it again."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from runpy import run_path

from inventory.measures.kinds import Agent, Construction
from schedules.rules import load_tables
from servicedesk.exchange.reading import RegisterReading, read_register

DEMO = Path(__file__).parents[3] / "fixtures" / "demo"
ON = date(2026, 11, 25)


@cache
def register_of(day: date) -> bytes:
    """Return what the script writes for ``day``."""
    text: str = run_path(str(DEMO / "make_register.py"), run_name="make_register")["make_register"](day)
    return text.encode()


@cache
def reading() -> RegisterReading:
    return read_register(
        (DEMO / "register.csv").read_bytes(),
        now=datetime(2026, 11, 25, 15, tzinfo=UTC),
        known_tables=load_tables(),
    )


def test_the_committed_file_is_what_the_script_writes() -> None:
    assert register_of(ON) == (DEMO / "register.csv").read_bytes()


def test_size_and_kinds() -> None:
    rows = reading().rows
    assert len({row.site_code for row in rows}) >= 64
    assert len({row.owner_name for row in rows}) == 15
    assert len(rows) >= 1_600
    known = Counter(
        (row.agent, row.construction, row.charge_text)
        for row in rows
        if row.agent is not Agent.UNKNOWN
        and row.construction is not Construction.UNKNOWN
        and " " in row.charge_text
    )
    assert len(known) >= 20
    assert {agent for agent, _, _ in known} == {
        Agent.DRY_CHEMICAL_ABC,
        Agent.DRY_CHEMICAL_BC,
        Agent.DRY_POWDER_D,
        Agent.WET_CHEMICAL,
        Agent.CARBON_DIOXIDE,
        Agent.WATER,
        Agent.FOAM,
        Agent.AFFF,
        Agent.CLEAN_AGENT,
    }
    in_india = len({row.site_code for row in rows if row.time_zone == "Asia/Kolkata"})
    assert 0.25 <= in_india / len({row.site_code for row in rows}) <= 0.35


def test_every_site_can_be_planned_for() -> None:
    for row in reading().rows:
        assert row.latitude is not None
        assert row.access_windows
        assert row.tables
        assert row.owner_email.endswith(".example")


def test_the_rows_that_no_import_may_take() -> None:
    refused = {(finding.row, finding.code) for finding in reading().refusals}
    assert refused == {
        (139, "impossible"),
        (404, "future"),
        (657, "unknown_agent"),
        (862, "before_manufacture"),
        (1103, "missing_value"),
        (1504, "impossible"),
    }
    assert reading().to_import() == ()
    assert len(reading().to_import(accept_rest=True)) == reading().row_count - 6


def test_the_dirt_of_ten_years() -> None:
    assert {finding.code for finding in reading().doubts} >= {
        "ambiguous_agent",
        "date_order",
        "day_month_order",
        "duplicate_serial",
        "location_shared",
        "missing_agent",
        "missing_construction",
        "missing_date",
        "missing_shell",
        "month_only",
        "no_serial",
        "no_unit",
        "quarter_only",
        "site_conflict",
        "spreadsheet_serial",
        "two_digit_year",
        "unknown_date",
        "year_only",
    }


def test_most_is_in_date_some_falls_due_and_a_little_is_late() -> None:
    late = soon = known = 0
    for row in reading().rows:
        if row.last_maintenance.first is None:
            continue
        known += 1
        due = row.last_maintenance.first + timedelta(days=183 if row.tables == ("in-is-2190",) else 365)
        late += due < ON
        soon += ON <= due <= ON + timedelta(days=90)
    assert 0.005 < late / known < 0.05
    assert 0.15 < soon / known < 0.5


def test_the_script_serves_another_day() -> None:
    later = date(2027, 8, 1)
    data = register_of(later)
    again = read_register(data, now=datetime(2027, 8, 1, 18, tzinfo=UTC), known_tables=load_tables())
    assert again.row_count >= 1_600
    assert Counter(finding.code for finding in again.refusals)["future"] == 1
    assert len(again.refused_rows) == 6
    assert data != (DEMO / "register.csv").read_bytes()
