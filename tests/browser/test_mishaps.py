"""Mishaps of a phone and of the hand that holds it: nothing is lost in silence, nothing is recorded twice."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, expect

from inventory.register.models import local_today
from tests.browser.phone import Phone
from tests.browser.test_phone import Day, make_day

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

FULL = """(room) => {
  globalThis.roomy ??= IDBObjectStore.prototype.add;
  IDBObjectStore.prototype.add = function (...given) {
    if (room-- > 0) return globalThis.roomy.apply(this, given);
    throw new DOMException("full", "QuotaExceededError");
  };
}"""
ROOMY = "() => { IDBObjectStore.prototype.add = globalThis.roomy; }"
REFUSE_TWICE = """(id) => new Promise((resolve) => {
  indexedDB.open("field").onsuccess = ({ target: { result: db } }) => {
    const acts = db.transaction("acts", "readwrite").objectStore("acts");
    acts.get(id).onsuccess = ({ target: { result: act } }) => {
      acts.put({ ...act, state: "refused" });
      acts.put({ ...act, id: crypto.randomUUID(), state: "refused" }).onsuccess = resolve;
    };
  };
})"""


@pytest.fixture
def day() -> Day:
    """Three units that are due today."""
    return make_day(3)


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
    # The first record of a visit starts it as well: room for one of the two is room for none.
    page.evaluate(FULL, 1)
    phone.main().click()
    expect(page.locator("#foot").get_by_role("alert").first).to_contain_text("no room left")
    assert phone.stored("acts") == []
    page.evaluate(ROOMY)
    phone.main().click()
    phone.is_at("002")
    expect(page.locator("#wrong")).to_have_count(0)
    phone.open(f"unit/{visit}/{second}")
    phone.value("gauge_pressure", "195", "psi")
    phone.main().click()
    expect(phone.main()).to_contain_text("Pass")
    page.evaluate(FULL, 0)
    phone.main().click()
    expect(page.locator("#wrong")).to_contain_text("no room left")
    page.evaluate(ROOMY)
    phone.main().click()
    phone.is_at("003")


def nothing_found(phone: Phone, day: Day) -> None:
    """Give every unit a result, the quick way."""
    for unit in day.units:
        phone.open(f"event/{day.visit.public_id}/{unit.public_id}/not_found")
        phone.main().click()
        expect(phone.page.locator("html")).not_to_have_attribute("data-screen", "event")


def test_a_closing_wants_a_day_by_a_clock_that_was_put_right(phone: Phone, day: Day) -> None:
    """A phone that is two days slow and knows it proposes the right day; other days are not taken."""
    page = phone.page
    nothing_found(phone, day)
    page.evaluate("import('/static/field/app/outbox.js').then(({ link }) => { link.drift_s = 172_800; })")
    page.evaluate(f"location.hash = '#/close/{day.visit.public_id}?anew'")
    today = local_today(day.site, timezone.now() + timedelta(days=2))
    field = page.get_by_label("Day on which the work was done")
    expect(field).to_have_value(today.isoformat())
    page.get_by_label("I have read this out").check()
    page.get_by_label("My own count says the same").check()
    page.get_by_label("Or why nobody signed").fill("Nobody there")
    lacking = page.locator(".app-lacking")
    for said, sentence in (
        ("", "Enter the day on which the work was done."),
        ((today + timedelta(days=1)).isoformat(), "still to come"),
        ((today - timedelta(days=61)).isoformat(), "Ask a manager"),
    ):
        field.fill(said)
        expect(lacking).to_contain_text(sentence)
        expect(phone.main()).to_have_attribute("aria-disabled", "true")
    field.fill((today - timedelta(days=1)).isoformat())
    expect(lacking).to_have_text("")
    phone.main().click()
    expect(page.locator("main")).to_contain_text("Closed on this phone")
    (closing,) = [act for act in phone.stored("acts") if act["kind"] == "close"]
    assert closing["content"]["done_on"] == (today - timedelta(days=1)).isoformat()

    # Refused twice: closing again is the way out of both.
    page.evaluate(REFUSE_TWICE, closing["id"])
    page.evaluate("new BroadcastChannel('field').postMessage('acts')")
    expect(page.locator("main")).to_contain_text("The server refused to close it")
    page.evaluate(f"location.hash = '#/close/{day.visit.public_id}?settles={closing['id']}'")
    expect(page.get_by_label("Or why nobody signed")).to_have_value("Nobody there")
    expect(field).to_have_value((today - timedelta(days=1)).isoformat())
    page.get_by_label("I have read this out").check()
    page.get_by_label("My own count says the same").check()
    phone.main().click()
    expect(page.locator("main")).to_contain_text("Closed on this phone")
    states = [act["state"] for act in phone.stored("acts") if act["kind"] == "close"]
    assert sorted(states) == ["discarded", "discarded", "waiting"]


def test_a_second_tap_records_nothing_more(phone: Phone, day: Day) -> None:
    """Of two taps the second meets neither the record under way nor the unit that has just come up."""
    page = phone.page
    phone.open(f"unit/{day.visit.public_id}/{day.units[0].public_id}")
    expect(page.get_by_role("region", name="Work done")).to_contain_text("by 1 Dec 2026")
    phone.value("gauge_pressure", "195", "psi")
    phone.main().click()
    expect(phone.main()).to_contain_text("Pass")
    box = phone.main().bounding_box()
    assert box is not None
    at = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.click(*at)
    page.mouse.click(*at)
    expect(page.locator(".app-unit h1")).to_contain_text("002")
    page.mouse.click(*at)
    expect(phone.main()).to_contain_text("All well")
    assert [act["kind"] for act in phone.stored("acts")].count("result") == 1
    # A moment later it takes a tap, and the keyboard need not wait at all.
    page.mouse.click(*at)
    expect(phone.main()).to_have_text("Value missing")
    phone.value("gauge_pressure", "195", "psi")
    page.evaluate(
        """() => { const main = document.querySelector("#foot .app-next"); main.click(); main.click(); }"""
    )
    phone.is_at("003")
    page.evaluate("""() => document.querySelector("#foot .app-next").click()""")
    expect(phone.main()).to_have_text("Value missing")
    assert [act["kind"] for act in phone.stored("acts")].count("result") == 2


def test_a_half_filled_event_comes_back_with_its_photo(phone: Phone, day: Day) -> None:
    """A page that dies loses nothing of an event, nor of one whose place was described in a dialog."""
    page = phone.page
    visit, unit = day.visit.public_id, day.units[0].public_id
    phone.open(f"event/{visit}/{unit}/condemn")
    page.get_by_label("Criterion").select_option(index=1)
    page.get_by_label("What you saw").fill("Dented at the weld")
    page.get_by_text("Another unit").click()
    page.get_by_label("Number on its label").fill("U-1")
    page.locator("input[type=file]").set_input_files(
        {"name": "weld.png", "mimeType": "image/png", "buffer": page.screenshot()}
    )
    expect(page.get_by_role("img", name="Photo 1")).to_be_visible()
    page.reload()
    expect(page.get_by_label("What you saw")).to_have_value("Dented at the weld")
    expect(page.get_by_label("Criterion")).not_to_have_value("")
    expect(page.get_by_label("Number on its label")).to_have_value("U-1")
    expect(page.get_by_role("img", name="Photo 1")).to_be_visible()
    page.get_by_text("Nothing; the unit goes along").click()
    phone.main().click()
    phone.is_at("002")
    (condemned,) = [act for act in phone.stored("acts") if act["kind"] == "condemn"]
    assert condemned["content"]["remarks"] == "Dented at the weld"
    assert len(condemned["photos"]) == 1
    assert phone.stored("drafts") == []

    phone.open(f"event/{visit}/{day.units[1].public_id}/location_problem")
    page.get_by_role("button", name="Choose what is wrong").click()
    page.locator("dialog .app-row-button").first.click()
    page.get_by_role("button", name="Record it").last.click()
    expect(page.get_by_text("Nothing chosen yet")).to_have_count(0)
    page.reload()
    expect(page.get_by_role("button", name="Choose what is wrong")).to_be_visible()
    expect(page.get_by_text("Nothing chosen yet")).to_have_count(0)


def test_what_was_refused_is_corrected_not_typed_again(phone: Phone, day: Day) -> None:
    """The form of a refused record is filled with what was stated, after sending it again in vain, too."""
    page = phone.page
    visit, first, second = day.visit.public_id, day.units[0].public_id, day.units[1].public_id
    phone.open(f"event/{visit}/{first}/exchange")
    page.get_by_text("One of ours, by number").click()
    page.get_by_label("Number on its label").fill("U-999999")
    page.get_by_label("Handed over to").fill("R. Okafor")
    page.locator("input[type=file]").set_input_files(
        {"name": "old.png", "mimeType": "image/png", "buffer": page.screenshot()}
    )
    expect(page.get_by_role("img", name="Photo 1")).to_be_visible()
    phone.main().click()
    phone.is_at("002")
    phone.context.set_offline(False)
    phone.open("sending")
    for _ in range(2):
        expect(page.locator("#link")).to_contain_text("1 refused")
        page.get_by_role("button", name="Send it again").click()
    expect(page.locator("#link")).to_contain_text("1 refused")
    page.get_by_role("link", name="Correct it").click()
    expect(page.get_by_label("Number on its label")).to_have_value("U-999999")
    expect(page.get_by_label("Handed over to")).to_have_value("R. Okafor")
    expect(page.get_by_role("img", name="Photo 1")).to_be_visible()
    phone.all_sent()
    assert {photo["state"] for photo in phone.stored("photos")} == {"sent"}

    # A result, as if it had been refused.
    phone.context.set_offline(True)
    phone.open(f"unit/{visit}/{second}")
    phone.value("gauge_pressure", "195", "psi")
    page.get_by_label("Remarks").fill("Hose stiff")
    page.get_by_role("button", name="Defect").click()
    page.locator("dialog .app-row-button", has=page.get_by_text("Critical", exact=True)).first.click()
    page.get_by_role("button", name="Record it").click()
    phone.main().click()
    phone.is_at("003")
    (result,) = [act for act in phone.stored("acts") if act["kind"] == "result"]
    phone.open(f"unit/{visit}/{second}?again=yes&by=picked&settles={result['id']}")
    expect(page.locator("#value-gauge_pressure")).to_have_value("195")
    expect(page.get_by_label("Remarks")).to_have_value("Hose stiff")
    expect(phone.main()).to_contain_text("Failed")
    page.get_by_role("button", name=re.compile("^Leave out:")).click()
    phone.main().click()
    expect(phone.main()).to_contain_text("Pass")


def test_a_unit_is_found_and_proved_as_the_screen_says(phone: Phone, day: Day) -> None:
    """Back closes what stands over the screen, Enter means the list, and a place proves nothing."""
    page = phone.page
    # The browser's own Back leaves neither the list of defects nor the scanner over the screen before.
    phone.open(f"visit/{day.visit.public_id}")
    page.locator(".app-row a").first.click()
    phone.is_at("001")
    page.get_by_role("button", name="Defect").click()
    expect(page.get_by_role("dialog")).to_be_visible()
    page.go_back()
    expect(page.locator(".app-progress")).to_be_visible()
    expect(page.get_by_role("dialog")).to_have_count(0)
    page.go_forward()
    phone.is_at("001")
    page.go_back()
    page.get_by_role("button", name="Scan a label").click()
    expect(page.get_by_role("dialog")).to_be_visible()
    page.go_forward()
    phone.is_at("001")
    expect(page.get_by_role("dialog")).to_have_count(0)

    # A part of a number opens the one unit that it fits, offers several, and adds where none fits.
    round_ = f"visit/{day.visit.public_id}"
    phone.open(round_)
    page.get_by_label("Find a unit").fill("0003")
    page.keyboard.press("Enter")
    phone.is_at("003")
    expect(page.locator(".app-identity")).to_have_attribute("data-proved", "false")
    phone.open(round_)
    page.get_by_label("Find a unit").fill("7000")
    page.keyboard.press("Enter")
    expect(page.locator("#said")).to_have_text("3 units match “7000”. Choose one.")
    expect(page.locator("#list .app-row")).to_have_count(3)
    expect(page.locator("#list h2").first).to_contain_text("· 3 units")
    page.get_by_label("Find a unit").fill("7777")
    page.keyboard.press("Enter")
    expect(page.get_by_role("link", name="Add this unit").first).to_be_visible()
    # Typed beside the camera: offered, too.
    page.get_by_role("button", name="Scan a label").click()
    page.get_by_label("Or type the number").fill("0003")
    page.keyboard.press("Enter")
    expect(page.locator(".notice .app-row")).to_have_count(1)
    expect(page.get_by_role("link", name="Add this unit")).to_have_count(1)

    # A number or a serial proves the unit; the number of its place opens it as picked.
    unit = day.units[1]
    identity = page.locator(".app-identity")
    for typed, proved, words in (
        ("002", "false", "Place 002: is this the one?"),
        (unit.serial.lower(), "true", f"Serial read: {unit.serial}"),
        (unit.number, "true", f"Label read: {unit.number}"),
    ):
        phone.open(f"visit/{day.visit.public_id}")
        page.get_by_label("Find a unit").fill(typed)
        page.keyboard.press("Enter")
        phone.is_at("002")
        expect(identity).to_have_attribute("data-proved", proved)
        expect(identity).to_contain_text(words)
    page.go_back()
    page.get_by_label("Find a unit").fill("002")
    page.keyboard.press("Enter")
    phone.is_at("002")
    phone.pass_unit()
    phone.is_at("003")
    (result,) = [act for act in phone.stored("acts") if act["kind"] == "result"]
    assert (result["scan"]["by"], result["scan"]["read"]) == ("picked", "")
