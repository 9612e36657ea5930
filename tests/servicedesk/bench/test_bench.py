"""The workshop's page: what waits, since when, and what must be tested before it is charged."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from pytest_django.fixtures import DjangoAssertNumQueries

from inventory.measures.kinds import Agent, Construction, Shell, Task
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from inventory.register.services import set_state, take_down_unit
from schedules.due.services import refresh_units
from servicedesk.pages import STANDING_LINE
from tests.factories import NOW, make_location, make_model, make_record, make_site, make_unit, make_user
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db

CAUTION = "A unit past its test date, or of unknown test date, must not be charged before it has been tested."


def make_away(
    site: Any, *, made: Stamp, on: date, state: str = Unit.State.IN_WORKSHOP, **fields: Any
) -> Unit:
    """A carbon dioxide unit taken away on a day; Table L-1 tests it every 5 years."""
    model = fields.pop("model", None) or make_model(
        agent=Agent.CARBON_DIOXIDE.value,
        construction=Construction.SELF_EXPELLING.value,
        shell=Shell.ALLOY_STEEL_SEAMLESS.value,
    )
    location = make_location(site)
    unit = make_unit(location=location, made=made, model=model, refresh=False, **fields)
    make_record(
        unit, task=Task.MAINTENANCE, done=Stamp.on(on), outcome="removed", remarks="Needle low", refresh=False
    )
    if state == Unit.State.IN_WORKSHOP:
        take_down_unit(unit, on=on, to_state=state, keep_site=True)
    else:
        set_state(unit, state)
    refresh_units([unit.pk], now=NOW)
    return unit


def lines(answer: Any) -> dict[str, Any]:
    return {line.unit.number: line for group in answer.context["sites"] for line in group["units"]}


@pytest.fixture
def away(cast: Cast) -> Cast:
    """One unit past its test, one in date, one of unknown manufacture, at two sites."""
    make_away(cast.site, made=Stamp.of(2020, 3), on=date(2026, 11, 20), number="U-PAST")
    make_away(
        cast.site,
        made=Stamp.of(2025, 3),
        on=date(2026, 11, 1),
        number="U-FINE",
        state=Unit.State.AWAITING_RECHARGE,
    )
    make_away(cast.other_site, made=Stamp.unknown(), on=date(2026, 11, 24), number="U-UNKNOWN")
    return cast


@pytest.mark.parametrize(
    ("role", "status"),
    [("workshop", 200), ("manager", 200), ("dispatcher", 200), ("technician", 403), ("owner", 403)],
)
def test_the_page_opens_for_its_roles_only(away: Cast, role: str, status: int) -> None:
    assert away.get(role, "bench:waiting").status_code == status


def test_units_are_listed_by_site_with_the_day_and_what_came_of_it(away: Cast) -> None:
    answer = away.get("workshop", "bench:waiting")
    page = text_of(answer)
    assert [(group["site"].name, len(group["units"])) for group in answer.context["sites"]] == [
        ("Mill Lane works", 2),
        ("Quay Street foundry", 1),
    ]
    found = lines(answer)
    assert (found["U-PAST"].days, found["U-FINE"].days) == (5, 24)
    # Longest away first.
    assert [line.unit.number for line in answer.context["sites"][0]["units"]] == ["U-FINE", "U-PAST"]
    for expected in (
        "20 Nov 2026",
        "5 days",
        "Maintenance: taken away",
        "Needle low",
        CAUTION,
        STANDING_LINE,
    ):
        assert expected in page, expected


def test_units_on_duty_are_not_listed(away: Cast) -> None:
    assert set(lines(away.get("workshop", "bench:waiting"))) == {"U-PAST", "U-FINE", "U-UNKNOWN"}


def test_a_unit_past_its_test_or_of_unknown_date_is_to_be_tested_before_charging(away: Cast) -> None:
    answer = away.get("workshop", "bench:waiting")
    # 29 CFR 1910.157 Table L-1: carbon dioxide every 5 years, so March 2020 has been late since 2025.
    assert {number: line.needs_test for number, line in lines(answer).items()} == {
        "U-PAST": True,
        "U-FINE": False,
        "U-UNKNOWN": True,
    }
    assert text_of(answer).count("Test before charging.") == 2


def test_at_the_end_of_its_life_a_unit_is_neither_tested_nor_charged(cast: Cast) -> None:
    # IS 2190 as a secondary page states it: end of life at 15 years for carbon dioxide.
    site = make_site(tables=("in-is-2190",))
    make_away(site, made=Stamp.of(2005, 3), on=date(2026, 11, 20), number="U-OLD")
    answer = cast.get("workshop", "bench:waiting")
    old = lines(answer)["U-OLD"]
    assert (old.has_ended, old.needs_test) == (True, False)
    page = text_of(answer)
    assert "End of life: do not test, do not charge." in page
    assert "Test before charging." not in page


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({"q": "quay"}, {"U-UNKNOWN"}),
        ({"q": "u-fine"}, {"U-FINE"}),
        ({"state": "awaiting_recharge"}, {"U-FINE"}),
        ({"state": "in_workshop"}, {"U-PAST", "U-UNKNOWN"}),
        ({"need": "test"}, {"U-PAST", "U-UNKNOWN"}),
        ({"need": "end"}, set()),
        ({"q": "nowhere"}, set()),
    ],
)
def test_the_list_is_searched_and_filtered(away: Cast, query: dict[str, str], found: set[str]) -> None:
    answer = away.get("workshop", "bench:waiting", **query)
    assert set(lines(answer)) == found
    assert ("No unit matches" in text_of(answer)) is not bool(found)


def test_a_filter_that_cannot_be_shows_nothing(away: Cast) -> None:
    answer = away.get("workshop", "bench:waiting", state="broken")
    assert (answer.status_code, lines(answer)) == (400, {})


def test_an_empty_workshop_says_so(cast: Cast) -> None:
    assert "Nothing waits" in text_of(cast.get("workshop", "bench:waiting"))


def test_links_lead_only_where_the_role_may_go(away: Cast) -> None:
    assert "/desk/sites/" not in text_of(away.get("workshop", "bench:waiting"))
    assert "/desk/sites/" in text_of(away.get("dispatcher", "bench:waiting"))
    unit = Unit.objects.get(number="U-PAST")
    assert away.get("workshop", "desk:unit", unit.public_id).status_code == 200


@pytest.mark.parametrize("count", [1, 3])
def test_the_page_costs_the_same_queries_however_much_waits(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(count):
        make_away(make_site(), made=Stamp.of(2020, 3), on=date(2026, 11, 20))
    client = cast.client("workshop")
    # session, user; units; confirmations; last records; open cards; obligations
    with django_assert_num_queries(7):
        answer = client.get("/bench/waiting/")
    assert len(lines(answer)) == count


def test_a_person_without_the_role_learns_nothing(away: Cast) -> None:
    away.people["stranger"] = make_user("owner")
    answer = away.get("stranger", "bench:waiting")
    assert answer.status_code == 403
    assert "U-PAST" not in text_of(answer)
