"""Rows of a register file meet what is stored: which unit each row is, and what it would change.

Nothing is written here. A row is met with a unit by its import key, else by our number, else by its
serial, else by the place of a unit without a serial: a file that learnt a number or corrected a maker
since the last time must not double its units. What the file says against a better source is kept apart
as a claim and changes nothing.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from inventory.bulk import chunks
from inventory.measures.kinds import Agent, Construction, Shell
from inventory.measures.stamps import Precision
from inventory.register.changes import FactChange, LocationAlias
from inventory.register.claims import (
    BUILD_FIELDS,
    FACT_LABELS,
    Claim,
    as_value,
    shown_fact,
    stored_stamp,
)
from inventory.register.models import FactRank, Location, Owner, Site, Unit
from inventory.register.queries import condemned_serials, serial_key
from servicedesk.exchange.findings import Finding, Severity
from servicedesk.exchange.models import ImportEffect, ImportLine
from servicedesk.exchange.rows import RegisterRow

Verdict = ImportLine.Verdict
ID_CHUNK = 10_000
_ACTIVE_PLACE = (*Unit.HANGING, Unit.State.AWAITING_RECHARGE, Unit.State.NOT_FOUND)

SITE_FIELDS: dict[str, str] = {
    "name": "Name", "address_line": "Address", "city": "Town", "region": "Region", "postcode": "Postcode",
    "country": "Country", "latitude": "Latitude", "longitude": "Longitude", "time_zone": "Time zone",
}  # fmt: skip
LOCATION_FIELDS: dict[str, str] = {
    "building": "Building", "floor": "Floor", "description": "Where", "hazard": "Hazard",
    "environment": "Surroundings",
}  # fmt: skip


@dataclass(slots=True)
class StoredUnit:
    """A unit as it is stored; ``build`` is what its model says, in the order of ``BUILD_FIELDS``."""

    pk: int
    number: str
    site_id: int | None
    location_id: int | None
    serial: str
    state: str
    made: tuple[str | None, str | None, str, str]
    commissioned_on: date | None
    import_key: str | None
    doubts: list[str]
    facts_rank: int | None
    model_id: int
    store_id: int | None
    build: tuple[Any, ...]


@dataclass(slots=True)
class NewClaim:
    """A source's word that is to be kept beside another."""

    fact: str
    value: Any
    rank: int
    is_standing: bool = False
    is_open: bool = False
    is_ours: bool = False
    """Whether the file says it; else it is what the register held before."""


@dataclass(slots=True)
class Met:
    """One row and what it comes to."""

    row: RegisterRow
    unit: StoredUnit | None
    verdict: Verdict
    facts: dict[str, Any] = field(default_factory=dict)
    changes: list[tuple[str, str, str]] = field(default_factory=list)
    claims: list[NewClaim] = field(default_factory=list)
    moves: bool = False
    revives: bool = False


@dataclass(slots=True)
class Meeting:
    """All rows of a file and what they meet."""

    met: list[Met] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    refused: set[int] = field(default_factory=set)
    clashes: list[Met] = field(default_factory=list)
    missing: list[StoredUnit] = field(default_factory=list)
    sites: dict[str, SiteMet] = field(default_factory=dict)
    places: dict[tuple[str, str], PlaceMet] = field(default_factory=dict)
    place_names: dict[int, str] = field(default_factory=dict)
    new_owners: int = 0

    def counts(self) -> Counter[str]:
        """How many rows of each verdict."""
        return Counter(met.verdict.value for met in self.met)


@dataclass(slots=True)
class SiteMet:
    """A site of the file: its first row, the stored one if there is one, and what differs."""

    row: RegisterRow
    pk: int | None
    owner_id: int | None
    before: dict[str, Any]
    after: dict[str, Any]


@dataclass(slots=True)
class PlaceMet:
    """A numbered place of the file, likewise."""

    row: RegisterRow
    pk: int | None
    before: dict[str, Any]
    after: dict[str, Any]


