"""The cast of the technician's pages: one visit with three units, and a stopped clock."""

from __future__ import annotations

import pytest

from inventory.measures.stamps import Stamp
from tests.factories import (
    NOW,
    make_location,
    make_owner,
    make_record,
    make_site,
    make_unit,
    make_user,
    make_visit,
)
from tests.servicedesk.field.cast import Field


@pytest.fixture(autouse=True)
def stopped_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every page is judged at ``NOW``."""
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)


@pytest.fixture
def crew(db: None) -> Field:
    """A technician, signed in, with a confirmed visit today to three serviced stored-pressure units."""
    technician = make_user("technician", first_name="Ines", last_name="Rowntree")
    site = make_site(make_owner(name="Harrow Mills"), name="Mill Lane works")
    units = []
    for number in ("010", "002", "001"):
        place = make_location(site, number=number, walking_order=int(number), floor="Ground")
        unit = make_unit(location=place, made=Stamp.of(2025, 3), refresh=False)
        make_record(unit, done=Stamp.of(2025, 12, 1))
        units.append(unit)
    visit = make_visit(site, units, technician=technician)
    cast = Field(technician, site, visit, units)
    cast.client.force_login(technician)
    return cast
