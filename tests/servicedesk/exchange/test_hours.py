"""Hours of access: read, or refused with the form to write."""

from __future__ import annotations

from datetime import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.exchange.hours import AccessWindow, HoursError, read_hours


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", []),
        ("Mo-We 08:00-17:00", ["Mo 08:00-17:00", "Tu 08:00-17:00", "We 08:00-17:00"]),
        ("Mo-Tu 08:00-17:00; Sa 08:00-12:00", ["Mo 08:00-17:00", "Tu 08:00-17:00", "Sa 08:00-12:00"]),
        (
            "Mo,Fr 8:00-12:00,13:00-17.30",
            ["Mo 08:00-12:00", "Mo 13:00-17:30", "Fr 08:00-12:00", "Fr 13:00-17:30"],
        ),
        ("Saturday to Monday 9-17", ["Mo 09:00-17:00", "Sa 09:00-17:00", "Su 09:00-17:00"]),
        ("mon\u2013tue: 8am - 5:30pm", ["Mo 08:00-17:30", "Tu 08:00-17:30"]),
        ("weekend 12am-12pm", ["Sa 00:00-12:00", "Su 00:00-12:00"]),
        ("Fr 06:00-24:00; Su off", ["Fr 06:00-23:59"]),
        ("Th 07:00-09:00; Th 09:00-11:00", ["Th 07:00-09:00", "Th 09:00-11:00"]),
    ],
)
def test_windows(text: str, expected: list[str]) -> None:
    assert [str(window) for window in read_hours(text)] == expected


def test_all_day_every_day() -> None:
    assert read_hours("24/7") == tuple(AccessWindow(day, time(0), time(23, 59)) for day in range(7))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Mo-Xx 08:00-17:00", '"mo-xx" is not a weekday'),
        ("08:00-17:00", "does not name days and hours"),
        ("Mo", "does not name days and hours"),
        ("Mo 08:00", "is not a span of time"),
        ("Mo 25:00-26:00", "outside 00:00 to 24:00"),
        ("Mo 13pm-14pm", "outside 1 to 12"),
        ("Mo 22:00-06:00", "past midnight"),
        ("Mo 08:00-12:00,11:00-17:00", "overlap"),
        ("ring the bell", "does not name days and hours"),
    ],
)
def test_what_cannot_be_read_is_refused(text: str, says: str) -> None:
    with pytest.raises(HoursError) as refused:
        read_hours(text)
    assert says in refused.value.sentence
    assert refused.value.sentence.endswith('Write it like "Mo-Fr 08:00-17:00; Sa 08:00-12:00".')


def test_nonsense_is_refused_when_built() -> None:
    with pytest.raises(ValueError, match="closes after"):
        AccessWindow(0, time(9), time(9))
    with pytest.raises(ValueError, match="Monday"):
        AccessWindow(7, time(9), time(10))


@given(st.text(max_size=30) | st.text(alphabet="MoTuWeFrSad 0123456789:-;,", max_size=24))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        windows = read_hours(text)
    except HoursError:
        return
    assert list(windows) == sorted(windows)
