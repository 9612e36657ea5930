"""The technician's app on a slow phone: first load, opening a large site, from scan to unit.

Chromium is slowed down to a quarter of its speed behind a line of the kind that developers' tools call
"Slow 4G" (1.6 Mbit/s less a tenth, 562 ms to the first byte). The server runs in this process with
compressed files under hashed names, as in real use.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from statistics import median
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.sessions.backends.db import SessionStore
from django.core.management import call_command
from django.core.servers.basehttp import ThreadedWSGIServer, WSGIRequestHandler
from django.test.utils import override_settings
from django.utils import timezone

from inventory.measures.stamps import Stamp
from inventory.register.models import Location, Owner, Placement, Site, Unit, UnitModel, local_today
from schedules.due.services import refresh_units
from schedules.management.benches import Report
from schedules.rulebook.services import adopt_table
from schedules.visits.models import Job, Visit

HELP = "The technician's app in Chromium: first load, a large site from storage, scan to unit."
SLOW_4G = {
    "offline": False,
    "downloadThroughput": 1.6 * 1000 * 1000 / 8 * 0.9,
    "uploadThroughput": 750 * 1000 / 8 * 0.9,
    "latency": 150 * 3.75,
}
CPU_SLOWDOWN = 4
PHONE = {"width": 360, "height": 800}
REPEATS = 20
TABLE = "us-osha-1910-157"


def add_arguments(parser: ArgumentParser) -> None:
    """How large the site is."""
    parser.add_argument("--units", type=int, default=300, help="Units on the site.")


def run(report: Report, options: dict[str, Any]) -> None:
    """Measure in the empty database that the default connection points at."""
    from playwright.sync_api import sync_playwright

    cookie, visit = _make_day(int(options["units"]))
    # Playwright drives an event loop in this thread, where Django would refuse its queries.
    os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
    with _serving() as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=os.environ.get("CHROMIUM") or shutil.which("chromium"),
            args=["--disable-gpu", *(["--no-sandbox"] if os.getuid() == 0 else [])],
        )
        context = browser.new_context(viewport=PHONE, is_mobile=True, has_touch=True)  # type: ignore[arg-type]
        context.add_cookies([{"name": "sessionid", "value": cookie, "url": address}])
        page = context.new_page()
        page.set_default_timeout(60_000)
        wire = _Wire(context, page)
        _first_load(report, page, address, wire)
        _store(report, page, wire)
        _open_site(report, page, visit)
        _walk(report, page, visit)
        browser.close()


class _Wire:
    """What goes over the line, and how fast it is."""

    def __init__(self, context: Any, page: Any) -> None:
        self.session = context.new_cdp_session(page)
        self.session.send("Network.enable")
        self.session.send("Emulation.setCPUThrottlingRate", {"rate": CPU_SLOWDOWN})
        self.session.send("Network.emulateNetworkConditions", SLOW_4G)
        self.bytes = 0
        self.requests = 0
        self.session.on("Network.loadingFinished", self._count)

    def _count(self, event: dict[str, Any]) -> None:
        self.bytes += event["encodedDataLength"]
        self.requests += 1


def _first_load(report: Report, page: Any, address: str, wire: _Wire) -> None:
    page.goto(f"{address}/field/")
    page.wait_for_selector("html[data-ready]")
    report.figure("requests until the first screen is ready", wire.requests, "requests")
    ready_ms = page.evaluate("Number(document.documentElement.dataset.ready)")
    report.figure("first load until ready", ready_ms / 1000, "s", target=2)
    report.figure("first load over the line until ready", wire.bytes / 1000, "kB", target=150)
    page.wait_for_selector("html[data-kept]")
    page.wait_for_timeout(1500)
    report.figure("with everything behind it, without the scanner", wire.bytes / 1000, "kB")


def _store(report: Report, page: Any, wire: _Wire) -> None:
    before = wire.bytes
    took = _timed(
        page,
        "document.querySelector('.app-stored button').click()",
        "() => document.getElementById('stored')",
    )
    size_kb = (wire.bytes - before) / 1000
    report.figure("storing the day with the scanner", took / 1000, "s", over_the_line_kb=round(size_kb))


def _open_site(report: Report, page: Any, visit: str) -> None:
    """From the stored day to the round on the screen; each time with nothing in memory."""
    took = []
    for _ in range(5):
        page.reload()
        page.wait_for_selector("html[data-ready]")
        page.wait_for_timeout(1000)
        took.append(
            _timed(page, f"location.hash = '#/visit/{visit}'", "() => document.querySelector('.app-row')")
        )
        page.evaluate("location.hash = '#/'")
        page.wait_for_selector("#stored")
    report.figure("a site opens from storage, worst of 5", max(took) / 1000, "s", target=1)
    page.reload()
    page.wait_for_selector("html[data-ready]")
    report.figure(
        "the stored app starts again",
        page.evaluate("Number(document.documentElement.dataset.ready)") / 1000,
        "s",
    )


def _walk(report: Report, page: Any, visit: str) -> None:
    """A hardware scanner's keys, and the pass that leads to the next unit."""
    page.evaluate(f"location.hash = '#/visit/{visit}'")
    page.wait_for_selector(".app-row")
    scanned, passed = [], []
    for n in range(1, REPEATS + 1):
        number = f"U-{n:06d}"
        typing = f"""for (const key of [...'{number}', 'Enter'])
            document.dispatchEvent(new KeyboardEvent('keydown', {{ key, bubbles: true }}))"""
        shown = f"() => document.querySelector('.app-identity')?.textContent.includes('read: {number}')"
        scanned.append(_timed(page, typing, shown))
        page.fill("#value-gauge_pressure", "13.4")
        page.evaluate("document.querySelector('#foot .app-next').click()")
        passed.append(
            _timed(
                page,
                "document.querySelector('#foot .app-next').click()",
                f"() => document.querySelector('.app-unit')?.textContent.includes('U-{n + 1:06d}')",
            )
        )
    # The first one still fetches its module from the phone's storage.
    report.figure("scan to unit, median", median(scanned), "ms", target=200, first=round(scanned[0]))
    report.figure("scan to unit, worst after the first", max(scanned[1:]), "ms", target=200)
    report.figure("pass to next unit, median", median(passed), "ms", target=200)
    report.figure("pass to next unit, worst after the first", max(passed[1:]), "ms", target=200)


