"""Opening a handed-over file: nothing in it is trusted before it was looked at.

Sizes are limited before anything is unpacked, names in the ZIP are never used as paths here, digests are
worked out again, every value is held to the format, every reference to a row of the same file, and every
chain is walked. What is wrong is told by table, row, field and remedy.
"""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from decimal import Decimal
from typing import IO, Any
from uuid import UUID
from zoneinfo import ZoneInfo

from inventory.logbook.chain import (
    ErasedLink,
    Proof,
    RecordLink,
    erasure_content,
    handed_content,
    prove,
    sha256_of,
)
from schedules.certificates.content import digest_of as certificate_digest
from schedules.rulebook.queries import table_version
from schedules.rules.loader import load_tables
from servicedesk.handover.rows import Row, canonical
from servicedesk.handover.tables import FORMAT, TABLES, VERSION, Column, Kind, Table, columns_of
from servicedesk.handover.writing import MANIFEST, REGISTER

MOST_FILE = 4 * 1024**3
MOST_REGISTER = 512 * 1024**2
MOST_PAPER = 64 * 1024**2
MOST_FILES = 200_000
MOST_PROBLEMS = 100
NEW_FILE = "Ask for a new file from the house that hands over. Nothing was taken over."
_PAPER = re.compile(r"papers/[0-9a-f]{64}\.(pdf|jpg|png|webp|bin)")
_DIGEST = re.compile(r"[0-9a-f]{64}")
_FIGURES = re.compile(r"-?\d+(\.\d+)?")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that keeps a file out."""

    table: str
    row: int
    """From 1; 0 when it is about the table or file as a whole."""
    field: str
    sentence: str
    remedy: str = NEW_FILE

    @property
    def text(self) -> str:
        """In one line."""
        where = ", ".join(
            part
            for part in (
                f"table {self.table}" if self.table else "",
                f"row {self.row}" if self.row else "",
                f"field {self.field}" if self.field else "",
            )
            if part
        )
        return (
            f"{where[:1].upper()}{where[1:]}: {self.sentence} {self.remedy}"
            if where
            else (f"{self.sentence} {self.remedy}")
        )


class HandedFileRefused(Exception):
    """The file is not taken; says everything that is wrong with it."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__(" ".join(one.text for one in problems[:3]))
        self.problems = problems


@dataclass(slots=True)
class Handed:
    """A file that was looked at and found in order."""

    head: Mapping[str, Any]
    tables: Mapping[str, list[Row]]
    content_sha256: str
    papers: Mapping[str, str]
    """Names of papers in the file, by their SHA-256."""
    proofs: Mapping[str, Proof]
    """What the chain of each unit shows, by the unit's identity in the file."""
    file: IO[bytes] | None = None
    notes: list[str] = field(default_factory=list)

    def paper(self, digest: str) -> bytes | None:
        """The bytes of a paper, or None when it is not in the file. Raises when they are others."""
        name = self.papers.get(digest)
        if name is None or self.file is None:
            return None
        self.file.seek(0)
        with zipfile.ZipFile(self.file) as archive, archive.open(name) as found:
            data = found.read(MOST_PAPER + 1)
        if hashlib.sha256(data).hexdigest() != digest:
            raise HandedFileRefused([Problem("", 0, "", f"{name} does not hold what its name says.")])
        return data


def refused(sentence: str, remedy: str = NEW_FILE) -> HandedFileRefused:
    """A refusal of the whole file."""
    return HandedFileRefused([Problem("", 0, "", sentence, remedy)])


