"""Visits over the API: from the proposal at the desk to the certificate, and every way it can go wrong."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
from rest_framework.test import APIClient

from inventory.logbook.models import ServiceRecord
from inventory.measures.kinds import Agent, Construction
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from schedules.due.models import Obligation
from schedules.visits.models import Visit, VisitEntry
from tests.factories import NOW, TODAY, make_model, make_site, make_unit, make_user, make_visit
from tests.servicedesk.api.cast import COUNTS, GAUGE, Premises, client_of, entry


@pytest.fixture
def desk(db: None) -> APIClient:
    return client_of(make_user("dispatcher"))


def post(client: APIClient, visit: Visit, act: str, body: Any) -> Any:
    return client.post(
        f"/api/v1/visits/{visit.public_id}/{act}/", body, headers={"Idempotency-Key": str(uuid4())}
    )


def refused(answer: Any, status: int, field: str) -> str:
    """The sentence about ``field``, once the answer is a refusal with ``status`` that names it alone."""
    assert answer.status_code == status, answer.content
    found = answer.json()["errors"]
    assert [item["field"] for item in found] == [field]
    return str(found[0]["detail"])


# --- at the desk -----------------------------------------------------------------------------------


def test_the_whole_way_from_proposal_to_certificate(desk: APIClient) -> None:
    technician = make_user("technician")
    site = make_site()
    units = [make_unit(site, made=Stamp.of(2022, 3)) for _ in range(2)]

    answer = desk.post("/api/v1/visits/", {"site": str(site.public_id), "planned_on": str(TODAY)})
    assert answer.status_code == 201
    proposed = answer.json()
    assert (proposed["state"], proposed["unit_count"]) == ("proposed", 2)
    url = f"/api/v1/visits/{proposed['id']}/"
    phone = client_of(technician)
    assert phone.get(url).status_code == 404

    assigned = desk.post(
        f"{url}assign/",
        {"technician": str(technician.public_id), "planned_on": str(TODAY), "version": proposed["version"]},
    ).json()
    confirmed = desk.post(f"{url}confirm/", {"version": assigned["version"]}).json()
    assert (confirmed["state"], confirmed["technician"]["name"]) == ("confirmed", technician.display_name)

    seen = phone.get(url).json()
    assert [unit["number"] for unit in seen["units"]] == [unit.number for unit in units]
    job = seen["units"][0]["jobs"][0]
    assert (job["task"], job["demands"][0]["any_of"]) == ("maintenance", ["gauge_pressure"])
    assert job["table"]["is_confirmed"] is False
    assert "nobody has yet checked" in job["table"]["confirmation"]
    assert any("Annual maintenance check" in line for line in job["why"])

    batch = phone.post(f"{url}entries/", [entry(unit) for unit in units]).json()
    assert [item["status"] for item in batch["results"]] == [201, 201]
    closed = phone.post(
        f"{url}close/",
        {"counts": COUNTS | {"serviced": 2}, "contact_name": "Robin Example"},
        headers={"Idempotency-Key": "1"},
    ).json()
    assert closed["visit"]["state"] == "closed"
    assert closed["visit"]["counts"] == COUNTS | {"serviced": 2}
    assert closed["visit"]["done_on"] == "2026-11-25"
    assert closed["certificate"]["number"].startswith("C-2026-")

    record = phone.get(f"/api/v1/units/{units[0].public_id}/records/").json()["results"][0]
    assert (record["task"], record["outcome"], record["done"]["text"]) == (
        "maintenance",
        "passed",
        "2026-11-25",
    )
    assert record["readings"][0] | {"verdict_reason": ""} == {
        "quantity": "gauge_pressure",
        "quantity_text": "Gauge pressure",
        "value": "195",
        "unit_of_measure": "psi",
        "base_value": pytest.approx(1344.5, abs=0.1),
        "base_unit": "kPa",
        "verdict": "inside",
        "verdict_reason": "",
    }
    due = Obligation.objects.get(unit=units[0], task="maintenance")
    assert due.latest_on == date(2027, 11, 25)
    after = phone.get(url).json()["units"][0]["jobs"][0]
    assert (after["record"], after["why"]) == (record["id"], [])


def test_nothing_due_is_said_and_makes_no_visit(desk: APIClient) -> None:
    site = make_site()
    answer = desk.post("/api/v1/visits/", {"site": str(site.public_id)})
    assert answer.status_code == 409
    assert answer.json()["code"] == "nothing_due"
    assert site.name in answer.json()["detail"]
    assert Visit.objects.count() == 0


def test_a_site_that_is_not_there_is_named(desk: APIClient) -> None:
    assert "no such site" in refused(desk.post("/api/v1/visits/", {"site": str(uuid4())}), 400, "site")


def test_a_day_that_has_passed_is_named(desk: APIClient, alder: Premises) -> None:
    yesterday = str(TODAY - timedelta(days=2))
    answer = desk.post("/api/v1/visits/", {"site": str(alder.site.public_id), "planned_on": yesterday})
    assert "has passed" in refused(answer, 400, "planned_on")


@pytest.mark.parametrize("day", ["9999-12-31", "2200-01-01"])
def test_a_day_off_the_calendar_is_named(desk: APIClient, alder: Premises, day: str) -> None:
    answer = desk.post("/api/v1/visits/", {"site": str(alder.site.public_id), "planned_on": day})
    assert "century" in refused(answer, 400, "planned_on")


def test_a_visit_that_somebody_else_changed_is_a_conflict(desk: APIClient, alder: Premises) -> None:
    body = {"technician": str(alder.technician.public_id), "planned_on": str(TODAY)}
    assert post(desk, alder.proposed, "assign", body | {"version": 1}).status_code == 200
    answer = post(desk, alder.proposed, "assign", body | {"version": 1})
    assert answer.status_code == 409
    assert (answer.json()["code"], answer.json()["version"]) == ("visit_changed", 2)


@pytest.mark.parametrize("version", [99, 10**30])
def test_a_version_that_never_was_is_a_conflict(desk: APIClient, alder: Premises, version: int) -> None:
    answer = post(desk, alder.proposed, "confirm", {"version": version})
    assert (answer.status_code, answer.json()["code"]) == (409, "visit_changed")


def test_only_an_active_technician_can_be_sent(desk: APIClient, alder: Premises) -> None:
    for person in (make_user("dispatcher"), make_user("technician", is_active=False)):
        body = {"technician": str(person.public_id), "planned_on": str(TODAY), "version": 1}
        answer = post(desk, alder.proposed, "assign", body)
        assert "no such active technician" in refused(answer, 400, "technician")


def test_a_licence_that_ends_before_the_day_is_named(desk: APIClient, alder: Premises) -> None:
    person = make_user("technician", licence_expires_on=TODAY)
    body = {
        "technician": str(person.public_id),
        "planned_on": str(TODAY + timedelta(days=1)),
        "version": 1,
    }
    assert "licence" in refused(post(desk, alder.proposed, "assign", body), 400, "technician")


def test_a_cancelled_visit_needs_a_reason_and_frees_its_work(desk: APIClient, alder: Premises) -> None:
    answer = post(desk, alder.visit, "cancel", {"version": 1, "reason": "  "})
    refused(answer, 400, "reason")
    cancelled = post(desk, alder.visit, "cancel", {"version": 1, "reason": "The owner moved it."}).json()
    assert (cancelled["state"], cancelled["cancelled_reason"]) == ("cancelled", "The owner moved it.")


def test_a_visit_cancelled_before_it_was_confirmed_stays_the_desks_matter(
    desk: APIClient, alder: Premises
) -> None:
    post(desk, alder.proposed, "cancel", {"version": 1, "reason": "Double."})
    url = f"/api/v1/visits/{alder.proposed.public_id}/"
    assert client_of(alder.member).get(url).status_code == 404
    assert client_of(alder.technician).get(url).status_code == 404
    assert desk.get(url).status_code == 200


# --- on site ---------------------------------------------------------------------------------------


def test_an_entry_sent_again_is_answered_alike(alder: Premises) -> None:
    phone = client_of(alder.technician)
    sent = entry(alder.units[0])
    first = post(phone, alder.visit, "entries", sent)
    again = post(phone, alder.visit, "entries", sent)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json() == first.json()
    assert VisitEntry.objects.filter(visit=alder.visit).count() == 1


def test_a_reference_with_other_content_is_a_conflict(alder: Premises) -> None:
    phone = client_of(alder.technician)
    sent = entry(alder.units[0])
    post(phone, alder.visit, "entries", sent)
    answer = post(phone, alder.visit, "entries", sent | {"remarks": "Seal replaced."})
    assert (answer.status_code, answer.json()["code"]) == (409, "reference_reused")


def test_a_batch_is_answered_item_by_item(alder: Premises, birch: Premises) -> None:
    phone = client_of(alder.technician)
    good, other = entry(alder.units[0]), entry(alder.units[1], "no_access")
    batch = [
        good,
        entry(birch.units[0]),
        entry(alder.units[1], readings=[{"quantity": "gauge_pressure", "value": "9000", "unit": "psi"}]),
        "not an entry",
        {"client_ref": "seven", "unit": None},
        good | {"remarks": "Other words."},
        other,
        good,
    ]
    answer = post(phone, alder.visit, "entries", batch)
    assert answer.status_code == 200
    results = answer.json()["results"]
    assert [item["status"] for item in results] == [201, 400, 400, 400, 400, 409, 201, 200]
    assert [item["index"] for item in results] == list(range(8))
    assert results[0]["client_ref"] == results[0]["entry"]["client_ref"] == good["client_ref"]
    assert [("entry" in item, "problem" in item) for item in results[:2]] == [(True, False), (False, True)]
    assert results[1]["problem"]["errors"][0]["field"] == "unit"
    assert results[2]["problem"]["errors"][0]["field"] == "readings"
    assert {item["field"] for item in results[4]["problem"]["errors"]} == {"client_ref", "unit", "result"}
    assert results[5]["problem"]["code"] == "reference_reused"
    assert VisitEntry.objects.filter(visit=alder.visit).count() == 2


def test_a_unit_of_another_site_is_refused(alder: Premises) -> None:
    """Whether the technician may see that unit or not, it is not of this visit."""
    elsewhere = make_unit(make_site(alder.owner, name="Second yard"))
    make_visit(elsewhere.site, [elsewhere], technician=alder.technician)
    phone = client_of(alder.technician)
    visible = refused(post(phone, alder.visit, "entries", entry(elsewhere)), 400, "unit")
    assert elsewhere.number in visible
    hidden = make_unit()
    unseen = refused(post(phone, alder.visit, "entries", entry(hidden)), 400, "unit")
    assert hidden.number not in unseen
    assert VisitEntry.objects.filter(visit=alder.visit).count() == 0


@pytest.mark.parametrize(
    ("value", "unit"), [("9000", "psi"), ("-3", "bar"), ("195", "kg"), ("many", "psi"), ("1,950", "psi")]
)
def test_a_reading_that_cannot_be_is_refused(alder: Premises, value: str, unit: str) -> None:
    """9000 psi is beyond any gauge in service (IS 15683:2006 Amd 1, 6.1: body tested at 3.5 MPa)."""
    sent = entry(alder.units[0], readings=[{"quantity": "gauge_pressure", "value": value, "unit": unit}])
    said = refused(post(client_of(alder.technician), alder.visit, "entries", sent), 400, "readings")
    assert alder.units[0].number in said
    assert VisitEntry.objects.filter(visit=alder.visit).count() == 0


def test_a_pass_without_its_reading_is_refused(alder: Premises) -> None:
    sent = entry(alder.units[0], readings=[])
    said = refused(post(client_of(alder.technician), alder.visit, "entries", sent), 400, "readings")
    assert "gauge pressure" in said


def test_nothing_is_recorded_on_a_closed_visit(alder: Premises) -> None:
    answer = post(client_of(alder.technician), alder.closed, "entries", entry(alder.units[0]))
    assert (answer.status_code, answer.json()["code"]) == (409, "visit_not_open")


def test_a_unit_found_beside_the_list_is_shown_with_its_entry(alder: Premises) -> None:
    phone = client_of(alder.technician)
    post(phone, alder.visit, "entries", entry(alder.units[2]))
    units = phone.get(f"/api/v1/visits/{alder.visit.public_id}/").json()["units"]
    found = next(unit for unit in units if unit["number"] == alder.units[2].number)
    assert (found["jobs"], found["entry"]["result"]) == ([], "serviced")
    assert [unit["entry"] for unit in units if unit is not found] == [None, None]


def test_the_last_entry_for_a_unit_counts(alder: Premises) -> None:
    phone = client_of(alder.technician)
    post(phone, alder.visit, "entries", entry(alder.units[0], "no_access"))
    post(phone, alder.visit, "entries", entry(alder.units[0]))
    units = phone.get(f"/api/v1/visits/{alder.visit.public_id}/").json()["units"]
    assert units[0]["entry"]["result"] == "serviced"


# --- closing ---------------------------------------------------------------------------------------


def test_counts_that_do_not_add_up_are_named_and_nothing_is_written(alder: Premises) -> None:
    phone = client_of(alder.technician)
    post(phone, alder.visit, "entries", [entry(alder.units[0]), entry(alder.units[1], "no_access")])
    records = ServiceRecord.objects.count()
    answer = post(
        phone, alder.visit, "close", {"counts": COUNTS | {"serviced": 2}, "contact_name": "Robin Example"}
    )
    body = answer.json()
    assert (answer.status_code, body["code"]) == (409, "counts_do_not_reconcile")
    assert body["counts"] == {
        "serviced": {"stated": 2, "recorded": 1},
        "no_access": {"stated": 0, "recorded": 1},
    }
    assert "serviced 2 stated, 1 recorded" in body["detail"]
    assert ServiceRecord.objects.count() == records
    alder.visit.refresh_from_db()
    assert alder.visit.state == Visit.State.UNDER_WAY


def test_units_without_a_result_are_named(alder: Premises) -> None:
    phone = client_of(alder.technician)
    post(phone, alder.visit, "entries", entry(alder.units[0]))
    body = post(
        phone, alder.visit, "close", {"counts": COUNTS | {"serviced": 1}, "contact_name": "Robin"}
    ).json()
    assert (body["code"], body["units"]) == ("units_without_result", [alder.units[1].number])


def test_closing_names_every_count_that_is_missing(alder: Premises) -> None:
    answer = post(client_of(alder.technician), alder.visit, "close", {"counts": {"serviced": -1}})
    assert answer.status_code == 400
    fields = [item["field"] for item in answer.json()["errors"]]
    assert fields == [f"counts.{result}" for result in COUNTS]


@pytest.mark.parametrize(("days", "word"), [(1, "future"), (-61, "days ago")])
def test_a_day_of_work_that_cannot_be_is_named(alder: Premises, days: int, word: str) -> None:
    body = {
        "counts": COUNTS,
        "contact_name": "Robin",
        "done_on": str(TODAY + timedelta(days=days)),
    }
    assert word in refused(post(client_of(alder.technician), alder.visit, "close", body), 400, "done_on")


def test_somebody_was_told_or_there_is_a_reason(alder: Premises) -> None:
    answer = post(client_of(alder.technician), alder.visit, "close", {"counts": COUNTS})
    refused(answer, 400, "contact_name")


def test_not_found_and_no_access_leave_the_unit_due(alder: Premises) -> None:
    phone = client_of(alder.technician)
    before = {o.unit_id: o.latest_on for o in Obligation.objects.filter(task="maintenance")}
    post(
        phone,
        alder.visit,
        "entries",
        [entry(alder.units[0], "not_found"), entry(alder.units[1], "no_access")],
    )
    counts = COUNTS | {"not_found": 1, "no_access": 1}
    assert post(phone, alder.visit, "close", {"counts": counts, "contact_name": "Robin"}).status_code == 200
    after = {o.unit_id: o.latest_on for o in Obligation.objects.filter(task="maintenance")}
    assert after == before
    alder.units[0].refresh_from_db()
    assert alder.units[0].state == Unit.State.NOT_FOUND


def test_a_replacement_takes_the_place_of_the_old_unit(alder: Premises) -> None:
    phone = client_of(alder.technician)
    model = make_model(agent=Agent.CARBON_DIOXIDE.value, construction=Construction.SELF_EXPELLING.value)
    replacement = {"model": str(model.public_id), "serial": "N-77", "made": "2026-05"}
    post(
        phone,
        alder.visit,
        "entries",
        [entry(alder.units[0], "replaced", replacement=replacement), entry(alder.units[1])],
    )
    counts = COUNTS | {"replaced": 1, "serviced": 1}
    assert post(phone, alder.visit, "close", {"counts": counts, "contact_name": "Robin"}).status_code == 200
    hung = phone.get("/api/v1/units/", {"serial": "N-77"}).json()["results"]
    assert [(unit["made"]["text"], unit["location"]["number"]) for unit in hung] == [
        ("2026-05", alder.units[0].location.number)
    ]
    why = phone.get(f"/api/v1/units/{hung[0]['id']}/why/").json()
    assert (why["as_of_on"], len(why["obligations"]) > 0) == ("2026-11-25", True)


def test_a_replacement_by_an_unknown_model_is_named(alder: Premises) -> None:
    sent = entry(
        alder.units[0], "replaced", replacement={"model": str(uuid4()), "serial": "N", "made": "2026"}
    )
    refused(post(client_of(alder.technician), alder.visit, "entries", sent), 400, "replacement")


def test_a_record_is_dated_on_the_sites_own_day(alder: Premises) -> None:
    """09:00 UTC on the 25th is still the evening of the 24th in Honolulu."""
    site = make_site(alder.owner, time_zone="Pacific/Honolulu")
    unit = make_unit(site)
    visit = make_visit(site, [unit], technician=alder.technician)
    phone = client_of(alder.technician)
    post(phone, visit, "entries", entry(unit))
    closed = post(phone, visit, "close", {"counts": COUNTS | {"serviced": 1}, "contact_name": "Robin"}).json()
    assert (NOW.isoformat(), closed["visit"]["done_on"]) == ("2026-11-25T09:00:00+00:00", "2026-11-24")
    assert closed["visit"]["closed_at"] == "2026-11-25T09:00:00Z"


def test_the_device_clock_is_kept_beside_ours(alder: Premises) -> None:
    phone = client_of(alder.technician)
    stored = post(
        phone, alder.visit, "entries", entry(alder.units[0], device_at="2026-11-25T03:00:00-06:00")
    ).json()
    assert (stored["device_at"], stored["received_at"]) == ("2026-11-25T09:00:00Z", "2026-11-25T09:00:00Z")
    assert stored["readings"] == [GAUGE]
