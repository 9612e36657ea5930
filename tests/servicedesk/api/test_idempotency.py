"""One effect and one answer, however often and by however many hands a call is sent."""

from __future__ import annotations

import threading
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from rest_framework.test import APIClient

from inventory.logbook.models import ServiceRecord
from schedules.certificates.models import Certificate
from schedules.visits.models import Visit
from servicedesk.api.idempotency import KEEP_DAYS, forget_answers
from servicedesk.api.models import IdempotentAnswer
from servicedesk.tasks import forget_old_answers
from tests.factories import NOW, make_user
from tests.servicedesk.api.cast import COUNTS, Premises, client_of, make_premises, service


@pytest.fixture
def ready(alder: Premises) -> Premises:
    """Alder, with both units of the open visit recorded as serviced."""
    for unit in alder.units[:2]:
        service(alder.visit, unit, by=alder.technician)
    return alder


def close(client: APIClient, visit: Visit, key: str | None, **changes: Any) -> Any:
    headers = {} if key is None else {"Idempotency-Key": key}
    body = {"counts": COUNTS | {"serviced": 2}, "contact_name": "Robin Example"} | changes
    return client.post(f"/api/v1/visits/{visit.public_id}/close/", body, headers=headers)


def test_closing_twice_with_one_key_gives_one_answer_and_one_certificate(ready: Premises) -> None:
    client = client_of(ready.technician)
    records, certificates = ServiceRecord.objects.count(), Certificate.objects.count()
    first = close(client, ready.visit, "day-1")
    again = close(client, ready.visit, "day-1")
    assert (first.status_code, again.status_code) == (200, 200)
    assert again.json() == first.json()
    assert "Idempotency-Replayed" not in first.headers
    assert again.headers["Idempotency-Replayed"] == "true"
    assert ServiceRecord.objects.count() == records + 2
    assert Certificate.objects.count() == certificates + 1


def test_quotes_of_a_structured_header_do_not_matter(ready: Premises) -> None:
    client = client_of(ready.technician)
    first = close(client, ready.visit, '"day-1"')
    assert close(client, ready.visit, "day-1").json() == first.json()


def test_the_order_of_members_does_not_matter(ready: Premises) -> None:
    client = client_of(ready.technician)
    first = close(client, ready.visit, "day-1")
    turned = client.generic(
        "POST",
        f"/api/v1/visits/{ready.visit.public_id}/close/",
        b'{"contact_name": "Robin Example", "counts": {"no_access": 0, "not_found": 0, "removed": 0,'
        b' "replaced": 0, "failed": 0, "serviced": 2}}',
        content_type="application/json",
        HTTP_IDEMPOTENCY_KEY="day-1",
    )
    assert turned.json() == first.json()


def test_another_key_finds_the_visit_closed(ready: Premises) -> None:
    client = client_of(ready.technician)
    close(client, ready.visit, "day-1")
    answer = close(client, ready.visit, "day-2")
    assert answer.status_code == 409
    assert answer.json()["code"] == "visit_not_open"
    assert "already closed" in answer.json()["detail"]
    assert Certificate.objects.filter(visit=ready.visit).count() == 1


def test_the_same_key_with_another_request_is_refused(ready: Premises) -> None:
    client = client_of(ready.technician)
    close(client, ready.visit, "day-1")
    answer = close(client, ready.visit, "day-1", contact_name="Somebody Else")
    assert answer.status_code == 422
    assert answer.json()["code"] == "idempotency_key_reused"
    ready.visit.refresh_from_db()
    assert ready.visit.contact_name == "Robin Example"


def test_the_same_key_at_another_address_is_refused(ready: Premises) -> None:
    client = client_of(ready.technician)
    close(client, ready.visit, "day-1")
    assert close(client, ready.closed, "day-1").status_code == 422


def test_a_key_belongs_to_one_person(ready: Premises, birch: Premises) -> None:
    """Somebody else with the same key gets an answer of their own, never this one."""
    close(client_of(ready.technician), ready.visit, "day-1")
    answer = close(client_of(birch.technician), birch.visit, "day-1")
    assert answer.json()["code"] == "units_without_result"


