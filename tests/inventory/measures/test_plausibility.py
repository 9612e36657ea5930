"""The office check asks about what is unlikely, and leaves honest work alone. Thresholds: no source."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from inventory.measures.plausibility import (
    KIND_LABELS,
    THRESHOLD_WORDS,
    Before,
    Seen,
    Thresholds,
    clock_finding,
    distance_m,
    licence_finding,
    look,
    thresholds_from,
)

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def walk(count: int, step_s: float, **fields: object) -> list[Seen]:
    return [Seen(f"U-{n:03d}", AT + timedelta(seconds=step_s * n), "A. Mate", **fields) for n in range(count)]


def kinds(seen: list[Seen], **limits: float) -> list[str]:
    return [finding.kind for finding in look(seen, Thresholds(**limits))]


def test_ten_units_in_three_minutes_are_asked_about_once():
    assert kinds(walk(10, 20)) == ["hurried"]
    assert kinds(walk(30, 20)) == ["hurried"]
    assert kinds(walk(10, 20.1)) == []
    assert kinds(walk(9, 1)) == []
    assert kinds(walk(10, 20, is_serviced=False)) == []


def test_two_phones_side_by_side_are_no_hurry():
    first, second = walk(6, 30, device="a"), walk(6, 30, device="b")
    assert kinds(first + second) == []


def test_the_same_mass_in_a_row_is_asked_about_with_its_units():
    (finding,) = look(walk(5, 200, typed={"gross_mass": "13.7 kg"}), Thresholds())
    assert (finding.kind, finding.evidence[0]) == ("same_values", "U-000: 13.7 kg")
    mixed = walk(5, 200, typed={"gross_mass": "13.7 kg"})
    mixed[2] = Seen("U-002", mixed[2].at, "A. Mate", typed={"gross_mass": "13.6 kg"})
    assert kinds(mixed) == []
    # A gauge is read to the nearest mark, so that pressures repeat for longer.
    assert kinds(walk(11, 200, typed={"gauge_pressure": "13 bar"})) == []
    assert kinds(walk(12, 200, typed={"gauge_pressure": "13 bar"})) == ["same_values"]


@pytest.mark.parametrize(
    ("quantity", "before", "now", "filled", "asked"),
    [
        ("gross_mass", 13_700.0, 13_801.0, False, True),
        ("gross_mass", 13_700.0, 13_800.0, False, False),
        ("gross_mass", 13_700.0, 14_200.0, True, False),
        ("gross_mass", 13_700.0, 13_000.0, False, False),
        ("gauge_pressure", 1000.0, 1101.0, False, True),
        ("gauge_pressure", 1000.0, 1100.0, False, False),
    ],
)
def test_a_charge_that_grew_by_itself_is_asked_about(quantity, before, now, filled, asked):
    one = Seen(
        "U-1",
        AT,
        values={quantity: now},
        before={quantity: Before(date(2025, 11, 3), before)},
        is_filled=filled,
    )
    assert kinds([one]) == (["against_history"] if asked else [])


def test_scans_far_from_the_site_are_one_question():
    far = [Seen(f"U-{n}", AT + timedelta(hours=n), distance_m=1500 + n) for n in range(3)]
    (finding,) = look([*far, Seen("U-9", AT, distance_m=900)], Thresholds())
    assert (finding.kind, len(finding.evidence)) == ("far_scan", 3)
    assert "1.5 km" in finding.sentence


def test_distance_on_the_globe():
    # One degree of latitude on a sphere of 6371 km: pi x R / 180 = 111.195 km.
    assert distance_m((0, 0), (1, 0)) == pytest.approx(111_194.9, abs=1)
    assert distance_m((51.5, -0.1), (51.5, -0.1)) == 0


def test_a_lapsed_licence_and_a_wrong_clock_are_told():
    day = date(2026, 11, 25)
    assert licence_finding("A. Mate", expired_on=day, done_on=day) is None
    assert licence_finding("A. Mate", expired_on=None, done_on=day) is None
    lapsed = licence_finding("A. Mate", expired_on=day - timedelta(days=1), done_on=day)
    assert lapsed is not None
    assert lapsed.kind in KIND_LABELS
    assert clock_finding("d", 900, Thresholds()) is None
    assert clock_finding("d", None, Thresholds()) is None
    slow, fast = clock_finding("d", 7260, Thresholds()), clock_finding("d", -901, Thresholds())
    assert slow is not None
    assert fast is not None
    assert "2 h 1 min slow" in slow.sentence
    assert "fast" in fast.sentence


def test_thresholds_can_be_changed_and_each_has_words():
    assert kinds(walk(4, 1), hurried_units=4) == ["hurried"]
    assert thresholds_from({"far_m": 50, "gone": 1}).far_m == 50
    assert set(THRESHOLD_WORDS) == set(Thresholds.__slots__)
