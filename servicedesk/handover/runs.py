"""Handovers that take longer than a page waits for: written in the background, told how far they are.

A worker that dies leaves its claim behind; when that runs out the next one begins the file anew. The file
lies below the media folder until it is a week old, and is handed out to those who may hand over only.
"""

from __future__ import annotations

import hashlib
import logging
import os
from datetime import datetime, timedelta
from pathlib import Path

import kombu.exceptions
from celery import current_app
from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from inventory.people import Person
from inventory.register.models import Owner, Site
from servicedesk.handover.made import number_of
from servicedesk.handover.models import HandoverRun
from servicedesk.handover.tables import Cover
from servicedesk.handover.writing import file_stem, rows_in, write_handover

log = logging.getLogger(__name__)

AT_ONCE = 3_000
"""So many rows are written while the page waits: a second or two."""
MADE_AT_ONCE = 4
"""And so many papers are made meanwhile."""
CLAIM = timedelta(minutes=5)
KEPT = timedelta(days=7)


class _Stopped(Exception):
    """Somebody does not want the file any more."""


def cover_of(run: HandoverRun) -> Cover:
    """What the run covers."""
    return Cover(site=run.site, owner=run.owner)


def ask(
    *,
    site: Site | None,
    owner: Owner | None,
    form: str,
    with_papers: bool,
    by: Person,
    now: datetime,
) -> HandoverRun:
    """A new handover: written now when it is small, otherwise by a worker."""
    if form not in HandoverRun.Form.values:
        raise ValidationError({"form": "Choose JSON, CSV or XLSX."})
    level = "site" if site else "owner" if owner else "firm"
    run = HandoverRun(
        level=level,
        site=site,
        owner=owner,
        form=form,
        with_papers=with_papers,
        asked_by_id=by.pk,
        asked_at=now,
    )
    run.rows_total = rows_in(cover_of(run))
    run.full_clean()
    run.save()
    is_small = run.rows_total <= AT_ONCE
    if is_small and (not with_papers or number_of(cover_of(run), now) <= MADE_AT_ONCE):
        work_on(run.pk)
        run.refresh_from_db()
    else:
        transaction.on_commit(lambda: nudge(run.pk))
    return run


def stop(run: HandoverRun) -> None:
    """Have the worker stop and drop what it wrote."""
    HandoverRun.objects.filter(pk=run.pk, finished_at__isnull=True).update(is_stopped=True)


def waiting_runs(now: datetime) -> list[int]:
    """Runs that are not done and that no living worker is busy with; old files are dropped."""
    for old in HandoverRun.objects.filter(asked_at__lt=now - KEPT):
        if old.file_name:
            path_of(old).unlink(missing_ok=True)
        old.delete()
    return list(
        HandoverRun.objects.filter(_free(now), finished_at__isnull=True, is_stopped=False)
        .order_by("pk")
        .values_list("pk", flat=True)
    )


def nudge(run_id: int) -> None:
    """Tell a worker; when none can be told, the next beat finds the run."""
    try:
        current_app.send_task("servicedesk.tasks.write_handover", [run_id], expires=60, retry=False)
    except (kombu.exceptions.OperationalError, OSError) as error:
        log.info("No broker to tell about a handover (%s); the periodic job finds it.", error)


def path_of(run: HandoverRun) -> Path:
    """Where the file of a run lies."""
    return Path(settings.MEDIA_ROOT) / run.file_name


def work_on(run_id: int) -> bool:
    """Write the file of a run; True when it is done."""
    now = timezone.now()
    mine = HandoverRun.objects.filter(_free(now), pk=run_id, finished_at__isnull=True, is_stopped=False)
    claim = now + CLAIM
    if not mine.update(claimed_until=claim, rows_done=0, error=""):
        return False
    run = HandoverRun.objects.select_related("site__owner", "owner").get(pk=run_id)
    folder = Path(settings.MEDIA_ROOT) / "handovers"
    folder.mkdir(parents=True, exist_ok=True)
    partial = folder / f"{run.public_id}.partial"

    def heard(table: str, rows: int) -> None:
        nonlocal claim
        longer = timezone.now() + CLAIM
        # Another worker that took over meanwhile holds another claim: then this one has nothing to say.
        held = HandoverRun.objects.filter(pk=run_id, claimed_until=claim, is_stopped=False).update(
            claimed_until=longer, rows_done=rows, at_table=table
        )
        if not held:
            raise _Stopped
        claim = longer

    try:
        with partial.open("w+b") as file:
            write_handover(file, cover_of(run), run.form, at=now, with_papers=run.with_papers, heard=heard)
            file.flush()
            os.fsync(file.fileno())
            length = file.tell()
            file.seek(0)
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except _Stopped:
        partial.unlink(missing_ok=True)
        HandoverRun.objects.filter(pk=run_id, claimed_until=claim).update(claimed_until=None)
        return False
    except Exception as error:
        partial.unlink(missing_ok=True)
        log.exception("Handover %s could not be written.", run.public_id)
        HandoverRun.objects.filter(pk=run_id, claimed_until=claim).update(
            claimed_until=None, is_stopped=True, error=f"{type(error).__name__}: {error}"[:300]
        )
        return False
    name = f"handovers/{run.public_id}.zip"
    os.replace(partial, Path(settings.MEDIA_ROOT) / name)
    return bool(
        HandoverRun.objects.filter(pk=run_id, claimed_until=claim).update(
            claimed_until=None,
            finished_at=timezone.now(),
            file_name=name,
            file_length=length,
            file_sha256=digest,
            at_table="",
        )
    )


def download_name(run: HandoverRun) -> str:
    """The name under which the file is handed out."""
    return f"{file_stem(cover_of(run), run.asked_at)}-{run.form}.zip"


def _free(now: datetime) -> Q:
    return Q(claimed_until__isnull=True) | Q(claimed_until__lte=now)
