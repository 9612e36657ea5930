"""The file that is handed over: a ZIP of tables, papers, and a list of both with counts and digests.

Tables are read in pieces and written on the way; nobody is kept waiting meanwhile. What is recorded
after the writing began is not in it: the last row of each table is noted first, and referring tables
before those they refer to.
"""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
import uuid
import zipfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import IO, Any

from django.conf import settings
from django.core.files.storage import default_storage
from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from servicedesk.exchange.writing import csv_lines, plain_cell
from servicedesk.handover import bring_in, made
from servicedesk.handover.made import Line
from servicedesk.handover.rows import Row, canonical, count_of, house_id, paper_name, papers_of, rows_of
from servicedesk.handover.schema import schema_text
from servicedesk.handover.tables import FORMAT, TABLES, VERSION, Column, Cover, Kind, Table, columns_of
from servicedesk.pages import STANDING_LINE
from servicedesk.portal.everything import MOST_SHEET_ROWS, retention

REGISTER = "register.json"
MANIFEST = "manifest.json"
MOST_CELL = 32_767
"""Characters that a cell of a workbook holds (ECMA-376 spreadsheets)."""
FILE_NOTE = "see the CSV or JSON file"

Heard = Callable[[str, int], None]
"""Told the table and how many rows are written in all; may raise to stop the writing."""


@dataclass(slots=True)
class Entry:
    """One file of the ZIP."""

    name: str
    length: int = 0
    sha256: str = ""
    rows: int | None = None

    def said(self) -> dict[str, Any]:
        """As the list of files says it."""
        about: dict[str, Any] = {"file": self.name, "bytes": self.length, "sha256": self.sha256}
        return about if self.rows is None else about | {"rows": self.rows}


@dataclass(slots=True)
class Written:
    """What was written."""

    entries: list[Entry] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)
    """Papers whose file is lost here."""
    made: list[Line] = field(default_factory=list)
    """Papers that have no stored file: those that were made, and those that were not."""

    @property
    def not_made(self) -> list[Line]:
        """Papers that are not in the file."""
        return [line for line in self.made if line.left_out]


def rows_in(cover: Cover) -> int:
    """About how many rows a handover of ``cover`` has."""
    return sum(count_of(table, cover)[0] for table in TABLES)


def write_handover(
    target: IO[bytes],
    cover: Cover,
    form: str,
    *,
    at: datetime,
    with_papers: bool = True,
    makes_papers: bool = True,
    heard: Heard | None = None,
) -> Written:
    """Write the handover of ``cover`` in ``form`` (json, csv or xlsx) to ``target``.

    ``with_papers`` takes stored papers along; with ``makes_papers`` those without a file are made too.
    """
    done = Written()
    makes_papers = makes_papers and with_papers
    total = 0

    def told(what: str) -> None:
        if heard is not None:
            heard(what, total)

    if makes_papers:
        # First of all: what is stored now is among the rows and papers below.
        done.made += made.store_certificates(cover, told)
    # Children first: what a child refers to was there before, and is noted after.
    lasts = {table.name: count_of(table, cover)[1] for table in reversed(TABLES)}

    def rows(table: Table) -> Iterator[Row]:
        nonlocal total
        number = 0
        for row in rows_of(table, cover, last=lasts[table.name]):
            number += 1
            if heard is not None and number % 1000 == 0:
                heard(table.name, total + number)
            yield row
        done.counts[table.name] = number
        total += number
        if heard is not None:
            heard(table.name, total)

    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as archive:
        into = _Into(archive, done, at)
        if form == "json":
            into.add(REGISTER, _json_parts(cover, at, rows, done))
            into.add("schema.json", [schema_text().encode()])
        elif form == "csv":
            into.add(bring_in.NAME, bring_in.bring_in_parts(cover))
            for table in TABLES:
                entry = into.add(f"{table.name}.csv", _csv_parts(table, rows))
                entry.rows = done.counts[table.name]
        elif form == "xlsx":
            with tempfile.TemporaryFile(suffix=".xlsx") as book:
                _workbook(cover, at, rows).save(book)
                book.seek(0)
                into.add("register.xlsx", iter(lambda: book.read(1 << 20), b""))
        else:
            raise ValueError(f"no form {form!r}")
        if with_papers:
            _papers(into, cover, done, heard, total)
        if makes_papers:
            for name, data in made.made_papers(cover, told, at=at, lines=done.made):
                into.add(name, [data], packed=True)
            into.add(made.LIST, made.list_parts(done.made))
        into.add("README.txt", [_readme(cover, at, form, with_papers, done).encode()])
        listed = {
            "format": FORMAT,
            "version": VERSION,
            "made_at": at.isoformat(),
            "covers": covers(cover),
            "papers": "included" if with_papers else "left out",
            "papers_lost_here": done.missing,
            "papers_not_made": len(done.not_made),
            "counts": done.counts,
            "files": [entry.said() for entry in done.entries],
        }
        archive.writestr(
            zipfile.ZipInfo(MANIFEST, at.timetuple()[:6]),
            json.dumps(listed, ensure_ascii=False, indent=1).encode(),
            zipfile.ZIP_DEFLATED,
        )
    return done


