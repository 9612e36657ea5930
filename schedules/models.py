"""Gathers the tables of this package for Django; import the slices elsewhere."""

from schedules.certificates.models import Certificate, CertificateFile, Withdrawal
from schedules.due.models import Freshness, Obligation
from schedules.rulebook.models import Adoption, Confirmation, Variation
from schedules.visits.models import Job, Visit, VisitEntry

__all__ = [
    "Adoption",
    "Certificate",
    "CertificateFile",
    "Confirmation",
    "Freshness",
    "Job",
    "Obligation",
    "Variation",
    "Visit",
    "VisitEntry",
    "Withdrawal",
]
