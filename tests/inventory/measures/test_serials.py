"""Ranges of serials: what lies inside, what cannot be told, and that unread signs never rule a unit out."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.measures.serials import SerialRange, Where

PREFIXES = st.text("ABCKLM", max_size=3)
NUMBERS = st.integers(0, 99_999)


@pytest.mark.parametrize(
    ("first", "last", "serial", "where"),
    [
        ("AB100", "AB199", "AB150", Where.INSIDE),
        ("AB100", "AB199", "ab-0150", Where.INSIDE),
        ("AB100", "AB199", "AB200", Where.OUTSIDE),
        ("AB100", "AB199", "AC150", Where.OUTSIDE),
        ("AB100", "AB199", "AB12150", Where.OUTSIDE),
        ("AB100", "AB199", "", Where.UNKNOWN),
        ("AB100", "AB199", "not readable", Where.UNKNOWN),
        ("AB100", "AB199", "AB", Where.UNKNOWN),
        ("AB100", "AB199", "AB1?0", Where.UNKNOWN),
        ("AB100", "AB199", "AB2?0", Where.OUTSIDE),
        ("AB100", "AB199", "??150", Where.UNKNOWN),
        ("AB100", "AB199", "AB150K", Where.UNKNOWN),
        ("AB100", "", "AB900", Where.INSIDE),
        ("", "AB199", "AB200", Where.OUTSIDE),
        ("2021-0001", "2021-0400", "20210399", Where.INSIDE),
        ("X12C1", "X12C9", "X12C5", Where.INSIDE),
    ],
)
def test_where_a_serial_lies(first, last, serial, where):
    assert SerialRange.of(first, last).judge(serial) is where


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        ("AB100", "AC199", "do not begin and end alike"),
        ("AB200", "AB100", "Enter the lower serial first"),
        ("ABC", "", "no running number"),
        ("", " ", "Give the first serial"),
        ("AB1?0", "", "can be read whole"),
    ],
)
def test_ends_that_make_no_range_say_why(first, last, said):
    with pytest.raises(ValueError, match=said):
        SerialRange.of(first, last)


@given(PREFIXES, NUMBERS, NUMBERS, NUMBERS, st.integers(0, 3))
def test_a_number_is_inside_exactly_between_the_ends(prefix, a, b, number, zeros):
    low, high = sorted((a, b))
    found = SerialRange.of(f"{prefix}{low}", f"{prefix}{high}").judge(
        f"{prefix.lower()} {'0' * zeros}{number}"
    )
    assert found is (Where.INSIDE if low <= number <= high else Where.OUTSIDE)


@given(PREFIXES, NUMBERS, NUMBERS, st.data())
def test_a_sign_that_cannot_be_read_never_rules_a_unit_out(prefix, a, b, data):
    low, high = sorted((a, b))
    number = data.draw(st.integers(low, high))
    serial = f"{prefix}{number:05d}"
    hidden = data.draw(st.sets(st.integers(0, len(serial) - 1), min_size=1))
    blurred = "".join("?" if place in hidden else sign for place, sign in enumerate(serial))
    assert SerialRange.of(f"{prefix}{low}", f"{prefix}{high}").judge(blurred) is Where.UNKNOWN


@given(st.integers(0, 999), st.integers(0, 999), st.text("0123456789?", min_size=3, max_size=3))
def test_partly_read_figures_are_outside_only_when_no_reading_of_them_is_inside(a, b, pattern):
    pattern = pattern if "?" in pattern else f"?{pattern[1:]}"
    low, high = sorted((a, b))
    readings = [
        n for n in range(1000) if all(p in ("?", s) for p, s in zip(pattern, f"{n:03d}", strict=True))
    ]
    # Behind figures a mark may also be a letter, which only the shell can tell.
    if any(low <= n <= high for n in readings):
        assert SerialRange.of(f"Z{low}", f"Z{high}").judge(f"Z{pattern}") is Where.UNKNOWN
    elif not pattern.endswith("?"):
        assert SerialRange.of(f"Z{low}", f"Z{high}").judge(f"Z{pattern}") is Where.OUTSIDE
