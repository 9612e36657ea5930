"""Finding by keyboard: the search box of the frame, and a field that offers sites while one types."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from django.test import Client
from playwright.sync_api import Page, expect

from servicedesk.desk import fields
from tests.browser.conftest import DESK, PHONE
from tests.factories import make_location, make_owner, make_site, make_unit, make_user

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_the_box_offers_while_one_types_and_opens_what_is_chosen(
    signed_in: Callable[..., Page], accessible: Callable[[Page], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fields, "MOST_CHOICES", 1)
    Client().get("/sign-in/")  # a first page takes the time of all imports
    site = make_site(make_owner(name="Harrow Mills"), name="Mill Lane works", code="ML-01")
    make_site(name="Quay Street foundry", code="QS-01")
    place = make_location(site, number="K-7", description="Kitchen")
    make_unit(location=place, number="U-000777", serial="AB-1234", refresh=False)
    for size in (DESK, PHONE):
        page = signed_in(make_user("dispatcher"), size)
        page.goto(page.url.split("/desk")[0] + "/desk/units/")
        page.locator("h1").click()
        page.keyboard.press("/")
        box = page.get_by_role("combobox", name="Find a unit")
        expect(box).to_be_focused()
        box.press_sequentially("kitchen harrow")
        option = page.locator(".find-offers [role=option]")
        expect(option).to_have_count(1)
        expect(option).to_contain_text("K-7")
        page.keyboard.press("ArrowDown")
        expect(option).to_have_attribute("aria-selected", "true")
        accessible(page)
        page.keyboard.press("Escape")
        expect(option).to_be_hidden()
        expect(box).to_have_attribute("aria-expanded", "false")
        box.fill("ab12")
        expect(option.locator("strong")).to_have_text("U-000777")
        expect(option).to_be_visible()
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Enter")
        expect(page).to_have_url(re.compile(r"/desk/units/[0-9a-f-]{36}/$"))
        # With nothing chosen Enter opens the page of results, which has an address of its own.
        box = page.get_by_role("combobox", name="Find a unit")
        box.fill("mill")
        box.press("Enter")
        expect(page.get_by_role("heading", name="Sites")).to_be_visible()
        expect(page).to_have_url(re.compile(r"/find/\?q=mill$"))
        accessible(page)
    # The field of a filter with too many sites to list: offered while typing, and sent as it stands.
    page.goto(page.url.split("/find")[0] + "/desk/due/")
    field = page.get_by_label("Site", exact=True)
    field.press_sequentially("quay")
    expect(page.locator("datalist option")).to_have_attribute("value", "Quay Street foundry (QS-01)")
    field.fill("Quay Street foundry (QS-01)")
    field.press("Enter")
    expect(page).to_have_url(re.compile("site=Quay"))
    accessible(page)