Heard = Callable[[int, int], None]


def meet(
    rows: Sequence[RegisterRow],
    *,
    rank: int,
    source: str,
    mapped: Iterable[str],
    refused_keys: frozenset[str] = frozenset(),
    heard: Heard | None = None,
) -> Meeting:
    """Return what each of ``rows`` comes to when it is stored as the word of ``source``.

    ``mapped`` are the fields for which the file has a column; ``rank`` is how good its source is. The
    number of queries grows with tens of thousands of rows, not with rows.
    """
    meeting = Meeting()
    _meet_sites(rows, meeting)
    stored, by_alias = _stored_units(rows, meeting)
    kept = _match(rows, stored, by_alias, meeting)
    _meet_places([met.row for met in kept], meeting)
    claims = _claims([met.unit.pk for met in kept if met.unit is not None])
    withdrawn = [m.unit.pk for m in kept if m.unit is not None and m.unit.state == Unit.State.WITHDRAWN]
    returning: set[int] = set()
    for some in chunks(withdrawn, ID_CHUNK):
        undone = ImportEffect.objects.filter(
            kind=ImportEffect.Kind.UNIT, target__in=some, is_added=True, is_undone=True
        )
        returning.update(undone.values_list("target", flat=True))
    judge = _Judge(rank, source, frozenset(mapped), claims, returning, meeting)
    for done, met in enumerate(kept):
        if heard is not None and done % 1000 == 0:
            heard(done, len(kept))
        judge.judge(met)
    meeting.met = kept
    seen = {met.unit.pk for met in kept if met.unit is not None}
    meeting.new_owners = _new_owners(kept)
    site_ids = {site.pk for site in meeting.sites.values() if site.pk is not None}
    meeting.missing = sorted(
        (
            unit
            for unit in stored
            if unit.site_id in site_ids
            and unit.pk not in seen
            and unit.state not in Unit.GONE
            and unit.import_key not in refused_keys
        ),
        key=lambda unit: unit.number,
    )
    return meeting


def _new_owners(kept: Sequence[Met]) -> int:
    names = {met.row.owner_name for met in kept}
    known = sum(Owner.objects.filter(name__in=some).count() for some in chunks(names, ID_CHUNK))
    return len(names) - known


# --- sites and places ------------------------------------------------------------------------------


