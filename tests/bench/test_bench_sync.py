"""The fault run at small size, over a real server that is killed: nothing lost, nothing doubled."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_records_come_through_a_bad_line_and_a_killed_server_once(tmp_path: Path) -> None:
    done = subprocess.run(
        [
            *(sys.executable, "manage.py", "bench", "sync", "--units", "200", "--phones", "2"),
            *("--waiting", "50", "--kill-after", "4", "--seed", "5"),
        ],
        cwd=ROOT,
        # The real settings: server and run must agree on how passwords are kept.
        env={
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "servicedesk.settings",
            "DATA_DIR": str(tmp_path),
            "TMPDIR": str(tmp_path),
        },
        capture_output=True,
        text=True,
        timeout=600,
        check=True,
    )
    lines = {line["figure"]: line for line in map(json.loads, done.stdout.splitlines())}
    assert lines["records made of them"]["value"] == 200
    for figure in ("lost", "doubled", "visits left open", "certificates missing"):
        assert (lines[figure]["value"], lines[figure]["met"]) == (0, True), figure
    assert lines["acts sent over the bad line"]["kills"] >= 1
    assert lines["waiting records sent"]["refused"] == 0
