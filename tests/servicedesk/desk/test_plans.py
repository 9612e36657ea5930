"""Pages of plans and of the crew: what they show, what they refuse, what they cost."""

from __future__ import annotations

import io
import uuid
from datetime import UTC, datetime, time, timedelta
from decimal import Decimal
from typing import Any

import pypdf
import pytest
from django.conf import settings
from django.core import checks
from django.test import Client
from django.urls import reverse

from inventory.register.models import Depot, Site
from schedules.crew.models import CrewMember, HeldSkill, PlanningRules, Skill, SkillNeed, Van
from schedules.crew.rules import PRICE_FIELDS, TIME_FIELDS, Rules
from schedules.routes import runs, services
from schedules.routes.models import RoutePlan, VisitNotice
from schedules.visits.models import Visit
from servicedesk.checks import settings_fit_together
from servicedesk.env import tile_origins
from servicedesk.notices import writing
from servicedesk.notices.models import Notice
from tests.factories import NOW, make_user
from tests.servicedesk.desk.plan_cast import (
    MONDAY,
    make_depot,
    make_member,
    make_open_visit,
    make_planned_site,
    make_small_plan,
)
from tests.servicedesk.page_cast import text_of

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("schedules.routes.services.DRAG_S", 0.1)


@pytest.fixture
def desk(db: None) -> Client:
    client = Client()
    client.force_login(make_user("dispatcher"))
    return client


def page(client: Client, name: str, *args: Any, **query: Any) -> str:
    answer = client.get(reverse(f"desk:{name}", args=args), query)
    assert answer.status_code == 200
    return text_of(answer)


