"""From a register file to stored units: all good rows or nothing, and never twice.

Reading and doubting is done in ``servicedesk.exchange.reading``; here rows meet what is stored. A
unit is met again by its import key, a record by a reference derived from it, so that the same or
a newer file adds and updates and never doubles.
"""

from __future__ import annotations

import hashlib
import uuid
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewRecord, add_records
from inventory.measures.kinds import Task
from inventory.measures.stamps import Precision, Stamp
from inventory.people import Person
from inventory.register.models import AccessWindow, Location, Owner, Placement, Site, Unit, UnitModel
from inventory.register.places import Move
from inventory.register.queries import condemned_serials
from inventory.register.services import unit_numbers
from schedules.due.services import refresh_stale
from schedules.rulebook.models import Adoption
from schedules.rules import load_tables
from servicedesk.exchange.findings import Finding, RegisterFileError, Severity
from servicedesk.exchange.reading import RegisterRow, read_register

_NAMESPACE = uuid.UUID("6d0f0a52-3f5f-5a57-9d0c-0d5a5f0b9a31")
BATCH = 500

# Column of the register that claims a past task, oldest kind of work first.
_CLAIMS: tuple[tuple[str, Task], ...] = (
    ("last_hydrostatic_test", Task.HYDROSTATIC_TEST),
    ("last_internal_examination", Task.INTERNAL_EXAMINATION),
    ("last_recharge", Task.RECHARGE),
    ("last_maintenance", Task.MAINTENANCE),
    ("last_weighing", Task.WEIGHING),
    ("last_conductivity_test", Task.CONDUCTIVITY_TEST),
    ("last_visual_inspection", Task.VISUAL_INSPECTION),
)


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
    records_added: int = 0

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
        done = (
            f"{self.created} units added, {self.updated} updated, {self.unchanged} unchanged, "
            f"{self.records_added} past records added"
        )
        left = f"; {len(self.refused_rows)} refused rows left out" if self.refused_rows else ""
        return f"{'' if self.is_stored else 'Trial, nothing stored: '}{done}{left}."


class _TrialOnly(Exception):
    """Rolls the transaction of a trial back."""


@dataclass
class _Counts:
    owners_created: int = 0
    sites_created: int = 0
    locations_created: int = 0
    created: int = 0
    updated: int = 0
    unchanged: int = 0
    records_added: int = 0
    findings: list[Finding] = field(default_factory=list)


def import_register(
    data: bytes,
    *,
    by: Person | None,
    now: datetime,
    accept_rest: bool = False,
    dry_run: bool = False,
    refresh: bool = True,
) -> ImportReport:
    """Import the register file ``data`` and report row by row.

    Without ``accept_rest`` one refused row keeps the whole file out; with it the good rows come in
    whole and the refused ones are listed. ``dry_run`` goes through everything and stores nothing.
    ``refresh`` computes the due dates of what changed in the same transaction. Two people
    importing the same file at once cannot double a unit: the import key is unique.
    """
    try:
        reading = read_register(data, now=now, known_tables=load_tables().keys())
    except RegisterFileError as error:
        return ImportReport(findings=error.findings, is_refused_file=True)
    report = ImportReport(
        findings=reading.findings,
        rows_read=len(reading.rows) + len(reading.refused_rows),
        refused_rows=reading.refused_rows,
    )
    if reading.refused_rows and not accept_rest:
        return report
    counts = _Counts()
    try:
        with transaction.atomic():
            rows = _settle_numbers(reading.rows, counts)
            if counts.findings and not accept_rest:
                return _with_clashes(report, counts)
            _store(rows, reading.findings, counts, by=by, now=now)
            if refresh and not dry_run:
                refresh_stale(now=now)
            if dry_run:
                raise _TrialOnly
    except _TrialOnly:
        pass
    report = _with_clashes(report, counts)
    return replace(
        report,
        is_stored=not dry_run,
        owners_created=counts.owners_created,
        sites_created=counts.sites_created,
        locations_created=counts.locations_created,
        created=counts.created,
        updated=counts.updated,
        unchanged=counts.unchanged,
        records_added=counts.records_added,
    )


