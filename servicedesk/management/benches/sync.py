"""Phones against a real server through everything that can go wrong: is each record there once?

Several phones send whole visits to gunicorn over a bad line: requests that never arrive, answers that
never come back, requests sent twice, acts in any order, delays, and a server that is killed with
``-9`` in the middle of requests and started again. In the end every act, entry and record is counted.
Afterwards one phone sends its waiting records over a good line against the clock.
"""

from __future__ import annotations

import http.client
import itertools
import json
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

from django.conf import settings
from django.core.management.base import CommandParser
from django.db import connection

from inventory.logbook.models import ServiceRecord
from inventory.register.models import Location, Owner, Placement, Site, Unit, UnitModel
from schedules.certificates.models import Certificate
from schedules.due.services import refresh_units
from schedules.management.benches import Report
from schedules.rulebook.services import adopt_table
from schedules.visits.models import FieldAct, Job, Visit, VisitEntry, WaitingAct
from servicedesk.accounts.models import User

HELP = "Send records through a bad line and a killed server; count what is lost or doubled."
PASSWORD = "a long enough bench password"  # noqa: S105
UNITS_PER_VISIT = 250
BATCH = 100
GAUGE = {"quantity": "gauge_pressure", "value": "195", "unit": "psi"}
FAULTS = ("request lost", "answer lost", "sent twice", "delayed")


def add_arguments(parser: CommandParser) -> None:
    """Sizes of the run."""
    parser.add_argument("--units", type=int, default=10_000, help="Records sent over the bad line.")
    parser.add_argument("--phones", type=int, default=4)
    parser.add_argument(
        "--waiting", type=int, default=1_000, help="Records of the timed run; 0 leaves it out."
    )
    parser.add_argument("--kill-after", type=int, default=12, help="Answers between kills, on average.")


