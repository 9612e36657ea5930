"""Keeping stored obligations equal to what the engine says."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import F, Q

from inventory.register.models import Site, Unit
from schedules import engine
from schedules.due.models import Freshness, Obligation
from schedules.due.queries import UnitInput, unit_inputs, zone_days
from schedules.rulebook.books import NO_BOOK, Rulebook, rulebooks

CHUNK = 500

_FIELDS = (
    "site_id",
    "table_version",
    "rule_id",
    "earliest_on",
    "target_on",
    "latest_on",
    "knowledge",
    "is_binding",
)


@dataclass(frozen=True, slots=True)
class Refresh:
    """What a refresh did: units computed, obligations written and removed."""

    computed: int = 0
    written: int = 0
    removed: int = 0

    def __add__(self, other: Refresh) -> Refresh:
        return Refresh(
            self.computed + other.computed, self.written + other.written, self.removed + other.removed
        )


def refresh_stale(*, now: datetime) -> Refresh:
    """Bring every stale unit up to date, in whole batches, and return what was done.

    Safe to run at any time and any number of times: a second run finds nothing stale and writes
    nothing; a crash leaves whole batches done and the rest stale.
    """
    total = Refresh()
    ids = stale_unit_ids(now=now)
    for start in range(0, len(ids), CHUNK):
        total += refresh_units(ids[start : start + CHUNK], now=now)
    return total


def stale_unit_ids(*, now: datetime) -> list[int]:
    """Ids of units whose stored obligations no longer follow from their inputs, ascending."""
    stale: set[int] = set()
    serving = Unit.objects.on_duty().filter(site__isnull=False)
    changed = Q(freshness__isnull=True) | ~Q(freshness__facts_revision=F("facts_revision"))
    stale.update(serving.filter(changed).values_list("pk", flat=True))
    for zone, day in zone_days(now).items():
        crossed = serving.filter(site__time_zone=zone, freshness__recheck_on__lte=day)
        stale.update(crossed.values_list("pk", flat=True))
    sites_by_digest: dict[str, list[int]] = {}
    sites_by_book: dict[Rulebook, list[int]] = {}
    for site_id, book in rulebooks(Site.objects.values_list("pk", flat=True)).items():
        sites_by_book.setdefault(book, []).append(site_id)
    for book, site_ids in sites_by_book.items():
        sites_by_digest.setdefault(book.digest, []).extend(site_ids)
    for digest, site_ids in sites_by_digest.items():
        moved = serving.filter(site__in=site_ids, freshness__isnull=False).exclude(
            freshness__rulebook_digest=digest
        )
        stale.update(moved.values_list("pk", flat=True))
    gone = Obligation.objects.filter(Q(unit__state__in=Unit.GONE) | Q(unit__site__isnull=True))
    stale.update(gone.order_by().values_list("unit_id", flat=True).distinct())
    return sorted(stale)


@transaction.atomic
def refresh_units(unit_ids: Iterable[int], *, now: datetime) -> Refresh:
    """Recompute the obligations of these units and write only what differs.

    Each unit is judged on the civil date of its own site. Units that are gone or on no site lose
    their obligations.
    """
    wanted = sorted(set(unit_ids))
    inputs = {item.unit_id: item for item in unit_inputs(wanted)}
    book_of = rulebooks({item.site_id for item in inputs.values()})
    stored: dict[int, dict[tuple[str, str], Obligation]] = {}
    for row in Obligation.objects.filter(unit__in=wanted):
        stored.setdefault(row.unit_id, {})[(row.table_key, row.task)] = row

    to_create: list[Obligation] = []
    to_update: list[Obligation] = []
    to_delete: list[int] = []
    fresh: list[Freshness] = []
    digests: dict[Rulebook, str] = {}
    for unit_id in wanted:
        before = stored.get(unit_id, {})
        item = inputs.get(unit_id)
        if item is None:
            to_delete += [row.pk for row in before.values()]
            continue
        book = book_of.get(item.site_id, NO_BOOK)
        if book not in digests:
            digests[book] = book.digest
        today = now.astimezone(ZoneInfo(item.time_zone)).date()
        rows, recheck_on = _obligations_of(item, book, today=today, now=now)
        for row in rows:
            old = before.pop((row.table_key, row.task), None)
            if old is None:
                to_create.append(row)
            elif any(getattr(old, name) != getattr(row, name) for name in _FIELDS):
                row.pk = old.pk
                to_update.append(row)
        to_delete += [row.pk for row in before.values()]
        fresh.append(
            Freshness(
                unit_id=unit_id,
                facts_revision=item.facts_revision,
                rulebook_digest=digests[book],
                recheck_on=recheck_on,
                computed_at=now,
            )
        )

    Obligation.objects.filter(pk__in=to_delete).delete()
    Obligation.objects.bulk_update(
        to_update, ["site", *(n for n in _FIELDS if n != "site_id"), "computed_at"], batch_size=200
    )
    Obligation.objects.bulk_create(to_create, batch_size=500)
    Freshness.objects.bulk_create(
        fresh,
        batch_size=500,
        update_conflicts=True,
        unique_fields=["unit"],
        update_fields=["facts_revision", "rulebook_digest", "recheck_on", "computed_at"],
    )
    return Refresh(computed=len(inputs), written=len(to_create) + len(to_update), removed=len(to_delete))


def _obligations_of(
    item: UnitInput, book: Rulebook, *, today: date, now: datetime
) -> tuple[Sequence[Obligation], date | None]:
    answers = engine.obligations(item.facts, item.history, book.tables, today)
    dated: dict[str, date] = {}
    rows: list[Obligation] = []
    for answer in answers:
        if answer.knowledge == engine.Knowledge.EXEMPT:
            continue  # not demanded of this kind: the explanation says so, the due list need not
        latest = answer.latest
        rows.append(
            Obligation(
                unit_id=item.unit_id,
                site_id=item.site_id,
                table_key=answer.table_key,
                table_version=answer.table_version,
                task=answer.task.value,
                rule_id=answer.rule_id,
                earliest_on=answer.earliest,
                target_on=answer.target,
                latest_on=latest,
                knowledge=answer.knowledge.value,
                is_binding=False,
                computed_at=now,
            )
        )
        if latest is not None and (answer.task.value not in dated or latest < dated[answer.task.value]):
            dated[answer.task.value] = latest
    bound: set[str] = set()
    for row in rows:
        # One binding row per task: the earliest latest date; without any date the first stands.
        if row.task not in bound and row.latest_on == dated.get(row.task):
            row.is_binding = True
            bound.add(row.task)
    rechecks = [answer.recheck_on for answer in answers if answer.recheck_on is not None]
    return rows, min(rechecks, default=None)


@dataclass(frozen=True, slots=True)
class Consequence:
    """What a change of tables does to the binding dates of one site, in tasks of units."""

    site_id: int
    sooner: int = 0
    later: int = 0
    added: int = 0
    """A date where none was."""
    dropped: int = 0
    """No date where one was."""
    newly_overdue: int = 0

    @property
    def is_nothing(self) -> bool:
        """Whether no date of the site moves."""
        return not (self.sooner or self.later or self.added or self.dropped or self.newly_overdue)


class _TrialOnly(Exception):
    """Rolls a trial back."""


def consequences(
    change: Callable[[], object], *, site_ids: Iterable[int], now: datetime, keep: bool
) -> list[Consequence]:
    """Run ``change``, bring the units of ``site_ids`` up to date, and return what moved, site by site.

    One transaction: with ``keep`` the change and the moved dates stand together, without it nothing
    is stored and the answer says what would happen. ``change`` is one that alters which tables apply.
    """
    sites = sorted(set(site_ids))
    moved: list[Consequence] = []
    try:
        with transaction.atomic():
            # Dates that were stale already must not look like a consequence of the change.
            ids = list(
                Unit.objects.on_duty().filter(site__in=sites).order_by("pk").values_list("pk", flat=True)
            )
            for start in range(0, len(ids), CHUNK):
                refresh_units(ids[start : start + CHUNK], now=now)
            before = _binding_dates(sites, now=now)
            change()
            for start in range(0, len(ids), CHUNK):
                refresh_units(ids[start : start + CHUNK], now=now)
            moved = _compare(before, _binding_dates(sites, now=now))
            if not keep:
                raise _TrialOnly
    except _TrialOnly:
        pass
    return moved


_Dated = tuple[date | None, bool]
_NO_DATE: _Dated = (None, False)


def _binding_dates(site_ids: Sequence[int], *, now: datetime) -> dict[tuple[int, int, str], _Dated]:
    """For each site, unit and task the binding latest date and whether it has passed."""
    days = zone_days(now)
    rows = Obligation.objects.filter(site__in=site_ids, is_binding=True, latest_on__isnull=False).order_by()
    return {
        (site_id, unit_id, task): (latest, latest is not None and latest < days[zone])
        for site_id, unit_id, task, latest, zone in rows.values_list(
            "site_id", "unit_id", "task", "latest_on", "site__time_zone"
        ).iterator(2000)
    }


def _compare(
    before: dict[tuple[int, int, str], _Dated], after: dict[tuple[int, int, str], _Dated]
) -> list[Consequence]:
    counts: dict[int, Counter[str]] = defaultdict(Counter)
    for key in before.keys() | after.keys():
        old, was_late = before.get(key, _NO_DATE)
        new, is_late = after.get(key, _NO_DATE)
        here = counts[key[0]]
        if old is None and new is not None:
            here["added"] += 1
        elif old is not None and new is None:
            here["dropped"] += 1
        elif old is not None and new is not None and new != old:
            here["sooner" if new < old else "later"] += 1
        if is_late and not was_late:
            here["newly_overdue"] += 1
    found = [Consequence(site_id, **here) for site_id, here in sorted(counts.items())]
    return [item for item in found if not item.is_nothing]
