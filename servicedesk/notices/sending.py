"""Sends what waits: claimed by one worker, tried again with growing pauses, given up after two days.

A worker that dies between handing a mail over and noting it sends it again when its claim runs out: at
least once. The Message-ID is the notice's own, so that mail programs show the second as the first.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from smtplib import SMTPException
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.db.models import F, Q

from servicedesk.notices.deadlines import met_by_mail
from servicedesk.notices.kinds import NoticeKind
from servicedesk.notices.models import Notice

log = logging.getLogger(__name__)

CLAIM = timedelta(minutes=5)
BATCH = 50
# Together about two days; a notice that is older than that only confuses.
PAUSES = tuple(timedelta(minutes=m) for m in (1, 5, 15, 60, 240, 720, 1440))


def send_waiting(now: datetime) -> int:
    """Send one batch of the notices that wait at ``now``; return how many were sent."""
    mine = _claim(now)
    if not mine:
        return 0
    sent = 0
    connection: Any = get_connection(fail_silently=False)
    try:
        for notice in mine:
            sent += _send(notice, connection, now)
    finally:
        try:
            connection.close()
        except (SMTPException, OSError) as error:
            log.info("The connection to the mail server did not end well: %s", error)
    return sent


def _claim(now: datetime) -> list[Notice]:
    """Take up to a batch of waiting notices for this worker alone."""
    free = Q(claimed_until__isnull=True) | Q(claimed_until__lte=now)
    waiting = Notice.objects.waiting().filter(free, next_try_at__lte=now).order_by("next_try_at", "pk")
    # One conditional UPDATE settles who has it, on either database.
    return [
        notice
        for notice in waiting.select_related("person")[:BATCH]
        if Notice.objects.waiting().filter(free, pk=notice.pk).update(claimed_until=now + CLAIM)
    ]


def _send(notice: Notice, connection: Any, now: datetime) -> bool:
    host = urlsplit(settings.PUBLIC_URL).hostname or "localhost"
    mail = EmailMessage(
        subject=notice.subject,
        body=notice.text,
        from_email=settings.DEFAULT_FROM_EMAIL,
        to=[notice.address],
        headers={
            "Message-ID": f"<{notice.public_id}@{host}>",
            "Content-Language": notice.language,
            # RFC 3834: no robot shall answer.
            "Auto-Submitted": "auto-generated",
        },
        connection=connection,
    )
    row = Notice.objects.filter(pk=notice.pk)
    try:
        mail.send()
    except (SMTPException, OSError) as error:
        tries = notice.tries + 1
        over = tries > len(PAUSES)
        row.update(
            tries=tries,
            last_error=str(error)[:300],
            claimed_until=None,
            next_try_at=now if over else now + PAUSES[tries - 1],
            given_up_at=now if over else None,
        )
        log.warning("Mail %s to %s could not be sent (%s).", notice.public_id, notice.address, error)
        return False
    row.update(sent_at=now, tries=F("tries") + 1, last_error="", claimed_until=None)
    if notice.kind == NoticeKind.CRITICAL:
        met_by_mail(notice.key.split(":", 1)[1], notice.address, now)
    return True


def try_again(notice: Notice, *, now: datetime) -> bool:
    """Have ``notice`` tried again now, also after it was given up; False when it was sent meanwhile."""
    return bool(
        Notice.objects.filter(pk=notice.pk, sent_at__isnull=True).update(
            next_try_at=now, given_up_at=None, claimed_until=None, tries=0
        )
    )
