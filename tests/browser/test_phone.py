"""The technician's app in a real browser, at phone size: a whole visit without signal, and every mishap."""

from __future__ import annotations

import json
import random
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.contrib.sessions.models import Session
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Browser, BrowserType, Page, Route, expect

from inventory.logbook.models import ServiceRecord
from inventory.measures.stamps import Stamp
from inventory.register.models import Site, Unit, local_today
from schedules.certificates.models import Certificate
from schedules.visits.models import FieldAct, Visit, VisitEntry
from servicedesk.accounts.models import User
from tests.browser.phone import Phone, film
from tests.factories import (
    make_location,
    make_model,
    make_record,
    make_site,
    make_unit,
    make_user,
    make_visit,
)

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

LABEL = "https://desk.example/u/U-700001"


@dataclass
class Day:
    """One technician with a visit today."""

    technician: User
    site: Site
    visit: Visit
    units: list[Unit]

    def outcomes(self) -> list[tuple[str, str]]:
        """Unit and result of each statement that counts, in the order of the numbers."""
        rows = VisitEntry.objects.filter(visit=self.visit).effective()
        return sorted(rows.values_list("unit__number", "result"))


def make_day(count: int = 4) -> Day:
    """Stored-pressure units that are due, and one of carbon dioxide as the last."""
    site = make_site(name="Mill Lane works", time_zone="UTC")
    co2 = make_model(
        agent="carbon_dioxide",
        construction="self_expelling",
        charge_mass_g=5000,
        charge_text="5 kg",
        full_mass_g=14200,
        working_pressure_kpa=None,
    )
    powder = make_model()
    units = []
    for n in range(1, count + 1):
        unit = make_unit(
            location=make_location(site, number=f"{n:03d}", walking_order=n),
            model=co2 if n == count else powder,
            number=f"U-70{n:04d}",
            serial=f"SN70{n:04d}",
            made=Stamp.of(2025, 3),
            refresh=False,
        )
        make_record(unit, done=Stamp.of(2025, 12, 1))
        units.append(unit)
    technician = make_user("technician", first_name="Ines", last_name="Rowntree")
    today = local_today(site, timezone.now())
    return Day(technician, site, make_visit(site, units, technician=technician, planned_on=today), units)


@pytest.fixture(scope="module")
def camera_browser(
    browser_type: BrowserType, browser_type_launch_args: dict[str, Any], tmp_path_factory: Any
) -> Iterator[Browser]:
    """A browser whose camera looks at the label of the first unit, for ever."""
    picture: Path = film(tmp_path_factory.mktemp("camera") / "label.y4m", LABEL)
    flags = [
        "--use-fake-ui-for-media-stream",
        "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-video-capture={picture.resolve()}",
    ]
    arguments = {**browser_type_launch_args, "args": [*browser_type_launch_args["args"], *flags]}
    browser = browser_type.launch(**arguments)
    yield browser
    browser.close()


@pytest.fixture
def phone_of(camera_browser: Browser, address: str) -> Iterator[Callable[..., Phone]]:
    """Hands out phones; each must end without a script error."""
    phones: list[Phone] = []

    def take(**more: Any) -> Phone:
        phones.append(Phone(camera_browser, address, **more))
        return phones[-1]

    yield take
    for phone in phones:
        phone.close()


def api(user: User) -> Client:
    """The same API for another client."""
    client = Client()
    client.force_login(user)
    return client


def send(client: Client, acts: list[dict[str, Any]], device: str) -> list[str]:
    """What becomes of each act of a batch."""
    body = {"device": {"id": device}, "acts": acts}
    answer = client.post("/api/v1/field/acts/", json.dumps(body), content_type="application/json")
    assert answer.status_code == 200, answer.content
    return [one["status"] for one in answer.json()["results"]]


