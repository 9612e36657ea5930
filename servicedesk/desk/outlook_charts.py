"""Drawings of weeks: bars of what is, with the line of what was beside them. Drawn by the server."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

WIDTH, HEIGHT, FOOT, HEAD = 1200, 260, 28, 18


def weeks_chart(
    weeks: Sequence[date],
    bars: Sequence[float | None],
    line: Sequence[float | None],
    *,
    unit: str,
    bar_word: str,
    line_word: str,
) -> dict[str, Any]:
    """Return what the template draws: bars for ``bars``, steps for ``line``, months named below."""
    known = [value for value in (*bars, *line) if value is not None]
    most = max(known, default=0) or 1
    step = WIDTH / max(len(weeks), 1)
    room = HEIGHT - FOOT - HEAD

    def top(value: float) -> float:
        return round(HEIGHT - FOOT - room * value / most, 1)

    drawn = [
        {
            "x": f"{place * step + step * 0.12:.1f}",
            "y": f"{top(value):.1f}",
            "width": f"{step * 0.76:.1f}",
            "height": f"{HEIGHT - FOOT - top(value):.1f}",
            "title": f"Week of {week:%-d %b %Y}: {value:.0f} {unit}",
        }
        for place, (week, value) in enumerate(zip(weeks, bars, strict=True))
        if value is not None
    ]
    path, is_on = [], False
    for place, value in enumerate(line):
        if value is None:
            is_on = False
            continue
        y = top(value)
        path.append(f"{'L' if is_on else 'M'}{place * step:.1f} {y:.1f} H{(place + 1) * step:.1f}")
        is_on = True
    labels, last_x = [], -1000.0
    for place, week in enumerate(weeks):
        if (place == 0 or week.month != weeks[place - 1].month) and place * step - last_x > 80:
            last_x = place * step
            labels.append(
                {"x": f"{last_x:.1f}", "text": f"{week:%b %Y}" if week.month == 1 else f"{week:%b}"}
            )
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "foot": HEIGHT - FOOT,
        "head": HEAD,
        "text_y": HEIGHT - 6,
        "most": f"{most:.0f} {unit}",
        "bars": drawn,
        "path": " ".join(path),
        "labels": labels,
        "bar_word": bar_word,
        "line_word": line_word,
        "words": _words(weeks, bars, line, unit, bar_word, line_word),
    }


def _words(
    weeks: Sequence[date],
    bars: Sequence[float | None],
    line: Sequence[float | None],
    unit: str,
    bar_word: str,
    line_word: str,
) -> str:
    said = []
    for word, values in ((line_word, line), (bar_word, bars)):
        known = [(value, week) for value, week in zip(values, weeks, strict=True) if value is not None]
        if known and max(known)[0] > 0:
            peak, when = max(known, key=lambda item: (item[0], -item[1].toordinal()))
            mean = sum(value for value, _ in known) / len(known)
            said.append(f"{word}: {peak:.0f} {unit} in the week of {when:%-d %b %Y}, {mean:.0f} on the mean.")
    return " ".join(said) or "Nothing to draw."
