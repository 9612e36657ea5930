"""Findings over the whole register: what no rule covers, and records and dates that cannot be right.

The database narrows the register to the units that can have a finding; the engine then says in words
what is wrong with each of those that a page shows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from django.db.models import Q

from inventory.access import Scope
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.models import Unit, UnitQuerySet
from schedules import engine
from schedules.due.models import Freshness, Obligation
from schedules.due.queries import unit_inputs, zone_days
from schedules.rulebook.queries import table_version


class Sort(StrEnum):
    """Sorts of findings, each with its own remedy."""

    UNCOVERED = "uncovered"
    RECORDS = "records"
    MADE = "made"


FINDING_LABELS: dict[Sort, str] = {
    Sort.UNCOVERED: "No rule covers it",
    Sort.RECORDS: "Records in doubt",
    Sort.MADE: "Manufacture not known",
}


@dataclass(frozen=True, slots=True)
class Findings:
    """What is wrong with one unit, in sentences, and the tables that say so."""

    unit: Unit
    texts: tuple[str, ...]
    tables: tuple[tuple[str, str], ...] = ()


def finding_units(scope: Scope, sort: Sort, now: datetime) -> UnitQuerySet:
    """Units on duty on a site in ``scope`` that have a finding of that sort, by number."""
    rows = Unit.objects.visible_to(scope).on_duty().filter(site__isnull=False)
    rows = rows.filter(_condition(sort, now))
    return rows.select_related("model", "site__owner", "location").order_by("number", "pk")


def finding_counts(scope: Scope, now: datetime) -> dict[Sort, int]:
    """How many units have a finding of each sort."""
    return {sort: finding_units(scope, sort, now).order_by().count() for sort in Sort}


def _condition(sort: Sort, now: datetime) -> Q:
    """What the sweep has kept of each unit: nothing of it is read off millions of records here."""
    if sort is Sort.UNCOVERED:
        uncovered = Obligation.objects.filter(knowledge="uncovered").order_by().values("unit")
        return Q(pk__in=uncovered) | Q(pk__in=Freshness.objects.filter(is_unspoken=True).values("pk"))
    if sort is Sort.MADE:
        # As a list of their own: SQLite would look at every unit that hangs.
        return Q(pk__in=Unit.objects.filter(made_precision="unknown").order_by().values("pk"))
    days = zone_days(now)
    if not days:
        return Q(pk__in=[])
    doubted = Freshness.objects.filter(doubt_until__gte=min(days.values())).values("pk")
    still = Q(pk__in=[])
    for zone, today in days.items():
        still |= Q(site__time_zone=zone, freshness__doubt_until__gte=today)
    return Q(pk__in=doubted) & still


def told(units: Sequence[Unit], sort: Sort, now: datetime) -> list[Findings]:
    """What is wrong with each of ``units``, in their order."""
    if sort is Sort.UNCOVERED:
        return _uncovered(units)
    if sort is Sort.MADE:
        text = (
            "The manufacture date is not known: what counts from it is due now. "
            "Read the shell or ask the maker, and correct the unit."
        )
        return [Findings(unit, (text,)) for unit in units]
    texts: dict[int, tuple[str, ...]] = {}
    for item in unit_inputs([unit.pk for unit in units]):
        today = now.astimezone(ZoneInfo(item.time_zone)).date()
        found = engine.findings(item.facts, item.history, today)
        texts[item.unit_id] = tuple(finding.text for finding in found)
    return [Findings(unit, texts.get(unit.pk, ())) for unit in units]


def _uncovered(units: Sequence[Unit]) -> list[Findings]:
    rows: dict[int, list[tuple[str, str, str]]] = defaultdict(list)
    stored = Obligation.objects.filter(unit__in=[unit.pk for unit in units], knowledge="uncovered")
    for unit_id, key, version, task in stored.order_by("table_key", "task", "pk").values_list(
        "unit_id", "table_key", "table_version", "task"
    ):
        rows[unit_id].append((key, version, task))
    found = []
    for unit in units:
        mine = rows.get(unit.pk, [])
        tables = tuple(dict.fromkeys((key, version) for key, version, _ in mine))
        texts = tuple(
            f"{_title(key, version)} does not say when "
            f"{_and([TASK_LABELS[Task(task)].lower() for k, v, task in mine if (k, v) == (key, version)])} "
            "falls due for this kind."
            for key, version in tables
        )
        nothing = (
            "No interval table speaks of this unit at all. Adopt one for its site, or complete its kind.",
        )
        found.append(Findings(unit, texts or nothing, tables))
    return found


def _title(key: str, version: str) -> str:
    table = table_version(key, version)
    return table.title if table is not None else key


def _and(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
