"""The due engine at full size: rebuild, nightly run, pages, against a floor and the obvious way.

The floor is the least that any sweep must do: bare date arithmetic in numpy and a bulk write of the
same rows into a table with the same indexes. The obvious way is a loop over model instances with
dateutil and ``save()``, on a sample, scaled to the whole.
"""

from __future__ import annotations

import resource
import time
from argparse import ArgumentParser
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from dateutil.relativedelta import relativedelta
from django.conf import settings
from django.contrib.auth import get_user_model
from django.db import connection, transaction
from django.db.models import Q
from django.test import Client
from django.test.utils import override_settings
from django.urls import reverse
from django.utils import timezone

from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewRecord, add_records
from inventory.measures.stamps import Stamp
from inventory.register.models import Site, Unit
from schedules.due import services, sweep
from schedules.due.models import Obligation
from schedules.due.queries import unit_inputs
from schedules.due.tallies import advance
from schedules.engine.select import holds, signature
from schedules.management.benches import Report
from schedules.management.benches.pages import measure_pages
from schedules.management.benches.register import make_register
from schedules.rulebook.models import Adoption
from schedules.rules import load_tables
from schedules.rules.table import Effect

HELP = "Full rebuild, nightly run and pages of the due engine."
CHANGED_SHARE = 0.005
SAMPLE = 200


def add_arguments(parser: ArgumentParser) -> None:
    """How large."""
    parser.add_argument("--units", type=int, default=1_000_000, help="Units in the register.")


def run(report: Report, options: dict[str, Any]) -> None:
    """Measure everything in the empty database that the default connection points at."""
    units: int = options["units"]
    now = timezone.now()
    started = time.perf_counter()
    records = make_register(units, seed=report.seed, now=now)
    report.figure("making the register", time.perf_counter() - started, "s", records=records)

    rebuild, done = _timed(lambda: services.refresh_stale(now=now))
    rows = Obligation.objects.count()
    least = _least_per_unit()
    with sweep.bulk_writing(units):
        floor = _floor()
    report.figure("bare arithmetic and bulk write of the same rows", floor, "s", rows=rows)
    report.figure(
        "full rebuild",
        rebuild,
        "s",
        rival="bare arithmetic and bulk write",
        ratio=rebuild / floor,
        target=2.5,
        units_computed=done.computed,
        rows=rows,
    )
    report.figure("obligations per unit, fewest", least, "rows", target=4, better="at least")
    report.figure("units left to the scalar engine", done.one_by_one / units, "share of units", target=0.01)
    again, nothing = _timed(lambda: services.refresh_stale(now=now))
    report.figure("rows written by a second run", nothing.written + nothing.removed, "rows", target=0)
    report.figure("second run, nothing stale", again, "s")

    changed = _change(units, now=now)
    nightly, done = _timed(lambda: services.refresh_stale(now=now + timedelta(days=1)))
    report.figure(
        "nightly run with 0.5 % changed", nightly, "s", rival="full rebuild", ratio=nightly / rebuild,
        target=0.05, units_changed=changed, units_computed=done.computed, rows_written=done.written,
    )  # fmt: skip
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 / 1024
    report.figure("peak memory of the process", peak, "GiB", target=2)

    one_each, in_one = _obvious_way(units, now=now)
    for figure, sample, target in (
        ("loop with dateutil and save(), scaled", one_each, 100.0),
        ("the same loop in one transaction, scaled", in_one, None),
    ):
        scaled = sample * units / SAMPLE
        report.figure(
            figure, scaled, "s", rival="full rebuild is this many times faster", ratio=scaled / rebuild,
            target=target, better="at least", sample=SAMPLE,
        )  # fmt: skip
    # Pages name their static files; those of a copy that was never collected have no manifest.
    plain = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    with override_settings(STORAGES={**settings.STORAGES, "staticfiles": plain}):
        _pages(report)


def _timed(work: Callable[[], Any]) -> tuple[float, Any]:
    started = time.perf_counter()
    found = work()
    return time.perf_counter() - started, found


