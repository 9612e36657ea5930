"""The cast of the owner's pages, and a stopped clock for them."""

from __future__ import annotations

import pytest

from tests.factories import NOW
from tests.servicedesk.portal.cast import Premises, make_premises


@pytest.fixture
def own(db: None, monkeypatch: pytest.MonkeyPatch) -> Premises:
    """The premises whose owner looks; every page is judged at ``NOW``."""
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    return make_premises("Harrow Mills", site="Mill Lane works")


@pytest.fixture
def strange(own: Premises) -> Premises:
    """Premises of another owner."""
    return make_premises("Pike Foundry", site="Quay Street foundry")
