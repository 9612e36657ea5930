"""Everything that is an owner's, as CSV, XLSX or JSON; and how long what is kept.

Rows are read in pieces and written on the way: a ZIP of one file a table for CSV and JSON, one workbook
with a sheet a table for XLSX.
"""

from __future__ import annotations

import json
import tempfile
import tomllib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from django.db.models import QuerySet
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from openpyxl import Workbook

from inventory.access import Scope
from inventory.logbook.models import Defect, Reading, ServiceRecord
from inventory.measures.checks import defect_text
from inventory.register.models import Location, Site, Unit
from inventory.register.places import Move
from schedules.certificates.queries import certificates_for, standing_of
from servicedesk.exchange.tables_out import MOST_SHEET_ROWS as MOST_SHEET_ROWS
from servicedesk.exchange.tables_out import fill_sheets
from servicedesk.exchange.writing import csv_lines, plain_cell
from servicedesk.pages import STANDING_LINE
from servicedesk.portal.archive import zip_stream
from servicedesk.portal.paper_views import zip_response
from servicedesk.portal.views import PortalView

FORMATS = ("csv", "xlsx", "json")
PIECE = 2000


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the export: its name, columns, and a row's cells."""

    name: str
    columns: tuple[str, ...]
    rows: Callable[[Scope], QuerySet[Any]]
    cells: Callable[[Any], list[Any]]

    def lines(self, scope: Scope) -> Iterator[list[Any]]:
        """All rows, read in pieces."""
        for row in self.rows(scope).iterator(PIECE):
            yield self.cells(row)


def _iso(value: Any) -> str:
    return value.isoformat() if value is not None else ""


def _record_rows(scope: Scope) -> QuerySet[Any]:
    return (
        ServiceRecord.objects.visible_to(scope)
        .select_related("unit", "site", "location", "corrects")
        .order_by("pk")
    )


def _reading_rows(scope: Scope) -> QuerySet[Any]:
    records = ServiceRecord.objects.visible_to(scope).values("pk")
    return Reading.objects.filter(record__in=records).select_related("record").order_by("pk")


def _certificate_cells(row: Any) -> list[Any]:
    state = standing_of(row)
    return [
        row.number,
        row.kind,
        row.site.code,
        row.visit.number if row.visit else "",
        _iso(row.first_on),
        _iso(row.last_on),
        _iso(row.issued_at),
        row.content_digest,
        row.verify_code,
        state.standing.value,
        state.reason,
        state.replaced_by,
    ]


