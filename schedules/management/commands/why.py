"""``manage.py why UNIT``: every due date of a unit and the reason for it."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from inventory.register.models import Unit, local_today
from schedules.due.models import Obligation
from schedules.due.queries import STATUS_LABELS, attach_why, status_on
from schedules.due.services import refresh_units
from schedules.rulebook.books import tables_here


class Command(BaseCommand):
    help = "Show what falls due for a unit, and why: table, clause, basis and arithmetic of each date."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("unit", help="Unit number as on the identity label, e.g. U-000123, or a serial.")

    def handle(self, *args: Any, **options: Any) -> None:
        wanted = options["unit"].strip()
        units = list(Unit.objects.select_related("model", "site", "location").filter(number__iexact=wanted))
        if not units:
            units = list(
                Unit.objects.select_related("model", "site", "location").filter(serial__iexact=wanted)
            )
        if not units:
            raise CommandError(f"No unit has the number or serial {wanted!r}. Check the label and try again.")
        if len(units) > 1:
            numbers = ", ".join(unit.number for unit in units)
            raise CommandError(f"{len(units)} units show the serial {wanted!r}. Ask by number: {numbers}.")
        unit = units[0]
        now = timezone.now()
        refresh_units([unit.pk], now=now)
        out = self.stdout.write
        out(f"Unit {unit.number}: {unit.model.kind_text}")
        out(f"Serial {unit.serial or 'none readable'}; made {unit.made}; {unit.get_state_display().lower()}")
        if unit.site is None:
            out("It hangs on no site, so no table applies and nothing falls due.")
            return
        out(f"At {unit.site.name}" + (f", location {unit.location.number}" if unit.location else ""))
        for doubt in unit.doubts:
            out(f"Doubt: {doubt}")
        out("")
        for here in tables_here(unit.site.pk):
            out(f"Table {here.state.table.title}, version {here.state.table.version}. {here.sentence}")
        today = local_today(unit.site, now)
        rows = list(Obligation.objects.filter(unit=unit).order_by("latest_on", "task", "pk"))
        attach_why(rows, now)
        for row in rows:
            status = status_on(
                knowledge=row.knowledge,
                is_deferred=row.is_deferred,
                latest_on=row.latest_on,
                target_on=row.target_on,
                today=today,
            )
            out("")
            date = row.latest_on.isoformat() if row.latest_on else "no date"
            binds = " (binding)" if row.is_binding else ""
            out(f"{row.get_task_display()}: latest {date}, {STATUS_LABELS[status].lower()}{binds}")
            for line in row.why:
                out(f"  {line}")
        out("")
        out("Interval tables are defaults to confirm against local code.")
