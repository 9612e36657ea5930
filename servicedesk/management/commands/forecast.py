"""``manage.py forecast``: what falls due by month and site over years, for any number of units."""

from __future__ import annotations

from argparse import FileType
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from inventory.access import EVERYTHING
from inventory.register.models import Site
from schedules.due.forecast import MOST_YEARS, forecast, forecast_units
from schedules.due.forecast_runs import PLANNED, TARGET
from schedules.due.queries import batched
from schedules.visits.queries import planned_days
from servicedesk import pages
from servicedesk.desk.forecast import HEADINGS, cells_of
from servicedesk.exchange.writing import csv_lines

SITES_AT_ONCE = 40
"""So many sites are rolled forward together: memory stays the same whatever the size of the register."""


class Command(BaseCommand):
    """Writes the file of the forecast page, site after site, and tells how far it is."""

    help = (
        "Write what falls due by month, site, task and table as CSV, end-of-life replacements included: the "
        "file of the forecast page, for any number of units. Columns: " + ", ".join(HEADINGS) + "."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """How far, and how the work is supposed to go."""
        parser.add_argument("--years", type=int, default=1, choices=range(1, MOST_YEARS + 1), metavar="1..10")
        parser.add_argument(
            "--at-planned-visit",
            action="store_true",
            help="suppose each task done at its planned visit where there is one, else at its target",
        )
        parser.add_argument(
            "--out", type=FileType("w", encoding="utf-8"), help="the file; left out: to the terminal"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Write it."""
        now = pages.clock()
        pace = PLANNED if options["at_planned_visit"] else TARGET
        sites = list(Site.objects.order_by("pk").values_list("pk", flat=True))
        done = 0

        def rows() -> Any:
            nonlocal done
            for ids in batched(sites, SITES_AT_ONCE):
                units = forecast_units(EVERYTHING).filter(site__in=ids)
                found = forecast(
                    units.values_list("pk", flat=True),
                    now=now,
                    years=options["years"],
                    planned=planned_days(units) if pace == PLANNED else {},
                )
                yield from cells_of(found, pace)
                done += len(ids)
                self.stderr.write(f"{done} of {len(sites)} sites")

        for line in csv_lines(HEADINGS, rows()):
            if options["out"]:
                options["out"].write(line)
            else:
                self.stdout.write(line, ending="")
