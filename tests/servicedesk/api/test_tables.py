"""Interval tables: shipped defaults until a manager says by name that they fit the local code."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from rest_framework.test import APIClient

from schedules.rulebook import queries
from schedules.rulebook.models import Confirmation
from schedules.rules import load_tables
from tests.factories import make_user
from tests.servicedesk.api.cast import client_of

URL = "/api/v1/interval-tables/us-osha-1910-157@2026-1/"
STATEMENT = {"name": "Dana Oakes", "local_code": "Port Calder fire code 2025"}


@pytest.fixture
def manager(db: None) -> APIClient:
    return client_of(make_user("manager", first_name="Dana", last_name="Oakes"))


def test_every_shipped_version_is_listed_unconfirmed(manager: APIClient) -> None:
    body = manager.get("/api/v1/interval-tables/").json()
    shipped = {f"{t.key}@{t.version}" for versions in load_tables().values() for t in versions}
    assert {row["id"] for row in body["results"]} == shipped
    assert body["next"] is None
    assert {row["is_confirmed"] for row in body["results"]} == {False}
    assert {row["statement"] for row in body["results"]} == {"Defaults to confirm against local code."}


def test_a_table_shows_each_rule_with_its_source(manager: APIClient) -> None:
    table = manager.get(URL).json()
    rule = next(rule for rule in table["rules"] if rule["id"] == "maintenance")
    assert (rule["task"], rule["clause"], rule["interval_text"]) == ("maintenance", "(e)(3)", "every 1 year")
    assert (rule["source_status"], rule["source"].startswith("https://www.ecfr.gov")) == ("PRIMARY", True)
    assert table["document"] == "29 CFR 1910.157"


def test_a_manager_confirms_by_name_and_withdraws(manager: APIClient) -> None:
    confirmed = manager.post(f"{URL}confirm/", STATEMENT).json()
    assert confirmed["is_confirmed"] is True
    assert (confirmed["confirmed_name"], confirmed["confirmed_at"]) == ("Dana Oakes", "2026-11-25T09:00:00Z")
    assert "against Port Calder fire code 2025" in confirmed["confirmation"]
    twice = manager.post(f"{URL}confirm/", STATEMENT)
    assert (twice.status_code, twice.json()["code"]) == (409, "already_confirmed")
    withdrawn = manager.post(f"{URL}withdraw/", {"reason": "Wrong edition."}).json()
    assert (withdrawn["is_confirmed"], withdrawn["confirmed_name"]) == (False, "")
    nothing = manager.post(f"{URL}withdraw/", {"reason": "Wrong edition."})
    assert (nothing.status_code, nothing.json()["code"]) == (409, "not_confirmed")
    assert Confirmation.objects.get().withdrawn_reason == "Wrong edition."


def test_a_confirmation_of_other_content_does_not_count(
    manager: APIClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A table that changes after it was confirmed is unconfirmed again, and can be confirmed anew."""
    manager.post(f"{URL}confirm/", STATEMENT)
    changed = {
        key: tuple(dataclasses.replace(table, digest="0" * 64) for table in tables)
        for key, tables in load_tables().items()
    }
    monkeypatch.setattr(queries, "load_tables", lambda: changed)
    assert manager.get(URL).json()["is_confirmed"] is False
    assert manager.post(f"{URL}confirm/", STATEMENT).json()["is_confirmed"] is True


@pytest.mark.parametrize("missing", ["name", "local_code"])
@pytest.mark.parametrize("value", ["", "   ", None])
def test_a_confirmation_names_a_person_and_a_code(manager: APIClient, missing: str, value: Any) -> None:
    answer = manager.post(f"{URL}confirm/", STATEMENT | {missing: value})
    assert answer.status_code == 400
    assert [item["field"] for item in answer.json()["errors"]] == [missing]
    assert Confirmation.objects.count() == 0


@pytest.mark.parametrize("table", ["us-osha-1910-157@1999-1", "moon@2026-1"])
def test_a_table_that_is_not_shipped_is_not_found(manager: APIClient, table: str) -> None:
    assert manager.get(f"/api/v1/interval-tables/{table}/").status_code == 404
    assert manager.post(f"/api/v1/interval-tables/{table}/confirm/", STATEMENT).status_code == 404
