"""Taking an import back, as far as nothing later stands on it.

Nothing is deleted from history: records that the import added are voided by correcting records, units that
it added are withdrawn, facts that it changed go back to what they were unless somebody changed them since.
What stays is kept with the reason, so that the page can name it.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.db import models
from django.db.models import F, Q

from inventory.bulk import chunks, insert_rows, update_rows
from inventory.logbook.models import Defect, ServiceRecord
from inventory.logbook.services import NewRecord, add_many_records
from inventory.people import Person
from inventory.register.changes import FactChange
from inventory.register.claims import Claim
from inventory.register.models import Location, Owner, Placement, Site, Unit
from inventory.register.places import Move
from inventory.workshop.models import JobCard
from schedules.rulebook.models import Adoption
from schedules.visits.models import Job, Visit
from servicedesk.exchange.meeting import ID_CHUNK
from servicedesk.exchange.models import ImportEffect, RegisterImport
from servicedesk.exchange.storing import hold_turn

Kind = ImportEffect.Kind
_PLACE = frozenset({"location_id", "site_id", "state"})
_DATES = frozenset({"made_first", "made_last", "commissioned_on"})


@dataclass(slots=True)
class Undone:
    """What was taken back, and how much stays."""

    units_withdrawn: int = 0
    units_restored: int = 0
    records_voided: int = 0
    places_removed: int = 0
    kept: int = 0

    def as_counts(self) -> dict[str, int]:
        """For the counts of the run."""
        return {
            "withdrawn": self.units_withdrawn,
            "restored": self.units_restored,
            "voided": self.records_voided,
            "places_removed": self.places_removed,
            "kept": self.kept,
        }


@dataclass
class _Undoing:
    run: RegisterImport
    by: Person | None
    now: datetime
    done: Undone = field(default_factory=Undone)
    kept: dict[int, str] = field(default_factory=dict)
    """Why an effect stays, by its id."""

    @property
    def reason(self) -> str:
        return f"The import of {self.run.file_name[:80]} was taken back"

    def effects(self, kind: Kind, *, is_added: bool) -> list[ImportEffect]:
        return list(self.run.effects.filter(kind=kind, is_added=is_added, is_undone=False).order_by("pk"))

    # -- what stands on a unit

    def standing_on(self, unit_ids: Sequence[int]) -> dict[int, str]:
        """What later work stands on each of these units; those with none are missing."""
        found: dict[int, str] = {}
        own = Q()
        for first, last in self.run.record_ranges:
            own |= Q(pk__range=(first, last))
        since = self.run.stored_at or self.now
        for ids in chunks(unit_ids, ID_CHUNK):
            records = ServiceRecord.objects.filter(unit__in=ids).order_by()
            if self.run.record_ranges:
                records = records.exclude(own).exclude(corrects__isnull=False, outcome="void")
            _note(found, records.values_list("unit_id", flat=True), "has records made since")
            jobs = Job.objects.filter(unit__in=ids).exclude(
                visit__state__in=(Visit.State.PROPOSED, Visit.State.CANCELLED)
            )
            _note(found, jobs.order_by().values_list("unit_id", flat=True), "is on a visit")
            cards = JobCard.objects.filter(unit__in=ids).order_by()
            _note(found, cards.values_list("unit_id", flat=True), "was in the workshop")
            defects = Defect.objects.filter(unit__in=ids, is_void=False).order_by()
            _note(found, defects.values_list("unit_id", flat=True), "has a defect on record")
            moves = Move.objects.filter(unit__in=ids, made_at__gt=since).order_by()
            _note(found, moves.values_list("unit_id", flat=True), "was moved since")
            changes = FactChange.objects.filter(unit__in=ids, made_at__gt=since).order_by()
            _note(found, changes.values_list("unit_id", flat=True), "was corrected by hand since")
            _note(found, self.settled(ids), "was settled by hand since")
            later = ImportEffect.objects.filter(
                kind=Kind.UNIT, target__in=ids, is_undone=False, run__stored_at__gt=since
            )
            _note(found, later.values_list("target", flat=True), "was changed by a later import")
            merged = Unit.objects.filter(Q(merged_into__isnull=False) | Q(aliases__isnull=False), pk__in=ids)
            _note(found, merged.values_list("pk", flat=True), "was merged with another unit since")
        return found

    def settled(self, unit_ids: Sequence[int]) -> set[int]:
        """Units among these on which a person decided between sources since."""
        since = self.run.stored_at or self.now
        claims = Claim.objects.filter(unit__in=unit_ids, settled_by__isnull=False, settled_at__gte=since)
        return set(claims.order_by().values_list("unit_id", flat=True))

    # -- units

    def units(self) -> None:
        added = self.effects(Kind.UNIT, is_added=True)
        standing = self.standing_on([effect.target for effect in added])
        gone: set[int] = set()
        for ids in chunks((effect.target for effect in added), ID_CHUNK):
            gone.update(Unit.objects.filter(pk__in=ids, state__in=Unit.GONE).values_list("pk", flat=True))
        back: list[int] = []
        for effect in added:
            if effect.target in standing:
                self.kept[effect.pk] = standing[effect.target]
            elif effect.target not in gone:
                back.append(effect.target)
        changed = self.effects(Kind.UNIT, is_added=False)
        kept_units = set(standing)
        self.void({effect.target for effect in added} - kept_units, kept_units)
        self.withdraw(back)
        self.restore_units(changed)

    def void(self, whole: set[int], kept: set[int]) -> None:
        """Void the records of the run, but not those of units that stay."""
        new: list[NewRecord] = []
        for first, last in self.run.record_ranges:
            rows = (
                ServiceRecord.objects.standing()
                .filter(pk__range=(first, last))
                .exclude(outcome=ServiceRecord.Outcome.VOID)
                .order_by("unit_id", "sequence")
            )
            for row in rows.iterator(chunk_size=2000):
                if row.unit_id in kept:
                    continue
                new.append(
                    NewRecord(
                        unit_id=row.unit_id,
                        task=row.task,
                        outcome=ServiceRecord.Outcome.VOID.value,
                        done=row.done,
                        received_at=self.now,
                        client_ref=uuid.uuid5(row.client_ref, f"taken back {self.run.pk}"),
                        method=row.method,
                        evidence=row.evidence,
                        site_id=row.site_id,
                        location_id=row.location_id,
                        corrects_id=row.pk,
                        correction_reason=self._told(),
                    )
                )
        new.sort(key=lambda item: item.unit_id)
        add_many_records(new)
        self.done.records_voided = len(new)

    def _told(self) -> str:
        who = f" ({self.by.display_name})" if self.by is not None else ""
        return f"{self.reason}{who}"[:200]

    def withdraw(self, unit_ids: Sequence[int]) -> None:
        """Take units out of the register; they stay findable as withdrawn."""
        withdrawn = Unit.State.WITHDRAWN.value
        by_id = self.by.pk if self.by is not None else None
        for ids in chunks(unit_ids, ID_CHUNK):
            rows = list(
                Unit.objects.filter(pk__in=ids)
                .order_by()
                .values_list("pk", "site_id", "location_id", "store_id", "state")
            )
            Placement.objects.filter(unit__in=ids, is_open=True).update(is_open=False)
            insert_rows(
                Move,
                ("client_ref", "transaction", "unit_id", "site_id", "from_location_id", "from_store_id",
                 "from_state", "to_state", "reason", "moved_by_id", "made_at"),
                (
                    (uuid.uuid4(), uuid.uuid4(), pk, site, location, store, state, withdrawn,
                     self.reason[:200], by_id, self.now)
                    for pk, site, location, store, state in rows
                ),
            )  # fmt: skip
            Unit.objects.filter(pk__in=ids).update(
                state=withdrawn,
                location=None,
                store=None,
                site=None,
                facts_revision=F("facts_revision") + 1,
            )
        self.done.units_withdrawn = len(unit_ids)

    def restore_units(self, effects: Sequence[ImportEffect]) -> None:
        """Put changed facts back where nobody changed them since, and moved units where they hung."""
        groups: dict[tuple[str, ...], list[tuple[Any, ...]]] = defaultdict(list)
        moved: list[tuple[int, dict[str, Any]]] = []
        by_target = {effect.target: effect for effect in effects}
        for ids in chunks(by_target, ID_CHUNK):
            later = set(
                Move.objects.filter(unit__in=ids, made_at__gt=self.run.stored_at or self.now)
                .order_by()
                .values_list("unit_id", flat=True)
            )
            settled = self.settled(ids)
            for row in Unit.objects.filter(pk__in=ids).values():
                effect = by_target[row["id"]]
                if row["id"] in settled:
                    self.kept[effect.pk] = "was settled by hand since"
                    continue
                back, stuck = _back(row, effect, skip=_PLACE)
                if "location_id" in effect.after:
                    is_there = row["location_id"] == effect.after["location_id"]
                    if is_there and row["id"] not in later and row["state"] == effect.after["state"]:
                        moved.append((row["id"], effect.before))
                    else:
                        stuck.append("place")
                if stuck:
                    self.kept[effect.pk] = f"changed again since: {', '.join(sorted(set(stuck)))}"[:200]
                if back:
                    groups[tuple(back)].append((*back.values(), row["id"]))
        touched: set[int] = set()
        for names, rows in groups.items():
            update_rows(Unit, names, rows)
            touched.update(row[-1] for row in rows)
        self._move_back(moved)
        touched.update(pk for pk, _ in moved)
        for ids in chunks(touched, ID_CHUNK):
            Unit.objects.filter(pk__in=ids).update(facts_revision=F("facts_revision") + 1)
        self.done.units_restored = len(touched)

    def _move_back(self, moved: Sequence[tuple[int, dict[str, Any]]]) -> None:
        by_id = self.by.pk if self.by is not None else None
        for some in chunks(moved, ID_CHUNK):
            ids = [pk for pk, _ in some]
            where = {row["id"]: row for row in Unit.objects.filter(pk__in=ids).values()}
            Placement.objects.filter(unit__in=ids, is_open=True).update(is_open=False)
            insert_rows(
                Placement,
                ("unit_id", "location_id", "is_open", "opened_by_id", "reason", "created_at"),
                (
                    (pk, before["location_id"], True, by_id, self.reason[:120], self.now)
                    for pk, before in some
                    if before["location_id"] is not None
                ),
            )
            insert_rows(
                Move,
                ("client_ref", "transaction", "unit_id", "site_id", "from_location_id", "to_location_id",
                 "from_state", "to_state", "reason", "moved_by_id", "made_at"),
                (
                    (uuid.uuid4(), uuid.uuid4(), pk, before["site_id"], where[pk]["location_id"],
                     before["location_id"], where[pk]["state"], before["state"], self.reason[:200], by_id,
                     self.now)
                    for pk, before in some
                ),
            )  # fmt: skip
            update_rows(
                Unit,
                ("location_id", "site_id", "state"),
                ((before["location_id"], before["site_id"], before["state"], pk) for pk, before in some),
            )

    # -- sites, places, tables, owners

    def restore_rows(self, kind: Kind, model: type[models.Model]) -> None:
        by_target = {effect.target: effect for effect in self.effects(kind, is_added=False)}
        for ids in chunks(by_target, ID_CHUNK):
            for row in model._default_manager.filter(pk__in=ids).values():
                effect = by_target[row["id"]]
                back, stuck = _back(row, effect)
                if stuck:
                    self.kept[effect.pk] = f"changed again since: {', '.join(sorted(stuck))}"[:200]
                if back:
                    update_rows(model, list(back), [(*back.values(), row["id"])])
                    if kind is Kind.SITE and "time_zone" in back:
                        Unit.objects.filter(site=row["id"]).update(facts_revision=F("facts_revision") + 1)
                    if kind is Kind.LOCATION and "environment" in back:
                        Unit.objects.filter(location=row["id"]).update(facts_revision=F("facts_revision") + 1)

    def adoptions(self) -> None:
        """End the tables that the import adopted at sites where nothing hangs any more."""
        effects = {effect.target: effect for effect in self.effects(Kind.ADOPTION, is_added=True)}
        sites = {effect.after["site"] for effect in effects.values()}
        used: set[int | None] = set()
        for ids in chunks(sites, ID_CHUNK):
            used.update(
                Unit.objects.on_duty().filter(site__in=ids).order_by().values_list("site_id", flat=True)
            )
        ended = []
        for target, effect in effects.items():
            if effect.after["site"] in used:
                self.kept[effect.pk] = "units hang at the site"
            else:
                ended.append(target)
        for ids in chunks(ended, ID_CHUNK):
            Adoption.objects.standing().filter(pk__in=ids).update(
                withdrawn_at=self.now, withdrawn_by=self.by.pk if self.by is not None else None
            )

    def remove(self, kind: Kind, model: type[models.Model]) -> None:
        """Remove added rows that nothing points at; whatever history names stays."""
        effects = {effect.target: effect for effect in self.effects(kind, is_added=True)}
        free = _unreferenced(model, effects)
        for ids in chunks(free, BATCH):
            model._default_manager.filter(pk__in=ids).delete()
        self.done.places_removed += len(free)
        for target, effect in effects.items():
            if target not in free:
                self.kept[effect.pk] = "history names it"

    def claims(self) -> None:
        Claim.objects.filter(import_ref=self.run.public_id, settled_at__isnull=True).update(
            is_standing=False,
            settled_at=self.now,
            settled_by=self.by.pk if self.by is not None else None,
            settled_how=self.reason[:200],
        )

    def finish(self) -> None:
        self.run.effects.filter(is_undone=False).exclude(pk__in=self.kept).update(is_undone=True)
        update_rows(ImportEffect, ("kept_because",), ((why, pk) for pk, why in self.kept.items()))
        self.done.kept = len(self.kept)


BATCH = 500


def take_back(run: RegisterImport, *, by: Person | None, now: datetime) -> Undone:
    """Take back what ``run`` added and changed; the caller holds the transaction.

    Units that later records, visits or hands stand on are kept and named by their effects.
    """
    hold_turn()
    undoing = _Undoing(run, by, now)
    undoing.units()
    undoing.claims()
    undoing.restore_rows(Kind.SITE, Site)
    undoing.restore_rows(Kind.LOCATION, Location)
    undoing.adoptions()
    undoing.remove(Kind.LOCATION, Location)
    undoing.remove(Kind.SITE, Site)
    undoing.remove(Kind.OWNER, Owner)
    undoing.finish()
    return undoing.done


def _note(found: dict[int, str], unit_ids: Iterable[int], why: str) -> None:
    for unit_id in unit_ids:
        found.setdefault(unit_id, why)


def _back(
    row: Mapping[str, Any], effect: ImportEffect, skip: frozenset[str] = frozenset()
) -> tuple[dict[str, Any], list[str]]:
    """What goes back, and the names of what somebody changed since."""
    back: dict[str, Any] = {}
    stuck: list[str] = []
    for name, after in effect.after.items():
        if name in skip:
            continue
        before = effect.before.get(name)
        if before == after:
            continue
        held = row[name]
        is_same = held == after or (held is not None and str(held) == str(after))
        if is_same:
            back[name] = date.fromisoformat(before) if name in _DATES and before else before
        else:
            stuck.append(name.removesuffix("_id").replace("_", " "))
    return back, stuck


def _unreferenced(model: type[models.Model], ids: Iterable[int]) -> set[int]:
    """Those of ``ids`` that no row of any table points at."""
    free = set(ids)
    for relation in model._meta.related_objects:
        if not free:
            break
        # What goes with its row is no history.
        if relation.many_to_many or relation.on_delete is models.CASCADE:
            continue
        name = relation.field.attname
        if name == f"{model._meta.model_name}_id" and relation.related_model is model:
            continue
        rows = relation.related_model._base_manager.order_by()
        for some in chunks(sorted(free), ID_CHUNK):
            used = set(rows.filter(**{f"{name}__in": some}).values_list(name, flat=True))
            free -= used
    return free
