"""The list of sites, one site, and proposing a visit from it."""

from __future__ import annotations

from datetime import date, time
from typing import Any

import pytest
from pytest_django.fixtures import DjangoAssertNumQueries

from inventory.measures.stamps import Stamp
from inventory.register.models import AccessWindow, Site, Unit
from inventory.register.services import set_state, take_down_unit
from schedules.due.queries import Status
from schedules.visits.models import Visit
from servicedesk.desk.sites import hours_of, verdict_of
from servicedesk.pages import STANDING_LINE
from tests.factories import TODAY, make_location, make_owner, make_site, make_unit, make_visit
from tests.servicedesk.page_cast import Cast, make_overdue_unit, make_serviced_unit, text_of

pytestmark = pytest.mark.django_db


def names(answer: Any) -> list[str]:
    return [line["site"].name for line in answer.context["lines"]]


def test_each_site_tells_its_units_and_how_it_stands(cast: Cast) -> None:
    make_overdue_unit(cast.site)
    answer = cast.get("dispatcher", "desk:sites")
    mill, quay = answer.context["lines"]
    assert (mill["site"].name, mill["units"], mill["overdue"], mill["chip"]["tone"]) == (
        "Mill Lane works",
        2,
        1,
        "overdue",
    )
    assert (quay["units"], quay["overdue"], quay["chip"]["tone"]) == (1, 0, "ok")
    assert STANDING_LINE in text_of(answer)


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({"q": "mill"}, ["Mill Lane works"]),
        ({"q": "ML-01"}, ["Mill Lane works"]),
        ({"q": "pike"}, ["Quay Street foundry"]),
        ({"q": "port calder"}, ["Mill Lane works", "Quay Street foundry"]),
        ({"q": "mill pike"}, []),
        ({"status": "overdue"}, ["Mill Lane works"]),
        ({"status": "unknown"}, ["Quay Street foundry"]),
        ({"status": "due"}, []),
    ],
)
def test_the_list_is_searched_and_filtered(cast: Cast, query: dict[str, str], found: list[str]) -> None:
    make_overdue_unit(cast.site)
    make_unit(location=make_location(cast.other_site), made=Stamp.unknown())
    assert names(cast.get("dispatcher", "desk:sites", **query)) == found


