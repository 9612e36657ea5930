"""The examples in the docstrings of the pure core run and are true."""

from __future__ import annotations

import doctest
from datetime import date
from fractions import Fraction
from importlib import import_module

import pytest


@pytest.mark.parametrize(
    "name",
    [
        "schedules.engine",
        "schedules.engine.quota",
        "schedules.engine.roll",
        "schedules.engine.tryout",
        "schedules.engine.whatif",
        "schedules.rules",
        "schedules.rules.period",
        "schedules.rules.specs",
    ],
)
def test_examples(name: str) -> None:
    module = import_module(name)
    found = doctest.testmod(module, extraglobs={"date": date, "Fraction": Fraction})
    assert found.attempted > 0
    assert found.failed == 0
