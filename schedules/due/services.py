"""Keeping stored obligations equal to what the engine says."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import transaction

from inventory.register.models import Site, Unit
from schedules.due.models import Obligation
from schedules.due.queries import batched, zone_days
from schedules.due.sweep import put_away, stale_units, work_out
from schedules.rulebook.books import standing

CHUNK = 500
"""How many units a caller should hand to ``refresh_units`` at once inside a transaction of its own."""

BATCH = 10_000
"""How many units a sweep settles in one transaction: about a second of work, far below 100 MB."""


@dataclass(frozen=True, slots=True)
class Refresh:
    """What a refresh did: units computed, obligations written and removed.

    ``one_by_one`` counts the units among them that the scalar engine had to answer for.
    """

    computed: int = 0
    written: int = 0
    removed: int = 0
    one_by_one: int = 0

    def __add__(self, other: Refresh) -> Refresh:
        return Refresh(
            self.computed + other.computed,
            self.written + other.written,
            self.removed + other.removed,
            self.one_by_one + other.one_by_one,
        )


def refresh_stale(*, now: datetime) -> Refresh:
    """Bring every stale unit up to date, in whole batches, and return what was done.

    Safe to run at any time and any number of times: a second run finds nothing stale and writes
    nothing; a crash leaves whole batches done and the rest stale.
    """
    total = Refresh()
    for batch in batched(stale_unit_ids(now=now), BATCH):
        total += _refresh(batch, now=now)
    return total


def stale_unit_ids(*, now: datetime) -> list[int]:
    """Ids of units whose stored obligations no longer follow from their inputs, ascending."""
    zones: dict[int, str] = {}
    owners: dict[int, int] = {}
    for site_id, owner_id, zone in Site.objects.order_by().values_list("pk", "owner_id", "time_zone"):
        zones[site_id], owners[site_id] = zone, owner_id
    days = {zone: now.astimezone(ZoneInfo(zone)).date() for zone in set(zones.values())}
    return stale_units(standing().books(owners), {site_id: days[zone] for site_id, zone in zones.items()})


@transaction.atomic
def refresh_units(unit_ids: Iterable[int], *, now: datetime) -> Refresh:
    """Recompute the obligations of these units and write only what differs, in one transaction.

    Each unit is judged on the civil date of its own site. Units that are gone or on no site lose
    their obligations.
    """
    total = Refresh()
    for batch in batched(sorted(set(unit_ids)), BATCH):
        total += _refresh(batch, now=now)
    return total


def _refresh(unit_ids: list[int], *, now: datetime) -> Refresh:
    # Read and computed before the transaction begins: the lock of a batch is as short as its writing.
    worked = work_out(unit_ids, now=now)
    with transaction.atomic():
        put = put_away(worked, now=now)
    return Refresh(put.settled, put.written, put.removed, worked.answers.fallen_back)


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
