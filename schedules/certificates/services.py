"""Issuing, making, withdrawing and reissuing certificates."""

from __future__ import annotations

import hashlib
import logging
import os
import secrets
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

import kombu.exceptions
from celery import current_app
from celery.exceptions import SoftTimeLimitExceeded
from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import Site, Unit, local_today
from inventory.register.services import draw_numbers
from schedules.certificates.content import DoesNotReconcile, Heading, digest_of, visit_content
from schedules.certificates.models import Certificate, CertificateFile, Withdrawal
from schedules.certificates.paper import make_pdf
from schedules.certificates.period import MOST_MONTHS, period_content
from schedules.certificates.queries import CODE_ALPHABET, CODE_LENGTH, waiting_certificates
from schedules.certificates.signing import sign_pdf
from schedules.due.services import refresh_units
from schedules.visits.closing import Closing, close_visit
from schedules.visits.models import Visit

log = logging.getLogger(__name__)


class CertificateDamaged(RuntimeError):
    """Stored content or the stored file is not what was issued; nothing is handed out."""


# --- issuing ---------------------------------------------------------------------------------


@transaction.atomic
def close_with_certificate(
    visit: Visit, closing: Closing, *, by: Person, now: datetime
) -> tuple[Visit, Certificate]:
    """Close ``visit`` and issue its certificate in one transaction: both or neither.

    Raises what ``close_visit`` and ``issue_certificate`` raise.
    """
    closed = close_visit(visit, closing, by=by, now=now)
    return closed, issue_certificate(closed, by=by, now=now)


@transaction.atomic
def issue_certificate(visit: Visit, *, by: Person, now: datetime) -> Certificate:
    """Issue the certificate of a closed visit, or return the one that already stands.

    Raises ``Conflict`` when the visit is not closed, when its counts and records do not reconcile,
    or when its certificate was withdrawn (then it is reissued, not issued again).
    """
    visit = _closed(visit)
    newest = (
        Certificate.objects.filter(visit=visit, replaced_by__isnull=True).select_related("withdrawal").first()
    )
    if newest is not None:
        return _standing(newest)
    try:
        with transaction.atomic():
            return _issue(visit, by=by, now=now)
    except IntegrityError:
        # Somebody issued it between the look and the write; the number drawn here went back.
        newest = Certificate.objects.filter(visit=visit, replaces__isnull=True).first()
        if newest is None:
            raise
        return newest


def withdraw_certificate(certificate: Certificate, reason: str, *, by: Person, now: datetime) -> Withdrawal:
    """State that ``certificate`` no longer stands; paper and content stay as they were.

    Raises ``ValidationError`` without a reason and ``Conflict`` when it no longer stands already.
    """
    reason = reason.strip()
    if not reason:
        raise ValidationError(
            {"reason": "Say why the certificate is withdrawn: whoever checks it reads the reason."}
        )
    longest = Withdrawal._meta.get_field("reason").max_length or 0
    if len(reason) > longest:
        raise ValidationError({"reason": f"Say it in at most {longest} characters."})
    withdrawal = Withdrawal(certificate=certificate, withdrawn_at=now, withdrawn_by_id=by.pk, reason=reason)
    try:
        with transaction.atomic():
            withdrawal.save()
    except IntegrityError as twice:
        raise Conflict(
            "certificate_withdrawn",
            f"Certificate {certificate.number} was already withdrawn.",
            number=certificate.number,
        ) from twice
    return withdrawal


@transaction.atomic
def reissue_certificate(certificate: Certificate, reason: str, *, by: Person, now: datetime) -> Certificate:
    """Issue a new certificate in place of ``certificate``, from the records as they stand now; keep both.

    The old one is withdrawn with ``reason`` unless it was withdrawn before. Raises ``Conflict`` when
    it was already replaced, and what ``issue_certificate`` raises.
    """
    successor = Certificate.objects.filter(replaces=certificate).first()
    if successor is None:
        if not Withdrawal.objects.filter(certificate=certificate).exists():
            withdraw_certificate(certificate, reason, by=by, now=now)
        elif not reason.strip():
            raise ValidationError({"reason": "Say why the certificate is issued again."})
        try:
            with transaction.atomic():
                return _issue_again(certificate, reason.strip(), by=by, now=now)
        except IntegrityError:
            successor = Certificate.objects.filter(replaces=certificate).first()
            if successor is None:
                raise
    raise Conflict(
        "certificate_replaced",
        f"Certificate {certificate.number} was already replaced by {successor.number}. "
        "Reissue that one instead.",
        number=successor.number,
    )


def new_verify_code() -> str:
    """An unguessable code of 80 random bits in letters that cannot be confused."""
    return "".join(secrets.choice(CODE_ALPHABET) for _ in range(CODE_LENGTH))


