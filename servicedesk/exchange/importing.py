"""From a register file to stored units: all good rows or nothing, and never twice.

Reading and doubting is done in ``servicedesk.exchange.reading``; ``meeting`` holds rows against what is
stored and ``storing`` writes. A unit is met again by its import key, a record by a reference derived from
it, so that the same or a newer file adds and updates and never doubles. What the desk does with a file,
step by step and in the background, is ``servicedesk.exchange.runs``.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.db import transaction

from inventory.bulk import insert_rows
from inventory.people import Person
from inventory.register.models import FactRank
from schedules.due.services import refresh_stale
from schedules.rules import load_tables
from servicedesk.exchange.findings import Finding, RegisterFileError, Severity
from servicedesk.exchange.headings import FIELDS
from servicedesk.exchange.meeting import Meeting, Met, meet
from servicedesk.exchange.models import ImportFinding, ImportLine, RegisterImport
from servicedesk.exchange.reading import RegisterReading, read_register
from servicedesk.exchange.storing import Stored, hold_turn, store
from servicedesk.exchange.workbook import Heard

State = RegisterImport.State
Verdict = ImportLine.Verdict


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What an import read, doubted, refused and did.

    ``is_stored`` is false when nothing was written: the file was refused, rows were refused and
    not waved through, or it was only a trial.
    """

    findings: tuple[Finding, ...] = ()
    rows_read: int = 0
    refused_rows: tuple[int, ...] = ()
    is_refused_file: bool = False
    is_stored: bool = False
    owners_created: int = 0
    sites_created: int = 0
    locations_created: int = 0
    created: int = 0
    updated: int = 0
    unchanged: int = 0
    missing: int = 0
    records_added: int = 0
    claims_kept: int = 0
    run: RegisterImport | None = None

    @property
    def refused(self) -> tuple[Finding, ...]:
        """The findings for which a row or the file was refused."""
        return tuple(f for f in self.findings if f.severity is Severity.REFUSED)

    @property
    def doubts(self) -> tuple[Finding, ...]:
        """The findings with which a row was taken all the same."""
        return tuple(f for f in self.findings if f.severity is Severity.DOUBT)

    @property
    def sentence(self) -> str:
        """What happened, in one line."""
        if self.is_refused_file:
            return "The file was refused; nothing was imported."
        if not self.is_stored and self.refused_rows:
            return (
                f"{len(self.refused_rows)} of {self.rows_read} rows were refused, so nothing was imported. "
                "Correct them and upload the file again, or import the other rows without them."
            )
        done = f"{self.created} units added, {self.updated} updated, {self.unchanged} unchanged"
        if self.is_stored:
            done += f", {self.records_added} past records added"
        left = f"; {len(self.refused_rows)} refused rows left out" if self.refused_rows else ""
        return f"{'' if self.is_stored else 'Trial, nothing stored: '}{done}{left}."


def import_register(
    data: bytes,
    *,
    by: Person | None,
    now: datetime,
    accept_rest: bool = False,
    dry_run: bool = False,
    refresh: bool = True,
    rank: int = FactRank.OWNER_LIST,
    file_name: str = "",
    **answers: Any,
) -> ImportReport:
    """Import the register file ``data`` and report row by row.

    Without ``accept_rest`` one refused row keeps the whole file out; with it the good rows come in
    whole and the refused ones are listed. ``dry_run`` goes through everything and stores nothing.
    ``refresh`` computes the due dates of what changed in the same transaction. ``rank`` says how good the
    source of the file is: what it says against a better source changes nothing and is kept beside it.
    ``answers`` go to ``read_register``. Two people importing the same file at once cannot double a unit:
    they take turns, and the import key is unique.
    """
    try:
        reading = read_file(data, now=now, file_name=file_name, **answers)
    except RegisterFileError as error:
        return ImportReport(findings=error.findings, is_refused_file=True)
    report = ImportReport(
        findings=reading.findings, rows_read=reading.row_count, refused_rows=reading.refused_rows
    )
    if reading.refused_rows and not accept_rest:
        return report
    with transaction.atomic():
        if not dry_run:
            hold_turn()
        meeting = meet_reading(reading, rank=rank, source="")
        report = _with_meeting(report, meeting)
        if dry_run or (meeting.refused and not accept_rest):
            return report
        run = RegisterImport.objects.create(
            file_name=file_name[:200] or "register",
            digest=hashlib.sha256(data).hexdigest(),
            length=len(data),
            rank=rank,
            asked_by_id=by.pk if by is not None else None,
            asked_at=now,
            state=State.STORED,
            stored_at=now,
            stored_by_id=by.pk if by is not None else None,
        )
        done = store_meeting(run, meeting, report.findings, by=by, now=now)
        if refresh:
            refresh_stale(now=now)
    return replace(
        report,
        is_stored=True,
        run=run,
        owners_created=done.owners,
        sites_created=done.sites,
        locations_created=done.locations,
        created=done.added,
        updated=done.changed,
        unchanged=done.unchanged + done.gone,
        records_added=done.records,
        claims_kept=done.claims,
    )


