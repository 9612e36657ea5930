"""CSV files going out, row by row.

A file begins with the mark by which spreadsheets know UTF-8, and holds nothing that a spreadsheet would
run as a formula.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from typing import Any

BYTE_ORDER_MARK = "\ufeff"
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class _Echo:
    """Hands back what the CSV writer writes."""

    def write(self, line: str) -> str:
        return line


def csv_lines(headings: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """The lines of a CSV file (RFC 4180), ``headings`` first, one at a time, to be streamed."""
    writer: Any = csv.writer(_Echo(), lineterminator="\r\n")
    yield BYTE_ORDER_MARK + writer.writerow(headings)
    for row in rows:
        yield writer.writerow([plain_cell(cell) for cell in row])


def plain_cell(value: Any) -> str:
    """``value`` as text that no spreadsheet runs: a leading sign of a formula gets an apostrophe.

    A number is no formula and stays one, also below zero.
    """
    text = "" if value is None else str(value)
    if isinstance(value, (int, float, Decimal)):
        return text  # a figure is no formula, whatever its sign
    return f"'{text}" if text.startswith(_STARTS_FORMULA) else text
