"""``manage.py refresh_due``: bring all stored due dates up to date, now."""

from __future__ import annotations

import time
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from schedules.due.services import refresh_stale


class Command(BaseCommand):
    help = "Recompute the due dates of every unit whose facts, records, tables or edition changed."

    def handle(self, *args: Any, **options: Any) -> None:
        started = time.perf_counter()
        done = refresh_stale(now=timezone.now())
        seconds = time.perf_counter() - started
        self.stdout.write(
            f"{done.computed} units computed, {done.written} obligations written, "
            f"{done.removed} removed, {seconds:.2f} s"
        )
