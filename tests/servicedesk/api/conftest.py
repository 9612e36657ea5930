"""What the API's tests share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.core.cache import cache
from django.utils import timezone

from tests.factories import NOW
from tests.servicedesk.api.cast import Premises, make_premises


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Stand still at ``NOW``, and forget calls of other tests that count against a rate."""
    monkeypatch.setattr(timezone, "now", lambda: NOW)
    cache.clear()
    yield
    cache.clear()


@pytest.fixture
def alder(db: None) -> Premises:
    """The premises that the tests work on."""
    return make_premises("Alder")


@pytest.fixture
def birch(db: None) -> Premises:
    """Somebody else's premises, which must not show."""
    return make_premises("Birch")