def _with_clashes(report: ImportReport, counts: _Counts) -> ImportReport:
    return replace(
        report,
        findings=(*report.findings, *counts.findings),
        refused_rows=tuple(sorted({*report.refused_rows, *(f.row for f in counts.findings)})),
    )


def _settle_numbers(rows: Sequence[RegisterRow], counts: _Counts) -> list[RegisterRow]:
    """Refuse rows whose unit number or site belongs to somebody else in what is stored."""
    holders = dict(Unit.objects.values_list("number", "import_key"))
    site_owner = dict(Site.objects.values_list("code", "owner__name"))
    known = set(holders.values())
    condemned = condemned_serials((row.maker, row.serial) for row in rows if row.import_key not in known)
    kept: list[RegisterRow] = []
    for row in rows:
        gone = condemned.get((row.maker, row.serial)) if row.import_key not in known else None
        if gone is not None:
            counts.findings.append(
                _clash(
                    row,
                    "serial_condemned",
                    row.serial,
                    f"Serial {row.serial} of {row.maker or 'an unknown maker'} was condemned as unit "
                    f"{gone.number}.",
                    "A condemned shell must not hang again: take it down, or correct the serial.",
                )
            )
        elif row.unit_number and holders.get(row.unit_number, row.import_key) != row.import_key:
            counts.findings.append(
                _clash(
                    row,
                    "number_taken",
                    row.unit_number,
                    f"The number {row.unit_number} is already on another unit.",
                    "Check the label; leave the cell empty and a new number will be drawn.",
                )
            )
        elif site_owner.get(row.site_code, row.owner_name) != row.owner_name:
            counts.findings.append(
                _clash(
                    row,
                    "site_of_another_owner",
                    row.site_code,
                    f"Site {row.site_code} belongs to {site_owner[row.site_code]}, not to {row.owner_name}.",
                    "Use another site code, or change the owner of the site first.",
                )
            )
        else:
            kept.append(row)
    return kept


def _clash(row: RegisterRow, code: str, found: str, sentence: str, remedy: str) -> Finding:
    return Finding(row.row, "", code, Severity.REFUSED, found, sentence, remedy)


def _store(
    rows: Sequence[RegisterRow],
    findings: Iterable[Finding],
    counts: _Counts,
    *,
    by: Person | None,
    now: datetime,
) -> None:
    doubts: dict[int, list[str]] = defaultdict(list)
    for finding in findings:
        if finding.row and finding.severity is Severity.DOUBT:
            doubts[finding.row].append(finding.sentence)
    owners = _store_owners(rows, counts)
    sites = _store_sites(rows, owners, counts, by=by, now=now)
    locations = _store_locations(rows, sites, counts)
    models = _store_models(rows)
    units = _store_units(rows, doubts, sites, locations, models, counts, by=by)
    counts.records_added = _store_claims(rows, units, now=now)


def _store_owners(rows: Sequence[RegisterRow], counts: _Counts) -> dict[str, Owner]:
    stored = {owner.name: owner for owner in Owner.objects.all()}
    new = {
        row.owner_name: Owner(name=row.owner_name, contact_email=row.owner_email)
        for row in reversed(rows)
        if row.owner_name not in stored
    }
    made = Owner.objects.bulk_create(new.values())
    counts.owners_created = len(made)
    return stored | {owner.name: owner for owner in made}


_SITE_FIELDS = (
    "name", "address_line", "city", "region", "postcode", "country", "latitude", "longitude", "time_zone",
)  # fmt: skip


