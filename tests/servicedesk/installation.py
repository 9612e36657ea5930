"""A running installation for tests: ``manage.py up`` in a data folder of its own."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 60.0


def until(what: str, look: Callable[[], Any]) -> Any:
    """The first true answer of ``look``; fails when none comes."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if found := look():
            return found
        time.sleep(0.05)
    raise AssertionError(f"never seen: {what}")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def processes() -> dict[int, tuple[int, str]]:
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


def below(pid: int) -> dict[int, str]:
    """Every descendant of ``pid`` with its command line."""
    running = processes()
    found: dict[int, str] = {}
    parents = {pid}
    while parents:
        children = {child for child, (parent, _) in running.items() if parent in parents}
        found |= {child: running[child][1] for child in children}
        parents = children
    return found


class Installation:
    """One running ``manage.py up`` in a data folder of its own."""

    def __init__(self, data_dir: Path, log: Path, **environ: str) -> None:
        self.data_dir, self.port, self.log, self._environ = data_dir, free_port(), log, environ
        with log.open("wb") as output:
            self.process = subprocess.Popen(
                self.command(), cwd=ROOT, env=self.environ(), stdout=output, stderr=subprocess.STDOUT
            )

    def environ(self) -> dict[str, str]:
        kept = {name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ}
        return {
            **kept,
            "DATA_DIR": str(self.data_dir),
            "WEB_PROCESSES": "1",
            "HEARTBEAT_S": "1",
            **self._environ,
        }

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

        return until(f"good health, see {self.log}", well)

    def part(self, word: str) -> int:
        """The process of the part whose command line holds ``word``: the eldest such below the supervisor."""
        return min((pid for pid, line in below(self.process.pid).items() if word in line), default=0)

    def end(self, *parts: int) -> None:
        """Leave no process behind, whatever a test found; ``parts`` too."""
        for pid in [self.process.pid, *below(self.process.pid), *parts]:
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        self.process.wait(10)
