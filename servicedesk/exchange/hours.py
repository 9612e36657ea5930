"""Hours of access as people write them, turned into windows of one weekday each.

The form follows the open opening-hours notation used on public maps, as far as a site needs it:
days or ranges of days, then one or more spans, parts separated by a semicolon.

>>> [str(window) for window in read_hours("Mo-Tu 08:00-17:00")]
['Mo 08:00-17:00', 'Tu 08:00-17:00']
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import time
from itertools import pairwise

DAYS = ("Mo", "Tu", "We", "Th", "Fr", "Sa", "Su")

_DAY_WORDS = {
    word: number
    for number, words in enumerate(
        (
            "mo mon monday",
            "tu tue tues tuesday",
            "we wed weds wednesday",
            "th thu thur thurs thursday",
            "fr fri friday",
            "sa sat saturday",
            "su sun sunday",
        )
    )
    for word in words.split()
}
_GROUPS = {"daily": range(7), "every day": range(7), "weekdays": range(5), "weekend": range(5, 7)}
_LAST_MINUTE = time(23, 59)
_REMEDY = 'Write it like "Mo-Fr 08:00-17:00; Sa 08:00-12:00".'


class HoursError(ValueError):
    """Hours of access that cannot be read; ``sentence`` says what is wrong and what to do."""

    def __init__(self, reason: str) -> None:
        self.sentence = f"{reason} {_REMEDY}"
        super().__init__(self.sentence)


@dataclass(frozen=True, slots=True, order=True)
class AccessWindow:
    """One span of one weekday (0 is Monday), local time at the site."""

    weekday: int
    opens: time
    closes: time

    def __post_init__(self) -> None:
        if not 0 <= self.weekday <= 6:
            raise ValueError("Weekdays run from 0 (Monday) to 6 (Sunday).")
        if self.opens >= self.closes:
            raise ValueError("A window closes after it opens.")

    def __str__(self) -> str:
        return f"{DAYS[self.weekday]} {self.opens:%H:%M}-{self.closes:%H:%M}"


def read_hours(text: str) -> tuple[AccessWindow, ...]:
    """Return the windows written in ``text``, by weekday and time; none when it is blank.

    ``24/7`` and an end of 24:00 close at 23:59, the last minute a day has. A day marked ``off`` or
    ``closed`` has no window. Raises ``HoursError`` for anything unread, for spans that overlap on
    one day and for spans past midnight, which are to be split there.
    """
    plain = " ".join(re.sub("[\u2010-\u2015\u2212]", "-", text).lower().split())
    if not plain:
        return ()
    if plain in ("24/7", "always"):
        plain = "daily 00:00-24:00"
    windows: list[AccessWindow] = []
    for part in re.split(r"\s*[;|]\s*", plain.strip("; ")):
        windows += _part(part)
    windows.sort()
    for before, after in pairwise(windows):
        if before.weekday == after.weekday and after.opens < before.closes:
            raise HoursError(f'"{text.strip()}" has {before} and {after} on the same day, which overlap.')
    return tuple(windows)


def _part(part: str) -> list[AccessWindow]:
    match = re.fullmatch(r"(?P<days>[a-z][a-z ,&-]*?)\s*:?\s*(?P<spans>(?:\d.*)|off|closed)", part, re.ASCII)
    if match is None:
        raise HoursError(f'"{part}" does not name days and hours.')
    days = _days(match["days"])
    if match["spans"] in ("off", "closed"):
        return []
    spans = [_span(span) for span in re.split(r"\s*(?:,|&|\band\b)\s*", match["spans"])]
    return [AccessWindow(day, opens, closes) for day in days for opens, closes in spans]


def _days(text: str) -> list[int]:
    if text in _GROUPS:
        return list(_GROUPS[text])
    found: list[int] = []
    for piece in re.split(r"\s*(?:,|&|\band\b)\s*", text):
        ends = [_DAY_WORDS.get(word) for word in re.split(r"\s*-\s*|\s+to\s+", piece)]
        known = [day for day in ends if day is not None]
        if len(known) != len(ends) or len(ends) > 2:
            raise HoursError(f'"{piece}" is not a weekday or a range of weekdays.')
        first, last = known[0], known[-1]
        # Fr-Mo runs over the weekend.
        found += [(first + step) % 7 for step in range((last - first) % 7 + 1)]
    return sorted(set(found))


def _span(text: str) -> tuple[time, time]:
    match = re.fullmatch(
        r"(\d{1,2})(?:[:.](\d{2}))?\s*([ap]m)?\s*(?:-|to)\s*(\d{1,2})(?:[:.](\d{2}))?\s*([ap]m)?",
        text,
        re.ASCII,
    )
    if match is None:
        raise HoursError(f'"{text}" is not a span of time.')
    opens = _clock(text, match[1], match[2], match[3])
    closes = _clock(text, match[4], match[5], match[6])
    if closes <= opens:
        raise HoursError(
            f'"{text}" ends before it begins; a span past midnight is written as two, split there.'
        )
    return opens, closes


def _clock(text: str, hour_text: str, minute_text: str | None, half: str | None) -> time:
    hour, minute = int(hour_text), int(minute_text or 0)
    if half:
        if not 1 <= hour <= 12:
            raise HoursError(f'"{text}" has an hour outside 1 to 12.')
        hour = hour % 12 + (12 if half == "pm" else 0)
    if (hour, minute) == (24, 0):
        return _LAST_MINUTE
    if hour > 23 or minute > 59:
        raise HoursError(f'"{text}" has a time outside 00:00 to 24:00.')
    return time(hour, minute)
