"""Short searches: what is tested here is the frame, not the engine."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("schedules.routes.services.DRAG_S", 0.1)
    monkeypatch.setattr("schedules.routes.services.QUICK_S", 0.1)