def wire(act: dict[str, Any]) -> dict[str, Any]:
    """An act as the phone sends it."""
    names = ("id", "visit", "kind", "seq", "device_at", "unit", "location", "scan", "photos", "content")
    return {name: act[name] for name in names if name in act}


def everything() -> dict[str, list[Any]]:
    """All that acts can have written."""
    return {
        "acts": sorted(map(str, FieldAct.objects.values_list("act_id", "kind", "content"))),
        "entries": sorted(map(str, VisitEntry.objects.values_list("client_ref", "result", "readings"))),
        "records": sorted(map(str, ServiceRecord.objects.values_list("client_ref", "task", "outcome"))),
        "units": sorted(map(str, Unit.objects.values_list("number", "state", "location"))),
        "certificates": sorted(Certificate.objects.values_list("number", flat=True)),
    }


def test_a_whole_visit_without_signal(phone_of, accessible, tmp_path) -> None:
    """Scan to signature offline, an expired session, a lost answer; then all is there once."""
    day = make_day()
    phone = phone_of()
    page: Page = phone.page
    phone.sign_in(day.technician)
    accessible(page)
    assert phone.store_day().endswith("1 site, 4 units")
    phone.context.set_offline(True)
    page.reload()
    accessible(page)
    page.get_by_role("link", name="Mill Lane works").click()
    page.get_by_role("button", name="Scan a label").click()
    # The camera sees the label; the page says that this is the unit of the register.
    expect(page.locator(".app-identity")).to_contain_text("Label read: U-700001")
    accessible(page)
    # Two touches are not enough without the figure that the task demands.
    phone.main().click()
    expect(phone.main()).to_have_text("Value missing")
    expect(page.locator(".app-lacking")).to_contain_text("Enter the gauge pressure")
    phone.value("gauge_pressure", "195", "psi")
    # One check answered apart, and taken back: the rest stands as all well.
    checks = page.locator(".app-checks")
    checks.locator("summary").click()
    not_well = checks.get_by_role("button", name="Not well").first
    accessible(page)
    not_well.click()
    page.get_by_role("dialog").get_by_role("button", name="Back").click()
    expect(checks.locator("summary")).to_contain_text("1 not well")
    expect(not_well).to_have_attribute("aria-pressed", "true")
    expect(not_well).to_be_focused()
    page.keyboard.press("Enter")
    expect(checks.locator("summary")).to_contain_text("all well")
    phone.main().click()
    phone.is_at("002")
    # A hardware scanner types faster than a person.
    phone.scanner("U-700003")
    expect(page.locator(".app-identity")).to_contain_text("Label read: U-700003")
    phone.value("gauge_pressure", "100", "psi")
    expect(page.locator("#said-gauge_pressure")).to_contain_text("too low")
    page.get_by_role("button", name="Defect").click()
    page.get_by_role("dialog").get_by_role("button", name=re.compile("^Pressure low")).click()
    picture = tmp_path / "gauge.png"
    page.screenshot(path=picture)
    with page.expect_file_chooser() as chooser:
        page.get_by_role("dialog").get_by_role("button", name="Photo").click()
    chooser.value.set_files(picture)
    expect(page.get_by_role("img", name="Photo 1")).to_be_visible()
    expect(page.locator("#said")).to_have_text("1 photo")
    page.get_by_role("button", name="Record it").click()
    phone.main().click()
    phone.is_at("004")
    phone.value("gross_mass", "13.9", "kg")
    phone.main().click()
    phone.main().click()
    phone.is_at("002")
    page.get_by_role("link", name="More").click()
    page.get_by_role("link", name="No access").click()
    accessible(page)
    page.locator(".choices label").first.click()
    page.get_by_label("Who said so").fill("The porter")
    phone.main().click()
    expect(page.get_by_role("region", name="Counts")).to_contain_text("4, adds up")
    expect(page.get_by_role("region", name="Read out")).to_contain_text("Pressure low")
    accessible(page)
    page.get_by_label("I have read this out").check()
    page.get_by_label("My own count says the same").check()
    phone.sign()
    page.get_by_label("Printed name").fill("R. Okafor")
    phone.main().click()
    expect(page.locator("main")).to_contain_text("Closed on this phone")
    assert not FieldAct.objects.exists()

    # Signed out meanwhile: said, and nothing lost.
    Session.objects.all().delete()
    phone.context.set_offline(False)
    page.locator("#link").click()
    page.get_by_role("link", name="Sign in", exact=True).click()
    # The first batch is taken in, but its answer is lost on the way.
    lost = []

    def lose_one_answer(route: Route) -> None:
        if route.request.method == "POST" and not lost:
            lost.append(route.fetch().status)
            route.abort()
        else:
            route.continue_()

    page.route("**/api/v1/field/acts/**", lose_one_answer)
    page.locator("input[name=username]").fill(day.technician.username)
    page.locator("input[name=password]").fill("correct horse battery")
    page.get_by_role("button", name="Sign in").click()
    phone.all_sent()
    assert lost == [200]
    assert [photo["state"] for photo in phone.stored("photos")] == ["sent"]
    visit = Visit.objects.get(pk=day.visit.pk)
    assert visit.state == Visit.State.CLOSED
    assert visit.contact_name == "R. Okafor"
    assert {k: v for k, v in visit.counts.items() if v and k != "on_list"} == {
        "serviced": 2,
        "failed": 1,
        "no_access": 1,
    }
    assert [result for _, result in day.outcomes()] == ["serviced", "no_access", "failed", "serviced"]
    certificate = Certificate.objects.get(visit=visit)
    page.goto(f"{phone.address}/field/#/")
    expect(page.get_by_role("link", name=f"Owner's copy, {certificate.number}")).to_be_visible()

    # The outbox three times over, shuffled: the database is the same.
    acts = [wire(act) for act in phone.stored("acts")]
    device = str(FieldAct.objects.values_list("device_ref", flat=True).first())
    before = everything()
    client = api(day.technician)
    chance = random.Random(1)
    for _ in range(3):
        chance.shuffle(acts)
        assert set(send(client, acts, device)) == {"repeated"}
    assert everything() == before


