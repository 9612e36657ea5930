"""A meeting of rows with the register, written: all of it in the caller's transaction, or nothing.

Whatever is added or changed leaves an ``ImportEffect`` with what stood there before, so that the run can
be taken back (``servicedesk.exchange.undoing``).
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.db import models
from django.db.models import Count, F

from inventory.bulk import chunks, draw_ids, insert_rows, update_rows
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewRecord, add_many_records
from inventory.measures.kinds import Task
from inventory.people import Person
from inventory.register.claims import BUILD_FIELDS, Claim, as_value, build_key, shown_fact
from inventory.register.models import (
    AccessWindow,
    FactRank,
    Location,
    Owner,
    Placement,
    Site,
    Unit,
    UnitModel,
)
from inventory.register.places import Move
from inventory.register.services import draw_numbers, unit_numbers
from schedules.rulebook.models import Adoption
from servicedesk.exchange.meeting import ID_CHUNK, Meeting, Met, StoredUnit, Verdict
from servicedesk.exchange.models import ImportEffect, RegisterImport
from servicedesk.exchange.rows import RegisterRow

_NAMESPACE = uuid.UUID("6d0f0a52-3f5f-5a57-9d0c-0d5a5f0b9a31")
IMPORTED = "As the imported register says"
MOVED = "Moved according to a newer register"
BATCH = 500
Kind = ImportEffect.Kind

# Column of the register that claims a past task, oldest kind of work first.
_PAST: tuple[tuple[str, Task], ...] = (
    ("last_hydrostatic_test", Task.HYDROSTATIC_TEST),
    ("last_internal_examination", Task.INTERNAL_EXAMINATION),
    ("last_recharge", Task.RECHARGE),
    ("last_maintenance", Task.MAINTENANCE),
    ("last_weighing", Task.WEIGHING),
    ("last_conductivity_test", Task.CONDUCTIVITY_TEST),
    ("last_visual_inspection", Task.VISUAL_INSPECTION),
)

Evidence = ServiceRecord.Evidence
# What a file of that rank is worth as evidence of past work. A list is never more than paper, unless
# somebody read the marks themselves (common practice, no source).
_EVIDENCE = {FactRank.LABEL.value: Evidence.TAG, FactRank.WORD.value: Evidence.WORD}


@dataclass
class Stored:
    """What was written."""

    owners: int = 0
    sites: int = 0
    locations: int = 0
    added: int = 0
    changed: int = 0
    unchanged: int = 0
    gone: int = 0
    records: int = 0
    claims: int = 0
    record_ranges: list[tuple[int, int]] = field(default_factory=list)


Effect = tuple[str, int, bool, dict[str, Any], dict[str, Any]]


class _Storing:
    def __init__(
        self,
        meeting: Meeting,
        run: RegisterImport,
        doubts: Mapping[int, list[tuple[str, str]]],
        by: Person | None,
        now: datetime,
    ) -> None:
        self.meeting = meeting
        self.run = run
        self.doubts = doubts
        self.by_id = by.pk if by is not None else None
        self.now = now
        self.effects: list[Effect] = []
        self.done = Stored()
        self.site_of: dict[str, int] = {}
        self.place_of: dict[tuple[str, str], int] = {}
        self.unit_of: dict[int, int] = {}
        """Id of the unit by the place of its row in the meeting."""

    # -- owners, sites, places

    def owners(self) -> dict[str, int]:
        rows = {met.row.owner_name: met.row for met in reversed(self.meeting.met)}
        stored: dict[str, int] = {}
        for names in chunks(rows, ID_CHUNK):
            found = Owner.objects.filter(name__in=names).values_list("name", "pk", "merged_into_id")
            stored |= {name: into or pk for name, pk, into in found}
        new = [
            Owner(name=name, contact_email=row.owner_email)
            for name, row in rows.items()
            if name not in stored
        ]
        Owner.objects.bulk_create(new, batch_size=BATCH)
        self.effects += [(Kind.OWNER.value, owner.pk, True, {}, {"name": owner.name}) for owner in new]
        self.done.owners = len(new)
        return stored | {owner.name: owner.pk for owner in new}

    def sites(self) -> None:
        owners = self.owners()
        wanted = {met.row.site_code for met in self.meeting.met}
        new: list[Site] = []
        fresh: list[RegisterRow] = []
        changed: list[tuple[int, dict[str, Any]]] = []
        moved_zone: list[int] = []
        for code, site in self.meeting.sites.items():
            if code not in wanted:
                continue
            if site.pk is None:
                new.append(Site(code=code, owner_id=owners[site.row.owner_name], **site.after))
                fresh.append(site.row)
                continue
            self.site_of[code] = site.pk
            if site.after:
                if "time_zone" in site.after:
                    moved_zone.append(site.pk)
                changed.append((site.pk, site.after))
                before, after = _texts(site.before), _texts(site.after)
                self.effects.append((Kind.SITE.value, site.pk, False, before, after))
        Site.objects.bulk_create(new, batch_size=BATCH)
        _update_groups(Site, changed)
        if moved_zone:
            Unit.objects.filter(site__in=moved_zone).update(facts_revision=F("facts_revision") + 1)
        for made in new:
            self.site_of[made.code] = made.pk
            self.effects.append((Kind.SITE.value, made.pk, True, {}, {"code": made.code}))
        self.done.sites = len(new)
        AccessWindow.objects.bulk_create(
            [
                AccessWindow(
                    site_id=self.site_of[row.site_code],
                    weekday=w.weekday,
                    opens_at=w.opens,
                    closes_at=w.closes,
                )
                for row in fresh
                for w in row.access_windows
            ],
            batch_size=BATCH,
        )
        self._adopt(wanted)

    def _adopt(self, wanted: set[str]) -> None:
        held = set(Adoption.objects.standing().filter(site__isnull=False).values_list("site_id", "table_key"))
        new = [
            Adoption(
                table_key=key,
                site_id=self.site_of[code],
                adopted_by_id=self.by_id,
                adopted_at=self.now,
                reason=IMPORTED,
            )
            for code, site in self.meeting.sites.items()
            if code in wanted
            for key in site.row.tables
            if (self.site_of[code], key) not in held
        ]
        Adoption.objects.bulk_create(new, batch_size=BATCH)
        self.effects += [
            (Kind.ADOPTION.value, made.pk, True, {}, {"table": made.table_key, "site": made.site_id})
            for made in new
        ]

    def places(self) -> None:
        wanted = {(met.row.site_code, met.row.location_number) for met in self.meeting.met}
        known = list(self.site_of.values())
        order: dict[int, int] = {}
        for ids in chunks(known, ID_CHUNK):
            counted = Location.objects.filter(site__in=ids).order_by().values_list("site_id")
            order |= dict(counted.annotate(n=Count("pk")))
        new = []
        surroundings: list[tuple[int, dict[str, Any]]] = []
        for key, place in self.meeting.places.items():
            if key not in wanted:
                continue
            if place.pk is None:
                new.append((key, place))
                continue
            self.place_of[key] = place.pk
            if place.after:
                surroundings.append((place.pk, place.after))
                self.effects.append((Kind.LOCATION.value, place.pk, False, place.before, place.after))
        ids = draw_ids(Location, len(new))
        rows = []
        for pk, ((code, number), place) in zip(ids, new, strict=True):
            site_id = self.site_of[code]
            order[site_id] = order.get(site_id, 0) + 1
            self.place_of[code, number] = pk
            said = place.after
            rows.append(
                (pk, uuid.uuid4(), site_id, number, said["building"], said["floor"], said["description"],
                 said["hazard"], said["environment"], order[site_id])
            )  # fmt: skip
            self.effects.append((Kind.LOCATION.value, pk, True, {}, {"name": f"{code} · {number}"}))
        insert_rows(
            Location,
            ("id", "public_id", "site_id", "number", "building", "floor", "description", "hazard",
             "environment", "walking_order"),
            rows,
        )  # fmt: skip
        _update_groups(Location, surroundings)
        for some in chunks((pk for pk, _ in surroundings), ID_CHUNK):
            # The surroundings can choose the rule.
            Unit.objects.filter(location__in=some).update(facts_revision=F("facts_revision") + 1)
        self.done.locations = len(new)

    # -- models

    def models(self) -> list[int]:
        """Id of the model of each met row, in their order; 0 where nothing changes."""
        wanted: dict[tuple[Any, ...], str] = {}
        builds: list[tuple[Any, ...] | None] = []
        for met in self.meeting.met:
            if met.unit is None:
                build = _build(_NO_BUILD, met.facts)
            elif any(fact in _BUILD_FACTS for fact in met.facts):
                build = _build(met.unit.build, met.facts)
            else:
                builds.append(None)
                continue
            builds.append(build)
            if build not in wanted:
                wanted[build] = build_key(dict(zip(BUILD_FIELDS, build, strict=True)))
        ids: dict[str, int] = {}
        for keys in chunks(wanted.values(), ID_CHUNK):
            ids |= dict(UnitModel.objects.filter(build_key__in=keys).values_list("build_key", "pk"))
        new = [(build, key) for build, key in wanted.items() if key not in ids]
        drawn = draw_ids(UnitModel, len(new))
        insert_rows(
            UnitModel,
            ("id", "public_id", "build_key", *BUILD_FIELDS),
            ((pk, uuid.uuid4(), key, *build) for pk, (build, key) in zip(drawn, new, strict=True)),
        )
        ids |= {key: pk for pk, (_, key) in zip(drawn, new, strict=True)}
        return [ids[wanted[build]] if build is not None else 0 for build in builds]

    # -- units

    def units(self) -> None:
        models = self.models()
        added = [place for place, met in enumerate(self.meeting.met) if met.unit is None]
        ids = draw_ids(Unit, len(added))
        bare = sum(not self.meeting.met[place].row.unit_number for place in added)
        numbers = iter(unit_numbers(bare)) if bare else iter(())
        for place, pk in zip(added, ids, strict=True):
            self.unit_of[place] = pk
        insert_rows(
            Unit,
            ("id", "public_id", "number", "model_id", "site_id", "location_id", "serial", "state",
             "made_first", "made_last", "made_precision", "made_raw", "commissioned_on", "import_key",
             "doubts", "facts_revision", "facts_rank", "created_at"),
            self._new_units(added, ids, models, numbers),
        )  # fmt: skip
        insert_rows(
            Placement,
            ("unit_id", "location_id", "from_on", "is_open", "opened_by_id", "reason", "created_at"),
            (
                (pk, self._place_id(row), row.installed.first, True, self.by_id, IMPORTED, self.now)
                for place, pk in zip(added, ids, strict=True)
                if _hangs((row := self.meeting.met[place].row).state)
            ),
        )
        self.effects += [(Kind.UNIT.value, pk, True, {}, {}) for pk in ids]
        self.done.added = len(added)
        self._change(models)

    def _new_units(
        self, added: Sequence[int], ids: Sequence[int], models: Sequence[int], numbers: Iterator[str]
    ) -> Iterator[tuple[Any, ...]]:
        rank = self.run.rank if self.run.rank != FactRank.OWNER_LIST else None
        for place, pk in zip(added, ids, strict=True):
            met = self.meeting.met[place]
            row = met.row
            state = row.state or Unit.State.IN_SERVICE.value
            made = row.made
            has_past = any(getattr(row, column).is_known for column, _ in _PAST)
            yield (
                pk, uuid.uuid4(), row.unit_number or next(numbers), models[place],
                self.site_of[row.site_code], self._place_id(row) if _hangs(row.state) else None, row.serial,
                state, made.first, made.last, made.precision.value, made.raw,
                _day(met.facts.get("commissioned_on")), row.import_key, self._doubts(met),
                2 if has_past else 1, rank, self.now,
            )  # fmt: skip

    def _doubts(self, met: Met) -> list[str]:
        """The doubts that the unit of ``met`` keeps."""
        said = self.doubts.get(met.row.row, ())
        not_taken = {_FIELD_OF.get(claim.fact, claim.fact) for claim in met.claims if claim.is_open}
        if not not_taken or met.unit is None:
            return [sentence for _, sentence in said]
        # What is said of a value that was not taken is no doubt of the unit; its own doubt stays.
        new = [sentence for name, sentence in said if name not in not_taken]
        return [*met.unit.doubts, *(sentence for sentence in new if sentence not in met.unit.doubts)]

    def _place_id(self, row: RegisterRow) -> int:
        return self.place_of[row.site_code, row.location_number]

    def _change(self, models: Sequence[int]) -> None:
        facts: list[tuple[Any, ...]] = []
        silent: list[tuple[Any, ...]] = []
        moved: list[tuple[StoredUnit, RegisterRow, bool]] = []
        for place, met in enumerate(self.meeting.met):
            unit = met.unit
            if unit is None:
                continue
            self.unit_of[place] = unit.pk
            if met.verdict is Verdict.GONE:
                self.done.gone += 1
                continue
            doubts = self._doubts(met)
            key = unit.import_key or met.row.import_key
            if met.facts:
                after = _unit_values(unit, met.facts, models[place])
                facts.append((*after.values(), doubts, key, unit.pk))
            elif doubts != unit.doubts or key != unit.import_key:
                silent.append((doubts, key, unit.pk))
            if met.moves:
                moved.append((unit, met.row, met.revives))
            if met.facts or met.moves:
                self.effects.append(
                    (
                        Kind.UNIT.value,
                        unit.pk,
                        met.revives,
                        self._before(unit, met),
                        self._after(unit, met, models[place]),
                    )
                )
                self.done.changed += 1
            else:
                self.done.unchanged += 1
        columns = ("model_id", "serial", "made_first", "made_last", "made_precision", "made_raw",
                   "commissioned_on", "doubts", "import_key")  # fmt: skip
        update_rows(Unit, columns, facts)
        update_rows(Unit, ("doubts", "import_key"), silent)
        for ids in chunks((row[-1] for row in facts), ID_CHUNK):
            Unit.objects.filter(pk__in=ids).update(facts_revision=F("facts_revision") + 1)
        self._move(moved)

    def _before(self, unit: StoredUnit, met: Met) -> dict[str, Any]:
        before: dict[str, Any] = {}
        if met.facts:
            before = _unit_values(unit, {}, 0)
        if met.moves:
            before |= {"location_id": unit.location_id, "site_id": unit.site_id, "state": unit.state}
        return _texts(before)

    def _after(self, unit: StoredUnit, met: Met, model_id: int) -> dict[str, Any]:
        after: dict[str, Any] = {}
        if met.facts:
            after = _unit_values(unit, met.facts, model_id)
        if met.moves:
            after |= {
                "location_id": self._place_id(met.row),
                "site_id": self.site_of[met.row.site_code],
                "state": Unit.State.IN_SERVICE.value if met.revives else unit.state,
            }
        return _texts(after)

    def _move(self, moved: Sequence[tuple[StoredUnit, RegisterRow, bool]]) -> None:
        """Follow a newer register to other locations; the day of the move is not known from a file."""
        if not moved:
            return
        for ids in chunks((unit.pk for unit, _, _ in moved), ID_CHUNK):
            Placement.objects.filter(unit__in=ids, is_open=True).update(is_open=False)
        insert_rows(
            Placement,
            ("unit_id", "location_id", "is_open", "opened_by_id", "reason", "created_at"),
            ((unit.pk, self._place_id(row), True, self.by_id, MOVED, self.now) for unit, row, _ in moved),
        )
        hung = {True: Unit.State.IN_SERVICE.value}
        insert_rows(
            Move,
            ("client_ref", "transaction", "unit_id", "site_id", "from_location_id", "from_store_id",
             "to_location_id", "from_state", "to_state", "reason", "moved_by_id", "made_at"),
            (
                (uuid.uuid4(), uuid.uuid4(), unit.pk, self.site_of[row.site_code], unit.location_id,
                 unit.store_id, self._place_id(row), unit.state, hung.get(is_back, unit.state), MOVED,
                 self.by_id, self.now)
                for unit, row, is_back in moved
            ),
        )  # fmt: skip
        update_rows(
            Unit,
            ("location_id", "site_id", "store_id", "state"),
            (
                (
                    self._place_id(row),
                    self.site_of[row.site_code],
                    None,
                    hung.get(is_back, unit.state),
                    unit.pk,
                )
                for unit, row, is_back in moved
            ),
        )
        for ids in chunks((unit.pk for unit, _, _ in moved), ID_CHUNK):
            Unit.objects.filter(pk__in=ids).update(facts_revision=F("facts_revision") + 1)

    # -- claims of sources

    def claims(self) -> None:
        source = self.run.source.name if self.run.source is not None else ""
        outdone: list[tuple[int, str]] = []
        new: list[Claim] = []
        for met in self.meeting.met:
            for said in met.claims:
                if met.unit is None:
                    continue
                value = list(said.value) if isinstance(said.value, tuple) else said.value
                if said.is_standing and said.is_ours:
                    outdone.append((met.unit.pk, said.fact))
                is_over = not said.is_standing and not said.is_open
                new.append(
                    Claim(
                        unit_id=met.unit.pk,
                        fact=said.fact,
                        value=as_value(value)[:250],
                        shown=shown_fact(said.fact, value),
                        rank=said.rank,
                        source=source if said.is_ours else "",
                        import_ref=self.run.public_id if said.is_ours else None,
                        said_on=self.now.date() if said.is_ours else None,
                        made_at=self.now,
                        made_by_id=self.by_id,
                        is_standing=said.is_standing,
                        settled_at=self.now if is_over else None,
                        settled_how="A better source says otherwise." if is_over else "",
                    )
                )
        if not new:
            return
        held: dict[tuple[int, str, str, int, str], int] = {}
        for ids in chunks({claim.unit_id for claim in new}, ID_CHUNK):
            for claim in Claim.objects.filter(unit__in=ids):
                held[_key(claim)] = claim.pk
        for some in chunks(set(outdone), BATCH):
            units = {unit for unit, _ in some}
            pairs = set(some)
            standing = Claim.objects.filter(unit__in=units, is_standing=True)
            over = [c.pk for c in standing if (c.unit_id, c.fact) in pairs]
            Claim.objects.filter(pk__in=over).update(
                is_standing=False, settled_at=self.now, settled_how="A newer word of as good a source."
            )
        fresh = [c for c in new if _key(c) not in held]
        again = [held[_key(c)] for c in new if c.is_standing and _key(c) in held]
        Claim.objects.filter(pk__in=again).update(is_standing=True)
        Claim.objects.bulk_create(fresh, batch_size=BATCH)
        self.done.claims = sum(not c.is_standing and c.settled_at is None for c in fresh)

    # -- past work

    def past(self) -> None:
        """Store what the register says was done, as claims on the owner's papers."""
        evidence = _EVIDENCE.get(self.run.rank, Evidence.OWNER_PAPER).value
        fresh: list[int] = []
        stored: list[int] = []
        for place, met in enumerate(self.meeting.met):
            if met.verdict is not Verdict.GONE:
                (fresh if met.unit is None else stored).append(place)
        voided = self._voided(stored)
        ranges = add_many_records(self._records(fresh, voided, evidence), fresh_units=True)
        ranges += add_many_records(self._records(stored, voided, evidence))
        self.done.record_ranges = [*ranges]
        self.done.records = sum(last - first + 1 for first, last in ranges)

    def _voided(self, stored: Sequence[int]) -> dict[uuid.UUID, int]:
        """References that are stored already, with how often the record of that reference was taken back."""
        known: dict[uuid.UUID, int] = {}
        units = [self.unit_of[place] for place in stored]
        rows = ServiceRecord.objects.order_by()
        for ids in chunks(units, ID_CHUNK):
            for ref, corrected in rows.filter(unit__in=ids).values_list(
                "client_ref", "corrected_by__outcome"
            ):
                known[ref] = int(corrected == ServiceRecord.Outcome.VOID)
        return known

    def _records(
        self, places: Iterable[int], known: Mapping[uuid.UUID, int], evidence: str
    ) -> Iterator[NewRecord]:
        today = self.now.date()
        passed = ServiceRecord.Outcome.PASSED.value
        for place in places:
            met = self.meeting.met[place]
            row = met.row
            found = [(task, stamp) for column, task in _PAST if (stamp := getattr(row, column)).is_known]
            if not found:
                continue
            found.sort(key=lambda pair: pair[1].first or today)
            site_id, location_id = self._where(met)
            for task, stamp in found:
                # Of the date, not of its spelling: a file that writes 06/2021 for 2021-06 says nothing new.
                key = met.unit.import_key if met.unit is not None and met.unit.import_key else row.import_key
                name = f"{key}|{task.value}|{stamp.first}|{stamp.last}"
                ref = uuid.uuid5(_NAMESPACE, name)
                while ref in known:
                    if not known[ref]:
                        break
                    name += "|again"
                    ref = uuid.uuid5(_NAMESPACE, name)
                else:
                    yield NewRecord(
                        unit_id=self.unit_of[place],
                        task=task.value,
                        outcome=passed,
                        done=stamp,
                        received_at=self.now,
                        client_ref=ref,
                        method=row.hydrostatic_test_method.value if task is Task.HYDROSTATIC_TEST else "",
                        evidence=evidence,
                        site_id=site_id,
                        location_id=location_id,
                        remarks=IMPORTED,
                    )

    def _where(self, met: Met) -> tuple[int | None, int | None]:
        if met.unit is None or met.moves:
            return self.site_of[met.row.site_code], self._place_id(met.row)
        return met.unit.site_id, met.unit.location_id

    # -- what was done

    def keep(self) -> None:
        insert_rows(
            ImportEffect,
            ("run_id", "kind", "target", "is_added", "before", "after"),
            ((self.run.pk, *effect) for effect in self.effects),
        )


