"""``manage.py import_register FILE``: take over a register."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from servicedesk.exchange.book import column_letter, open_book
from servicedesk.exchange.findings import RegisterFileError
from servicedesk.exchange.headings import FIELDS, name_of
from servicedesk.exchange.importing import import_register


class Command(BaseCommand):
    help = (
        "Import a register file (CSV or other delimited text, XLSX, ODS, XLS). Every row that is refused or "
        "doubted is told by number, column and remedy. One refused row keeps the whole file out unless "
        "--accept-rest is given; nothing is ever imported half, and importing a file again adds nothing."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="the register, one unit a row")
        parser.add_argument(
            "--accept-rest", action="store_true", help="import the good rows and leave the refused ones out"
        )
        parser.add_argument("--dry-run", action="store_true", help="report only, store nothing")
        parser.add_argument("--sheet", default="", help="the sheet of a workbook; left out, the likeliest")
        parser.add_argument("--heading-row", type=int, help="the row that holds the headings")
        parser.add_argument("--encoding", default="", help="how the letters of a text file are coded")
        parser.add_argument("--delimiter", default="", help="what splits the cells of a text file")
        order = parser.add_mutually_exclusive_group()
        order.add_argument(
            "--day-first",
            action="store_const",
            const=True,
            dest="day_first",
            help="03/04/2021 is 3 April",
        )
        order.add_argument(
            "--month-first",
            action="store_const",
            const=False,
            dest="day_first",
            help="03/04/2021 is 4 March",
        )
        parser.add_argument(
            "--set",
            action="append",
            default=[],
            metavar="FIELD=TEXT",
            help="what an empty cell of a field means in every row, such as time_zone=Europe/Berlin",
        )
        parser.add_argument(
            "--column",
            action="append",
            default=[],
            metavar="LETTER=FIELD",
            help="which field a column holds; columns that are not named keep what their names say",
        )
        parser.add_argument(
            "--split-quantities",
            action="store_const",
            const=True,
            help="let a row for several units become as many units",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        path: Path = options["file"]
        try:
            data = path.read_bytes()
        except OSError as error:
            raise CommandError(
                f"{path} cannot be read: {error.strerror}. Check the name and try again."
            ) from error
        defaults = _pairs("--set", options["set"])
        unknown = sorted(set(defaults) - set(FIELDS))
        if unknown:
            raise CommandError(f"--set: {unknown[0]} is no field. Use one of {', '.join(FIELDS)}.")
        report = import_register(
            data,
            by=None,
            now=timezone.now(),
            accept_rest=options["accept_rest"],
            dry_run=options["dry_run"],
            file_name=path.name,
            sheet=options["sheet"],
            heading_row=options["heading_row"],
            encoding=options["encoding"],
            delimiter=options["delimiter"],
            day_first=options["day_first"],
            columns=self.columns(data, path.name, options),
            defaults=defaults,
            split_quantities=options["split_quantities"],
        )
        for finding in report.findings:
            self.stdout.write(f"{finding.severity.value}: {finding.text}")
        self.stdout.write(report.sentence)
        if report.is_refused_file or (
            report.refused_rows and not report.is_stored and not options["dry_run"]
        ):
            raise CommandError("Nothing was imported.")

    def columns(self, data: bytes, name: str, options: dict[str, Any]) -> dict[int, str] | None:
        """Which field stands where: as the headings say, changed by what was told; None when nothing was."""
        told = _pairs("--column", options["column"])
        if not told:
            return None
        try:
            book = open_book(data, name, encoding=options["encoding"], delimiter=options["delimiter"])
            table = book.table(options["sheet"], options["heading_row"])
        except RegisterFileError as error:
            raise CommandError(str(error)) from error
        found = {
            column_letter(at): (at, name_of(table.headings[at]) if at < len(table.headings) else "")
            for at in range(max(len(table.headings), table.widest))
        }
        mapping = dict(found.values())
        for letter, field in told.items():
            if letter.upper() not in found:
                raise CommandError(
                    f"--column: there is no column {letter}. The last one is {list(found)[-1]}."
                )
            if field and field not in FIELDS:
                raise CommandError(f"--column: {field} is no field. Use one of {', '.join(FIELDS)}.")
            mapping[found[letter.upper()][0]] = field
        return mapping


def _pairs(option: str, texts: list[str]) -> dict[str, str]:
    pairs = [text.partition("=") for text in texts]
    for name, sign, _ in pairs:
        if not name or not sign:
            raise CommandError(f'{option}: write a name, "=" and a value.')
    return {name.strip(): value.strip() for name, _, value in pairs}
