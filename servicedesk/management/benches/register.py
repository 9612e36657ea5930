"""Taking over a large register that is as dirty as real ones: preview, import, repeat, memory."""

from __future__ import annotations

import gc
import io
import random
import resource
import sys
import time as clock
import uuid
from argparse import ArgumentParser
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db import models, transaction
from django.utils import timezone
from openpyxl import Workbook
from python_calamine import CalamineWorkbook

from inventory.logbook.models import ServiceRecord
from inventory.register.models import Location, Owner, Placement, Site, Unit, UnitModel
from schedules.due.services import refresh_stale
from schedules.management.benches import Report
from servicedesk.accounts.models import User
from servicedesk.exchange import runs
from servicedesk.exchange.models import ImportFinding, RegisterImport

HELP = "A dirty XLSX register of many rows: seconds until its preview and its import, ratio to bare reading."
PREVIEW_S, IMPORT_S, MEMORY_MB, RATIO = 60.0, 60.0, 600.0, 4.0
UNITS_PER_SITE = 50
SITES_PER_OWNER = 4

HEADINGS = (
    "Client", "Site no.", "Site name", "Street", "City", "Country", "Time zone", "Tables", "Building",
    "Floor", "Location no.", "Description", "Serial", "Maker", "Model", "Agent", "Construction", "Shell",
    "Charge", "Made", "Last maintenance", "Last recharge", "Last hydrostatic test", "Colour of the bracket",
)  # fmt: skip
AGENTS = ("ABC powder", "abc dry chem", "CO2", "co2 ", "Water", "AFFF foam", "Wet chemical", "BC powder")
CHARGES = ("10 lb", "6 kg", "5kg", "9 l", "6 L", "2 kg", "2,5 kg", "20 lb")


def add_arguments(parser: ArgumentParser) -> None:
    """How many rows."""
    parser.add_argument("--units", type=int, default=100_000, help="Rows of the file, one a unit.")


def run(report: Report, options: Mapping[str, Any]) -> None:
    """Measure the way of one file through the desk, without the pages."""
    report.size = options["units"]
    now = timezone.now()
    data = _workbook(options["units"], random.Random(options["seed"]), now)  # noqa: S311
    report.figure("file", len(data) / 1e6, "MB")
    by = User.objects.create_user("bench-dispatcher", role="dispatcher", password=None)
    gc.collect()
    before = _peak_mb()
    in_background, runs.FOREGROUND_ROWS = runs.FOREGROUND_ROWS, 0
    silent, runs.nudge = runs.nudge, lambda run_id: None
    try:
        _measure(report, data, by, now, before)
    finally:
        runs.FOREGROUND_ROWS, runs.nudge = in_background, silent


def _measure(report: Report, data: bytes, by: User, now: Any, before: float) -> None:
    took, one = _timed(lambda: runs.receive(data, file_name="register.xlsx", source=None, by=by, now=now))
    report.figure("upload until its columns are shown", took.s, "s", cpu_s=took.cpu_s)
    preview, one = _timed(lambda: _preview(one, by, now))
    counts = one.counts
    findings = ImportFinding.objects.filter(run=one).count()
    report.figure(
        "preview", preview.s, "s", target=PREVIEW_S, cpu_s=preview.cpu_s, findings=findings,
        refused=counts["refused"], added=counts["added"],
    )  # fmt: skip
    stored, one = _timed(lambda: _store(one, by))
    told = {"units": one.counts["added"], "records": one.counts["records"]}
    report.figure("import without due dates", stored.s, "s", target=IMPORT_S, cpu_s=stored.cpu_s, **told)
    report.figure("peak memory of the process", _peak_mb(), "MB", target=MEMORY_MB, before=round(before))
    bare = _bare(data)
    # Of the processor's seconds: what else runs on the machine then weighs on neither side.
    report.figure(
        "import without due dates, processor", stored.cpu_s, "s",
        rival="bare reading and bulk_create of the same rows", ratio=stored.cpu_s / bare, target=RATIO,
        rival_s=round(bare, 2),
    )  # fmt: skip
    dates, done = _timed(lambda: refresh_stale(now=now))
    report.figure("due dates of what came in", dates.s, "s", cpu_s=dates.cpu_s, computed=done.computed)
    report.figure("import with due dates", stored.s + dates.s, "s", cpu_s=stored.cpu_s + dates.cpu_s)
    again, two = _timed(lambda: _again(data, by, now))
    told = {"added": two.counts["added"], "unchanged": two.counts["unchanged"]}
    report.figure("the same file again, preview and import", again.s, "s", cpu_s=again.cpu_s, **told)
    undo, one = _timed(lambda: _undo(one, by))
    report.figure("taken back", undo.s, "s", cpu_s=undo.cpu_s, withdrawn=one.counts["undone"]["withdrawn"])


def _preview(one: RegisterImport, by: User, now: Any) -> RegisterImport:
    runs.settle(one, columns=one.columns, answers={"day_first": True}, by=by, now=now)
    return _work(one, RegisterImport.State.READ)


