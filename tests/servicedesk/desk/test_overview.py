"""The first page of the desk: each figure equals the list behind it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from pytest_django.fixtures import DjangoAssertNumQueries

from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from inventory.register.services import set_state
from schedules.rulebook.services import confirm_table
from schedules.visits.models import Visit
from servicedesk.accounts.models import User
from tests.factories import NOW, TODAY, make_location, make_model, make_site, make_unit, make_user, make_visit
from tests.servicedesk.page_cast import Cast, make_overdue_unit, make_serviced_unit, text_of

pytestmark = pytest.mark.django_db


def figures(answer: Any) -> dict[str, int]:
    return {
        figure.word: figure.value for group in ("due", "visits", "units") for figure in answer.context[group]
    }


@pytest.fixture
def busy(cast: Cast) -> Cast:
    """Something in every figure."""
    make_overdue_unit(cast.site)
    make_unit(location=make_location(cast.site), made=Stamp.unknown())
    odd = make_model(agent="unknown", construction="unknown", shell="unknown")
    make_unit(location=make_location(cast.site), model=odd)
    set_state(make_serviced_unit(cast.site), Unit.State.AWAITING_RECHARGE)
    set_state(make_serviced_unit(cast.site), Unit.State.IN_WORKSHOP)
    set_state(make_serviced_unit(cast.site), Unit.State.NOT_FOUND)
    set_state(make_serviced_unit(cast.site), Unit.State.CONDEMNED)
    technician = cast.people["technician"]
    for days in (3, 6, 7):
        make_visit(cast.other_site, technician=technician, planned_on=TODAY + timedelta(days=days))
    make_visit(cast.other_site, state=Visit.State.PROPOSED, planned_on=TODAY + timedelta(days=3))
    make_visit(cast.other_site, technician=technician, planned_on=TODAY - timedelta(days=3))
    return cast


def test_every_figure_equals_the_list_that_it_leads_to(busy: Cast) -> None:
    client = busy.client("dispatcher")
    answer = client.get("/desk/")
    found = figures(answer)
    assert found == {
        "Overdue": 2,  # the unit never serviced and the one of unknown kind
        "Due": 0,
        "Date unknown": found["Date unknown"],
        "No rule covers it": found["No rule covers it"],
        "Units on duty": 8,
        "Awaiting recharge": 1,
        "In the workshop": 1,
        "Not found": 1,
        "Visits today": 1,
        "Visits in seven days": 3,
        "Open proposals": 1,
        "Day passed, not closed": 1,
    }
    assert found["Date unknown"] > 0
    assert found["No rule covers it"] > 0
    for group in ("due", "visits", "units"):
        for figure in answer.context[group]:
            listed = client.get(figure.url).context["page_obj"].paginator.count
            assert listed == figure.value, figure.word


def test_tasks_and_units_without_a_rule_say_which_of_the_two_is_counted(busy: Cast) -> None:
    assert "in tasks, one for each task on each unit" in text_of(busy.get("dispatcher", "desk:overview"))
    assert "</a> counts units, also those that no table" in text_of(busy.get("dispatcher", "desk:due"))
    assert "Numbers count units, also those that no table" in text_of(busy.get("dispatcher", "desk:findings"))


def test_the_sites_that_need_us_most_come_first(busy: Cast) -> None:
    for _ in range(3):
        make_overdue_unit(busy.other_site)
    answer = busy.get("dispatcher", "desk:overview")
    assert [(line["site"], line["overdue"]) for line in answer.context["worst_sites"]] == [
        (busy.other_site, 3),
        (busy.site, 2),
    ]


def test_only_who_may_confirm_is_sent_to_confirm(cast: Cast) -> None:
    said = "check and confirm"
    assert said in text_of(cast.get("manager", "desk:overview"))
    page = text_of(cast.get("dispatcher", "desk:overview"))
    assert said not in page
    assert "unconfirmed" in page
    confirm_table(
        "us-osha-1910-157",
        "2026-1",
        by=cast.people["manager"],
        name="Maren Holt",
        local_code="City code",
        at=NOW,
    )
    page = text_of(cast.get("dispatcher", "desk:overview"))
    assert "confirmed by Maren Holt" in page
    assert "unconfirmed" not in page


def test_an_empty_register_says_how_to_begin(db: None) -> None:
    cast = Cast.__new__(Cast)
    cast.people = {"dispatcher": make_user("dispatcher")}
    assert User.objects.count() == 1
    page = text_of(cast.get("dispatcher", "desk:overview"))
    assert "The register is empty" in page
    assert "No table is in use yet" in page


@pytest.mark.parametrize("count", [1, 3])
def test_the_overview_costs_the_same_queries_however_much_there_is(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(count):
        site = make_site()
        make_visit(site, [make_overdue_unit(site)], technician=cast.people["technician"])
    client = cast.client("dispatcher")
    # session, user; time zones, sites behind, sums, sites; units by state and all; confirmations;
    # tables in use; the gravest sites, time zones and standings; time zones,
    # visits and loads; time zones and today, and the week; drafts; time zones and those left open; sites
    with django_assert_num_queries(24):
        answer = client.get("/desk/")
    assert len(answer.context["worst_sites"]) == count