def covers(cover: Cover) -> dict[str, Any]:
    """What is covered, in words a person can check."""
    return {
        "level": cover.level,
        "owners": list(cover.owners().order_by("pk").values_list("name", flat=True)),
        "sites": list(cover.sites().order_by("pk").values_list("code", flat=True)),
    }


def file_stem(cover: Cover, at: datetime) -> str:
    """The name of the file without its end."""
    name = re.sub(r"[^A-Za-z0-9-]+", "-", cover.name).strip("-").lower()[:40] or "register"
    return f"handover-{name}-{at:%Y%m%d-%H%M}"


class _Into:
    """Adds files to the ZIP and notes how long they are and what they hash to."""

    def __init__(self, archive: zipfile.ZipFile, done: Written, at: datetime) -> None:
        self.archive, self.done, self.at = archive, done, at

    def add(self, name: str, parts: Iterable[bytes], *, packed: bool = False) -> Entry:
        entry, digest = Entry(name), hashlib.sha256()
        info = zipfile.ZipInfo(name, self.at.timetuple()[:6])
        info.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
        with self.archive.open(info, "w", force_zip64=True) as file:
            for part in parts:
                file.write(part)
                digest.update(part)
                entry.length += len(part)
        entry.sha256 = digest.hexdigest()
        self.done.entries.append(entry)
        return entry


def _json_parts(
    cover: Cover, at: datetime, rows: Callable[[Table], Iterator[Row]], done: Written
) -> Iterator[bytes]:
    head = {
        "format": FORMAT,
        "version": VERSION,
        "handover": str(uuid.uuid4()),
        "made_at": at.isoformat(),
        "house": {"id": str(house_id()), "name": settings.FIRM_NAME},
        "covers": covers(cover),
        "note": STANDING_LINE,
    }
    yield json.dumps(head, ensure_ascii=False, indent=1)[:-2].encode() + b',\n "tables": {'
    digest = hashlib.sha256()
    for number, table in enumerate(TABLES):
        yield f'{"," if number else ""}\n  "{table.name}": ['.encode()
        digest.update(f"{table.name}\n".encode())
        sign = "\n"
        for row in rows(table):
            line = canonical(row)
            digest.update(f"{line}\n".encode())
            yield f"{sign}   {line}".encode()
            sign = ",\n"
        yield b"]"
    tail = {"counts": done.counts, "content_sha256": digest.hexdigest()}
    yield b"\n },\n" + json.dumps(tail, indent=1)[2:].encode() + b"\n"


def _csv_parts(table: Table, rows: Callable[[Table], Iterator[Row]]) -> Iterator[bytes]:
    columns = columns_of(table.name)
    yield from (
        line.encode()
        for line in csv_lines(
            [column.name for column in columns],
            ([value for _, value in _cells(columns, row)] for row in rows(table)),
        )
    )


def _cells(columns: Iterable[Column], row: Row) -> Iterator[tuple[Column, Any]]:
    for column in columns:
        value = row[column.name]
        if isinstance(value, (dict, list)):
            value = canonical({"": value})[4:-1]
        elif isinstance(value, bool):
            value = "yes" if value else "no"
        elif column.kind is Kind.DECIMAL and value is not None:
            value = Decimal(value)
        yield column, value


