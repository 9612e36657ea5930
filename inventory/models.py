"""Gathers the tables of this package for Django; import the slices elsewhere."""

from inventory.condition.models import LeakEstimate, LeakPeers
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
from inventory.register.places import Loan, Move, Store
from inventory.stock.models import (
    GasCylinder,
    Item,
    Lot,
    LotDecision,
    LotSample,
    PartFit,
    StockBalance,
    StockMove,
    WasteDrum,
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
    "GasCylinder",
    "HouseStay",
    "Instrument",
    "Item",
    "JobCard",
    "LeakEstimate",
    "LeakPeers",
    "Loan",
    "Location",
    "Lot",
    "LotDecision",
    "LotSample",
    "Move",
    "NumberSeries",
    "Owner",
    "PartFit",
    "Photo",
    "Placement",
    "Reading",
    "ServiceRecord",
    "Site",
    "StockBalance",
    "StockMove",
    "Store",
    "Unit",
    "UnitModel",
    "WasteDrum",
    "WorkshopDefault",
]
