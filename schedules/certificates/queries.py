"""Reading certificates: lists, whether one stands, and what a verification code leads to."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from django.db.models import OuterRef, QuerySet, Subquery

from inventory.access import Scope
from inventory.logbook.models import ServiceRecord
from schedules.certificates.models import Certificate, CertificateFlag
from schedules.visits.models import Visit

# Crockford's alphabet: no I, L, O, U, so that nothing is read as a figure or makes a word.
CODE_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
CODE_LENGTH = 16
_READ_AS = str.maketrans({"I": "1", "L": "1", "O": "0", "U": "V"})


class Standing(StrEnum):
    """Whether a certificate stands; read off withdrawals and successors, never stored."""

    STANDS = "stands"
    WITHDRAWN = "withdrawn"
    REPLACED = "replaced"


@dataclass(frozen=True, slots=True)
class StandingState:
    """How a certificate stands, with one sentence for people."""

    standing: Standing
    sentence: str
    withdrawn_at: datetime | None = None
    reason: str = ""
    replaced_by: str = ""
    flagged_on: date | None = None
    """When a fact that it states was last corrected; the certificate itself stays as issued."""


def standing_of(certificate: Certificate) -> StandingState:
    """How ``certificate`` stands now; needs no query on rows from ``certificates_for``."""
    withdrawal = getattr(certificate, "withdrawal", None)
    flagged_on: date | None = getattr(certificate, "flagged_on", None)
    successor = getattr(certificate, "replaced_by", None)
    if successor is not None:
        return StandingState(
            Standing.REPLACED,
            f"This certificate no longer stands. It was replaced by {successor.number}.",
            withdrawn_at=withdrawal.withdrawn_at if withdrawal else None,
            reason=withdrawal.reason if withdrawal else "",
            replaced_by=successor.number,
            flagged_on=flagged_on,
        )
    if withdrawal is not None:
        return StandingState(
            Standing.WITHDRAWN,
            "This certificate was withdrawn and no longer stands.",
            withdrawn_at=withdrawal.withdrawn_at,
            reason=withdrawal.reason,
            flagged_on=flagged_on,
        )
    if flagged_on is not None:
        return StandingState(
            Standing.STANDS,
            "This certificate stands as issued, but a fact it states was corrected on "
            f"{flagged_on.day} {flagged_on:%b %Y}.",
            flagged_on=flagged_on,
        )
    return StandingState(Standing.STANDS, "This certificate stands as issued.")


def with_flags(rows: QuerySet[Certificate]) -> QuerySet[Certificate]:
    """Each of ``rows`` with ``flagged_on``, the day on which a fact that it states was last corrected."""
    flags = CertificateFlag.objects.filter(certificate=OuterRef("pk")).order_by("-pk")
    return rows.annotate(flagged_on=Subquery(flags.values("corrected_on")[:1]))


def certificates_for(scope: Scope) -> QuerySet[Certificate]:
    """Certificates that ``scope`` may see, newest first, for a list: one query, without the long content."""
    return (
        with_flags(Certificate.objects.visible_to(scope))
        .select_related("owner", "site", "visit", "withdrawal", "replaced_by", "file")
        .defer("content", "replaced_by__content")
    )


def waiting_certificates() -> QuerySet[Certificate]:
    """Certificates whose PDF has not been made yet."""
    return Certificate.objects.filter(file__isnull=True)


def read_code(text: str) -> str:
    """The stored form of a typed verification code, or an empty text when it cannot be one.

    Case, blanks and hyphens do not matter; letters that the alphabet leaves out are taken for the
    figure or letter they look like.
    """
    code = "".join(text.split()).replace("-", "").upper().translate(_READ_AS)
    return code if len(code) == CODE_LENGTH and all(c in CODE_ALPHABET for c in code) else ""


def certificate_by_code(text: str) -> Certificate | None:
    """The certificate that was issued under a typed verification code, or None."""
    code = read_code(text)
    if not code:
        return None
    return (
        with_flags(Certificate.objects.select_related("site", "withdrawal", "replaced_by", "file"))
        .defer("replaced_by__content")
        .filter(verify_code=code)
        .first()
    )


def corrections_since(certificate: Certificate) -> QuerySet[ServiceRecord]:
    """Records that were corrected after ``certificate`` was issued over them: a reason to reissue it."""
    rows = ServiceRecord.objects.filter(corrects__isnull=False, received_at__gt=certificate.issued_at)
    if certificate.visit is not None:
        rows = rows.filter(visit_ref=certificate.visit.public_id)
    else:
        visits = Visit.objects.filter(
            site=certificate.site, done_on__gte=certificate.first_on, done_on__lte=certificate.last_on
        )
        rows = rows.filter(visit_ref__in=visits.values("public_id"))
    return rows.select_related("unit", "corrects")


def flags_of(certificate: Certificate) -> QuerySet[CertificateFlag]:
    """What was corrected since among the facts that ``certificate`` states, newest first."""
    return CertificateFlag.objects.filter(certificate=certificate).order_by("-pk")