TABLES = (
    Table(
        "sites",
        (
            "code",
            "name",
            "owner",
            "address",
            "city",
            "region",
            "postcode",
            "country",
            "time_zone",
            "latitude",
            "longitude",
            "monthly_checks_by",
        ),
        lambda scope: Site.objects.visible_to(scope).select_related("owner").order_by("pk"),
        lambda s: [
            s.code,
            s.name,
            s.owner.name,
            s.address_line,
            s.city,
            s.region,
            s.postcode,
            s.country,
            s.time_zone,
            s.latitude,
            s.longitude,
            s.monthly_checks_by,
        ],
    ),
    Table(
        "locations",
        ("site", "number", "building", "floor", "description", "hazard", "environment", "walking_order"),
        lambda scope: (
            Location.objects.filter(site__in=Site.objects.visible_to(scope))
            .select_related("site")
            .order_by("pk")
        ),
        lambda p: [
            p.site.code,
            p.number,
            p.building,
            p.floor,
            p.description,
            p.hazard,
            p.environment,
            p.walking_order,
        ],
    ),
    Table(
        "units",
        (
            "number",
            "site",
            "location",
            "state",
            "serial",
            "maker",
            "model",
            "agent",
            "construction",
            "shell",
            "charge",
            "made_first",
            "made_last",
            "made_precision",
            "made_as_read",
            "commissioned_on",
        ),
        lambda scope: (
            Unit.objects.visible_to(scope).select_related("site", "location", "model").order_by("pk")
        ),
        lambda u: [
            u.number,
            u.site.code,
            u.location.number if u.location else "",
            u.state,
            u.serial,
            u.model.maker,
            u.model.name,
            u.model.agent,
            u.model.construction,
            u.model.shell,
            u.model.charge_text,
            _iso(u.made_first),
            _iso(u.made_last),
            u.made_precision,
            u.made_raw,
            _iso(u.commissioned_on),
        ],
    ),
    Table(
        "records",
        (
            "record",
            "unit",
            "sequence",
            "site",
            "location",
            "task",
            "outcome",
            "done_first",
            "done_last",
            "done_precision",
            "method",
            "evidence",
            "by",
            "instrument",
            "remarks",
            "received_at",
            "corrects",
            "correction_reason",
            "digest",
        ),
        _record_rows,
        lambda r: [
            r.client_ref,
            r.unit.number,
            r.sequence,
            r.site.code if r.site else "",
            r.location.number if r.location else "",
            r.task,
            r.outcome,
            _iso(r.done_first),
            _iso(r.done_last),
            r.done_precision,
            r.method,
            r.evidence,
            r.performed_by_name,
            r.instrument,
            r.remarks,
            _iso(r.received_at),
            r.corrects.client_ref if r.corrects else "",
            r.correction_reason.rsplit(" (", 1)[0],
            r.digest,
        ],
    ),
    Table(
        "readings",
        ("record", "quantity", "entered_value", "entered_unit", "verdict", "verdict_reason"),
        _reading_rows,
        lambda r: [
            r.record.client_ref,
            r.quantity,
            r.entered_value,
            r.entered_unit,
            r.verdict,
            r.verdict_reason,
        ],
    ),
    Table(
        "defects",
        (
            "defect",
            "site",
            "unit",
            "location",
            "code",
            "what",
            "severity",
            "action",
            "remarks",
            "opened_on",
            "settled_at",
            "settled_how",
            "recorded_in_error",
        ),
        lambda scope: (
            Defect.objects.visible_to(scope).select_related("site", "unit", "location").order_by("pk")
        ),
        lambda d: [
            d.public_id,
            d.site.code,
            d.unit.number if d.unit else "",
            d.location.number if d.location else "",
            d.code,
            defect_text(d.code),
            d.severity,
            d.action,
            d.remarks,
            _iso(d.opened_on),
            _iso(d.settled_at),
            d.settled_how,
            "yes" if d.is_void else "no",
        ],
    ),
    Table(
        "certificates",
        (
            "number",
            "kind",
            "site",
            "visit",
            "first_on",
            "last_on",
            "issued_at",
            "content_sha256",
            "verify_code",
            "standing",
            "withdrawn_because",
            "replaced_by",
        ),
        lambda scope: certificates_for(scope).order_by("pk"),
        _certificate_cells,
    ),
    Table(
        "moves",
        ("unit", "on", "from", "to", "from_state", "to_state", "reason", "made_at"),
        lambda scope: (
            Move.objects.visible_to(scope)
            .select_related("unit", "from_location", "from_store", "to_location", "to_store")
            .order_by("pk")
        ),
        lambda m: [
            m.unit.number,
            _iso(m.on),
            m.source,
            m.destination,
            m.from_state,
            m.to_state,
            m.reason,
            _iso(m.made_at),
        ],
    ),
)


def csv_files(scope: Scope) -> Iterator[tuple[str, Iterable[bytes]]]:
    """One CSV file a table."""
    for table in TABLES:
        yield f"{table.name}.csv", (line.encode() for line in csv_lines(table.columns, table.lines(scope)))


def json_files(scope: Scope) -> Iterator[tuple[str, Iterable[bytes]]]:
    """One JSON file a table: a list of objects."""
    for table in TABLES:
        yield f"{table.name}.json", _json(table, scope)


