"""Gathers the tables of this package for Django; import the slices elsewhere."""

from servicedesk.accounts.models import OwnerMembership, User
from servicedesk.api.models import IdempotentAnswer
from servicedesk.desk.models import ManyAct, SavedFilter
from servicedesk.documents.models import LabelPrint
from servicedesk.exchange.models import (
    ImportEffect,
    ImportFinding,
    ImportLine,
    RegisterImport,
    RegisterSource,
    SourceLayout,
)
from servicedesk.handover.models import HandedRow, HandoverRun, House, TakeOver
from servicedesk.notices.models import Deadline, Notice, NoticeChoice
from servicedesk.portal.models import CalendarAddress

__all__ = [
    "CalendarAddress",
    "Deadline",
    "HandedRow",
    "HandoverRun",
    "House",
    "IdempotentAnswer",
    "ImportEffect",
    "ImportFinding",
    "ImportLine",
    "LabelPrint",
    "ManyAct",
    "Notice",
    "NoticeChoice",
    "OwnerMembership",
    "RegisterImport",
    "RegisterSource",
    "SavedFilter",
    "SourceLayout",
    "TakeOver",
    "User",
]
