"""Who may open the technician's pages, and what they show."""

from __future__ import annotations

import re
from datetime import time, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from inventory.measures.kinds import Agent, Construction
from inventory.register.models import AccessWindow
from schedules.visits.models import Visit
from servicedesk.pages import STANDING_LINE
from tests.factories import (
    NOW,
    TODAY,
    make_location,
    make_model,
    make_site,
    make_unit,
    make_user,
    make_visit,
)
from tests.servicedesk.field.cast import Field, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.either_home]

PAGES = ("home", "round", "unit", "why", "close")


def address(crew: Field, name: str) -> str:
    if name == "home":
        return reverse("field:plain")
    return crew.at(name, crew.units[0] if name in ("unit", "why") else None)


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize(
    ("role", "status"),
    [("technician", 200), ("manager", 403), ("dispatcher", 403), ("workshop", 403), ("owner", 403)],
)
def test_only_the_technician_opens_the_pages(crew: Field, name: str, role: str, status: int) -> None:
    client = crew.client
    if role != "technician":
        client = Client()
        client.force_login(make_user(role, owner=crew.site.owner if role == "owner" else None))
    assert client.get(address(crew, name)).status_code == status


@pytest.mark.parametrize("name", PAGES)
def test_a_stranger_is_asked_to_sign_in_and_comes_back(crew: Field, name: str) -> None:
    response = Client().get(address(crew, name))
    assert response.status_code == 302
    assert response["Location"] == f"{reverse('sign-in')}?next={address(crew, name)}"


@pytest.mark.parametrize("name", ["round", "unit", "why", "close", "closed"])
def test_another_technician_does_not_find_the_visit(crew: Field, name: str) -> None:
    other = Client()
    other.force_login(make_user("technician"))
    url = crew.at(name, crew.units[0] if name in ("unit", "why") else None)
    assert other.get(url).status_code == 404
    assert other.post(url, {}).status_code in (404, 405)
    assert crew.entries() == []


def test_a_draft_of_the_office_is_not_found(crew: Field) -> None:
    Visit.objects.filter(pk=crew.visit.pk).update(state=Visit.State.PROPOSED)
    assert crew.client.get(crew.at("round")).status_code == 404
    assert "No visits for you" in text_of(crew.client.get(reverse("field:plain")))


def test_visits_stand_under_their_day(crew: Field) -> None:
    sites = {}
    for name, days in (("Yesterday hall", -1), ("Day after yard", 2), ("Far off depot", 40)):
        sites[name] = make_visit(
            make_site(crew.site.owner, name=name),
            technician=crew.technician,
            planned_on=TODAY + timedelta(days=days),
        )
    closed = make_visit(
        make_site(crew.site.owner, name="Closed house"), technician=crew.technician, state="proposed"
    )
    Visit.objects.filter(pk=closed.pk).update(
        state="closed", closed_at=NOW, closed_by=crew.technician, done_on=TODAY - timedelta(days=2)
    )
    page = text_of(crew.client.get(reverse("field:plain")))
    found = re.findall(r"<h2[^>]*>(.*?)</h2>|field-card-link\" href=\"[^\"]*\">(.*?)</a>", page)
    assert [heading or card for heading, card in found] == [
        "Still open from earlier days",
        "Yesterday hall",
        "Today",
        "Mill Lane works",
        "Coming days",
        "Day after yard",
        "Closed in the last seven days",
        "Closed house",
    ]
    assert "1 more visit later than the next two weeks" in page
    assert STANDING_LINE in page


def test_a_card_tells_units_hours_and_how_to_get_in(crew: Field) -> None:
    crew.site.access_notes = "Report to the gatehouse."
    crew.site.address_line = "3 Mill Lane"
    crew.site.save()
    AccessWindow.objects.create(
        site=crew.site, weekday=TODAY.weekday(), opens_at=time(7, 30), closes_at=time(16)
    )
    page = text_of(crew.client.get(reverse("field:plain")))
    for expected in (
        "3 units",
        "3 Mill Lane",
        "Open 07:30 to 16:00",
        "Report to the gatehouse.",
        "Confirmed",
    ):
        assert expected in page


