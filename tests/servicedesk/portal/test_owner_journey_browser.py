"""An owner's person in a real browser: looks, reports, decides, downloads, subscribes; at both sizes."""

from __future__ import annotations

import io
import urllib.request
import uuid
import zipfile
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.urls import reverse
from icalendar import Calendar
from playwright.sync_api import Browser, Page

from inventory.logbook.defects import NewDefect, state_defect
from inventory.logbook.models import Defect, ServiceRecord
from schedules.due.months import fill_months, write_months
from schedules.quotations.models import LineDecision
from schedules.quotations.services import quote_defects, send_quotation
from tests.factories import NOW, TODAY, make_user, make_visit
from tests.servicedesk.axe import axe_violations
from tests.servicedesk.portal.cast import Premises
from tests.servicedesk.portal.test_looks import picture

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def fine(page: Page) -> None:
    """The page holds no fault by axe and does not run out to the side."""
    assert axe_violations(page) == [], page.url
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), page.url


@pytest.mark.parametrize(("width", "height", "scheme"), [(390, 844, "light")])
def test_the_owners_day(
    own: Premises, browser: Browser, live_server: Any, tmp_path: Path, width: int, height: int, scheme: Any
) -> None:
    paper = own.serve(own.unit)
    own.owner.memberships.update(may_approve=True)
    make_visit(own.site, planned_on=TODAY, number="V-NEXT")
    write_months(NOW)
    fill_months(NOW)
    defect = state_defect(
        NewDefect(uuid.uuid4(), "hose_cracked"),
        site_id=own.site.pk,
        unit_id=own.unit.pk,
        on=TODAY,
        at=NOW,
        by=None,
    )
    boss = make_user("manager")
    quotation = quote_defects(own.site, [defect], currency="EUR", by=boss, now=NOW)
    quotation.lines.update(price=12)
    send_quotation(quotation, version=quotation.version, by=boss, now=NOW)

    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    session = own.client.cookies[settings.SESSION_COOKIE_NAME].value
    context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])
    page = context.new_page()

    # The label of a unit leads to its page; five answers and it is done.
    page.goto(f"{live_server.url}{reverse('scan-unit', args=[own.unit.number])}")
    fine(page)
    page.get_by_role("link", name="Monthly look", exact=True).click()
    page.wait_for_url("**/look/")
    fine(page)
    for name in ("in_place", "reachable", "seal", "gauge", "damage"):
        page.locator(f"input[name={name}]").first.check(force=True)
    page.get_by_role("button", name="Keep and go on").click()
    page.get_by_role("heading", name="All units were looked at").or_(
        page.get_by_text("All units were looked at")
    ).first.wait_for()
    fine(page)
    assert ServiceRecord.objects.get(task="visual_inspection").outcome == "passed"

    # A used one, with a photo.
    page.goto(f"{live_server.url}{reverse('portal:report', args=[own.unit.public_id])}")
    fine(page)
    page.locator("input[value=used]").check(force=True)
    page.locator("input[type=file]").set_input_files(
        files=[{"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": picture(size=(400, 300))}]
    )
    page.get_by_role("button", name="Send the report").click()
    page.get_by_text("Reported. The service company sees it now").wait_for()
    assert Defect.objects.get(code="used").photo_refs

    # The quotation is approved by name.
    page.goto(f"{live_server.url}{reverse('portal:quotations')}")
    fine(page)
    page.get_by_role("link", name=quotation.number).click()
    page.wait_for_url(f"**/{quotation.public_id}/")
    fine(page)
    page.locator("input[value=approved]").check(force=True)
    page.get_by_role("button", name="Keep the decision").click()
    page.get_by_text("Kept under your name: 1 line.").wait_for()
    assert LineDecision.objects.get().choice == "approved"

    # Every paper of the period in one file.
    page.goto(f"{live_server.url}{reverse('portal:papers')}")
    fine(page)
    page.locator("#zip-until").fill(TODAY.isoformat())
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Download").click()
    waiting.value.save_as(tmp_path / "papers.zip")
    names = zipfile.ZipFile(io.BytesIO((tmp_path / "papers.zip").read_bytes())).namelist()
    assert f"{TODAY}-{paper.number}.pdf" in names
    assert f"{TODAY}-{quotation.number}-quotation.pdf" in names

    # A calendar program reads the address that is shown once.
    page.goto(f"{live_server.url}{reverse('portal:visits')}")
    page.get_by_role("button", name="Make an address").click()
    address = page.locator("#address").input_value()
    fine(page)
    path = address[address.index("/calendar/") :]
    with urllib.request.urlopen(f"{live_server.url}{path}") as answer:
        events = Calendar.from_ical(answer.read()).walk("VEVENT")
    assert [event.start for event in events if "V-NEXT" in event["description"]] == [TODAY]

    for name in ("looks", "figures", "export"):
        page.goto(f"{live_server.url}{reverse(f'portal:{name}')}")
        fine(page)
    context.close()


def test_the_desks_pages_of_the_owners_side_are_free_of_violations(
    own: Premises, browser: Browser, live_server: Any
) -> None:
    boss = make_user("manager")
    state_defect(
        NewDefect(uuid.uuid4(), "seal_broken"),
        site_id=own.site.pk,
        unit_id=own.unit.pk,
        on=TODAY,
        at=NOW,
        by=None,
    )
    quotation = quote_defects(own.site, list(Defect.objects.all()), currency="EUR", by=boss, now=NOW)
    own.client.force_login(boss)
    session = own.client.cookies[settings.SESSION_COOKIE_NAME].value
    for width, scheme in ((390, "dark"), (1440, "light")):
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)  # type: ignore[arg-type]
        context.add_cookies(
            [{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}]
        )
        page = context.new_page()
        for name, args in (
            ("quotations", []),
            ("quotation", [quotation.public_id]),
            ("quotation-new", [own.site.public_id]),
            ("prices", []),
            ("owner-people", [own.owner.public_id]),
            ("owner-person", [own.owner.memberships.get().user.public_id]),
        ):
            page.goto(live_server.url + reverse(f"desk:{name}", args=args))
            fine(page)
        context.close()
