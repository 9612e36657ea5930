"""Lists: what they can be asked for by, and that a longer list asks the database nothing more."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import date, time
from typing import Any

import pytest
from rest_framework.test import APIClient

from inventory.measures.kinds import Agent
from inventory.measures.stamps import Stamp
from inventory.register.models import AccessWindow
from schedules.due.models import Obligation
from tests.factories import (
    NOW,
    TODAY,
    make_location,
    make_model,
    make_owner,
    make_record,
    make_site,
    make_unit,
    make_user,
    make_visit,
)
from tests.servicedesk.api.cast import Premises, client_of, make_premises

Counted = Callable[[int], AbstractContextManager[Any]]


@pytest.fixture
def desk(db: None) -> APIClient:
    return client_of(make_user("manager", first_name="Dana", last_name="Oakes"))


def names(client: APIClient, path: str, key: str, **params: Any) -> list[Any]:
    """The values of ``key`` in the rows that ``params`` leave."""
    answer = client.get(f"/api/v1/{path}/", params)
    assert answer.status_code == 200, answer.content
    return [row[key] for row in answer.json()["results"]]


# Queries of a list, whatever the number of rows. For the manager, whose scope costs none:
QUERIES = {
    "owners": 1,
    "sites": 6,  # sites with owners; access windows; their owners, adoptions, variations; confirmations
    "locations": 1,
    "unit-models": 1,
    "units": 1,
    # dated rows, undated rows; confirmations; records, units, sites, adoptions, variations for the why
    "obligations": 8,
    "records": 2,  # records; readings
    "visits": 2,  # visits; their loads
    "certificates": 1,
    "technicians": 1,
    "interval-tables": 1,
}


@pytest.mark.parametrize("path", QUERIES)
def test_a_longer_list_costs_no_more_queries(
    desk: APIClient, path: str, django_assert_num_queries: Counted
) -> None:
    make_premises("Alder")
    with django_assert_num_queries(QUERIES[path]):
        few = desk.get(f"/api/v1/{path}/").json()["results"]
    make_premises("Birch")
    make_premises("Cedar")
    with django_assert_num_queries(QUERIES[path]):
        many = desk.get(f"/api/v1/{path}/").json()["results"]
    assert len(many) > len(few) or path == "interval-tables"


def test_a_visit_with_more_units_costs_no_more_queries(
    alder: Premises, django_assert_num_queries: Counted
) -> None:
    # scope; visit with site and technician; jobs; obligations; records, units, sites, adoptions and
    # variations for the why; confirmations; entries
    expected = 11
    client = client_of(alder.technician)
    small = make_visit(alder.site, alder.units[:1], technician=alder.technician)
    large = make_visit(alder.site, [make_unit(alder.site) for _ in range(3)], technician=alder.technician)
    for visit in (small, large):
        with django_assert_num_queries(expected):
            assert client.get(f"/api/v1/visits/{visit.public_id}/").status_code == 200


def test_units_by_what_is_known_of_them(desk: APIClient) -> None:
    owner = make_owner()
    here, there = make_site(owner), make_site()
    place = make_location(here)
    model = make_model(agent=Agent.CARBON_DIOXIDE.value)
    one = make_unit(here, location=place, model=model, serial="A-1", refresh=False)
    two = make_unit(there, serial="A-1", state="not_found", refresh=False)
    both = [one.number, two.number]
    assert names(desk, "units", "number", serial="A-1") == both
    assert names(desk, "units", "number", site=here.public_id) == both[:1]
    assert names(desk, "units", "number", owner=owner.public_id) == both[:1]
    assert names(desk, "units", "number", location=place.public_id) == both[:1]
    assert names(desk, "units", "number", model=model.public_id) == both[:1]
    assert names(desk, "units", "number", state="not_found") == both[1:]
    assert names(desk, "units", "number", number=two.number) == both[1:]
    assert names(desk, "unit-models", "id", agent="carbon_dioxide") == [str(model.public_id)]


def test_sites_and_owners_by_words(desk: APIClient) -> None:
    owner = make_owner(name="Harbour Board")
    make_site(owner, name="North Quay", code="NQ1", city="Port Calder")
    make_site(name="Mill Lane", code="ML1", city="Alderby")
    assert names(desk, "sites", "code", search="quay") == ["NQ1"]
    assert names(desk, "sites", "code", search="alderby") == ["ML1"]
    assert names(desk, "sites", "code", code="ML1") == ["ML1"]
    assert names(desk, "sites", "code", owner=owner.public_id) == ["NQ1"]
    assert names(desk, "owners", "name", search="harbour") == ["Harbour Board"]


def test_locations_in_walking_order(desk: APIClient) -> None:
    site = make_site()
    for number, order in (("7", 2), ("12", 1), ("3", 3)):
        make_location(site, number=number, walking_order=order)
    assert names(desk, "locations", "number", site=site.public_id) == ["12", "7", "3"]
    assert names(desk, "locations", "number", number="7") == ["7"]


def test_a_site_names_its_tables_and_who_confirmed_them(desk: APIClient) -> None:
    site = make_site(tables=("us-osha-1910-157", "in-is-2190"))
    desk.post(
        "/api/v1/interval-tables/in-is-2190@2026-1/confirm/",
        {"name": "Dana Oakes", "local_code": "State rules"},
    )
    tables = desk.get(f"/api/v1/sites/{site.public_id}/").json()["tables"]
    assert [(table["key"], table["is_confirmed"]) for table in tables] == [
        ("in-is-2190", True),
        ("us-osha-1910-157", False),
    ]
    assert tables[0]["confirmation"] == "Confirmed by Dana Oakes on 2026-11-25 against State rules."
    assert tables[1]["confirmation"].startswith("Unconfirmed: shipped defaults")


def test_a_site_says_when_it_lets_people_in(desk: APIClient) -> None:
    site = make_site()
    AccessWindow.objects.create(site=site, weekday=0, opens_at=time(7), closes_at=time(18, 30))
    shown = desk.get(f"/api/v1/sites/{site.public_id}/").json()
    assert shown["access_windows"] == [{"weekday": 0, "opens_at": "07:00", "closes_at": "18:30"}]
    assert shown["today_on"] == "2026-11-25"


def _owed(unit: Any, key: str, **fields: Any) -> None:
    fields.setdefault("knowledge", "known")
    Obligation.objects.create(
        unit=unit,
        site=unit.site,
        table_key=key,
        table_version="1",
        task="recharge",
        rule_id="r",
        computed_at=NOW,
        **fields,
    )


@pytest.fixture
def owed(db: None) -> Any:
    """A unit with one obligation in each state, told apart by its table."""
    unit = make_unit(refresh=False)
    _owed(unit, "late", latest_on=date(2026, 11, 24))
    _owed(unit, "today", latest_on=date(2026, 11, 25))
    _owed(unit, "soon", latest_on=date(2026, 12, 25))
    _owed(unit, "open window", latest_on=date(2027, 6, 1), earliest_on=TODAY, target_on=TODAY)
    _owed(unit, "later", latest_on=date(2026, 12, 26))
    _owed(unit, "closed window", latest_on=date(2027, 6, 1), earliest_on=date(2026, 11, 26))
    _owed(unit, "event", knowledge="on_event")
    _owed(unit, "uncovered", knowledge="uncovered")
    _owed(unit, "no basis", knowledge="unknown_basis", latest_on=date(2027, 1, 1))
    return unit


@pytest.mark.parametrize(
    ("status", "tables"),
    [
        ("overdue", ["late"]),
        ("due", ["today", "soon", "open window"]),
        ("in_date", ["later", "closed window"]),
        ("unknown", ["no basis"]),
        ("uncovered", ["uncovered"]),
        ("no_date", ["event"]),
    ],
)
def test_the_due_list_by_status(desk: APIClient, owed: Any, status: str, tables: list[str]) -> None:
    """Every row falls under one status, and the filter agrees with what the row says of itself."""
    answer = desk.get("/api/v1/obligations/", {"status": status}).json()["results"]
    assert sorted(row["table"]["key"] for row in answer) == sorted(tables)
    assert {row["status"] for row in answer} == {status}


def test_overdue_is_judged_on_the_sites_own_day(desk: APIClient) -> None:
    """At 09:00 UTC on the 25th it is the 25th in Kiritimati and still the 24th in Honolulu."""
    for zone in ("Pacific/Honolulu", "Pacific/Kiritimati"):
        unit = make_unit(make_site(time_zone=zone, code=zone[-8:]), refresh=False)
        _owed(unit, "t", latest_on=date(2026, 11, 24))
    rows = desk.get("/api/v1/obligations/", {"status": "overdue"}).json()["results"]
    assert [row["site"]["time_zone"] for row in rows] == ["Pacific/Kiritimati"]
    rows = desk.get("/api/v1/obligations/", {"status": "due"}).json()["results"]
    assert [row["site"]["time_zone"] for row in rows] == ["Pacific/Honolulu"]


def test_the_due_list_by_everything_else(desk: APIClient, alder: Premises, birch: Premises) -> None:
    def numbers(**params: Any) -> set[str]:
        found = desk.get("/api/v1/obligations/", {"page_size": 200, **params}).json()["results"]
        return {row["unit"]["number"] for row in found}

    mine = {unit.number for unit in alder.units}
    assert numbers(site=alder.site.public_id) == mine
    assert numbers(owner=alder.owner.public_id) == mine
    assert numbers(unit=alder.units[0].public_id) == {alder.units[0].number}
    assert numbers(table="in-is-2190") == set()
    everything = desk.get("/api/v1/obligations/", {"page_size": 200}).json()["results"]
    for params, holds in (
        ({"task": "maintenance"}, lambda row: row["task"] == "maintenance"),
        ({"latest_on_before": "2026-12-31"}, lambda row: (row["latest_on"] or "9") <= "2026-12-31"),
        ({"latest_on_after": "2027-01-01"}, lambda row: (row["latest_on"] or "") >= "2027-01-01"),
        ({"is_binding": "true"}, lambda row: row["is_binding"]),
        ({"ours": "true"}, lambda row: row["task"] != "visual_inspection"),
    ):
        found = desk.get("/api/v1/obligations/", {"page_size": 200, **params}).json()["results"]
        assert found == [row for row in everything if holds(row)], params
        assert found
        assert len(found) < len(everything) or params == {"is_binding": "true"}


def test_a_row_of_the_due_list_says_why(desk: APIClient) -> None:
    unit = make_unit(made=Stamp.of(2022, 3))
    make_record(unit, "maintenance", Stamp.of(2025, 1, 15))
    row = desk.get("/api/v1/obligations/", {"unit": unit.public_id, "task": "maintenance"}).json()["results"][
        0
    ]
    assert (row["latest_on"], row["status"], row["knowledge"]) == ("2026-01-15", "overdue", "known")
    assert "(e)(3)" in " ".join(row["why"])
    assert "defaults to confirm against local code" in row["why"][0]
    assert row["table"]["id"] == "us-osha-1910-157@2026-1"
    assert row["location_number"] == unit.location.number


def test_visits_by_day_state_and_person(desk: APIClient, alder: Premises, birch: Premises) -> None:
    later = make_visit(alder.site, technician=alder.technician, planned_on=date(2026, 12, 3))
    mine = [alder.closed.number, alder.visit.number, alder.proposed.number, later.number]
    assert names(desk, "visits", "number", site=alder.site.public_id) == mine
    assert names(desk, "visits", "number", owner=alder.owner.public_id) == mine
    assert names(desk, "visits", "number", technician=alder.technician.public_id) == mine
    assert names(desk, "visits", "number", planned_on="2026-12-03") == [later.number]
    assert names(desk, "visits", "number", planned_on_after="2026-11-26") == [later.number]
    assert later.number not in names(desk, "visits", "number", planned_on_before=str(TODAY))
    assert names(desk, "visits", "number", state="closed") == [alder.closed.number, birch.closed.number]
    assert names(desk, "visits", "number", number=later.number) == [later.number]


def test_records_by_what_they_are(desk: APIClient, alder: Premises) -> None:
    failed = make_record(alder.units[2], "recharge", outcome="failed", refresh=False)
    ref = str(failed.client_ref)
    assert names(desk, "records", "id", task="recharge") == [ref]
    assert names(desk, "records", "id", outcome="failed") == [ref]
    assert names(desk, "records", "id", unit=alder.units[2].public_id) == [ref]
    assert len(names(desk, "records", "id", site=alder.site.public_id)) == 3
    assert names(desk, "records", "visit", visit=alder.closed.public_id) == [str(alder.closed.public_id)]


def test_certificates_by_what_they_are_for(desk: APIClient, alder: Premises, birch: Premises) -> None:
    mine = [alder.certificate.number]
    for params in (
        {"owner": alder.owner.public_id},
        {"site": alder.site.public_id},
        {"visit": alder.closed.public_id},
        {"number": alder.certificate.number},
    ):
        assert names(desk, "certificates", "number", **params) == mine
    assert names(desk, "certificates", "number", issued_on_before="2026-11-24") == []
    assert names(desk, "certificates", "number", issued_on_after="2026-11-26") == []
    assert len(names(desk, "certificates", "number", issued_on_after="2026-11-25")) == 2


def test_a_technician_finds_the_people_of_no_list(alder: Premises) -> None:
    me = client_of(alder.technician).get("/api/v1/me/").json()
    assert (me["role"], me["owners"]) == ("technician", [])
    owner = client_of(alder.member).get("/api/v1/me/").json()
    assert [found["name"] for found in owner["owners"]] == [alder.owner.name]