def test_a_page_killed_at_ten_points_loses_nothing(phone_of) -> None:
    """Wherever the page dies, what was recorded stands and what was typed comes back."""
    day = make_day(12)
    phone = phone_of()
    phone.sign_in(day.technician)
    phone.store_day()
    phone.context.set_offline(True)
    points = ["typed", "typed", "well", "well", *["pressed"] * 3, *["done"] * 3]
    random.Random(7).shuffle(points)
    recorded: set[str] = set()
    for n, point in enumerate(points):
        unit = day.units[n]
        place = f"unit/{day.visit.public_id}/{unit.public_id}?by=typed&read={unit.number}"
        phone.open(place)
        psi = str(186 + n)
        phone.value("gauge_pressure", psi, "psi")
        if point != "typed":
            phone.main().click()
        if point == "pressed":
            # Gone in the same instant as the touch: either recorded or still typed, never neither.
            phone.page.evaluate("document.querySelector('#foot .app-next').click()")
        elif point == "done":
            phone.main().click()
            phone.is_at(f"{n + 2:03d}")
            recorded.add(str(unit.public_id))
        phone.kill()
        phone.open(place)
        acts = {act["unit"] for act in phone.stored("acts") if act["kind"] == "result"}
        assert recorded <= acts, point
        if str(unit.public_id) in acts:
            assert point in ("pressed", "done")
            recorded.add(str(unit.public_id))
            expect(phone.page.locator(".verdict")).to_contain_text("Serviced")
        else:
            expect(phone.page.locator("#value-gauge_pressure")).to_have_value(psi)
    assert len(recorded) >= 3
    numbers = [act["seq"] for act in phone.stored("acts")]
    assert sorted(numbers) == list(range(1, len(numbers) + 1))
    phone.context.set_offline(False)
    phone.open("sending")
    phone.all_sent()
    stored = {str(ref) for ref in FieldAct.objects.filter(kind="result").values_list("unit_ref", flat=True)}
    assert stored == recorded