def open_handed(file: IO[bytes]) -> Handed:
    """Read and judge a handed-over file, a ZIP or the JSON alone. Raises ``HandedFileRefused``."""
    file.seek(0, 2)
    if file.tell() > MOST_FILE:
        raise refused("The file is larger than 4 GB.", "Have it handed over owner by owner.")
    file.seek(0)
    start = file.read(4)
    file.seek(0)
    papers: dict[str, str] = {}
    if start[:2] == b"PK":
        text, papers = _unpacked(file)
    else:
        text = file.read(MOST_REGISTER + 1)
    if len(text) > MOST_REGISTER:
        raise refused("The register is larger than 512 MB.", "Have it handed over owner by owner.")
    content = _parsed(text)
    head = _head(content)
    tables = content["tables"]
    judge = _Judge(tables)
    judge.look()
    if judge.problems:
        raise HandedFileRefused(judge.problems)
    digest = hashlib.sha256()
    for table in TABLES:
        digest.update(f"{table.name}\n".encode())
        for row in tables[table.name]:
            digest.update(f"{canonical(row)}\n".encode())
    if digest.hexdigest() != content.get("content_sha256"):
        raise refused("The rows do not give the digest that the file ends with: it was altered.")
    notes = []
    lost = sorted({paper["sha256"] for paper in papers_named(tables)} - papers.keys())
    if lost:
        notes.append(f"{len(lost)} papers or photos are named in the file and are not in it.")
    return Handed(head, tables, digest.hexdigest(), papers, judge.proofs, file, notes)


def papers_named(tables: Mapping[str, list[Row]]) -> Iterator[Mapping[str, str]]:
    """Every paper that a row names."""
    for table in TABLES:
        if any(column.kind is Kind.PAPER for column in columns_of(table.name)):
            yield from (row["paper"] for row in tables[table.name] if row["paper"])


def _unpacked(file: IO[bytes]) -> tuple[bytes, dict[str, str]]:
    try:
        with zipfile.ZipFile(file) as archive:
            return _looked_through(archive)
    except (
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        EOFError,
        OSError,
        RuntimeError,
        NotImplementedError,
    ) as bad:
        raise refused(f"The ZIP file cannot be read ({bad}).") from bad


def _looked_through(archive: zipfile.ZipFile) -> tuple[bytes, dict[str, str]]:
    infos = archive.infolist()
    if len(infos) > MOST_FILES:
        raise refused(
            f"The ZIP file holds more than {MOST_FILES:,} files.", "Have it handed over owner by owner."
        )
    if sum(info.file_size for info in infos) > MOST_FILE:
        raise refused("Unpacked it is larger than 4 GB.", "Have it handed over owner by owner.")
    names = {info.filename: info for info in infos}
    if len(names) != len(infos):
        raise refused("The ZIP file holds two files of one name.")
    for name in names:
        if name.startswith(("/", "\\")) or ".." in re.split(r"[/\\]", name) or ":" in name or "\0" in name:
            raise refused(f"{name!r} is a name that leads out of the folder.")
    if REGISTER not in names:
        raise refused(
            f"There is no {REGISTER} in it.",
            "Choose the file in the JSON form; CSV and XLSX are for reading and for Bring in.",
        )
    if MANIFEST not in names or names[MANIFEST].file_size > 64 * 1024**2:
        raise refused(f"There is no {MANIFEST} in it that could be read.")
    if names[REGISTER].file_size > MOST_REGISTER:
        raise refused("The register is larger than 512 MB.", "Have it handed over owner by owner.")
    listed = _parsed(archive.read(MANIFEST)).get("files")
    if not isinstance(listed, list):
        raise refused(f"{MANIFEST} lists no files.")
    papers: dict[str, str] = {}
    text = b""
    for entry in listed:
        if not isinstance(entry, dict) or not isinstance(entry.get("file"), str):
            raise refused(f"{MANIFEST} names a file that is none.")
        name, wanted = entry["file"], entry.get("sha256")
        if name not in names:
            raise refused(f"{name[:80]} is listed and is not in the ZIP file.")
        if _PAPER.fullmatch(name):
            if names[name].file_size > MOST_PAPER:
                raise refused(f"{name} is larger than 64 MB.")
            if name[7:71] != wanted:
                raise refused(f"{name} is listed with another digest than its name says.")
            papers[name[7:71]] = name
        elif name == REGISTER:
            with archive.open(name) as register:
                text = register.read(MOST_REGISTER + 1)
            if hashlib.sha256(text).hexdigest() != wanted:
                raise refused(f"{REGISTER} is not the one that {MANIFEST} lists: it was altered.")
    if not text:
        raise refused(f"{MANIFEST} does not list {REGISTER}.")
    return text, papers


