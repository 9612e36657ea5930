"""Mishaps of a phone and of the hand that holds it: nothing is lost in silence, nothing is recorded twice."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.phone import Phone
from tests.browser.test_phone import Day, make_day

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

FULL = """() => {
  globalThis.roomy ??= IDBObjectStore.prototype.add;
  IDBObjectStore.prototype.add = () => { throw new DOMException("full", "QuotaExceededError"); };
}"""
ROOMY = "() => { IDBObjectStore.prototype.add = globalThis.roomy; }"


@pytest.fixture
def day() -> Day:
    """Four units that are due today."""
    return make_day()


@pytest.fixture
def phone(browser: Browser, address: str, day: Day) -> Iterator[Phone]:
    """A phone with the day stored and no signal; it must end without a script error."""
    one = Phone(browser, address)
    one.sign_in(day.technician)
    one.store_day()
    one.context.set_offline(True)
    yield one
    one.close()


def test_a_full_phone_says_so_and_goes_on_once_there_is_room(phone: Phone, day: Day) -> None:
    """On each form the sentence stands at the thumb, and with room again the same button works."""
    page = phone.page
    visit, first, second = day.visit.public_id, day.units[0].public_id, day.units[1].public_id
    phone.open(f"event/{visit}/{first}/not_found")
    page.evaluate(FULL)
    phone.main().click()
    expect(page.locator("#foot").get_by_role("alert").first).to_contain_text("no room left")
    page.evaluate(ROOMY)
    phone.main().click()
    phone.is_at("002")
    expect(page.locator("#wrong")).to_have_count(0)
    phone.open(f"unit/{visit}/{second}")
    phone.value("gauge_pressure", "195", "psi")
    phone.main().click()
    expect(phone.main()).to_contain_text("Pass")
    page.evaluate(FULL)
    phone.main().click()
    expect(page.locator("#wrong")).to_contain_text("no room left")
    page.evaluate(ROOMY)
    phone.main().click()
    phone.is_at("003")
