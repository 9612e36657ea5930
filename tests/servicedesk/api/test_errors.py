"""Each refusal is a problem document (RFC 9457) that says what happened and what to do."""

from __future__ import annotations

import logging
from typing import Any
from uuid import uuid4

import pytest
from django.db import IntegrityError, OperationalError
from django.test import Client, override_settings
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.response import Response
from rest_framework.throttling import UserRateThrottle

from inventory.register.models import Owner
from servicedesk.api import errors, visits
from servicedesk.api.sites import OwnerViewSet
from tests.factories import make_owner, make_user
from tests.servicedesk.api.cast import COUNTS, Premises, client_of


def assert_problem(answer: Any, kind: errors.Kind, code: str) -> dict[str, Any]:
    """The problem that ``answer`` holds, once it has the shape of RFC 9457, section 3."""
    assert answer.status_code == kind.status
    assert answer["Content-Type"] == "application/problem+json"
    body: dict[str, Any] = answer.json()
    assert body["type"] == kind.uri
    assert body["title"] == kind.title
    assert body["status"] == kind.status
    assert body["code"] == code
    assert len(body["detail"]) > 20
    assert body["instance"] == answer.wsgi_request.path.replace("\n", "%0A")
    return body


def test_json_that_cannot_be_read_is_a_400(alder: Premises) -> None:
    client = client_of(alder.technician)
    url = f"/api/v1/visits/{alder.visit.public_id}/entries/"
    answer = client.generic("POST", url, b'{"unit": ', content_type="application/json")
    assert_problem(answer, errors.INVALID, "unreadable")


def test_json_nested_without_end_is_a_400(alder: Premises) -> None:
    client = client_of(alder.technician)
    url = f"/api/v1/visits/{alder.visit.public_id}/entries/"
    answer = client.generic("POST", url, b"[" * 200_000, content_type="application/json")
    assert_problem(answer, errors.INVALID, "unreadable")


def test_a_field_that_cannot_be_is_named(alder: Premises) -> None:
    answer = client_of(make_user("dispatcher")).post(
        "/api/v1/visits/", {"site": "nowhere", "horizon_days": 0, "planned_on": "31/02/2027"}
    )
    body = assert_problem(answer, errors.INVALID, "invalid")
    assert [item["field"] for item in body["errors"]] == ["site", "horizon_days", "planned_on"]
    assert "site, horizon_days, planned_on" in body["detail"]


def test_nested_fields_are_named_by_path(alder: Premises) -> None:
    answer = client_of(alder.technician).post(
        f"/api/v1/visits/{alder.visit.public_id}/entries/",
        {
            "client_ref": str(uuid4()),
            "unit": str(alder.units[0].public_id),
            "result": "serviced",
            "readings": [
                {"quantity": "gauge_pressure", "value": "195", "unit": "psi"},
                {"quantity": "mood", "value": "", "unit": "psi"},
            ],
        },
    )
    body = assert_problem(answer, errors.INVALID, "invalid")
    assert [item["field"] for item in body["errors"]] == ["readings.1.quantity", "readings.1.value"]


def test_a_misspelt_filter_is_refused(alder: Premises) -> None:
    """It would otherwise be ignored and show the rows of every site."""
    answer = client_of(make_user("dispatcher")).get("/api/v1/units/", {"sight": str(alder.site.public_id)})
    body = assert_problem(answer, errors.INVALID, "invalid")
    assert body["errors"][0]["field"] == "sight"
    assert "site" in body["errors"][0]["detail"]


def test_a_filter_value_that_cannot_be_is_named(alder: Premises) -> None:
    answer = client_of(make_user("dispatcher")).get(
        "/api/v1/obligations/", {"latest_on_before": "2027-02-31"}
    )
    body = assert_problem(answer, errors.INVALID, "invalid")
    assert [item["field"] for item in body["errors"]] == ["latest_on_before"]