def _least_per_unit() -> int:
    table = Obligation._meta.db_table
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT MIN(n) FROM (SELECT COUNT(*) AS n FROM {table} GROUP BY unit_id) AS counts"  # noqa: S608
        )
        return int(cursor.fetchone()[0])


# --- the floor -------------------------------------------------------------------------------------


def _floor() -> float:
    """Seconds for date arithmetic over, and a bulk write of, the rows that the rebuild wrote.

    Reading the rows back is not counted.
    """
    names = ("unit_id", *(name for name in sweep.COLUMNS if name not in ("unit_id", "computed_at")))
    listed = ", ".join(f"CAST({name} AS text)" if name.endswith("_on") else name for name in names)
    table = Obligation._meta.db_table
    at = connection.ops.adapt_datetimefield_value(datetime.now(UTC))
    twin = _same_table(table)
    seconds, after = 0.0, 0
    while True:
        with connection.cursor() as cursor:
            cursor.execute(
                f"SELECT {listed} FROM {table} "  # noqa: S608
                "WHERE unit_id > %s AND unit_id <= %s ORDER BY id",
                [after, after + services.BATCH],
            )
            rows = cursor.fetchall()
        if not rows:
            break
        after += services.BATCH
        dates = np.array([row[8] or "NaT" for row in rows], "M8[D]")
        started = time.perf_counter()
        _bare_arithmetic(dates)
        with transaction.atomic():
            sweep.insert(rows, at, table=twin)
        seconds += time.perf_counter() - started
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TABLE {twin}")
    return seconds


def _bare_arithmetic(dates: Any) -> Any:
    """Twelve months on from each day, the end of the month clamped, and the texts to store."""
    month = dates.astype("M8[M]")
    inside = dates - month.astype("M8[D]")
    there = month + 12
    due = np.minimum(there.astype("M8[D]") + inside, (there + 1).astype("M8[D]") - 1)
    return np.datetime_as_string(due)


def _same_table(table: str) -> str:
    """Make an empty table like ``table``, with its indexes and references, and return its name."""
    twin = f"{table}_floor"
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f"CREATE TABLE {twin} (LIKE {table} INCLUDING ALL)")
            cursor.execute(
                "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
                "WHERE conrelid = %s::regclass AND contype = 'f'",
                [table],
            )
            for name, definition in cursor.fetchall():
                cursor.execute(f"ALTER TABLE {twin} ADD CONSTRAINT {name}_floor {definition}")
            return twin
        cursor.execute("SELECT sql FROM sqlite_master WHERE tbl_name = %s AND sql IS NOT NULL", [table])
        for (sql,) in cursor.fetchall():
            for name in (table, *(i.name for i in Obligation._meta.indexes), "obligation_once"):
                sql = sql.replace(f'"{name}"', f'"{name}_floor"')
            cursor.execute(sql)
    return twin


# --- a day passes ----------------------------------------------------------------------------------


def _change(units: int, *, now: datetime) -> int:
    """Record a service of today on one unit in two hundred, through the door that real work uses."""
    ids = range(1, units + 1, round(1 / CHANGED_SHARE))
    units_there = Unit.objects.filter(pk__in=ids).values_list("pk", "site_id", "site__time_zone")
    records = [
        NewRecord(
            unit_id=unit_id,
            task="maintenance",
            outcome="passed",
            done=Stamp.on(now.astimezone(ZoneInfo(zone)).date()),
            received_at=now,
            site_id=site_id,
        )
        for unit_id, site_id, zone in units_there
    ]
    for start in range(0, len(records), 500):
        add_records(records[start : start + 500])
    return len(records)


# --- the obvious way -------------------------------------------------------------------------------


