"""The demo refuses where it would do harm, and builds its scenario through the real doors."""

from __future__ import annotations

import socket
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from urllib.parse import parse_qs, urlsplit

import pytest
from django.core.management import CommandError, call_command

from inventory.condition.models import LeakPeers
from inventory.register.custody_queries import disagreements
from inventory.register.models import Unit
from inventory.stock.queries import stock_disagreements
from schedules.due.services import refresh_stale, stale_unit_ids
from schedules.surveys.queries import walk_of
from schedules.visits.models import Visit
from servicedesk import demo, demo_stock, demo_survey
from servicedesk.accounts.models import OwnerMembership
from servicedesk.health import PROOF_HEADER, proof
from servicedesk.management.commands.demo import Command as DemoCommand
from tests.factories import NOW, make_unit

pytestmark = pytest.mark.django_db


@pytest.mark.embedded_home
def test_a_taken_port_is_refused_before_anything_is_made():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(CommandError, match="choose another"):
            call_command("demo", "--no-serve", port=taken.getsockname()[1])
    assert not Unit.objects.exists()


class Running:
    """Stands for the process of the own server, which is alive."""

    def poll(self):
        return None


@pytest.mark.parametrize(("status", "is_own"), [(200, True), (200, False), (503, False), (404, False)])
def test_only_the_own_server_is_taken_for_ready(status, is_own):
    asked = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            challenge = parse_qs(urlsplit(self.path).query)["challenge"][0]
            self.send_response(status)
            # Another installation has another key: it can answer, but not with the same words.
            self.send_header(PROOF_HEADER, proof(challenge if is_own else challenge[::-1]))
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    Thread(target=server.serve_forever, daemon=True).start()
    try:
        base_url = f"http://127.0.0.1:{server.server_port}"
        if is_own:
            DemoCommand()._await(Running(), base_url)
        else:
            with pytest.raises(CommandError, match="Another server answers"):
                DemoCommand()._await(Running(), base_url)
    finally:
        server.shutdown()
        server.server_close()
    assert len(asked) == 1


@pytest.mark.embedded_home
def test_a_register_that_is_not_the_demos_is_left_alone():
    unit = make_unit()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(CommandError, match="not the demo's"):
        call_command("demo", "--no-serve", port=port)
    assert list(Unit.objects.all()) == [unit]


@pytest.mark.server_home
def test_known_passwords_stay_off_a_server():
    with pytest.raises(CommandError, match="embedded home only"):
        call_command("demo", "--no-serve")


@pytest.mark.embedded_home
def test_the_scenario_is_planned_once_and_stands_on_the_second_run():
    people = demo.make_people()
    report = demo.take_over_register(people["dispatcher"], NOW)
    assert report.created >= 1500
    assert demo_stock.fill_stock(people, NOW) > 500
    assert demo_stock.lend_out(people, NOW) == 2
    refresh_stale(now=NOW)
    assert demo_stock.tell_condition(NOW) > 100
    flagged = LeakPeers.objects.filter(is_flagged=True, lot__isnull=False)
    assert [group.lot.lot_no for group in flagged] == [demo_stock.LEAKY_LOT]
    assert stale_unit_ids(now=NOW) == []
    past = demo.plan_past_day(people, NOW)
    assert len(past) == demo.PAST_DAY_VISITS
    assert {visit.planned_on for visit in past} == {NOW.date() - timedelta(days=1)}
    assert all(visit.state == Visit.State.CONFIRMED and visit.technician for visit in past)
    proposed, confirmed = demo.plan_ahead(people, NOW)
    assert proposed >= confirmed > 0
    pairs = demo.make_owner_people()
    assert len(pairs) == 2
    assert {member.owner for member in OwnerMembership.objects.all()} <= {v.site.owner for v in past}

    survey = demo_survey.walk_part(people, NOW)
    assert survey is not None
    counts = walk_of(survey, now=NOW).counts
    assert [counts[name] for name in ("found", "differs", "missing", "extra")] == [1, 1, 1, 1]
    assert demo_survey.walk_part(people, NOW) == survey
    before = Visit.objects.count()
    assert demo.take_over_register(people["dispatcher"], NOW).created == 0
    assert [visit.pk for visit in demo.plan_past_day(people, NOW)] == [visit.pk for visit in past]
    assert demo.plan_ahead(people, NOW) == (0, 0)
    assert demo.make_owner_people() == pairs
    assert (demo_stock.fill_stock(people, NOW), demo_stock.lend_out(people, NOW)) == (0, 2)
    assert (disagreements(), stock_disagreements()) == ([], [])
    assert Visit.objects.count() == before
