"""Signing in for programs: a token for a name and password."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.conf import settings
from django.test import override_settings
from django.utils import timezone
from rest_framework.authtoken.models import Token
from rest_framework.test import APIClient

from servicedesk.accounts.models import User
from servicedesk.api.session import TokenThrottle
from tests.factories import NOW, PASSWORD, make_user


@pytest.fixture
def technician(db: None) -> User:
    return make_user("technician")


def sign_in(person: User | str, password: str = PASSWORD, **extra: Any) -> Any:
    name = person if isinstance(person, str) else person.username
    return APIClient().post("/api/v1/token/", {"username": name, "password": password}, **extra)


def with_token(token: str) -> APIClient:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    return client


def test_a_token_stands_for_its_person(technician: User) -> None:
    answer = sign_in(technician)
    assert answer.status_code == 200
    assert answer.json()["expires_at"] == "2026-12-25T09:00:00Z"
    me = with_token(answer.json()["token"]).get("/api/v1/me/").json()
    assert (me["username"], me["role"]) == (technician.username, "technician")
    technician.refresh_from_db()
    assert technician.last_login == NOW


def test_a_token_runs_out_and_says_so(technician: User, monkeypatch: pytest.MonkeyPatch) -> None:
    token = sign_in(technician).json()["token"]
    last = NOW + timedelta(days=settings.API_TOKEN_DAYS)
    monkeypatch.setattr(timezone, "now", lambda: last - timedelta(seconds=1))
    assert with_token(token).get("/api/v1/me/").status_code == 200
    monkeypatch.setattr(timezone, "now", lambda: last)
    answer = with_token(token).get("/api/v1/me/")
    assert (answer.status_code, answer.json()["code"]) == (401, "token_expired")
    assert answer["WWW-Authenticate"] == "Bearer"
    assert "Sign in again" in answer.json()["detail"]
    new = sign_in(technician).json()["token"]
    assert new != token
    assert with_token(new).get("/api/v1/me/").status_code == 200
    assert with_token(token).get("/api/v1/me/").json()["code"] == "token_unknown"


def test_signing_in_again_lengthens_the_token(technician: User, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second device does not put the first one out."""
    first = sign_in(technician).json()
    monkeypatch.setattr(timezone, "now", lambda: NOW + timedelta(days=10))
    again = sign_in(technician).json()
    assert again == {"token": first["token"], "expires_at": "2027-01-04T09:00:00Z"}


def test_a_revoked_token_is_worthless_at_once(technician: User) -> None:
    client = with_token(sign_in(technician).json()["token"])
    assert client.delete("/api/v1/token/").status_code == 204
    answer = client.get("/api/v1/me/")
    assert (answer.status_code, answer.json()["code"]) == (401, "token_unknown")
    assert Token.objects.count() == 0


def test_a_stranger_revokes_nothing(technician: User) -> None:
    sign_in(technician)
    answer = APIClient().delete("/api/v1/token/")
    assert (answer.status_code, answer.json()["code"]) == (401, "not_signed_in")
    assert Token.objects.count() == 1


@pytest.mark.parametrize("name", ["known", "unknown"])
def test_a_wrong_password_and_a_wrong_name_look_alike(technician: User, name: str) -> None:
    answer = sign_in(technician if name == "known" else "nobody", "wrong")
    assert (answer.status_code, answer.json()["code"]) == (401, "wrong_credentials")
    assert answer.json()["detail"].startswith("User name or password is wrong.")
    assert answer["WWW-Authenticate"] == "Bearer"
    assert answer["Content-Type"] == "application/problem+json"


def test_a_closed_account_gets_no_token_and_loses_its_own(technician: User) -> None:
    token = sign_in(technician).json()["token"]
    User.objects.filter(pk=technician.pk).update(is_active=False)
    assert sign_in(technician).json()["code"] == "wrong_credentials"
    assert with_token(token).get("/api/v1/me/").json()["code"] == "account_closed"


def test_a_form_that_lacks_the_password_names_it(technician: User) -> None:
    answer = APIClient().post("/api/v1/token/", {"username": technician.username})
    assert answer.status_code == 400
    assert [item["field"] for item in answer.json()["errors"]] == ["password"]


@override_settings(AXES_FAILURE_LIMIT=3)
def test_many_wrong_passwords_lock_as_a_problem(technician: User, monkeypatch: pytest.MonkeyPatch) -> None:
    # The lock took hold of the clock before the tests' clock stood.
    monkeypatch.setattr("axes.handlers.proxy.now", timezone.now)
    codes = [sign_in(technician, "wrong").status_code for _ in range(3)]
    answer = sign_in(technician)
    assert codes[0] == 401
    assert answer.status_code == 429
    assert answer["Content-Type"] == "application/problem+json"
    assert int(answer["Retry-After"]) == settings.AXES_COOLOFF_TIME.total_seconds()


def test_tries_from_one_address_have_a_rate(technician: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(TokenThrottle, "rate", "2/min", raising=False)
    codes = [sign_in(f"somebody{n}", "wrong").status_code for n in range(3)]
    assert codes == [401, 401, 429]


def test_a_forged_forwarding_header_buys_no_tries(technician: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(TokenThrottle, "rate", "2/min", raising=False)
    codes = [
        sign_in(f"somebody{n}", "wrong", headers={"X-Forwarded-For": f"192.0.2.{n}"}).status_code
        for n in range(3)
    ]
    assert codes == [401, 401, 429]


@pytest.mark.parametrize("header", ["Bearer", "Bearer a b", "Bearer \xff", "Bearer nonsense"])
def test_a_header_that_cannot_be_read_is_a_401(technician: User, header: str) -> None:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=header)
    answer = client.get("/api/v1/me/")
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/problem+json"