def _workbook(cover: Cover, at: datetime, rows: Callable[[Table], Iterator[Row]]) -> Workbook:
    book = Workbook(write_only=True)
    about = book.create_sheet("about")
    for said in _about(cover, at):
        about.append([_sheet_cell(said)])
    flat = book.create_sheet("bring-in")
    flat.append(list(bring_in.HEADINGS))
    for line in bring_in.bring_in_rows(cover):
        flat.append([_sheet_cell(cell) for cell in line])
    for table in TABLES:
        columns = columns_of(table.name)
        sheets, left = 1, MOST_SHEET_ROWS
        sheet = book.create_sheet(table.name)
        sheet.append([column.name for column in columns])
        for row in rows(table):
            if not left:
                sheets, left = sheets + 1, MOST_SHEET_ROWS
                sheet = book.create_sheet(f"{table.name}-{sheets}")
                sheet.append([column.name for column in columns])
            sheet.append([_sheet_cell(value) for _, value in _cells(columns, row)])
            left -= 1
    return book


def _sheet_cell(value: Any) -> Any:
    if value is None or isinstance(value, (int, float, Decimal)):
        return value
    text = ILLEGAL_CHARACTERS_RE.sub("\ufffd", plain_cell(value))
    return text if len(text) <= MOST_CELL else f"{text[: MOST_CELL - 40]} … {FILE_NOTE}"


def _papers(into: _Into, cover: Cover, done: Written, heard: Heard | None, total: int) -> None:
    for number, (stored, digest) in enumerate(papers_of(cover)):
        if heard is not None and number % 20 == 0:
            heard("papers", total)
        try:
            with default_storage.open(stored, "rb") as file:
                data: bytes = file.read()
        except (FileNotFoundError, OSError):
            done.missing.append(paper_name(stored, digest))
            continue
        if hashlib.sha256(data).hexdigest() != digest:
            done.missing.append(paper_name(stored, digest))
            continue
        into.add(paper_name(stored, digest), [data], packed=True)


def _about(cover: Cover, at: datetime) -> list[str]:
    said = covers(cover)
    return [
        f"Handed over by {settings.FIRM_NAME} at {at.isoformat(timespec='seconds')}.",
        f"Covers: {said['level']}; owners {', '.join(said['owners'][:20])}; {len(said['sites'])} sites.",
        "Days are civil dates at the site (ISO 8601); instants are UTC. Readings stand as entered.",
        "A mark that was read keeps its words (…_raw) and the first and last day that it can mean.",
        "A record with a value in 'corrects' takes the place of that record; both are kept.",
        STANDING_LINE,
        "",
        "Tables:",
        *(f"- {table.name}: {table.about}" for table in TABLES),
        "",
        "How long records are kept:",
        *(f"- {row.record}: {row.keep} ({row.source})" for row in retention()),
    ]


def _readme(cover: Cover, at: datetime, form: str, with_papers: bool, done: Written) -> str:
    lines = [
        *_about(cover, at),
        "",
        f"{MANIFEST} lists every file with its length and SHA-256.",
        *(
            ["schema.json describes register.json (JSON Schema, draft 2020-12)."]
            if form == "json"
            else [
                "This form is for reading; its bring-in table has headings that Bring in knows. To be "
                "taken over by another house with its history, hand over the JSON form."
            ]
        ),
        *([] if with_papers else ["Papers and photos were left out on purpose."]),
        *(f"Lost here and not included: {name}" for name in done.missing),
        *_made_words(done),
    ]
    return "\n".join(lines) + "\n"


def _made_words(done: Written) -> Iterator[str]:
    if done.made:
        yield (
            f"{made.FOLDER}/ holds papers that are made from these rows when they are asked for, as they "
            f"read at the moment of handing over; {made.LIST} names each. They are for reading: the next "
            "house takes over the rows."
        )
    if number := len(done.not_made):
        are = "paper is" if number == 1 else "papers are"
        yield f"{number} {are} not included; {made.LIST} says which and why."


def media_path(name: str) -> Path:
    """Where a file below the media folder lies."""
    return Path(settings.MEDIA_ROOT) / name