def _parsed(text: bytes) -> dict[str, Any]:
    def no_such_number(word: str) -> None:
        raise ValueError(f"{word} is no number")

    try:
        content = json.loads(text.decode("utf-8"), parse_constant=no_such_number)
    except (ValueError, RecursionError) as bad:
        raise refused(f"This is no JSON that could be read ({bad}).") from bad
    if not isinstance(content, dict):
        raise refused("The JSON holds no object.")
    return content


def _head(content: Mapping[str, Any]) -> Mapping[str, Any]:
    if content.get("format") != FORMAT:
        raise refused(f"The file does not say that it is {FORMAT!r}.", "Choose a file made by Hand over.")
    if content.get("version") != VERSION:
        raise refused(
            f"The file is of version {content.get('version')!r}; this house reads version {VERSION}.",
            "Bring both houses to the same edition of the program.",
        )
    house, covers, tables = content.get("house"), content.get("covers"), content.get("tables")
    if not (isinstance(house, dict) and _is_uuid(house.get("id")) and isinstance(house.get("name"), str)):
        raise refused("The file does not say which house hands over.")
    try:
        made_at = datetime.fromisoformat(str(content.get("made_at")))
    except ValueError:
        made_at = None
    if made_at is None or made_at.tzinfo is None:
        raise refused("The file does not say when it was made.")
    if not isinstance(covers, dict) or not isinstance(tables, dict):
        raise refused("The file has no tables, or does not say what they cover.")
    wanted = [table.name for table in TABLES]
    if set(tables) != set(wanted):
        missing = sorted(set(wanted) - set(tables))
        extra = sorted(str(name)[:40] for name in set(tables) - set(wanted))
        raise refused(
            f"Tables missing: {', '.join(missing) or 'none'}; unknown: {', '.join(extra) or 'none'}.",
            "Bring both houses to the same edition of the program.",
        )
    return {**{k: v for k, v in content.items() if k != "tables"}, "made_at": made_at}


