"""Keeping stored obligations equal to what the engine says."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db import transaction

from inventory.register.models import Site
from schedules.due.queries import batched
from schedules.due.sweep import bulk_writing, put_away, stale_units, work_out
from schedules.due.tallies import advance
from schedules.rulebook.books import standing

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
    stale = stale_unit_ids(now=now)
    with bulk_writing(len(stale)):
        for batch in batched(stale, BATCH):
            total += _refresh(batch, now=now)
        advance(now)
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