def store(
    meeting: Meeting,
    *,
    run: RegisterImport,
    doubts: Mapping[int, list[tuple[str, str]]],
    by: Person | None,
    now: datetime,
) -> Stored:
    """Write ``meeting`` and return what was written. The caller holds the transaction.

    ``doubts`` are those that the units keep, field and sentence by row. ``run`` is stored already; its
    effects are kept with it.
    """
    storing = _Storing(meeting, run, doubts, by, now)
    storing.sites()
    storing.places()
    storing.units()
    storing.claims()
    storing.past()
    storing.keep()
    return storing.done


def _key(claim: Claim) -> tuple[int, str, str, int, str]:
    return claim.unit_id, claim.fact, claim.value, claim.rank, claim.source


def hold_turn() -> None:
    """Wait for every other import, to the end of the transaction: what was met stays as it was."""
    draw_numbers("register import")


# The spelling of what the register keeps ------------------------------------------------------------

_BUILD_FACTS = {"maker", "name", "agent", "construction", "shell", "cylinder_spec", "charge",
                "water_capacity_ml", "working_pressure_kpa", "test_pressure_kpa", "full_mass_g",
                "is_wheeled", "is_refillable", "has_shutoff_hose"}  # fmt: skip
# What a fact of a unit is called as a field of a register file, where that differs.
_FIELD_OF = {
    "name": "model", "commissioned_on": "installed", "water_capacity_ml": "water_capacity",
    "working_pressure_kpa": "working_pressure", "test_pressure_kpa": "test_pressure",
    "full_mass_g": "full_mass", "is_wheeled": "wheeled", "is_refillable": "refillable",
    "has_shutoff_hose": "shutoff_hose",
}  # fmt: skip
_BLANK: dict[str, Any] = {
    "maker": "", "name": "", "agent": "unknown", "construction": "unknown", "shell": "unknown",
    "cylinder_spec": "", "charge_text": "", "is_wheeled": False,
}  # fmt: skip
_NO_BUILD = tuple(_BLANK.get(name) for name in BUILD_FIELDS)


