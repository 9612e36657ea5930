"""A stopped clock and the standing cast."""

from __future__ import annotations

import pytest

from tests.factories import NOW
from tests.servicedesk.page_cast import Cast, make_cast


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every page is judged at ``NOW``."""
    monkeypatch.setattr("servicedesk.pages.clock", lambda: NOW)


@pytest.fixture
def cast(db: None) -> Cast:
    """Two owners, their sites, and a person of every role."""
    return make_cast()
