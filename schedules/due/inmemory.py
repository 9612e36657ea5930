"""What the engine says of many units under any rulebook, worked out in memory; nothing is written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from inventory.register.models import Unit
from schedules import engine
from schedules.due.queries import UnitInput, batched, unit_inputs
from schedules.engine.fleet import Answers, fleet_of, judge
from schedules.rulebook.books import NO_BOOK, Rulebook
from schedules.rules import IntervalTable

BATCH = 2000
"""Units held at once, so that memory stays the same whatever the number."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Units with their facts and history, each with the civil day at its site."""

    units: Sequence[UnitInput]
    days: Sequence[date]

    def answers(self, book_of: Mapping[int, Rulebook]) -> Answers:
        """What each unit's tables demand when its site has the rulebook of ``book_of``."""
        places: dict[Rulebook, int] = {}
        place_of = [places.setdefault(book_of.get(unit.site_id, NO_BOOK), len(places)) for unit in self.units]
        tables = [book.tables for book in places]
        fleet = fleet_of(
            [
                (unit.facts, unit.history, place, day)
                for unit, place, day in zip(self.units, place_of, self.days, strict=True)
            ]
        )
        return judge(fleet, tables, lambda wanted: self._one_by_one(wanted, place_of, tables))

    def _one_by_one(
        self, wanted: Sequence[int], place_of: Sequence[int], tables: Sequence[Sequence[IntervalTable]]
    ) -> Iterator[tuple[int, Sequence[engine.Obligation]]]:
        for place in wanted:
            unit = self.units[place]
            yield (
                place,
                engine.obligations(unit.facts, unit.history, tables[place_of[place]], self.days[place]),
            )


def batches(unit_ids: Iterable[int], now: datetime, size: int = BATCH) -> Iterator[Batch]:
    """The units of these ids that are on duty on a site, in batches, each judged on its site's day."""
    for ids in batched(unit_ids, size):
        units = list(unit_inputs(ids))
        days = {zone: now.astimezone(ZoneInfo(zone)).date() for zone in {unit.time_zone for unit in units}}
        yield Batch(units, [days[unit.time_zone] for unit in units])


def units_at(site_ids: Iterable[int]) -> list[int]:
    """Ids of the units on duty at these sites, ascending."""
    rows = Unit.objects.on_duty().filter(site__in=list(site_ids))
    return list(rows.order_by("pk").values_list("pk", flat=True))
