"""The benchmark of the due engine runs at small size, says what it measured, and leaves no trace."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
KEYS = {
    "bench",
    "figure",
    "value",
    "unit",
    "rival",
    "ratio",
    "target",
    "met",
    "seed",
    "size",
    "database",
}


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, object]]:
    folder = tmp_path_factory.mktemp("bench")
    done = subprocess.run(
        [sys.executable, "manage.py", "bench", "due", "--units", "600", "--seed", "3"],
        cwd=ROOT,
        env={**os.environ, "DJANGO_SETTINGS_MODULE": "tests.settings", "TMPDIR": str(folder)},
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
    )
    assert list(folder.iterdir()) == [], "the throw-away database was left behind"
    return [json.loads(line) for line in done.stdout.splitlines() if line.strip()]


def test_every_line_is_one_object_of_the_same_form(lines: list[dict[str, object]]) -> None:
    assert all(set(line) >= KEYS for line in lines)
    assert {(line["bench"], line["seed"], line["size"]) for line in lines} == {("due", 3, 600)}


def test_the_figures_that_do_not_depend_on_the_clock_are_met(lines: list[dict[str, object]]) -> None:
    told = {str(line["figure"]): line for line in lines}
    for figure in (
        "obligations per unit, fewest",
        "units left to the scalar engine",
        "rows written by a second run",
        "peak memory of the process",
    ):
        assert told[figure]["met"] is True, figure
    nightly = told["nightly run with 0.5 % changed"]
    assert nightly["units_computed"] == nightly["units_changed"] == 3


def test_pages_come_with_the_plans_of_their_slowest_queries(lines: list[dict[str, object]]) -> None:
    pages = [line for line in lines if line["unit"] == "ms of server time"]
    assert len(pages) >= 9
    for page in pages:
        assert all({"ms", "sql", "plan"} <= set(query) for query in page["slowest"])  # type: ignore[attr-defined]
