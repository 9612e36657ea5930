"""Upright bars worked out from numbers, to be drawn as SVG on a page or on paper. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, HEIGHT, FOOT = 640, 220, 26


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar: its word, its number, and where it is drawn."""

    word: str
    value: float
    said: str
    x: float
    y: float
    width: float
    height: float
    note: str = ""

    @property
    def middle(self) -> float:
        """The middle of the bar across."""
        return self.x + self.width / 2

    @property
    def tip(self) -> float:
        """Where the number stands above the bar."""
        return max(self.y - 4, 10)


@dataclass(frozen=True, slots=True)
class Plot:
    """Upright bars with a title and one sentence that says what they show."""

    title: str
    sentence: str
    column: str
    bars: tuple[Bar, ...]
    heads: tuple[str, str]
    width: int = WIDTH
    height: int = HEIGHT

    @property
    def fits(self) -> int:
        """How many letters of a word fit below a bar."""
        return max(6, self.width // max(len(self.bars), 1) // 7)

    @property
    def floor(self) -> int:
        """The line on which the bars stand."""
        return self.height - FOOT


def plot(
    title: str,
    sentence: str,
    rows: Sequence[tuple[str, float, str]],
    *,
    heads: tuple[str, str],
    most: float | None = None,
    notes: Sequence[str] = (),
) -> Plot:
    """Bars for ``rows`` (word, value, value in words); ``most`` is the value of a full bar."""
    top = most if most is not None else max((value for _, value, _ in rows), default=0)
    step = WIDTH / max(len(rows), 1)
    room = HEIGHT - FOOT - 18
    bars = []
    for place, (word, value, said) in enumerate(rows):
        height = round(room * value / top, 1) if top else 0
        bars.append(
            Bar(
                word,
                value,
                said,
                round(place * step + step * 0.14, 1),
                HEIGHT - FOOT - height,
                round(step * 0.72, 1),
                height,
                notes[place] if notes else "",
            )
        )
    return Plot(title, sentence, heads[0], tuple(bars), heads)
