"""Gathers the tables of this package for Django; import the slices elsewhere."""

from inventory.logbook.models import Defect, Photo, Reading, ServiceRecord
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
from inventory.workshop.models import (
    Calibration,
    CardEntry,
    CardInstrument,
    HouseStay,
    Instrument,
    JobCard,
    WorkshopDefault,
)

__all__ = [
    "AccessWindow",
    "Calibration",
    "CardEntry",
    "CardInstrument",
    "Defect",
    "Depot",
    "HouseStay",
    "Instrument",
    "JobCard",
    "Location",
    "NumberSeries",
    "Owner",
    "Photo",
    "Placement",
    "Reading",
    "ServiceRecord",
    "Site",
    "Unit",
    "UnitModel",
    "WorkshopDefault",
]