def _closed(visit: Visit) -> Visit:
    fresh = Visit.objects.select_related("site__owner", "technician", "closed_by").get(pk=visit.pk)
    if fresh.state != Visit.State.CLOSED:
        raise Conflict(
            "visit_not_closed",
            f"Visit {fresh.number} is {fresh.get_state_display().lower()}. "
            "A certificate is issued for a closed visit.",
            state=fresh.state,
        )
    return fresh


def _standing(certificate: Certificate) -> Certificate:
    if hasattr(certificate, "withdrawal"):
        raise Conflict(
            "certificate_withdrawn",
            f"Certificate {certificate.number} of this visit was withdrawn. "
            "Reissue it, so that the new one names it.",
            number=certificate.number,
        )
    return certificate


def issue_period_certificate(
    site: Site, first_on: date, last_on: date, kind: str, *, by: Person, now: datetime
) -> Certificate:
    """Issue the paper of ``kind`` on ``site`` for a period, or return the one that stands already.

    Raises ``ValidationError`` for a period that is not over, is turned round or longer than
    13 months, and ``Conflict`` as ``issue_certificate`` does.
    """
    today = local_today(site, now)
    if last_on < first_on:
        raise ValidationError({"last_on": "The last day lies before the first."})
    if last_on > today:
        raise ValidationError({"last_on": f"The period must be over: today is {today} at the site."})
    if (last_on.year - first_on.year) * 12 + last_on.month - first_on.month >= MOST_MONTHS:
        raise ValidationError({"first_on": f"A period has at most {MOST_MONTHS} months."})
    wanted = Certificate.objects.filter(site=site, kind=kind, first_on=first_on, last_on=last_on)
    newest = wanted.filter(replaced_by__isnull=True).select_related("withdrawal").first()
    if newest is not None:
        return _standing(newest)
    try:
        with transaction.atomic():
            return _issue_period(site, first_on, last_on, kind, by=by, now=now)
    except IntegrityError:
        newest = wanted.filter(replaces__isnull=True).first()
        if newest is None:
            raise
        return newest


def _issue_again(certificate: Certificate, reason: str, *, by: Person, now: datetime) -> Certificate:
    if certificate.visit is not None:
        return _issue(_closed(certificate.visit), by=by, now=now, replaces=certificate, reason=reason)
    assert certificate.first_on is not None
    assert certificate.last_on is not None
    site = Site.objects.select_related("owner").get(pk=certificate.site_id)
    return _issue_period(
        site,
        certificate.first_on,
        certificate.last_on,
        certificate.kind,
        by=by,
        now=now,
        replaces=certificate,
        reason=reason,
    )


def _issue_period(
    site: Site,
    first_on: date,
    last_on: date,
    kind: str,
    *,
    by: Person,
    now: datetime,
    replaces: Certificate | None = None,
    reason: str = "",
) -> Certificate:
    return _store(
        site,
        lambda heading: period_content(site, first_on, last_on, heading, kind),
        by=by,
        now=now,
        replaces=replaces,
        reason=reason,
        kind=kind,
        first_on=first_on,
        last_on=last_on,
    )


def _issue(
    visit: Visit, *, by: Person, now: datetime, replaces: Certificate | None = None, reason: str = ""
) -> Certificate:
    return _store(
        visit.site,
        lambda heading: visit_content(visit, heading),
        by=by,
        now=now,
        replaces=replaces,
        reason=reason,
        visit=visit,
    )


def _store(
    site: Site,
    content_of: Callable[[Heading], dict[str, Any]],
    *,
    by: Person,
    now: datetime,
    replaces: Certificate | None,
    reason: str,
    **about: Any,
) -> Certificate:
    """Number, freeze and keep a certificate; ``about`` says what it is of."""
    # What the nightly sweep has not reached yet would be stated as it was, not as it is.
    refresh_units(Unit.objects.on_duty().filter(site=site).values_list("pk", flat=True), now=now)
    issued_on = local_today(site, now)
    number = f"C-{issued_on.year}-{draw_numbers(f'certificate-{issued_on.year}')[0]:06d}"
    code = new_verify_code()
    try:
        content = content_of(
            Heading(
                number=number,
                verify_code=code,
                issued_at=now,
                issued_on=issued_on,
                issued_by=by,
                replaces_number=replaces.number if replaces else "",
                replaces_reason=reason,
            )
        )
    except DoesNotReconcile as error:
        raise Conflict(
            "records_do_not_reconcile",
            f"{error.sentence} No certificate was issued. "
            "Correct the records, or ask a manager to look at them.",
            **error.extra,
        ) from error
    certificate = Certificate.objects.create(
        number=number,
        verify_code=code,
        owner=site.owner,
        site=site,
        issued_at=now,
        issued_on=issued_on,
        issued_by_id=by.pk,
        content=content,
        content_digest=digest_of(content),
        replaces=replaces,
        **about,
    )
    transaction.on_commit(nudge_rendering)
    return certificate