def _timed(page: Any, act: str, until: str) -> float:
    """Milliseconds from ``act`` until ``until`` holds and the frame that shows it has been drawn."""
    took: float = page.evaluate(
        f"""() => new Promise((resolve, reject) => {{
            const isThere = {until};
            setTimeout(() => reject(new Error("What was waited for never came.")), 60_000);
            const begun = performance.now();
            const look = new MutationObserver(() => {{
                if (!isThere()) return;
                look.disconnect();
                requestAnimationFrame(() => setTimeout(() => resolve(performance.now() - begun)));
            }});
            look.observe(document, {{ subtree: true, childList: true, attributes: true }});
            {act};
        }})"""
    )
    return took


# --- what is measured ------------------------------------------------------------------------------


def _make_day(units: int) -> tuple[str, str]:
    """One technician, one site, one visit today to all its units; the session's key and the visit's id."""
    now = timezone.now()
    person = get_user_model().objects.create_user(
        username="bench", password=None, role="technician", first_name="Bench", last_name="Person"
    )
    site = Site.objects.create(
        owner=Owner.objects.create(name="Bench mills"), code="B-1", name="Bench works", time_zone="UTC"
    )
    adopt_table(TABLE, site=site, at=now)
    model = UnitModel.objects.create(  # noqa: S604  (the shell of an extinguisher)
        agent="dry_chemical_abc",
        construction="stored_pressure",
        shell="mild_steel",
        charge_mass_g=4536,
        charge_text="10 lb",
        working_pressure_kpa=1344,
        build_key="bench",
    )
    locations = Location.objects.bulk_create(
        Location(
            site=site,
            number=f"{n:03d}",
            building="Main",
            floor=f"Floor {n // 60}",
            description="by the door",
            walking_order=n,
        )
        for n in range(1, units + 1)
    )
    rows = []
    for n, location in enumerate(locations, 1):
        unit = Unit(number=f"U-{n:06d}", serial=f"SN{n}", model=model, site=site, location=location)
        unit.made = Stamp.of(2022, 3)
        rows.append(unit)
    Unit.objects.bulk_create(rows)
    Placement.objects.bulk_create(
        Placement(unit=unit, location=unit.location, from_on=date(2022, 6, 1)) for unit in rows
    )
    refresh_units([unit.pk for unit in rows], now=now)
    visit = Visit.objects.create(
        number="V-000001",
        site=site,
        technician=person,
        state=Visit.State.CONFIRMED,
        planned_on=local_today(site, now),
    )
    Job.objects.bulk_create(
        Job(
            visit=visit,
            unit=unit,
            location=unit.location,
            task="maintenance",
            table_key=TABLE,
            table_version="2026-1",
            rule_id="maintenance",
        )
        for unit in rows
    )
    session = SessionStore()
    session["_auth_user_id"] = str(person.pk)
    session["_auth_user_backend"] = "django.contrib.auth.backends.ModelBackend"
    session["_auth_user_hash"] = person.get_session_auth_hash()
    session.save()
    return str(session.session_key), str(visit.public_id)


class _Quiet(WSGIRequestHandler):
    """A log line for each file would stand between the figures."""

    def log_message(self, *args: Any) -> None:
        """Say nothing."""


@contextmanager
def _serving() -> Iterator[str]:
    """The whole program on a free port, files hashed and compressed; its address by a name."""
    with (
        tempfile.TemporaryDirectory(prefix="servicedesk-bench-static-") as folder,
        override_settings(STATIC_ROOT=Path(folder)),
    ):
        call_command("collectstatic", interactive=False, verbosity=0)
        from django.core.wsgi import get_wsgi_application

        server = ThreadedWSGIServer(("127.0.0.1", 0), _Quiet, connections_override={})
        server.set_app(get_wsgi_application())
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            yield f"http://localhost:{server.server_port}"
        finally:
            server.shutdown()
            server.server_close()
