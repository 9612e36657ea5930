"""The bytes of a CSV file turned into headings and rows of text.

Encoding and delimiter are found out; what was a guess is said. A file that is no text, or whose
quotation marks do not close, is refused whole, since rows would be lost unseen.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass

from servicedesk.exchange.findings import Finding, Severity, file_error
from servicedesk.exchange.words import plain, words_of

_BOMS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_NOT_TEXT = (
    (b"PK\x03\x04", "a spreadsheet or zip archive"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet file"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x1f\x8b", "a compressed file"),
)
# Byte-order marks and other signs without width stay behind where files were put together.
_NO_WIDTH = dict.fromkeys(map(ord, "\ufeff\u200b\u200c\u200d\u2060"))
_BLANK = " \t\r\n,;|"
_DELIMITERS = (",", ";", "\t", "|")


def decode(data: bytes) -> tuple[str, str, list[Finding]]:
    """Return the text, the encoding it was read in, and a doubt when that was a guess."""
    if not data.strip():
        raise file_error("empty", "", "The file is empty.", "Choose the file that holds the register.")
    for start, kind in _NOT_TEXT:
        if data.startswith(start):
            raise file_error(
                "not_text", "", f"The file is {kind}, not CSV text.", "Save the register as CSV."
            )
    encoding = next((name for bom, name in _BOMS if data.startswith(bom)), "")
    guessed = ""
    if not encoding and b"\x00" in data[:4000]:
        even, odd = data[:4000:2].count(0), data[1:4000:2].count(0)
        if max(even, odd) * 2 < len(data[:4000]) * 0.3:
            raise file_error(
                "not_text", "", "The file holds bytes that no text has.", "Save the register as CSV in UTF-8."
            )
        encoding = guessed = "utf-16-le" if odd > even else "utf-16-be"
    if not encoding:
        try:
            data.decode("utf-8")
            encoding = "utf-8"
        except UnicodeDecodeError:
            encoding = guessed = "cp1252"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        byte = data[error.start : error.start + 1].hex()
        raise file_error(
            "encoding",
            byte,
            f"Byte {error.start + 1} of the file (hexadecimal {byte}, in line {row}) fits neither UTF-8, "
            "UTF-16 nor Windows-1252.",
            "Save the register as CSV in UTF-8.",
            row=row,
        ) from error
    if "\x00" in text:
        row = text[: text.index("\x00")].count("\n") + 1
        raise file_error(
            "not_text",
            "",
            f"Line {row} holds a zero byte, which no text has.",
            "Save the register as CSV in UTF-8.",
            row=row,
        )
    if not text.translate(_NO_WIDTH).strip(_BLANK):
        raise file_error("empty", "", "The file is empty.", "Choose the file that holds the register.")
    findings = []
    if guessed:
        lines = _lines(text)
        line, odd_at = next(
            (
                (n, at)
                for n, line in enumerate(lines, 1)
                for at, sign in enumerate(line)
                if not sign.isascii()
            ),
            (1, 0),
        )
        sample = lines[line - 1][max(0, odd_at - 20) : odd_at + 20]
        findings.append(
            Finding(
                0,
                "",
                "encoding_guess",
                Severity.DOUBT,
                sample,
                f"The file does not say how its letters are coded; it was read as {encoding}. "
                f'Line {line} then says "{sample}".',
                "Check the letters with accents, or save the file in UTF-8.",
            )
        )
    return text.removeprefix("\ufeff"), encoding, findings


@dataclass(frozen=True, slots=True)
class Sheet:
    """Headings and rows; ``rows`` carries the row number as a spreadsheet shows it."""

    delimiter: str
    heading_row: int
    headings: list[str]
    rows: list[tuple[int, list[str]]]


def parse(text: str) -> Sheet:
    forced = re.match(r"sep=(.)\r?\n", text)
    if forced:
        text = text[forced.end() :]
    delimiter = forced[1] if forced else _delimiter(text)
    records: list[tuple[int, list[str]]] = []
    number = 0
    # Strict, because a stray quote would otherwise swallow rows unseen.
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for number, record in enumerate(reader, 1):
            cells = [" ".join(cell.translate(_NO_WIDTH).split()) for cell in record]
            if any(cells):
                records.append((number, cells))
    except csv.Error as error:
        raise file_error(
            "broken_csv",
            "",
            f"The row is broken: {error}. A quotation mark was opened and not closed, or stands "
            "where none may stand.",
            "Double every quotation mark inside a cell, or save the file as CSV again.",
            row=number + 1,
        ) from error
    if not records:
        raise file_error("empty", "", "The file is empty.", "Choose the file that holds the register.")
    heading_row, headings = records[0]
    return Sheet(delimiter, heading_row, headings, records[1:])


def _lines(text: str) -> list[str]:
    """Return the lines as the CSV reader sees them; ``splitlines`` would break at rarer signs too."""
    return re.split(r"\r\n|\n|\r", text)


def _delimiter(text: str) -> str:
    """Return the sign that splits the heading into the most known names."""
    line = next((line for line in _lines(text) if line.translate(_NO_WIDTH).strip(_BLANK)), "")
    known = words_of("columns")

    def worth(delimiter: str) -> tuple[int, int]:
        cells = [cell.strip().strip('"') for cell in line.split(delimiter)]
        return sum(plain(cell) in known for cell in cells), len(cells)

    return max(_DELIMITERS, key=worth)
