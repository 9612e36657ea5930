"""Gathers the tables of this package for Django; import the slices elsewhere."""

from inventory.logbook.models import Reading, ServiceRecord
from inventory.register.models import (
    AccessWindow,
    Depot,
    Location,
    NumberSeries,
    Owner,
    Placement,
    Site,
    Unit,
    UnitModel,
)

__all__ = [
    "AccessWindow",
    "Depot",
    "Location",
    "NumberSeries",
    "Owner",
    "Placement",
    "Reading",
    "ServiceRecord",
    "Site",
    "Unit",
    "UnitModel",
]
