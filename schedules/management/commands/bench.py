"""``manage.py bench NAME``: measure something at full size in a throw-away database."""

from __future__ import annotations

import pkgutil
from importlib import import_module
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from schedules.management import benches
from schedules.management.benches import Report
from schedules.management.benches.throwaway import database_name, throwaway_database

NAMES = sorted(
    name for _, name, _ in pkgutil.iter_modules(benches.__path__) if name not in ("register", "throwaway")
)


class Command(BaseCommand):
    """Runs one benchmark and prints one JSON object a line."""

    help = (
        "Measure at full size in a throw-away database beside the real one, which is never touched. "
        "Prints one JSON object a line: bench, figure, value, unit, rival, ratio, target, met, seed, "
        "size, database. DATABASE_URL chooses the database server."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """One sub-command for each benchmark."""
        choice = parser.add_subparsers(dest="bench", required=True, metavar="|".join(NAMES))
        for name in NAMES:
            module = import_module(f"{benches.__name__}.{name}")
            part = choice.add_parser(name, help=module.HELP)
            part.add_argument("--seed", type=int, default=1, help="Seed of everything random.")
            module.add_arguments(part)

    def handle(self, *args: Any, **options: Any) -> None:
        """Make the database, measure, throw it away."""
        module = import_module(f"{benches.__name__}.{options['bench']}")
        report = Report(
            bench=options["bench"],
            seed=options["seed"],
            size=options.get("units", 0),
            database=database_name(),
            write=lambda line: self.stdout.write(line, ending="\n") or self.stdout.flush(),
        )
        with throwaway_database():
            module.run(report, options)