def run(report: Report, options: dict[str, Any]) -> None:
    """The bad line, then the good one."""
    dice = random.Random(options["seed"])  # noqa: S311
    phones = [_phone(n, dice.random()) for n in range(options["phones"])]
    per_visit = min(UNITS_PER_VISIT, max(1, options["units"] // len(phones)))
    rounds = -(-options["units"] // (per_visit * len(phones)))
    for phone in phones:
        for _ in range(rounds):
            phone.load(_visit(phone.person, per_visit))
    made = [act for phone in phones for act in phone.outbox]
    with _server() as server:
        for phone in phones:
            phone.token = server.token(phone.person.username)
        counts = _bad_line(phones, server, kill_after=options["kill_after"], dice=dice)
        _judge(report, made, counts, kills=server.kills)
        if options["waiting"]:
            _good_line(report, server, options["waiting"])


# --- the server --------------------------------------------------------------------------------------


class Server:
    """gunicorn on the throw-away database; it can be killed and started again."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.kills, self.answered = folder, 0, 0
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        self.process = subprocess.Popen(
            [
                sys.executable, "-m", "gunicorn", "servicedesk.wsgi", "--bind", f"127.0.0.1:{self.port}",
                "--worker-class", "gthread", "--workers", "2", "--threads", "4", "--log-level", "critical",
                "--no-control-socket",
            ],
            env={**os.environ, **_surroundings(self.folder)},
            cwd=settings.BASE_DIR,
            start_new_session=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        for _ in range(600):
            try:
                self.call("GET", "/api/v1/me/")
                return
            except OSError:
                time.sleep(0.1)
        raise RuntimeError("The server did not start.")

    def kill(self) -> None:
        """Kill it and all its workers at once, as a power cut does."""
        if self.process is not None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            self.process = None

    def call(
        self, method: str, path: str, body: Any = None, token: str = "", read: bool = True
    ) -> tuple[int, Any]:
        """One call; without ``read`` the answer is not waited for."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            headers = {"Content-Type": "application/json"}
            if token:
                headers["Authorization"] = f"Bearer {token}"
            line.request(method, path, None if body is None else json.dumps(body), headers)
            if not read:
                return 0, None
            answer = line.getresponse()
            text = answer.read()
            # Only what was answered: a server killed before it can store anything would prove nothing.
            self.answered += body is not None
            return answer.status, json.loads(text) if text[:1] in (b"{", b"[") else None
        except http.client.HTTPException as error:
            raise ConnectionError(str(error)) from error
        finally:
            line.close()

    def token(self, username: str) -> str:
        """Sign in."""
        status, body = self.call("POST", "/api/v1/token/", {"username": username, "password": PASSWORD})
        if status != 200:
            raise RuntimeError(f"Signing in was answered {status}: {body}")
        return str(body["token"])


@contextmanager
def _server() -> Iterator[Server]:
    # The server has a process group of its own, so that it can be killed whole: a run that is told to
    # stop has to take it along.
    before = signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    with tempfile.TemporaryDirectory(prefix="servicedesk-sync-") as folder:
        server = Server(Path(folder))
        try:
            server.start()
            yield server
        finally:
            server.kill()
            signal.signal(signal.SIGTERM, before)


def _surroundings(folder: Path) -> dict[str, str]:
    """What makes the server use the database of this run and a data folder of its own."""
    name = str(connection.settings_dict["NAME"])
    found = {
        "DJANGO_SETTINGS_MODULE": "servicedesk.settings",
        "DATA_DIR": str(folder),
        "API_RATE_USER": "1000000/min",
        "API_RATE_ANON": "100000/min",
        "API_RATE_TOKEN": "100000/min",
    }
    if connection.vendor == "sqlite":
        link = folder / "servicedesk.sqlite3"
        if not link.exists():
            link.symlink_to(name)
        found["DATABASE_URL"] = ""
    else:
        parts = urlsplit(os.environ["DATABASE_URL"])
        found["DATABASE_URL"] = urlunsplit(parts._replace(path=f"/{name}"))
        found["SECRET_KEY"] = uuid.uuid4().hex * 2
    return found


# --- the phones --------------------------------------------------------------------------------------


@dataclass(eq=False)
class Phone:
    """A phone with an outbox; nothing leaves it before the server has said that it is there."""

    person: User
    dice: random.Random
    device: str = field(default_factory=lambda: str(uuid.uuid4()))
    outbox: dict[str, dict[str, Any]] = field(default_factory=dict)
    numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1))
    token: str = ""
    refused: list[dict[str, Any]] = field(default_factory=list)

    def load(self, visit: Visit) -> None:
        """Do a whole visit without signal: begin, record every unit, close."""
        at = datetime.now(UTC) - timedelta(hours=6)
        units = list(visit.jobs.order_by("pk").values_list("unit__public_id", flat=True))
        self._act(visit, "start", at, {})
        for position, unit in enumerate(units):
            content = {"outcome": "serviced", "tasks": ["maintenance"], "readings": [GAUGE]}
            self._act(visit, "result", at + timedelta(seconds=40 * position), content, unit=str(unit))
        counts = dict.fromkeys(VisitEntry.Result.values, 0) | {"serviced": len(units)}
        closing = {"counts": counts, "acts_before": len(units) + 1, "contact_name": "R. Okafor"}
        self._act(visit, "close", at + timedelta(hours=4), closing)

    def _act(self, visit: Visit, kind: str, at: datetime, content: dict[str, Any], **more: str) -> None:
        act: dict[str, Any] = {
            "id": str(uuid.uuid4()),
            "visit": str(visit.public_id),
            "kind": kind,
            "seq": next(self.numbers),
            "device_at": at.isoformat(),
            "content": content,
            **more,
        }
        self.outbox[act["id"]] = act

    def batch(self, size: int, *, shuffled: bool) -> dict[str, Any]:
        """The next acts to send, in any order where the line is bad."""
        waiting = list(self.outbox.values())
        picked = self.dice.sample(waiting, min(size, len(waiting))) if shuffled else waiting[:size]
        now = datetime.now(UTC).isoformat()
        return {"device": {"id": self.device}, "sent_at": now, "acts": picked}

    def heed(self, answer: Any) -> None:
        """Drop what is there; what waits or is refused stays."""
        for one in answer["results"]:
            if one["status"] in ("accepted", "repeated"):
                self.outbox.pop(one["id"], None)
            elif one["status"] == "refused":
                self.refused.append(one)
                self.outbox.pop(one["id"], None)


def _bad_line(
    phones: Sequence[Phone], server: Server, *, kill_after: int, dice: random.Random
) -> Counter[str]:
    """Send every outbox empty through faults and kills; return how often what happened."""
    counts: Counter[str] = Counter()
    done = threading.Event()
    threads = [threading.Thread(target=_send_badly, args=(phone, server, counts)) for phone in phones]
    killer = threading.Thread(target=_kill, args=(server, done, kill_after, dice))
    for thread in (*threads, killer):
        thread.start()
    for thread in threads:
        thread.join()
    done.set()
    killer.join()
    return counts


def _send_badly(phone: Phone, server: Server, counts: Counter[str]) -> None:
    while phone.outbox:
        fault = phone.dice.choices([*FAULTS, ""], weights=[1, 2, 2, 1, 4])[0]
        counts[fault or "clean"] += 1
        batch = phone.batch(phone.dice.randint(1, BATCH), shuffled=True)
        if fault == "request lost":
            continue
        try:
            if fault == "delayed":
                time.sleep(phone.dice.random() / 5)
            if fault == "answer lost":
                server.call("POST", "/api/v1/field/acts/", batch, phone.token, read=False)
                continue
            if fault == "sent twice":
                server.call("POST", "/api/v1/field/acts/", batch, phone.token)
            status, answer = server.call("POST", "/api/v1/field/acts/", batch, phone.token)
        except OSError:
            counts["line broken"] += 1
            time.sleep(0.05)
            continue
        if status == 200:
            phone.heed(answer)
        else:
            counts[f"answered {status}"] += 1
            time.sleep(0.1)


def _kill(server: Server, done: threading.Event, after: int, dice: random.Random) -> None:
    """Kill the server again and again, each time in the middle of what is under way."""
    while not done.is_set():
        wanted = server.answered + dice.randint(max(1, after // 2), after + after // 2)
        while server.answered < wanted and not done.wait(0.01):
            pass
        if not done.wait(dice.random() / 4):
            server.kill()
            server.kills += 1
            server.start()


def _judge(report: Report, made: Sequence[str], counts: Counter[str], *, kills: int) -> None:
    ids = [uuid.UUID(one) for one in made]
    stored = list(FieldAct.objects.values_list("act_id", flat=True))
    units = Job.objects.count()
    entries, records = VisitEntry.objects.count(), ServiceRecord.objects.count()
    visits = Visit.objects.count()
    lost = len(set(ids) - set(stored)) + max(0, units - entries) + max(0, units - records)
    doubled = len(stored) - len(set(stored)) + max(0, entries - units) + max(0, records - units)
    open_visits = visits - Visit.objects.filter(state=Visit.State.CLOSED).count()
    told: dict[str, Any] = {"kills": kills, "faults": dict(sorted(counts.items()))}
    report.figure("acts sent over the bad line", len(ids), "acts", **told)
    report.figure("records made of them", records, "records", target=units, better="at least")
    report.figure("lost", lost, "records", target=0)
    report.figure("doubled", doubled, "records", target=0)
    report.figure("visits left open", open_visits, "visits", target=0)
    report.figure("certificates missing", visits - Certificate.objects.count(), "certificates", target=0)
    report.figure("still waiting on the server", WaitingAct.objects.count(), "acts", target=0)


def _good_line(report: Report, server: Server, waiting: int) -> None:
    phone = _phone(99, 0.5)
    while len(phone.outbox) < waiting:
        phone.load(_visit(phone.person, min(UNITS_PER_VISIT, waiting)))
    phone.token = server.token(phone.person.username)
    count, began = len(phone.outbox), time.perf_counter()
    while phone.outbox:
        status, answer = server.call(
            "POST", "/api/v1/field/acts/", phone.batch(BATCH, shuffled=False), phone.token
        )
        if status != 200:
            raise RuntimeError(f"A batch was answered {status}: {answer}")
        phone.heed(answer)
    took = time.perf_counter() - began
    report.figure("waiting records sent", took, "s", target=30, acts=count, refused=len(phone.refused))


# --- what they work on -------------------------------------------------------------------------------


def _phone(number: int, chance: float) -> Phone:
    person = User.objects.create_user(f"tech{number}", password=PASSWORD, role=User.Role.TECHNICIAN)
    return Phone(person, random.Random(chance))  # noqa: S311


def _visit(person: User, units: int) -> Visit:
    """A confirmed visit of today with maintenance on every unit of a new site."""
    now = datetime.now(UTC)
    code = uuid.uuid4().hex[:8]
    owner, _ = Owner.objects.get_or_create(name="Calder Bench Holdings")
    site = Site.objects.create(owner=owner, code=code, name=f"Yard {code}", time_zone="UTC", country="US")
    adopt_table("us-osha-1910-157", site=site, at=now)
    model, _ = UnitModel.objects.get_or_create(
        build_key="bench",
        defaults={
            "agent": "dry_chemical_abc",
            "construction": "stored_pressure",
            "shell": "mild_steel",
            "charge_mass_g": 4536,
            "working_pressure_kpa": 1344,
        },
    )
    places = Location.objects.bulk_create(
        [Location(site=site, number=f"{n:04d}", walking_order=n) for n in range(units)]
    )
    rows = Unit.objects.bulk_create(
        [
            Unit(number=f"B-{code}-{n:04d}", model=model, site=site, location=place)
            for n, place in enumerate(places)
        ]
    )
    Placement.objects.bulk_create(
        [Placement(unit=unit, location=place) for unit, place in zip(rows, places, strict=True)]
    )
    refresh_units([unit.pk for unit in rows], now=now)
    visit = Visit.objects.create(
        number=f"V-{code}",
        site=site,
        state=Visit.State.CONFIRMED,
        planned_on=now.date(),
        technician=person,
        confirmed_at=now,
    )
    Job.objects.bulk_create(
        [
            Job(
                visit=visit,
                unit=unit,
                location=place,
                task="maintenance",
                table_key="us-osha-1910-157",
                table_version="2026-1",
                rule_id="e3",
            )
            for unit, place in zip(rows, places, strict=True)
        ]
    )
    return visit