def came_in(results: int, within_s: float = 10) -> None:
    """Wait until the server has that many results."""
    until = time.monotonic() + within_s
    while FieldAct.objects.filter(kind="result").count() < results:
        assert time.monotonic() < until, f"{results} results were awaited"
        time.sleep(0.05)


def test_two_phones_at_one_site(phone_of) -> None:
    """Each sees the other's work; the same unit done twice is said and both records are kept."""
    day = make_day()
    colleague = make_user("technician", first_name="Moss", last_name="Hale")
    day.visit.companions.add(colleague)
    one, other = phone_of(), phone_of()
    for phone, person in ((one, day.technician), (other, colleague)):
        phone.sign_in(person)
        phone.store_day()
    round_ = f"visit/{day.visit.public_id}"
    one.open(f"unit/{day.visit.public_id}/{day.units[0].public_id}")
    one.pass_unit()
    one.is_at("002")
    one.all_sent()
    other.context.set_offline(True)
    other.open(f"unit/{day.visit.public_id}/{day.units[0].public_id}")
    other.pass_unit("190")
    other.is_at("002")
    other.context.set_offline(False)
    other.open("sending")
    other.all_sent()
    expect(other.page.locator("main")).to_contain_text("Both are kept")
    other.open(round_)
    expect(other.page.locator(".app-progress")).to_contain_text("1 of 4")
    other.open(f"unit/{day.visit.public_id}/{day.units[1].public_id}")
    other.pass_unit()
    # What was just recorded may not be counted as waiting yet.
    came_in(3)
    one.open("sending")
    one.page.get_by_role("button", name="Send now").click()
    # News that come while one leaves a screen do not call back to it.
    leave = "to => { location.hash = to; new BroadcastChannel('field').postMessage('acts'); }"
    one.page.evaluate(leave, f"#/{round_}")
    expect(one.page.locator(".app-progress")).to_contain_text("2 of 4")
    assert FieldAct.objects.filter(kind="result", unit_ref=day.units[0].public_id).count() == 2