def words(data: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    return " ".join(" ".join(sheet.extract_text() for sheet in pages).split())


def test_the_way_from_nothing_to_the_first_plan(desk: Client) -> None:
    assert "Enter a depot" in page(desk, "plans")
    place = {"latitude": "38,64", "longitude": "-99,7", "time_zone": "America/Chicago"}
    refused = desk.post(reverse("desk:depots"), {"name": "Yard", **place, "time_zone": "Mars/Base"})
    assert "is no time zone" in text_of(refused)
    assert desk.post(reverse("desk:depots"), {"name": "Yard", **place}).status_code == 302
    depot = Depot.objects.get()
    assert "Enter shifts" in page(desk, "plans")
    person = make_user("technician")
    address = reverse("desk:crew-member", args=[person.public_id])
    base = {"do": "base", "depot": str(depot.public_id), "is_planned": "on", "starts_from": "depot",
            "ends_at": "depot", "lunch_from": "11:30", "lunch_until": "13:30", "lunch_minutes": "30",
            "overtime_minutes": "30", "version": "1"}  # fmt: skip
    assert desk.post(address, base).status_code == 302
    half = desk.post(address, {"do": "shifts", "version": "2", "from-0": "08:00"})
    assert "Monday: enter both" in text_of(half)
    hours = {f"from-{n}": "08:00" for n in range(5)} | {f"until-{n}": "16:30" for n in range(5)}
    assert desk.post(address, {"do": "shifts", "version": "2", **hours}).status_code == 302
    # Somebody else saved meanwhile.
    late = desk.post(address, {"do": "shifts", "version": "2", **hours})
    assert late.status_code == 409
    assert "changed by somebody else" in text_of(late)
    assert "Mon to Fri 08:00–16:30" in page(desk, "crew")
    asked = {"depot": str(depot.public_id), "first_on": MONDAY.isoformat(), "days": "7", "propose": "on"}
    nothing = desk.post(reverse("desk:plans"), asked)
    assert "there is no visit to drive to" in text_of(nothing)


@pytest.mark.parametrize("sites", [1, 3])
def test_the_board_costs_the_same_whatever_its_size(
    desk: Client, sites: int, django_assert_num_queries: Any
) -> None:
    plan = make_small_plan(sites, 2)
    address = reverse("desk:plan", args=[plan.public_id])
    # Session and person; plan; stops; loads; days; changes (twice); last run; depots; rules;
    # depots again, candidates, stops known.
    with django_assert_num_queries(14):
        text = text_of(desk.get(address))
    assert text.count('class="stop"') == sites
    assert plan.number in text


def test_a_script_gets_the_board_and_what_to_say(desk: Client) -> None:
    plan = make_small_plan(2, 2)
    stop = plan.stops.select_related("visit").first()
    other = plan.routes.exclude(technician=stop.technician_id).first().technician
    answer = desk.post(
        reverse("desk:plan", args=[plan.public_id]),
        {"do": "move", "visit": stop.visit.public_id, "technician": other.public_id,
         "on": (MONDAY + timedelta(days=1)).isoformat(), "version": 1},
        headers={"accept": "application/json"},
    )  # fmt: skip
    got = answer.json()
    assert (answer.status_code, got["version"], got["is_refused"]) == (200, 2, False)
    assert f"moved to {other.display_name}" in got["said"]
    assert str(stop.visit.public_id) in got["board"]
    stale = desk.post(
        reverse("desk:plan", args=[plan.public_id]),
        {"do": "pin", "visit": stop.visit.public_id, "version": 1},
        headers={"accept": "application/json"},
    )
    assert stale.status_code == 409
    assert "moved to" in stale.json()["said"]


def test_a_new_plan_is_shown_at_once_and_bettered_meanwhile(
    desk: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runs, "nudge", lambda run_id: None)
    depot = make_depot()
    make_member(depot)
    for number in (1, 2):
        make_open_visit(make_planned_site(number, depot=depot))
    asked = {"depot": str(depot.public_id), "first_on": MONDAY.isoformat(), "days": "7"}
    answer = desk.post(reverse("desk:plans"), asked)
    plan = RoutePlan.objects.get()
    address = reverse("desk:plan", args=[plan.public_id])
    assert answer["Location"] == address
    run = plan.runs.get()
    assert (run.follows, run.seconds) == (True, 20)
    search = reverse("desk:plan-search", args=[plan.public_id])
    assert desk.get(search).json()["offers"] is None
    cost = plan.totals["cost_60"]
    # The worker finds the same routes for less: what is shown follows, and the search goes on from it.
    stored = {"routes": {}, "left_out": {}}
    for stop in plan.stops.order_by("technician", "on", "position"):
        if stop.on is None:
            stored["left_out"][str(stop.visit_id)] = ["x", "x"]
        else:
            key = f"{stop.technician_id}-{(stop.on - plan.first_on).days}"
            stored["routes"].setdefault(key, []).append(str(stop.visit_id))
    # A few seconds less are no reason to draw the board anew; at the end they are.
    run.best, run.outlook = stored, {**run.outlook, "cost_60": cost - 1}
    run.save()
    assert desk.get(search).json()["offers"] is None
    run.state = run.State.DONE
    run.save()
    assert desk.get(search).json()["offers"] == cost - 1
    run.state, run.outlook = run.State.RUNNING, {**run.outlook, "cost_60": cost - 600}
    run.save()
    assert desk.get(search).json()["offers"] == cost - 600
    answer = desk.post(address, {"do": "better", "version": "1"}, headers={"accept": "application/json"})
    got = answer.json()
    assert (got["version"], got["is_refused"]) == (2, False)
    assert got["said"] == "Better plan of the search used: costs 10 less."
    run.refresh_from_db()
    assert run.plan_version == 2
    late = desk.post(address, {"do": "better", "version": "1"}, headers={"accept": "application/json"})
    assert late.status_code == 409
    # A search that somebody asked for is a proposal: nothing takes it over by itself.
    run.outlook = {"cost_60": 1, "start_60": 2}
    run.save()
    assert desk.get(search).json()["offers"] is None
    answer = desk.post(address, {"do": "better", "version": "2"}, headers={"accept": "application/json"})
    assert answer.status_code == 400


def test_without_a_script_every_act_is_a_form(desk: Client) -> None:
    plan = make_small_plan(2, 1)
    stop = plan.stops.select_related("visit").first()
    address = reverse("desk:plan", args=[plan.public_id])
    for version, do in enumerate(("exclude", "include", "pin", "release", "undo", "redo"), start=1):
        answer = desk.post(address, {"do": do, "visit": stop.visit.public_id, "version": version})
        assert answer.status_code == 302, do
    text = page(desk, "plan-visit", plan.public_id, stop.visit.public_id)
    assert "Move and keep there" in text
    bad = desk.post(address, {"do": "move", "visit": stop.visit.public_id, "starts": "noon", "version": 7})
    assert "is no time of day" in text_of(bad)


def test_a_time_agreed_with_the_owner_is_kept_until_released(desk: Client) -> None:
    plan = make_small_plan(1, 1)
    visit = Visit.objects.get()
    address = reverse("desk:plan", args=[plan.public_id])
    half = {"do": "promise", "visit": visit.public_id, "version": 1, "on": str(MONDAY)}
    assert "both ends of the window" in text_of(desk.post(address, half))
    wednesday = MONDAY + timedelta(days=2)
    agreed = half | {"on": str(wednesday), "window_from": "14:00", "window_until": "15:00"}
    assert desk.post(address, agreed).status_code == 302
    visit.refresh_from_db()
    assert (visit.planned_on, visit.promised_at) == (wednesday, NOW)
    stop = plan.stops.get()
    assert stop.on == wednesday
    assert 14 * 3600 <= stop.starts_s <= 15 * 3600
    desk.post(address, {"do": "unpromise", "visit": visit.public_id, "version": 2})
    visit.refresh_from_db()
    assert visit.promised_at is None


def test_what_is_left_out_says_why_and_what_would_let_it_in(desk: Client) -> None:
    depot = make_depot()
    make_member(depot)
    site = make_planned_site(1)
    skill = Skill.objects.create(name="Halon")
    SkillNeed.objects.create(skill=skill, site=site)
    visit = make_open_visit(site)
    plan = services.make_plan(
        [depot], first_on=MONDAY, days=5, by=make_user("dispatcher"), now=NOW, propose=False, seconds=0.1
    ).plan
    text = page(desk, "plan-visit", plan.public_id, visit.public_id)
    assert "who lacks a skill that counts there: Halon" in text
    person = plan.routes.first().technician
    held = {"do": "skills", "version": "1", "skill": str(skill.public_id), "expires_on": "2026-11-01"}
    desk.post(reverse("desk:crew-member", args=[person.public_id]), held)
    assert HeldSkill.objects.get().expires_on is not None
    # A skill that has run out does not count.
    assert "lacks a skill" in page(desk, "plan-visit", plan.public_id, visit.public_id)


def test_owners_are_told_once_and_promised(desk: Client) -> None:
    plan = make_small_plan(2, 1)
    assert "Take the plan first" in page(desk, "plan-tell", plan.public_id)
    services.take(plan, confirm=True, version=1, by=make_user("dispatcher"), now=NOW)
    first, second = Visit.objects.order_by("pk")
    address = reverse("desk:plan-tell", args=[plan.public_id])
    Site.objects.filter(pk=first.site_id).update(language="de")
    for _ in range(2):
        answer = desk.post(address, {"do": "mail", "pick": [str(first.public_id)]}, follow=True)
    assert "Was mailed already" in text_of(answer)
    mail = Notice.objects.get()
    assert mail.address == first.site.owner.contact_email
    first.refresh_from_db()
    assert f"{first.window_from:%H:%M}" in mail.text
    assert mail.subject.startswith("Unser Besuch bei")
    assert first.promised_at is not None
    letters = desk.post(address, {"do": "letters", "pick": [str(second.public_id)]})
    assert letters.headers["Content-Type"] == "application/pdf"
    assert "Our visit to" in words(letters.content)
    assert VisitNotice.objects.count() == 2
    # Who was told by mail or by letter is not told the same again by the notice before a visit.
    Visit.objects.update(state=Visit.State.CONFIRMED, confirmed_at=NOW)
    soon = datetime.combine(first.planned_on, time(), UTC) - timedelta(days=2)
    assert writing.write_visits_ahead(soon) == 0
    Visit.objects.filter(pk=second.pk).update(window_from=time(16), window_until=time(18))
    assert writing.write_visits_ahead(soon) == 1
    assert Notice.objects.first().subject.startswith("Changed:")
    shown = page(desk, "plan-tell", plan.public_id)
    assert "Mailed a week ahead" in shown
    assert "Unser Besuch" in shown


def test_sheets_compare_and_map_show_the_plan(desk: Client) -> None:
    plan = make_small_plan(2, 1)
    sites = [stop.visit.site.name for stop in plan.stops.select_related("visit__site")]
    sheet = page(desk, "plan-sheets", plan.public_id)
    assert all(name in sheet for name in sites)
    assert "not taken" in sheet
    paper = desk.get(reverse("desk:plan-sheets-pdf", args=[plan.public_id]))
    told = words(paper.content)
    assert all(name in told for name in sites)
    assert "NOT TAKEN AS IT STANDS" in told
    nobody = reverse("desk:plan-sheets-pdf", args=[plan.public_id])
    assert desk.get(nobody, {"technician": str(uuid.uuid4())}).status_code == 404
    compared = page(desk, "plan-compare", plan.public_id)
    assert "Visits that stand elsewhere" in compared
    on_map = page(desk, "plan-map", plan.public_id)
    assert "they are not the roads driven" in on_map
    assert '"name": "Port Calder depot"' in on_map


def test_a_manager_sets_prices_that_new_plans_use(desk: Client) -> None:
    boss = Client()
    boss.force_login(make_user("manager"))
    form = page(boss, "plan-rules")
    assert "A minute of driving" in form
    values = {field.name: getattr(Rules(), field.name) for field in (*PRICE_FIELDS, *TIME_FIELDS)}
    address = reverse("desk:plan-rules")
    wrong = boss.post(address, values | {"drive_minute": "-1"})
    assert "Enter 0 to 10000." in text_of(wrong)
    boss.post(address, values | {"overtime_minute": "9"})
    boss.post(address, values | {"overtime_minute": "9"})
    assert PlanningRules.objects.get().values == {"overtime_minute": 9}
    assert make_small_plan(1, 1).rules["overtime_minute"] == 9
    assert desk.post(address, values).status_code == 403


def test_a_site_gets_its_place_hours_and_wishes(desk: Client) -> None:
    site = make_planned_site(1, latitude=None, longitude=None)
    address = reverse("desk:site-visiting", args=[site.public_id])
    assert "on no map and in no plan" in text_of(desk.get(address))
    half = desk.post(address, {"latitude": "38.6", "extra_minutes": "0"})
    assert "Enter both latitude and longitude" in text_of(half)
    bad = desk.post(address, {"hours": "whenever", "extra_minutes": "0"})
    assert bad.status_code == 400
    pair = desk.post(address, {"latitude": "38.6, -99.7", "longitude": "-99,7", "extra_minutes": "0"})
    assert "Enter degrees like 38.645 or -99.71." in text_of(pair)
    good = {"latitude": "38,6", "longitude": "-99,7", "hours": "Mo-Fr 08:00-12:00, 13:00-17:00",
            "needs_escort": "on", "extra_minutes": "15"}  # fmt: skip
    assert desk.post(address, good).status_code == 302
    site.refresh_from_db()
    assert (site.latitude, site.longitude) == (Decimal("38.6"), Decimal("-99.7"))
    assert site.access_windows.count() == 10
    assert site.call.needs_escort
    assert "Mo-Fr 08:00-12:00, 13:00-17:00" in text_of(desk.get(address))


def test_a_van_keeps_what_it_carries(desk: Client) -> None:
    member = make_member(make_depot())
    stock = {"kind": ["loaner", "loaner"], "agent": ["dry_chemical_abc", ""], "amount": ["12", ""]}
    fields = {"name": "Van 1", "driver": member.pk, "unit_places": "40", "version": "0"}
    bad = desk.post(reverse("desk:van-new"), fields | stock | {"amount": ["a dozen", ""]})
    assert "is no amount" in text_of(bad)
    assert desk.post(reverse("desk:van-new"), fields | stock).status_code == 302
    van = Van.objects.get()
    assert [(line.agent, line.amount) for line in van.stock.all()] == [("dry_chemical_abc", 12)]
    assert CrewMember.objects.get().van == van


@pytest.mark.parametrize(
    ("address", "attribution", "ids"),
    [
        ("", "", []),
        ("https://tiles.example/{z}/{x}/{y}.png", "Tiles: example", []),
        ("https://tiles.example/{z}/{x}/{y}.png", "", ["servicedesk.E011"]),
        ("tiles", "Tiles", ["servicedesk.E010"]),
    ],
)
def test_a_tile_server_is_checked_and_let_in_alone(
    monkeypatch: pytest.MonkeyPatch, address: str, attribution: str, ids: list[str]
) -> None:
    monkeypatch.setattr(settings, "MAP_TILE_URL", address)
    monkeypatch.setattr(settings, "MAP_TILE_ATTRIBUTION", attribution)
    found = [m.id for m in settings_fit_together() if isinstance(m, checks.Error)]
    assert found == ids
    assert tile_origins("https://{s}.tiles.example/{z}.png") == ["https://*.tiles.example"]
    assert tile_origins("") == []


def test_plans_are_listed_and_those_laid_aside_on_demand(desk: Client) -> None:
    plan = make_small_plan(1, 1)
    assert plan.number in page(desk, "plans")
    desk.post(reverse("desk:plan", args=[plan.public_id]), {"do": "aside", "version": 1})
    assert RoutePlan.objects.get().state == "laid_aside"
    page(desk, "plans")  # says once that it is laid aside
    assert plan.number not in page(desk, "plans")
    assert plan.number in page(desk, "plans", all="yes")
    again = desk.post(reverse("desk:plan", args=[plan.public_id]), {"do": "undo", "version": 2})
    assert again.status_code == 409