def _store_sites(
    rows: Sequence[RegisterRow],
    owners: dict[str, Owner],
    counts: _Counts,
    *,
    by: Person | None,
    now: datetime,
) -> dict[str, Site]:
    first: dict[str, RegisterRow] = {}
    for row in rows:
        first.setdefault(row.site_code, row)
    stored = {site.code: site for site in Site.objects.filter(code__in=first)}
    new: list[Site] = []
    changed: list[Site] = []
    moved_zone: list[int] = []
    for code, row in first.items():
        values = {
            "name": row.site_name or code,
            "address_line": row.address_line,
            "city": row.city,
            "region": row.region,
            "postcode": row.postcode,
            "country": row.country,
            "latitude": row.latitude,
            "longitude": row.longitude,
            "time_zone": row.time_zone,
        }
        site = stored.get(code)
        if site is None:
            new.append(Site(code=code, owner=owners[row.owner_name], **values))
            continue
        # An empty cell of a newer file takes nothing away.
        differing = {n: v for n, v in values.items() if v not in ("", None) and getattr(site, n) != v}
        if differing:
            if "time_zone" in differing:
                moved_zone.append(site.pk)
            for name, value in differing.items():
                setattr(site, name, value)
            changed.append(site)
    Site.objects.bulk_create(new, batch_size=BATCH)
    Site.objects.bulk_update(changed, _SITE_FIELDS, batch_size=BATCH)
    if moved_zone:
        Unit.objects.filter(site__in=moved_zone).update(facts_revision=F("facts_revision") + 1)
    counts.sites_created = len(new)
    sites = stored | {site.code: site for site in new}

    fresh = {site.pk for site in new}
    AccessWindow.objects.bulk_create(
        [
            AccessWindow(site=sites[code], weekday=w.weekday, opens_at=w.opens, closes_at=w.closes)
            for code, row in first.items()
            if sites[code].pk in fresh
            for w in row.access_windows
        ],
        batch_size=BATCH,
    )
    held = set(Adoption.objects.standing().filter(site__isnull=False).values_list("site_id", "table_key"))
    Adoption.objects.bulk_create(
        [
            Adoption(
                table_key=key,
                site=sites[code],
                adopted_by_id=by.pk if by is not None else None,
                adopted_at=now,
                reason="As the imported register says",
            )
            for code, row in first.items()
            for key in row.tables
            if (sites[code].pk, key) not in held
        ],
        batch_size=BATCH,
    )
    return sites


def _store_locations(
    rows: Sequence[RegisterRow], sites: dict[str, Site], counts: _Counts
) -> dict[tuple[int, str], Location]:
    stored = {
        (location.site_id, location.number): location
        for location in Location.objects.filter(site__in=[site.pk for site in sites.values()])
    }
    order: dict[int, int] = defaultdict(int)
    for site_id, _ in stored:
        order[site_id] += 1
    new: dict[tuple[int, str], Location] = {}
    changed: list[Location] = []
    first: dict[tuple[int, str], RegisterRow] = {}
    for row in rows:
        # Where rows share a place the first describes it, or each import would turn it over again.
        first.setdefault((sites[row.site_code].pk, row.location_number), row)
    for key, row in first.items():
        site = sites[row.site_code]
        values = {
            "building": row.building,
            "floor": row.floor,
            "description": row.location_description,
            "hazard": row.hazard,
            "environment": row.environment.value,
        }
        location = stored.get(key)
        if location is None:
            order[site.pk] += 1
            new[key] = Location(site=site, number=row.location_number, walking_order=order[site.pk], **values)
        else:
            differing = {n: v for n, v in values.items() if v != "" and getattr(location, n) != v}
            if differing:
                for name, value in differing.items():
                    setattr(location, name, value)
                changed.append(location)
    Location.objects.bulk_create(new.values(), batch_size=BATCH)
    Location.objects.bulk_update(
        changed, ["building", "floor", "description", "hazard", "environment"], batch_size=BATCH
    )
    if changed:
        # The surroundings can choose the rule.
        Unit.objects.filter(location__in=changed).update(facts_revision=F("facts_revision") + 1)
    counts.locations_created = len(new)
    return stored | new


