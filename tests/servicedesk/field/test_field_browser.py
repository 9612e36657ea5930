"""The technician's pages in a real browser at phone size, with scripts and without."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from playwright.sync_api import Browser, Page, expect

from inventory.measures.stamps import Stamp
from schedules.visits.models import VisitEntry
from tests.factories import TODAY, make_location, make_record, make_site, make_unit, make_user, make_visit
from tests.servicedesk.axe import axe_violations
from tests.servicedesk.field.cast import Field

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PHONE = {"width": 390, "height": 844}


@pytest.fixture
def walk(live_server: Any) -> Field:
    """A visit of today's to two units, its technician signed in."""
    technician = make_user("technician")
    site = make_site(name="Mill Lane works", time_zone="UTC")
    units = []
    for number in ("001", "002"):
        unit = make_unit(
            location=make_location(site, number=number, walking_order=int(number)),
            made=Stamp.of(2025, 3),
            refresh=False,
        )
        make_record(unit, done=Stamp.of(2025, 12, 1))
        units.append(unit)
    visit = make_visit(site, units, technician=technician, planned_on=TODAY)
    client = Client()
    client.force_login(technician)
    return Field(technician, site, visit, units, client)


def open_page(browser: Browser, live_server: Any, walk: Field, *, scripts: bool) -> Iterator[Page]:
    context = browser.new_context(viewport=PHONE, has_touch=True, java_script_enabled=scripts)  # type: ignore[arg-type]
    session = walk.client.cookies[settings.SESSION_COOKIE_NAME].value
    context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])
    page = context.new_page()
    broken: list[str] = []
    page.on("pageerror", lambda error: broken.append(str(error)))
    page.on("console", lambda line: broken.append(line.text) if "Content Security" in line.text else None)
    yield page
    context.close()
    assert broken == []


@pytest.fixture
def phone(browser: Browser, live_server: Any, walk: Field) -> Iterator[Page]:
    """A phone with scripts."""
    yield from open_page(browser, live_server, walk, scripts=True)


@pytest.fixture
def bare_phone(browser: Browser, live_server: Any, walk: Field) -> Iterator[Page]:
    """A phone on which no script runs."""
    yield from open_page(browser, live_server, walk, scripts=False)


def test_a_unit_is_passed_by_touch_and_the_keyboard_of_numbers(
    phone: Page, live_server: Any, walk: Field
) -> None:
    phone.goto(live_server.url + walk.at("unit", walk.units[0]))
    assert axe_violations(phone) == []
    phone.get_by_text("Serviced", exact=True).click()
    figure = phone.get_by_label("Gauge pressure", exact=True)
    # The finger on "serviced" has gone on to the figure that the pass needs.
    expect(figure).to_be_focused()
    assert figure.get_attribute("inputmode") == "decimal"
    figure.fill("13.4")
    units = phone.get_by_role("radiogroup", name="Gauge pressure: unit of measure")
    expect(units.get_by_role("radio", name="psi")).to_be_checked()
    units.get_by_role("radio", name="bar").click()
    expect(units.get_by_role("radio", name="bar")).to_be_checked()
    phone.get_by_role("button", name="Save").click()
    expect(phone.get_by_role("status").filter(has_text="001: serviced, saved.")).to_be_visible()
    expect(phone.get_by_role("heading", level=1)).to_contain_text("002")
    entry = VisitEntry.objects.get()
    assert entry.readings == [{"quantity": "gauge_pressure", "value": "13.4", "unit": "bar"}]
    assert entry.tasks == ["maintenance"]


def test_chips_of_units_are_walked_by_arrow_keys(phone: Page, live_server: Any, walk: Field) -> None:
    phone.goto(live_server.url + walk.at("unit", walk.units[0]))
    units = phone.get_by_role("radiogroup", name="Air temperature: unit of measure")
    units.get_by_role("radio", name="°F").focus()
    phone.keyboard.press("ArrowRight")
    expect(units.get_by_role("radio", name="°C")).to_be_focused()
    expect(units.get_by_role("radio", name="°C")).to_be_checked()
    expect(phone.locator("select[name=unit_ambient_temperature]")).to_have_value("°C")


def test_only_what_the_result_asks_for_is_shown_and_nothing_filled_in_hides(
    phone: Page, live_server: Any, walk: Field
) -> None:
    phone.goto(live_server.url + walk.at("unit", walk.units[0]))
    replacement = phone.get_by_role("region", name="The unit that hangs there now")
    measured = phone.get_by_role("region", name="Measured")
    expect(replacement).to_be_hidden()
    phone.get_by_text("Replaced", exact=True).click()
    expect(replacement).to_be_visible()
    phone.get_by_text("Not found", exact=True).click()
    expect(replacement).to_be_hidden()
    expect(measured).to_be_hidden()
    phone.get_by_text("Failed", exact=True).click()
    phone.get_by_label("Gauge pressure", exact=True).fill("100")
    phone.get_by_text("No access", exact=True).click()
    expect(measured).to_be_visible()


def test_the_reasons_open_in_place(phone: Page, live_server: Any, walk: Field) -> None:
    phone.goto(live_server.url + walk.at("round"))
    assert axe_violations(phone) == []
    phone.get_by_text("Why the work on 001 is due").click()
    expect(phone.get_by_text("2025-12-01 + 1 year = 2026-12-01").first).to_be_visible()
    assert phone.url.endswith(walk.at("round"))


def test_typing_narrows_the_round(phone: Page, live_server: Any, walk: Field) -> None:
    phone.goto(live_server.url + walk.at("round"))
    search = phone.get_by_label("Find a unit by its number, place or serial")
    search.fill("002")
    expect(phone.locator("[data-stop]:visible")).to_have_count(1)
    expect(phone.get_by_text("1 of 2 on this list.")).to_be_visible()
    search.fill("")
    expect(phone.locator("[data-stop]:visible")).to_have_count(2)


def test_everything_works_without_scripts(bare_phone: Page, live_server: Any, walk: Field) -> None:
    phone = bare_phone
    phone.goto(live_server.url + walk.at("round"))
    phone.get_by_role("link", name="Next: 001").click()
    for value in ("195", "190"):
        phone.get_by_label("Serviced").check()
        phone.get_by_label("Gauge pressure", exact=True).fill(value)
        phone.get_by_label("Gauge pressure: unit of measure").select_option("psi")
        phone.get_by_role("button", name="Save").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Count and close")
    phone.get_by_label("Serviced").fill("2")
    phone.get_by_label("Who you reported to").fill("R. Okafor")
    phone.get_by_role("button", name="Close the visit").click()
    expect(phone.get_by_text("Reported to R. Okafor.")).to_be_visible()
    expect(phone.get_by_role("link", name="Certificate, PDF")).to_be_visible()


def test_targets_are_large_enough_for_gloves(phone: Page, live_server: Any, walk: Field) -> None:
    """48 px, as the trade's gloves ask; links inside a sentence excepted (WCAG 2.2, 2.5.8)."""
    small = """() => [...document.querySelectorAll(
        'main button, main .button, main input, main select, main summary, main .choice, main .check')]
      .filter((e) => !e.closest('label.choice, label.check') || e.matches('label'))
      .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
      .filter(([, box]) => box.height > 0 && box.height < 48).map(([html]) => html)"""
    for name in ("round", "unit", "close"):
        phone.goto(live_server.url + walk.at(name, walk.units[0] if name == "unit" else None))
        assert phone.evaluate(small) == [], name
        assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth"), name