class _Judge:
    """Looks at every value, reference and chain."""

    def __init__(self, tables: Mapping[str, Any]) -> None:
        self.tables = tables
        self.problems: list[Problem] = []
        self.proofs: dict[str, Proof] = {}
        self.idents: dict[str, set[str]] = {}

    def say(self, table: str, row: int, name: str, sentence: str, remedy: str = "") -> None:
        if len(self.problems) < MOST_PROBLEMS:
            problem = Problem(table, row, name, sentence)
            self.problems.append(Problem(table, row, name, sentence, remedy) if remedy else problem)

    def look(self) -> None:
        for table in TABLES:
            self._shape(table)
        if self.problems:
            return
        for table in TABLES:
            if table.is_live:
                self._references(table)
        self._facts()
        if not self.problems:
            self._chains()

    def _shape(self, table: Table) -> None:
        rows = self.tables[table.name]
        if not isinstance(rows, list):
            self.say(table.name, 0, "", "It is no list of rows.")
            return
        columns = columns_of(table.name)
        names = {column.name for column in columns}
        seen: set[str] = set()
        for number, row in enumerate(rows, start=1):
            if not isinstance(row, dict):
                self.say(table.name, number, "", "The row is no object.")
                continue
            if row.keys() != names:
                for name in sorted(names - row.keys()):
                    self.say(table.name, number, name, "The field is missing.")
                for name in sorted(row.keys() - names):
                    self.say(table.name, number, str(name)[:40], "The field is unknown.")
                continue
            for column in columns:
                wrong = fault(column, row[column.name])
                if wrong:
                    self.say(table.name, number, column.name, wrong)
            if table.ident:
                if row[table.ident] in seen:
                    self.say(table.name, number, table.ident, "Another row has this identity.")
                seen.add(row[table.ident])
        self.idents[table.name] = seen

    def _references(self, table: Table) -> None:
        refs = [column for column in columns_of(table.name) if column.refers_to and not column.is_nullable]
        for number, row in enumerate(self.tables[table.name], start=1):
            for column in refs:
                if row[column.name] not in self.idents[column.refers_to]:
                    self.say(
                        table.name,
                        number,
                        column.name,
                        f"It points at a row of {column.refers_to} that is not in the file.",
                    )

    def _facts(self) -> None:
        for number, row in enumerate(self.tables["sites"], start=1):
            try:
                ZoneInfo(row["time_zone"])
            except (ValueError, OSError, KeyError):
                self.say("sites", number, "time_zone", f"{row['time_zone']!r} is no time zone (IANA name).")
        shipped = load_tables()
        for name in ("adoptions", "variations"):
            for number, row in enumerate(self.tables[name], start=1):
                key, version = row["table_key"], row["table_version"]
                if key not in shipped or (version and table_version(key, version) is None):
                    self.say(
                        name,
                        number,
                        "table_key",
                        f"This house has no interval table {key!r}{version and f', version {version}'}.",
                        "Add the table to this house first. Nothing was taken over.",
                    )
        for number, row in enumerate(self.tables["certificates"], start=1):
            content = row["content"]
            if not isinstance(content, dict) or certificate_digest(content) != row["content_digest"]:
                self.say("certificates", number, "content", "It does not give its digest: it was altered.")
        place_of = {row["public_id"]: row["site"] for row in self.tables["locations"]}
        for name in ("units",):
            for number, row in enumerate(self.tables[name], start=1):
                if row["location"] in place_of and place_of[row["location"]] != row["site"]:
                    self.say(name, number, "location", "The location is at another site than the unit.")

    def _chains(self) -> None:
        readings: dict[str, list[Row]] = defaultdict(list)
        for row in self.tables["readings"]:
            readings[row["record"]].append(row)
        records: dict[str, list[RecordLink]] = defaultdict(list)
        place: dict[str, int] = {}
        last: dict[str, int] = {}
        for number, row in enumerate(self.tables["records"], start=1):
            unit, sequence = row["unit"], row["sequence"]
            before = last.get(unit, 0)
            if sequence <= before:
                self.say("records", number, "sequence", "The records of a unit are not in their order.")
                return
            last[unit] = sequence
            place[unit] = number
            content = handed_content(row, readings[row["client_ref"]])
            records[unit].append(
                RecordLink(
                    row["client_ref"],
                    sequence,
                    row["previous_digest"],
                    row["digest"],
                    sha256_of(content),
                    # A record that was made at other premises is not handed over with these.
                    sequence != before + 1,
                )
            )
        erased: dict[str, list[ErasedLink]] = defaultdict(list)
        for row in self.tables["erased_records"]:
            content = erasure_content(
                record=row["record"],
                after_sequence=row["after_sequence"],
                position=row["position"],
                record_digest=row["record_digest"],
                reads_as_digest=row["reads_as_digest"],
                removed=row["removed"],
                made_at=row["made_at"],
                previous=row["previous_digest"],
            )
            erased[row["unit"]].append(
                ErasedLink(
                    row["record"],
                    row["after_sequence"],
                    row["position"],
                    row["record_digest"],
                    row["reads_as_digest"],
                    row["previous_digest"],
                    row["digest"],
                    sha256_of(content),
                )
            )
        numbers = {row["public_id"]: row["number"] for row in self.tables["units"]}
        for unit, links in records.items():
            proof = prove(numbers.get(unit, unit), links, erased.get(unit, ()))
            self.proofs[unit] = proof
            for sentence in proof.broken:
                self.say("records", place[unit], "digest", f"The chain does not hold: {sentence}.")


