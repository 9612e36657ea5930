"""What the pages of plans need: wall times, lengths of time, and the strip that shows a day."""

from __future__ import annotations

from django import template
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from schedules.routes.queries import Board, Lane
from servicedesk.desk.plan_words import hours_text

register = template.Library()
WIDE = 1000
# A road is a line, work a block, waiting a low block, lunch a frame, overtime a block below the others.
SHAPES = {"drive": (9, 2), "work": (2, 16), "wait": (7, 6), "lunch": (3, 14), "over": (18, 2)}


@register.filter
def wall(seconds: int | None, lag: int = 0) -> str:
    """08:15, for seconds since midnight; ``lag`` is taken off them."""
    if seconds is None:
        return "–"
    minutes = (seconds - (lag or 0)) // 60 % (24 * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


@register.filter
def span(seconds: int | None) -> str:
    """2 h 05, for a length in seconds."""
    return hours_text(seconds or 0)


@register.filter
def km(metres: int | None) -> str:
    """A distance to the kilometre."""
    return f"{round((metres or 0) / 1000)} km"


@register.simple_tag
def strip(lane: Lane, board: Board) -> SafeString:
    """One day as a drawing on the board's clock; the text beside it says the same."""
    length = max(board.last_s - board.first_s, 1)

    def at(seconds: int) -> int:
        return round(WIDE * (min(max(seconds, board.first_s), board.last_s) - board.first_s) / length)

    rects = [("shift", at(lane.day.shift_start_s), at(lane.day.shift_end_s), 0, 20)]
    rects += [(p.kind, at(p.from_s), at(p.to_s), *SHAPES[p.kind]) for p in lane.pieces]
    hours = ((at(hour * 3600),) for hour in board.hours)
    return format_html(
        '<svg class="strip" viewBox="0 0 {} 20" preserveAspectRatio="none" aria-hidden="true">{}{}</svg>',
        WIDE,
        format_html_join(
            "",
            '<rect class="strip-{}" x="{}" y="{}" width="{}" height="{}"/>',
            ((kind, x, y, max(until - x, 1), height) for kind, x, until, y, height in rects),
        ),
        format_html_join("", '<line class="strip-hour" x1="{0}" x2="{0}" y1="0" y2="20"/>', hours),
    )