@pytest.mark.parametrize("count", [1, 3])
def test_the_list_costs_the_same_queries_however_long(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    owner = make_owner(name="Zinc Yard")
    for _ in range(count):
        make_serviced_unit(make_site(owner))
    client = cast.client("dispatcher")
    # session, user; depots; number of sites, sites; time zones, standings; units; saved filters, depots to
    # give, last act
    with django_assert_num_queries(11):
        answer = client.get("/desk/sites/", {"q": "zinc"})
    assert len(names(answer)) == count


def test_a_filter_that_cannot_be_shows_nothing(cast: Cast) -> None:
    answer = cast.get("dispatcher", "desk:sites", status="fine")
    assert (answer.status_code, names(answer)) == (400, [])


def test_a_site_shows_its_facts_tables_units_and_what_is_due(cast: Cast) -> None:
    site = cast.site
    Site.objects.filter(pk=site.pk).update(address_line="12 Mill Lane", access_notes="Ask at the gate")
    for weekday in range(5):
        AccessWindow.objects.create(site=site, weekday=weekday, opens_at=time(8), closes_at=time(17))
    late = make_overdue_unit(site, number="U-300001")
    answer = cast.get("dispatcher", "desk:site", site.public_id)
    page = text_of(answer)
    for expected in (
        "12 Mill Lane, Port Calder, US",
        "Ask at the gate",
        "Monday to Friday",
        "08:00–17:00",
        "America/Chicago",
        "United States workplaces",
        "unconfirmed",
        "1 task overdue",
        "V-100001",
        STANDING_LINE,
    ):
        assert expected in page
    assert "Quay Street" not in page
    assert [line["owed"].unit for line in answer.context["due"]] == [late]
    shown = [line["unit"].number for place in answer.context["places"] for line in place["units"]]
    assert shown == ["U-100001", "U-300001"]
    # The owner's people have not recorded their monthly look.
    assert answer.context["owners_look"]["count"] == 2


@pytest.mark.parametrize("count", [1, 3])
def test_a_site_costs_the_same_queries_however_many_units(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    site = make_site()
    units = [make_overdue_unit(site) for _ in range(count)]
    make_visit(site, units, technician=cast.people["technician"])
    client = cast.client("dispatcher")
    # session, user; site; confirmations; time zones and counts; hours; adoptions, variations, owner;
    # units, time zones and standings; visits and loads; certificates; time zones and due rows;
    # time zones and the owners' look; defects; whether it is part of another, sites that became part of it;
    # what is agreed, calls for the end of service
    with django_assert_num_queries(26):
        answer = client.get(f"/desk/sites/{site.public_id}/")
    assert sum(len(place["units"]) for place in answer.context["places"]) == count


def test_units_are_shown_by_place_and_those_taken_down_last(cast: Cast) -> None:
    site = make_site()
    first = make_unit(location=make_location(site, building="Annex", floor="1", walking_order=1))
    second = make_unit(location=make_location(site, building="Main", floor="0", walking_order=2))
    away = make_unit(location=make_location(site, walking_order=0))
    take_down_unit(away, on=TODAY, to_state=Unit.State.IN_WORKSHOP, keep_site=True)
    answer = cast.get("dispatcher", "desk:site", site.public_id)
    assert [
        (place["name"], [line["unit"] for line in place["units"]]) for place in answer.context["places"]
    ] == [
        ("Annex, 1", [first]),
        ("Main, 0", [second]),
        ("Not in its place", [away]),
    ]
    assert "In the workshop" in text_of(answer)


def counts(**given: int) -> dict[Status, int]:
    return {status: given.get(status.value, 0) for status in Status}


@pytest.mark.parametrize(
    ("given", "tone", "text", "under"),
    [
        ({"overdue": 2, "due": 1}, "overdue", "2 tasks overdue", "Also 1 task due."),
        ({"unknown": 1, "uncovered": 3}, "unknown", "1 task of unknown date", "Also 3 tasks without a rule."),
        ({"due": 4, "in_date": 9}, "soon", "4 tasks due", ""),
        ({"in_date": 9}, "ok", "Nothing to be done for now", ""),
        ({}, "unknown", "Nothing is demanded here", "No unit is on duty, or no interval table is adopted."),
    ],
)
def test_one_sentence_says_how_a_site_stands(given: dict[str, int], tone: str, text: str, under: str) -> None:
    verdict = verdict_of(counts(**given), [])
    assert (verdict.tone, verdict.text, verdict.under) == (tone, text, under)


def test_a_site_with_a_failed_unit_is_not_fine_though_every_date_is(cast: Cast) -> None:
    set_state(cast.unit, Unit.State.AWAITING_RECHARGE)
    page = text_of(cast.get("dispatcher", "desk:site", cast.site.public_id))
    assert "1 unit used or failed" in page
    assert "Nothing to be done for now" not in page


def test_days_with_the_same_hours_share_a_line() -> None:
    windows = [
        AccessWindow(weekday=day, opens_at=time(8), closes_at=time(12 if day == 5 else 17))
        for day in (0, 1, 2, 4, 5)
    ]
    assert hours_of(windows) == [
        {"days": "Monday to Wednesday", "hours": "08:00–17:00"},
        {"days": "Friday", "hours": "08:00–17:00"},
        {"days": "Saturday", "hours": "08:00–12:00"},
    ]


# --- proposing -------------------------------------------------------------------------------------


def test_a_visit_is_proposed_and_opened(cast: Cast) -> None:
    make_overdue_unit(cast.site)
    answer = cast.post("dispatcher", "desk:site", cast.site.public_id, horizon_days="30")
    visit = Visit.objects.get(state=Visit.State.PROPOSED)
    assert answer.headers["Location"] == f"/desk/visits/{visit.public_id}/"
    # Overdue: the first working day from tomorrow, which is Thanksgiving and kept free.
    assert visit.planned_on == date(2026, 11, 27)


def test_the_day_of_a_proposal_can_be_chosen(cast: Cast) -> None:
    make_overdue_unit(cast.site)
    cast.post("dispatcher", "desk:site", cast.site.public_id, horizon_days="30", planned_on="2026-12-10")
    assert Visit.objects.get(state=Visit.State.PROPOSED).planned_on == date(2026, 12, 10)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({"horizon_days": "30"}, "Nothing that is not already on an open visit falls due here"),
        (
            {"horizon_days": "400", "planned_on": "2026-11-24"},
            "2026-11-24 has passed at Quay Street foundry.",
        ),
        ({"horizon_days": "400", "planned_on": "31.02.2026"}, "Enter a day like 2026-11-30."),
        ({"horizon_days": "-1"}, "Enter a number of days from 0 to 731."),
        ({"horizon_days": "many"}, "Enter a whole number of days."),
        ({}, "This field is required."),
    ],
)
def test_a_proposal_that_cannot_be_says_why_and_makes_nothing(
    cast: Cast, data: dict[str, str], said: str
) -> None:
    answer = cast.post("dispatcher", "desk:site", cast.other_site.public_id, **data)
    assert answer.status_code == 400
    assert said in text_of(answer)
    assert not Visit.objects.filter(site=cast.other_site).exists()
