"""Legal clocks: the file, the arithmetic, which apply where."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from servicedesk.notices.clocks import ClockError, clocks, clocks_at, read_clocks

FRIDAY_EVENING = datetime(2026, 11, 27, 23, 30, tzinfo=UTC)  # Friday, 17:30 in Chicago
ROW = {
    "code": "x",
    "event": "critical_defect",
    "to": "owner",
    "within": {"hours": 24},
    "action": "Tell.",
    "source": "common practice, no source",
    "read": "MEMORY",
}


def of(code):
    return next(clock for clock in clocks() if clock.code == code)


def test_every_shipped_clock_names_source_and_how_it_was_read():
    assert all(clock.source and clock.action for clock in clocks())
    assert {clock.read for clock in clocks()} <= {"PRIMARY", "SECONDARY", "MEMORY"}


def test_hours_run_from_the_instant():
    """24 hours to the authority: 28 Texas Administrative Code 34.521, read on a secondary page."""
    due = of("us-tx-impaired-authority").due_at(FRIDAY_EVENING, "America/Chicago")
    assert due == FRIDAY_EVENING + timedelta(hours=24)


def test_business_days_skip_the_weekend_and_end_with_the_day_there():
    """Three business days: 28 Texas Administrative Code 34.521, read on a secondary page."""
    due = of("us-tx-impaired-copy").due_at(FRIDAY_EVENING, "America/Chicago")
    # Monday, Tuesday, Wednesday 2 December; midnight in Chicago is 06:00 UTC.
    assert due == datetime(2026, 12, 3, 6, tzinfo=UTC)


def test_days_are_those_of_the_site():
    # In Hong Kong it is Saturday 28 November already; 14 days later ends the 12th.
    due = of("hk-certificate").due_at(FRIDAY_EVENING, "Asia/Hong_Kong")
    assert due == datetime(2026, 12, 12, 16, tzinfo=UTC)


def test_a_place_with_its_own_clocks_leaves_out_the_common_ones():
    assert [c.code for c in clocks_at("AU", "Victoria", "critical_defect")] == ["au-critical-written"]
    assert [c.code for c in clocks_at("NZ", "", "critical_defect")] == ["any-critical-owner"]
    assert {c.code for c in clocks_at("US", " texas ", "critical_defect")} == {
        "us-tx-impaired-owner",
        "us-tx-impaired-authority",
        "us-tx-impaired-copy",
    }
    assert [c.code for c in clocks_at("US", "Ohio", "critical_defect")] == ["any-critical-owner"]
    assert clocks_at("US", "Ohio", "visit_closed") == []


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"event": "fire"}, "event: 'fire' is none of"),
        ({"within": {"weeks": 1}}, "within: give one of hours"),
        ({"within": {"hours": -1}}, "is not a whole number"),
        ({"colour": "red"}, "unknown field colour"),
        ({"read": "HEARSAY"}, "read: 'HEARSAY'"),
    ],
)
def test_a_wrong_clock_is_named_with_field_and_remedy(change, told):
    with pytest.raises(ClockError, match=r"own\.toml, clock x") as error:
        read_clocks({"clock": [ROW | change]}, "own.toml")
    assert told in str(error.value)


def test_a_missing_field_and_a_code_used_twice_are_named():
    with pytest.raises(ClockError, match="the field action is missing"):
        read_clocks({"clock": [{k: v for k, v in ROW.items() if k != "action"}]}, "own.toml")
    with pytest.raises(ClockError, match="used twice"):
        read_clocks({"clock": [ROW, ROW]}, "own.toml")