def _meet_sites(rows: Sequence[RegisterRow], meeting: Meeting) -> None:
    first: dict[str, RegisterRow] = {}
    for row in rows:
        first.setdefault(row.site_code, row)
    stored: dict[str, dict[str, Any]] = {}
    names = ("pk", "code", "owner_id", "owner__name", "merged_into_id", *SITE_FIELDS)
    for codes in chunks(first, ID_CHUNK):
        stored |= {site["code"]: site for site in Site.objects.filter(code__in=codes).values(*names)}
    survivors = {site["merged_into_id"] for site in stored.values() if site["merged_into_id"]}
    if survivors:
        living = {site["pk"]: site for site in Site.objects.filter(pk__in=survivors).values(*names)}
        stored = {code: living.get(site["merged_into_id"], site) for code, site in stored.items()}
    for code, row in first.items():
        values: dict[str, Any] = {
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
            meeting.sites[code] = SiteMet(row, None, None, {}, values)
            continue
        if site["owner__name"] != row.owner_name:
            meeting.sites[code] = SiteMet(
                row, site["pk"], site["owner_id"], {"owner": site["owner__name"]}, {}
            )
            continue
        # An empty cell of a newer file takes nothing away.
        after = {n: v for n, v in values.items() if v not in ("", None) and site[n] != v}
        if site["code"] != code:  # merged into another site, which keeps its own facts
            after = {}
        before = {name: site[name] for name in after}
        meeting.sites[code] = SiteMet(row, site["pk"], site["owner_id"], before, after)


def _meet_places(rows: Sequence[RegisterRow], meeting: Meeting) -> None:
    by_pk = {site.pk: code for code, site in meeting.sites.items() if site.pk is not None}
    stored: dict[tuple[str, str], dict[str, Any]] = {}
    names = ("pk", "site_id", "number", *LOCATION_FIELDS)
    for ids in chunks(by_pk, 500):
        for place in Location.objects.filter(site__in=ids).order_by().values(*names):
            stored[by_pk[place["site_id"]], place["number"]] = place
            meeting.place_names[place["pk"]] = place["number"]
        # An old number of a place still leads to it.
        aliases = LocationAlias.objects.filter(site__in=ids).order_by()
        for site_id, number, place_id, now in aliases.values_list(
            "site_id", "number", "location_id", "location__number"
        ):
            place = stored.get((by_pk[site_id], now))
            if place is not None and place["pk"] == place_id:
                stored.setdefault((by_pk[site_id], number), place)
    for row in rows:
        key = (row.site_code, row.location_number)
        if key in meeting.places:
            continue  # where rows share a place the first describes it
        values = {
            "building": row.building,
            "floor": row.floor,
            "description": row.location_description,
            "hazard": row.hazard,
            "environment": row.environment.value,
        }
        place = stored.get(key)
        if place is None:
            meeting.places[key] = PlaceMet(row, None, {}, values)
            continue
        after = {n: v for n, v in values.items() if v != "" and place[n] != v}
        meeting.places[key] = PlaceMet(row, place["pk"], {n: place[n] for n in after}, after)


# --- which unit a row is ---------------------------------------------------------------------------


def _stored_units(
    rows: Sequence[RegisterRow], meeting: Meeting
) -> tuple[list[StoredUnit], dict[str, StoredUnit]]:
    """Units of the sites in the file, and those elsewhere that its keys, numbers or serials name.

    Beside them, by import key, the units that others were merged into.
    """
    if not Unit.objects.exists():
        return [], {}
    site_ids = [site.pk for site in meeting.sites.values() if site.pk is not None]
    owner_ids = {site.owner_id for site in meeting.sites.values() if site.owner_id is not None}
    found: dict[int, StoredUnit] = {}
    models: dict[int, tuple[Any, ...]] = {}

    def take(query: Any) -> None:
        names = (
            "pk", "number", "site_id", "location_id", "serial", "state", "made_first", "made_last",
            "made_precision", "made_raw", "commissioned_on", "import_key", "doubts", "facts_rank", "model_id",
            "store_id", "merged_into_id",
        )  # fmt: skip
        build = tuple(f"model__{name}" for name in BUILD_FIELDS)
        for values in query.order_by().values_list(*names, *build).iterator(chunk_size=5000):
            model = models.setdefault(values[14], values[17:])
            unit = StoredUnit(
                values[0], values[1], values[2], values[3], values[4], values[5],
                (
                    values[6].isoformat() if values[6] else None,
                    values[7].isoformat() if values[7] else None,
                    values[8],
                    values[9],
                ),
                values[10], values[11], values[12], values[13], values[14], values[15], model,
            )  # fmt: skip
            found[unit.pk] = unit
            if values[16]:
                aliases[unit.pk] = values[16]

    aliases: dict[int, int] = {}
    for ids in chunks(site_ids, 500):
        take(Unit.objects.filter(site__in=ids))
    keys = {unit.import_key for unit in found.values()}
    for some in chunks((row.import_key for row in rows if row.import_key not in keys), ID_CHUNK):
        take(Unit.objects.filter(import_key__in=some))
    numbers = {unit.number for unit in found.values()}
    told = {row.unit_number for row in rows if row.unit_number and row.unit_number not in numbers}
    for some in chunks(told, ID_CHUNK):
        take(Unit.objects.filter(number__in=some))
    serials = {row.serial for row in rows if row.serial} - {unit.serial for unit in found.values()}
    if owner_ids:
        for some in chunks(serials, ID_CHUNK):
            take(Unit.objects.filter(serial__in=some, site__owner__in=owner_ids))
    living = set(aliases.values()) - found.keys()
    if living:
        take(Unit.objects.filter(pk__in=living))
    by_alias: dict[str, StoredUnit] = {}
    for alias, survivor in aliases.items():
        # What was found to be the same unit is met as the one that stays.
        gone = found.pop(alias, None)
        if gone is not None and survivor in found and gone.import_key:
            by_alias[gone.import_key] = found[survivor]
    return list(found.values()), by_alias


def _match(
    rows: Sequence[RegisterRow],
    stored: Sequence[StoredUnit],
    by_alias: Mapping[str, StoredUnit],
    meeting: Meeting,
) -> list[Met]:
    by_key = {**by_alias, **{unit.import_key: unit for unit in stored if unit.import_key}}
    by_number = {unit.number: unit for unit in stored}
    by_serial: dict[tuple[int | None, str], list[StoredUnit]] = defaultdict(list)
    at_owner: dict[tuple[str, str], list[StoredUnit]] = defaultdict(list)
    bare: dict[tuple[int | None, int | None], list[StoredUnit]] = defaultdict(list)
    maker_at = BUILD_FIELDS.index("maker")
    for one in stored:
        if one.serial:
            maker, serial = serial_key(one.build[maker_at], one.serial)
            by_serial[one.site_id, serial].append(one)
            at_owner[maker, serial].append(one)
        elif one.location_id is not None:
            bare[one.site_id, one.location_id].append(one)
    locations: dict[tuple[int, str], int] = {}
    if bare:
        ids = {place for _, place in bare if place is not None}
        for some in chunks(ids, ID_CHUNK):
            for pk, site_id, number in Location.objects.filter(pk__in=some).values_list(
                "pk", "site_id", "number"
            ):
                locations[site_id, number] = pk
    condemned = condemned_serials((row.maker, row.serial) for row in rows if row.import_key not in by_key)

    found: dict[int, StoredUnit] = {}
    taken: set[int] = set()
    unit: StoredUnit | None
    for place, row in enumerate(rows):
        unit = by_key.get(row.import_key)
        if unit is not None and unit.pk not in taken:
            found[place] = unit
            taken.add(unit.pk)
    otherwise: dict[int, str] = {}
    for place, row in enumerate(rows):
        if place in found:
            continue
        site = meeting.sites[row.site_code]
        maker, serial = serial_key(row.maker, row.serial)
        unit, how = None, ""
        if row.unit_number and row.unit_number in by_number:
            held = by_number[row.unit_number]
            is_other = bool(serial and held.serial and serial_key("", held.serial)[1] != serial)
            if not is_other and held.pk not in taken:
                unit, how = held, "the number on its label"
        elif serial and site.pk is not None:
            here = [u for u in by_serial.get((site.pk, serial), ()) if u.pk not in taken]
            same = [u for u in here if serial_key(u.build[maker_at], "")[0] in ("", maker) or not maker]
            if len(same) == 1 and same[0].state not in Unit.GONE:
                unit, how = same[0], "its serial at this site"
            elif not same:
                place_id = locations.get((site.pk, row.location_number))
                at = [u for u in here if place_id is not None and u.location_id == place_id]
                if len(at) == 1:
                    unit, how = at[0], "its serial at this place"
            if unit is None and maker:
                away = [
                    u for u in at_owner.get((maker, serial), ()) if u.pk not in taken and u.site_id != site.pk
                ]
                if len(away) == 1 and not here and away[0].state not in Unit.GONE:
                    unit, how = away[0], "its maker and serial at another site of the owner"
            if unit is None and not here:
                place_id = locations.get((site.pk, row.location_number))
                free = [u for u in bare.get((site.pk, place_id), ()) if u.pk not in taken]
                agent = BUILD_FIELDS.index("agent")
                if place_id is not None and len(free) == 1 and free[0].build[agent] == row.agent.value:
                    unit, how = free[0], "its place, where a unit without a serial of this agent hung"
        if unit is not None:
            found[place] = unit
            taken.add(unit.pk)
            otherwise[place] = how
    kept: list[Met] = []
    for place, row in enumerate(rows):
        unit = found.get(place)
        clash = _clash(row, unit, meeting, by_number, condemned)
        if clash is not None:
            meeting.findings.append(clash)
            meeting.refused.add(row.row)
            meeting.clashes.append(Met(row, unit, Verdict.REFUSED))
            continue
        if place in otherwise and unit is not None:
            meeting.findings.append(
                Finding(
                    row.row,
                    "",
                    "met_otherwise",
                    Severity.DOUBT,
                    row.unit_number or row.serial or row.location_number,
                    f"The row was taken for unit {unit.number}, known by {otherwise[place]}.",
                    "Leave the row out if it is another unit.",
                    becomes=unit.number,
                )
            )
        kept.append(Met(row, unit, Verdict.ADDED if unit is None else Verdict.UNCHANGED))
    return kept


def _clash(
    row: RegisterRow,
    unit: StoredUnit | None,
    meeting: Meeting,
    by_number: Mapping[str, StoredUnit],
    condemned: Mapping[tuple[str, str], Unit],
) -> Finding | None:
    """Why the row cannot be stored beside what is there already."""
    gone = condemned.get((row.maker, row.serial)) if unit is None and not row.state else None
    if gone is not None:
        return _refusal(
            row,
            "serial_condemned",
            row.serial,
            f"Serial {row.serial} of {row.maker or 'an unknown maker'} was condemned as unit {gone.number}.",
            "A condemned shell must not hang again: take it down, or correct the serial.",
        )
    holder = by_number.get(row.unit_number) if row.unit_number else None
    if holder is not None and (unit is None or holder.pk != unit.pk):
        return _refusal(
            row,
            "number_taken",
            row.unit_number,
            f"The number {row.unit_number} is already on another unit.",
            "Check the label; leave the cell empty and a new number will be drawn.",
        )
    site = meeting.sites[row.site_code]
    held_by = site.before.get("owner")
    if held_by is not None and held_by != row.owner_name:
        return _refusal(
            row,
            "site_of_another_owner",
            row.site_code,
            f"Site {row.site_code} belongs to {held_by}, not to {row.owner_name}.",
            "Use another site code, or change the owner of the site first.",
        )
    return None


def _refusal(row: RegisterRow, code: str, found: str, sentence: str, remedy: str) -> Finding:
    return Finding(row.row, "", code, Severity.REFUSED, found, sentence, remedy)


# --- what a row changes ----------------------------------------------------------------------------


@dataclass(slots=True)
class _Said:
    """What is on record about a fact of a unit: the claim that stands, and words that were settled."""

    weight: int | None = None
    known: set[tuple[str, int, str]] = field(default_factory=set)


def _claims(unit_ids: Sequence[int]) -> dict[tuple[int, str], _Said]:
    found: dict[tuple[int, str], _Said] = defaultdict(_Said)
    if not unit_ids:
        return found
    if Claim.objects.exists():
        for some in chunks(unit_ids, ID_CHUNK):
            for claim in Claim.objects.filter(unit__in=some).order_by():
                said = found[claim.unit_id, claim.fact]
                said.known.add((claim.value, claim.rank, claim.source))
                if claim.is_standing:
                    said.weight = min(claim.weight, said.weight or claim.weight)
    if FactChange.objects.filter(unit__isnull=False).exists():
        for some in chunks(unit_ids, ID_CHUNK):
            rows = FactChange.objects.filter(unit__in=some).order_by()
            for unit_id, name in rows.values_list("unit_id", "field").distinct():
                fact = _FACT_OF_FIELD.get(name.removeprefix("model."), "")
                if fact:  # a person corrected it by hand: no file takes that back
                    found[unit_id, fact].weight = FactRank.DECIDED.value
    return found


_FACT_OF_FIELD = {name: name for name in FACT_LABELS} | {
    "made_first": "made",
    "made_raw": "made",
    "model_name": "name",
    "charge_mass_g": "charge",
    "charge_volume_ml": "charge",
    "charge_text": "charge",
}
_AT = {name: place for place, name in enumerate(BUILD_FIELDS)}
_TEXTS = ("maker", "name", "cylinder_spec")
_UNKNOWN = {Agent.UNKNOWN.value, Construction.UNKNOWN.value, Shell.UNKNOWN.value, "", None}


def told_facts(row: RegisterRow, mapped: frozenset[str]) -> dict[str, Any]:
    """The facts that ``row`` tells, in the form in which claims keep them; others are missing."""
    facts: dict[str, Any] = {}
    if row.serial:
        facts["serial"] = row.serial
    if row.made.is_known:
        facts["made"] = stored_stamp(row.made)
    if row.installed.first is not None and row.installed.precision is Precision.DAY:
        facts["commissioned_on"] = row.installed.first.isoformat()
    if row.maker:
        facts["maker"] = row.maker
    if row.model:
        facts["name"] = row.model
    if row.cylinder_spec:
        facts["cylinder_spec"] = row.cylinder_spec
    if row.agent is not Agent.UNKNOWN:
        facts["agent"] = row.agent.value
    if row.construction is not Construction.UNKNOWN:
        facts["construction"] = row.construction.value
    if row.shell is not Shell.UNKNOWN:
        facts["shell"] = row.shell.value
    if row.charge is not None:
        facts["charge"] = (row.charge_mass_g, row.charge_volume_ml, row.charge_text)
    for name in ("water_capacity_ml", "working_pressure_kpa", "test_pressure_kpa", "full_mass_g"):
        value = getattr(row, name)
        if value is not None:
            facts[name] = value
    if row.is_wheeled or "wheeled" in mapped:
        facts["is_wheeled"] = row.is_wheeled
    if row.is_refillable is not None:
        facts["is_refillable"] = row.is_refillable
    if row.has_shutoff_hose is not None:
        facts["has_shutoff_hose"] = row.has_shutoff_hose
    return facts


def standing_fact(unit: StoredUnit, fact: str) -> Any:
    """The value of ``fact`` that the register goes by."""
    if fact == "serial":
        return unit.serial
    if fact == "made":
        return unit.made
    if fact == "commissioned_on":
        return unit.commissioned_on.isoformat() if unit.commissioned_on else None
    if fact == "charge":
        build = unit.build
        return (build[_AT["charge_mass_g"]], build[_AT["charge_volume_ml"]], build[_AT["charge_text"]])
    return unit.build[_AT[fact]]


def _is_unknown(fact: str, value: Any) -> bool:
    if fact == "made":
        return value[0] is None
    if fact == "charge":
        return value[0] is None and value[1] is None
    return value in _UNKNOWN


def _agrees(fact: str, old: Any, new: Any) -> bool:
    """Whether ``new`` says no more than ``old``."""
    if fact == "made":
        # A coarser date that holds the finer one says nothing new.
        return bool(new[0] <= old[0] and new[1] >= old[1])
    if fact == "charge":
        return bool(old[:2] == new[:2])
    if fact in _TEXTS:
        return bool(old.casefold() == new.casefold())
    return bool(old == new)


def _refines(fact: str, old: Any, new: Any) -> bool:
    """Whether ``new`` says the same as ``old``, only better."""
    if fact == "made":
        return bool(new[0] >= old[0] and new[1] <= old[1])
    return fact == "serial" and serial_key("", old) == serial_key("", new)


class _Judge:
    """Works out what each row changes."""

    def __init__(
        self,
        rank: int,
        source: str,
        mapped: frozenset[str],
        claims: Mapping[tuple[int, str], _Said],
        returning: Collection[int],
        meeting: Meeting,
    ) -> None:
        self.rank = rank
        self.source = source
        self.mapped = mapped
        self.claims = claims
        self.returning = returning
        self.meeting = meeting

    def judge(self, met: Met) -> None:
        """Fill in what ``met`` changes and its verdict."""
        unit, row = met.unit, met.row
        if unit is None:
            met.facts = told_facts(row, self.mapped)
            return
        # A unit that left does not come back by file; one whose import was taken back does.
        met.revives = unit.pk in self.returning and row.state not in Unit.GONE
        if unit.state in Unit.GONE and not met.revives:
            met.verdict = Verdict.GONE
            return
        if row.state in Unit.GONE:
            self._doubt(
                row,
                "gone_in_file",
                row.state,
                f"The file says that unit {unit.number} is gone; in the register it still hangs or waits.",
                "Nothing was changed. Take the unit down by hand if the file is right.",
                "left as it is",
            )
        for fact, new in told_facts(row, self.mapped).items():
            self._weigh(met, unit, fact, new)
        place = self.meeting.places[row.site_code, row.location_number]
        is_elsewhere = place.pk is None or place.pk != unit.location_id
        if met.revives:
            met.moves = True
            met.changes.append(("State", "Withdrawn", "In service"))
        elif is_elsewhere and unit.state in Unit.HANGING:
            met.moves = True
            old = self.meeting.place_names.get(unit.location_id or 0, "another place")
            met.changes.append(("Place", old, f"{row.site_code} · {row.location_number}"))
        if met.changes:
            met.verdict = Verdict.CHANGED

    def _weigh(self, met: Met, unit: StoredUnit, fact: str, new: Any) -> None:
        old = standing_fact(unit, fact)
        if _is_unknown(fact, old) or _is_same(old, new):
            if not _is_same(old, new):
                self._take(met, fact, old, new)
            return
        if _agrees(fact, old, new):
            return
        if _refines(fact, old, new):
            self._take(met, fact, old, new)
            return
        said = self.claims.get((unit.pk, fact))
        weight = said.weight if said is not None and said.weight is not None else None
        has_standing = weight is not None
        if weight is None:
            weight = unit.facts_rank or FactRank.OWNER_LIST.value
        if self.rank <= weight:
            self._take(met, fact, old, new)
            if self.rank < weight or has_standing:
                met.claims.append(NewClaim(fact, new, self.rank, is_standing=True, is_ours=True))
                if not has_standing:
                    met.claims.append(NewClaim(fact, old, weight))
            return
        if said is not None and (as_value(_plain(new)), self.rank, self.source) in said.known:
            return  # said before; it waits, or a person settled it
        met.claims.append(NewClaim(fact, new, self.rank, is_open=True, is_ours=True))
        if not has_standing:
            met.claims.append(NewClaim(fact, old, weight, is_standing=True))
        shown, stands = shown_fact(fact, _plain(new)), shown_fact(fact, _plain(old))
        self._doubt(
            met.row,
            "outranked_fact",
            shown,
            f"{FACT_LABELS[fact]} of unit {unit.number}: the file says {shown}, but "
            f'"{FactRank(weight).label.lower()}" says {stands}, which weighs more.',
            "Both are kept; settle it on the page of the unit.",
            stands,
        )

    def _take(self, met: Met, fact: str, old: Any, new: Any) -> None:
        met.facts[fact] = new
        met.changes.append((FACT_LABELS[fact], shown_fact(fact, _plain(old)), shown_fact(fact, _plain(new))))

    def _doubt(
        self, row: RegisterRow, code: str, found: str, sentence: str, remedy: str, becomes: str
    ) -> None:
        self.meeting.findings.append(
            Finding(row.row, "", code, Severity.DOUBT, found[:80], sentence, remedy, becomes=becomes)
        )


def _is_same(old: Any, new: Any) -> bool:
    return bool(old == new)


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value
