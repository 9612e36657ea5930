"""A file that may hold a register: opened, its sheets named, one of them laid out as a table.

Text files (CSV and its kin) have one sheet; workbooks have several. ``Book.table`` finds the
heading, which need not be the first row nor only one row, and says which rows are no units. Cells
stay text as they show; what they mean is for ``headings`` and ``reading``.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field

from servicedesk.exchange.findings import Finding, Severity, clip, file_error
from servicedesk.exchange.sheet import DELIMITERS, ENCODINGS, read_text
from servicedesk.exchange.words import plain, words_of
from servicedesk.exchange.workbook import Grid, Heard, SheetPart, open_workbook

__all__ = ["DELIMITERS", "ENCODINGS", "Book", "Sheet", "Table", "column_letter", "open_book"]

# The heading is looked for in so many rows that are not blank; above it stand titles.
_HEADING_WITHIN = 60
_MOST_FILLED = 2_000_000


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet of a book; ``name`` is empty for a text file."""

    name: str
    is_hidden: bool = False


@dataclass(slots=True)
class Table:
    """One sheet laid out: ``headings`` and the ``rows`` under them, as (row number, cells).

    ``heading_rows`` are the numbers of the one or two rows that the headings stand in; ``skipped``
    tells by row number why a row outside ``rows`` is no unit, and ``findings`` says it too.
    ``filled`` tells which cells took the value of a merged block, as (row number, position).
    """

    sheet: str
    heading_rows: tuple[int, ...]
    headings: list[str]
    rows: list[tuple[int, list[str]]]
    findings: list[Finding] = field(default_factory=list)
    skipped: dict[int, str] = field(default_factory=dict)
    filled: set[tuple[int, int]] = field(default_factory=set)
    is_1904: bool = False
    is_text: bool = False

    @property
    def heading_row(self) -> int:
        """The first row of the heading."""
        return self.heading_rows[0]

    @property
    def widest(self) -> int:
        """How many cells the widest row has."""
        return max((len(cells) for _, cells in self.rows), default=len(self.headings))


@dataclass(slots=True)
class Book:
    """A file that was opened: ``kind`` is "text", "xlsx", "ods" or "xls"."""

    file_name: str
    kind: str
    sheets: tuple[Sheet, ...]
    encoding: str = ""
    delimiter: str = ""
    findings: list[Finding] = field(default_factory=list)
    _loaders: dict[str, Callable[[Heard | None], Grid]] = field(default_factory=dict, repr=False)
    _grids: dict[str, Grid] = field(default_factory=dict, repr=False)
    _likeliest: Sheet | None = field(default=None, repr=False)

    def sheet(self, name: str = "") -> Sheet:
        """Return the sheet called ``name``; without a name the one that looks most like a register.

        Raises ``RegisterFileError`` when there is none of that name.
        """
        for sheet in self.sheets:
            if sheet.name == name:
                return sheet
        if not name:
            return self._best()
        known = ", ".join(f'"{sheet.name}"' for sheet in self.sheets)
        raise file_error(
            "unknown_sheet", name, f'There is no sheet "{clip(name)}" in the file.', f"Choose one of {known}."
        )

    def _best(self) -> Sheet:
        if len(self.sheets) == 1:
            return self.sheets[0]
        if self._likeliest is None:
            worth = {}
            best = self.sheets[0].name
            for place, sheet in enumerate(self.sheets):
                grid = self._grid(sheet.name, None)
                known = max((_known(cells) for _, cells in grid.rows[:_HEADING_WITHIN]), default=0)
                worth[sheet.name] = (not sheet.is_hidden and known >= 2, known, len(grid.rows), -place)
                if worth[sheet.name] < worth[best]:
                    self.forget(sheet.name)
                elif sheet.name != best:
                    self.forget(best)
                    best = sheet.name
            self._likeliest = self.sheet(best)
        return self._likeliest

    def _grid(self, name: str, heard: Heard | None) -> Grid:
        if name not in self._grids:
            self._grids[name] = self._loaders[name](heard)
        return self._grids[name]

    def table(self, sheet: str = "", heading_row: int | None = None, heard: Heard | None = None) -> Table:
        """Return one sheet laid out as a table; ``heading_row`` is a person's word where its heading is.

        ``heard`` is told the rows read so far and 0, since their number is not known yet.
        Raises ``RegisterFileError`` when the sheet is empty or has no such row.
        """
        chosen = self.sheet(sheet)
        table = _lay_out(chosen, self._grid(chosen.name, heard), heading_row)
        table.is_text = self.kind == "text"
        others = [other.name for other in self.sheets if other.name != chosen.name]
        if others:
            table.findings.insert(
                0,
                Finding(
                    0,
                    "",
                    "other_sheets",
                    Severity.DOUBT,
                    clip(", ".join(others)),
                    f'The sheet "{chosen.name}" was read; {_listed(others)} not.',
                    "Choose another sheet if the register stands there; read each sheet on its own.",
                ),
            )
        return table

    def forget(self, sheet: str = "") -> None:
        """Let go of the cells of a sheet, so that a long reading does not hold them twice."""
        self._grids.pop(sheet, None)


