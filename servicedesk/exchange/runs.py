"""One register file from upload to store, step by step: settled on screen, read, looked at, stored.

Each step of work is claimed by a worker and can be lost without harm: reading writes its report in one
transaction, storing the whole file in one transaction together with the state of the run. A worker of
which nothing is heard any more is taken for lost and the step begins again. Small files are worked on in
the request that asks.
"""

from __future__ import annotations

import hashlib
import logging
import time
import uuid
from collections.abc import Collection, Mapping
from contextlib import nullcontext
from datetime import datetime, timedelta
from pathlib import PurePath
from typing import Any

import kombu.exceptions
from celery import current_app
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone

from inventory.bulk import commits_seen, without_collector
from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import FactRank
from schedules.due.services import refresh_units, stale_unit_ids
from servicedesk.exchange.book import Book, Table, open_book
from servicedesk.exchange.findings import Finding, RegisterFileError
from servicedesk.exchange.headings import no_rows, propose_columns
from servicedesk.exchange.importing import (
    counts_of,
    meet_reading,
    read_file,
    store_meeting,
    write_findings,
    write_lines,
)
from servicedesk.exchange.models import (
    SILENT,
    ImportFinding,
    ImportLine,
    RegisterImport,
    RegisterSource,
    SourceLayout,
)
from servicedesk.exchange.storing import hold_turn
from servicedesk.exchange.undoing import take_back
from servicedesk.exchange.words import plain

log = logging.getLogger(__name__)
State = RegisterImport.State

FOREGROUND_ROWS = 3000
"""Files of up to so many rows are worked on at once, larger ones in the background."""
WRITE_EVERY_S = 0.7
WRITING = timedelta(minutes=9)
"""So long nothing may be heard while the one transaction is written; the limit of a job is as long."""
MOST_TRIES = 3
DATES_AT_ONCE = 5_000
KEPT = timedelta(days=14)
"""Files that nobody stored are forgotten after so long."""

_READER_ANSWERS = ("sheet", "heading_row", "encoding", "delimiter", "day_first", "decimal_comma",
                   "defaults", "units", "meanings", "split_quantities")  # fmt: skip


class _Stopped(Exception):
    """A person asked to stop, or another worker took over."""


def clock() -> datetime:
    """The instant at which a step of work is judged."""
    return timezone.now()


# --- what a person does ----------------------------------------------------------------------------


def receive(
    data: bytes,
    *,
    file_name: str,
    source: RegisterSource | None,
    by: Person,
    now: datetime,
) -> RegisterImport:
    """Keep an uploaded file and return its run, its columns as proposed or as settled for its source.

    Raises ``RegisterFileError`` for a file that cannot be opened; then nothing is kept.
    """
    run = RegisterImport(
        source=source,
        rank=source.rank if source is not None else FactRank.OWNER_LIST,
        file_name=file_name[:200],
        digest=hashlib.sha256(data).hexdigest(),
        length=len(data),
        asked_by_id=by.pk,
        asked_at=now,
    )
    looked = look(data, run, {})
    layout = None
    if source is not None:
        layout = SourceLayout.objects.filter(source=source, headings_digest=looked["headings"]).first()
    if layout is not None:
        run.columns, run.answers = layout.columns, layout.answers
        looked |= {"layout": layout.kept_at.isoformat()}
    run.counts = {"looked": looked}
    suffix = PurePath(file_name).suffix.lower()[:6]
    run.stored_name = default_storage.save(f"imports/{uuid.uuid4()}{suffix}", ContentFile(data))
    run.save()
    return run


def look(data: bytes, run: RegisterImport, answers: Mapping[str, Any]) -> dict[str, Any]:
    """What the file holds: its sheets, its columns with samples, what must be asked."""
    book = open_book(
        data,
        run.file_name,
        encoding=answers.get("encoding") or "",
        delimiter=answers.get("delimiter") or "",
    )
    table = book.table(answers.get("sheet") or "", answers.get("heading_row") or None)
    if not table.rows and len(book.sheets) == 1:
        # Of a workbook another sheet can still be chosen.
        raise no_rows()
    proposal = propose_columns(table, defaults=tuple(answers.get("defaults") or ()))
    if not run.columns:
        run.columns = {str(place): field for place, field in proposal.mapping.items()}
    return {
        "headings": _headings_digest(table),
        "kind": book.kind,
        "sheets": [[sheet.name, sheet.is_hidden] for sheet in book.sheets],
        "sheet": table.sheet,
        "heading_row": table.heading_row,
        "encoding": book.encoding,
        "delimiter": book.delimiter,
        "rows": len(table.rows),
        "columns": [
            {
                "position": column.position,
                "letter": column.letter,
                "heading": column.heading,
                "field": column.field,
                "evidence": column.evidence,
                "samples": [text[:60] for text in column.samples[:3]],
                "filled": column.filled,
            }
            for column in proposal.columns
        ],
        "missing": list(proposal.missing),
        "date_question": proposal.date_question,
        "told": [finding.text for finding in _once(book, table)][:20],
    }