def _store(one: RegisterImport, by: User) -> RegisterImport:
    runs.confirm(one, version=one.version, by=by, now=timezone.now())
    return _work(one, RegisterImport.State.DATING)


def _again(data: bytes, by: User, now: Any) -> RegisterImport:
    two = runs.receive(data, file_name="register.xlsx", source=None, by=by, now=now)
    return _store(_preview(two, by, now), by)


def _undo(one: RegisterImport, by: User) -> RegisterImport:
    RegisterImport.objects.filter(pk=one.pk).update(state=RegisterImport.State.STORED)
    runs.ask_undo(one, by=by)
    return _work(one, RegisterImport.State.UNDONE)


def _work(one: RegisterImport, until: str) -> RegisterImport:
    runs.work_on(one.pk)
    one.refresh_from_db()
    if one.state != until:
        raise RuntimeError(f"the run stands at {one.state}: {one.error}")
    return one


def _bare(data: bytes) -> float:
    """Processor seconds of bare reading of the cells and of Django's bulk writes of as many rows.

    Written are copies of what the import wrote, with new keys, into the same tables; then undone.
    """
    began = clock.process_time()
    rows = CalamineWorkbook.from_filelike(io.BytesIO(data)).get_sheet_by_index(0).to_python()
    took = clock.process_time() - began
    del rows
    tables: tuple[Any, ...] = (Owner, Site, Location, UnitModel, Unit, Placement, ServiceRecord)
    with transaction.atomic():
        for model in tables:
            for copies in _copies(model):
                began = clock.process_time()
                model._default_manager.bulk_create(copies, batch_size=5000)
                took += clock.process_time() - began
        transaction.set_rollback(True)
    return took


_NEW: dict[str, Callable[[Any], Any]] = {
    "public_id": lambda old: uuid.uuid4(),
    "client_ref": lambda old: uuid.uuid4(),
    "code": lambda old: f"x{old}",
    "name": lambda old: f"x{old}",
    "number": lambda old: f"x{old}",
    "import_key": lambda old: f"x{old}"[:64],
    "build_key": lambda old: f"x{old}"[:64],
    "is_open": lambda old: False,
    "sequence": lambda old: old + 100_000,
}


def _copies(model: type[models.Model]) -> Iterator[list[models.Model]]:
    names = [field.attname for field in model._meta.concrete_fields if not field.primary_key]
    last = 0
    top = model._default_manager.order_by("-pk").values_list("pk", flat=True).first() or 0
    while found := list(
        model._default_manager.filter(pk__gt=last, pk__lte=top).order_by("pk").values("pk", *names)[:5000]
    ):
        last = found[-1]["pk"]
        yield [
            model(**{name: _NEW[name](row[name]) if name in _NEW else row[name] for name in names})
            for row in found
        ]


@dataclass(frozen=True, slots=True)
class Took:
    """Seconds on the clock, and those of them that the processor worked for us."""

    s: float
    cpu_s: float


def _timed(act: Callable[[], Any]) -> tuple[Took, Any]:
    """What ``act`` took and what it gave."""
    began, busy = clock.perf_counter(), clock.process_time()
    found = act()
    return Took(clock.perf_counter() - began, round(clock.process_time() - busy, 2)), found


def _peak_mb() -> float:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1024 if sys.platform != "darwin" else peak / 1024**2


def _workbook(units: int, chance: random.Random, now: Any) -> bytes:
    book = Workbook(write_only=True)
    sheet = book.create_sheet("Register")
    sheet.append(HEADINGS)
    for number in range(units):
        sheet.append(_row(number, chance, now))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _row(number: int, chance: random.Random, now: Any) -> list[Any]:
    site = number // UNITS_PER_SITE
    owner = site // SITES_PER_OWNER
    luck = chance.random()
    made = (now - timedelta(days=chance.randrange(2300, 6000))).date()
    done = (now - timedelta(days=chance.randrange(10, 400))).date()
    tested = (now - timedelta(days=chance.randrange(100, 1800))).date()
    return [
        f"Owner {owner:05d}", f"S{site:05d}", f"Site {site:05d}", f"{site} Mill Lane", "Port Calder", "US",
        "America/Chicago", "us-osha-1910-157", "Main", str(number % 5), f"{number % UNITS_PER_SITE + 1}",
        "By the stairs", "n/a" if luck < 0.05 else f"SN{number:07d}",
        chance.choice(("Calder Works", "CALDER")),
        f"C{number % 7}", "?" if luck > 0.97 else chance.choice(AGENTS),
        chance.choice(("stored pressure", "cartridge", "")), chance.choice(("mild steel", "steel", "")),
        chance.choice(CHARGES),
        # A mark without a day, a real date, two figures of a year, or a slip.
        "31/02/2019" if luck > 0.99 else f"{made.year}" if luck < 0.2 else made if luck < 0.5
        else f"{made:%m/%y}",
        done if luck < 0.6 else f"{done:%d.%m.%Y}" if luck < 0.9 else "",
        f"{done:%d/%m/%y}" if luck > 0.8 else "", f"{tested:%m/%Y}" if luck < 0.4 else "",
        chance.choice(("red", "white", "")),
    ]  # fmt: skip
