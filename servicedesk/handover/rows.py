"""Rows of our tables as rows of the format: plain values, references by identity, no row numbers of ours."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time
from decimal import Decimal
from pathlib import PurePosixPath
from typing import Any
from uuid import UUID

from django.db.models import F, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from inventory.register.models import Unit
from inventory.register.places import Move
from inventory.register.service_end import ServiceEnd
from schedules.rulebook.models import Adoption, Variation
from servicedesk.handover.models import HandedRow, House
from servicedesk.handover.tables import TABLES, Column, Cover, Kind, Table, columns_of

PIECE = 1000
PAPER_ENDS = (".pdf", ".jpg", ".png", ".webp")
Row = dict[str, Any]


def house_id() -> UUID:
    """The id of this installation, made the first time that it is asked for."""
    found, _ = House.objects.get_or_create(pk=1)
    return found.public_id


def canonical(row: Mapping[str, Any]) -> str:
    """``row`` as JSON in one spelling: sorted keys, no spaces."""
    return json.dumps(row, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def digest_of(row: Mapping[str, Any]) -> str:
    """SHA-256 of ``canonical(row)``."""
    return hashlib.sha256(canonical(row).encode()).hexdigest()


def query_of(table: Table, cover: Cover) -> QuerySet[Any]:
    """The rows of ours that ``cover`` takes in, each once, in the order of the format."""
    manager: Any = table.model._default_manager
    rows: QuerySet[Any] = manager.filter(table.where(cover))
    return rows.order_by(*table.order)


def rows_of(table: Table, cover: Cover, *, last: int | None = None) -> Iterator[Row]:
    """All rows of a table: those kept of an earlier house first, then ours up to row ``last``."""
    yield from kept_rows(table, cover)
    rows = query_of(table, cover)
    if last is not None:
        rows = rows.filter(pk__lte=last)
    yield from read_rows(table, rows)
    if table.name in ("adoptions", "variations"):
        yield from _of_the_firm(table, cover)


def count_of(table: Table, cover: Cover) -> tuple[int, int | None]:
    """How many rows there are about, and the last of ours."""
    rows = query_of(table, cover)
    last = rows.order_by("-pk").values_list("pk", flat=True).first()
    return rows.count() + _kept_query(table, cover).count(), last


def read_rows(table: Table, rows: QuerySet[Any]) -> Iterator[Row]:
    """``rows`` of ours as rows of the format, read in pieces; one query a piece for what came along."""
    columns = columns_of(table.name)
    paths = ["pk", *dict.fromkeys(path for column in columns for path in column.paths)]
    place = {path: n for n, path in enumerate(paths)}
    house = str(house_id()) if table.name == "records" else ""
    if table.name == "units":
        rows, paths = (
            rows.annotate(state_handed=_state_before_end()),
            ["state_handed" if path == "state" else path for path in paths],
        )
    piece: list[Sequence[Any]] = []
    for values in rows.values_list(*paths).iterator(PIECE):
        piece.append(values)
        if len(piece) == PIECE:
            yield from _finished(table, columns, place, piece, house)
            piece = []
    if piece:
        yield from _finished(table, columns, place, piece, house)


def _finished(
    table: Table, columns: Sequence[Column], place: Mapping[str, int], piece: Sequence[Any], house: str
) -> Iterator[Row]:
    foreign = any(column.is_foreign for column in columns) and table.is_live
    beside: dict[int, Mapping[str, Any]] = {}
    if foreign:
        ids = [values[0] for values in piece]
        said = HandedRow.objects.filter(table_name=table.name, local_id__in=ids)
        beside = {pk: content for pk, content in said.values_list("local_id", "content") if pk is not None}
    for values in piece:
        row = {column.name: _value(column, values, place, house) for column in columns}
        for name, word in beside.get(values[0], {}).items():
            # A variation names the person who took it over, because our row has to name one.
            if row.get(name) is None or name == "varied_by":
                row[name] = word
        yield row


def _value(column: Column, values: Sequence[Any], place: Mapping[str, int], house: str) -> Any:
    given = [values[place[path]] for path in column.paths]
    if column.kind is Kind.PERSON:
        first, second, sign_in = given
        return f"{first or ''} {second or ''}".strip() or sign_in
    if column.kind is Kind.PAPER:
        name, digest = given
        return {"file": paper_name(str(name), digest), "sha256": digest} if name else None
    if column.kind is Kind.NUMBERS:
        theirs, own = given[:6], given[6:]
        at = [str(theirs[0]), *theirs[1:]] if theirs[0] is not None else [house, *own]
        return dict(zip(("house", "unit", "site", "location", "by", "corrects"), at, strict=True))
    return plain(given[0])


def paper_name(stored: str, digest: str) -> str:
    """The name that a stored paper has in a handed-over file: its digest, and what sort of file it is."""
    end = PurePosixPath(stored).suffix.lower()
    return f"papers/{digest}{end if end in PAPER_ENDS else '.bin'}"


def papers_of(cover: Cover) -> Iterator[tuple[str, str]]:
    """Stored name and SHA-256 of every paper and photo, each once."""
    known: set[str] = set()
    for table in TABLES:
        for column in columns_of(table.name):
            if column.kind is not Kind.PAPER:
                continue
            own = query_of(table, cover).exclude(**{column.paths[0]: ""}).values_list(*column.paths)
            kept = _kept_query(table, cover).exclude(file_name="").values_list("file_name", "sha256")
            for rows in (kept, own):
                for name, digest in rows.iterator(PIECE):
                    if digest not in known:
                        known.add(digest)
                        yield str(name), digest


def plain(value: Any) -> Any:
    """``value`` as JSON knows it: days and instants by ISO 8601, instants in UTC, amounts as text."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, UUID):
        return str(value)
    return value


