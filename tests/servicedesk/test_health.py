"""The health page says which part stands still, and calls nothing fine that it cannot see."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import redis
from django.db import DatabaseError, connection
from django.test import Client

from servicedesk import health

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


class Broker:
    """Stands for the broker's client: remembers what it is given, or does not answer."""

    def __init__(self, *, answers: bool = True) -> None:
        self.answers, self.kept = answers, {}

    def __enter__(self) -> Broker:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def get(self, key: str) -> str | None:
        if not self.answers:
            raise redis.ConnectionError("refused")
        return self.kept.get(key)

    def set(self, key: str, value: str) -> None:
        self.kept[key] = value


@pytest.fixture
def broker(monkeypatch: pytest.MonkeyPatch) -> Broker:
    broker = Broker()
    monkeypatch.setattr(health, "_client", lambda: broker)
    return broker


@pytest.mark.django_db
def test_a_fresh_heartbeat_means_that_all_is_well(broker: Broker) -> None:
    health.mark_beat(NOW - health.STALE_AFTER)
    assert health.state(NOW) == {
        "status": "ok",
        "database": "ok",
        "broker": "ok",
        "jobs": "ok",
        "last_beat_at": (NOW - health.STALE_AFTER).isoformat(),
    }


@pytest.mark.django_db
def test_an_old_heartbeat_means_that_the_jobs_stand_still(broker: Broker) -> None:
    health.mark_beat(NOW - health.STALE_AFTER - timedelta(microseconds=1))
    found = health.state(NOW)
    assert (found["status"], found["broker"], found["jobs"]) == ("trouble", "ok", "standing still")


@pytest.mark.django_db
def test_no_heartbeat_at_all_is_not_fine(broker: Broker) -> None:
    found = health.state(NOW)
    assert (found["status"], found["jobs"], found["last_beat_at"]) == ("trouble", "no heartbeat yet", None)


@pytest.mark.django_db
def test_a_silent_broker_leaves_the_jobs_unknown(broker: Broker) -> None:
    broker.answers = False
    found = health.state(NOW)
    assert (found["status"], found["database"], found["broker"], found["jobs"]) == (
        "trouble",
        "ok",
        "no answer",
        "unknown",
    )


def test_a_silent_database_is_said(broker: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> Any:
        raise DatabaseError("refused")

    health.mark_beat(NOW)
    monkeypatch.setattr(connection, "cursor", refuse)
    found = health.state(NOW)
    assert (found["status"], found["database"], found["jobs"]) == ("trouble", "no answer", "ok")


@pytest.mark.django_db
def test_the_page_answers_503_on_trouble_200_when_well_and_is_never_kept(
    broker: Broker, client: Client, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level("CRITICAL", logger="django.request"):
        assert client.get("/healthz").status_code == 503
    health.mark_beat()
    answer = client.get("/healthz")
    assert answer.status_code == 200
    assert answer.json()["status"] == "ok"
    assert "no-store" in answer.headers["Cache-Control"]
    assert client.post("/healthz").status_code == 405


@pytest.mark.django_db
def test_an_installation_proves_itself_to_who_holds_its_key_only(broker: Broker, settings: Any) -> None:
    client = Client()
    assert health.PROOF_HEADER not in client.get("/healthz").headers
    said = client.get("/healthz", {"challenge": "abc"}).headers[health.PROOF_HEADER]
    assert said == health.proof("abc") != health.proof("abd")
    settings.DATA_DIR = settings.DATA_DIR / "another"
    assert said != health.proof("abc")
    assert settings.SECRET_KEY not in said
