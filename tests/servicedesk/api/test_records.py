"""A record is corrected by another one that takes its place, and the due date moves at once."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import uuid4

import pytest
from rest_framework.test import APIClient

from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import broken_links
from inventory.measures.stamps import Stamp
from schedules.due.models import Obligation
from tests.factories import make_record, make_site, make_unit, make_user
from tests.servicedesk.api.cast import client_of


@pytest.fixture
def manager(db: None) -> APIClient:
    return client_of(make_user("manager", first_name="Dana", last_name="Oakes"))


@pytest.fixture
def record(db: None) -> ServiceRecord:
    """Maintenance of a unit on 10 February 2026."""
    return make_record(make_unit(make_site()), "maintenance", Stamp.of(2026, 2, 10))


def correct(client: APIClient, record: ServiceRecord, **changes: Any) -> Any:
    return client.post(f"/api/v1/records/{record.client_ref}/correct/", changes)


def due_on(record: ServiceRecord) -> date | None:
    return Obligation.objects.get(unit=record.unit, task="maintenance").latest_on


def test_a_corrected_date_moves_the_due_date_and_keeps_both_records(
    manager: APIClient, record: ServiceRecord
) -> None:
    assert due_on(record) == date(2027, 2, 10)
    answer = correct(manager, record, reason="Tag read again.", done="2026-01-12")
    assert answer.status_code == 201
    new = answer.json()
    assert (new["done"]["text"], new["corrects"]) == ("2026-01-12", str(record.client_ref))
    assert new["correction_reason"] == "Tag read again. (Dana Oakes)"
    assert due_on(record) == date(2027, 1, 12)
    old = manager.get(f"/api/v1/records/{record.client_ref}/").json()
    assert (old["done"]["text"], old["corrected_by"]) == ("2026-02-10", new["id"])
    assert broken_links(record.unit) == []
    listed = manager.get("/api/v1/records/", {"is_standing": "true"}).json()["results"]
    assert [row["id"] for row in listed] == [new["id"]]


def test_a_void_record_no_longer_counts(manager: APIClient, record: ServiceRecord) -> None:
    earlier = Obligation.objects.get(unit=record.unit, task="maintenance").latest_on
    assert correct(manager, record, reason="Another unit.", outcome="void").status_code == 201
    now = due_on(record)
    assert now is not None
    assert earlier is not None
    assert now < earlier


def test_a_month_stays_a_month(manager: APIClient, record: ServiceRecord) -> None:
    done = correct(manager, record, reason="Only the month is punched.", done="2026-01").json()["done"]
    assert (done["precision"], done["first_on"], done["last_on"]) == ("month", "2026-01-01", "2026-01-31")


@pytest.mark.parametrize("text", ["31/02/2026", "2027-01-01", "soon", "1850"])
def test_a_date_that_cannot_be_is_named(manager: APIClient, record: ServiceRecord, text: str) -> None:
    answer = correct(manager, record, reason="Read again.", done=text)
    assert answer.status_code == 400
    assert [item["field"] for item in answer.json()["errors"]] == ["done"]
    assert ServiceRecord.objects.count() == 1


def test_a_correction_says_why_and_what(manager: APIClient, record: ServiceRecord) -> None:
    assert [i["field"] for i in correct(manager, record, done="2026-01").json()["errors"]] == ["reason"]
    nothing = correct(manager, record, reason="Hm.").json()
    assert "at least one change" in nothing["detail"]
    unknown = correct(manager, record, reason="Hm.", outcome="splendid").json()
    assert [item["field"] for item in unknown["errors"]] == ["outcome"]


def test_a_record_is_corrected_once(manager: APIClient, record: ServiceRecord) -> None:
    correct(manager, record, reason="Read again.", done="2026-01-12")
    again = correct(manager, record, reason="Read again.", done="2026-01-13")
    assert again.status_code == 400
    assert "already been corrected" in again.json()["detail"]
    assert ServiceRecord.objects.count() == 2


def test_a_repeat_with_its_key_adds_nothing(manager: APIClient, record: ServiceRecord) -> None:
    url = f"/api/v1/records/{record.client_ref}/correct/"
    body, headers = {"reason": "Read again.", "done": "2026-01"}, {"Idempotency-Key": str(uuid4())}
    first, again = (manager.post(url, body, headers=headers) for _ in range(2))
    assert again.json() == first.json()
    assert ServiceRecord.objects.count() == 2


def test_records_are_read_latest_first(manager: APIClient, record: ServiceRecord) -> None:
    correct(manager, record, reason="Read again.", done="2026-01")
    rows = manager.get(f"/api/v1/units/{record.unit.public_id}/records/").json()["results"]
    assert {row["sequence"] for row in rows} == {1, 2}
    assert [row["received_at"] for row in rows] == sorted((r["received_at"] for r in rows), reverse=True)