def test_a_day_without_hours_is_said(crew: Field) -> None:
    AccessWindow.objects.create(
        site=crew.site, weekday=(TODAY.weekday() + 1) % 7, opens_at=time(8), closes_at=time(16)
    )
    assert "No access hours on this weekday: ring first" in text_of(crew.client.get(reverse("field:plain")))


def numbers_in(page: str) -> list[str]:
    return re.findall(r'data-stop="[^"]* (\d+)"', page)


def test_the_round_is_walked_in_order_and_grouped_by_place(crew: Field) -> None:
    top = make_location(crew.site, number="003", walking_order=3, floor="First")
    extra = make_unit(location=top)
    crew.visit.jobs.create(
        unit=extra, location=top, task="maintenance", table_key="t", table_version="1", rule_id="r"
    )
    page = text_of(crew.client.get(crew.at("round")))
    assert numbers_in(page) == ["001", "002", "003", "010"]
    assert re.findall(r'class="field-place">(.*?)</h2>', page) == [
        "Main, Ground",
        "Main, First",
        "Main, Ground",
    ]
    assert "<strong>0 of 4</strong>" in page
    assert "Next: 001" in page
    assert STANDING_LINE in page


def test_numbers_order_the_walk_as_people_count_where_no_order_is_given(crew: Field) -> None:
    crew.site.locations.update(walking_order=0)
    ten, two, one = crew.units
    for unit, number in ((ten, "10"), (two, "2"), (one, "1")):
        unit.location.number = number
        unit.location.save(update_fields=["number"])
    assert numbers_in(text_of(crew.client.get(crew.at("round")))) == ["1", "2", "10"]


def test_the_round_says_what_is_due_and_the_reasons_come_when_asked(crew: Field) -> None:
    page = text_of(crew.client.get(crew.at("round")))
    assert "Maintenance:" in page
    assert "1 Dec 2026" in page
    assert "29 CFR 1910.157" not in page
    for name in ("why", "unit"):
        reasons = text_of(crew.client.get(crew.at(name, crew.units[0])))
        assert "29 CFR 1910.157" in reasons
        assert "2025-12-01 + 1 year = 2026-12-01" in reasons
        assert STANDING_LINE in reasons


def test_progress_counts_units_with_a_result(crew: Field) -> None:
    crew.save(crew.units[0], "not_found")
    page = text_of(crew.client.get(crew.at("round")))
    assert "<strong>1 of 3</strong>" in page
    assert '<progress value="1" max="3"' in page
    assert "Not found" in page


@pytest.mark.parametrize("typed", ["002", "2", "{number}", "{serial}"])
def test_find_goes_straight_to_the_one_unit_meant(crew: Field, typed: str) -> None:
    unit = crew.units[1]
    typed = typed.format(number=unit.number, serial=unit.serial)
    response = crew.client.get(crew.at("round"), {"find": typed})
    assert response.status_code == 302
    assert response["Location"] == crew.at("unit", unit)


def test_find_looks_through_the_whole_site(crew: Field) -> None:
    place = make_location(crew.site, number="500")
    beyond = make_unit(location=place)
    response = crew.client.get(crew.at("round"), {"find": "500"})
    assert response["Location"] == crew.at("unit", beyond)
    assert "Not on the list of this visit" in text_of(crew.client.get(crew.at("unit", beyond)))


def test_find_says_plainly_what_is_not_here_and_tells_nothing_of_other_sites(crew: Field) -> None:
    elsewhere = make_unit(make_site())
    page = text_of(crew.client.get(crew.at("round"), {"find": elsewhere.number}))
    assert f"“{elsewhere.number}” is not on the register of this site." in page
    assert numbers_in(page) == []


def test_find_escapes_what_was_typed(crew: Field) -> None:
    page = text_of(crew.client.get(crew.at("round"), {"find": "<script>alert(1)</script>"}))
    assert "<script>alert(1)" not in page


def test_cautions_fit_the_kinds_on_the_round(crew: Field) -> None:
    horn = "never hold the horn"
    assert horn not in text_of(crew.client.get(crew.at("round")))
    gas = make_model(
        agent=Agent.CARBON_DIOXIDE.value, construction=Construction.SELF_EXPELLING.value, charge_text="5 kg"
    )
    unit = make_unit(crew.site, model=gas)
    crew.visit.jobs.create(
        unit=unit, location=unit.location, task="maintenance", table_key="t", table_version="1", rule_id="r"
    )
    page = text_of(crew.client.get(crew.at("round")))
    assert horn in page
    assert "Cautions for carbon dioxide, pressurised parts and lone work" in page
    assert "Local law, the maker's manual and licensed practice come first." in page


