"""Taking a handed-over register into this house, in one transaction or not at all.

Live tables become rows of ours with the same identities and numbers; everything else is kept word for
word. Nothing is added to what stands here already: a row whose identity is known must say the same as
ours, and a row that belongs to a row of ours must be there already. So a repeat changes nothing, and no
file can slip records under premises that it does not bring along.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import IntegrityError, transaction

from inventory.bulk import chunks
from inventory.logbook.erasures import RecordOrigin
from inventory.logbook.models import ServiceRecord
from inventory.people import Person
from inventory.register.models import NumberSeries, Unit, UnitModel
from inventory.register.services import unit_numbers
from schedules.due.services import refresh_units
from servicedesk.handover.models import HandedRow, TakeOver
from servicedesk.handover.reading import (
    MOST_PROBLEMS,
    Handed,
    HandedFileRefused,
    Problem,
    papers_named,
)
from servicedesk.handover.rows import Row, canonical, digest_of, read_rows, rows_of
from servicedesk.handover.tables import TABLES, Column, Cover, Kind, Table, columns_of

BATCH = 500
_SERIES = re.compile(r"U-(\d{6,9})")
_ELSEWHERE = "What stands here is not changed by taking over. Hand over the premises that are not here yet."


@dataclass(slots=True)
class Taken:
    """What taking over did."""

    take_over: TakeOver | None
    is_repeat: bool = False
    added: Counter[str] = field(default_factory=Counter)
    known: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)
    proved: int = 0
    """Units whose chain was walked and holds."""

    @property
    def sentence(self) -> str:
        """In one line."""
        if self.is_repeat:
            return "This file was taken over before. Nothing was added or changed."
        live = ("owners", "sites", "locations", "units", "records")
        counts = ", ".join(f"{self.added[name]:,} {name}" for name in live)
        return f"Taken over: {counts}. {sum(self.known.values()):,} rows were here already."


class _TriedOut(Exception):
    """Rolls back a trial."""


def take_over(handed: Handed, *, by: Person, now: datetime, is_trial: bool = False) -> Taken:
    """Take ``handed`` in; with ``is_trial`` do all of it and keep nothing.

    Raises ``HandedFileRefused`` and leaves everything as it was when a row does not fit what stands here.
    """
    before = TakeOver.objects.filter(content_digest=handed.content_sha256).first()
    if before is not None:
        return Taken(before, is_repeat=True, notes=list(before.notes))
    taker = _Taker(handed, by=by, now=now)
    try:
        with transaction.atomic():
            taken = taker.take(keep_papers=not is_trial)
            if is_trial:
                raise _TriedOut
    except _TriedOut:
        taken.take_over = None
    return taken


class _Taker:
    def __init__(self, handed: Handed, *, by: Person, now: datetime) -> None:
        self.handed, self.by, self.now = handed, by, now
        self.problems: list[Problem] = []
        self.done = Taken(None)
        # By table: the local row of each identity, and which identities this run made.
        self.local: dict[str, dict[str, int]] = defaultdict(dict)
        self.made: dict[str, set[str]] = defaultdict(set)
        self.beside: list[tuple[Table, int, str, dict[str, Any]]] = []
        self.known_rows: dict[str, set[str]] = {}
        # Where a kept row belongs: identity to site, by table.
        self.site_of: dict[str, dict[str, str | None]] = defaultdict(dict)

    # --- all of it ----------------------------------------------------------------------------------

    def take(self, *, keep_papers: bool) -> Taken:
        tables = self.handed.tables
        self._papers_are_whole()
        for table in TABLES:
            if table.is_live:
                self._live(table, tables[table.name])
                self._stop_at_problems()
        self._series()
        self.done.notes += self.handed.notes + self._said()
        take_over = TakeOver.objects.create(
            content_digest=self.handed.content_sha256,
            house=UUID(self.handed.head["house"]["id"]),
            house_name=self.handed.head["house"]["name"][:200],
            handed_over_at=self.handed.head["made_at"],
            covers=self.handed.head["covers"],
            counts=dict(self.done.added),
            notes=self.done.notes,
            taken_by_id=self.by.pk,
            taken_at=self.now,
        )
        self.done.take_over = take_over
        self._kept(take_over, keep_papers=keep_papers)
        self._stop_at_problems()
        refresh_units(
            [pk for ident, pk in self.local["units"].items() if ident in self.made["units"]], now=self.now
        )
        return self.done

    def _stop_at_problems(self) -> None:
        if self.problems:
            raise HandedFileRefused(self.problems)

    def _say(self, table: str, row: int, name: str, sentence: str, remedy: str = _ELSEWHERE) -> None:
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(Problem(table, row, name, sentence, f"{remedy} Nothing was taken over."))

    def _said(self) -> list[str]:
        """What a reader must know of what was taken over."""
        proofs = self.handed.proofs
        self.done.proved = sum(1 for proof in proofs.values() if not proof.broken)
        gaps = sum(1 for proof in proofs.values() if proof.gaps)
        erased = sum(len(proof.erased) for proof in proofs.values())
        records = len(self.handed.tables["records"])
        notes = [
            f"The chains of {self.done.proved:,} units with {records:,} records were walked over the rows "
            "of the file and hold. They prove that no record was altered, left out between two others or put "
            "in since it was made.",
            "They do not prove that the house that handed over left out no last record, nor which unit "
            "stands behind its row numbers; that rests on the file as a whole, whose digest is kept.",
            "Certificates are kept as papers of the house that issued them, with their digest and signature. "
            "This house does not issue them again and cannot withdraw them.",
            "Interval tables count as unconfirmed here until a manager of this house confirms them.",
        ]
        if gaps:
            notes.append(
                f"Of {gaps:,} units some records were made at other premises and were not handed over."
            )
        if erased:
            notes.append(f"{erased:,} records had lost words by an erasure of personal data before.")
        return notes

    def _papers_are_whole(self) -> None:
        for paper in papers_named(self.handed.tables):
            self.handed.paper(paper["sha256"])

    # --- live tables --------------------------------------------------------------------------------

    def _live(self, table: Table, rows: Sequence[Row]) -> None:
        columns = columns_of(table.name)
        if table.ident:
            self._match(table, rows)
        fresh: list[tuple[int, Row]] = []
        for number, row in enumerate(rows, start=1):
            if table.ident:
                if row[table.ident] in self.local[table.name]:
                    self.done.known[table.name] += 1
                    continue
                if table.parent or table.name in _UNDER:
                    self._may_add(table, number, row)
            elif not self._belongs_to_new(table, row):
                self._must_be_here(table, number, row)
                continue
            fresh.append((number, row))
        if self.problems:
            return
        if table.name == "units":
            self._unit_numbers(fresh)
        # A row that points at another row of its own table comes after it.
        for wave in self._waves(table, columns, fresh):
            for part in chunks(wave, BATCH):
                self._store(table, columns, part)
                if self.problems:
                    return
        self.done.added[table.name] += len(fresh)

    def _match(self, table: Table, rows: Sequence[Row]) -> None:
        """Find the rows that stand here already; each must say the same."""
        manager: Any = table.model._default_manager
        by_ident = {row[table.ident]: (number, row) for number, row in enumerate(rows, start=1)}
        for some in chunks(by_ident, BATCH):
            here = manager.filter(**{f"{table.ident}__in": some})
            pks = {str(ident): pk for ident, pk in here.values_list(table.ident, "pk")}
            if not pks:
                continue
            for ours in read_rows(table, here.order_by("pk")):
                ident = ours[table.ident]
                number, theirs = by_ident[ident]
                self.local[table.name][ident] = pks[ident]
                self._same(table, number, ours, theirs)
        if table.name == "unit_models":
            keys = {
                row["build_key"]: row for row in rows if row["public_id"] not in self.local["unit_models"]
            }
            for some in chunks(keys, BATCH):
                for key, pk in UnitModel.objects.filter(build_key__in=some).values_list("build_key", "pk"):
                    self.local["unit_models"][keys[key]["public_id"]] = pk

    def _same(self, table: Table, number: int, ours: Row, theirs: Row) -> None:
        for column in columns_of(table.name):
            name = column.name
            if column.is_foreign or name in _HERE_OTHERWISE.get(table.name, ()):
                continue
            if canonical({"": ours[name]}) != canonical({"": theirs[name]}):
                self._say(
                    table.name,
                    number,
                    name,
                    f"It stands here already and says {_short(ours[name])}, not {_short(theirs[name])}.",
                )

    def _may_add(self, table: Table, number: int, row: Row) -> None:
        """A row below one that stood here before would change what is known of premises here."""
        for name, parents in _UNDER.get(table.name, ()):
            parent = row.get(name)
            if parent is not None and parent not in self.made[parents]:
                if parent in self.local[parents]:
                    self._say(
                        table.name,
                        number,
                        name,
                        f"It would be added below a row of {parents} that stands here.",
                    )
                return

    def _belongs_to_new(self, table: Table, row: Row) -> bool:
        names = ("site", "owner") if table.parent == "site" else (table.parent,)
        for column in columns_of(table.name):
            if column.name in names and row[column.name] is not None:
                return row[column.name] in self.made[column.refers_to]
        return False

    def _must_be_here(self, table: Table, number: int, row: Row) -> None:
        if table.name not in self.known_rows:
            self.known_rows[table.name] = {
                _without_foreign(table, known) for known in rows_of(table, Cover())
            }
        if _without_foreign(table, row) in self.known_rows[table.name]:
            self.done.known[table.name] += 1
        else:
            self._say(table.name, number, "", "It belongs to a row that stands here, and is not here itself.")

    def _waves(
        self, table: Table, columns: Sequence[Column], rows: list[tuple[int, Row]]
    ) -> Iterable[list[tuple[int, Row]]]:
        own = [column.name for column in columns if column.refers_to == table.name]
        if not own or not rows:
            return [rows] if rows else []
        depth: dict[str, int] = {}
        inside = {row[table.ident]: row for _, row in rows}
        for ident in inside:
            trail: list[str] = []
            at: str | None = ident
            while at is not None and at in inside and at not in depth and at not in trail:
                trail.append(at)
                at = inside[at][own[0]]
            start = depth.get(at, -1) if at is not None else -1
            depth |= {one: place for place, one in enumerate(reversed(trail), start=start + 1)}
        waves: dict[int, list[tuple[int, Row]]] = defaultdict(list)
        for item in rows:
            waves[depth[item[1][table.ident]]].append(item)
        return [waves[key] for key in sorted(waves)]

    def _store(self, table: Table, columns: Sequence[Column], part: Sequence[tuple[int, Row]]) -> None:
        instances: list[Any] = []
        besides: list[dict[str, Any]] = []
        for _, row in part:
            values: dict[str, Any] = {}
            beside: dict[str, Any] = {}
            for column in columns:
                self._value(column, row[column.name], values, beside)
            if table.name == "variations":
                values["varied_by_id"] = self.by.pk
            instances.append(table.model(**values))
            besides.append(beside)
        manager: Any = table.model._default_manager
        try:
            with transaction.atomic():
                manager.bulk_create(instances, batch_size=BATCH)
        except IntegrityError as clash:
            self._blame(table, part, instances, clash)
            return
        stamped = [
            one.name for one in table.model._meta.concrete_fields if getattr(one, "auto_now_add", False)
        ]
        stamped = [name for name in stamped if any(column.name == name for column in columns)]
        if stamped:
            for instance, (_, row) in zip(instances, part, strict=True):
                for name in stamped:
                    setattr(instance, name, datetime.fromisoformat(row[name]))
            manager.bulk_update(instances, stamped, batch_size=BATCH)
        for instance, (_, row), beside in zip(instances, part, besides, strict=True):
            ident = row[table.ident] if table.ident else ""
            if ident:
                self.local[table.name][ident] = instance.pk
                self.made[table.name].add(ident)
            if beside:
                self.beside.append((table, instance.pk, ident, beside))
        if table.name == "records":
            self._origins(instances, part)

    def _value(self, column: Column, given: Any, values: dict[str, Any], beside: dict[str, Any]) -> None:
        name = column.name
        if column.kind is Kind.NUMBERS:
            return
        if column.is_foreign:
            if given is not None:
                beside[name] = given
            return
        if column.kind is Kind.REF:
            found = self.local[column.refers_to].get(given) if given is not None else None
            if given is not None and found is None:
                beside[name] = given  # it was not handed over; its identity is kept
            values[f"{name}_id"] = found
            return
        values[name] = stored(column, given)

    def _origins(self, instances: Sequence[ServiceRecord], part: Sequence[tuple[int, Row]]) -> None:
        gaps = {(unit, sequence) for unit, proof in self.handed.proofs.items() for sequence in proof.gaps}
        RecordOrigin.objects.bulk_create(
            [
                RecordOrigin(
                    record=instance,
                    house=UUID(row["row_numbers"]["house"]),
                    has_gap_before=(row["unit"], row["sequence"]) in gaps,
                    **{
                        name: row["row_numbers"][name]
                        for name in ("unit", "site", "location", "by", "corrects")
                    },
                )
                for instance, (_, row) in zip(instances, part, strict=True)
            ],
            batch_size=BATCH,
        )

    def _blame(
        self, table: Table, part: Sequence[tuple[int, Row]], instances: Sequence[Any], clash: IntegrityError
    ) -> None:
        """Name the row and field that the database refused."""
        for (number, _), instance in zip(part, instances, strict=True):
            try:
                instance.full_clean(
                    exclude=[f.name for f in table.model._meta.concrete_fields if f.is_relation]
                )
            except ValidationError as wrong:
                for name, errors in wrong.message_dict.items():
                    self._say(
                        table.name,
                        number,
                        "" if name == "__all__" else name,
                        " ".join(errors),
                        "Change the one that stands here, or ask for another file.",
                    )
                return
        self._say(table.name, 0, "", f"The database refused a row: {str(clash)[:200]}.")

    def _unit_numbers(self, fresh: Sequence[tuple[int, Row]]) -> None:
        """A number that another unit has here is not given twice: the unit gets a new one, and it is told."""
        for some in chunks(fresh, BATCH):
            taken = set(
                Unit.objects.filter(number__in=[row["number"] for _, row in some]).values_list(
                    "number", flat=True
                )
            )
            keys = set(
                Unit.objects.filter(
                    import_key__in=[row["import_key"] for _, row in some if row["import_key"]]
                ).values_list("import_key", flat=True)
            )
            for _, row in some:
                if row["import_key"] in keys:
                    row["import_key"] = None
                if row["number"] in taken:
                    old, row["number"] = row["number"], unit_numbers(1)[0]
                    self.done.notes.append(
                        f"Unit {old} of the file is {row['number']} here: the number was taken."
                    )

    def _series(self) -> None:
        """Numbers that came along are not drawn again."""
        highest = max(
            (
                int(found[1])
                for row in self.handed.tables["units"]
                if (found := _SERIES.fullmatch(row["number"]))
            ),
            default=0,
        )
        if highest:
            NumberSeries.objects.get_or_create(name="unit")
            NumberSeries.objects.filter(name="unit", last__lt=highest).update(last=highest)

    # --- kept tables --------------------------------------------------------------------------------

    def _kept(self, take_over: TakeOver, *, keep_papers: bool) -> None:
        owners = self.local["owners"]
        one_owner = next(iter(owners.values())) if len(owners) == 1 else None
        for table in TABLES:
            self._places(table)
        rows: list[HandedRow] = [
            HandedRow(
                take_over=take_over,
                table_name=table.name,
                ref=ident or f"here-{pk}",
                local_id=pk,
                content=beside,
                **self._scope(table, {table.ident: ident} if table.ident else {}, one_owner),
            )
            for table, pk, ident, beside in self.beside
        ]
        for table in TABLES:
            if not table.is_live:
                rows += self._kept_of(table, take_over, one_owner, keep_papers)
        HandedRow.objects.bulk_create(rows, batch_size=BATCH)

    def _kept_of(
        self, table: Table, take_over: TakeOver, one_owner: int | None, keep_papers: bool
    ) -> list[HandedRow]:
        found: list[HandedRow] = []
        times: Counter[str] = Counter()
        refs: list[tuple[int, Row, str]] = []
        for number, row in enumerate(self.handed.tables[table.name], start=1):
            ref = row[table.ident] if table.ident else digest_of(row)
            times[ref] += 1
            refs.append((number, row, ref if times[ref] == 1 else f"{ref}-{times[ref]}"))
        here: dict[str, Row] = {}
        for some in chunks(refs, BATCH):
            wanted = [ref for _, _, ref in some]
            here |= dict(
                HandedRow.objects.filter(table_name=table.name, ref__in=wanted).values_list("ref", "content")
            )
            if table.ident:
                manager: Any = table.model._default_manager
                ours = manager.filter(**{f"{table.ident}__in": wanted})
                here |= {row[table.ident]: row for row in read_rows(table, ours.order_by("pk"))}
        for number, row, ref in refs:
            if ref in here:
                if canonical(here[ref]) != canonical(row):
                    self._say(table.name, number, "", "It stands here already and says something else.")
                self.done.known[table.name] += 1
                continue
            scope = self._scope(table, row, one_owner)
            site, owner = scope.get("site_id"), scope.get("owner_id")
            made_sites = {self.local["sites"][ident] for ident in self.made["sites"]}
            made_owners = {self.local["owners"][ident] for ident in self.made["owners"]}
            if not (site in made_sites if site else owner in made_owners if owner else self.made["owners"]):
                self._must_be_here(table, number, row)
                continue
            kept = HandedRow(take_over=take_over, table_name=table.name, ref=ref, content=row, **scope)
            if row.get("paper"):
                kept.sha256 = row["paper"]["sha256"]
                kept.file_name = self._keep_paper(row["paper"]["sha256"], keep_papers)
            found.append(kept)
        self.done.added[table.name] += len(found)
        return found

    def _keep_paper(self, digest: str, keep: bool) -> str:
        data = self.handed.paper(digest)
        if data is None:
            return ""
        end = self.handed.papers[digest].rpartition(".")[2]
        # The name is made of the digest alone: nothing in the file says where it goes.
        name = f"handed/{digest[:2]}/{digest}.{end}"
        if keep and not default_storage.exists(name):
            default_storage.save(name, ContentFile(data))
        return name

    def _places(self, table: Table) -> None:
        """Note at which site each row of ``table`` belongs, by whatever it points at."""
        if not table.ident:
            return
        for row in self.handed.tables[table.name]:
            self.site_of[table.name][row[table.ident]] = self._site_ident(table, row)

    def _site_ident(self, table: Table, row: Row) -> str | None:
        if table.name == "sites":
            return str(row["public_id"])
        refs = [column for column in columns_of(table.name) if column.refers_to not in ("", "owners")]
        refs.sort(key=lambda column: column.refers_to != "sites")
        for column in refs:
            given = row.get(column.name)
            if given is not None:
                site = given if column.refers_to == "sites" else self.site_of[column.refers_to].get(given)
                if site is not None:
                    return str(site)
        return None

    def _scope(self, table: Table, row: Row, one_owner: int | None) -> dict[str, int | None]:
        known = self.site_of[table.name].get(row[table.ident]) if table.ident and table.ident in row else None
        site = known or (self._site_ident(table, row) if row else None)
        if site is not None and site in self.local["sites"]:
            return {"site_id": self.local["sites"][site]}
        owner = row.get("owner") or (row.get("public_id") if table.name == "owners" else None)
        return {"owner_id": self.local["owners"].get(owner, one_owner) if owner else one_owner}


# What may only be added below rows of the same file.
_UNDER: dict[str, tuple[tuple[str, str], ...]] = {
    "blackouts": (("site", "sites"), ("owner", "owners")),
    "locations": (("site", "sites"),),
    "units": (("site", "sites"),),
    "records": (("unit", "units"),),
    "erased_records": (("unit", "units"),),
    "defects": (("site", "sites"),),
}
# What may differ of a row that stands here: it was given another number when it was taken over.
_HERE_OTHERWISE = {"units": ("number", "import_key", "model"), "records": ("row_numbers",)}


def _without_foreign(table: Table, row: Row) -> str:
    foreign = {column.name for column in columns_of(table.name) if column.is_foreign}
    return canonical({name: value for name, value in row.items() if name not in foreign})


def _short(value: Any) -> str:
    text = canonical({"": value})[4:-1]
    return text if len(text) <= 80 else f"{text[:77]}…"


def stored(column: Column, value: Any) -> Any:
    """``value`` of the format as the model takes it."""
    if value is None:
        return None
    make: Callable[[Any], Any] | None = _MAKE.get(column.kind)
    return make(value) if make else value


_MAKE: dict[Kind, Callable[[Any], Any]] = {
    Kind.DATE: date.fromisoformat,
    Kind.TIME: time.fromisoformat,
    Kind.INSTANT: datetime.fromisoformat,
    Kind.DECIMAL: Decimal,
    Kind.UUID: UUID,
    Kind.NUMBER: float,
}