def _json(table: Table, scope: Scope) -> Iterator[bytes]:
    yield b"[\n"
    sign = ""
    for line in table.lines(scope):
        row = {
            name: None if cell in ("", None) else _plain(cell)
            for name, cell in zip(table.columns, line, strict=True)
        }
        yield f"{sign}{json.dumps(row, ensure_ascii=False)}".encode()
        sign = ",\n"
    yield b"\n]\n"


def _plain(cell: Any) -> Any:
    return cell if isinstance(cell, (bool, int, float)) else str(cell)


def readme(at: datetime) -> bytes:
    """What the files are, and what their dates rest on."""
    lines = [
        f"Exported {at.isoformat(timespec='seconds')}.",
        "Days are civil dates at the site (ISO 8601); instants are UTC. Readings stand as entered.",
        "A record with a value in 'corrects' takes the place of that record; both are kept.",
        STANDING_LINE,
        "",
        "How long records are kept:",
        *(f"- {row.record}: {row.keep} ({row.source})" for row in retention()),
    ]
    return ("\n".join(lines) + "\n").encode()


def workbook(scope: Scope, at: datetime) -> Any:
    """A temporary file with one sheet a table; the caller closes it."""
    book = Workbook(write_only=True)
    about = book.create_sheet("about")
    for said in readme(at).decode().splitlines():
        about.append([plain_cell(said)])
    for table in TABLES:
        fill_sheets(book, table.name, table.columns, table.lines(scope))
    file = tempfile.TemporaryFile(suffix=".xlsx")  # noqa: SIM115 - the response closes it
    book.save(file)
    file.seek(0)
    return file


# --- how long what is kept ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Retention:
    """How long one sort of record is kept somewhere."""

    place: str
    record: str
    keep: str
    source: str
    read: str
    is_default: bool = False
    years: int | None = None
    """For so long the name of whoever did the work stays on such a record; empty: the rule is about more."""
    country: str = ""
    region: str = ""
    tasks: tuple[str, ...] = ()
    is_of_papers: bool = False


@lru_cache(maxsize=1)
def retention() -> tuple[Retention, ...]:
    """The shipped rules, the program's own default first. Raises ``KeyError`` for a missing field."""
    content = tomllib.loads((Path(__file__).parent / "retention.toml").read_text(encoding="utf-8"))
    rows = [
        Retention(
            r["place"],
            r["record"],
            r["keep"],
            r["source"],
            r["read"],
            r.get("is_default", False),
            r.get("years"),
            r.get("country", ""),
            r.get("region", ""),
            tuple(r.get("tasks", ())),
            r.get("papers", False),
        )
        for r in content["rule"]
    ]
    return tuple(sorted(rows, key=lambda row: not row.is_default))


# --- pages -------------------------------------------------------------------------------------------


class ExportView(PortalView):
    """What can be taken along, and how long what is kept."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show it."""
        context = {
            "crumbs": self.crumbs(),
            "tables": [table.name for table in TABLES],
            "retention": retention(),
        }
        return self.page("portal/export.html", context)


class ExportFileView(PortalView):
    """The file itself."""

    def get(self, request: HttpRequest, form: str) -> HttpResponseBase:
        """Hand it out while it is made."""
        name = f"everything-{self.now:%Y%m%d}"
        if form == "xlsx":
            answer = FileResponse(workbook(self.scope, self.now), as_attachment=True, filename=f"{name}.xlsx")
            answer["Cache-Control"] = "private, no-store"
            return answer
        makers = {"csv": csv_files, "json": json_files}
        if form not in makers:
            raise Http404
        files = [("README.txt", [readme(self.now)])]

        def all_files() -> Iterator[tuple[str, Iterable[bytes]]]:
            yield from files
            yield from makers[form](self.scope)

        return zip_response(zip_stream(all_files(), self.now), f"{name}-{form}.zip")
