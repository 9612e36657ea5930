"""What the firm brings to the talk about the next term of a contract.

*On time* has one definition: of the tasks of our own work whose latest day lay within the term, the share
that was recorded as done (passed, failed or the unit replaced or taken away) on that day or before. Tasks
that were done later count as late, and so do those that are overdue now; *not found* and *no access* do
nothing, so that such a task stays open and counts as overdue once its day has passed. Tasks without a known
latest day are left out and counted apart. Common practice, no source.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from dateutil.relativedelta import relativedelta
from django.db.models import Count, Exists, F, Min, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from inventory.access import EVERYTHING, Scope
from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.checks import defect_text
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.agreed import contracts
from inventory.register.models import Site, Unit
from inventory.register.terms import ContractMark, TermsVersion
from schedules.due.forecast import MOST_UNITS, Forecast, forecast
from schedules.due.queries import DueWanted, Status, due_list, with_status
from schedules.planning.durations import EMPTIED
from schedules.visits.models import Job, Visit

HEAVY = EMPTIED | {Task.REQUALIFICATION, Task.RETIREMENT}
DEFAULT_DAYS = 90
DEFAULT_TERM_MONTHS = 12
"""So far back is looked where the contract does not say when it began."""
_DID_SOMETHING = (
    ServiceRecord.Outcome.PASSED,
    ServiceRecord.Outcome.FAILED,
    ServiceRecord.Outcome.REPLACED,
    ServiceRecord.Outcome.REMOVED,
)
AGE_BANDS = ((5, "under 5 years"), (10, "5 to 9 years"), (15, "10 to 14 years"), (200, "15 years and more"))


@dataclass(slots=True)
class OnTime:
    """How many tasks were done on time, done late, and are overdue."""

    on_time: int = 0
    late: int = 0
    overdue: int = 0

    @property
    def counted(self) -> int:
        """All that had a day to keep within the term."""
        return self.on_time + self.late + self.overdue

    @property
    def percent(self) -> float | None:
        """Share on time; None where nothing was to be kept."""
        return 100 * self.on_time / self.counted if self.counted else None

    def __add__(self, other: OnTime) -> OnTime:
        return OnTime(self.on_time + other.on_time, self.late + other.late, self.overdue + other.overdue)


@dataclass(slots=True)
class Facts:
    """What is known of the sites of one contract."""

    kept: OnTime = field(default_factory=OnTime)
    units: int = 0
    defects: int = 0
    oldest_defect_on: date | None = None
    not_found: int = 0
    no_access: int = 0


def ending(scope: Scope, today: date, days: int) -> QuerySet[TermsVersion]:
    """Contracts in scope that end by ``days`` from ``today`` or have run past their end, the first first.

    Those that ended are shown for as long; see ``contracts`` for what is annotated.
    """
    ended = ContractMark.objects.filter(version=OuterRef("pk"), kind=ContractMark.Kind.ENDED)
    return (
        contracts(scope, today)
        .filter(ends_on__lte=today + timedelta(days=days))
        .exclude(Exists(ended), ends_on__lt=today - timedelta(days=days))
        .order_by("ends_on", "owner__name", "pk")
    )


def sites_of(rows: Sequence[TermsVersion]) -> dict[int, list[Site]]:
    """The sites that each contract covers, by its id: one, or those of the owner without one of their own."""
    of_owner: dict[int, list[Site]] = defaultdict(list)
    owners = {row.owner_id for row in rows if row.site_id is None}
    own = TermsVersion.objects.filter(
        # A site that says of itself that no end is agreed is not under the owner's contract either.
        Q(ends_on__isnull=False) | Q(values__has_key="ends_on"),
        site=OuterRef("pk"),
        owner=OuterRef("owner"),
    )
    if owners:
        for site in Site.objects.filter(owner__in=owners).filter(~Exists(own)).order_by("name", "pk"):
            of_owner[site.owner_id].append(site)
    return {row.pk: [row.site] if row.site is not None else of_owner[row.owner_id] for row in rows}


def term_of(row: TermsVersion, today: date) -> tuple[date, date]:
    """First and last day of the term that is looked at; today at the latest."""
    last = min(row.ends_on or today, today)
    return row.begins_on or last - relativedelta(months=DEFAULT_TERM_MONTHS), last


def facts_of(rows: Sequence[TermsVersion], now: datetime) -> dict[int, Facts]:
    """The facts of each contract by its id; the number of queries does not grow with contracts or sites."""
    covered = sites_of(rows)
    today = now.date()
    terms = {row.pk: term_of(row, today) for row in rows}
    ids = {site.pk for sites in covered.values() for site in sites}
    spans: dict[int, tuple[date, date]] = {
        site.pk: terms[pk] for pk, sites in covered.items() for site in sites
    }
    kept = on_time(spans, now)
    units = _counts(Unit.objects.on_duty().filter(site__in=ids), "site_id")
    lost = _counts(Unit.objects.filter(site__in=ids, state=Unit.State.NOT_FOUND), "site_id")
    barred = _counts(not_reached(ids), "site_id")
    defects = {
        row["site_id"]: row
        for row in Defect.objects.open()
        .filter(site__in=ids)
        .order_by()
        .values("site_id")
        .annotate(number=Count("pk"), oldest=Min("opened_on"))
    }
    found: dict[int, Facts] = {}
    for row in rows:
        facts = Facts()
        for site in covered[row.pk]:
            facts.kept += kept.get(site.pk, OnTime())
            facts.units += units.get(site.pk, 0)
            facts.not_found += lost.get(site.pk, 0)
            facts.no_access += barred.get(site.pk, 0)
            if site.pk in defects:
                facts.defects += defects[site.pk]["number"]
                oldest = defects[site.pk]["oldest"]
                facts.oldest_defect_on = min(facts.oldest_defect_on or oldest, oldest)
        found[row.pk] = facts
    return found


def _counts(rows: QuerySet[Any], name: str) -> dict[int, int]:
    return dict(rows.order_by().values_list(name).annotate(number=Count("pk")))


def not_reached(site_ids: Iterable[int]) -> QuerySet[Unit]:
    """Units on duty whose last record of our own work says that nobody could get at them."""
    last = (
        ServiceRecord.objects.standing()
        .filter(unit=OuterRef("pk"), evidence=ServiceRecord.Evidence.OWN_WORK)
        .order_by("-sequence")
        .values("outcome")[:1]
    )
    return (
        Unit.objects.on_duty()
        .filter(site__in=list(site_ids))
        .annotate(last_outcome=Subquery(last))
        .filter(last_outcome=ServiceRecord.Outcome.NO_ACCESS)
    )


def on_time(spans: Mapping[int, tuple[date, date]], now: datetime) -> dict[int, OnTime]:
    """How the tasks at each site were kept within its span of days; by site id, two queries a span."""
    found: dict[int, OnTime] = defaultdict(OnTime)
    by_span: dict[tuple[date, date], list[int]] = defaultdict(list)
    for site_id, span in spans.items():
        by_span[span].append(site_id)
    condition_done, condition_owed = Q(pk__in=[]), Q(pk__in=[])
    for (first, last), ids in by_span.items():
        condition_done |= Q(visit__site__in=ids, latest_on__gte=first, latest_on__lte=last)
        condition_owed |= Q(site__in=ids, latest_on__gte=first, latest_on__lte=last)
    if not by_span:
        return {}
    done = (
        Job.objects.filter(condition_done, visit__state=Visit.State.CLOSED, record__isnull=False)
        .annotate(
            did=Coalesce("record__corrected_by__outcome", "record__outcome"),
            day=Coalesce("record__corrected_by__done_last", "record__done_last"),
        )
        .filter(did__in=_DID_SOMETHING)
        .order_by()
        .values("visit__site_id")
        .annotate(
            on_time=Count("pk", filter=Q(day__lte=F("latest_on"))),
            late=Count("pk", filter=Q(day__gt=F("latest_on"))),
        )
    )
    for row in done:
        found[row["visit__site_id"]] += OnTime(row["on_time"], row["late"])
    owed = with_status(Status.OVERDUE, now)
    for site_id, number in (
        due_list(EVERYTHING, DueWanted())
        .filter(owed)
        .filter(condition_owed)
        .order_by()
        .values_list("site_id")
        .annotate(number=Count("pk"))
    ):
        if site_id is not None:
            found[site_id] += OnTime(overdue=number)
    return dict(found)


# --- one contract -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Dossier:
    """Everything about one contract for the talk with its owner."""

    row: TermsVersion
    sites: list[Site]
    first_on: date
    last_on: date
    facts: Facts
    defects: list[dict[str, Any]]
    not_found: list[Unit]
    no_access: list[Unit]
    ages: list[tuple[str, int]]
    heavy: list[tuple[str, list[int]]]
    """Task in words, units for each of the years."""
    heavy_years: list[str]
    is_long: bool
    """Too many units for the forecast to be made while somebody waits."""
    tables: list[str]


def dossier(row: TermsVersion, *, now: datetime, years: int = 3) -> Dossier:
    """Gather the dossier of one contract. ``years`` (1 to 10) of heavy tasks are counted."""
    sites = sites_of([row])[row.pk]
    ids = [site.pk for site in sites]
    today = now.date()
    first_on, last_on = term_of(row, today)
    defects = [
        {
            "defect": defect,
            "text": defect_text(defect.code),
            "days": (today - defect.opened_on).days,
            "subject": defect.unit or defect.location,
        }
        for defect in Defect.objects.open()
        .filter(site__in=ids)
        .select_related("unit", "location", "site")
        .order_by("opened_on", "pk")
    ]
    unit_ids = list(Unit.objects.on_duty().filter(site__in=ids).order_by("pk").values_list("pk", flat=True))
    is_long = len(unit_ids) > MOST_UNITS
    found: Forecast | None = None
    if unit_ids and not is_long:
        found = forecast(unit_ids, now=now, years=years, tasks=frozenset(HEAVY))
    with_place = {"site", "location", "model"}
    return Dossier(
        row=row,
        sites=sites,
        first_on=first_on,
        last_on=last_on,
        facts=facts_of([row], now)[row.pk],
        defects=defects,
        not_found=list(
            Unit.objects.filter(site__in=ids, state=Unit.State.NOT_FOUND)
            .select_related(*with_place)
            .order_by("site__name", "number")
        ),
        no_access=list(not_reached(ids).select_related(*with_place).order_by("site__name", "number")),
        ages=ages(ids, today),
        heavy=_heavy(found, years),
        heavy_years=_years(found.start if found else today, years),
        is_long=is_long,
        tables=[f"{key} {version}" for key, version in sorted(found.tables)] if found else [],
    )


def _years(start: date, years: int) -> list[str]:
    return [f"from {start + relativedelta(years=number):%b %Y}" for number in range(years)]


def _heavy(found: Forecast | None, years: int) -> list[tuple[str, list[int]]]:
    """Counts by task for each twelve months from the start on."""
    if found is None:
        return []
    first = found.start.replace(day=1)
    counts: dict[Task, Counter[int]] = defaultdict(Counter)
    for key, number in found.counts.items():
        months = (key.month.year - first.year) * 12 + key.month.month - first.month
        counts[key.task][min(months // 12, years - 1)] += number
    return [
        (TASK_LABELS[task], [counts[task][year] for year in range(years)]) for task in Task if task in counts
    ]


def ages(site_ids: Sequence[int], today: date) -> list[tuple[str, int]]:
    """How many units on duty are how old, by the last day their mark can mean; unknown is told apart."""
    conditions: dict[str, Q] = {}
    younger: date | None = None
    for limit, _ in AGE_BANDS:
        older = today - relativedelta(years=limit)
        inside = Q(made_last__gt=older)
        conditions[f"band_{limit}"] = inside if younger is None else inside & Q(made_last__lte=younger)
        younger = older
    rows = Unit.objects.on_duty().filter(site__in=site_ids)
    found = rows.aggregate(
        unknown=Count("pk", filter=Q(made_last__isnull=True)),
        **{name: Count("pk", filter=condition) for name, condition in conditions.items()},
    )
    told = [(label, found[f"band_{limit}"]) for limit, label in AGE_BANDS]
    return [*told, ("year of make unknown", found["unknown"])]
