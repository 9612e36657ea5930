"""The owner's pages: who opens them, what they show, and that nothing of another owner is there."""

from __future__ import annotations

import io
import re
from datetime import date, timedelta
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader

from inventory.logbook.models import Defect
from inventory.logbook.services import correct_record
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from schedules.certificates.services import pdf_bytes, withdraw_certificate
from schedules.rulebook.services import confirm_table
from schedules.visits.models import Visit
from servicedesk.pages import STANDING_LINE
from servicedesk.portal import views
from tests.factories import (
    NOW,
    TODAY,
    make_location,
    make_record,
    make_site,
    make_unit,
    make_user,
    make_visit,
)
from tests.servicedesk.portal.cast import Premises, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.either_home]

PAGES = (
    *("home", "site", "register", "unit", "certificates", "looks", "site-looks", "look", "report", "visits"),
    *("figures", "papers", "quotations", "terms", "export"),
)


def address(premises: Premises, name: str) -> str:
    args = {
        "site": [premises.site.public_id],
        "register": [premises.site.public_id],
        "site-looks": [premises.site.public_id],
        "unit": [premises.unit.public_id],
        "look": [premises.unit.public_id],
        "report": [premises.unit.public_id],
    }
    return reverse(f"portal:{name}", args=args.get(name, []))


# --- who ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "status"),
    [("owner", 200), ("manager", 403), ("dispatcher", 403), ("technician", 403), ("workshop", 403)],
)
def test_only_an_owner_opens_the_pages(own: Premises, role: str, status: int) -> None:
    client = Client()
    client.force_login(make_user(role, owner=own.owner if role == "owner" else None))
    assert {name: client.get(address(own, name)).status_code for name in PAGES} == dict.fromkeys(
        PAGES, status
    )


def test_a_stranger_is_asked_to_sign_in_and_comes_back(own: Premises) -> None:
    for name in PAGES:
        response = Client().get(address(own, name))
        assert response.status_code == 302, name
        assert response["Location"] == f"{reverse('sign-in')}?next={address(own, name)}"


@pytest.mark.parametrize("name", ["site", "register", "unit", "site-looks", "look", "report"])
def test_another_owners_pages_are_not_found(own: Premises, strange: Premises, name: str) -> None:
    assert own.client.get(address(strange, name)).status_code == 404
    assert strange.client.get(address(strange, name)).status_code == 200


def test_lists_and_searches_hold_nothing_of_another_owner(own: Premises, strange: Premises) -> None:
    paper = strange.serve(strange.unit)
    make_visit(strange.site, planned_on=TODAY + timedelta(days=3), number="V-STRANGE")
    secret = (
        strange.site.name,
        strange.site.code,
        strange.unit.number,
        paper.number,
        "V-STRANGE",
        "Pike Foundry",
    )
    pages = [
        own.get("home"),
        own.get("home", q=strange.site.name[:4]),
        own.get("home", q=strange.unit.number),
        own.get("site", own.site.public_id),
        own.get("certificates"),
        own.get("certificates", q=paper.number[:3]),
        own.get("certificates", site=str(strange.site.public_id)),
    ]
    for response in pages:
        # What was typed comes back in the search field, and only there.
        page = re.sub(r'<input[^>]*type="search"[^>]*>', "", text_of(response))
        assert [word for word in secret if word in page] == []


def test_a_sign_in_without_an_owner_sees_empty_lists(own: Premises) -> None:
    client = Client()
    client.force_login(make_user("owner"))
    assert "No sites yet" in text_of(client.get(reverse("portal:home")))
    assert "No certificates yet" in text_of(client.get(reverse("portal:certificates")))
    assert client.get(address(own, "site")).status_code == 404


# --- all sites at a glance ------------------------------------------------------------------------


def sites_in(page: str) -> list[str]:
    return re.findall(r'<th scope="row"><a[^>]*>(.*?)</a>', page)


