"""The whole day in a real browser: from what is due to a certificate that anybody can check."""

from __future__ import annotations

import hashlib
import re
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from inventory.logbook.models import ServiceRecord
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.models import local_today
from schedules.certificates.models import Certificate
from schedules.due.models import Obligation
from schedules.due.services import refresh_stale
from schedules.visits.models import Visit
from tests.browser.conftest import DESK, PHONE
from tests.factories import make_owner, make_record, make_site, make_unit, make_user

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_the_whole_day(signed_in, accessible, address, tmp_path):
    now = timezone.now()
    owner = make_owner(name="Harrow Mill Cooperative")
    site = make_site(owner, name="Harrow Mill", time_zone="America/Chicago")
    today = local_today(site, now)
    units = [make_unit(site, made=Stamp.of(today.year - 3, 3), refresh=False) for _ in range(3)]
    done = today - timedelta(days=350)
    for unit in units:
        make_record(
            unit, Task.MAINTENANCE, Stamp.of(done.year, done.month, done.day), received_at=now, refresh=False
        )
    refresh_stale(now=now)
    before = dict(Obligation.objects.filter(task=Task.MAINTENANCE).values_list("unit_id", "latest_on"))
    dispatcher, technician = make_user("dispatcher"), make_user("technician", licence_number="TA-1")
    stranger_unit = make_unit(make_site(make_owner(name="Somebody Else")))
    owners_person = make_user("owner", owner=owner)

    _plan(signed_in(dispatcher, DESK), accessible, technician, today)
    visit = Visit.objects.get(site=site)
    assert (visit.state, visit.technician, visit.planned_on) == ("confirmed", technician, today)
    assert visit.jobs.values("unit").distinct().count() == 3

    _serve(signed_in(technician, PHONE), accessible, units)
    visit.refresh_from_db()
    assert visit.state == "closed"
    assert (visit.counts["serviced"], visit.counts["not_found"]) == (2, 1)
    outcomes = sorted(
        ServiceRecord.objects.filter(visit_ref=visit.public_id, task="maintenance").values_list(
            "outcome", flat=True
        )
    )
    assert outcomes == ["not_found", "passed", "passed"]
    after = dict(
        Obligation.objects.filter(task=Task.MAINTENANCE, unit__in=units).values_list("unit_id", "latest_on")
    )
    moved = [unit for unit in units if after[unit.pk] > before[unit.pk]]
    assert moved == units[:2]
    assert after[units[2].pk] == before[units[2].pk]

    certificate = Certificate.objects.get(visit=visit)
    _hand_over(signed_in(owners_person, PHONE), accessible, address, certificate, stranger_unit, tmp_path)


def _plan(page: Page, accessible, technician, today) -> None:
    """The dispatcher finds the work, proposes a visit for today and confirms it for a technician."""
    expect(page).to_have_url(re.compile(r"/desk/$"))
    accessible(page)
    page.goto(page.url + "due/?status=due")
    expect(page.get_by_role("table")).to_contain_text("Maintenance")
    accessible(page)
    page.get_by_role("link", name="Harrow Mill").first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Harrow Mill")
    accessible(page)
    page.get_by_label(re.compile("day", re.IGNORECASE)).last.fill(today.isoformat())
    page.get_by_role("button", name="Propose", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Visit V-")
    accessible(page)
    chosen = page.locator("#id_technician").locator("option", has_text=technician.last_name)
    page.locator("#id_technician").select_option(chosen.get_attribute("value"))
    page.get_by_role("button", name="Save and confirm").click()
    expect(page.locator("main")).to_contain_text("Confirmed")


def _serve(page: Page, accessible, units) -> None:
    """The technician records two units, misses one, counts and closes."""
    expect(page).to_have_url(re.compile(r"/field/$"))
    # On the plain pages, as on a browser without scripts; test_phone.py drives the app.
    page.goto(f"{page.url}plain/")
    accessible(page)
    page.get_by_role("link", name="Harrow Mill").click()
    accessible(page)
    for unit in units[:2]:
        page.get_by_role("link", name=re.compile(unit.number)).first.click()
        accessible(page)
        page.get_by_role("radio", name="Serviced").check()
        # Without the measured value the pass is refused, in words beside the field.
        page.get_by_role("button", name="Save").click()
        expect(page.locator("main")).to_contain_text("gauge pressure")
        page.get_by_label("Gauge pressure", exact=True).fill("195")
        page.get_by_role("radiogroup", name="Gauge pressure: unit").get_by_text("psi", exact=True).click()
        page.get_by_role("button", name="Save").click()
        page.goto(re.sub(r"units/.*", "", page.url))
    page.get_by_role("link", name=re.compile(units[2].number)).first.click()
    page.get_by_role("radio", name="Not found").check()
    page.get_by_role("button", name="Save").click()
    page.goto(re.sub(r"(units|close)/.*", "", page.url) + "close/")
    accessible(page)
    page.get_by_label("Serviced").fill("3")
    page.get_by_label("Not found").fill("0")
    page.locator("input[name=contact_name]").fill("R. Example")
    page.get_by_role("button", name="Close the visit").click()
    expect(page.locator("main")).to_contain_text("do not add up")
    page.get_by_label("Serviced").fill("2")
    page.get_by_label("Not found").fill("1")
    page.get_by_role("button", name="Close the visit").click()
    expect(page.get_by_role("heading", name=re.compile("Certificate C-"))).to_be_visible()
    accessible(page)


def _hand_over(page: Page, accessible, address, certificate, stranger_unit, tmp_path: Path) -> None:
    """The owner sees own premises, downloads the certificate, and anybody can check it."""
    expect(page).to_have_url(re.compile(r"/portal/$"))
    expect(page.locator("main")).to_contain_text("Harrow Mill")
    expect(page.locator("body")).not_to_contain_text("Somebody Else")
    accessible(page)
    with page.expect_download() as download:
        page.get_by_role("link", name=certificate.number).first.click()
    pdf = tmp_path / "certificate.pdf"
    download.value.save_as(pdf)
    certificate = Certificate.objects.select_related("file").get(pk=certificate.pk)
    assert pdf.read_bytes().startswith(b"%PDF")
    assert hashlib.sha256(pdf.read_bytes()).hexdigest() == certificate.file.sha256
    answer = page.goto(f"{address}/portal/units/{stranger_unit.public_id}/")
    assert answer is not None
    assert answer.status == 404

    stranger = page.context.browser.new_context(viewport=PHONE).new_page()  # type: ignore[union-attr]
    stranger.goto(f"{address}/verify/")
    accessible(stranger)
    stranger.get_by_label("Code").fill(certificate.verify_code.lower())
    stranger.get_by_role("button", name="Check").click()
    expect(stranger.get_by_role("heading", level=1)).to_contain_text(certificate.number)
    accessible(stranger)
    expect(stranger.locator("body")).not_to_contain_text("R. Example")
    stranger.get_by_label("PDF of the certificate").set_input_files(pdf)
    stranger.get_by_role("button", name="Compare").click()
    expect(stranger.get_by_role("status")).to_be_visible()
    pdf.write_bytes(pdf.read_bytes().replace(b"%PDF-1", b"%PDF-2", 1))
    stranger.get_by_label("PDF of the certificate").set_input_files(pdf)
    stranger.get_by_role("button", name="Compare").click()
    expect(stranger.get_by_role("status")).to_have_attribute("data-tone", "overdue")
    stranger.context.close()