# --- making the paper ------------------------------------------------------------------------


def nudge_rendering() -> None:
    """Tell a worker that certificates wait; when none can be told, the next beat finds them."""
    try:
        current_app.send_task("schedules.tasks.render_waiting_certificates", expires=60, retry=False)
    except (kombu.exceptions.OperationalError, OSError) as error:
        log.info("No broker to tell about waiting certificates (%s); the periodic job makes them.", error)


def render_waiting() -> int:
    """Make the PDF of every certificate that has none yet; return how many were made.

    Safe in several workers at once and after a crash. One that cannot be made is logged and does
    not hold up the others.
    """
    made = 0
    # In no fixed order, so that two workers seldom make the same one.
    for pk in list(waiting_certificates().order_by("?").values_list("pk", flat=True)):
        certificate = waiting_certificates().filter(pk=pk).first()
        if certificate is None:
            continue
        try:
            _, is_new = _render(certificate)
        except SoftTimeLimitExceeded:
            raise
        except Exception:
            log.exception("Certificate %s could not be made.", certificate.number)
            continue
        made += is_new
    return made


def render_pdf(certificate: Certificate) -> CertificateFile:
    """Make the PDF of ``certificate`` from its frozen content, once, and return its file.

    Whoever comes second gets the first one's file. Raises ``CertificateDamaged`` when the stored
    content is not what was issued.
    """
    return _render(certificate)[0]


def _render(certificate: Certificate) -> tuple[CertificateFile, bool]:
    stored = CertificateFile.objects.filter(certificate=certificate).first()
    if stored is not None:
        return stored, False
    data, page_count = _make(certificate)
    name = default_storage.save(_file_name(certificate), ContentFile(data))
    _flush(name)
    file = CertificateFile(
        certificate=certificate,
        pdf=name,
        sha256=hashlib.sha256(data).hexdigest(),
        page_count=page_count,
        rendered_at=timezone.now(),
    )
    try:
        with transaction.atomic():
            file.save()
    except IntegrityError:
        default_storage.delete(name)
        return CertificateFile.objects.get(certificate=certificate), False
    except BaseException:
        default_storage.delete(name)
        raise
    return file, True


def pdf_bytes(certificate: Certificate) -> bytes:
    """The PDF of ``certificate``, made now if need be, byte for byte as it was first made.

    A file that went missing is made again and handed out when it comes out the same. Raises
    ``CertificateDamaged`` when the stored file or content was altered.
    """
    file = render_pdf(certificate)
    name = str(file.pdf.name)
    try:
        with default_storage.open(name, "rb") as stored:
            data: bytes = stored.read()
    except FileNotFoundError:
        data, _ = _make(certificate)
        _check(data, file, certificate)
        saved = default_storage.save(name, ContentFile(data))
        _flush(saved)
        if saved != name:  # Somebody else brought it back meanwhile.
            default_storage.delete(saved)
        return data
    _check(data, file, certificate)
    return data


def _check(data: bytes, file: CertificateFile, certificate: Certificate) -> None:
    if hashlib.sha256(data).hexdigest() != file.sha256:
        log.error("The stored file of certificate %s is not the one that was made.", certificate.number)
        raise CertificateDamaged(
            f"The stored file of certificate {certificate.number} was altered or lost after it was made and "
            "is not handed out. Bring it back from a backup, or reissue the certificate."
        )


def _make(certificate: Certificate) -> tuple[bytes, int]:
    content: dict[str, Any] = certificate.content
    if digest_of(content) != certificate.content_digest:
        log.error("The stored content of certificate %s is not what was issued.", certificate.number)
        raise CertificateDamaged(
            f"The stored content of certificate {certificate.number} is not what was issued; no paper is "
            "made from it. Bring it back from a backup, or reissue the certificate."
        )
    data, page_count = make_pdf(content, digest=certificate.content_digest)
    # Dated by the issue, not by the clock of whichever worker comes by: the same paper has the same bytes.
    return sign_pdf(data, at=certificate.issued_at, reason=f"Certificate {certificate.number}"), page_count


def _file_name(certificate: Certificate) -> str:
    return f"certificates/{certificate.issued_on.year}/{certificate.number}.pdf"


def _flush(name: str) -> None:
    """Have the file on the disk before the row that names it: after a power cut there is no empty paper."""
    try:
        path = Path(default_storage.path(name))
    except NotImplementedError:
        return  # Storage without local files keeps its own promises.
    for place in (path, path.parent):
        handle = os.open(place, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
