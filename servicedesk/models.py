"""Gathers the tables of this package for Django; import the slices elsewhere."""

from servicedesk.accounts.models import OwnerMembership, User
from servicedesk.api.models import IdempotentAnswer
from servicedesk.documents.models import LabelPrint
from servicedesk.notices.models import Deadline, Notice, NoticeChoice
from servicedesk.portal.models import CalendarAddress

__all__ = [
    "CalendarAddress",
    "Deadline",
    "IdempotentAnswer",
    "LabelPrint",
    "Notice",
    "NoticeChoice",
    "OwnerMembership",
    "User",
]