def read_file(
    data: bytes, *, now: datetime, file_name: str = "", heard: Heard | None = None, **answers: Any
) -> RegisterReading:
    """Read ``data`` with the interval tables that are shipped; see ``read_register``."""
    return read_register(
        data, now=now, known_tables=load_tables().keys(), file_name=file_name, heard=heard, **answers
    )


def meet_reading(
    reading: RegisterReading,
    *,
    rank: int,
    source: str,
    left_out: Collection[int] = (),
    heard: Heard | None = None,
) -> Meeting:
    """Hold what was read against what is stored; rows of ``left_out`` stay out."""
    rows = [row for row in reading.rows if row.row not in left_out] if left_out else reading.rows
    return meet(
        rows,
        rank=rank,
        source=source,
        mapped=reading.columns,
        refused_keys=_keys_not_taken(reading, left_out),
        heard=heard,
    )


def _keys_not_taken(reading: RegisterReading, left_out: Collection[int]) -> frozenset[str]:
    left = {row.import_key for row in reading.rows if row.row in left_out} if left_out else set()
    return frozenset(left) | reading.refused_keys


def store_meeting(
    run: RegisterImport,
    meeting: Meeting,
    findings: Iterable[Finding],
    *,
    by: Person | None,
    now: datetime,
) -> Stored:
    """Write ``meeting`` for ``run`` with its lines and counts, in the caller's transaction."""
    done = store(meeting, run=run, doubts=doubts_by_row(findings), by=by, now=now)
    run.counts = {**run.counts, **counts_of(meeting, done)}
    run.record_ranges = [list(pair) for pair in done.record_ranges]
    run.save(update_fields=["counts", "record_ranges"])
    return done


def doubts_by_row(findings: Iterable[Finding]) -> Mapping[int, list[tuple[str, str]]]:
    """The doubts that each unit keeps, by row: field and sentence."""
    doubts: dict[int, list[tuple[str, str]]] = defaultdict(list)
    for finding in findings:
        # What contradicts a better source is kept as a claim, not as a sentence.
        if finding.row and finding.severity is Severity.DOUBT and finding.code not in _NOT_OF_UNIT:
            doubts[finding.row].append((finding.field, _of_the_unit(finding)))
    return doubts


def _of_the_unit(finding: Finding) -> str:
    """The doubt as the page of the unit says it, where no column beside it names the field."""
    field = FIELDS.get(finding.field)
    if field is None or not finding.sentence.startswith('"'):
        return finding.sentence
    return f"{field.label}: {finding.sentence}"


_NOT_OF_UNIT = frozenset({"outranked_fact", "met_otherwise", "gone_in_file", "unknown_column"})


