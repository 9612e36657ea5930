"""``manage.py up`` for real: it serves, mends what dies, refuses what cannot be and leaves nothing behind."""

from __future__ import annotations

import json
import os
import re
import select
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from servicedesk import env

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 60.0

pytestmark = pytest.mark.embedded_home


def _until(what: str, look: Callable[[], Any]) -> Any:
    """The first true answer of ``look``; fails when none comes."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if found := look():
            return found
        time.sleep(0.05)
    raise AssertionError(f"never seen: {what}")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _processes() -> dict[int, tuple[int, str]]:
    """Parent and command line of every running process; a zombie has ended and does not count."""
    found = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                after_name = (entry / "stat").read_text().rpartition(")")[2].split()
                line = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
            except OSError:
                continue
            if after_name[0] != "Z":
                found[int(entry.name)] = (int(after_name[1]), line)
    return found


def _below(pid: int) -> dict[int, str]:
    """Every descendant of ``pid`` with its command line."""
    processes = _processes()
    found: dict[int, str] = {}
    parents = {pid}
    while parents:
        children = {child for child, (parent, _) in processes.items() if parent in parents}
        found |= {child: processes[child][1] for child in children}
        parents = children
    return found


class Installation:
    """One running ``manage.py up`` in a data folder of its own."""

    def __init__(self, data_dir: Path, log: Path) -> None:
        self.data_dir, self.port, self.log = data_dir, _free_port(), log
        with log.open("wb") as output:
            self.process = subprocess.Popen(
                self.command(), cwd=ROOT, env=self.environ(), stdout=output, stderr=subprocess.STDOUT
            )

    def environ(self) -> dict[str, str]:
        kept = {name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ}
        return {**kept, "DATA_DIR": str(self.data_dir), "WEB_PROCESSES": "1", "HEARTBEAT_S": "1"}

    def command(self) -> list[str]:
        return [sys.executable, "manage.py", "up", "--port", str(self.port)]

    def health(self) -> tuple[int, dict[str, Any]]:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/healthz", timeout=10) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as answer:
            with answer:
                return answer.code, json.load(answer)
        except OSError:
            return 0, {}

    def await_health(self) -> dict[str, Any]:
        def well() -> dict[str, Any] | None:
            assert self.process.poll() is None, self.log.read_text()
            status, found = self.health()
            return found if status == 200 else None

        return _until(f"good health, see {self.log}", well)

    def part(self, word: str) -> int:
        """The process of the part whose command line holds ``word``: the eldest such below the supervisor."""
        return min((pid for pid, line in _below(self.process.pid).items() if word in line), default=0)

    def end(self) -> None:
        for pid in [self.process.pid, *_below(self.process.pid)]:
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        self.process.wait(10)


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
    _until(
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
    helpers = _below(killed)
    os.kill(killed, signal.SIGKILL)
    _until(f"another {word}", lambda: installation.part(word) not in (0, killed))
    _until("the end of its helpers", lambda: not helpers.keys() & _processes().keys())
    before = installation.await_health()["last_beat_at"]
    _until("a heartbeat after that", lambda: (installation.health()[1].get("last_beat_at") or "") > before)


def test_a_second_one_in_the_same_folder_is_refused(installation: Installation) -> None:
    installation.await_health()
    refused = subprocess.run(
        [*installation.command()[:-1], str(_free_port())],
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
    all_parts = _below(installation.process.pid)
    assert len(all_parts) >= 6  # broker, web server and its process, worker and its process, beat
    asked_at = time.monotonic()
    installation.process.send_signal(signal.SIGTERM)
    assert installation.process.wait(PATIENCE_S) == 0
    assert time.monotonic() - asked_at < 20
    assert not all_parts.keys() & _processes().keys()
    assert installation.log.read_text().splitlines()[-1] == "All parts have stopped."
    assert not env.socket_path(installation.data_dir).exists()


def test_a_killed_supervisor_takes_its_parts_along(tmp_path: Path) -> None:
    # Deep, so that the broker's socket must lie elsewhere.
    running = Installation(tmp_path / ("deep " * 20) / "var", tmp_path / "log")
    try:
        running.await_health()
        all_parts = _below(running.process.pid)
        watches = [os.pidfd_open(pid) for pid in all_parts]
        running.process.kill()
        for watch in watches:
            assert select.select([watch], [], [], PATIENCE_S)[0] == [watch]
            os.close(watch)
    finally:
        running.end()
    assert env.socket_path(running.data_dir).parent == Path(f"/tmp/servicedesk-{os.getuid()}")