def test_sites_stand_worst_first_with_their_counts(own: Premises) -> None:
    late = make_site(own.owner, name="A late place")
    make_unit(late, made=Stamp.of(2020, 1))
    lost = make_site(own.owner, name="Z lost place")
    make_unit(lost, state=Unit.State.NOT_FOUND)
    page = text_of(own.get("home"))
    assert sites_in(page) == ["A late place", "Z lost place", "Mill Lane works"]
    assert "2 of 3 units want attention" in page
    figures = re.findall(r'figure-value">(\d+)</span>.*?</svg>(.*?)</span>', page, re.S)
    assert [(word, int(n)) for n, word in figures] == [
        ("Overdue", 1),
        ("Not in order", 1),
        ("Unknown", 0),
        ("Due", 1),
        ("Away", 0),
        ("In date", 0),
    ]
    assert "Interval tables are defaults to confirm against local code" in page


def test_all_is_well_is_said_with_care(own: Premises) -> None:
    page = text_of(own.get("home"))
    assert "Nothing is overdue" in page
    assert "Whether a unit works can only be seen on it." in page


@pytest.mark.parametrize("typed", ["Mill", "{code}", "Port Cal"])
def test_a_site_is_found_by_name_code_or_town(own: Premises, typed: str) -> None:
    make_site(own.owner, name="Other place", city="Elsewhere")
    page = text_of(own.get("home", q=typed.format(code=own.site.code)))
    assert sites_in(page) == ["Mill Lane works"]


@pytest.mark.parametrize("typed", ["{number}", "{serial}"])
def test_a_unit_is_found_by_number_or_serial(own: Premises, typed: str) -> None:
    page = text_of(own.get("home", q=typed.format(number=own.unit.number, serial=own.unit.serial)))
    assert reverse("portal:unit", args=[own.unit.public_id]) in page


def test_nothing_found_is_said(own: Premises) -> None:
    assert "Nothing found" in text_of(own.get("home", q="zebra"))


def test_only_confirmed_visits_to_come_are_shown(own: Premises) -> None:
    day = TODAY + timedelta(days=5)
    for state, number in (
        (Visit.State.CONFIRMED, "V-100001"),
        (Visit.State.PROPOSED, "V-100002"),
        (Visit.State.CANCELLED, "V-100003"),
    ):
        make_visit(own.site, state=state, planned_on=day, number=number, confirmed_at=NOW)
    make_visit(own.site, planned_on=TODAY - timedelta(days=9), number="V-100004")
    page = text_of(own.get("site", own.site.public_id))
    assert re.findall(r"V-10000\d", page) == ["V-100001"]
    assert text_of(own.get("home")).count('<time datetime="2026-11-30">') == 1