def test_a_stranger_is_asked_to_sign_in(db: None) -> None:
    answer = client_of(None).get("/api/v1/units/")
    assert_problem(answer, errors.SIGN_IN, "not_signed_in")
    assert answer["WWW-Authenticate"] == "Bearer"


def test_what_the_role_may_not_do_is_a_403(alder: Premises) -> None:
    answer = client_of(alder.member).get("/api/v1/technicians/")
    assert_problem(answer, errors.NOT_ALLOWED, "not_allowed")


def test_what_is_not_visible_is_not_found(alder: Premises, birch: Premises) -> None:
    """The answer about another owner's unit is the answer about no unit at all."""
    client = client_of(alder.member)
    hidden = assert_problem(
        client.get(f"/api/v1/units/{birch.units[0].public_id}/"), errors.NOT_FOUND, "not_found"
    )
    absent = assert_problem(client.get(f"/api/v1/units/{uuid4()}/"), errors.NOT_FOUND, "not_found")
    del hidden["instance"], absent["instance"]
    assert hidden == absent


@pytest.mark.parametrize(
    "path",
    ["/api/v1/extinguishers/", "/api/v1/units/17/", "/api/v2/units/", "/api/v1/units", "/api/v1/sites/%0A/"],
)
def test_an_unknown_address_is_a_problem_and_no_page(db: None, path: str) -> None:
    answer = client_of(None).get(path)
    body = assert_problem(answer, errors.NOT_FOUND, "not_found")
    assert "slash" in body["detail"]


def test_a_method_that_is_not_there_names_those_that_are(alder: Premises) -> None:
    answer = client_of(make_user("manager")).delete(f"/api/v1/units/{alder.units[0].public_id}/")
    assert_problem(answer, errors.NO_SUCH_METHOD, "method_not_allowed")
    assert answer["Allow"] == "GET, HEAD, OPTIONS"


def test_a_conflict_carries_what_a_client_needs_to_show(alder: Premises) -> None:
    answer = client_of(alder.technician).post(
        f"/api/v1/visits/{alder.visit.public_id}/close/",
        {"counts": COUNTS, "contact_name": "Robin"},
        headers={"Idempotency-Key": "k1"},
    )
    body = assert_problem(answer, errors.CONFLICT, "units_without_result")
    assert body["units"] == sorted(unit.number for unit in alder.units[:2])


def test_an_extension_never_hides_a_standard_member() -> None:
    body = errors.problem(errors.CONFLICT, code="c", detail="d", status=1, title="t", state="closed")
    assert (body["status"], body["title"], body["state"]) == (409, errors.CONFLICT.title, "closed")


@override_settings(DATA_UPLOAD_MAX_MEMORY_SIZE=1000)
def test_a_body_that_is_too_large_is_a_413(alder: Premises) -> None:
    answer = client_of(alder.technician).post(
        f"/api/v1/visits/{alder.visit.public_id}/entries/", {"remarks": "x" * 1000}
    )
    assert_problem(answer, errors.TOO_LARGE, "too_large")


def test_a_form_is_an_unsupported_media_type(alder: Premises) -> None:
    answer = client_of(alder.technician).generic(
        "POST",
        f"/api/v1/visits/{alder.visit.public_id}/entries/",
        b"unit=1",
        content_type="application/x-www-form-urlencoded",
    )
    assert_problem(answer, errors.WRONG_FORMAT, "unsupported_media_type")


