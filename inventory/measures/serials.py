"""Ranges of serials: letters or figures in front, a running number, perhaps letters behind.

A serial that cannot be read, wholly or in part, is never taken to lie outside: whoever follows up a
recall must look at the shell.

>>> affected = SerialRange.of("AB 1200", "AB 1399")
>>> affected.judge("ab-1250").value, affected.judge("AB1400").value, affected.judge("").value
('inside', 'outside', 'unknown')
>>> affected.judge("AB 13?0").value, affected.judge("AB 2??0").value
('unknown', 'outside')
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Self

UNREAD = "?*#"
"""Signs that people write for a letter or figure that cannot be read (common practice, no source)."""
_UNREADABLE = frozenset(
    {
        "",
        "NA",
        "NONE",
        "UNKNOWN",
        "UNREADABLE",
        "ILLEGIBLE",
        "NOTREADABLE",
        "NOTLEGIBLE",
        "NOSERIAL",
        "X",
        "XX",
    }
)
_PARTS = re.compile(r"(?P<prefix>.*?)(?P<number>[0-9]+)(?P<suffix>[A-Z]*)")
_LONGEST = 60


class Where(StrEnum):
    """Where a serial lies as to a range."""

    INSIDE = "inside"
    OUTSIDE = "outside"
    UNKNOWN = "unknown"


def plain_serial(text: str) -> str:
    """A serial as it is compared: letters, figures and marks for what is unread, in one case."""
    found = []
    for sign in text.upper():
        if sign in UNREAD:
            found.append("?")
        elif sign.isascii() and sign.isalnum():
            found.append(sign)
    return "".join(found)


@dataclass(frozen=True, slots=True)
class SerialRange:
    """Serials from one to another, both among them; an open end is ``None``.

    Raises ``ValueError`` with a sentence for people when the two ends do not belong together.
    """

    prefix: str
    first: int | None
    last: int | None
    suffix: str = ""

    @classmethod
    def of(cls, first: str, last: str) -> Self:
        """Read the two ends as they were written; one of them may be empty."""
        ends = [_split(text) if text.strip() else None for text in (first, last)]
        low, high = ends
        known = low or high
        if known is None:
            raise ValueError("Give the first serial of the range, the last, or both.")
        if low is not None and high is not None:
            if (low[0], low[2]) != (high[0], high[2]):
                raise ValueError(
                    f"{first} and {last} do not begin and end alike. Enter each series of serials as a "
                    "recall of its own."
                )
            if high[1] < low[1]:
                raise ValueError(f"{last} comes before {first}. Enter the lower serial first.")
        return cls(known[0], low[1] if low else None, high[1] if high else None, known[2])

    def judge(self, serial: str) -> Where:
        """Whether ``serial`` lies in the range; ``UNKNOWN`` where it cannot be told.

        Leading zeros of the running number do not matter. Letters behind the number that the range
        does not have may be a check sign: such a serial is not taken to lie outside.
        """
        text = plain_serial(serial)
        if text.replace("?", "") in _UNREADABLE:
            return Where.UNKNOWN
        if "?" in text:
            return Where.UNKNOWN if self._can_be(text) else Where.OUTSIDE
        if not text.startswith(self.prefix):
            return Where.OUTSIDE
        rest = re.fullmatch(r"(?P<number>[0-9]+)(?P<suffix>[A-Z]*)", text[len(self.prefix) :])
        if rest is None:
            # Something between prefix and number, or no number at all: only the latter may be a part of one.
            return Where.UNKNOWN if text == self.prefix else Where.OUTSIDE
        if not self._holds(int(rest["number"])):
            return Where.OUTSIDE
        return Where.INSIDE if rest["suffix"] == self.suffix else Where.UNKNOWN

    def _holds(self, number: int) -> bool:
        return (self.first is None or number >= self.first) and (self.last is None or number <= self.last)

    def _can_be(self, text: str) -> bool:
        """Whether some reading of the unread signs gives a serial that is not outside."""
        if len(text) > _LONGEST:
            return True
        head, rest = text[: len(self.prefix)], text[len(self.prefix) :]
        if len(head) < len(self.prefix) or any(
            sign not in ("?", wanted) for sign, wanted in zip(head, self.prefix, strict=True)
        ):
            return False
        if not rest:
            return True
        # A mark may stand for a letter of a suffix as well as for a figure: every split is tried.
        for cut in range(len(rest), 0, -1):
            number, suffix = rest[:cut], rest[cut:]
            fits = all(s == "?" or s.isdigit() for s in number) and all(
                s == "?" or s.isalpha() for s in suffix
            )
            if fits and _reaches(number, self.first or 0, self.last):
                return True
        return False


def _split(text: str) -> tuple[str, int, str]:
    plain = plain_serial(text)
    found = _PARTS.fullmatch(plain)
    if found is None or "?" in plain:
        raise ValueError(
            f"{text.strip()} has no running number that can be read whole. Write a serial like AB12345."
        )
    return found["prefix"], int(found["number"]), found["suffix"]


def _reaches(pattern: str, low: int, high: int | None) -> bool:
    """Whether figures for the marks of ``pattern`` give a number from ``low`` to ``high``."""
    width = len(pattern)
    if low >= 10**width:
        return False
    floor = f"{low:0{width}d}"
    ceiling = f"{min(high, 10**width - 1) if high is not None else 10**width - 1:0{width}d}"
    # Prefixes still possible: tied to the floor, tied to the ceiling, or free of either.
    ties = {(True, True)}
    for place, sign in enumerate(pattern):
        after: set[tuple[bool, bool]] = set()
        for at_floor, at_ceiling in ties:
            for figure in "0123456789" if sign == "?" else sign:
                if (at_floor and figure < floor[place]) or (at_ceiling and figure > ceiling[place]):
                    continue
                after.add((at_floor and figure == floor[place], at_ceiling and figure == ceiling[place]))
        ties = after
    return bool(ties)
