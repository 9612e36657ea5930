"""``manage.py due_cases FILE.csv``: what falls due for units like these, without the register."""

from __future__ import annotations

import argparse
import csv
import io
import json
import os
import sys
from collections.abc import Mapping
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import OperationalError, ProgrammingError
from django.utils import timezone

from schedules.engine.tryout import (
    COLUMNS,
    LINE_COLUMNS,
    CellError,
    answer,
    check_columns,
    read_cases,
)
from schedules.rulebook.models import Confirmation
from schedules.rulebook.queries import confirmations, table_state, table_version
from schedules.rules import STATEMENT, load_tables

MOST_ERRORS = 50
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r")

HELP = f"""Say what falls due for units like these, and why, without touching the register.

FILE is a CSV file in UTF-8 (a dash reads standard input). Its first row names the columns, in any
order; only agent must be there:

{chr(10).join(f"  {name:15} {words}." for name, words in COLUMNS.items())}

The answer has one row for each case, table and task: {", ".join(LINE_COLUMNS)}, and
table_confirmation. Days are ISO 8601; an empty day means that no date exists, and knowledge says
why. A cell that cannot be read is named by row and column; nothing is then answered and the exit
code is 1. {STATEMENT}
"""


class Command(BaseCommand):
    help = HELP

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        """Keep the lines of the help as they are."""
        parser = super().create_parser(prog_name, subcommand, **kwargs)
        parser.formatter_class = argparse.RawDescriptionHelpFormatter
        return parser

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "file", metavar="FILE", help="CSV file with one case a row, or - for standard input."
        )
        parser.add_argument(
            "--out", metavar="FILE", help="Write the answer there; standard output without it."
        )
        parser.add_argument(
            "--format", choices=("csv", "json"), help="Without it the ending of --out decides, else CSV."
        )
        parser.add_argument(
            "--table",
            default="",
            metavar="KEY[@VERSION]",
            help="Judge by this table, whatever the file says.",
        )
        parser.add_argument(
            "--as-of", metavar="DAY", help="Day for rows that name none, as in 2026-11-25; today without it."
        )

    def handle(self, *args: Any, **options: Any) -> None:
        as_of = _day(options["as_of"])
        rows = _rows(_text(options["file"]))
        cases, errors = read_cases(rows, load_tables(), as_of=as_of, table=options["table"])
        if errors:
            shown = [str(error) for error in errors[:MOST_ERRORS]]
            if len(errors) > MOST_ERRORS:
                shown.append(f"And {len(errors) - MOST_ERRORS} more.")
            raise CommandError("\n".join([*shown, "Correct the file and run again; nothing was answered."]))
        if not cases:
            raise CommandError("The file has no case below its first row. Add one row for each unit.")
        lines = [asdict(line) for case in cases for line in answer(case)]
        standing = self._confirmations()
        sentences: dict[tuple[str, str], str] = {}
        for line in lines:
            name = (line["table"], line["table_version"])
            if name not in sentences:
                table = table_version(*name)
                sentences[name] = table_state(table, standing).sentence if table is not None else ""
            line["table_confirmation"] = f"{sentences[name]} {STATEMENT}"
        out = options["out"]
        form = options["format"] or ("json" if out and out.lower().endswith(".json") else "csv")
        text = _json(lines) if form == "json" else _csv(lines)
        if not out:
            self.stdout.write(text, ending="")
            return
        _put(Path(out), text)
        self.stderr.write(f"{len(cases)} cases, {len(lines)} lines written to {out}. {STATEMENT}")

    def _confirmations(self) -> Mapping[tuple[str, str], Confirmation]:
        """Who confirmed which table; nobody where no register was ever set up, which is said."""
        try:
            return confirmations()
        except (OperationalError, ProgrammingError):
            self.stderr.write("No register is set up here, so no table counts as confirmed.")
            return {}


def _day(text: str | None) -> date:
    if not text:
        return timezone.now().date()
    try:
        return date.fromisoformat(text)
    except ValueError as wrong:
        raise CommandError(f'--as-of: "{text}" is not a day. Write it as 2026-11-25.') from wrong


def _text(name: str) -> str:
    try:
        content = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
    except OSError as problem:
        raise CommandError(f"{name} cannot be read: {problem.strerror}. Check the name.") from problem
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        raise CommandError(
            f"{name} is not UTF-8 (byte {wrong.start}). Save it as CSV in UTF-8 and run again."
        ) from wrong


def _rows(text: str) -> list[tuple[int, dict[str, str]]]:
    """Return the rows under their line number in the file, cells by column."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    found: list[tuple[int, dict[str, str]]] = []
    try:
        names = [name.strip() for name in next(reader, [])]
        check_columns(names)
        for number, cells in enumerate(reader, 2):
            if len(cells) > len(names) and any(cell.strip() for cell in cells[len(names) :]):
                raise CellError(
                    number,
                    names[-1],
                    f"{len(cells) - len(names)} more cells follow than there are columns. "
                    "Put a cell that holds a comma in quotes.",
                )
            found.append((number, dict(zip(names, cells, strict=False))))
    except CellError as problem:
        raise CommandError(f"{problem} Nothing was answered.") from problem
    except csv.Error as problem:
        raise CommandError(f"Line {reader.line_num}: {problem}. Nothing was answered.") from problem
    return found


def _csv(lines: list[dict[str, str]]) -> str:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, [*LINE_COLUMNS, "table_confirmation"], lineterminator="\r\n")
    writer.writeheader()
    # A spreadsheet must not run what somebody called a case.
    writer.writerows(
        {name: f"'{cell}" if cell.startswith(_STARTS_FORMULA) else cell for name, cell in line.items()}
        for line in lines
    )
    return text.getvalue()


def _json(lines: list[dict[str, str]]) -> str:
    return json.dumps(lines, ensure_ascii=False, indent=1) + "\n"


def _put(path: Path, text: str) -> None:
    """Write the whole file or none of it."""
    unfinished = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        unfinished.write_text(text, encoding="utf-8", newline="")
        unfinished.replace(path)
    except OSError as problem:
        unfinished.unlink(missing_ok=True)
        raise CommandError(f"{path} cannot be written: {problem.strerror}. Nothing was written.") from problem