def _once(book: Book, table: Table) -> list[Finding]:
    told: dict[str, Finding] = {}
    for finding in (*book.findings, *table.findings):
        if finding.row == 0:
            told.setdefault(finding.sentence, finding)
    return list(told.values())


def _headings_digest(table: Table) -> str:
    return hashlib.sha256("\x1f".join(plain(text) for text in table.headings).encode()).hexdigest()


def look_again(run: RegisterImport, answers: Mapping[str, Any]) -> None:
    """Open the file with another sheet, heading row, encoding or delimiter; its columns are proposed anew.

    Raises ``RegisterFileError`` when it cannot be read so; then nothing changes.
    """
    run.columns = {}
    looked = look(file_of(run), run, answers)
    kept = {"columns": run.columns, "answers": dict(answers), "counts": {"looked": looked}, "error": ""}
    if not RegisterImport.objects.filter(pk=run.pk, state=State.SETTLING).update(**kept):
        raise _moved_on()
    run.refresh_from_db()


def settle(
    run: RegisterImport, *, columns: Mapping[str, str], answers: Mapping[str, Any], by: Person, now: datetime
) -> None:
    """Take a person's word on columns and answers, keep it for the source, and have the file read."""
    changed = RegisterImport.objects.filter(pk=run.pk, state__in=(State.SETTLING, State.READ)).update(
        columns=dict(columns),
        answers=dict(answers),
        state=State.READING,
        error="",
        stage="Waiting for a worker",
        done=0,
        total=run.counts.get("looked", {}).get("rows", 0),
        claim=None,
        heard_at=None,
        tries=0,
        is_stop_asked=False,
    )
    if not changed:
        raise _moved_on()
    if run.source_id is not None:
        SourceLayout.objects.update_or_create(
            source_id=run.source_id,
            headings_digest=run.counts["looked"]["headings"],
            defaults={
                "columns": dict(columns),
                "answers": dict(answers),
                "kept_at": now,
                "kept_by_id": by.pk,
            },
        )
    _start(run)


def unsettle(run: RegisterImport) -> None:
    """Go back to the columns; the report that was made is thrown away with the next reading."""
    moved = RegisterImport.objects.filter(pk=run.pk, state=State.READ).update(state=State.SETTLING)
    if not moved:
        raise _moved_on()


def choose(
    run: RegisterImport,
    *,
    leave_out: bool,
    rows: Collection[int] = (),
    code: str = "",
    all_rows: bool = False,
) -> int:
    """Leave rows out, or take them after all: those named, or all that a code of doubt names.

    Returns how many rows that are not refused were meant.
    """
    lines = ImportLine.objects.filter(run=run).exclude(
        verdict__in=(ImportLine.Verdict.REFUSED, ImportLine.Verdict.MISSING)
    )
    if code:
        named = ImportFinding.objects.filter(run=run, code=code, row__gt=0).values("row")
        lines = lines.filter(row__in=named)
    elif not all_rows:
        lines = lines.filter(row__in=list(rows))
    with transaction.atomic():
        if not RegisterImport.objects.filter(pk=run.pk, state=State.READ).update(version=F("version") + 1):
            raise _moved_on()
        return lines.update(is_left_out=leave_out)


def confirm(run: RegisterImport, *, version: int, by: Person, now: datetime) -> None:
    """Have the file stored as it was looked at. Raises ``Conflict`` when somebody chose otherwise since."""
    moved = RegisterImport.objects.filter(pk=run.pk, state=State.READ, version=version).update(
        state=State.STORING,
        error="",
        stage="Waiting for a worker",
        done=0,
        claim=None,
        heard_at=None,
        tries=0,
        is_stop_asked=False,
        stored_by_id=by.pk,
    )
    if not moved:
        raise _moved_on()
    _start(run)