def _build_values(row: RegisterRow) -> dict[str, object]:
    return {
        "maker": row.maker,
        "name": row.model,
        "agent": row.agent.value,
        "construction": row.construction.value,
        "shell": row.shell.value,
        "cylinder_spec": row.cylinder_spec,
        "charge_mass_g": row.charge_mass_g,
        "charge_volume_ml": row.charge_volume_ml,
        "charge_text": row.charge_text,
        "water_capacity_ml": row.water_capacity_ml,
        "working_pressure_kpa": row.working_pressure_kpa,
        "test_pressure_kpa": row.test_pressure_kpa,
        "full_mass_g": row.full_mass_g,
        "is_wheeled": row.is_wheeled,
        "is_refillable": row.is_refillable,
        "has_shutoff_hose": row.has_shutoff_hose,
    }


def _build_key(values: dict[str, object]) -> str:
    return hashlib.sha256(repr(sorted(values.items())).encode()).hexdigest()


def _store_models(rows: Sequence[RegisterRow]) -> dict[str, UnitModel]:
    wanted: dict[str, dict[str, object]] = {}
    for row in rows:
        values = _build_values(row)
        wanted.setdefault(_build_key(values), values)
    stored = {model.build_key: model for model in UnitModel.objects.filter(build_key__in=wanted)}
    new = [UnitModel(build_key=key, **values) for key, values in wanted.items() if key not in stored]
    UnitModel.objects.bulk_create(new, batch_size=BATCH)
    return stored | {model.build_key: model for model in new}


def _store_units(
    rows: Sequence[RegisterRow],
    doubts: dict[int, list[str]],
    sites: dict[str, Site],
    locations: dict[tuple[int, str], Location],
    models: dict[str, UnitModel],
    counts: _Counts,
    *,
    by: Person | None,
) -> dict[str, Unit]:
    by_key: dict[str, Unit] = {}
    keys = [row.import_key for row in rows]
    for start in range(0, len(keys), BATCH):
        for unit in Unit.objects.filter(import_key__in=keys[start : start + BATCH]):
            by_key[str(unit.import_key)] = unit
    new: list[Unit] = []
    changed: list[Unit] = []
    moved: list[tuple[Unit, Location]] = []
    for row in rows:
        site = sites[row.site_code]
        location = locations[(site.pk, row.location_number)]
        model = models[_build_key(_build_values(row))]
        installed = row.installed.first if row.installed.precision is Precision.DAY else None
        stored = by_key.get(row.import_key)
        if stored is None:
            unit = Unit(
                number=row.unit_number,
                model=model,
                site=site,
                location=location,
                serial=row.serial,
                commissioned_on=installed,
                import_key=row.import_key,
                doubts=doubts.get(row.row, []),
            )
            unit.made = row.made
            new.append(unit)
            continue
        if stored.state in Unit.GONE:
            # The register is older than what we did: a unit that left does not come back by file.
            counts.unchanged += 1
            continue
        if _differs(stored, row, model, installed, doubts.get(row.row, [])):
            stored.model = model
            stored.serial = row.serial or stored.serial
            if row.made.is_known:
                stored.made = row.made
            stored.commissioned_on = installed or stored.commissioned_on
            stored.doubts = doubts.get(row.row, [])
            stored.facts_revision += 1
            changed.append(stored)
        elif stored.state in Unit.HANGING and stored.location_id != location.pk:
            moved.append((stored, location))
        else:
            counts.unchanged += 1
    without = [unit for unit in new if not unit.number]
    if without:
        for unit, number in zip(without, unit_numbers(len(without)), strict=True):
            unit.number = number
    Unit.objects.bulk_create(new, batch_size=BATCH)
    Unit.objects.bulk_update(
        changed,
        [
            "model", "serial", "made_first", "made_last", "made_precision", "made_raw", "commissioned_on",
            "doubts", "facts_revision",
        ],
        batch_size=BATCH,
    )  # fmt: skip
    since = {row.import_key: row.installed.first for row in rows}
    Placement.objects.bulk_create(
        [
            Placement(
                unit=unit,
                location=unit.location,
                from_on=since[str(unit.import_key)],
                opened_by_id=by.pk if by is not None else None,
                reason="As the imported register says",
            )
            for unit in new
            if unit.location is not None
        ],
        batch_size=BATCH,
    )
    _move(moved, by=by)
    counts.created, counts.updated = len(new), len(changed) + len(moved)
    return by_key | {str(unit.import_key): unit for unit in new}