def _update_groups(model: type[models.Model], changed: Iterable[tuple[int, dict[str, Any]]]) -> None:
    """Write changed rows, those with the same fields together."""
    groups: dict[tuple[str, ...], list[tuple[Any, ...]]] = defaultdict(list)
    for pk, values in changed:
        groups[tuple(values)].append((*values.values(), pk))
    for names, rows in groups.items():
        update_rows(model, names, rows)


def _build(base: tuple[Any, ...], facts: Mapping[str, Any]) -> tuple[Any, ...]:
    values = dict(zip(BUILD_FIELDS, base, strict=True))
    for fact, value in facts.items():
        if fact == "charge":
            values["charge_mass_g"], values["charge_volume_ml"], values["charge_text"] = value
        elif fact in values:
            values[fact] = value
    return tuple(values.values())


def _unit_values(unit: StoredUnit, facts: Mapping[str, Any], model_id: int) -> dict[str, Any]:
    first, last, precision, raw = facts.get("made", unit.made)
    commissioned = facts.get("commissioned_on")
    return {
        "model_id": model_id or unit.model_id,
        "serial": facts.get("serial", unit.serial),
        "made_first": _day(first),
        "made_last": _day(last),
        "made_precision": precision,
        "made_raw": raw,
        "commissioned_on": _day(commissioned) if commissioned else unit.commissioned_on,
    }


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _texts(values: Mapping[str, Any]) -> dict[str, Any]:
    """``values`` as JSON can keep them."""
    return {
        name: value if value is None or isinstance(value, int | str | bool) else str(value)
        for name, value in values.items()
    }


def _hangs(state: str) -> bool:
    """Whether a unit of that state in a file stands at its place."""
    return state in ("", *_AT_PLACE)


_AT_PLACE = frozenset(
    state.value for state in (*Unit.HANGING, Unit.State.AWAITING_RECHARGE, Unit.State.NOT_FOUND)
)
