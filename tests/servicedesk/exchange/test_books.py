"""Files opened: delimited text in any encoding, workbooks of three kinds, and what is none of it."""

from __future__ import annotations

import io
import struct
import zipfile
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from xml.sax.saxutils import escape

import openpyxl
import pytest
import python_calamine
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.worksheet.worksheet import Worksheet

from servicedesk.exchange import workbook
from servicedesk.exchange.book import Book, Table, column_letter, open_book
from servicedesk.exchange.findings import RegisterFileError, Severity
from servicedesk.exchange.reading import RegisterReading, read_register

NOW = datetime(2026, 11, 25, 15, tzinfo=UTC)
HEAD = ["Owner", "Site code", "Site name", "Country", "Point", "Agent", "Size", "Made", "Last service"]
UNIT = ["Owl Mill", "OM-1", "Mill", "DE", "1", "ABC", "6 kg", "2019-06", "2026-03-14"]
USUAL = {"no_serial", "missing_shell", "missing_construction", "zone_of_country"}


def xlsx(fill: Callable[[Worksheet], None], *, is_1904: bool = False, more: Sequence[str] = ()) -> bytes:
    """Return a workbook whose first sheet ``fill`` has filled, with hidden sheets ``more`` behind it."""
    book = openpyxl.Workbook()
    if is_1904:
        book.epoch = CALENDAR_MAC_1904
    sheet = book.active
    assert isinstance(sheet, Worksheet)
    sheet.title = "Register"
    fill(sheet)
    for name in more:
        book.create_sheet(name).sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def with_part(data: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    """Return the zip archive ``data`` with one part changed."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            new.writestr(part, change(old.read(part)) if part == name else old.read(part))
    return out.getvalue()


SHEET = "xl/worksheets/sheet1.xml"


def rows_of(data: bytes, name: str = "") -> list[tuple[int, list[str]]]:
    """Return the rows of a sheet as they show, none taken for a heading."""
    book = open_book(data)
    return book._grid(book.sheet(name).name, None).rows


def codes(reading: RegisterReading) -> list[tuple[int, str]]:
    return [(f.row, f.code) for f in reading.findings if f.code not in USUAL]


def refused(data: bytes, **told: Any) -> str:
    with pytest.raises(RegisterFileError) as error:
        open_book(data, **told).table()
    (finding,) = error.value.findings
    assert finding.sentence
    assert finding.remedy.endswith("Nothing was imported.")
    return finding.code


# -- delimited text

TEXT = 'Owner,Site code,Where\r\n"Owl, Mill",OM-1,"north ""old"" door"\r\n'


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        pytest.param("a,b\r\nc,d\r\n", [["a", "b"], ["c", "d"]], id="1: a line a record"),
        pytest.param("a,b\r\nc,d", [["a", "b"], ["c", "d"]], id="2: the last line may have no break"),
        pytest.param("a,b\nc,d\n", [["a", "b"], ["c", "d"]], id="1: line feeds alone are usual too"),
        pytest.param("a,b\rc,d\r", [["a", "b"], ["c", "d"]], id="1: and so are carriage returns"),
        pytest.param("a, b ,\r\n", [["a", "b", ""]], id="4: spaces, an empty field at the end"),
        pytest.param('"a","b"\r\n', [["a", "b"]], id="5: fields in quotes"),
        pytest.param(
            '"a\r\nb","c,d"\r\ne,f\r\n', [["a b", "c,d"], ["e", "f"]], id="6: break and comma inside"
        ),
        pytest.param('"a ""b"" c",d\r\n', [['a "b" c', "d"]], id="7: quotes doubled inside"),
    ],
)
def test_rfc_4180_section_2(text: str, rows: list[list[str]]) -> None:
    assert [cells for _, cells in rows_of(text.encode())] == rows


@pytest.mark.parametrize("text", ['a,"b\r\nc,d\r\n', 'a,"b"c,d\r\n', '"a'])
def test_rfc_4180_broken_quotes_are_refused(text: str) -> None:
    assert refused(text.encode()) == "broken_csv"


GERMAN = "Kunde;Löschmittel;Straße\nMüller;Prüfung;Größe\nJäger;Höhe;süß\n"
POLISH = "Właściciel;Środek gaśniczy;Łódź\nKowalski;proszek;żółty\n"


@pytest.mark.parametrize(
    ("encoding", "text", "is_told"),
    [
        ("utf-8", GERMAN, True),
        ("utf-8-sig", GERMAN, True),
        ("utf-16", GERMAN, True),
        ("utf-32", GERMAN, True),
        ("utf-16-le", GERMAN, False),
        ("utf-16-be", GERMAN, False),
        ("utf-32-le", GERMAN, False),
        ("cp1252", GERMAN, False),
        ("mac_roman", GERMAN, False),
        ("cp850", GERMAN.replace("ß", "ss"), False),
        ("cp437", GERMAN, False),
        ("cp1250", POLISH, False),
        ("cp1251", "Владелец;Огнетушитель\nИванов;порошковый\n", False),
    ],
)
def test_letters_are_read_by_evidence_and_a_guess_is_said(encoding: str, text: str, is_told: bool) -> None:
    book = open_book(text.encode(encoding))
    table = book.table()
    assert [table.headings, *(cells for _, cells in table.rows)] == [
        line.split(";") for line in text.splitlines()
    ]
    assert [f.code for f in book.findings] == ([] if is_told else ["encoding_guess"])


def test_a_told_encoding_is_used_or_refused() -> None:
    data = "Straße;Ort\n".encode("iso-8859-1")
    assert open_book(data, encoding="iso-8859-1").findings == []
    assert refused(data, encoding="utf-8") == "encoding"
    assert refused(data, encoding="klingon") == "encoding"


@pytest.mark.parametrize("sign", [",", ";", "\t", "|", "^", "~", ":"])
def test_any_usual_sign_may_split_the_cells(sign: str) -> None:
    lines = [HEAD, UNIT, [*UNIT[:4], "2", *UNIT[5:]]]
    data = "".join(sign.join(line) + "\n" for line in lines).encode()
    book = open_book(data)
    assert (book.delimiter, len(book.table().rows)) == (sign, 2)
    assert open_book(data, delimiter="#").table().headings == [sign.join(HEAD).replace("\t", " ")]


# -- workbooks: cells as they show


def test_cells_keep_what_they_show() -> None:
    def fill(sheet: Worksheet) -> None:
        shown: list[tuple[object, str]] = [
            (date(2021, 6, 15), "yyyy-mm-dd"), (date(2021, 6, 1), "mmm-yy"), (date(2021, 6, 1), "mm/yyyy"),
            (datetime(2021, 6, 15, 8, 30), "dd.mm.yyyy hh:mm"), (time(8, 0), "hh:mm"),  # noqa: DTZ001
            (123, "000000"), (6, '0" kg"'), (4.5, '0.0 "lb"'), (123456789012, "General"), (2.5, "0.00"),
            (0.1 + 0.2, "General"), (12345678901234567890, "General"), ("00123", "@"), (True, "General"),
            ("#REF!", "General"), ("=A1", "General"), (43617, "General"), (60, "yyyy-mm-dd"),
            (59, "yyyy-mm-dd"), (-5, "yyyy-mm-dd"), ("  a \n b ", "General"), (43617, "yyyy"),
        ]  # fmt: skip
        for column, (value, how) in enumerate(shown, 1):
            cell = sheet.cell(1, column)
            cell.value = value  # type: ignore[assignment]
            cell.number_format = how

    ((number, cells),) = rows_of(xlsx(fill))
    assert number == 1
    assert cells == [
        "2021-06-15", "2021-06", "2021-06", "2021-06-15T08:30:00", "08:00:00", "000123", "6 kg", "4.5 lb",
        "123456789012", "2.5", "0.3", "1.23456789012346E+19", "00123", "TRUE", "#REF!", "=A1", "43617", "60",
        "1900-02-28", "-5", "a b", "2019",
    ]  # fmt: skip


def test_the_calendar_of_1904() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(HEAD)
        sheet.append([*UNIT[:7], date(2019, 6, 1), 44633])

    data = xlsx(fill, is_1904=True)
    reading = read_register(data, now=NOW)
    assert (str(reading.rows[0].made), str(reading.rows[0].last_maintenance)) == ("2019-06-01", "2026-03-14")
    assert codes(reading) == [(2, "spreadsheet_serial")]


@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.lists(
            st.none()
            | st.integers(-(10**9), 10**9)
            | st.floats(-1e6, 1e6).map(lambda number: round(number, 4))
            | st.booleans()
            | st.text(st.characters(min_codepoint=32, max_codepoint=0x24F), max_size=12)
            | st.dates(date(1901, 1, 1), date(2099, 12, 31)),
            max_size=6,
        ),
        min_size=1,
        max_size=6,
    )
)
def test_two_other_readers_see_the_same_cells(rows: list[list[Any]]) -> None:
    """Witnesses: openpyxl wrote the file, calamine reads it too."""

    def fill(sheet: Worksheet) -> None:
        for row in rows:
            sheet.append(["'" + value if isinstance(value, str) else value for value in row])

    data = xlsx(fill)
    ours = dict(rows_of(data))
    # What is not plain to the last sign goes through the XML parser, and comes out alike.
    note = with_part(data, SHEET, lambda xml: xml.replace(b"<sheetData>", b"<sheetData><!-- </row> -->"))
    spaced = with_part(data, SHEET, lambda xml: xml.replace(b"<c r=", b"<c  r="))
    assert dict(rows_of(note)) == dict(rows_of(spaced)) == ours
    theirs = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data)).get_sheet_by_index(0)
    top, left = theirs.start or (0, 0)
    for number, values in enumerate(theirs.to_python(skip_empty_area=False), 1):
        cells = ours.get(number, [])
        shown = [
            workbook.clean(value) if isinstance(value, str) else workbook._value_text(value)
            for value in values
        ]
        assert [*cells, *[""] * (len(shown) - len(cells))] == shown, (top, left)


def register_of(fill: Callable[[Worksheet], None], **told: Any) -> RegisterReading:
    return read_register(xlsx(fill), now=NOW, file_name="register.xlsx", **told)


def test_titles_merged_cells_hidden_rows_errors_and_sums() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(["Register of Owl Mill"])
        sheet.append([])
        sheet.append(HEAD)
        for number in range(1, 4):
            first = number == 1
            sheet.append(
                [*(UNIT[:4] if first else [None] * 4), number, "ABC", 6, date(2019, 6, 1), "2026-03-14"]
            )
        for letter in "ABCD":
            sheet.merge_cells(f"{letter}4:{letter}6")
        sheet["G5"] = "#REF!"
        sheet["H6"] = "=H4"
        sheet["G6"].number_format = '0" kg"'
        sheet["H4"].number_format = "mmm yyyy"
        sheet.append([None, None, None, None, "Total", None, 18])
        sheet.row_dimensions[5].hidden = True
        sheet.column_dimensions["G"].hidden = True

    reading = register_of(fill)
    assert [(row.row, row.site_code, row.charge_text, str(row.made)) for row in reading.rows] == [
        (4, "OM-1", "", "2019-06"),
        (5, "OM-1", "", "2019-06-01"),
        (6, "OM-1", "6 kg", "unknown"),
    ]
    assert codes(reading) == [
        (0, "hidden_rows"), (0, "hidden_columns"), (0, "merged_cells"), (1, "title_row"), (4, "no_unit"),
        (5, "broken_cell"), (6, "broken_cell"), (6, "missing_date"), (7, "total_row"),
    ]  # fmt: skip
    assert (reading.kind, reading.sheet, reading.heading_row) == ("xlsx", "Register", 3)
    book = open_book(xlsx(fill))
    assert read_register(book, now=NOW).findings == read_register(book, now=NOW).findings
    assert reading.skipped_rows == (1, 7)


def test_two_rows_of_headings_with_merged_groups() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(["Owner", "Site", None, "Country", "Point", "Agent", "Size", "Made", "Last", None])
        sheet.append([None, "code", "name", None, "no", None, None, None, "recharge", "hydro test"])
        sheet.merge_cells("B1:C1")
        sheet.merge_cells("I1:J1")
        sheet.append([*UNIT[:8], "2024-05", "2021-06"])

    (row,) = register_of(fill).rows
    assert (row.site_code, str(row.last_recharge), str(row.last_hydrostatic_test)) == (
        "OM-1",
        "2024-05",
        "2021-06",
    )


def test_the_likeliest_sheet_is_read_and_the_others_are_said() -> None:
    book = openpyxl.Workbook()
    notes = book.active
    assert isinstance(notes, Worksheet)
    notes.title = "Notes"
    notes.append(["Please keep up to date", "thank you"])
    register = book.create_sheet("Units")
    register.append(HEAD)
    register.append(UNIT)
    old = book.create_sheet("Old")
    old.sheet_state = "hidden"
    for _ in range(3):
        old.append(HEAD)
    out = io.BytesIO()
    book.save(out)
    opened = open_book(out.getvalue(), "units.xlsx")
    assert [(sheet.name, sheet.is_hidden) for sheet in opened.sheets] == [
        ("Notes", False), ("Units", False), ("Old", True),
    ]  # fmt: skip
    reading = read_register(opened, now=NOW)
    assert (reading.sheet, len(reading.rows)) == ("Units", 1)
    assert codes(reading) == [(0, "hidden_sheet"), (0, "other_sheets")]
    with pytest.raises(RegisterFileError, match='no sheet "Mine"'):
        read_register(opened, now=NOW, sheet="Mine")
    with pytest.raises(RegisterFileError, match="Row 9"):
        read_register(opened, now=NOW, sheet="Units", heading_row=9)


def test_letters_of_columns() -> None:
    assert [column_letter(n) for n in (0, 25, 26, 701, 702)] == ["A", "Z", "AA", "ZZ", "AAA"]
    assert [workbook.column_index(column_letter(n)) for n in range(0, 800, 7)] == list(range(0, 800, 7))


# -- ODS and XLS


def ods(rows: str, *, display: str = "true") -> bytes:
    """Return a workbook of the open document format with the XML of its rows."""
    content = (
        '<?xml version="1.0" encoding="UTF-8"?><office:document-content '
        'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
        'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
        'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" '
        'xmlns:style="urn:oasis:names:tc:opendocument:xmlns:style:1.0" '
        'xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0" '
        'office:version="1.3"><office:automatic-styles><style:style style:name="ta1" style:family="table">'
        f'<style:table-properties table:display="{display}"/></style:style></office:automatic-styles>'
        f'<office:body><office:spreadsheet><table:table table:name="Units" table:style-name="ta1">{rows}'
        "</table:table></office:spreadsheet></office:body></office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        kind = "application/vnd.oasis.opendocument.spreadsheet"
        package.writestr("mimetype", kind, zipfile.ZIP_STORED)
        package.writestr(
            "META-INF/manifest.xml",
            '<?xml version="1.0" encoding="UTF-8"?><manifest:manifest manifest:version="1.3" '
            'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"><manifest:file-entry '
            f'manifest:full-path="/" manifest:media-type="{kind}"/></manifest:manifest>',
        )
        package.writestr("content.xml", content)
    return out.getvalue()


def ods_row(*cells: str, more: str = "") -> str:
    texts = "".join(cell if cell.startswith("<") else ods_cell("string", escape(cell)) for cell in cells)
    return f"<table:table-row{more}>{texts}</table:table-row>"


def ods_cell(kind: str, shown: str, **values: str) -> str:
    told = "".join(
        f' {name.replace("_", ":", 1).replace("_", "-")}="{value}"' for name, value in values.items()
    )
    return f'<table:table-cell office:value-type="{kind}"{told}><text:p>{shown}</text:p></table:table-cell>'


def test_an_ods_is_read_as_it_shows() -> None:
    rows = (
        ods_row(*HEAD)
        + ods_row(
            *UNIT[:4],
            ods_cell("float", "0012", office_value="12"),
            "ABC",
            ods_cell("float", "6 kg", office_value="6"),
            ods_cell("date", "06/19", office_date_value="2019-06-01"),
            ods_cell("date", "14.03.26", office_date_value="2026-03-14"),
        )
        + '<table:table-row table:number-rows-repeated="1048000"><table:table-cell '
        'table:number-columns-repeated="1024"/></table:table-row>'
    )
    data = ods(rows)
    reading = read_register(data, now=NOW)
    (row,) = reading.rows
    assert (reading.kind, row.location_number, row.charge_text, str(row.made), str(row.last_maintenance)) == (
        "ods",
        "0012",
        "6 kg",
        "2019-06",
        "2026-03-14",
    )
    # Witness: calamine sees the same values behind the texts.
    theirs = (
        python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data)).get_sheet_by_index(0).to_python()
    )
    assert theirs[1][:4] == UNIT[:4]
    assert theirs[1][7:9] == [date(2019, 6, 1), date(2026, 3, 14)]


def test_an_ods_with_repeats_errors_notes_and_a_hidden_sheet() -> None:
    rows = ods_row("a", '<table:table-cell table:number-columns-repeated="2"/>', "d") + ods_row(
        ods_cell("string", "#REF!", calcext_value_type="error"),
        ods_cell("boolean", "WAHR", office_boolean_value="true"),
        '<table:table-cell office:value-type="string"><office:annotation><text:p>note</text:p>'
        "</office:annotation><text:p>two</text:p><text:p>lines</text:p></table:table-cell>",
        '<table:table-cell table:formula="of:=1+1"/>',
        more=' table:number-rows-repeated="2" table:visibility="collapse"',
    )
    book = open_book(ods(rows, display="false"))
    assert book.sheets[0].is_hidden
    grid = book._grid("Units", None)
    again = ["#REF!", "TRUE", "two lines", "=of:=1+1"]
    assert grid.rows == [(1, ["a", "", "", "d"]), (2, again), (3, again)]
    assert grid.hidden_rows == [2]


def biff(*records: tuple[int, bytes]) -> bytes:
    return b"".join(struct.pack("<HH", kind, len(body)) + body for kind, body in records)


def xls(rows: list[list[str | float]]) -> bytes:
    """Return the smallest workbook of the old kind: BIFF8 in a compound file, one sheet."""
    bof = struct.pack("<HHHHII", 0x0600, 0x0005, 0, 0, 0, 0)
    sheet_bof = struct.pack("<HHHHII", 0x0600, 0x0010, 0, 0, 0, 0)
    cells = []
    for r, row in enumerate(rows):
        for c, value in enumerate(row):
            if isinstance(value, str):
                text = value.encode("latin-1")
                cells.append((0x0204, struct.pack("<HHHHB", r, c, 0, len(text), 0) + text))
            else:
                cells.append((0x0203, struct.pack("<HHHd", r, c, 0, value)))
    sheet = biff((0x0809, sheet_bof), *cells, (0x000A, b""))
    name = b"Units"
    bound = len(biff((0x0809, bof), (0x0085, b"\x00" * (8 + len(name))), (0x000A, b"")))
    about = struct.pack("<IBBBB", bound, 0, 0, len(name), 0) + name
    stream = biff((0x0809, bof), (0x0085, about), (0x000A, b"")) + sheet
    stream = stream.ljust(max(4096, -(-len(stream) // 512) * 512), b"\x00")
    count = len(stream) // 512
    fat = [0xFFFFFFFD, 0xFFFFFFFE, *range(3, count + 2), 0xFFFFFFFE]
    fat += [0xFFFFFFFF] * (128 - len(fat))
    header = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 16
    header += struct.pack("<HHHHH", 0x3E, 3, 0xFFFE, 9, 6) + b"\x00" * 6
    header += struct.pack("<IIIIIIIII", 0, 1, 1, 0, 4096, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0)
    header += struct.pack("<109I", 0, *[0xFFFFFFFF] * 108)

    def entry(title: str, kind: int, child: int, start: int, size: int) -> bytes:
        text = title.encode("utf-16-le") + b"\x00\x00"
        return (
            text.ljust(64, b"\x00")
            + struct.pack("<HBBIII", len(text), kind, 1, 0xFFFFFFFF, 0xFFFFFFFF, child)
            + b"\x00" * 36
            + struct.pack("<IQ", start, size)
        )

    folder = entry("Root Entry", 5, 1, 0xFFFFFFFE, 0) + entry("Workbook", 2, 0xFFFFFFFF, 2, len(stream))
    return header + struct.pack("<128I", *fat) + folder.ljust(512, b"\x00") + stream


def test_an_old_xls_is_read_and_its_limits_are_said() -> None:
    reading = read_register(xls([[*HEAD], [*UNIT[:7], 2019.0, "2026-03-14"]]), now=NOW)
    assert (reading.kind, reading.sheet, len(reading.rows)) == ("xls", "Units", 1)
    assert (str(reading.rows[0].made), codes(reading)) == ("2019", [(0, "old_workbook"), (2, "year_only")])


# -- what is no register


def archive(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in parts.items():
            package.writestr(name, data)
    return out.getvalue()


def plain_xlsx() -> bytes:
    return xlsx(lambda sheet: (sheet.append(HEAD), sheet.append(UNIT))[0])


def test_files_that_cannot_be_opened_say_why(monkeypatch: pytest.MonkeyPatch) -> None:
    good = plain_xlsx()
    locked = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 600 + "EncryptedPackage".encode("utf-16-le")
    manifest = {"content.xml": b"", "META-INF/manifest.xml": b"<x><manifest:encryption-data/></x>"}
    assert refused(locked) == "locked"
    assert refused(archive(manifest)) == "locked"
    assert refused(b"\xd0\xcf\x11\xe0" + b"\x00" * 2000) == "broken_workbook"
    assert refused(good[:-40]) == "broken_workbook"
    assert refused(with_part(good, SHEET, lambda xml: xml[: len(xml) // 2])) == "broken_workbook"
    assert refused(archive({"letter.txt": b"Dear all"})) == "not_text"
    assert refused(archive({"xl/workbook.bin": b"", "[Content_Types].xml": b""})) == "not_text"
    assert refused(archive({"word/document.xml": b"<a/>", "[Content_Types].xml": b"<a/>"})) == "not_text"
    assert refused(b"%PDF-1.7 and so on") == "not_text"
    assert refused(b"MZ\x90\x00\x03\x00\x00\x00" + bytes(60)) == "not_text"
    # Read two by two this is a line of signs, some of which are none.
    assert refused(b"MZ\x01\x00\x02\x00\x03\x00\x04\x00A\x00" * 20) == "not_text"
    assert refused(b"<html><table><tr><td>Owner</td></tr></table></html>") == "not_text"
    assert refused(b'<?xml version="1.0"?><Workbook/>') == "not_text"
    assert refused(xlsx(lambda sheet: None)) == "empty"
    entity = b'<!DOCTYPE x [<!ENTITY a "aaaa">]><worksheet>&a;</worksheet>'
    assert refused(with_part(good, SHEET, lambda xml: entity)) == "broken_workbook"
    monkeypatch.setattr(workbook, "MOST_BYTES", 100_000)
    bomb = with_part(good, SHEET, lambda xml: xml.replace(b"<sheetData>", b" " * 200_000 + b"<sheetData>"))
    assert len(bomb) < 20_000
    assert refused(bomb) == "too_large"


def test_a_part_that_hides_its_size_is_refused() -> None:
    """The size that an archive tells for a part is believed no further than the part goes."""
    good = bytearray(plain_xlsx())
    at = good.rindex(SHEET.encode()) - 46
    assert good[at : at + 4] == b"PK\x01\x02"
    good[at + 24 : at + 28] = struct.pack("<I", 200)
    assert refused(bytes(good)) == "broken_workbook"


def test_one_cell_far_away_takes_no_room() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(HEAD)
        sheet.append(UNIT)
        sheet["A1048576"] = "end"

    reading = register_of(fill)
    assert ([row.row for row in reading.rows], reading.skipped_rows) == ([2], (1048576,))

    def wide(sheet: Worksheet) -> None:
        fill(sheet)
        sheet["XFD5"] = "stray"

    assert refused(xlsx(wide)) == "too_wide"


def test_parts_of_a_workbook_may_be_named_with_a_prefix_and_without_places() -> None:
    """ECMA-376 lets names have a prefix, and cells and rows leave out where they stand."""

    def change(xml: bytes) -> bytes:
        rows = "".join(
            "<x:row>"
            + "".join(f'<x:c t="inlineStr"><x:is><x:t>{cell}</x:t></x:is></x:c>' for cell in line)
            + "</x:row>"
            for line in (HEAD, UNIT)
        )
        space = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
        return f'<x:worksheet xmlns:x="{space}"><x:sheetData>{rows}</x:sheetData></x:worksheet>'.encode()

    reading = read_register(with_part(plain_xlsx(), SHEET, change), now=NOW)
    assert [(row.row, row.made.raw) for row in reading.rows] == [(2, "2019-06")]


# -- fuzz: no crash, no silent row


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_a_spoiled_workbook_is_read_or_refused(data: st.DataObject) -> None:
    spoiled = bytearray(_GOOD[data.draw(st.sampled_from(sorted(_GOOD)))])
    for _ in range(data.draw(st.integers(1, 4))):
        spoiled[data.draw(st.integers(0, len(spoiled) - 1))] = data.draw(st.integers(0, 255))
    try:
        reading = read_register(bytes(spoiled), now=NOW)
    except RegisterFileError:
        return
    assert len({row.import_key for row in reading.rows}) == len(reading.rows)


_CELL = st.one_of(
    st.none(),
    st.sampled_from(
        [*HEAD, *UNIT, "Total", "#REF!", "=A1", "3 x 2kg CO2", "6kg ABC", "2A:10B:C", "week 23 2019"]
    ),
    st.integers(0, 50_000),
    st.floats(0, 3000).map(lambda number: round(number, 3)),
    st.dates(date(1899, 12, 31), date(2107, 1, 1)),
    st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=8),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.lists(_CELL, max_size=11), max_size=8), st.booleans())
def test_no_row_of_a_workbook_is_lost_unsaid(rows: list[list[Any]], split: bool) -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append([*HEAD, "Quantity", "Status"])
        sheet.append([*UNIT, 1, "in use"])
        for row in rows:
            sheet.append(row)

    data = xlsx(fill)
    book: Book = open_book(data)
    try:
        reading = read_register(book, now=NOW, split_quantities=split or None)
    except RegisterFileError:
        return
    table: Table = book.table()
    there = {number for number, cells in rows_of(data) if any(cells)} - set(table.heading_rows)
    read = {row.row for row in reading.rows}
    skipped = {f.row for f in reading.findings if f.severity is Severity.SKIPPED}
    assert read | set(reading.refused_rows) | set(reading.skipped_rows) == there
    assert skipped == set(reading.skipped_rows)
    assert {f.row for f in reading.refusals} == set(reading.refused_rows)
    assert not read & (set(reading.refused_rows) | skipped)
    assert len({row.import_key for row in reading.rows}) == len(reading.rows)


_GOOD = {
    "csv": ",".join(HEAD).encode() + b"\n" + ",".join(UNIT).encode() + b"\n",
    "xlsx": plain_xlsx(),
    "ods": ods(ods_row(*HEAD) + ods_row(*UNIT)),
    "xls": xls([[*HEAD], [*UNIT]]),
}


def test_hours_of_a_sheet_are_hours() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet["A1"] = timedelta(hours=30)
        sheet["A1"].number_format = "[h]:mm:ss"

    assert rows_of(xlsx(fill)) == [(1, ["30:00:00"])]


def test_an_empty_text_cell_does_not_take_the_text_before_it() -> None:
    book = openpyxl.Workbook(write_only=True)  # writes empty text as a cell without any text element
    sheet = book.create_sheet("Units")
    sheet.append(["serial", "maker", "agent"])
    sheet.append(["A1", "", "CO2"])
    out = io.BytesIO()
    book.save(out)
    assert open_book(out.getvalue()).table().rows == [(2, ["A1", "", "CO2"])]


def test_days_that_a_spreadsheet_took_for_months_stay_open_until_told() -> None:
    """Typed with the day first where the month comes first: 3 April becomes 4 March, 25 April stays text."""

    def fill(sheet: Worksheet) -> None:
        sheet.append(HEAD)
        typed = [*(date(2026, 3, day) for day in range(4, 9)), "25/04/2026", "26/04/2026"]
        for number, day in enumerate(typed, 1):
            sheet.append([*UNIT[:4], number, "ABC", "6 kg", "2019-06", day])

    reading = register_of(fill)
    assert [str(row.last_maintenance) for row in reading.rows] == ["2026-03"] * 5 + [
        "2026-04-25",
        "2026-04-26",
    ]
    assert codes(reading) == [(0, "days_as_months"), *((row, "day_month_order") for row in range(2, 7))]
    told = register_of(fill, day_first=True)
    assert [str(row.last_maintenance) for row in told.rows][:2] == ["2026-04-03", "2026-05-03"]
    kept = register_of(fill, day_first=False)
    assert [str(row.last_maintenance) for row in kept.rows][:2] == ["2026-03-04", "2026-03-05"]