def drop(run: RegisterImport) -> None:
    """Put a file aside that nobody wants to store; its report goes, a line of the history stays."""
    moved = RegisterImport.objects.filter(pk=run.pk, state__in=(State.SETTLING, State.READ)).update(
        state=State.DROPPED, stored_name=""
    )
    if not moved:
        raise _moved_on()
    forget_file(run.stored_name)
    ImportFinding.objects.filter(run=run).delete()
    ImportLine.objects.filter(run=run).delete()


def stop(run: RegisterImport) -> None:
    """Ask the worker to stop; nothing of what it was doing is kept."""
    working = RegisterImport.objects.filter(pk=run.pk, state__in=(State.READING, State.STORING))
    working.update(is_stop_asked=True)
    for state, before in _BEFORE.items():
        # Nobody has taken it yet, or its worker is lost: there is nothing to wait for.
        RegisterImport.objects.filter(_free(clock()), pk=run.pk, state=state, is_stop_asked=True).update(
            state=before, is_stop_asked=False, claim=None
        )


def ask_undo(run: RegisterImport, *, by: Person) -> None:
    """Have what the run stored taken back."""
    moved = RegisterImport.objects.filter(pk=run.pk, state__in=RegisterImport.IN_REGISTER).update(
        state=State.UNDOING,
        error="",
        stage="Waiting for a worker",
        done=0,
        total=0,
        claim=None,
        heard_at=None,
        tries=0,
        is_stop_asked=False,
        undone_by_id=by.pk,
    )
    if not moved:
        raise _moved_on()
    _start(run)


def forget_file(name: str) -> None:
    """Delete a kept file, if it is still there."""
    if name and default_storage.exists(name):
        default_storage.delete(name)


def file_of(run: RegisterImport) -> bytes:
    """The bytes of the uploaded file."""
    with default_storage.open(run.stored_name, "rb") as stored:
        found: bytes = stored.read()
    return found


def _moved_on() -> Conflict:
    return Conflict(
        "import_moved_on", "Somebody went on with this file a moment ago. Look at where it stands now."
    )


def _start(run: RegisterImport) -> None:
    """Work now on what is small, tell a worker of what is not."""
    run.refresh_from_db()
    if rows_of(run) <= FOREGROUND_ROWS:
        while work_on(run.pk):
            pass
        run.refresh_from_db()
        return
    transaction.on_commit(lambda: nudge(run.pk))


def rows_of(run: RegisterImport) -> int:
    """How many rows its file has, as far as it is known."""
    found: int = run.counts.get("looked", {}).get("rows") or run.counts.get("rows") or 0
    return found


# --- what a worker does ----------------------------------------------------------------------------

_BEFORE = {State.READING: State.SETTLING, State.STORING: State.READ}


def nudge(run_id: int) -> None:
    """Tell a worker; when none can be told, the next beat finds the run."""
    try:
        current_app.send_task("servicedesk.tasks.work_on_import", [run_id], expires=60, retry=False)
    except (kombu.exceptions.OperationalError, OSError) as error:
        log.info("No broker to tell about an import (%s); the periodic job finds it.", error)


def waiting_runs(now: datetime) -> list[int]:
    """Runs that no living worker is busy with; files that nobody stored for long are forgotten."""
    old = RegisterImport.objects.filter(state__in=(State.SETTLING, State.READ), asked_at__lt=now - KEPT)
    for run in old:
        drop(run)
    waiting = RegisterImport.objects.filter(_free(now), state__in=RegisterImport.WORKING)
    return list(waiting.order_by("pk").values_list("pk", flat=True))


def _free(now: datetime) -> Q:
    return Q(claim__isnull=True) | Q(heard_at__isnull=True) | Q(heard_at__lt=now - SILENT)


def work_on(run_id: int) -> bool:
    """Do one step of a run; True when another waits. Does nothing when another worker is at it."""
    now = clock()
    claim = uuid.uuid4()
    mine = RegisterImport.objects.filter(_free(now), pk=run_id, state__in=RegisterImport.WORKING)
    lost = mine.filter(claim__isnull=False)
    if _gave_up(lost) or not mine.update(claim=claim, heard_at=now, tries=F("tries") + 1):
        return False
    run = RegisterImport.objects.select_related("source", "stored_by", "undone_by").get(pk=run_id)
    step = {State.READING: _read, State.STORING: _store, State.DATING: _date, State.UNDOING: _undo}
    state = State(run.state)
    is_large = state in _BEFORE and rows_of(run) > FOREGROUND_ROWS
    try:
        with without_collector() if is_large else nullcontext():
            return step[state](run, claim)
    except _Stopped:
        _back(run, claim, state, "Stopped; nothing was stored." if state in _BEFORE else "")
    except RegisterFileError as error:
        with transaction.atomic():
            write_findings(run, error.findings)
            _back(run, claim, state, " ".join(f.text for f in error.findings))
    except Conflict as error:
        _back(run, claim, state, error.sentence)
    except Exception as error:
        log.exception("Import %s failed", run_id)
        _back(run, claim, state, f"It failed and nothing was changed: {type(error).__name__}: {error}")
    return False


