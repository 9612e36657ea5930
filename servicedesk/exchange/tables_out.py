"""Tables going out as a file: CSV streamed line by line, XLSX written to a temporary file."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from django.http import StreamingHttpResponse
from django.http.response import HttpResponseBase
from openpyxl import Workbook

from servicedesk.exchange.writing import csv_lines, plain_cell

MOST_SHEET_ROWS = 1_048_575
"""Rows of a sheet below its heading (ECMA-376 spreadsheets)."""

FORMATS = ("csv", "xlsx")
PIECE = 64 * 1024


def fill_sheets(book: Any, name: str, headings: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Add ``rows`` to a write-only workbook: as one sheet, or as several when they are too many for one."""
    sheets, left = 1, MOST_SHEET_ROWS
    sheet = book.create_sheet(name)
    sheet.append(list(headings))
    for row in rows:
        if not left:
            sheets, left = sheets + 1, MOST_SHEET_ROWS
            sheet = book.create_sheet(f"{name}-{sheets}")
            sheet.append(list(headings))
        sheet.append([cell if isinstance(cell, (int, float)) else plain_cell(cell) for cell in row])
        left -= 1


def table_response(
    form: str, name: str, headings: Sequence[str], rows: Iterable[Sequence[Any]]
) -> HttpResponseBase:
    """``rows`` as a file to keep; ``form`` is one of ``FORMATS``. The name ends in a day."""
    lines: Iterable[str] | Iterable[bytes]
    if form == "csv":
        lines, kind = csv_lines(headings, rows), "text/csv; charset=utf-8"
    else:
        lines = _workbook(name.rsplit("-", 3)[0][:25], headings, rows)
        kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
    answer = StreamingHttpResponse(lines, content_type=kind)
    answer["Content-Disposition"] = f'attachment; filename="{name}.{form}"'
    answer["Cache-Control"] = "private, no-store"
    return answer


def _workbook(name: str, headings: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[bytes]:
    """The bytes of a workbook with one table; nothing is opened before somebody reads."""
    book = Workbook(write_only=True)
    fill_sheets(book, name, headings, rows)
    with tempfile.TemporaryFile(suffix=".xlsx") as file:
        book.save(file)
        file.seek(0)
        while piece := file.read(PIECE):
            yield piece
