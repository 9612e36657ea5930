"""The workshop in a real browser: receive, recharge and release; test and condemn; accessible throughout."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from inventory.workshop.models import JobCard
from tests.factories import make_location, make_site, make_user
from tests.inventory.workshop.figures import POWDER, make_away, make_instruments, receive, step, work_until
from tests.servicedesk.axe import axe_violations

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

TABLET = {"width": 1024, "height": 1366}


@pytest.fixture(autouse=True)
def _now(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.factories import NOW

    monkeypatch.setattr("servicedesk.pages.clock", lambda: NOW)


def open_for(browser: Browser, live_server: Any, user: Any) -> Page:
    """A tablet on which ``user`` is signed in."""
    client = Client()
    client.force_login(user)
    context = browser.new_context(viewport=TABLET, has_touch=True)  # type: ignore[arg-type]
    session = client.cookies[settings.SESSION_COOKIE_NAME].value
    context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])
    return context.new_page()


@pytest.fixture
def pair(browser: Browser, live_server: Any) -> Iterator[tuple[Page, Page, Any]]:
    """Two people at two tablets."""
    make_instruments()
    hand = make_user("workshop", first_name="Wilma", last_name="Stead")
    other = make_user("manager", first_name="Maren", last_name="Holt")
    first, second = open_for(browser, live_server, hand), open_for(browser, live_server, other)
    yield first, second, hand
    first.context.close()
    second.context.close()


def store(page: Page) -> None:
    page.get_by_role("button", name="Store this step").click()


def fill(page: Page, label: str, value: str, unit: str = "") -> None:
    page.get_by_label(label, exact=True).fill(value)
    if unit:
        page.get_by_label(f"{label}: unit of measure").select_option(unit)


def test_a_unit_is_received_recharged_and_released_by_a_second_person(
    pair: tuple[Page, Page, Any], live_server: Any
) -> None:
    page, second, hand = pair
    site = make_site(name="Mill Lane works", time_zone="UTC")
    unit = make_away(location=make_location(site, number="017"), made=Stamp.of(2022, 3), number="U-400001")
    page.goto(f"{live_server.url}/bench/receive/")
    assert axe_violations(page) == []
    page.get_by_role("button", name="Scan").click()
    expect(page.get_by_role("dialog", name="Scan a label")).to_be_visible()
    assert axe_violations(page) == []
    page.get_by_role("button", name="Close").click()
    page.get_by_label("Number, serial, place or site").focus()
    page.keyboard.type("U-400001")  # what a scanner types, ended by Enter
    page.keyboard.press("Enter")
    page.get_by_text("Used", exact=True).click()
    page.get_by_text("Recharge", exact=True).click()
    assert axe_violations(page) == []
    page.get_by_role("button", name="Open the job card").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Card C-")
    card = JobCard.objects.get(unit=unit)
    work_until(card, "decide", hand)
    page.reload()
    expect(page.get_by_role("complementary", name="Caution")).to_contain_text("Acid and alkaline powders")
    page.get_by_text("Same agent as the nameplate, nothing mixed").click()
    fill(page, "Agent filled", "10", "kg")
    page.get_by_label("Lot", exact=True).select_option("ABC / L-1")
    store(page)
    expect(page.get_by_text("Is this so?")).to_be_visible()
    expect(page.get_by_text("Was it read in pounds?").first).to_be_visible()
    assert axe_violations(page) == []
    page.get_by_label("Agent filled: unit of measure").select_option("lb")
    store(page)
    expect(page.get_by_role("status").filter(has_text="Fill: stored")).to_be_visible()
    work_until(card, "finish", hand)
    page.reload()
    assert axe_violations(page) == []
    second.goto(f"{live_server.url}/bench/")
    assert axe_violations(second) == []
    second.get_by_role("link", name=card.number).click()
    second.get_by_text("Every figure on the card is inside its limit or explained").click()
    fill(second, "Serial on the shell, read again", "SN")
    second.get_by_text("Labels, tag and seal are right").click()
    second.get_by_role("button", name="Release").click()
    second.get_by_text("Back to its place, hung today").click()
    store(second)
    expect(second.get_by_role("heading", level=1)).to_contain_text("Returned")
    unit.refresh_from_db()
    assert unit.state == Unit.State.IN_SERVICE


def picture() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (120, 60, 20)).save(out, "PNG")
    return out.getvalue()


def test_a_shell_that_fails_its_test_is_condemned(pair: tuple[Page, Page, Any], live_server: Any) -> None:
    page, second, hand = pair
    site = make_site(name="Mill Lane works", time_zone="UTC")
    unit = make_away(location=make_location(site, number="018"), made=Stamp.of(2012, 3), number="U-400002")
    card = receive(unit, hand)
    work_until(card, "inside", hand)
    step(card, "decide", hand, {"decision": "test"})
    page.goto(f"{live_server.url}/bench/cards/{card.public_id}/")
    expect(page.get_by_text("Must not be charged")).to_be_visible()
    page.get_by_text("Water only, all air bled out").click()
    page.get_by_text("Cage or barrier in place").click()
    fill(page, "Test pressure reached", "26.8", "bar")
    fill(page, "Time held", "120", "s")
    fill(page, "Pressure at the end of the hold", "26.8", "bar")
    page.get_by_role("group", name="Leak").get_by_text("It leaked").click()
    page.get_by_role("group", name="Lasting bulge or distortion").get_by_text("None").click()
    page.get_by_text("Drained and dried, no trace of water").click()
    store(page)
    expect(page.get_by_text("To be condemned")).to_be_visible()
    page.get_by_text("Failed its pressure test").click()
    fill(page, "What was found", "Leaked at the seam")
    assert axe_violations(page) == []
    page.get_by_label("Photos of what was found").set_input_files(
        {"name": "seam.png", "mimeType": "image/png", "buffer": picture()}
    )
    page.get_by_role("button", name="Propose to condemn").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Awaits a second opinion")
    expect(page.get_by_role("img", name="Photo 1: Name the reason")).to_be_visible()
    assert axe_violations(page) == []
    second.goto(page.url)
    fill(second, "Serial on the shell, read again", "SN")
    second.get_by_text("Yes: condemn it").click()
    second.get_by_role("button", name="Store the opinion").click()
    unit.refresh_from_db()
    assert unit.state == Unit.State.CONDEMNED
    for code in ("mark", "consent", "dispose"):
        step(card, code, hand, POWDER[code])
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Disposed of")
