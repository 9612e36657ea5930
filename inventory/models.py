"""Gathers the tables of this package for Django; import the slices elsewhere."""

from inventory.condition.models import LeakEstimate, LeakPeers
from inventory.logbook.erasures import ErasedField, ErasedRecord, Erasure, RecordOrigin
from inventory.logbook.models import Defect, Photo, Reading, ServiceRecord
from inventory.recalls.models import Recall, RecallStep, RecallUnit
from inventory.register.changes import FactChange, LocationAlias, OwnerChange, SameUnitDecision
from inventory.register.claims import Claim
from inventory.register.models import (
    AccessWindow,
    BlackoutPeriod,
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
from inventory.register.service_end import ServiceEnd
from inventory.register.terms import CallOff, ContractMark, TermsVersion
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
    "BlackoutPeriod",
    "Calibration",
    "CallOff",
    "CardEntry",
    "CardInstrument",
    "Claim",
    "ContractMark",
    "Defect",
    "Depot",
    "ErasedField",
    "ErasedRecord",
    "Erasure",
    "FactChange",
    "GasCylinder",
    "HouseStay",
    "Instrument",
    "Item",
    "JobCard",
    "LeakEstimate",
    "LeakPeers",
    "Loan",
    "Location",
    "LocationAlias",
    "Lot",
    "LotDecision",
    "LotSample",
    "Move",
    "NumberSeries",
    "Owner",
    "OwnerChange",
    "PartFit",
    "Photo",
    "Placement",
    "Reading",
    "Recall",
    "RecallStep",
    "RecallUnit",
    "RecordOrigin",
    "SameUnitDecision",
    "ServiceEnd",
    "ServiceRecord",
    "Site",
    "StockBalance",
    "StockMove",
    "Store",
    "TermsVersion",
    "Unit",
    "UnitModel",
    "WasteDrum",
    "WorkshopDefault",
]