def fault(column: Column, value: Any) -> str:
    """What is wrong with ``value`` in ``column``; empty when nothing is."""
    if value is None:
        return "" if column.is_nullable or column.kind is Kind.JSON else "It is empty and must not be."
    check = _CHECKS[column.kind]
    wrong = check(value)
    if wrong:
        return wrong
    if isinstance(value, str) and "\0" in value:
        return "It holds a NUL character."
    if column.kind is Kind.JSON and _holds_nul(value):
        return "It holds a NUL character."
    one = column.field
    if column.kind is Kind.TEXT and one is not None:
        if one.choices:
            known = {code for code, _ in one.flatchoices} | ({""} if one.blank else set())
            if value not in known:
                return f"{value[:40]!r} is not one of {', '.join(sorted(filter(None, known)))}."
        elif one.max_length and len(value) > one.max_length:
            return f"It has {len(value)} characters; at most {one.max_length} fit."
    if column.kind is Kind.INTEGER and not -(2**31) <= value < 2**31:
        return f"{value} is out of range."
    if column.kind is Kind.DECIMAL and one is not None:
        figure = Decimal(value)
        if figure != round(figure, one.decimal_places) or abs(figure) >= 10 ** (
            one.max_digits - one.decimal_places
        ):
            return f"{value[:40]} has more figures than fit."
    return ""


def _holds_nul(value: Any) -> bool:
    return "\\u0000" in json.dumps(value).replace("\\\\", "")


def _is_uuid(value: Any) -> bool:
    try:
        return isinstance(value, str) and str(UUID(value)) == value
    except ValueError:
        return False


def _text(value: Any) -> str:
    if not isinstance(value, str):
        return "It is no text."
    try:
        value.encode()
    except UnicodeEncodeError:
        return "It holds half a character."
    return ""


def _integer(value: Any) -> str:
    return "" if isinstance(value, int) and not isinstance(value, bool) else "It is no whole number."


def _number(value: Any) -> str:
    is_one = isinstance(value, (int, float)) and not isinstance(value, bool)
    return "" if is_one and abs(value) < 1e300 else "It is no number."


def _decimal(value: Any) -> str:
    is_one = isinstance(value, str) and len(value) < 40 and _FIGURES.fullmatch(value)
    return "" if is_one else "It is no figure."


def _iso(kind: Any, word: str) -> Any:
    def check(value: Any) -> str:
        try:
            found = kind.fromisoformat(value) if isinstance(value, str) else None
        except ValueError:
            found = None
        return (
            "" if found is not None and found.isoformat() == value else f"{str(value)[:40]!r} is no {word}."
        )

    return check


def _instant(value: Any) -> str:
    try:
        found = datetime.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        found = None
    if found is None or found.tzinfo is None or found.astimezone(UTC).isoformat() != value:
        return f"{str(value)[:40]!r} is no instant in UTC."
    return ""


def _paper(value: Any) -> str:
    is_one = (
        isinstance(value, dict)
        and value.keys() == {"file", "sha256"}
        and isinstance(value["file"], str)
        and isinstance(value["sha256"], str)
        and bool(_PAPER.fullmatch(value["file"]))
        and value["file"][7:71] == value["sha256"]
    )
    return "" if is_one else "It is no name and digest of a paper."


def _row_numbers(value: Any) -> str:
    names = {"house", "unit", "site", "location", "by", "corrects"}
    is_one = (
        isinstance(value, dict)
        and value.keys() == names
        and _is_uuid(value["house"])
        and all(
            (value[name] is None and name != "unit")
            or (not _integer(value[name]) and 0 <= value[name] < 2**63)
            for name in names - {"house"}
        )
    )
    return "" if is_one else "They are no row numbers of a house."


def _identity(value: Any) -> str:
    return "" if _is_uuid(value) else f"{str(value)[:40]!r} is no identity (UUID)."


_CHECKS = {
    Kind.TEXT: _text,
    Kind.INTEGER: _integer,
    Kind.NUMBER: _number,
    Kind.BOOLEAN: lambda value: "" if isinstance(value, bool) else "It is neither true nor false.",
    Kind.DATE: _iso(date, "day (YYYY-MM-DD)"),
    Kind.TIME: _iso(time, "time of day"),
    Kind.INSTANT: _instant,
    Kind.DECIMAL: _decimal,
    Kind.UUID: _identity,
    Kind.JSON: lambda value: "",
    Kind.REF: _identity,
    Kind.PERSON: _text,
    Kind.WORDS: _text,
    Kind.PAPER: _paper,
    Kind.NUMBERS: _row_numbers,
}
