"""How long a search over the whole register takes, and what keeping its index costs a bulk write."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from datetime import timedelta
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.contrib.auth import get_user_model
from django.db import connection, transaction
from django.test import Client
from django.test.utils import override_settings
from django.urls import reverse
from django.utils import timezone

from inventory.register.models import Location, Site, Unit
from inventory.search import index
from schedules.management.benches import Report
from schedules.management.benches.pages import measure_pages
from schedules.management.benches.register import make_register
from schedules.visits.models import Visit
from servicedesk.accounts.models import OwnerMembership

HELP = "Searching the whole register: server time, query plans, and the cost of the index to bulk writes."
TARGET_MS = 50
WRITTEN = 20_000


def add_arguments(parser: ArgumentParser) -> None:
    """How large."""
    parser.add_argument("--units", type=int, default=1_000_000, help="Units in the register.")


def run(report: Report, options: dict[str, Any]) -> None:
    """Measure everything in the empty database that the default connection points at."""
    units: int = options["units"]
    now = timezone.now()
    started = time.perf_counter()
    make_register(units, seed=report.seed, now=now)
    report.figure("making the register, index kept", time.perf_counter() - started, "s")
    _visits(now)
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
    _bulk_writes(report, units)
    started = time.perf_counter()
    index.rebuild()
    report.figure("making the index anew", time.perf_counter() - started, "s")
    wrong = sum(index.differences(one) for one in index.documents())
    report.figure("rows in which the index differs", wrong, "rows", target=0)
    plain = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    with override_settings(STORAGES={**settings.STORAGES, "staticfiles": plain}):
        _searches(report, units)


def _visits(now: Any) -> None:
    Visit.objects.bulk_create(
        (
            Visit(site_id=pk, number=f"V-{pk:06d}", planned_on=now.date() + timedelta(days=pk % 90))
            for pk in Site.objects.order_by("pk").values_list("pk", flat=True)
        ),
        batch_size=500,
    )


def _bulk_writes(report: Report, units: int) -> None:
    """The same bulk writes with and without triggers, rolled back each time."""

    def write() -> float:
        count = min(WRITTEN, units)
        site, model = (
            Site.objects.order_by("pk").values_list("pk", flat=True)[0],
            Unit.objects.all()[0].model_id,
        )
        places = [Location(site_id=site, number=f"N{n}", description=f"Hall {n}") for n in range(count)]
        started = clock()
        Location.objects.bulk_create(places, batch_size=500)
        Unit.objects.bulk_create(
            [
                Unit(number=f"N-{n}", serial=f"NEW{n}", model_id=model, site_id=site, location=place)
                for n, place in enumerate(places)
            ],
            batch_size=500,
        )
        return clock() - started

    # SQLite works inside this process, whose own time other work on the machine does not blur.
    clock = time.process_time if connection.vendor == "sqlite" else time.perf_counter
    kept = _rolled_back(write, with_triggers=True)
    bare = _rolled_back(write, with_triggers=False)
    report.figure(
        "bulk_create of units and places, index kept", kept, "s", rival="the same without the index",
        ratio=kept / bare, target=1.25, rows=2 * min(WRITTEN, units),
    )  # fmt: skip


def _rolled_back(work: Any, *, with_triggers: bool) -> float:
    times = []
    for _ in range(3):
        with transaction.atomic():
            if not with_triggers:
                _drop_triggers()
            times.append(work())
            transaction.set_rollback(True)
    return min(times)


def _drop_triggers() -> None:
    with connection.cursor() as cursor:
        for one in index.documents():
            on = f" ON {one.table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER {one.index}_on_insert{on}")


def _searches(report: Report, units: int) -> None:
    people = get_user_model().objects
    desk = people.create_user(username="bench-desk", password=None, role="manager")
    owner = people.create_user(username="bench-owner", password=None, role="owner")
    site = Site.objects.order_by("pk")[Site.objects.count() // 2]
    OwnerMembership.objects.create(user=owner, owner_id=site.owner_id)
    n = units // 2 + 7
    unit = Unit.objects.get(pk=n)
    texts = {
        "a whole serial": unit.serial,
        "a unit number without its dash": unit.number.replace("-", ""),
        "the beginning of a number": unit.number[:6],
        "the middle of a number": f"{n:07d}"[2:6],
        "a serial typed in parts": f"{unit.serial[:4]} {unit.serial[4:]}",
        "a fragment of everything": "000",
        "a fragment of every unit": "U-0",
        "a room": "boiler",
        "a room and its number": "room 42 plant",
        "a place and its site": f"laundry {site.code}",
        "a place and its owner": f"kitchen {site.owner.name.split()[1]}",
        "a unit and its site": f"{unit.number[-3:]} {site.code}",
        "words that are everywhere": "main ground",
        "words that never meet": f"laundry {unit.number}",
        "a town": "port calder",
        "a site": site.name,
        "an owner": site.owner.name,
        "an e-mail": site.owner.contact_email,
        "a maker": "calder works",
        "a visit": "V-0000",
        "nothing": "zzqx",
        "six words": "main ground kitchen 42 port calder",
    }
    for who, person in (("desk", desk), ("owner", owner)):
        client = Client(SERVER_NAME=next((h for h in settings.ALLOWED_HOSTS if "*" not in h), "localhost"))
        client.force_login(person, backend="django.contrib.auth.backends.ModelBackend")
        addresses = {
            f"{who}: {name}": f"{reverse('find-offers')}?{urlencode({'q': text})}"
            for name, text in texts.items()
        }
        addresses[f"{who}: the page of results"] = (
            f"{reverse('find-everything')}?{urlencode({'q': unit.serial[:5]})}"
        )
        measure_pages(report, client, addresses, target=TARGET_MS)
