"""``manage.py rebuild_search``: make the search index anew, or say where it differs from the register."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from inventory.search import index


class Command(BaseCommand):
    """Makes the whole index anew; triggers keep it from then on."""

    help = (
        "Make the search index anew from the rows it finds. It is kept by triggers, so that this is "
        "needed only after somebody wrote to the database past them. Prints what each part holds."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Whether only to look."""
        parser.add_argument("--check", action="store_true", help="Only say how many rows differ.")

    def handle(self, *args: Any, **options: Any) -> None:
        """Do it."""
        if options["check"]:
            for one in index.documents():
                rows = index.differences(one)
                word = "row differs" if rows == 1 else "rows differ"
                self.stdout.write(f"{one.name}: {rows} {word}")
            return
        for name, rows in index.rebuild().items():
            self.stdout.write(f"{name}: {rows}")