def test_sites_come_in_pages(own: Premises, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(views, "SITES_PER_PAGE", 2)
    for n in range(2):
        make_site(own.owner, name=f"Annex {n}")
    assert len(sites_in(text_of(own.get("home")))) == 2
    assert len(sites_in(text_of(own.get("home", page="2")))) == 1


# --- one site -------------------------------------------------------------------------------------


def test_a_site_shows_units_by_place_with_their_next_date(own: Premises) -> None:
    later = make_location(own.site, number="010", walking_order=10, description="by the boiler")
    unit = make_unit(location=later, made=Stamp.of(2020, 1))
    page = text_of(own.get("site", own.site.public_id))
    assert sites_in(page) == ["001", "010"]
    assert "by the boiler" in page
    assert f"{unit.number} · serial {unit.serial}" in page
    assert '<time datetime="2026-12-01">1 Dec 2026</time>' in page
    assert STANDING_LINE in page


def test_a_site_names_its_tables_and_whether_anybody_confirmed_them(own: Premises) -> None:
    page = text_of(own.get("site", own.site.public_id))
    assert "These dates rest on a table that is <strong>unconfirmed</strong>" in page
    confirm_table(
        "us-osha-1910-157",
        "2026-1",
        by=make_user("manager", first_name="Mara", last_name="Kell"),
        name="Mara Kell",
        local_code="City fire code 2024",
        at=NOW,
    )
    page = text_of(own.get("site", own.site.public_id))
    assert "confirmed by Mara Kell" in page
    assert "unconfirmed</strong>" not in page


def test_a_site_without_a_table_says_so(own: Premises) -> None:
    bare = make_site(own.owner, tables=())
    make_unit(bare)
    page = text_of(own.get("site", bare.public_id))
    assert "No interval table is in use here." in page
    assert "Unknown" in page


@pytest.mark.parametrize(
    ("query", "places"),
    [
        ({"class": "overdue"}, ["010"]),
        ({"class": "due"}, ["001"]),
        ({"class": "away"}, []),
        ({"q": "boiler"}, ["010"]),
        ({"q": "001"}, ["001"]),
        ({"class": "no such thing"}, ["001", "010"]),
    ],
)
def test_units_of_a_site_are_narrowed(own: Premises, query: dict[str, str], places: list[str]) -> None:
    later = make_location(own.site, number="010", walking_order=10, description="by the boiler")
    make_unit(location=later, made=Stamp.of(2020, 1), number="U-TWO", serial="SN-TWO")
    page = text_of(own.get("site", own.site.public_id, **query))
    assert sites_in(page) == places
    assert ("No unit fits" in page) is (not places)


def test_units_of_a_site_come_in_pages(own: Premises, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(views, "UNITS_PER_PAGE", 2)
    for _ in range(2):
        make_unit(own.site)
    assert len(sites_in(text_of(own.get("site", own.site.public_id)))) == 2
    assert len(sites_in(text_of(own.get("site", own.site.public_id, page="2")))) == 1


# --- one unit -------------------------------------------------------------------------------------


def test_a_unit_shows_facts_dates_with_why_and_history(own: Premises) -> None:
    own.serve(own.unit)
    page = text_of(own.get("unit", own.unit.public_id))
    for expected in (
        "Mar 2025",
        "29 CFR 1910.157",
        "Maintenance: passed",
        "Gauge pressure 195 psi",
        "Ines Rowntree",
        "25 Nov 2026",
        "1 Dec 2025",
        STANDING_LINE,
        "unconfirmed",
    ):
        assert expected in page


def test_the_monthly_look_of_the_owners_people_is_not_called_overdue(own: Premises) -> None:
    page = text_of(own.get("unit", own.unit.public_id))
    look = page.split("Visual inspection</h3>")[1].split("</li>")[0]
    assert "By your own people" in look
    assert "Overdue" not in look
    assert "no state is shown" in look


def test_a_corrected_record_stays_readable_beside_its_correction(own: Premises) -> None:
    record = make_record(own.unit, done=Stamp.of(2026, 6, 1), remarks="Wrong unit")
    correct_record(record, reason="Another unit was meant", by=make_user("manager"), at=NOW, outcome="void")
    page = text_of(own.get("unit", own.unit.public_id))
    assert "event-corrected" in page
    assert "Wrong unit" in page
    assert "corrects an earlier record: <bdi>Another unit was meant" in page


def test_records_made_at_another_owners_site_stay_there(own: Premises, strange: Premises) -> None:
    """A loaner hung elsewhere before; what was found there is not this owner's business."""
    loaner = make_unit(strange.site)
    make_record(loaner, done=Stamp.of(2024, 5, 5), remarks="Seen at the foundry")
    Unit.objects.filter(pk=loaner.pk).update(site=own.site, location=own.unit.location)
    page = text_of(own.get("unit", loaner.public_id))
    assert "Seen at the foundry" not in page
    assert strange.site.name not in page


# --- certificates ---------------------------------------------------------------------------------


def numbers_in(page: str) -> list[str]:
    return re.findall(r"</svg>\s+(C-\d{4}-\d{6})</a>", page)


def test_certificates_are_found_by_number_site_and_period(own: Premises) -> None:
    first = own.serve(own.unit)
    other = make_site(own.owner, name="Annex")
    unit = make_unit(other)
    second = Premises(own.owner, other, unit, own.client).serve(unit)
    everything = [second.number, first.number]
    assert numbers_in(text_of(own.get("certificates"))) == everything
    assert numbers_in(text_of(own.get("certificates", q=first.number[4:]))) == [first.number]
    assert numbers_in(text_of(own.get("certificates", q="annex"))) == [second.number]
    assert numbers_in(text_of(own.get("certificates", site=str(own.site.public_id)))) == [first.number]
    assert numbers_in(text_of(own.get("certificates", since="2026-11-25", until="2026-11-25"))) == everything
    page = text_of(own.get("certificates", since="2026-11-26"))
    assert numbers_in(page) == []
    assert "No certificate fits" in page


@pytest.mark.parametrize(
    ("query", "sentence"),
    [
        ({"since": "2026-02-31"}, "Enter a day that exists, for instance 2026-03-31."),
        (
            {"since": "2026-03-01", "until": "2026-02-01"},
            "The last day lies before the first. Exchange the two.",
        ),
        ({"site": "not-a-site"}, "is not a valid UUID"),
    ],
)
def test_a_filter_that_cannot_be_is_said_and_shows_nothing(
    own: Premises, query: dict[str, str], sentence: str
) -> None:
    own.serve(own.unit)
    response = own.get("certificates", **query)
    assert response.status_code == 400
    assert sentence in text_of(response)
    assert numbers_in(text_of(response)) == []


def test_a_certificate_comes_as_a_file_named_by_its_number(own: Premises) -> None:
    paper = own.serve(own.unit)
    response = own.get("certificate", paper.public_id)
    assert response["Content-Type"] == "application/pdf"
    assert response["Content-Disposition"] == f'attachment; filename="{paper.number}.pdf"'
    assert "no-store" in response["Cache-Control"]
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(response.content)).pages)
    assert paper.number in text
    assert "Harrow Mills" in text