def _obvious_way(units: int, *, now: datetime) -> tuple[float, float]:
    """Seconds for the sample: every ``save()`` its own transaction, and all in one."""
    step = max(1, units // SAMPLE)
    sample = list(range(1, units + 1, step))[:SAMPLE]
    one_each, _ = _timed(lambda: _loop_over(sample, now))
    with transaction.atomic():
        in_one, _ = _timed(lambda: _loop_over(sample, now))
    return one_each, in_one


def _loop_over(unit_ids: list[int], now: datetime) -> None:
    for unit_id in unit_ids:
        _work_on(unit_id, now)


def _work_on(unit_id: int, now: datetime) -> None:
    """One unit as one would first write it: instances, relativedelta, save().

    It knows only repeating tasks that count from the last record or from manufacture.
    """
    unit = Unit.objects.get(pk=unit_id)
    site: Site = unit.site  # type: ignore[assignment]
    today = now.astimezone(ZoneInfo(site.time_zone)).date()
    facts = next(item.facts for item in unit_inputs([unit.pk]))
    here = Q(site=site) | Q(owner=site.owner) | Q(site=None, owner=None)
    for adoption in Adoption.objects.standing().filter(here):
        table = load_tables()[adoption.table_key][-1]
        kind = signature(table, facts, unit.made_first, facts.environment, today)
        for rule in table.rules:
            if rule.effect is not Effect.REPEAT or not holds(rule.select, kind):
                continue
            last = None
            for record in ServiceRecord.objects.filter(unit=unit, outcome="passed", task=rule.task.value):
                if record.done_first and (last is None or record.done_first > last):
                    last = record.done_first
            start, period = (last, rule.every) if last else (unit.made_first or today, rule.first)
            if period is None:
                continue
            latest = start + relativedelta(months=period.months, days=period.days)
            row = Obligation.objects.filter(unit=unit, table_key=table.key, task=rule.task.value).first()
            if row is None:
                row = Obligation(unit=unit, table_key=table.key, task=rule.task.value)
            row.site, row.table_version, row.rule_id = site, table.version, rule.id
            row.earliest_on, row.target_on, row.latest_on = start, latest, latest
            row.knowledge, row.computed_at = "known", now
            row.save()


# --- pages -----------------------------------------------------------------------------------------


def _pages(report: Report) -> None:
    """Server time of the pages that a dispatcher opens all day, with the plans of their slow queries."""
    if connection.vendor == "postgresql":
        # Its autovacuum does this in the background; SQLite plans without figures unless told to.
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
    # The nightly run above was that of tomorrow; the pages are asked today.
    advance(timezone.now())
    person = get_user_model().objects.create_user(username="bench", password=None, role="manager")
    client = Client(SERVER_NAME=next((h for h in settings.ALLOWED_HOSTS if "*" not in h), "localhost"))
    client.force_login(person, backend="django.contrib.auth.backends.ModelBackend")
    site = Site.objects.order_by("pk")[Site.objects.count() // 2]
    unit = Unit.objects.filter(site=site).order_by("pk")[0]
    addresses = {
        "due list, first page": reverse("desk:due"),
        "due list, overdue only": reverse("desk:due") + "?status=overdue",
        "due list, due only": reverse("desk:due") + "?status=due",
        "due list, date unknown": reverse("desk:due") + "?status=unknown",
        "due list, one task": reverse("desk:due") + "?task=hydrostatic_test",
        "due list, page 200": reverse("desk:due") + "?page=200",
        "due list, one site": reverse("desk:due") + f"?site={site.public_id}",
        "overview": reverse("desk:overview"),
        "findings, no rule": reverse("desk:findings"),
        "findings, records in doubt": reverse("desk:findings") + "?sort=records",
        "findings, manufacture unknown": reverse("desk:findings") + "?sort=made",
        "sites, first page": reverse("desk:sites"),
        "site page": reverse("desk:site", args=[site.public_id]),
        "units, first page": reverse("desk:units"),
        "unit page": reverse("desk:unit", args=[unit.public_id]),
        "API, due list, first page": "/api/v1/obligations/?is_binding=true&ours=true",
        "API, due list of one site": f"/api/v1/obligations/?site={site.public_id}",
    }
    measure_pages(report, client, addresses, target=100)
