"""The bytes of a delimited text file (CSV and its kin) turned into rows of text.

Encoding and delimiter are found out; what was a guess is said. A file that is no text, or whose
quotation marks do not close, is refused whole, since rows would be lost unseen.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from unicodedata import category

from charset_normalizer import from_bytes

from servicedesk.exchange.findings import Finding, RegisterFileError, Severity, file_error
from servicedesk.exchange.words import plain, words_of
from servicedesk.exchange.workbook import NO_WIDTH, Grid, Heard, clean

# Longest marks first: that of UTF-32 begins like that of UTF-16.
_BOMS = (
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)
_NOT_TEXT = (
    (b"PK\x03\x04", "a spreadsheet or zip archive"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet file"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x1f\x8b", "a compressed file"),
    (b"7z\xbc\xaf", "a compressed file"),
    (b"Rar!", "a compressed file"),
    (b"{\\rtf", "a letter"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90\x00", "a program"),
)
# Some programs hand out a web page or XML under the name of a workbook.
_PAGE = re.compile(rb"\s*(?:\xef\xbb\xbf)?\s*<(?:!doctype|html|table|\?xml|head|meta)\b", re.IGNORECASE)
_BLANK = " \t\r\n,;|^~:"

DELIMITERS: tuple[tuple[str, str], ...] = (
    (",", "Comma ,"),
    (";", "Semicolon ;"),
    ("\t", "Tab"),
    ("|", "Bar |"),
    ("^", "Caret ^"),
    ("~", "Tilde ~"),
    (":", "Colon :"),
)
ENCODINGS: tuple[tuple[str, str], ...] = (
    ("utf-8", "UTF-8"),
    ("utf-16", "UTF-16"),
    ("utf-32", "UTF-32"),
    ("cp1252", "Windows, Western Europe (1252)"),
    ("cp1250", "Windows, Central Europe (1250)"),
    ("cp1251", "Windows, Cyrillic (1251)"),
    ("cp1253", "Windows, Greek (1253)"),
    ("cp1254", "Windows, Turkish (1254)"),
    ("cp1257", "Windows, Baltic (1257)"),
    ("iso-8859-1", "ISO 8859-1, Western Europe"),
    ("iso-8859-2", "ISO 8859-2, Central Europe"),
    ("iso-8859-15", "ISO 8859-15, Western Europe with euro"),
    ("mac_roman", "Mac Roman"),
    ("cp437", "DOS, United States (437)"),
    ("cp850", "DOS, Western Europe (850)"),
)
# What a file without a mark may be in, the likeliest first.
_CANDIDATES = ("cp1252", "mac_roman", "cp850", "cp437", "cp1250", "cp1251", "cp1253", "cp1254", "cp1257")
_SAVE_AS_UTF8 = "Save the register as CSV in UTF-8, or say how its letters are coded."


@dataclass(slots=True)
class TextFile:
    """A delimited text file: its text, how it was decoded and what splits its cells."""

    text: str
    encoding: str
    delimiter: str
    findings: tuple[Finding, ...]
    first_line: int = 1

    def grid(self, heard: Heard | None = None) -> Grid:
        """Return the rows that are not blank. Raises ``RegisterFileError`` where the CSV is broken.

        Source: RFC 4180, section 2. A record is a row, however many lines its quoted cells span.
        """
        grid = Grid()
        known: dict[str, str] = {}
        number = self.first_line - 1
        # Strict, because a stray quote would otherwise swallow rows unseen.
        reader = csv.reader(io.StringIO(self.text, newline=""), delimiter=self.delimiter, strict=True)
        try:
            for number, record in enumerate(reader, self.first_line):
                cells = []
                for cell in record:
                    kept = known.get(cell)
                    if kept is None:
                        if len(known) > 300_000:
                            known.clear()
                        kept = known[cell] = clean(cell)
                    cells.append(kept)
                if any(cells):
                    grid.rows.append((number, cells))
                if heard is not None and number % 500 == 0:
                    heard(number, 0)
        except csv.Error as error:
            raise file_error(
                "broken_csv",
                "",
                f"The row is broken: {error}. A quotation mark was opened and not closed, or stands "
                "where none may stand.",
                "Double every quotation mark inside a cell, or save the file as CSV again.",
                row=number + 1,
            ) from error
        if not grid.rows:
            raise _empty()
        return grid


def _empty() -> RegisterFileError:
    return file_error("empty", "", "The file is empty.", "Choose the file that holds the register.")


def read_text(data: bytes, *, encoding: str = "", delimiter: str = "") -> TextFile:
    """Return the text of a delimited file, decoded and with its delimiter known.

    Raises ``RegisterFileError`` when it is empty, no text, or not in the told encoding.
    """
    text, used, findings = decode(data, encoding)
    first_line = 1
    forced = re.match(r"sep=(.)\r?\n", text)
    if forced:
        text = text[forced.end() :]
        delimiter = delimiter or forced[1]
    return TextFile(text, used, delimiter or find_delimiter(text), tuple(findings), first_line)


def decode(data: bytes, told: str = "") -> tuple[str, str, list[Finding]]:
    """Return the text, the encoding it was read in, and a doubt when that was a guess."""
    if not data.strip():
        raise _empty()
    for start, kind in _NOT_TEXT:
        if data.startswith(start):
            raise file_error(
                "not_text", "", f"The file is {kind}, not CSV text.", "Save the register as CSV."
            )
    if _PAGE.match(data):
        raise file_error(
            "not_text",
            "",
            "The file is a web page or XML, whatever its name says.",
            "Open it in a spreadsheet program, save it as XLSX or CSV, and upload that.",
        )
    encoding = next((name for bom, name in _BOMS if data.startswith(bom)), "")
    guessed = ""
    if told and not encoding:
        encoding = told
    if not encoding and b"\x00" in data[:4000]:
        encoding = guessed = _wide(data[:4000])
    if not encoding:
        try:
            data.decode("utf-8")
            encoding = "utf-8"
        except UnicodeDecodeError:
            encoding = guessed = _guess(data)
    try:
        text = data.decode(encoding)
    except LookupError as error:
        raise file_error(
            "encoding", told, f'"{told}" is no encoding known here.', "Choose one of the list."
        ) from error
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        byte = data[error.start : error.start + 1].hex()
        fits = f"does not fit {encoding}" if told else "fits neither UTF-8, UTF-16 nor Windows-1252"
        raise file_error(
            "encoding",
            byte,
            f"Byte {error.start + 1} of the file (hexadecimal {byte}, in line {row}) {fits}.",
            _SAVE_AS_UTF8,
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
    if guessed.startswith("utf-") and _is_no_text(text[:4000]):
        raise _strange_bytes()
    if not text.translate(NO_WIDTH).strip(_BLANK):
        raise _empty()
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
                becomes=encoding,
            )
        )
    return text.removeprefix("\ufeff"), encoding, findings


def _strange_bytes() -> RegisterFileError:
    return file_error(
        "not_text", "", "The file holds bytes that no text has.", "Save the register as CSV in UTF-8."
    )


def _is_no_text(head: str) -> bool:
    """Return whether ``head`` has more signs that stand in no text than a slip explains.

    Any bytes can be read two by two; of a program that gives control signs and code points without a sign.
    """
    odd = sum(category(sign) in ("Cc", "Cn", "Co", "Cs") for sign in head if sign not in "\t\n\r\v\f\ufeff")
    return odd * 50 > len(head)


def _wide(head: bytes) -> str:
    """Return which encoding of several bytes a sign ``head`` is in, told by where its zeros stand."""
    quarters = [head[at::4].count(0) / max(1, len(head) // 4) for at in range(4)]
    if quarters[1] > 0.6 and quarters[2] > 0.9 and quarters[3] > 0.9:
        return "utf-32-le"
    if quarters[0] > 0.9 and quarters[1] > 0.9 and quarters[2] > 0.6:
        return "utf-32-be"
    even, odd = head[::2].count(0), head[1::2].count(0)
    if max(even, odd) * 2 < len(head) * 0.3:
        raise _strange_bytes()
    return "utf-16-le" if odd > even else "utf-16-be"


# Letters beyond ASCII that words of the languages of Europe have, and how much each speaks for its table:
# a wrong table gives rare letters, or signs inside words. From memory.
_WEIGHTS = (
    dict.fromkeys("äöüßéèêëàâáçñóôíîïúùûãõÄÖÜÉÈÀÁÇÑÓÍÚ", 1.0)
    | dict.fromkeys("åæøìòœÅÆØ", 0.7)
    | dict.fromkeys("ąćęłńśźżčďěňřšťůýžőűăîșțğışŠŽČŁŚŻ", 0.85)
)
_USUAL_SIGNS = frozenset("°º²³½¼¾§€£–—’‘“”«»…·®µ×±¿¡ª")


def _guess(data: bytes) -> str:
    """Return the likeliest encoding of one byte a sign, by the letters it would give.

    Another library is heard as one witness among the signs themselves.
    """
    words = re.findall(rb"[^\s,;|\"]*[\x80-\xff][^\s,;|\"]*", data)[:3000]
    witness = from_bytes(b"\n".join(words[:500])).best()
    heard = witness.encoding if witness is not None else ""
    best, most = "cp1252", 0.0
    signs = len(set(re.findall(rb"[\x80-\xff]", b"".join(words))))
    for encoding in _CANDIDATES:
        try:
            text = b"\n".join(words).decode(encoding)
        except UnicodeDecodeError:
            continue
        worth = _naturalness(text) + (0.05 if encoding == heard else 0.0)
        if encoding == best:
            most = worth
        elif worth > most + (0.05 if signs > 2 else 0.5) and worth > 0.5 and signs > 1 + (most == 0.0):
            # One or two letters are little evidence against what is usual.
            best, most = encoding, worth
    return best


def _naturalness(text: str) -> float:
    """Return from -1 to 1 how far the letters beyond ASCII stand as in words that people write."""
    total, count = 0.0, 0
    for before, sign, after in zip("\n" + text, text, text[1:] + "\n", strict=False):
        if sign.isascii():
            continue
        count += 1
        if sign in _USUAL_SIGNS:
            inside = before.isalpha() and after.isalpha() and sign not in "’·"
            total += -0.5 if inside else 0.1 if before.isalpha() else 0.6
        elif not sign.isalpha():
            total -= 1
        elif ord(sign) >= 0x370:
            alike = any(other.isalpha() and ord(other) >= 0x370 for other in (before, after))
            total += 0.9 if alike and not (sign.isupper() and before.islower()) else -0.5
        elif sign.isupper() and before.islower():
            total -= 1
        elif sign in _WEIGHTS:
            strange = not after.isascii() and after.isalpha() and not before.isascii()
            alone = not (before.isalpha() or after.isalpha())
            total += -0.3 if strange else 0.4 if alone else _WEIGHTS[sign]
    return total / count if count else 0.0


def _lines(text: str) -> list[str]:
    """Return the lines as the CSV reader sees them; ``splitlines`` would break at rarer signs too."""
    return re.split(r"\r\n|\n|\r", text)


def find_delimiter(text: str) -> str:
    """Return the sign that splits the heading into the most known names."""
    known = words_of("columns")
    lines = [line for line in _lines(text[:200_000]) if line.translate(NO_WIDTH).strip(_BLANK)][:60]

    def worth(delimiter: str) -> tuple[int, float, int]:
        splits = [[cell.strip().strip('"') for cell in line.split(delimiter)] for line in lines]
        named = max((sum(plain(cell) in known for cell in cells) for cells in splits), default=0)
        counts = [len(cells) for cells in splits]
        common = max(set(counts), key=counts.count) if counts else 1
        alike = counts.count(common) / len(counts) if counts and common > 1 else 0.0
        return named, round(alike, 1), common

    return max((sign for sign, _ in DELIMITERS), key=worth)