def _gave_up(lost: Any) -> bool:
    """End a run whose workers were lost again and again, so that it does not kill the next one too."""
    told = "Its worker was lost three times; nothing was stored. Split the file by site and try again."
    given_up = 0
    for state, before in _BEFORE.items():
        given_up += lost.filter(tries__gte=MOST_TRIES, state=state).update(
            state=before, claim=None, error=told, is_stop_asked=False
        )
    return bool(given_up)


def _back(run: RegisterImport, claim: uuid.UUID, state: str, error: str) -> None:
    """Put a run back to where it stood before the step that did not end well."""
    back = {
        **_BEFORE,
        State.DATING: State.STORED,
        State.UNDOING: State.STORED,
    }
    if state == State.DATING:
        error = f"The due dates are not all worked out yet; the hourly job does the rest. {error}"
    RegisterImport.objects.filter(pk=run.pk, claim=claim).update(
        state=back[State(state)], claim=None, is_stop_asked=False, error=error[:500]
    )


class _Progress:
    """Writes now and then how far a step is, and hears whether to stop."""

    def __init__(self, run: RegisterImport, claim: uuid.UUID, stage: str) -> None:
        self.run = run
        self.claim = claim
        self.stage = stage
        self.at = 0.0

    def __call__(self, done: int, total: int) -> None:
        """Say how far it is; raise when somebody asked to stop or another worker took over."""
        at = time.monotonic()
        if at - self.at < WRITE_EVERY_S:
            return
        self.at = at
        self.write(done, total or self.run.total)

    def write(self, done: int, total: int, *, lease: timedelta = timedelta(0)) -> None:
        """Write at once; ``lease`` is for how long nothing will be heard."""
        mine = RegisterImport.objects.filter(pk=self.run.pk, claim=self.claim)
        kept = mine.update(stage=self.stage, done=done, total=max(total, done), heard_at=clock() + lease)
        asked = mine.values_list("is_stop_asked", flat=True).first()
        if not kept or asked is None or (asked and self.run.state in _BEFORE):
            raise _Stopped


def reader_answers(run: RegisterImport) -> dict[str, Any]:
    """What the run says to ``read_register``."""
    told = {
        name: run.answers[name] for name in _READER_ANSWERS if run.answers.get(name) not in (None, "", {})
    }
    told["columns"] = {int(place): field for place, field in run.columns.items()}
    return told


def _read(run: RegisterImport, claim: uuid.UUID) -> bool:
    progress = _Progress(run, claim, "Reading the file")
    progress.write(0, run.total)
    now = clock()
    reading = read_file(file_of(run), now=now, file_name=run.file_name, heard=progress, **reader_answers(run))
    progress.stage = "Comparing with the register"
    meeting = meet_reading(reading, rank=run.rank, source=_source(run), heard=progress)
    findings = (*reading.findings, *meeting.findings)
    progress.stage = "Writing the report"
    progress.write(reading.row_count, reading.row_count, lease=WRITING)
    refused = sorted({*reading.refused_rows, *meeting.refused})
    counts = {
        "looked": run.counts.get("looked", {}),
        **counts_of(meeting),
        "rows": reading.row_count,
        "refused": len(refused),
        "skipped": len(reading.skipped_rows),
        "doubtful": len(
            {f.row for f in findings if f.severity == "doubt"} & {row.row for row in reading.rows}
        ),
    }
    with transaction.atomic():
        done = RegisterImport.objects.filter(pk=run.pk, claim=claim, state=State.READING).update(
            state=State.READ, claim=None, counts=counts, error="", version=F("version") + 1
        )
        if not done:
            raise _Stopped
        write_findings(run, findings)
        write_lines(run, meeting, reading, ())
    return False