def _differs(unit: Unit, row: RegisterRow, model: UnitModel, installed: object, doubts: list[str]) -> bool:
    return (
        unit.model_id != model.pk
        or (bool(row.serial) and unit.serial != row.serial)
        or (row.made.is_known and unit.made != row.made)
        or (installed is not None and unit.commissioned_on != installed)
        or unit.doubts != doubts
    )


def _move(moved: Sequence[tuple[Unit, Location]], *, by: Person | None) -> None:
    """Follow a newer register to other locations; the day of the move is not known from a file."""
    if not moved:
        return
    Placement.objects.filter(unit__in=[unit for unit, _ in moved], is_open=True).update(is_open=False)
    Placement.objects.bulk_create(
        [
            Placement(
                unit=unit,
                location=location,
                opened_by_id=by.pk if by is not None else None,
                reason="Moved according to a newer register",
            )
            for unit, location in moved
        ],
        batch_size=BATCH,
    )
    at = timezone.now()
    Move.objects.bulk_create(
        [
            Move(
                transaction=uuid.uuid4(),
                unit=unit,
                site_id=location.site_id,
                from_location_id=unit.location_id,
                from_store_id=unit.store_id,
                to_location=location,
                from_state=unit.state,
                to_state=unit.state,
                reason="Moved according to a newer register",
                moved_by_id=by.pk if by is not None else None,
                made_at=at,
            )
            for unit, location in moved
        ],
        batch_size=BATCH,
    )
    for unit, location in moved:
        unit.location, unit.site_id = location, location.site_id
        unit.facts_revision += 1
    Unit.objects.bulk_update(
        [unit for unit, _ in moved], ["location", "site", "facts_revision"], batch_size=BATCH
    )


def _store_claims(rows: Sequence[RegisterRow], units: dict[str, Unit], *, now: datetime) -> int:
    """Store what the register says was done, as claims on the owner's papers."""
    claims: list[tuple[uuid.UUID, RegisterRow, Task, Stamp]] = []
    for row in rows:
        unit = units.get(row.import_key)
        if unit is None or unit.state in Unit.GONE:
            continue
        found = [(task, stamp) for column, task in _CLAIMS if (stamp := getattr(row, column)).is_known]
        for task, stamp in sorted(found, key=lambda pair: pair[1].first or now.date()):
            # Of the date, not of its spelling: a file that writes 06/2021 for 2021-06 says nothing new.
            name = f"{row.import_key}|{task.value}|{stamp.first}|{stamp.last}"
            claims.append((uuid.uuid5(_NAMESPACE, name), row, task, stamp))
    known: set[uuid.UUID] = set()
    refs = [ref for ref, *_ in claims]
    for start in range(0, len(refs), BATCH):
        batch = refs[start : start + BATCH]
        known.update(ServiceRecord.objects.filter(client_ref__in=batch).values_list("client_ref", flat=True))
    new = []
    for ref, row, task, stamp in claims:
        if ref in known:
            continue
        unit = units[row.import_key]
        new.append(
            NewRecord(
                unit_id=unit.pk,
                task=task.value,
                outcome=ServiceRecord.Outcome.PASSED.value,
                done=stamp,
                received_at=now,
                client_ref=ref,
                method=row.hydrostatic_test_method.value if task is Task.HYDROSTATIC_TEST else "",
                evidence=ServiceRecord.Evidence.OWNER_PAPER.value,
                site_id=unit.site_id,
                location_id=unit.location_id,
                remarks="As the imported register says",
            )
        )
    add_records(new)
    return len(new)
