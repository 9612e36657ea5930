"""``manage.py import_register FILE.csv``: take over a register."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from servicedesk.exchange.importing import import_register


class Command(BaseCommand):
    help = (
        "Import a register file (CSV). Every row that is refused or doubted is told by number, column and "
        "remedy. One refused row keeps the whole file out unless --accept-rest is given; nothing is ever "
        "imported half, and importing a file again adds nothing twice."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="the register, one unit a row")
        parser.add_argument(
            "--accept-rest", action="store_true", help="import the good rows and leave the refused ones out"
        )
        parser.add_argument("--dry-run", action="store_true", help="report only, store nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        path: Path = options["file"]
        try:
            data = path.read_bytes()
        except OSError as error:
            raise CommandError(
                f"{path} cannot be read: {error.strerror}. Check the name and try again."
            ) from error
        report = import_register(
            data,
            by=None,
            now=timezone.now(),
            accept_rest=options["accept_rest"],
            dry_run=options["dry_run"],
        )
        for finding in report.findings:
            self.stdout.write(f"{finding.severity.value}: {finding.text}")
        self.stdout.write(report.sentence)
        if report.is_refused_file or (
            report.refused_rows and not report.is_stored and not options["dry_run"]
        ):
            raise CommandError("Nothing was imported.")
