"""The board in a real browser: dragged by mouse, moved by keys, free of accessibility faults."""

from __future__ import annotations

from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Browser, Page, expect

from schedules.routes.models import PlanRun, PlanStop, RoutePlan
from tests.factories import make_user
from tests.servicedesk.axe import axe_violations
from tests.servicedesk.desk.plan_cast import make_small_plan

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("schedules.routes.services.DRAG_S", 0.1)


@pytest.fixture
def plan(transactional_db: None) -> RoutePlan:
    return make_small_plan(4, 2)


def opened(browser: Browser, live_server: Any, plan: RoutePlan, **context: Any) -> Page:
    """The board in a window of a dispatcher."""
    client = Client()
    client.force_login(make_user("dispatcher"))
    window = browser.new_context(**{"viewport": {"width": 1440, "height": 900}, **context})
    session = client.cookies[settings.SESSION_COOKIE_NAME].value
    window.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])
    page = window.new_page()
    page.goto(live_server.url + reverse("desk:plan", args=[plan.public_id]))
    return page


def stop_of(plan: RoutePlan) -> PlanStop:
    stops = plan.stops.select_related("visit__site", "technician").filter(technician__isnull=False)
    found = stops.order_by("technician", "on", "position").first()
    assert found is not None
    return found


def test_a_visit_is_dragged_by_mouse_and_moved_by_keys(
    browser: Browser, live_server: Any, plan: RoutePlan
) -> None:
    page = opened(browser, live_server, plan)
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    stop = stop_of(plan)
    other = plan.routes.exclude(technician=stop.technician_id).order_by("on").last()
    assert other is not None
    card = page.locator(f'[data-stop="{stop.visit.public_id}"]')
    lane = page.locator(f'[data-technician="{other.technician.public_id}"][data-on="{other.on}"]')
    said = page.locator("[data-said]")

    source, goal = card.bounding_box(), lane.bounding_box()
    assert source is not None
    assert goal is not None
    page.mouse.move(source["x"] + 20, source["y"] + 10)
    page.mouse.down()
    page.mouse.move(goal["x"] + goal["width"] / 2, goal["y"] + goal["height"] / 2, steps=8)
    expect(lane).to_have_attribute("data-target", "")
    page.mouse.up()
    expect(said).to_contain_text("moved to")
    expect(lane.locator(f'[data-stop="{stop.visit.public_id}"]')).to_have_count(1)
    row = PlanStop.objects.get(pk=stop.pk)
    assert (row.technician_id, row.on, row.pin_on) == (other.technician_id, other.on, other.on)

    # The same by keys: a day earlier, and what happened is said.
    card.locator(".stop-link").focus()
    page.keyboard.press("Alt+ArrowLeft")
    expect(page.locator("[data-plan]")).to_have_attribute("data-version", "3")
    expect(said).to_contain_text("moved to")
    moved = PlanStop.objects.get(pk=stop.pk)
    assert moved.on is not None
    assert (moved.technician_id, (other.on - moved.on).days) == (other.technician_id, 1)
    # The focus stays on the visit, so that the next key goes on from there.
    expect(card.locator(".stop-link")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("[data-chosen-panel] h2")).to_be_focused()
    page.get_by_role("button", name="Take the pin off").click()
    expect(page.locator("[data-plan]")).to_have_attribute("data-version", "4")
    assert PlanStop.objects.get(pk=stop.pk).pin_on is None

    page.get_by_role("button", name="Undo").click()
    expect(page.locator("[data-plan]")).to_have_attribute("data-version", "5")
    assert axe_violations(page) == []
    # Somebody else was faster: told, nothing lost, and the page shows the plan as it now is.
    RoutePlan.objects.update(version=9)
    card.locator(".stop-link").focus()
    page.keyboard.press("Alt+ArrowLeft")
    expect(page.locator("[data-outcome]")).to_contain_text("changed by somebody else")
    expect(page.locator("[data-plan]")).to_have_attribute("data-version", "9")
    assert [fault for fault in faults if "409" not in fault] == []
    page.context.close()


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1440, "light")])
def test_pages_of_a_plan_fit_and_are_accessible(
    browser: Browser, live_server: Any, plan: RoutePlan, width: int, scheme: Any
) -> None:
    page = opened(browser, live_server, plan, viewport={"width": width, "height": 844}, color_scheme=scheme)
    outside: list[str] = []
    page.on("request", lambda r: outside.append(r.url) if not r.url.startswith(live_server.url) else None)
    person = stop_of(plan).technician
    assert person is not None
    for name, args in (
        ("plan", [plan.public_id]),
        ("plan-visit", [plan.public_id, stop_of(plan).visit.public_id]),
        ("plan-map", [plan.public_id]),
        ("plan-sheets", [plan.public_id]),
        ("plan-compare", [plan.public_id]),
        ("plan-tell", [plan.public_id]),
        ("plans", []),
        ("crew", []),
        ("crew-member", [person.public_id]),
        ("plan-rules", []),
        ("skills", []),
        ("van-new", []),
        ("depots", []),
        ("site-visiting", [stop_of(plan).visit.site.public_id]),
    )[: None if width == 390 else 4]:
        page.goto(live_server.url + reverse(f"desk:{name}", args=args))
        if name == "plan-map":
            expect(page.locator("html")).to_have_attribute("data-map", "ready")
        expect(page.locator("h1")).to_have_count(1)
        assert axe_violations(page) == [], name
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name
    # The map and everything else work with no network beyond this server.
    assert [url for url in outside if not url.startswith(("data:", "blob:"))] == []
    page.context.close()


def test_the_board_follows_the_search_that_betters_a_new_plan(
    browser: Browser, live_server: Any, plan: RoutePlan
) -> None:
    routes: dict[str, list[str]] = {}
    for stop in plan.stops.filter(on__isnull=False).order_by("technician", "on", "position"):
        assert stop.on is not None
        key = f"{stop.technician_id}-{(stop.on - plan.first_on).days}"
        routes.setdefault(key, []).append(str(stop.visit_id))
    cost = plan.totals["cost_60"]
    run = PlanRun.objects.create(
        plan=plan,
        plan_version=plan.version,
        state=PlanRun.State.RUNNING,
        seconds=20,
        best={"routes": routes, "left_out": {}},
        outlook={"follows": True, "start_60": cost, "cost_60": cost - 1200},
    )
    page = opened(browser, live_server, plan)
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    board = page.locator("[data-plan]")
    expect(board).to_have_attribute("data-version", str(plan.version + 1))
    expect(page.locator("[data-outcome]")).to_contain_text("costs 20 less")
    expect(page.locator("[data-search-said]")).to_contain_text("The plan is being bettered")
    # While a visit is open beside the board, nothing moves under the hand.
    page.locator(".stop-link").first.click()
    expect(page.locator("[data-chosen-panel]")).to_be_visible()
    run.refresh_from_db()
    assert run.plan_version == plan.version + 1
    # The sums of the plan say what it really costs; a find below them is offered once more.
    totals = RoutePlan.objects.get().totals["cost_60"]
    PlanRun.objects.update(outlook={"follows": True, "start_60": cost, "cost_60": totals - 600})
    with page.expect_response(lambda answer: answer.url.endswith("/search/") and answer.ok):
        pass
    expect(board).to_have_attribute("data-version", str(plan.version + 1))
    PlanRun.objects.update(state=PlanRun.State.DONE)
    expect(page.get_by_role("button", name="Use the better plan")).to_be_visible()
    expect(board).to_have_attribute("data-version", str(plan.version + 1))
    assert faults == []