def _store(run: RegisterImport, claim: uuid.UUID) -> bool:
    progress = _Progress(run, claim, "Reading the file once more")
    progress.write(0, run.total)
    now = clock()
    lines = ImportLine.objects.filter(run=run)
    left_out = set(lines.filter(is_left_out=True).values_list("row", flat=True))
    refused = set(lines.filter(verdict=ImportLine.Verdict.REFUSED).values_list("row", flat=True))
    reading = read_file(file_of(run), now=now, file_name=run.file_name, heard=progress, **reader_answers(run))
    progress.stage = "Writing; this step cannot be stopped, but taken back"
    progress.write(reading.row_count, reading.row_count, lease=WRITING)
    by = run.stored_by
    # On SQLite everybody else waits for the one who writes: rows are compared before, and once more only
    # if somebody wrote meanwhile.
    seen = commits_seen()
    early = None
    if seen is not None:
        early = meet_reading(reading, rank=run.rank, source=_source(run), left_out=left_out)
    with transaction.atomic():
        hold_turn()
        if early is not None and commits_seen() == seen:
            meeting = early
        else:
            meeting = meet_reading(reading, rank=run.rank, source=_source(run), left_out=left_out)
        fresh = {*reading.refused_rows, *meeting.refused} - refused - left_out
        if fresh:
            rows = ", ".join(str(row) for row in sorted(fresh)[:5])
            raise Conflict(
                "register_moved",
                f"The register changed since the file was looked at: row {rows} can no longer be taken. "
                "Nothing was stored. Check the file again.",
            )
        findings = [f for f in (*reading.findings, *meeting.findings) if f.row not in left_out]
        store_meeting(run, meeting, findings, by=by, now=now)
        _write_outcome(run, meeting, reading, left_out)
        small = reading.row_count <= FOREGROUND_ROWS
        done = RegisterImport.objects.filter(pk=run.pk, claim=claim, state=State.STORING).update(
            state=State.DATING, claim=None, stored_at=now, error="", done=0, tries=0,
            counts={**run.counts, "left_out": len(left_out)},
        )  # fmt: skip
        if not done:
            raise _Stopped
        if small:
            # What must move due dates at once does so in the same transaction.
            refresh_units(stale_unit_ids(now=now), now=now)
            RegisterImport.objects.filter(pk=run.pk).update(state=State.STORED)
    return not small


def _write_outcome(run: RegisterImport, meeting: Any, reading: Any, left_out: Collection[int]) -> None:
    """The lines as they came out; those left out keep theirs of the report."""
    kept = list(
        ImportLine.objects.filter(run=run, is_left_out=True).values_list(
            "row", "verdict", "unit_id", "number", "serial", "place", "changes", "extras"
        )
    )
    write_lines(run, meeting, reading, ())
    ImportLine.objects.bulk_create(
        (
            ImportLine(
                run=run, row=row, verdict=verdict, unit_id=unit_id, number=number, serial=serial, place=place,
                changes=changes, extras=extras, is_left_out=True,
            )
            for row, verdict, unit_id, number, serial, place, changes, extras in kept
        ),
        batch_size=500,
    )  # fmt: skip


def _date(run: RegisterImport, claim: uuid.UUID) -> bool:
    """Work out due dates that are stale, batch by batch; whatever is left the next worker finds."""
    progress = _Progress(run, claim, "Working out due dates")
    now = clock()
    stale = stale_unit_ids(now=now)
    for start in range(0, len(stale), DATES_AT_ONCE):
        progress.write(start, len(stale), lease=timedelta(minutes=2))
        refresh_units(stale[start : start + DATES_AT_ONCE], now=now)
    RegisterImport.objects.filter(pk=run.pk, claim=claim, state=State.DATING).update(
        state=State.STORED, claim=None, error=""
    )
    return False


def _undo(run: RegisterImport, claim: uuid.UUID) -> bool:
    progress = _Progress(run, claim, "Taking back what was stored")
    progress.write(0, run.counts.get("added", 0) + run.counts.get("changed", 0), lease=WRITING)
    now = clock()
    with transaction.atomic():
        done = take_back(run, by=run.undone_by, now=now)
        kept = RegisterImport.objects.filter(pk=run.pk, claim=claim, state=State.UNDOING).update(
            state=State.UNDONE,
            claim=None,
            undone_at=now,
            error="",
            counts={**run.counts, "undone": done.as_counts()},
        )
        if not kept:
            raise _Stopped
        if (run.counts.get("rows") or 0) <= FOREGROUND_ROWS:
            refresh_units(stale_unit_ids(now=now), now=now)
    if (run.counts.get("rows") or 0) > FOREGROUND_ROWS:
        stale = stale_unit_ids(now=now)
        for start in range(0, len(stale), DATES_AT_ONCE):
            refresh_units(stale[start : start + DATES_AT_ONCE], now=now)
    return False


def _source(run: RegisterImport) -> str:
    return run.source.name if run.source is not None else ""