def open_book(data: bytes, file_name: str = "", *, encoding: str = "", delimiter: str = "") -> Book:
    """Return the book in ``data``: CSV or other delimited text, XLSX, ODS or XLS.

    What the file is, is read off its bytes; the name only helps to speak of it. ``encoding`` and
    ``delimiter`` are a person's word on a text file; left out, evidence decides and is told.

    Raises ``RegisterFileError`` for what is empty, locked, broken, too large or no table at all.
    """
    if data[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        kind, parts = open_workbook(data)
        if not parts:
            raise file_error("empty", "", "The workbook has no sheet with cells.", "Choose another file.")
        return _workbook(file_name, kind, parts)
    text = read_text(data, encoding=encoding, delimiter=delimiter)
    return Book(
        file_name,
        "text",
        (Sheet(""),),
        encoding=text.encoding,
        delimiter=text.delimiter,
        findings=list(text.findings),
        _loaders={"": lambda heard: text.grid(heard)},
    )


def _workbook(file_name: str, kind: str, parts: list[SheetPart]) -> Book:
    findings = [
        Finding(
            0,
            "",
            "hidden_sheet",
            Severity.DOUBT,
            part.name,
            f'The sheet "{part.name}" is hidden in the file.',
            "Look whether it holds units too.",
        )
        for part in parts
        if part.is_hidden
    ]
    if kind == "xls":
        findings.append(
            Finding(
                0,
                "",
                "old_workbook",
                Severity.DOUBT,
                file_name,
                "In a workbook of the old XLS kind, cells with errors read as empty and months as their "
                "first day.",
                "Save it as XLSX to have both told.",
            )
        )
    sheets = tuple(Sheet(part.name, part.is_hidden) for part in parts)
    return Book(file_name, kind, sheets, findings=findings, _loaders={part.name: part.load for part in parts})


def column_letter(position: int) -> str:
    """Return "A" for 0, "AA" for 26."""
    letters = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


# -- laying out


def _lay_out(sheet: Sheet, grid: Grid, told: int | None) -> Table:
    rows = grid.rows
    if not any(any(cells) for _, cells in rows):
        raise file_error("empty", "", "The file is empty.", "Choose the file that holds the register.")
    rows, filled = _fill_merged(grid)
    first, count = _find_heading(rows, told)
    headings = _heading_texts([cells for _, cells in rows[first : first + count]])
    table = Table(
        sheet.name,
        tuple(number for number, _ in rows[first : first + count]),
        headings,
        [],
        filled=filled,
        is_1904=grid.is_1904,
    )
    for number, cells in rows[:first]:
        _skip(table, number, cells, "title_row", "The row stands above the heading and was read as a title.")
    repeated = {tuple(map(plain, cells)) for _, cells in rows[first : first + count]}
    starts = {cells[0] for _, cells in rows[first : first + count] if cells}
    for number, cells in rows[first + count :]:
        if not any(cells):
            continue
        if cells[0] in starts and tuple(map(plain, cells)) in repeated and sum(map(bool, cells)) > 1:
            _skip(table, number, cells, "heading_again", "The row repeats the heading.")
        elif _is_total(cells, len(headings)):
            _skip(table, number, cells, "total_row", "The row holds a total and no unit.")
        else:
            table.rows.append((number, cells))
    _say_hidden(table, grid)
    return table


def _skip(table: Table, number: int, cells: list[str], code: str, sentence: str) -> None:
    table.skipped[number] = code
    table.findings.append(
        Finding(
            number,
            "",
            code,
            Severity.SKIPPED,
            clip(" | ".join(cell for cell in cells if cell)),
            sentence,
            "Nothing to do, unless it is a unit; then give it the cells of one.",
        )
    )


def _say_hidden(table: Table, grid: Grid) -> None:
    numbers = {number for number, _ in table.rows}
    hidden = [number for number in grid.hidden_rows if number in numbers]
    if hidden:
        table.findings.append(
            Finding(
                0,
                "",
                "hidden_rows",
                Severity.DOUBT,
                clip(", ".join(map(str, hidden[:20]))),
                f"{len(hidden)} rows are hidden in the file, the first is row {hidden[0]}; they were read "
                "like the others.",
                "Delete them if they are no longer meant.",
            )
        )
    columns = [position for position in grid.hidden_columns if position < len(table.headings)]
    if columns:
        letters = ", ".join(column_letter(position) for position in columns)
        table.findings.append(
            Finding(
                0,
                "",
                "hidden_columns",
                Severity.DOUBT,
                clip(letters),
                f"Columns are hidden in the file ({clip(letters)}); they were read like the others.",
                "Delete them if they are no longer meant.",
            )
        )
    if table.filled:
        table.findings.append(
            Finding(
                0,
                "",
                "merged_cells",
                Severity.DOUBT,
                "",
                f"{len(table.filled)} cells stand in merged blocks and took the value of their block.",
                "Check that each block ends where it should.",
            )
        )


def _fill_merged(grid: Grid) -> tuple[list[tuple[int, list[str]]], set[tuple[int, int]]]:
    """Return the rows with each block that was merged downwards filled; blank rows stay blank.

    What was changed is a copy, so that the book can be read again and tells the same.
    """
    filled: set[tuple[int, int]] = set()
    if not grid.merges:
        return grid.rows, filled
    rows = list(grid.rows)
    numbers = [number for number, _ in rows]
    for top, left, bottom, _ in grid.merges:
        at = bisect_left(numbers, top)
        if bottom == top or at == len(rows) or numbers[at] != top or len(filled) > _MOST_FILLED:
            continue
        source = rows[at][1]
        if left >= len(source) or not source[left]:
            continue
        for index in range(at + 1, bisect_right(numbers, bottom)):
            number, cells = rows[index]
            if not any(cells) or (left < len(cells) and cells[left]):
                continue
            copy = [*cells, *[""] * (left + 1 - len(cells))]
            copy[left] = source[left]
            rows[index] = (number, copy)
            filled.add((number, left))
    return rows, filled


def _known(cells: list[str]) -> int:
    names = words_of("columns")
    return sum(plain(cell) in names for cell in cells if cell)


def _find_heading(rows: list[tuple[int, list[str]]], told: int | None) -> tuple[int, int]:
    """Return the index of the first heading row and how many rows the heading has."""
    if told is not None:
        for index, (number, _) in enumerate(rows):
            if number == told:
                return index, 2 if _is_double(rows, index) else 1
        raise file_error(
            "no_heading_row", str(told), f"Row {told} is empty or not in the file.", "Choose another row."
        )
    best = (0, 0)
    for index, (_, cells) in enumerate(rows[:_HEADING_WITHIN]):
        known = _known(cells)
        if known > best[0] and known >= 2:
            best = (known, index)
    known, index = best
    if known < 2:
        index = next((i for i, (_, cells) in enumerate(rows[:_HEADING_WITHIN]) if any(cells)), 0)
        filled = [sum(map(bool, cells)) for _, cells in rows[:_HEADING_WITHIN]]
        # Titles fill a cell or two; the heading is the first row about as full as the fullest.
        index = next((i for i, n in enumerate(filled) if n * 2 > max(filled)), index)
        return index, 1
    if index and _is_double(rows, index - 1):
        return index - 1, 2
    return index, 2 if _is_double(rows, index) else 1


def _is_double(rows: list[tuple[int, list[str]]], index: int) -> bool:
    """Return whether this row and the next are one heading in two rows."""
    if index + 1 >= len(rows) or rows[index + 1][0] != rows[index][0] + 1:
        return False
    upper, lower = rows[index][1], rows[index + 1][1]
    if any(re.search(r"\d{3}", cell) for cell in lower) or not any(lower):
        return False
    names = words_of("columns")
    # A row of data has no column names in it.
    if not any(plain(cell) in names for cell in lower if cell):
        return False
    alone = max(_known(upper), _known(lower))
    return sum(plain(text) in names for text in _heading_texts([upper, lower])) > alone or (
        _known(upper) > 0 and len(lower) > len(upper)
    )


def _heading_texts(rows: list[list[str]]) -> list[str]:
    if len(rows) == 1:
        headings = list(rows[0])
    else:
        upper, lower = rows
        names = words_of("columns")
        width = max(len(upper), len(lower))
        upper = upper + [""] * (width - len(upper))
        lower = lower + [""] * (width - len(lower))
        headings = []
        group = ""
        for above, below in zip(upper, lower, strict=True):
            group = above or group
            if not below or plain(above) == plain(below):
                headings.append(above or below)
            elif plain(f"{group} {below}") in names or plain(below) not in names:
                headings.append(f"{group} {below}".strip())
            else:
                headings.append(below)
    while headings and not headings[-1]:
        headings.pop()
    return headings


def _is_total(cells: list[str], width: int) -> bool:
    first = next((cell for cell in cells if cell), "")
    words = plain(first).split()
    if not words or (words[0] not in _TOTALS and " ".join(words[:2]) not in _TOTALS):
        return False
    return sum(map(bool, cells)) <= max(3, width // 3)


_TOTALS = frozenset(
    {
        *("total", "totals", "subtotal", "sub total", "grand total", "sum", "count"),
        *("summe", "gesamt", "gesamtsumme", "zwischensumme", "anzahl"),
        *("somme", "sous total", "totaux", "suma", "totales", "subtotales", "totale", "somma", "subtotale"),
        *("soma", "totais", "totaal", "subtotaal", "som"),
    }
)
_TOTAL_LETTERS = frozenset(word[0] for word in _TOTALS)


def _listed(names: list[str]) -> str:
    shown = ", ".join(f'"{name}"' for name in names[:5])
    more = f" and {len(names) - 5} more" if len(names) > 5 else ""
    return f"{shown}{more} {'was' if len(names) == 1 else 'were'}"
