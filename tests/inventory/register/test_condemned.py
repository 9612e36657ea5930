"""A condemned shell that turns up again does not enter the register as a new unit."""

from __future__ import annotations

import pytest

from inventory.register.models import Unit
from inventory.register.queries import condemned_serials
from tests.factories import make_model, make_unit

pytestmark = pytest.mark.django_db


def test_its_serial_is_known_again_in_any_spelling() -> None:
    model = make_model(maker="Calder Works")
    unit = make_unit(model=model, serial="AB-123", state=Unit.State.DISPOSED, refresh=False)
    make_unit(model=model, serial="AB-124", refresh=False)
    make_unit(model=model, serial="", state=Unit.State.CONDEMNED, refresh=False)
    wanted = [
        ("calder works", "ab 123"),
        ("Calder Works", "AB-124"),
        ("Calder Works", ""),
        ("Other", "AB-123"),
    ]
    assert condemned_serials(wanted) == {("calder works", "ab 123"): unit}
