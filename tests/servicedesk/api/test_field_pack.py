"""The pack: whole, small in queries, and nothing of anybody else's."""

from __future__ import annotations

import gzip
import json
from datetime import timedelta

import pytest
from django.utils import timezone

from inventory.logbook.models import Defect
from inventory.measures.kinds import Agent, Construction, Task
from schedules.visits.models import HeldVisit, Visit
from tests.factories import (
    NOW,
    TODAY,
    make_location,
    make_model,
    make_record,
    make_site,
    make_unit,
    make_user,
    make_visit,
)
from tests.servicedesk.api.cast import client_of

pytestmark = pytest.mark.django_db
URL = "/api/v1/field/pack/"


@pytest.fixture(autouse=True)
def _clock(monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: NOW)


@pytest.fixture
def technician():
    return make_user("technician")


def site_with(technician, count, **fields):
    site = make_site(**fields)
    model = make_model()
    units = [make_unit(site, model=model, location=make_location(site)) for _ in range(count)]
    return site, units, make_visit(site, units, technician=technician)


def test_it_holds_the_day_with_what_is_due_and_why(technician):
    site, units, visit = site_with(technician, 2, access_notes="Ring at gate 2")
    make_record(units[0], performed_by_name="A. Mate")
    defect = Defect.objects.create(
        site=site, unit=units[1], code="pin", severity="critical", opened_on=TODAY, opened_at=NOW
    )
    answer = client_of(technician).get(URL)
    pack = answer.json()
    (shown,) = pack["visits"]
    assert (shown["number"], shown["position"], len(shown["jobs"])) == (visit.number, 1, 2)
    (place,) = pack["sites"]
    assert place["access_notes"] == "Ring at gate 2"
    assert place["units"] == [str(unit.public_id) for unit in units]
    first, second = pack["units"]
    assert first["last"] == [
        {"task": "maintenance", "outcome": "passed", "done_on": "2025-12-01", "by": "A. Mate"}
    ]
    assert second["defects"] == [str(defect.public_id)]
    due = {one["task"]: one for one in first["due"]}["maintenance"]
    assert due["listed"]
    assert due["why"] == "Due. United States workplaces (e)(3): every 1 year"
    assert [table["is_confirmed"] for table in pack["tables"]] == [False]
    assert "local code" in pack["tables"][0]["warning"]
    key = f"{Task.MAINTENANCE}|{Agent.DRY_CHEMICAL_ABC}|{Construction.STORED_PRESSURE}"
    assert pack["judging"]["demands"][key][0]["any_of"] == ["gauge_pressure"]
    assert pack["van"]["parts"][0] == {
        "code": "seal",
        "text": "Tamper seal",
        "count": 2,
        "why": "for the work on the lists",
    }
    assert "stored_pressure_powder" in pack["kinds_of_model"][first["model"]]
    assert HeldVisit.objects.get().visit == visit


def test_unchanged_it_is_not_sent_again_and_it_is_packed(technician):
    _, units, _ = site_with(technician, 1)
    client = client_of(technician)
    first = client.get(URL, headers={"Accept-Encoding": "gzip"})
    assert json.loads(gzip.decompress(first.content))["data_version"] == first["ETag"].strip('"')
    again = client.get(URL, headers={"If-None-Match": first["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    units[0].serial = "changed"
    units[0].save()
    assert client.get(URL, headers={"If-None-Match": first["ETag"]}).status_code == 200


def test_nothing_of_others_is_in_it_and_a_companion_has_it_too(technician):
    _, _, visit = site_with(technician, 1, name="Alder Yard")
    mate = make_user("technician")
    site_with(mate, 1, name="Birch Yard")
    assert "Birch" not in client_of(technician).get(URL).content.decode()
    visit.companions.add(mate)
    assert {one["name"] for one in client_of(mate).get(URL).json()["sites"]} == {"Alder Yard", "Birch Yard"}


def test_days_are_asked_for_and_what_was_left_open_comes_along(technician):
    site, units, late = site_with(technician, 1)
    Visit.objects.filter(pk=late.pk).update(planned_on=TODAY - timedelta(days=4))
    later = make_visit(site, units, technician=technician, planned_on=TODAY + timedelta(days=5))
    client = client_of(technician)

    def numbers(**asked):
        return [visit["number"] for visit in client.get(URL, asked).json()["visits"]]

    assert numbers() == [late.number]
    assert numbers(days=6) == [late.number, later.number]
    assert numbers(**{"from": "2026-11-30"}) == [later.number]
    assert client.get(URL, {"days": 0}).status_code == 400


def test_the_number_of_queries_does_not_grow(technician, django_assert_max_num_queries):
    site_with(technician, 1)
    client = client_of(technician)
    client.get(URL)
    with django_assert_max_num_queries(40) as few:
        client.get(URL)
    for _ in range(2):
        site_with(technician, 3)
    with django_assert_max_num_queries(len(few)):
        client.get(URL)


@pytest.mark.parametrize("day", ["9999-12-31", "0001-01-01"])
def test_a_day_outside_of_any_plan_is_refused_with_what_to_do(technician, day):
    answer = client_of(technician).get(URL, {"from": day})
    assert answer.status_code == 400
    (error,) = answer.json()["errors"]
    assert error["field"] == "from"
    assert error["detail"].startswith("Choose a day")