def test_another_owners_file_is_not_found(own: Premises, strange: Premises) -> None:
    paper = strange.serve(strange.unit)
    assert own.get("certificate", paper.public_id).status_code == 404
    assert own.client.get(reverse("field:certificate", args=[paper.public_id])).status_code == 404
    assert strange.get("certificate", paper.public_id).status_code == 200


def test_a_file_that_was_altered_is_not_handed_out(own: Premises) -> None:
    paper = own.serve(own.unit)
    pdf_bytes(paper)
    paper.refresh_from_db()
    with default_storage.open(paper.file.pdf.name, "ab") as stored:
        stored.write(b"%")
    response = own.get("certificate", paper.public_id)
    assert response.status_code == 500
    assert "This paper is not handed out" in text_of(response)
    assert paper.number in text_of(response)


def test_a_withdrawn_certificate_says_so(own: Premises) -> None:
    paper = own.serve(own.unit)
    withdraw_certificate(paper, "Wrong site on the paper", by=make_user("manager"), now=NOW)
    page = text_of(own.get("certificates"))
    assert "Withdrawn" in page
    assert "Wrong site on the paper" in page
    assert "Stands" not in page
    assert "Withdrawn" in text_of(own.get("home"))


def test_each_certificate_leads_to_the_public_check(own: Premises) -> None:
    own.serve(own.unit)
    page = text_of(own.get("certificates"))
    link = re.search(r'href="(/verify/[0-9A-Z-]+/)"', page)
    assert link is not None
    assert Client().get(link[1]).status_code == 200


