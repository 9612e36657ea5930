"""The interval tables behind a site's dates and their state, as the pages and files name them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from schedules.rulebook.books import TableHere, tables_here


@dataclass(frozen=True, slots=True)
class TableLine:
    """A table as the confirmation partial takes it."""

    title: str
    version: str
    confirmed_by: str
    confirmed_on: date | None
    sentence: str
    varied: tuple[str, ...] = ()


def table_lines(site_id: int, today: date) -> list[TableLine]:
    """The editions in force at a site on ``today``."""
    return [_line(here) for here in tables_here(site_id) if here.state.table.in_force(today)]


def unconfirmed(lines: list[TableLine]) -> int:
    """How many of them nobody has confirmed."""
    return sum(not line.confirmed_by for line in lines)


def _line(here: TableHere) -> TableLine:
    state = here.state
    return TableLine(
        title=state.table.title,
        version=state.table.version,
        confirmed_by=state.confirmed_name if state.is_confirmed else "",
        confirmed_on=state.confirmed_at.date() if state.is_confirmed and state.confirmed_at else None,
        sentence=state.sentence,
        varied=here.varied,
    )
