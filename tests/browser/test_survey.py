"""A survey in a real browser, at phone size and offline from scan to signature, then settled at the desk."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import APIResponse, Browser, Page, Route, expect

from inventory.measures.stamps import Stamp
from inventory.register.models import Unit, local_today
from schedules.surveys.models import Survey
from schedules.surveys.queries import walk_of
from schedules.surveys.services import plan_survey, settle
from schedules.visits.models import Visit
from tests.browser.conftest import DESK
from tests.browser.phone import Phone
from tests.factories import make_location, make_model, make_site, make_unit, make_user
from tests.schedules.surveys.cast import POWDER, make_day, place_of, read

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def phone(browser: Browser, address: str) -> Iterator[Phone]:
    """A phone that must end without a script error."""
    one = Phone(browser, address)
    yield one
    one.close()


def answer(page: Page, code: str, value: str) -> None:
    """Type or choose the value of a fact."""
    box = page.locator(f"#fact-{code}")
    if box.evaluate("(e) => e.tagName") == "SELECT":
        box.select_option(value)
    else:
        box.fill(value)


def test_a_survey_offline_from_scan_to_signature(
    phone: Phone, signed_in: Callable[..., Page], accessible: Callable[[Page], None], address: str
) -> None:
    """Found, differs, missing and two alike extra units; counted, signed, sent, settled, finished."""
    site = make_site(name="Mill Lane works", time_zone="UTC")
    model = make_model()
    for n in range(1, 4):
        make_unit(
            location=make_location(site, number=f"{n:03d}", walking_order=n),
            model=model,
            number=f"U-81{n:04d}",
            serial=f"SN81{n:04d}",
            made=Stamp.of(2021, 3),
        )
    desk, technician = make_user("dispatcher"), make_user("technician", first_name="Ines")
    now = timezone.now()
    survey = plan_survey(
        site,
        planned_on=local_today(site, now),
        technician=technician,
        note="Ask at the gate.",
        by=desk,
        now=now,
    )
    page: Page = phone.page
    phone.sign_in(technician)
    phone.store_day()
    with phone.no_signal():
        page.get_by_role("link", name="Mill Lane works").click()
        expect(page.locator("#main")).to_contain_text("Ask at the gate.")
        accessible(page)
        # As registered: found. The scanner names the unit.
        phone.scanner("https://desk.example/u/U-810001")
        phone.is_at("001")
        accessible(page)
        page.get_by_role("button", name=re.compile("^Kind as registered")).click()
        page.get_by_role("button", name="As registered: SN810001").click()
        page.get_by_role("button", name="As registered: 2021-03").click()
        expect(page.locator(".app-lacking")).to_contain_text("condition")
        answer(page, "condition", "good")
        phone.main().click()
        # The next one of the list; its month differs, and the register's word stands beside it.
        phone.is_at("002")
        page.get_by_role("button", name=re.compile("^Same kind")).click()
        answer(page, "serial", "SN810002")
        answer(page, "made", "06/2019")
        expect(page.locator("[data-fact=made]")).to_contain_text("The register says 2021-03")
        answer(page, "condition", "good")
        phone.main().click()
        phone.is_at("003")
        page.get_by_role("link", name="Not here").click()
        accessible(page)
        page.get_by_label("Remarks").fill("Bracket empty")
        phone.main().click()
        # Two alike that no register knows: the kind in one touch, the number of the place counts on.
        page.get_by_role("link", name="Add a unit").click()
        for place, serial in (("004", "X-1"), ("005", "")):
            expect(page.get_by_label("Number of the place")).to_have_value(place)
            page.get_by_role("button", name=re.compile("^Same kind")).click()
            if serial:
                answer(page, "serial", serial)
            else:
                page.get_by_label("Serial: how it was read").select_option("not_readable")
            answer(page, "made", "04/2025")
            answer(page, "condition", "good")
            phone.main().click()
            expect(page.locator("#main")).to_contain_text(f"{place} saved.")
        page.get_by_role("link", name="Back").click()
        # An empty bracket that no register knows: a place and what is wrong with it, without a unit.
        page.get_by_text("You are in").click()
        page.get_by_role("button", name="Remark on a place").click()
        page.get_by_label("Place", exact=True).select_option("")
        page.get_by_label("Number of the new place").fill("B1")
        page.get_by_role("button", name="Go on").click()
        page.get_by_role("dialog").locator(".app-row-button").first.click()
        page.get_by_role("button", name="Record it").click()
        expect(page.locator(".app-progress")).to_contain_text("1 remark on places")
        page.get_by_role("link", name="Count and sign").click()
        counts = page.get_by_role("region", name="Counts")
        expect(counts).to_contain_text("3, adds up")
        expect(page.get_by_role("region", name="Go through it")).to_contain_text("register 2021-03")
        page.get_by_label("I have gone through this").check()
        page.get_by_label("My own count says the same").check()
        page.get_by_label("Printed name").fill("Robin Example")
        phone.sign()
        accessible(page)
        phone.main().click()
        expect(page.locator("#main")).to_contain_text("Ended on this phone")
    phone.all_sent()
    stored = Survey.objects.select_related("visit").get(pk=survey.pk)
    assert stored.visit.state == "closed"
    assert stored.counts_stated == {
        "on_list": 3, "found": 1, "differs": 1, "missing": 1, "not_reached": 0, "open": 0, "extra": 2,
    }  # fmt: skip

    # The phone and the desk count by rules of their own in two languages.
    assert walk_of(Survey.objects.select_related("visit__site").get(pk=survey.pk), now=now).counts == {
        **stored.counts_stated
    }

    office = signed_in(desk, DESK)
    office.goto(f"{address}/desk/surveys/{survey.public_id}/")
    expect(office.locator("main")).to_contain_text("4 differences are not settled")
    accessible(office)
    office.get_by_label("Every one on this page").check()
    office.get_by_role("button", name="Take what was found").click()
    expect(office.locator("main")).to_contain_text("Nothing is left to settle")
    office.get_by_role("button", name="Finish the survey").click()
    expect(office.locator("main")).to_contain_text("Finished")
    accessible(office)
    states: dict[str, Any] = dict(Unit.objects.filter(site=site).values_list("location__number", "state"))
    assert states == {
        "001": "in_service",
        "002": "in_service",
        "003": "not_found",
        "004": "in_service",
        "005": "in_service",
    }


def test_a_question_of_the_office_reaches_the_day_that_is_stored_already(phone: Phone) -> None:
    """Asked after the day was stored: the next contact brings it, and takes it away once answered."""
    day = make_day(2)
    Visit.objects.filter(pk=day.survey.visit_id).update(planned_on=timezone.localdate())
    unit, now = day.units[0], timezone.now()
    day.other.unit(unit.public_id, place_of(unit), POWDER | read(made="06/2019"))
    day.other.send()
    page = phone.page
    phone.sign_in(day.phone.person)
    phone.store_day()
    # What a colleague has looked for counts on the first screen as it does on the walk.
    expect(page.locator("#main")).to_contain_text("1 looked for")
    page.get_by_role("link", name="Mill Lane works").click()
    expect(page.locator("#main")).to_contain_text("Ask at the gate.")
    expect(page.locator("#main")).not_to_contain_text("The office asks")
    survey = Survey.objects.select_related("visit__site").get(pk=day.survey.pk)
    seen = {one.key: one.digest("") for one in walk_of(survey, now=now).differences if one.what == "made"}
    settle(survey, seen, "ask", reason="Is it 2019 or 2021?", by=day.desk, now=now)
    contact = "dispatchEvent(new Event('online'))"
    page.evaluate(contact)
    expect(page.locator("#main")).to_contain_text("Is it 2019 or 2021?")
    # It stands on the phone from now on, without signal too.
    with phone.no_signal():
        page.reload()
        expect(page.locator("#main")).to_contain_text("Is it 2019 or 2021?")
        expect(page.get_by_role("link", name="Read it again")).to_be_visible()
    # It is answered while one contact is under way that has asked for news before: the next is not lost.
    held: list[tuple[Route, APIResponse]] = []

    def hold_one(route: Route) -> None:
        if route.request.method == "GET" and not held:
            held.append((route, route.fetch()))
        else:
            route.continue_()

    page.route("**/api/v1/field/acts/**", hold_one)
    page.evaluate(contact)
    while not held:
        page.wait_for_timeout(20)
    day.other.unit(unit.public_id, place_of(unit), POWDER | read(made="03/2021"))
    day.other.send()
    page.evaluate(contact)
    late, answer = held[0]
    late.fulfill(response=answer)
    expect(page.locator("#main")).not_to_contain_text("Is it 2019 or 2021?")