def test_too_many_calls_are_told_how_long_to_wait(alder: Premises, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(UserRateThrottle, "rate", "2/min", raising=False)
    client = client_of(alder.member)
    codes = [client.get("/api/v1/me/").status_code for _ in range(2)]
    answer = client.get("/api/v1/me/")
    body = assert_problem(answer, errors.TOO_MANY, "too_many_requests")
    assert codes == [200, 200]
    assert 0 < int(answer["Retry-After"]) <= 60
    assert body["retry_after_s"] == int(answer["Retry-After"])


def _raising(exc: Exception) -> Any:
    def list_(self: OwnerViewSet, request: Any) -> Response:
        raise exc

    return list_


def test_a_fault_is_logged_and_tells_nothing_of_itself(
    alder: Premises, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(OwnerViewSet, "list", _raising(KeyError("the cellar key")))
    monkeypatch.setattr(logging.getLogger("servicedesk"), "propagate", True)
    answer = client_of(alder.member).get("/api/v1/owners/")
    assert_problem(answer, errors.FAULT, "fault")
    assert "cellar" not in answer.content.decode()
    assert "KeyError" not in answer.content.decode()
    assert any("the cellar key" in str(record.exc_info) for record in caplog.records)


def test_a_database_that_stays_locked_is_busy(alder: Premises, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(OwnerViewSet, "list", _raising(OperationalError("database is locked")))
    answer = client_of(alder.member).get("/api/v1/owners/")
    assert_problem(answer, errors.BUSY, "busy")
    assert answer["Retry-After"] == "2"


def test_a_lost_race_on_a_unique_value_is_a_conflict(
    alder: Premises, monkeypatch: pytest.MonkeyPatch
) -> None:
    def twice(self: OwnerViewSet, request: Any) -> Response:
        Owner.objects.create(name=alder.owner.name)
        raise AssertionError("the name is unique")

    monkeypatch.setattr(OwnerViewSet, "list", twice)
    answer = client_of(alder.member).get("/api/v1/owners/")
    assert_problem(answer, errors.CONFLICT, "changed_meanwhile")


def test_another_broken_constraint_is_our_fault(db: None) -> None:
    """A missing value is a mistake of ours, not a race: nobody can repeat the call and win."""
    owner = make_owner()
    with pytest.raises(IntegrityError) as caught:
        Owner.objects.filter(pk=owner.pk).update(name=None)
    assert errors.is_duplicate(caught.value) is False


def test_a_session_that_changes_things_needs_the_csrf_header(alder: Premises) -> None:
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(alder.technician, backend="django.contrib.auth.backends.ModelBackend")
    answer = browser.post(
        f"/api/v1/visits/{alder.visit.public_id}/entries/", {}, content_type="application/json"
    )
    body = assert_problem(answer, errors.NOT_ALLOWED, "csrf_failed")
    assert "Load the page again" in body["detail"]


def test_an_expired_session_says_so_and_loses_nothing(alder: Premises) -> None:
    browser = Client()
    browser.force_login(alder.technician, backend="django.contrib.auth.backends.ModelBackend")
    assert browser.get("/api/v1/me/").status_code == 200
    browser.session.flush()
    answer = browser.get("/api/v1/me/")
    body = assert_problem(answer, errors.SIGN_IN, "session_expired")
    assert "Sign in again" in body["detail"]


def test_a_refusal_of_one_item_that_is_a_fault_stops_the_batch() -> None:
    with pytest.raises(ZeroDivisionError):
        errors.item_problem(ZeroDivisionError())


def test_an_error_without_a_field_is_the_detail() -> None:
    body = errors.item_problem(ValidationError([ErrorDetail("Send at most 500 entries at once.")]))
    assert body["detail"] == "Send at most 500 entries at once."
    assert body["errors"] == [{"field": None, "detail": "Send at most 500 entries at once."}]


@pytest.mark.parametrize("kind", errors.KINDS, ids=lambda kind: kind.slug)
def test_every_type_has_a_page_that_says_what_to_do(kind: errors.Kind, client: Client) -> None:
    page = client.get(kind.uri)
    assert page.status_code == 200
    assert kind.title in page.content.decode().replace("&#x27;", "'")


def test_an_unknown_type_has_none(client: Client, db: None) -> None:
    assert client.get("/problems/bad-weather/").status_code == 404


def test_a_batch_has_an_end(alder: Premises, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(visits, "MAX_BATCH", 2)
    answer = client_of(alder.technician).post(
        f"/api/v1/visits/{alder.visit.public_id}/entries/", [{}, {}, {}]
    )
    body = assert_problem(answer, errors.INVALID, "invalid")
    assert "at most 2" in body["detail"]