def test_the_first_unit_of_a_kind_shows_its_caution_and_the_second_keeps_it_folded(crew: Field) -> None:
    first, second = crew.units[2], crew.units[1]
    opened = '</details>\n<aside class="notice" data-tone="soon" aria-label="Caution">'
    assert opened in text_of(crew.client.get(crew.at("unit", first)))
    crew.save(first)
    page = text_of(crew.client.get(crew.at("unit", second)))
    assert opened not in page
    assert "Under pressure until proved empty twice" in page


def add_units(crew: Field, number: int) -> None:
    for _ in range(number):
        unit = make_unit(crew.site)
        crew.visit.jobs.create(
            unit=unit,
            location=unit.location,
            task="maintenance",
            table_key="t",
            table_version="1",
            rule_id="r",
        )


def add_visits(crew: Field, number: int) -> None:
    for _ in range(number):
        site = make_site(crew.site.owner)
        AccessWindow.objects.create(site=site, weekday=0, opens_at=time(8), closes_at=time(16))
        make_visit(site, [make_unit(site)], technician=crew.technician)


# Each begins with the session, the user and, for a technician, the sites in scope.
HOME_QUERIES = 5  # visits with their counts; access hours
ROUND_QUERIES = 9  # visit; jobs; entries; obligations; access hours of the day; what is agreed
UNIT_QUERIES = 18  # visit; unit; job; entry; dates; habit; models; list (2); reasons (5); first of kind
CLOSE_QUERIES = 7  # visit; jobs; entries; obligations


@pytest.mark.parametrize("more", [0, 2])
def test_home_asks_the_same_for_any_number_of_visits(
    crew: Field, django_assert_num_queries: Any, more: int
) -> None:
    add_visits(crew, more)
    with django_assert_num_queries(HOME_QUERIES):
        crew.client.get(reverse("field:plain"))


@pytest.mark.parametrize("more", [0, 2])
@pytest.mark.parametrize(
    ("name", "number"), [("round", ROUND_QUERIES), ("unit", UNIT_QUERIES), ("close", CLOSE_QUERIES)]
)
def test_a_page_of_the_visit_asks_the_same_for_any_number_of_units(
    crew: Field, django_assert_num_queries: Any, name: str, number: int, more: int
) -> None:
    add_units(crew, more)
    crew.save(crew.units[0])
    with django_assert_num_queries(number):
        crew.client.get(address(crew, name))


def test_a_survey_says_to_open_the_app_and_has_no_form(crew: Field) -> None:
    Visit.objects.filter(pk=crew.visit.pk).update(kind=Visit.Kind.SURVEY)
    crew.visit.jobs.all().delete()
    home = text_of(crew.client.get(reverse("field:plain")))
    assert "Survey: open the app" in home
    assert "0 units" not in home
    page = text_of(crew.client.get(crew.at("round")))
    assert "Survey: open the app" in page
    assert reverse("field:home") in page
    assert "0 of 0" not in page
    assert "The list of this visit is empty" not in page
    for name in ("unit", "close"):
        sent = crew.client.get(crew.at(name, crew.units[0] if name == "unit" else None), follow=True)
        assert sent.redirect_chain == [(crew.at("round"), 302)]
    assert crew.close().headers["Location"] == crew.at("round")
    told = text_of(crew.client.get(crew.save(crew.units[0]).headers["Location"]))
    assert "is recorded on a service visit." in told
    assert crew.entries() == []


def test_a_closed_survey_promises_no_certificate(crew: Field) -> None:
    Visit.objects.filter(pk=crew.visit.pk).update(
        kind=Visit.Kind.SURVEY,
        state=Visit.State.CLOSED,
        done_on=TODAY,
        closed_at=NOW,
        closed_by=crew.technician,
        contact_name="R. Okafor",
    )
    page = text_of(crew.client.get(crew.at("closed"), follow=True))
    assert "What was read is with the office; a survey has no certificate." in page
    assert "Certificate and what remains due" not in page
