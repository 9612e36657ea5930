"""Sheets of a workbook as rows of text, the way their cells show: XLSX, ODS and the old XLS.

XLSX and ODS are read here and not by a library, because libraries hand out an empty cell for a
formula that never was computed and for ``#REF!``, drop the zeros that a format puts before a
number, make a day of a month, and reserve room for the whole rectangle that one stray cell spans.
Everything is streamed; what a file may unpack to is bounded before anything is unpacked.

Sources: ECMA-376 part 1 (2016), 18.3.1 worksheets, 18.8.30 number formats, 18.17.4 dates; ODF 1.3
part 3, 9 tables. Both from memory, held by the tests against openpyxl and calamine.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from codecs import getincrementaldecoder
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import IO, Any, NoReturn
from xml.parsers import expat

import python_calamine

from servicedesk.exchange.findings import RegisterFileError, file_error

Heard = Callable[[int, int], None]

# What one file may unpack to, and how far its sheets may reach. A hundred thousand rows of thirty
# columns unpack to about 200 MB.
MOST_BYTES = 600_000_000
MOST_PARTS = 5_000
MOST_COLUMNS = 512
MOST_ROWS = 1_048_576
MOST_CELLS = 12_000_000

_CHUNK = 256 * 1024
_HEARD_EVERY = 500
_SAVE_AGAIN = "Open it in a spreadsheet program, save it as XLSX or CSV, and upload that."


class Figure(str):
    """The text of a cell that holds a number with decimals; its point is a decimal point."""

    __slots__ = ()


@dataclass(slots=True)
class Grid:
    """The cells of one sheet: ``rows`` as (row number, texts); blank rows are left out.

    ``merges`` holds merged blocks as first row, first column, last row, last column, rows from 1
    and columns from 0. ``hidden_rows`` and ``hidden_columns`` were read like the others.
    """

    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    merges: list[tuple[int, int, int, int]] = field(default_factory=list)
    hidden_rows: list[int] = field(default_factory=list)
    hidden_columns: list[int] = field(default_factory=list)
    is_1904: bool = False


@dataclass(slots=True)
class SheetPart:
    """A sheet that can be read: its name, whether it is hidden, and how to get its cells."""

    name: str
    is_hidden: bool
    load: Callable[[Heard | None], Grid]


def open_workbook(data: bytes) -> tuple[str, list[SheetPart]]:
    """Return the kind of the workbook ``data`` ("xlsx", "ods" or "xls") and its sheets.

    Raises ``RegisterFileError`` for what is no workbook, is locked, broken or too large.
    """
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        return "xls", _open_xls(data)
    try:
        package = zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError) as error:
        raise _broken() from error
    parts = package.infolist()
    if any(part.flag_bits & 1 for part in parts):
        raise _locked()
    if len(parts) > MOST_PARTS or sum(part.file_size for part in parts) > MOST_BYTES:
        raise file_error(
            "too_large",
            "",
            f"The file would unpack to more than {MOST_BYTES // 1_000_000} MB.",
            "Split the register into several files, or save it as CSV.",
        )
    names = {part.filename for part in parts}
    try:
        if "content.xml" in names:
            return "ods", _open_ods(package, names)
        if "xl/workbook.bin" in names:
            raise file_error(
                "not_text", "", "The file is a binary workbook (XLSB), which is not read here.", _SAVE_AGAIN
            )
        if "[Content_Types].xml" in names:
            return "xlsx", _open_xlsx(package, names)
    except RegisterFileError:
        raise
    except _BROKEN as error:
        raise _broken() from error
    raise file_error(
        "not_text", "", "The file is a zip archive, not a workbook.", "Unpack it and upload the file inside."
    )


_BROKEN = (
    zipfile.BadZipFile, zlib.error, expat.ExpatError, EOFError, KeyError, ValueError, NotImplementedError,
    IndexError, OSError,
)  # fmt: skip


def _broken() -> RegisterFileError:
    return file_error("broken_workbook", "", "The file begins like a workbook but is broken.", _SAVE_AGAIN)


def _locked() -> RegisterFileError:
    return file_error(
        "locked",
        "",
        "The workbook is locked with a password.",
        "Open it with its password, save it without one, and upload that.",
    )


# -- XML without entities, as a stream


def _parser(start: Any, end: Any = None, text: Any = None) -> expat.XMLParserType:
    """Return a parser that refuses document types: without them no entity can grow."""
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.buffer_size = 65536

    def refuse(*_: Any) -> NoReturn:
        raise _broken()

    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = start
    if end is not None:
        parser.EndElementHandler = end
    if text is not None:
        parser.CharacterDataHandler = text
    return parser


def _feed(package: zipfile.ZipFile, name: str, start: Any, end: Any = None, text: Any = None) -> None:
    """Parse one part of a package as it is unpacked."""
    parser = _parser(start, end, text)
    with package.open(name) as stream:
        while chunk := stream.read(_CHUNK):
            parser.Parse(chunk, False)
        parser.Parse(b"", True)


def _local(name: str) -> str:
    return name.rpartition(":")[2]


def _elements(package: zipfile.ZipFile, name: str) -> Iterator[tuple[str, dict[str, str]]]:
    """Return the elements of a small part in order, attributes by local name."""
    found: list[tuple[str, dict[str, str]]] = []

    def start(tag: str, attributes: dict[str, str]) -> None:
        found.append((_local(tag), {_local(key): value for key, value in attributes.items()}))

    _feed(package, name, start)
    return iter(found)


def _yes(value: str | None) -> bool:
    return value in ("1", "true")


# -- XLSX


def _open_xlsx(package: zipfile.ZipFile, names: set[str]) -> list[SheetPart]:
    main = "xl/workbook.xml"
    if "_rels/.rels" in names:
        for tag, attributes in _elements(package, "_rels/.rels"):
            if tag == "Relationship" and attributes.get("Type", "").endswith("/officeDocument"):
                main = attributes["Target"].lstrip("/")
    if main not in names:
        raise file_error(
            "not_text", "", "The file is an office document, not a workbook.", "Upload the register itself."
        )
    folder, _, own = main.rpartition("/")
    targets: dict[str, str] = {}
    kinds: dict[str, str] = {}
    for tag, attributes in _elements(package, f"{folder}/_rels/{own}.rels"):
        if tag == "Relationship":
            target = attributes["Target"]
            path = target.lstrip("/") if target.startswith("/") else f"{folder}/{target}"
            targets[attributes["Id"]] = path
            kinds.setdefault(attributes.get("Type", "").rpartition("/")[2], path)
    book = _XlsxBook(package, names, kinds.get("sharedStrings", ""), kinds.get("styles", ""))
    sheets = []
    for tag, attributes in _elements(package, main):
        if tag == "workbookPr":
            book.is_1904 = _yes(attributes.get("date1904"))
        elif tag == "sheet":
            path = targets.get(attributes.get("id", ""), "")
            if path in names and "/worksheets/" in f"/{path}":
                hidden = attributes.get("state", "visible") != "visible"
                sheets.append(SheetPart(attributes.get("name", ""), hidden, book.loader(path)))
    return sheets


class _XlsxBook:
    """What the sheets of one XLSX file share: texts, formats, the first day of its calendar."""

    def __init__(self, package: zipfile.ZipFile, names: set[str], strings: str, styles: str) -> None:
        self.package = package
        self.strings_part = strings if strings in names else ""
        self.styles_part = styles if styles in names else ""
        self.is_1904 = False
        self._strings: list[str] | None = None
        self._styles: list[NumberFormat] | None = None

    def loader(self, path: str) -> Callable[[Heard | None], Grid]:
        def load(heard: Heard | None) -> Grid:
            try:
                return self._sheet(path, heard)
            except RegisterFileError:
                raise
            except _BROKEN as error:
                raise _broken() from error

        return load

    def strings(self) -> list[str]:
        if self._strings is None:
            self._strings = self._read_strings() if self.strings_part else []
        return self._strings

    def styles(self) -> list[NumberFormat]:
        if self._styles is None:
            self._styles = self._read_styles() if self.styles_part else []
        return self._styles

    def _read_strings(self) -> list[str]:
        found: list[str] = []
        pieces: list[str] = []
        # Phonetic hints stand beside the text and are no part of it.
        state = {"text": False, "aside": False}

        def start(tag: str, _: dict[str, str]) -> None:
            tag = _local(tag)
            if tag == "si":
                pieces.clear()
            elif tag == "t":
                state["text"] = True
            elif tag == "rPh":
                state["aside"] = True

        def end(tag: str) -> None:
            tag = _local(tag)
            if tag == "si":
                found.append(clean("".join(pieces)))
            elif tag == "t":
                state["text"] = False
            elif tag == "rPh":
                state["aside"] = False

        def text(piece: str) -> None:
            if state["text"] and not state["aside"]:
                pieces.append(piece)

        _feed(self.package, self.strings_part, start, end, text)
        return found

    def _read_styles(self) -> list[NumberFormat]:
        codes: dict[int, str] = {}
        numbers: list[int] = []
        in_cells = False
        for tag, attributes in _elements(self.package, self.styles_part):
            if tag == "numFmt":
                codes[int(attributes["numFmtId"])] = attributes.get("formatCode", "")
            elif tag in ("cellXfs", "cellStyleXfs", "cellStyles", "dxfs"):
                in_cells = tag == "cellXfs"
            elif tag == "xf" and in_cells:
                numbers.append(int(attributes.get("numFmtId", 0)))
        known = {n: number_format(codes.get(n, _BUILT_IN.get(n, ""))) for n in set(numbers)}
        return [known[n] for n in numbers]

    def _sheet(self, path: str, heard: Heard | None) -> Grid:
        grid = Grid(is_1904=self.is_1904)
        sheet = _XlsxSheet(grid, self.strings(), self.styles(), heard)
        parser = _parser(*sheet.handlers())
        with self.package.open(path) as stream:
            for piece in _in_rows(stream):
                if not sheet.take_plain_row(piece):
                    parser.Parse(piece, False)
            parser.Parse(b"", True)
        grid.rows.sort(key=lambda row: row[0])
        return grid


# A row as nearly all programs write it. What does not fit to the last sign is left to the XML parser.
_PLAIN_ROW = re.compile(r'<row r="([1-9]\d{0,6})"([^<>&]*)>')
_PLAIN_CELL = re.compile(
    r'<c r="([A-Z]{1,3})\d{1,7}"(?: s="(\d{1,5})")?(?: t="(n|s|b|str|inlineStr)")?(?:/>|>'
    r"(?:(?:<f(?:[^<>/]*/>|(?: [^<>/]*)?>[^<>&]*</f>))?<v>([^<>&]+)</v>"
    r'|<is><t(?: xml:space="preserve")?>([^<>&]*)</t></is>)?</c>)'
)


# Rows are longer in no register; a part without rows must not be gathered whole.
_LONGEST_ROW = 4_000_000


def _in_rows(stream: IO[bytes]) -> Iterator[str | bytes]:
    """Return a part in pieces that end with a row; as it comes when its text is not plain UTF-8 XML."""
    chunk = stream.read(_CHUNK)
    declared = re.search(rb'encoding=["\']([^"\']+)', chunk[:200])
    if not chunk.lstrip().startswith(b"<") or (declared and declared[1].lower() != b"utf-8"):
        while chunk:
            yield chunk
            chunk = stream.read(_CHUNK)
        return
    decoder = getincrementaldecoder("utf-8")()
    left = ""
    while chunk:
        left += decoder.decode(chunk)
        # In a comment or in raw text, what looks like a row may be none.
        if "<!" in left or len(left) > _LONGEST_ROW:
            break
        *rows, left = left.split("</row>")
        for row in rows:
            yield f"{row}</row>"
        chunk = stream.read(_CHUNK)
    yield left
    while chunk := stream.read(_CHUNK):
        yield decoder.decode(chunk)
    yield decoder.decode(b"", True)


class _XlsxSheet:
    """Takes the rows of one worksheet part as they come: plain ones as text, the others as elements."""

    def __init__(
        self, grid: Grid, strings: list[str], styles: list[NumberFormat], heard: Heard | None
    ) -> None:
        self.grid, self.strings, self.styles, self.heard = grid, strings, styles, heard
        self.row_number = 0
        self.cells = 0
        self.columns: dict[str, int] = {}
        self.shown: dict[tuple[str, str], str] = {}
        self.texts: dict[str, str] = {}

    def number(self, value: str, style: str) -> str:
        """Return what a number shows in its format."""
        known = self.shown.get((value, style))
        if known is None:
            how = self.styles[int(style)] if style and int(style) < len(self.styles) else _GENERAL
            known = show_number(value, how, is_1904=self.grid.is_1904)
            if len(self.shown) > 300_000:
                self.shown.clear()
            self.shown[value, style] = known
        return known

    def words(self, text: str) -> str:
        """Return a text, cleaned; the same object for the same text."""
        known = self.texts.get(text)
        if known is None:
            if len(self.texts) > 300_000:
                self.texts.clear()
            known = self.texts[text] = clean(text)
        return known

    def add(self, row: list[str]) -> None:
        """Keep a row that has texts in it."""
        self.grid.rows.append((self.row_number, row))
        if self.heard is not None and len(self.grid.rows) % _HEARD_EVERY == 0:
            self.heard(len(self.grid.rows), 0)

    def take_plain_row(self, piece: str | bytes) -> bool:
        """Read one row as text; return False, with nothing done, when it is not plain to the last sign."""
        begin = _PLAIN_ROW.match(piece) if isinstance(piece, str) else None
        if begin is None or not isinstance(piece, str) or begin[2].endswith("/"):
            return False
        at = begin.end()
        row: list[str] = []
        columns, strings, filled = self.columns, self.strings, 0
        for match in _PLAIN_CELL.finditer(piece, at):
            if match.start() != at:
                return False
            at = match.end()
            letters, style, kind, value, inline = match.groups("")
            if value:
                if kind == "s":
                    shown = strings[int(value)]
                elif kind in ("", "n"):
                    shown = self.number(value, style)
                elif kind == "b":
                    shown = "TRUE" if value.strip() == "1" else "FALSE"
                elif kind == "str":
                    shown = self.words(value)
                else:
                    return False
            elif inline:
                if kind != "inlineStr":
                    return False
                shown = self.words(inline)
            else:
                continue
            if not shown:
                continue
            column = columns.get(letters)
            if column is None:
                column = columns[letters] = column_index(letters)
            if column < len(row):
                return False
            if column >= MOST_COLUMNS:
                raise _too_wide(int(begin[1]))
            if column > len(row):
                row.extend([""] * (column - len(row)))
            row.append(shown)
            filled += 1
        if piece[at:] != "</row>":
            return False
        number = int(begin[1])
        if number > MOST_ROWS:
            raise _broken()
        self.row_number = number
        self.cells += filled
        if self.cells > MOST_CELLS:
            raise _too_many()
        if 'hidden="1"' in begin[2] or 'hidden="true"' in begin[2]:
            self.grid.hidden_rows.append(number)
        if row:
            self.add(row)
        return True

    def handlers(self) -> tuple[Any, Any, Any]:
        """Return what an XML parser calls for the start and the end of an element, and for text."""
        grid, strings = self.grid, self.strings
        row: list[str] = []
        column = -1
        kind = ""
        style = ""
        value = ""
        inline: list[str] = []
        formula: str | None = None
        collect = 0  # 1 value, 2 text, 3 formula
        aside = False
        columns = self.columns

        def start(tag: str, attributes: dict[str, str]) -> None:
            nonlocal row, column, kind, style, value, formula, collect, aside
            if ":" in tag:
                tag = _local(tag)
            if tag == "c":
                place = attributes.get("r", "")
                letters = place.rstrip("0123456789")
                if letters:
                    found = columns.get(letters)
                    if found is None:
                        found = columns[letters] = column_index(letters)
                    column = found
                else:
                    column += 1
                kind = attributes.get("t", "")
                style = attributes.get("s", "")
                value = ""
                formula = None
                inline.clear()  # an empty cell has no text element that would
            elif tag == "v":
                collect = 1
            elif tag == "row":
                told = attributes.get("r")
                self.row_number = int(told) if told else self.row_number + 1
                if not 0 < self.row_number <= MOST_ROWS:
                    raise _broken()
                row = []
                column = -1
                if _yes(attributes.get("hidden")):
                    grid.hidden_rows.append(self.row_number)
            elif tag == "f":
                collect = 3
                formula = ""
            elif tag == "is":
                inline.clear()
            elif tag == "t":
                collect = 2
            elif tag == "rPh":
                aside = True
            elif tag == "mergeCell":
                block = merged_block(attributes.get("ref", ""))
                if block is not None and len(grid.merges) < 500_000:
                    grid.merges.append(block)
            elif tag == "col" and _yes(attributes.get("hidden")):
                first, last = int(attributes["min"]), int(attributes["max"])
                grid.hidden_columns.extend(range(first - 1, min(last, MOST_COLUMNS)))

        def end(tag: str) -> None:
            nonlocal collect, aside
            if ":" in tag:
                tag = _local(tag)
            if tag == "c":
                if kind == "s":
                    shown_text = strings[int(value)] if value else ""
                elif kind == "inlineStr":
                    shown_text = self.words("".join(inline))
                elif value == "" and formula is None:
                    return
                elif value == "" and kind != "str":
                    shown_text = "=" + clean(formula or "")
                elif kind in ("", "n"):
                    shown_text = self.number(value, style)
                elif kind == "b":
                    shown_text = "TRUE" if value.strip() == "1" else "FALSE"
                else:
                    shown_text = clean(value)
                if shown_text:
                    if column >= MOST_COLUMNS:
                        raise _too_wide(self.row_number)
                    self.cells += 1
                    if self.cells > MOST_CELLS:
                        raise _too_many()
                    while len(row) < column:
                        row.append("")
                    if len(row) == column:
                        row.append(shown_text)
                    else:
                        row[column] = shown_text
            elif tag in ("v", "t", "f"):
                collect = 0
            elif tag == "rPh":
                aside = False
            elif tag == "row" and row:
                self.add(row)

        def text(piece: str) -> None:
            nonlocal value, formula
            if collect == 1:
                value += piece
            elif collect == 2 and not aside:
                inline.append(piece)
            elif collect == 3:
                formula = (formula or "") + piece

        return start, end, text


def _too_wide(row: int) -> RegisterFileError:
    return file_error(
        "too_wide",
        "",
        f"Row {row} holds a value beyond column {MOST_COLUMNS}, which no register has.",
        "Delete stray cells to the right of the register.",
        row=row,
    )


def _too_many() -> RegisterFileError:
    return file_error(
        "too_large",
        "",
        f"The sheet holds more than {MOST_CELLS:,} cells.",
        "Split the register into several files.",
    )


# -- what a number shows


@dataclass(frozen=True, slots=True)
class NumberFormat:
    """How a format shows a number: as a date (``finest`` d, m, y or t), padded, or with a unit."""

    finest: str = ""
    pad: int = 0
    suffix: str = ""


_GENERAL = NumberFormat()
# ECMA-376 part 1, 18.8.30: formats that stand in no file because every program knows them.
_BUILT_IN = {
    14: "mm-dd-yy", 15: "d-mmm-yy", 16: "d-mmm", 17: "mmm-yy", 18: "h:mm AM/PM", 19: "h:mm:ss AM/PM",
    20: "h:mm", 21: "h:mm:ss", 22: "m/d/yy h:mm", 45: "mm:ss", 46: "[h]:mm:ss", 47: "mmss.0",
    27: "yyyy-mm-dd", 28: "yyyy-mm-dd", 29: "yyyy-mm-dd", 30: "m/d/yy", 31: "yyyy-mm-dd", 32: "h:mm",
    33: "h:mm:ss", 34: "yyyy-mm-dd", 35: "yyyy-mm-dd", 36: "yyyy-mm-dd", 50: "yyyy-mm-dd",
    51: "yyyy-mm-dd", 52: "yyyy-mm-dd", 53: "yyyy-mm-dd", 54: "yyyy-mm-dd", 55: "yyyy-mm-dd",
    56: "yyyy-mm-dd", 57: "yyyy-mm-dd", 58: "yyyy-mm-dd",
}  # fmt: skip


def number_format(code: str) -> NumberFormat:
    """Return what the format ``code`` of a spreadsheet does to a number."""
    section = code.split(";")[0]
    literal = re.sub(r"\\(.)", r'"\1"', section)
    bare = re.sub(r'"[^"]*"|\[[^\]]*\]|_.|\*.', "", literal).lower()
    if re.search(r"[dy]", bare) or re.search(r"m{3,}", bare):
        if "d" in bare:
            return NumberFormat("d")
        return NumberFormat("m" if "m" in bare else "y")
    if re.search(r"[hs]", bare) or re.search(r"\[[hms]+\]", literal.lower()):
        return NumberFormat("t")
    if re.fullmatch(r"0{2,}", bare) and '"' not in literal:
        return NumberFormat(pad=len(bare))
    unit = re.fullmatch(r'[#0?,.]+\s*"([^"]*)"', re.sub(r'""|\[[^\]]*\]', "", literal))
    if unit and re.search(r"[a-zA-Z]", unit[1]):
        return NumberFormat(suffix=" " + unit[1].strip())
    return _GENERAL


_EPOCH_1900 = datetime(1899, 12, 30)  # noqa: DTZ001 - a spreadsheet's day has no zone
_EPOCH_1904 = datetime(1904, 1, 1)  # noqa: DTZ001


def show_number(raw: str, how: NumberFormat, *, is_1904: bool = False) -> str:
    """Return the number ``raw`` as its cell shows it; dates in ISO 8601, as fine as the format."""
    raw = raw.strip()
    try:
        value = float(raw)
    except ValueError:
        return clean(raw)
    if how.finest:
        shown = show_date(value, how.finest, is_1904=is_1904)
        if shown:
            return shown
    text = figure_text(raw, value)
    if how.pad and text.isdigit():
        return text.zfill(how.pad)
    if how.suffix:
        return text + how.suffix
    return text if text.lstrip("-").isdigit() else Figure(text)


def figure_text(raw: str, value: float) -> str:
    """Return a number in plain figures; one that lost figures keeps its power of ten and shows it."""
    if value.is_integer():
        return str(int(value)) if abs(value) < 1e15 else f"{value:.14E}".replace("+0", "+")
    if "e" not in raw.lower() and len(raw) <= 15:
        return raw
    return format(Decimal(f"{value:.15g}"), "f")


def show_date(value: float, finest: str, *, is_1904: bool = False) -> str:
    """Return the day of a spreadsheet as ISO 8601, "" when there is no such day.

    ``finest`` is "d" for the day, "m" for the month, "y" for the year, "t" for a time alone. In the
    calendar of 1900 day 60 is 29 February 1900, which never was (kept for a forerunner's sake).
    """
    if not 0 <= value < 2_958_466 or (not is_1904 and 60 <= value < 61):
        return ""
    if finest == "t" or (value < 1 and not is_1904):
        seconds = round(value * 86400)
        return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    shift = 1 if not is_1904 and value < 60 else 0
    moment = (_EPOCH_1904 if is_1904 else _EPOCH_1900) + timedelta(
        days=int(value) + shift, seconds=round((value % 1) * 86400)
    )
    if finest == "m":
        return f"{moment.year:04d}-{moment.month:02d}"
    if finest == "y":
        return f"{moment.year:04d}"
    day = moment.date().isoformat()
    return day if moment.time() == time() else f"{day}T{moment:%H:%M:%S}"


_COLUMN = re.compile(r"[A-Z]{1,3}")
_BLOCK = re.compile(r"\$?([A-Z]{1,3})\$?(\d{1,7}):\$?([A-Z]{1,3})\$?(\d{1,7})")


def column_index(letters: str) -> int:
    """Return 0 for "A", 26 for "AA". Raises ``RegisterFileError`` for what is no column."""
    if not _COLUMN.fullmatch(letters):
        raise _broken()
    index = 0
    for letter in letters:
        index = index * 26 + ord(letter) - 64
    return index - 1


def merged_block(text: str) -> tuple[int, int, int, int] | None:
    match = _BLOCK.fullmatch(text)
    if match is None:
        return None
    return int(match[2]), column_index(match[1]), int(match[4]), column_index(match[3])


# -- ODS


def _open_ods(package: zipfile.ZipFile, names: set[str]) -> list[SheetPart]:
    if "META-INF/manifest.xml" in names and b"encryption-data" in package.read("META-INF/manifest.xml"):
        raise _locked()
    hidden_styles: set[str] = set()
    style = ""
    tables: list[tuple[str, str]] = []

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal style
        if tag == "style:style":
            style = attributes.get("style:name", "")
        elif tag == "style:table-properties" and attributes.get("table:display") == "false":
            hidden_styles.add(style)
        elif tag == "table:table":
            tables.append((attributes.get("table:name", ""), attributes.get("table:style-name", "")))

    _feed(package, "content.xml", start)
    if not tables:
        raise file_error(
            "not_text", "", "The file is an office document, not a workbook.", "Upload the register itself."
        )
    return [
        SheetPart(name, look in hidden_styles, _ods_loader(package, number))
        for number, (name, look) in enumerate(tables)
    ]


def _ods_loader(package: zipfile.ZipFile, number: int) -> Callable[[Heard | None], Grid]:
    def load(heard: Heard | None) -> Grid:
        grid = Grid()
        try:
            _feed(package, "content.xml", *_ods_handlers(grid, number, heard))
        except RegisterFileError:
            raise
        except _BROKEN as error:
            raise _broken() from error
        return grid

    return load


def _ods_handlers(grid: Grid, wanted: int, heard: Heard | None) -> tuple[Any, Any, Any]:
    table = -1
    depth = 0
    row_number = 1
    row_repeats = 1
    row: list[str] = []
    column = 0
    cell: dict[str, str] = {}
    pieces: list[str] = []
    in_paragraph = 0
    in_note = 0
    cells = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal table, depth, row_repeats, row, column, cell, in_paragraph, in_note
        if tag == "table:table":
            depth += 1
            table += depth == 1
        if table != wanted or depth != 1:
            return
        if tag == "table:table-row":
            row_repeats = max(1, int(attributes.get("table:number-rows-repeated", 1)))
            row = []
            column = 0
            if attributes.get("table:visibility") in ("collapse", "filter"):
                grid.hidden_rows.append(row_number)
        elif tag in ("table:table-cell", "table:covered-table-cell"):
            cell = attributes
            pieces.clear()
            down = int(attributes.get("table:number-rows-spanned", 1))
            across = int(attributes.get("table:number-columns-spanned", 1))
            if (down > 1 or across > 1) and len(grid.merges) < 500_000:
                grid.merges.append((row_number, column, row_number + down - 1, column + across - 1))
        elif tag == "table:table-column":
            repeats = int(attributes.get("table:number-columns-repeated", 1))
            if attributes.get("table:visibility") in ("collapse", "filter"):
                first = len(grid.hidden_columns)
                grid.hidden_columns.extend(range(first, first + min(repeats, MOST_COLUMNS)))
        elif tag == "office:annotation":
            in_note += 1
        elif tag == "text:p" and not in_note:
            if in_paragraph == 0 and pieces:
                pieces.append(" ")
            in_paragraph += 1
        elif tag in ("text:s", "text:tab", "text:line-break") and in_paragraph:
            pieces.append(" ")

    def end(tag: str) -> None:
        nonlocal depth, row_number, column, in_paragraph, in_note, cells
        if tag == "table:table":
            depth -= 1
            return
        if table != wanted or depth != 1:
            return
        if tag == "text:p" and not in_note:
            in_paragraph -= 1
        elif tag == "office:annotation":
            in_note -= 1
        elif tag in ("table:table-cell", "table:covered-table-cell"):
            repeats = max(1, int(cell.get("table:number-columns-repeated", 1)))
            shown = "" if tag == "table:covered-table-cell" else _ods_text(cell, "".join(pieces))
            if shown:
                if column + repeats > MOST_COLUMNS:
                    raise _too_wide(row_number)
                cells += repeats * row_repeats
                if cells > MOST_CELLS:
                    raise _too_many()
                row.extend([""] * (column - len(row)))
                row.extend([shown] * repeats)
            column += repeats
        elif tag == "table:table-row":
            if row:
                if row_number + row_repeats - 1 > MOST_ROWS:
                    raise _broken()
                for repeat in range(row_repeats):
                    grid.rows.append((row_number + repeat, list(row)))
                if heard is not None and len(grid.rows) % _HEARD_EVERY == 0:
                    heard(len(grid.rows), 0)
            row_number += row_repeats

    def text(piece: str) -> None:
        if in_paragraph:
            pieces.append(piece)

    return start, end, text


def _ods_text(cell: dict[str, str], written: str) -> str:
    written = clean(written)
    kind = cell.get("office:value-type", "")
    if cell.get("calcext:value-type") == "error":
        return written or "#VALUE!"
    if kind in ("float", "percentage", "currency"):
        raw = cell.get("office:value", "")
        shown = show_number(raw, _GENERAL)
        # Zeros before a number and a unit behind it stand in the text alone.
        if re.fullmatch(r"0\d+", written) and written.lstrip("0") == shown:
            return written
        if re.fullmatch(r"[\d.,]+\s*[a-zA-Z]{1,5}", written):
            return written
        return shown or written
    if kind == "date":
        raw = cell.get("office:date-value", "")
        day, _, clock = raw.partition("T")
        if clock and set(clock) - set("0:.Z"):
            return raw
        if _shows_month(day, written):
            return day[:7]
        return day or written
    if kind == "boolean":
        return "TRUE" if cell.get("office:boolean-value") == "true" else "FALSE"
    if kind == "" and not written and cell.get("table:formula"):
        return "=" + clean(cell["table:formula"])
    return written


def _shows_month(day: str, written: str) -> bool:
    """Return whether a cell on the first of a month shows month and year alone."""
    match = re.fullmatch(r"(\d{4})-(\d{2})-01", day)
    if match is None:
        return False
    figures = [int(part) for part in re.findall(r"\d+", written)]
    years = {int(match[1]), int(match[1]) % 100}
    if re.search(r"[^\W\d]{3}", written):
        return len(figures) == 1 and figures[0] in years
    month = int(match[2])
    return (
        len(figures) == 2
        and month in figures
        and any(n in years for n in figures if n != month or len(set(figures)) == 1)
    )


# -- XLS


def _open_xls(data: bytes) -> list[SheetPart]:
    if "EncryptedPackage".encode("utf-16-le") in data:
        raise _locked()
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        about = list(book.sheets_metadata)
    except python_calamine.PasswordError as error:
        raise _locked() from error
    except (python_calamine.CalamineError, OSError, ValueError) as error:
        raise _broken() from error
    except BaseException as error:
        if _is_panic(error):
            raise _broken() from error
        raise
    worksheet = python_calamine.SheetTypeEnum.WorkSheet
    visible = python_calamine.SheetVisibleEnum.Visible
    return [
        SheetPart(sheet.name, sheet.visible != visible, _xls_loader(book, number))
        for number, sheet in enumerate(about)
        if sheet.typ == worksheet
    ]


def _is_panic(error: BaseException) -> bool:
    """Return whether the library gave up on a broken file; it does so outside ``Exception``."""
    return type(error).__name__ == "PanicException"


def _xls_loader(book: python_calamine.CalamineWorkbook, number: int) -> Callable[[Heard | None], Grid]:
    def load(heard: Heard | None) -> Grid:
        grid = Grid()
        try:
            sheet = book.get_sheet_by_index(number)
            left = sheet.start[1] if sheet.start else 0
            for index, values in enumerate(sheet.iter_rows()):
                cells = [""] * (left if values and not sheet.start else 0)
                cells += [_value_text(value) for value in values]
                while cells and not cells[-1]:
                    cells.pop()
                if cells:
                    grid.rows.append((index + 1, cells))
                if heard is not None and index % _HEARD_EVERY == 0:
                    heard(index, 0)
            grid.merges = [
                (first[0] + 1, first[1], last[0] + 1, last[1])
                for first, last in sheet.merged_cell_ranges or []
            ]
        except (python_calamine.CalamineError, OSError, ValueError) as error:
            raise _broken() from error
        except BaseException as error:
            if _is_panic(error):
                raise _broken() from error
            raise
        return grid

    return load


def _value_text(value: Any) -> str:
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, int | float):
        return show_number(repr(value), _GENERAL)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


# -- text of a cell

# Byte-order marks and other signs without width stay behind where files were put together.
NO_WIDTH = dict.fromkeys(map(ord, "\ufeff\u200b\u200c\u200d\u2060\u00ad"))


def clean(text: str) -> str:
    """Return the text with single spaces and without signs that have no width."""
    if text.isascii() and text.isprintable() and "  " not in text:
        return text.strip()
    return " ".join(text.translate(NO_WIDTH).split())