def counts_of(meeting: Meeting, done: Stored | None = None) -> dict[str, int]:
    """How many rows of each verdict, and what was or would be made beside units."""
    counts = meeting.counts()
    found = {verdict.value: counts[verdict.value] for verdict in Verdict}
    found[Verdict.MISSING.value] = len(meeting.missing)
    found[Verdict.REFUSED.value] = len(meeting.refused)
    found["new_owners"] = meeting.new_owners if done is None else done.owners
    wanted = {met.row.site_code for met in meeting.met}
    places = {(met.row.site_code, met.row.location_number) for met in meeting.met}
    found["new_sites"] = sum(meeting.sites[code].pk is None for code in wanted)
    found["new_places"] = sum(meeting.places[place].pk is None for place in places)
    found["site_changes"] = sum(bool(meeting.sites[code].after) for code in wanted if meeting.sites[code].pk)
    found["place_changes"] = sum(
        bool(meeting.places[place].after) for place in places if meeting.places[place].pk
    )
    if done is not None:
        found |= {"records": done.records, "claims": done.claims}
    return found


def write_findings(run: RegisterImport, findings: Sequence[Finding]) -> None:
    """Put ``findings`` in the place of those that ``run`` had."""
    ImportFinding.objects.filter(run=run).delete()
    insert_rows(
        ImportFinding,
        ("run_id", "row", "letter", "column", "code", "severity", "found", "becomes", "sentence", "remedy"),
        (
            (run.pk, f.row, f.letter[:4], f.column[:200], f.code[:40], f.severity.value, f.found[:200],
             f.becomes[:200], f.sentence, f.remedy)
            for f in findings
        ),
    )  # fmt: skip


def write_lines(
    run: RegisterImport, meeting: Meeting, reading: RegisterReading, left_out: Collection[int]
) -> None:
    """Put what each row of the file comes to in the place of the lines that ``run`` had."""
    ImportLine.objects.filter(run=run).delete()
    insert_rows(
        ImportLine,
        ("run_id", "row", "verdict", "unit_id", "number", "serial", "place", "changes", "extras",
         "is_left_out"),
        _lines(run, meeting, reading, left_out),
    )  # fmt: skip


def _lines(
    run: RegisterImport, meeting: Meeting, reading: RegisterReading, left_out: Collection[int]
) -> Iterator[tuple[Any, ...]]:
    for met in (*meeting.met, *meeting.clashes):
        yield _line(run, met, left_out)
    seen = {met.row.row for met in meeting.clashes}
    for number in reading.refused_rows:
        if number not in seen:
            yield (run.pk, number, Verdict.REFUSED.value, None, "", "", "", [], [], False)
    codes: dict[int | None, str] = {site.pk: code for code, site in meeting.sites.items() if site.pk}
    for unit in meeting.missing:
        place = meeting.place_names.get(unit.location_id or 0, "")
        where = " · ".join(part for part in (codes.get(unit.site_id, ""), place) if part)
        yield (
            run.pk, 0, Verdict.MISSING.value, unit.pk, unit.number, unit.serial, where[:120], [], [], False,
        )  # fmt: skip


def _line(run: RegisterImport, met: Met, left_out: Collection[int]) -> tuple[Any, ...]:
    row, unit = met.row, met.unit
    return (
        run.pk,
        row.row,
        met.verdict.value,
        unit.pk if unit is not None else None,
        unit.number if unit is not None else row.unit_number,
        row.serial,
        f"{row.site_code} · {row.location_number}"[:120],
        [list(change) for change in met.changes],
        [[heading[:80], text[:200]] for heading, text in getattr(row, "extras", ())],
        row.row in left_out,
    )


def _with_meeting(report: ImportReport, meeting: Meeting) -> ImportReport:
    counts = counts_of(meeting)
    return replace(
        report,
        findings=(*report.findings, *meeting.findings),
        refused_rows=tuple(sorted({*report.refused_rows, *meeting.refused})),
        owners_created=counts["new_owners"],
        sites_created=counts["new_sites"],
        locations_created=counts["new_places"],
        created=counts[Verdict.ADDED.value],
        updated=counts[Verdict.CHANGED.value],
        unchanged=counts[Verdict.UNCHANGED.value] + counts[Verdict.GONE.value],
        missing=counts[Verdict.MISSING.value],
    )
