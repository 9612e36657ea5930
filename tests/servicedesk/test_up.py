"""``manage.py up`` for real: it serves, mends what dies, refuses what cannot be and leaves nothing behind."""

from __future__ import annotations

import json
import os
import re
import select
import signal
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from servicedesk import env
from tests.servicedesk.installation import PATIENCE_S, ROOT, Installation, below, free_port, processes, until

pytestmark = pytest.mark.embedded_home


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Installation]:
    folder = tmp_path_factory.mktemp("up")
    # Blanks and signs, since the path goes into addresses of database and broker.
    running = Installation(folder / "50% of it", folder / "log")
    yield running
    running.end()


def test_it_serves_and_every_part_is_well(installation: Installation) -> None:
    found = installation.await_health()
    assert {name: found[name] for name in ("status", "database", "broker", "jobs")} == {
        "status": "ok",
        "database": "ok",
        "broker": "ok",
        "jobs": "ok",
    }
    until(
        "its address",
        lambda: f"Serving at http://localhost:{installation.port}/" in installation.log.read_text(),
    )


def test_static_files_come_under_hashed_names_with_strict_headers(installation: Installation) -> None:
    installation.await_health()
    manifest = json.loads((installation.data_dir / "static" / "staticfiles.json").read_text())
    hashed = manifest["paths"]["tokens.css"]
    assert re.fullmatch(r"tokens\.[0-9a-f]{12}\.css", hashed)
    with urllib.request.urlopen(
        f"http://127.0.0.1:{installation.port}/static/{hashed}", timeout=10
    ) as answer:
        assert "immutable" in answer.headers["Cache-Control"]
    with urllib.request.urlopen(f"http://127.0.0.1:{installation.port}/healthz", timeout=10) as answer:
        policy = dict(
            part.strip().partition(" ")[::2] for part in answer.headers["Content-Security-Policy"].split(";")
        )
        assert policy["default-src"] == "'self'"
        assert policy["object-src"] == "'none'"
        assert policy["frame-ancestors"] == "'none'"
        assert "unsafe" not in answer.headers["Content-Security-Policy"]
        assert answer.headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize("word", [" worker ", " beat ", "gunicorn", "valkey-server"])
def test_a_killed_part_comes_back_and_the_whole_is_well_again(installation: Installation, word: str) -> None:
    installation.await_health()
    killed = installation.part(word)
    assert killed
    helpers = below(killed)
    os.kill(killed, signal.SIGKILL)
    until(f"another {word}", lambda: installation.part(word) not in (0, killed))
    until("the end of its helpers", lambda: not helpers.keys() & processes().keys())
    before = installation.await_health()["last_beat_at"]
    until("a heartbeat after that", lambda: (installation.health()[1].get("last_beat_at") or "") > before)


def test_a_second_one_in_the_same_folder_is_refused(installation: Installation) -> None:
    installation.await_health()
    refused = subprocess.run(
        [*installation.command()[:-1], str(free_port())],
        cwd=ROOT,
        env=installation.environ(),
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert refused.returncode == 1
    assert refused.stderr.strip() == (
        f"CommandError: This installation is running already (process {installation.process.pid}). "
        "Stop it first, or set DATA_DIR to another folder."
    )
    installation.await_health()


def test_a_taken_port_is_refused_with_the_remedy(installation: Installation, tmp_path: Path) -> None:
    installation.await_health()
    refused = subprocess.run(
        installation.command(),
        cwd=ROOT,
        env={**installation.environ(), "DATA_DIR": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert refused.returncode == 1
    assert refused.stderr.strip() == (
        f"CommandError: Cannot listen on 127.0.0.1:{installation.port}: Address already in use. "
        f"Stop what uses that port, or choose another, for example `make run PORT={installation.port + 1}`."
    )


def test_a_request_to_stop_ends_every_part_within_seconds(installation: Installation) -> None:
    installation.await_health()
    all_parts = below(installation.process.pid)
    assert len(all_parts) >= 6  # broker, web server and its process, worker and its process, beat
    asked_at = time.monotonic()
    installation.process.send_signal(signal.SIGTERM)
    assert installation.process.wait(PATIENCE_S) == 0
    assert time.monotonic() - asked_at < 20
    assert not all_parts.keys() & processes().keys()
    assert installation.log.read_text().splitlines()[-1] == "All parts have stopped."
    assert not env.socket_path(installation.data_dir).exists()


def test_a_killed_supervisor_takes_its_parts_along(tmp_path: Path) -> None:
    # Deep, so that the broker's socket must lie elsewhere.
    running = Installation(tmp_path / ("deep " * 20) / "var", tmp_path / "log")
    all_parts: dict[int, str] = {}
    try:
        running.await_health()
        all_parts = below(running.process.pid)
        watches = [os.pidfd_open(pid) for pid in all_parts]
        running.process.kill()
        for watch in watches:
            assert select.select([watch], [], [], PATIENCE_S)[0] == [watch]
            os.close(watch)
    finally:
        running.end(*all_parts)
    assert env.socket_path(running.data_dir).parent == Path(f"/tmp/servicedesk-{os.getuid()}")
