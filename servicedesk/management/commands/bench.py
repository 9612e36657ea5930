"""``manage.py bench NAME``: measure something at full size in a throw-away database."""

from __future__ import annotations

import pkgutil
from contextlib import nullcontext
from importlib import import_module
from types import ModuleType
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from schedules.management import benches as work_benches
from schedules.management.benches import Report
from schedules.management.benches.throwaway import database_name, throwaway_database
from servicedesk.management import benches as edge_benches


def benchmarks() -> dict[str, ModuleType]:
    """Every module of both packages that says what it measures (``HELP``), by name."""
    modules = {
        name: import_module(f"{package.__name__}.{name}")
        for package in (work_benches, edge_benches)
        for _, name, _ in pkgutil.iter_modules(package.__path__)
    }
    return {name: modules[name] for name in sorted(modules) if hasattr(modules[name], "HELP")}


class Command(BaseCommand):
    """Runs one benchmark and prints one JSON object a line."""

    help = (
        "Measure at full size in a throw-away database beside the real one, which is never touched. "
        "Prints one JSON object a line: bench, figure, value, unit, rival, ratio, target, met, seed, "
        "size, database. DATABASE_URL chooses the database server."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """One sub-command for each benchmark."""
        modules = benchmarks()
        choice = parser.add_subparsers(dest="bench", required=True, metavar="|".join(modules))
        for name, module in modules.items():
            part = choice.add_parser(name, help=module.HELP)
            part.add_argument("--seed", type=int, default=1, help="Seed of everything random.")
            module.add_arguments(part)

    def handle(self, *args: Any, **options: Any) -> None:
        """Make the database, measure, throw it away; a benchmark with ``DATABASE = False`` needs none."""
        module = benchmarks()[options["bench"]]
        with_database = getattr(module, "DATABASE", True)
        report = Report(
            bench=options["bench"],
            seed=options["seed"],
            size=options.get("units", 0),
            database=database_name() if with_database else "none",
            write=lambda line: self.stdout.write(line, ending="\n") or self.stdout.flush(),
        )
        with throwaway_database() if with_database else nullcontext():
            module.run(report, options)
