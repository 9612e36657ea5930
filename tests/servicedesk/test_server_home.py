"""The same installation on PostgreSQL and Redis, started as a site would start it."""

from __future__ import annotations

import os
import subprocess
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import psycopg
import pytest
from psycopg import sql

from tests.servicedesk.installation import ROOT, Installation, below

pytestmark = pytest.mark.server_home


@pytest.fixture
def servers() -> Iterator[dict[str, str]]:
    """Addresses of an empty database and an empty queue."""
    name = f"desk_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(os.environ["DATABASE_URL"], autocommit=True) as connection:
        connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        try:
            yield {
                "DATABASE_URL": urlsplit(os.environ["DATABASE_URL"])._replace(path=f"/{name}").geturl(),
                "REDIS_URL": urlsplit(os.environ["REDIS_URL"])._replace(path="/9").geturl(),
                "SECRET_KEY": "s" * 50,
            }
        finally:
            connection.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


def test_an_older_database_is_left_alone_and_said_so(servers: dict[str, str], tmp_path: Path) -> None:
    running = Installation(tmp_path / "var", tmp_path / "log", **servers)
    assert running.process.wait(60) == 1
    # Above it stands that each machine would sign with a certificate of its own making.
    assert running.log.read_text().strip().splitlines()[-1] == (
        "CommandError: The database is of an older version. Run `python manage.py migrate` first."
    )


def test_it_runs_on_both_servers_and_starts_no_broker_of_its_own(
    servers: dict[str, str], tmp_path: Path
) -> None:
    migrate = [sys.executable, "manage.py", "migrate", "--verbosity", "0"]
    environ = {**os.environ, **servers, "DATA_DIR": str(tmp_path / "var")}
    environ["DJANGO_SETTINGS_MODULE"] = "servicedesk.settings"
    subprocess.run(migrate, cwd=ROOT, env=environ, check=True)
    running = Installation(tmp_path / "var", tmp_path / "log", **servers)
    try:
        found = running.await_health()
        assert (found["database"], found["broker"], found["jobs"]) == ("ok", "ok", "ok")
        assert not [line for line in below(running.process.pid).values() if "valkey" in line]
        assert not (tmp_path / "var" / "servicedesk.sqlite3").exists()
        assert not (tmp_path / "var" / "broker").exists()
    finally:
        running.end()
