"""What falls due month by month over years, end of life included, counted by site, task and table."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import NamedTuple
from zoneinfo import ZoneInfo

from dateutil.relativedelta import relativedelta
from django.conf import settings

from inventory.access import Scope
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.models import Depot, Owner, Site, Unit, UnitQuerySet
from schedules.due.inmemory import batches
from schedules.due.queries import UnitInput
from schedules.engine.roll import Fall, Rolling, roll
from schedules.rulebook.books import NO_BOOK, Rulebook, rulebooks

MOST_YEARS = 10
MOST_UNITS = 10_000
"""More than these are not rolled while somebody waits for a page."""


class By(StrEnum):
    """What a forecast is broken down by."""

    TASK = "task"
    SITE = "site"
    OWNER = "owner"
    CITY = "city"
    REGION = "region"
    DEPOT = "depot"
    TABLE = "table"


BY_LABELS: dict[By, str] = {
    By.TASK: "Task",
    By.SITE: "Site",
    By.OWNER: "Owner",
    By.CITY: "City",
    By.REGION: "Region",
    By.DEPOT: "Depot",
    By.TABLE: "Interval table",
}


# What is told by the site of a count.
PLACES = frozenset({By.SITE, By.OWNER, By.CITY, By.REGION, By.DEPOT})


class Key(NamedTuple):
    """What one count is of."""

    month: date
    site_id: int
    task: Task
    table_key: str
    table_version: str


@dataclass(slots=True)
class Forecast:
    """Counts of tasks on units. ``owed`` are those that were due before ``start``, in the first month.

    ``unknown`` are due at once because the date they count from is not known. Months are told by
    their first day, the first and last cut by ``start`` and ``end``.
    """

    start: date
    end: date
    units: int = 0
    counts: Counter[Key] = field(default_factory=Counter)
    owed: Counter[Key] = field(default_factory=Counter)
    unknown: Counter[Key] = field(default_factory=Counter)
    sites: dict[int, Site] = field(default_factory=dict)

    @property
    def months(self) -> list[date]:
        """The first day of every month of the horizon, without gaps."""
        first = self.start.replace(day=1)
        number = (self.end.year - first.year) * 12 + self.end.month - first.month + 1
        return [first + relativedelta(months=n) for n in range(number)]

    @property
    def total(self) -> int:
        """All that falls due."""
        return self.counts.total()

    @property
    def tasks(self) -> list[Task]:
        """The tasks that occur, in their usual order."""
        found = {key.task for key in self.counts}
        return [task for task in Task if task in found]

    @property
    def tables(self) -> set[tuple[str, str]]:
        """Key and version of the tables that the dates rest on."""
        return {(key.table_key, key.table_version) for key in self.counts}

    def by_month(self) -> dict[date, Counter[Task]]:
        """Counts by task for every month of the horizon."""
        found: dict[date, Counter[Task]] = {month: Counter() for month in self.months}
        for key, number in self.counts.items():
            found[key.month][key.task] += number
        return found

    def by_year(self, by: By) -> dict[str, Counter[int]]:
        """Counts by calendar year for every group, the largest first."""
        name = self._namer(by)
        found: dict[str, Counter[int]] = defaultdict(Counter)
        for key, number in self.place_counts() if by in PLACES else self.counts.items():
            found[name(key)][key.month.year] += number
        return dict(sorted(found.items(), key=lambda item: (-item[1].total(), item[0])))

    def place_counts(self) -> Iterable[tuple[Key, int]]:
        """The counts with keys that name their site."""
        return self.counts.items()

    def _namer(self, by: By) -> Callable[[Key], str]:
        names: Mapping[By, Callable[[Key], str]] = {
            By.TASK: lambda key: TASK_LABELS[key.task],
            By.SITE: lambda key: self.sites[key.site_id].name,
            By.OWNER: lambda key: self.sites[key.site_id].owner.name,
            By.CITY: lambda key: self.sites[key.site_id].city or "No city given",
            By.REGION: lambda key: _region(self.sites[key.site_id]),
            By.DEPOT: lambda key: depot_name(self.sites[key.site_id]) or "No depot named",
            By.TABLE: lambda key: f"{key.table_key} {key.table_version}",
        }
        return names[by]


def depot_name(site: Site) -> str:
    """The depot that ``site`` names as its own; nothing where it names none."""
    return site.depot.name if site.depot is not None else ""


def _region(site: Site) -> str:
    return ", ".join(part for part in (site.region, site.country) if part) or "No region given"


def forecast_units(
    scope: Scope,
    *,
    owner: Owner | None = None,
    site: Site | None = None,
    region: str = "",
    city: str = "",
    depot: Depot | None = None,
) -> UnitQuerySet:
    """Units on duty on a site that ``scope`` may see, narrowed to a place, by id."""
    rows = Unit.objects.visible_to(scope).on_duty().filter(site__isnull=False)
    if owner is not None:
        rows = rows.filter(site__owner=owner)
    if site is not None:
        rows = rows.filter(site=site)
    if region:
        rows = rows.filter(site__region=region)
    if city:
        rows = rows.filter(site__city=city)
    if depot is not None:
        rows = rows.filter(site__depot=depot)
    return rows.order_by("pk")


def forecast(
    unit_ids: Iterable[int],
    *,
    now: datetime,
    years: int,
    planned: Mapping[tuple[int, Task], date] | None = None,
    tasks: frozenset[Task] = frozenset(),
) -> Forecast:
    """Count what falls due on these units from the firm's today on for ``years`` years.

    Each task is supposed done at its target, or where ``planned`` holds a day for the unit's id and
    task, the first time on that day. The monthly look of an owner's own people is not the firm's work
    and is left out. With ``tasks`` only those are counted. Raises ``ValueError`` outside 1 to 10 years.
    """
    if not 1 <= years <= MOST_YEARS:
        raise ValueError(f"A forecast reaches 1 to {MOST_YEARS} years, not {years}.")
    start = firm_today(now)
    end = start + relativedelta(years=years) - timedelta(days=1)
    found = Forecast(start, end)
    for fall, unit in falls(unit_ids, found, now=now, planned=planned):
        if tasks and fall.task not in tasks:
            continue
        key = Key(fall.on.replace(day=1), unit.site_id, fall.task, fall.table_key, fall.table_version)
        found.counts[key] += 1
        if fall.is_unknown:
            found.unknown[key] += 1
        elif fall.target < start:
            found.owed[key] += 1
    return found


def firm_today(now: datetime) -> date:
    """The day at the firm, from which a forecast runs."""
    return now.astimezone(ZoneInfo(settings.FIRM_TIME_ZONE)).date()


def falls(
    unit_ids: Iterable[int],
    found: Forecast,
    *,
    now: datetime,
    planned: Mapping[tuple[int, Task], date] | None = None,
) -> Iterator[tuple[Fall, UnitInput]]:
    """Every task that falls due on these units inside the horizon of ``found``, with the unit.

    Fills in the sites and the number of units of ``found`` on the way.
    """
    for batch in batches(unit_ids, now):
        site_ids = {unit.site_id for unit in batch.units}
        found.sites.update(
            Site.objects.select_related("owner", "depot").in_bulk(site_ids - found.sites.keys())
        )
        books = rulebooks(site_ids)
        places: dict[Rulebook, int] = {}
        rolling = [
            Rolling(
                unit.facts,
                unit.history,
                places.setdefault(books.get(unit.site_id, NO_BOOK), len(places)),
                _left_out(found.sites[unit.site_id]),
            )
            for unit in batch.units
        ]
        if not rolling:
            continue
        place_of = {unit.unit_id: place for place, unit in enumerate(batch.units)}
        here = {
            (place_of[unit_id], task): day
            for (unit_id, task), day in (planned or {}).items()
            if unit_id in place_of
        }
        found.units += len(rolling)
        for fall in roll(rolling, [book.tables for book in places], found.start, found.end, here):
            if fall.on <= found.end:
                yield fall, batch.units[fall.unit]


def _left_out(site: Site) -> frozenset[Task]:
    is_owners = site.monthly_checks_by == Site.MonthlyChecks.OWNER
    return frozenset({Task.VISUAL_INSPECTION}) if is_owners else frozenset()