def test_certificates_come_in_pages(own: Premises, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(views, "CERTIFICATES_PER_PAGE", 1)
    papers = [own.serve(own.unit), own.serve(make_unit(own.site))]
    page = text_of(own.get("certificates", q="C-"))
    assert numbers_in(page) == [papers[1].number]
    assert "q=C-&amp;page=2" in page
    assert numbers_in(text_of(own.get("certificates", page="2"))) == [papers[0].number]


# --- how much is asked of the database ------------------------------------------------------------

# Each begins with session, user and the person's owners.
HOME_QUERIES = 12  # sites; states; units; tallies; dates of units elsewhere; defects; loans; visits; papers
SITE_QUERIES = (
    17  # site; end of service; units; dates; tables (5); defects; visits (2); certificates; count and page
)
UNIT_QUERIES = 21  # unit; dates; tables (4); reasons (4); records, readings, those not shown; places; recalls
CERTIFICATES_QUERIES = 6  # the sites to choose from; count; page


def grow(own: Premises, number: int) -> None:
    for n in range(number):
        site = make_site(own.owner)
        unit = make_unit(site)
        Premises(own.owner, site, unit, own.client).serve(unit)
        make_visit(site, planned_on=TODAY + timedelta(days=n + 1))
        make_unit(own.site)
        own.serve(make_unit(own.site))
        make_visit(own.site, planned_on=TODAY + timedelta(days=n + 2))
        make_record(own.unit, done=Stamp.on(date(2024, n + 1, 1)))


@pytest.mark.parametrize("more", [0, 2])
@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("home", HOME_QUERIES),
        ("site", SITE_QUERIES),
        ("unit", UNIT_QUERIES),
        ("certificates", CERTIFICATES_QUERIES),
    ],
)
def test_a_page_asks_the_same_for_any_number_of_rows(
    own: Premises, django_assert_num_queries: Any, name: str, number: int, more: int
) -> None:
    own.serve(own.unit)
    make_visit(own.site, planned_on=TODAY)
    grow(own, more)
    with django_assert_num_queries(number):
        assert own.client.get(address(own, name)).status_code == 200


def test_an_owner_sees_open_defects_of_own_sites_only(own: Premises) -> None:
    found = {"unit": own.unit, "code": "pin", "severity": "critical", "opened_on": TODAY, "opened_at": NOW}
    Defect.objects.create(site=own.site, **found)
    Defect.objects.create(site=own.site, **(found | {"code": "dent", "settled_at": NOW, "settled_how": "Ok"}))
    text = own.client.get(reverse("portal:site", args=[own.site.public_id])).content.decode()
    assert "Pin missing or stuck" in text
    assert "Dent" not in text


# --- what is away and what is wrong -------------------------------------------------------------------


def test_a_unit_away_is_named_with_what_hangs_in_its_place(own: Premises) -> None:
    from inventory.register.places import Loan

    place = own.unit.location
    assert place is not None
    Unit.objects.filter(pk=own.unit.pk).update(state=Unit.State.IN_WORKSHOP, location=None)
    text = text_of(own.get("site", own.site.public_id))
    away = text.split("Away, and what covers it")[1].split("</table>")[0]
    assert own.unit.number in away
    assert ">Nothing<" in away.replace("</svg>Nothing", ">Nothing")
    loaner = make_unit(own.site, location=place, state=Unit.State.LOANER_OUT, is_loaner=True, number="L-77")
    Loan.objects.create(loaner=loaner, location=place, in_place_of=own.unit, out_on=TODAY)
    away = text_of(own.get("site", own.site.public_id)).split("Away, and what")[1].split("</table>")[0]
    assert "L-77" in away
    assert "on loan since 25 Nov 2026" in away
    assert "1 away, 1 loaner in place" in " ".join(text_of(own.get("home")).split())


def test_open_defects_stand_on_the_first_page_and_with_the_unit(own: Premises) -> None:
    from uuid import uuid4

    from inventory.logbook.defects import NewDefect, state_defect

    new = NewDefect(uuid4(), "seal_broken")
    state_defect(new, site_id=own.site.pk, unit_id=own.unit.pk, on=TODAY, at=NOW, by=None)
    assert "1 open defect ·" in text_of(own.get("home"))
    assert "Seal broken or missing" in text_of(own.get("unit", own.unit.public_id))