def test_everything_else_that_happens_on_site_and_a_refusal(phone_of, accessible) -> None:
    """Moved, added, taken back, refused and settled; each screen is accessible and fit for gloves."""
    day = make_day()
    phone = phone_of()
    page = phone.page
    phone.sign_in(day.technician)
    phone.store_day()
    visit, first = day.visit.public_id, day.units[0].public_id
    small = """() => [...document.querySelectorAll(
        '#main :is(button, .button, input, select, summary, .choice, .check), #foot *, #bar a')]
      .filter((e) => !e.matches('[type=checkbox], [type=radio], .icon, .icon *, p, div'))
      .map((e) => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])
      .filter(([, box]) => box.height > 0 && box.height < 48).map(([html]) => html)"""
    for path in (
        "",
        "van",
        f"visit/{visit}",
        f"unit/{visit}/{first}",
        f"event/{visit}/{first}",
        *(
            f"event/{visit}/{first}/{kind}"
            for kind in ("lend", "exchange", "condemn", "move_unit", "swap_units")
        ),
        f"add/{visit}",
        f"close/{visit}",
        "sending",
    ):
        page.evaluate(f"location.hash = '#/{path}'")
        expect(page.locator("html")).to_have_attribute("data-screen", path.split("/")[0] or "home")
        accessible(page)
        assert page.evaluate(small) == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path

    phone.open("visit/%E0%A4%A")
    expect(page.locator("main")).to_contain_text("This address is damaged. Go back")

    # Moved to a place that the register does not know, and a unit that it does not know.
    phone.open(f"event/{visit}/{first}/move_unit")
    page.get_by_label("Number of the place").fill("099")
    phone.main().click()
    phone.is_at("099")
    phone.open(f"add/{visit}")
    page.get_by_label("Number of the place").fill("001")
    page.get_by_label("Model").select_option(index=1)
    page.get_by_label("Made, as read").fill("06/2019")
    phone.main().click()
    expect(page.locator(".app-unit h1")).to_contain_text("001")
    # Recorded, then taken back.
    phone.open(f"event/{visit}/{day.units[1].public_id}/not_found")
    phone.main().click()
    page.get_by_role("button", name="Take back").click()
    phone.open(f"visit/{visit}")
    expect(page.locator(".app-progress")).to_contain_text("0 of 5")
    phone.all_sent()
    assert sorted(FieldAct.objects.values_list("kind", flat=True)) == [
        "add_unit",
        "move_unit",
        "not_found",
        "start",
        "undo",
    ]
    assert day.outcomes() == []

    # An exchange against a unit that is not ours: refused, and it stays with the person until settled.
    phone.open(f"event/{visit}/{day.units[2].public_id}/exchange")
    page.get_by_text("One of ours, by number").click()
    page.get_by_label("Number on its label").fill("U-999999")
    phone.main().click()
    expect(page.locator("#link")).to_contain_text("1 refused")
    phone.open("sending")
    expect(page.locator("main")).to_contain_text("U-999999")
    accessible(page)
    # What it is, why, and each way out stand below one another, over the width of the card.
    apart = """() => {
      const card = document.querySelector('.card');
      const box = (part) => card.querySelector(part).getBoundingClientRect();
      return [box('.card-title').width > innerWidth / 2, box('summary').top >= box('.row').bottom];
    }"""
    assert page.evaluate(apart) == [True, True]
    # The visit goes to somebody else and leaves the stored day: what was refused can still be corrected.
    Visit.objects.filter(pk=day.visit.pk).update(technician=make_user("technician"))
    phone.open()
    phone.store_day()
    expect(page.locator("main")).to_contain_text("No visits for you")
    phone.open("sending")
    expect(page.locator(".card-title")).to_have_text("Exchanged · U-700003")
    page.get_by_role("link", name="Correct it").click()
    page.get_by_text("One of ours, by number").click()
    page.get_by_label("Number on its label").fill("U-999998")
    phone.main().click()
    phone.all_sent()
    phone.open("sending")
    expect(page.locator("main")).to_contain_text("U-999998")
    page.get_by_text("Discard it").click()
    page.get_by_role("button", name="Discard").click()
    expect(page.get_by_role("alert")).to_contain_text("Say why")
    page.get_by_label("Why it is discarded").fill("Wrong number typed")
    page.get_by_role("button", name="Discard").click()
    expect(page.locator("#link")).to_contain_text("All sent")
    assert [a["state"] for a in phone.stored("acts") if a["kind"] == "exchange"] == ["discarded"] * 2


