"""The units as one flat table under the headings that Bring in knows, one row a unit on duty.

For houses that cannot take the JSON form, and to go through a register in a spreadsheet. What a later
import of it would only repeat is left out: dates of our own work stand in the records.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from inventory.measures.stamps import Precision, Stamp
from inventory.register.models import Unit
from servicedesk.exchange.writing import csv_lines
from servicedesk.handover.tables import Cover

NAME = "bring-in.csv"
HEADINGS = (
    "Owner", "Owner email", "Site code", "Site name", "Address", "City", "Region", "Postcode", "Country",
    "Latitude", "Longitude", "Time zone", "Location number", "Location", "Building", "Floor", "Hazard",
    "Environment", "Unit number", "Serial", "Maker", "Model", "Agent", "Construction", "Shell",
    "Cylinder spec", "Charge", "Water capacity", "Working pressure", "Test pressure", "Full mass", "Made",
)  # fmt: skip


def bring_in_rows(cover: Cover) -> Iterator[list[Any]]:
    """One row for each unit that hangs or belongs at covered premises."""
    units = (
        cover.units()
        .on_duty()  # type: ignore[attr-defined]
        .filter(location__isnull=False)
        .select_related("site__owner", "location", "model")
        .order_by("site__code", "location__walking_order", "location__number", "pk")
    )
    for unit in units.iterator(1000):
        yield _row(unit)


def bring_in_parts(cover: Cover) -> Iterator[bytes]:
    """The CSV file."""
    yield from (line.encode() for line in csv_lines(HEADINGS, bring_in_rows(cover)))


def _row(unit: Unit) -> list[Any]:
    site, place, model = unit.site, unit.location, unit.model
    assert site is not None
    assert place is not None
    return [
        site.owner.name, site.owner.contact_email, site.code, site.name, site.address_line, site.city,
        site.region, site.postcode, site.country, site.latitude, site.longitude, site.time_zone,
        place.number, place.description, place.building, place.floor, place.hazard,
        _word(place.environment), unit.number, unit.serial, model.maker, model.name, _word(model.agent),
        _word(model.construction), _word(model.shell), model.cylinder_spec, model.charge_text,
        _measure(model.water_capacity_ml, "L"), _plain(model.working_pressure_kpa, "kPa"),
        _plain(model.test_pressure_kpa, "kPa"), _measure(model.full_mass_g, "kg"), _mark(unit.made),
    ]  # fmt: skip


def _word(code: str) -> str:
    return "" if code == "unknown" else code.replace("_", " ")


def _plain(value: int | None, unit: str) -> str:
    return "" if value is None else f"{value} {unit}"


def _measure(thousandths: int | None, unit: str) -> str:
    return "" if thousandths is None else f"{Decimal(thousandths) / 1000:f} {unit}"


def _mark(made: Stamp) -> str:
    """The mark as precisely as it is known; as read where it is a span of its own."""
    if made.first is None:
        return made.raw
    if made.precision is Precision.DAY:
        return made.first.isoformat()
    if made.precision is Precision.MONTH:
        return f"{made.first:%Y-%m}"
    return f"{made.first:%Y}" if made.precision is Precision.YEAR else made.raw