def _state_before_end() -> Any:
    """A unit of premises whose service ended is handed over in the state that it had before."""
    ends = ServiceEnd.objects.standing().order_by().values("public_id")
    before = Move.objects.filter(unit=OuterRef("pk"), transaction__in=ends, to_state=Unit.State.WITHDRAWN)
    return Coalesce(Subquery(before.order_by("-pk").values("from_state")[:1]), F("state"))


# --- what came along from an earlier house -----------------------------------------------------------


def _kept_query(table: Table, cover: Cover) -> QuerySet[HandedRow]:
    rows = HandedRow.objects.filter(table_name=table.name, local_id__isnull=True)
    if not cover.is_firm:
        rows = rows.filter(
            Q(site__in=cover.sites().order_by().values("pk"))
            | Q(site__isnull=True, owner__in=cover.owners().order_by().values("pk"))
        )
    return rows.order_by("pk")


def kept_rows(table: Table, cover: Cover) -> Iterator[Row]:
    """Rows that an earlier house handed over and that have no place of their own here."""
    for row in _kept_query(table, cover).iterator(PIECE):
        yield row.content


def _of_the_firm(table: Table, cover: Cover) -> Iterator[Row]:
    """What the whole firm goes by is handed over as what each owner goes by, unless the owner has its own."""
    if table.name == "adoptions":
        keys: tuple[str, ...] = ("table_key",)
        standing: Any = Adoption.objects.standing()
    else:
        keys = ("table_key", "table_version", "rule_id")
        standing = Variation.objects.standing()
    common = standing.filter(site__isnull=True, owner__isnull=True)
    if not common.exists():
        return
    own = set(standing.filter(owner__isnull=False).values_list("owner__public_id", *keys))
    firms = list(read_rows(table, common.order_by("pk")))
    for owner in cover.owners().order_by("pk").values_list("public_id", flat=True):
        for row in firms:
            if (owner, *(row[key] for key in keys)) not in own:
                yield row | {"owner": str(owner)}