def test_closing_needs_a_key(ready: Premises) -> None:
    answer = close(client_of(ready.technician), ready.visit, None)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["field"] == "Idempotency-Key"
    ready.visit.refresh_from_db()
    assert ready.visit.state == Visit.State.UNDER_WAY


@pytest.mark.parametrize("key", ["", " ", '""', "x" * 121, "kéy", "a\tb"])
def test_a_key_that_cannot_be_is_refused(ready: Premises, key: str) -> None:
    answer = close(client_of(ready.technician), ready.visit, key)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["field"] == "Idempotency-Key"


def test_a_refused_call_leaves_its_key_free(ready: Premises) -> None:
    """It changed nothing, so the corrected request may come with the same key."""
    client = client_of(ready.technician)
    refused = close(client, ready.visit, "day-1", counts=COUNTS | {"serviced": 1})
    assert refused.status_code == 409
    assert IdempotentAnswer.objects.count() == 0
    assert close(client, ready.visit, "day-1").status_code == 200


def test_a_call_at_the_desk_answers_its_repeat_too(alder: Premises) -> None:
    client = client_of(make_user("dispatcher"))
    body = {"site": str(alder.site.public_id)}
    first = client.post("/api/v1/visits/", body, headers={"Idempotency-Key": "p"})
    again = client.post("/api/v1/visits/", body, headers={"Idempotency-Key": "p"})
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.json() == first.json()


def test_a_failure_after_the_effect_takes_the_effect_back(
    ready: Premises, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Effect and stored answer are one: there is no closed visit whose answer nobody knows."""
    monkeypatch.setattr(IdempotentAnswer, "save", _fail_on_update(IdempotentAnswer.save))
    answer = close(client_of(ready.technician), ready.visit, "day-1")
    assert answer.status_code == 500
    ready.visit.refresh_from_db()
    assert ready.visit.state == Visit.State.UNDER_WAY
    assert Certificate.objects.filter(visit=ready.visit).count() == 0
    assert IdempotentAnswer.objects.count() == 0


def _fail_on_update(save: Any) -> Any:
    def failing(self: IdempotentAnswer, *args: Any, **kwargs: Any) -> None:
        if kwargs.get("update_fields"):
            raise RuntimeError("the power went")
        save(self, *args, **kwargs)

    return failing


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("same_key", [True, False], ids=["one key", "two keys"])
def test_two_closings_at_once_are_settled(same_key: bool) -> None:
    alder = make_premises("Alder")
    for unit in alder.units[:2]:
        service(alder.visit, unit, by=alder.technician)
    keys = ["day-1", "day-1" if same_key else "day-2"]
    start, answers = threading.Barrier(2), []

    def send(key: str) -> None:
        try:
            start.wait(timeout=60)
            answers.append(close(client_of(alder.technician), alder.visit, key))
        finally:
            connection.close()

    hands = [threading.Thread(target=send, args=(key,)) for key in keys]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join(timeout=30)
    statuses = sorted(answer.status_code for answer in answers)
    assert statuses == ([200, 200] if same_key else [200, 409])
    if same_key:
        assert answers[0].json() == answers[1].json()
        assert sorted("Idempotency-Replayed" in answer.headers for answer in answers) == [False, True]
    assert Certificate.objects.filter(visit=alder.visit).count() == 1
    assert ServiceRecord.objects.filter(visit_ref=alder.visit.public_id).count() == 2


def test_answers_are_forgotten_after_a_while(db: None) -> None:
    user = make_user()
    for days in (KEEP_DAYS - 1, KEEP_DAYS + 1):
        kept = IdempotentAnswer.objects.create(
            user=user, key=str(uuid4()), request_digest="", status=200, body={}
        )
        IdempotentAnswer.objects.filter(pk=kept.pk).update(created_at=NOW - timedelta(days=days))
    assert forget_answers(now=NOW) == 1
    assert IdempotentAnswer.objects.get().created_at == NOW - timedelta(days=KEEP_DAYS - 1)
    assert forget_old_answers() == 0
