"""The two documents at the top name what is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_path_that_a_document_names_exists(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    folders = r"servicedesk|inventory|schedules|templates|tests|fixtures|\.ci"
    named = set(re.findall(rf"`((?:{folders})/[\w./-]*)`", text))
    named |= {t for t in re.findall(r"\]\(([\w./-]+)", text) if not t.startswith("http")}
    assert len(named) > (20 if name == "DEVELOPERS.md" else 1)
    assert sorted(path for path in named if not (ROOT / path).exists()) == []


def test_every_setting_is_in_the_developers_guide():
    settings = (ROOT / "servicedesk" / "settings.py").read_text(encoding="utf-8")
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    read = set(re.findall(r'env_\w+\(\s*"([A-Z_]+)"', settings))
    assert len(read) > 20
    assert sorted(name for name in read if f"`{name}`" not in guide) == []
