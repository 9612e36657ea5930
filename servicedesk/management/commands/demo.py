"""``manage.py demo``: fill an empty installation with the demo and serve it."""

from __future__ import annotations

import http.client
import os
import secrets
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connections
from django.utils import timezone
from django.utils.crypto import constant_time_compare

from inventory.access import EVERYTHING
from inventory.register.models import Site, Unit
from schedules.certificates.models import Certificate
from schedules.due.models import Obligation
from schedules.due.queries import overdue_obligations
from schedules.due.services import refresh_stale
from schedules.visits.models import Visit
from servicedesk import (
    demo,
    demo_owner,
    demo_routes,
    demo_stock,
    demo_survey,
    demo_terms,
    demo_workshop,
)
from servicedesk.demo_day import CallRefused, Client, DayDone, work_visits
from servicedesk.health import CHALLENGE_LENGTH, PROOF_HEADER, proof
from servicedesk.management.commands.up import require_free
from servicedesk.supervisor import die_with_parent

READY_WITHIN_S = 60


class Command(BaseCommand):
    help = (
        "Set up the demo: database, register, due dates, visits, one past day closed over the REST API, "
        "certificates; print a summary and serve until Ctrl-C. Safe to run again."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="stop after the summary")
        parser.add_argument("--port", type=int, default=settings.PORT)

    def handle(self, *args: Any, **options: Any) -> None:
        if not settings.EMBEDDED:
            raise CommandError(
                "The demo brings sign-ins with known passwords and belongs on the embedded home only. "
                "Unset DATABASE_URL to run it."
            )
        port: int = options["port"]
        # Before anything is made: another server on this port would answer in the place of our own.
        require_free("127.0.0.1", port)
        started = time.perf_counter()
        settings.DATA_DIR.mkdir(parents=True, exist_ok=True)
        call_command("migrate", interactive=False, verbosity=0)
        if Unit.objects.exists() and not Unit.objects.filter(import_key__isnull=False).exists():
            raise CommandError(
                f"{settings.DATA_DIR} holds a register that is not the demo's. "
                "Set DATA_DIR to an empty folder and run again; nothing was changed."
            )
        now = timezone.now()
        people = demo.make_people()
        report = demo.take_over_register(people["dispatcher"], now)
        self.stdout.write(f"Register: {report.sentence}")
        path = self._write_report(report)
        self.stdout.write(
            f"  {len(report.doubts)} doubts and {len(report.refused)} refusals, row by row: {path}"
        )
        readings = demo_stock.fill_stock(people, now)
        lent = demo_stock.lend_out(people, now)
        self.stdout.write(f"Stock: {readings} gauge readings taken over, {lent} loaners out")
        clock = time.perf_counter()
        done = refresh_stale(now=now)
        self.stdout.write(
            f"Due dates: {done.computed} units computed, {done.written} obligations written "
            f"in {time.perf_counter() - clock:.1f} s"
        )
        self.stdout.write(f"Terms: {demo_terms.agree_terms(people, now)} versions, see /desk/contracts/")
        past = demo.plan_past_day(people, now)
        owners = demo.make_owner_people()
        proposed, confirmed = demo.plan_ahead(people, now)
        self.stdout.write(
            f"Visits: {proposed} proposed, {confirmed} of them confirmed for the coming fortnight"
        )
        demo_routes.set_up_crew(people)
        demo_stock.tell_condition(now)
        self.stdout.write(f"Owners: {demo_owner.fill_owner_side(people, now)}")
        connections.close_all()
        self.stdout.flush()  # the server's own lines come after ours, also in a file

        server = subprocess.Popen(
            [sys.executable, str(Path(settings.BASE_DIR) / "manage.py"), "up", "--port", str(port)],
            env={**os.environ, "PORT": str(port)},
            start_new_session=True,
            preexec_fn=die_with_parent(os.getpid()),
        )
        try:
            base_url = f"http://localhost:{port}"
            self._await(server, base_url)
            day = self._work_past_day(base_url, past)
            # A visit of a past day that is still open would be planned anew.
            plans = demo_routes.plan_week(people, now)
            if plans:
                self.stdout.write(f"Routes: {len(plans)} weeks planned, see /desk/plan/")
            demo_workshop.make_cards(people, now)
            if (survey := demo_survey.walk_part(people, now)) is not None:
                self.stdout.write(f"Survey: {survey.visit.site.name}, half walked, see /desk/surveys/")
            self._fetch_papers(base_url)
            self._summary(base_url, day, owners, time.perf_counter() - started)
            if options["no_serve"]:
                return
            self.stdout.write("Serving until Ctrl-C.")
            server.wait()
        except KeyboardInterrupt:
            self.stdout.write("")
        finally:
            _stop(server)

    def _await(self, server: subprocess.Popen[bytes], base_url: str) -> None:
        """Wait until our own server works; raise ``CommandError`` when it does not, or another answers."""
        deadline = time.monotonic() + READY_WITHIN_S
        while time.monotonic() < deadline:
            if server.poll() is not None:
                raise CommandError("The server did not start; its own message stands above.")
            challenge = secrets.token_hex(CHALLENGE_LENGTH // 2)
            address = f"{base_url}/healthz?challenge={challenge}"
            try:
                with urllib.request.urlopen(address, timeout=5) as answer:  # noqa: S310
                    is_ready, headers = True, answer.headers
            except urllib.error.HTTPError as refused:
                is_ready, headers = False, refused.headers
                refused.close()
            except (urllib.error.URLError, ConnectionError, TimeoutError):
                time.sleep(0.2)
                continue
            except http.client.HTTPException as strange:
                raise _not_ours(base_url) from strange
            if not constant_time_compare(headers.get(PROOF_HEADER, ""), proof(challenge)):
                raise _not_ours(base_url)
            if is_ready:
                return
            time.sleep(0.2)
        raise CommandError(f"No answer from {base_url}/healthz within {READY_WITHIN_S} s.")

    def _work_past_day(self, base_url: str, past: list[Visit]) -> DayDone:
        done = DayDone()
        by_technician: dict[str, list[str]] = {}
        for visit in past:
            if visit.technician is not None:
                by_technician.setdefault(visit.technician.username, []).append(str(visit.public_id))
        for username, visit_ids in by_technician.items():
            client = Client(base_url)
            try:
                client.sign_in(username, demo.PASSWORD)
                work_visits(client, visit_ids, done=done)
            except CallRefused as error:
                raise CommandError(f"The past day could not be closed: {error}") from error
        return done

    def _fetch_papers(self, base_url: str) -> None:
        """Have every certificate of the demo made now instead of within the minute."""
        client = Client(base_url)
        client.sign_in("dispatcher", demo.PASSWORD)
        for public_id in Certificate.objects.filter(file__isnull=True).values_list("public_id", flat=True):
            client.call("GET", f"/api/v1/certificates/{public_id}/pdf/")

    def _write_report(self, report: Any) -> Path:
        path = Path(settings.DATA_DIR) / "demo-import-report.txt"
        lines = [report.sentence, "", *(f"{f.severity.value}: {f.text}" for f in report.findings)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    def _summary(self, base_url: str, day: DayDone, owners: list[tuple[str, str]], seconds: float) -> None:
        now = timezone.now()
        overdue = overdue_obligations(EVERYTHING, now)
        out = self.stdout.write
        out("")
        out("-- Demo summary " + "-" * 60)
        out(
            f"{Site.objects.count()} sites, {Unit.objects.on_duty().count()} units on duty, "
            f"{Obligation.objects.count()} obligations"
        )
        out(
            f"Overdue: {overdue.count()} tasks on {overdue.values('unit').distinct().count()} units "
            "(monthly looks of the owners' own people not counted)"
        )
        if day.visits:
            counted = ", ".join(f"{count} {result.replace('_', ' ')}" for result, count in day.counts.items())
            out(f"Closed over the REST API: {', '.join(day.visits)} ({counted})")
            out(f"  each closing sent twice, answers alike: {'yes' if day.was_replayed_alike else 'NO'}")
        waiting = Visit.objects.filter(state__in=Visit.OPEN)
        out(f"Visits ahead: {waiting.count()}")
        papers = Path(settings.MEDIA_ROOT) / "certificates"
        out(f"Certificates: {Certificate.objects.count()}, PDFs in {papers}")
        out("Interval tables are shipped defaults to confirm against local code.")
        out(f"  in use here and unconfirmed: {', '.join(demo.unconfirmed_in_use()) or 'none'}")
        out("")
        out(f"Address   {base_url}/")
        out(f"Sign-ins  (password of all: {demo.PASSWORD})")
        for person in demo.PEOPLE:
            if not person.username[-1].isdigit():
                out(f"  {person.username:<12}{person.role}")
        for username, owner in owners:
            out(f"  {username:<12}owner, {owner}")
        out(f"Done in {seconds:.0f} s")
        out("-" * 76)


def _not_ours(base_url: str) -> CommandError:
    """The port was free when we looked, and somebody else took it since."""
    start, _, port = base_url.rpartition(":")
    return CommandError(
        f"Another server answers at {start}:{port}, and nothing else was sent to it. Stop it, "
        f"or choose another port, for example `make run PORT={int(port) + 1}`."
    )


def _stop(server: subprocess.Popen[bytes]) -> None:
    if server.poll() is None:
        server.send_signal(signal.SIGTERM)
        try:
            server.wait(20)
        except subprocess.TimeoutExpired:
            os.killpg(server.pid, signal.SIGKILL)
