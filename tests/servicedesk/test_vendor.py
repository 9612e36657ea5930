"""Files taken over from other packages are the ones that their list names, and locks hold no address."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ["servicedesk/static/vendor", "tests/browser/vendor"]


@pytest.mark.parametrize("folder", FOLDERS)
def test_vendored_files_are_those_of_the_list(folder: str) -> None:
    root = ROOT / folder
    listed = {
        path: digest
        for package in json.loads((root / "VENDOR.json").read_text("utf-8")).values()
        for path, digest in package["files"].items()
    }
    found = {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in root.rglob("*")
        if path.is_file() and path.name != "VENDOR.json"
    }
    assert found == listed


@pytest.mark.parametrize("folder", FOLDERS)
def test_every_vendored_package_is_pinned_and_brings_its_licence(folder: str) -> None:
    package = json.loads((ROOT / "package.json").read_text("utf-8"))
    pinned = {**package["dependencies"], **package["devDependencies"]}
    listed = json.loads((ROOT / folder / "VENDOR.json").read_text("utf-8"))
    assert {name: entry["version"] for name, entry in listed.items()} == {
        name: pinned[name] for name in package["vendor"][folder]
    }
    for entry in listed.values():
        assert any(Path(path).name.upper().startswith("LICENSE") for path in entry["files"])


@pytest.mark.parametrize("lock", ["requirements/runtime.txt", "requirements/dev.txt", "package-lock.json"])
def test_locks_hold_hashes_and_no_address(lock: str) -> None:
    text = (ROOT / lock).read_text("utf-8")
    assert "://" not in text
    assert "sha256:" in text or "sha512-" in text