def test_one_phone_for_two_people(phone_of, accessible) -> None:
    """Nobody works as the other; what one recorded waits, and goes out when that person is back."""
    day = make_day()
    colleague = make_user("technician", first_name="Moss", last_name="Hale")
    phone = phone_of(zone="America/Chicago")
    page = phone.page
    phone.sign_in(day.technician)
    phone.store_day()
    person = str(day.technician.public_id)
    refused = {"person": person, "visit": "v", "content": {}, "state": "refused"}
    phone.change("acts", id="refused", kind="defect", seq=80, device_at="2026-12-01T02:19:00Z", **refused)
    with phone.no_signal():
        phone.open(f"unit/{day.visit.public_id}/{day.units[0].public_id}")
        phone.pass_unit()
        phone.is_at("002")
    Session.objects.all().delete()
    phone.sign_in(colleague)
    expect(page.locator("main")).to_contain_text(
        "Moss Hale is signed in. The day on this phone is that of Ines"
    )
    expect(page.locator("main")).to_contain_text("2 records of Ines Rowntree wait here")
    # What was refused is its maker's to settle, and signing in comes before it.
    expect(page.locator("#link")).to_contain_text("Sign in")
    accessible(page)
    phone.open(f"unit/{day.visit.public_id}/{day.units[1].public_id}")
    expect(page.get_by_role("heading", name="Whose visits?")).to_be_visible()
    # Without signal nobody can sign in: whoever is the first person says so and goes on.
    with phone.no_signal():
        page.get_by_role("button", name="I am Ines Rowntree: go on").click()
        phone.is_at("002")
    expect(page.get_by_role("heading", name="Whose visits?")).to_be_visible()
    phone.store_day()
    expect(page.locator(".app-name")).to_have_text("Moss Hale")
    expect(page.locator("main")).not_to_contain_text("Mill Lane works")
    expect(page.locator("#link")).to_contain_text("All sent")
    Session.objects.all().delete()
    phone.sign_in(day.technician)
    expect(page.locator(".app-name")).to_have_text("Ines Rowntree")
    phone.all_sent()
    expect(page.locator("#link")).to_contain_text("1 refused")
    assert set(FieldAct.objects.values_list("made_by", flat=True)) == {day.technician.pk}
    # The day beside an hour of this phone is the day of this phone, also late in the evening.
    late = {"id": "late", "kind": "close", "person": person, "visit": "v", "content": {}, "state": "sent"}
    phone.change("acts", **late, seq=90, device_at="2026-12-01T02:19:00Z")
    van = {"agent": [{"agent": "abc_powder", "text": "Powder", "units": 1}]}
    phone.change("days", person, stored_at="2026-11-28T02:10:00Z", van=van)
    page.reload()
    expect(page.locator("main")).to_contain_text("Closed 20:19, Mon 30 Nov")
    expect(page.locator("main")).to_contain_text(re.compile("stored 20:10.*, Fri 27 Nov"))
    phone.open("van")
    expect(page.get_by_role("checkbox", name="Powder for 1 unit", exact=True)).to_be_visible()


def test_the_phone_judges_as_the_server_does(page: Page, live_server: Any) -> None:
    """Every shared case, in the browser: the same value, the same word, the same sentence."""
    cases = json.loads((settings.BASE_DIR / "tests/cases/judging.json").read_text("utf-8"))
    page.goto(f"{live_server.url}/sign-in/")
    differing = page.evaluate(
        """async ({ cases, root }) => {
            const judge = await import(`${root}judge.js`);
            const { Fraction } = await import(`${root}fraction.js`);
            const bad = [];
            const same = (what, got, want) => {
              if (JSON.stringify(got) !== JSON.stringify(want)) bad.push({ what, got, want });
            };
            const text = ({ top, bottom }) => `${top}/${bottom}`;
            for (const { quantity, value, unit, base, error } of cases.values) {
              let got = [null, null];
              try {
                got[0] = text(judge.readValue(cases.judging, { quantity, value, unit }));
              } catch (refused) {
                got[1] = refused.code ?? String(refused);
              }
              same({ quantity, value, unit }, got, [base && text(Fraction.of(base)), error]);
            }
            for (const { plate, readings, expect } of cases.verdicts) {
              same({ plate, readings }, judge.judgeValues(cases.judging, plate, readings), expect);
            }
            for (const { task, agent, construction, given, lacking } of cases.missing) {
              const wanted = judge.demandsOf(cases.judging, task, { agent, construction });
              const said = judge.missing(wanted, given).map((d) => d.sentence);
              same({ task, agent, construction }, said, lacking);
            }
            return bad;
        }""",
        {"cases": cases, "root": "/static/field/app/"},
    )
    assert differing == []
    assert len(cases["verdicts"]) > 40
