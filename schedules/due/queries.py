"""Reading what falls due: plain facts for the engine, and status words for people."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Literal
from zoneinfo import ZoneInfo

from django.db.models import Case, CharField, Count, Min, Q, QuerySet, Value, When

from inventory.access import Scope
from inventory.logbook.models import ServiceRecord
from inventory.measures.kinds import Agent, Construction, Environment, Shell, Task
from inventory.measures.stamps import Precision, Stamp
from inventory.register.models import Site, Unit
from schedules.due.models import Obligation
from schedules.engine import Done, UnitFacts

SOON_DAYS = 30


class Status(StrEnum):
    """How an obligation stands on a given day; read off its dates, never stored."""

    OVERDUE = "overdue"
    DUE = "due"
    IN_DATE = "in_date"
    UNKNOWN = "unknown"
    UNCOVERED = "uncovered"
    NO_DATE = "no_date"


STATUS_LABELS = {
    Status.OVERDUE: "Overdue",
    Status.DUE: "Due",
    Status.IN_DATE: "In date",
    Status.UNKNOWN: "Date unknown, due now",
    Status.UNCOVERED: "No rule covers it",
    Status.NO_DATE: "On event",
}

# Worst first: the status of a unit or a site is the worst of its obligations.
SEVERITY = (Status.OVERDUE, Status.UNKNOWN, Status.UNCOVERED, Status.DUE, Status.IN_DATE, Status.NO_DATE)


def status_on(
    *,
    knowledge: str,
    latest_on: date | None,
    earliest_on: date | None,
    today: date,
    soon_days: int = SOON_DAYS,
) -> Status:
    """How an obligation stands on the civil day ``today``.

    Due means: not past its latest date, and either inside its window or within ``soon_days`` of
    the end. Without a date it is never in date.
    """
    if knowledge == "unknown_basis":
        return Status.UNKNOWN
    if knowledge == "uncovered":
        return Status.UNCOVERED
    if latest_on is None:
        return Status.NO_DATE
    if latest_on < today:
        return Status.OVERDUE
    if latest_on <= today + timedelta(days=soon_days) or (earliest_on is not None and earliest_on <= today):
        return Status.DUE
    return Status.IN_DATE


def worst(statuses: Iterable[Status]) -> Status | None:
    """The gravest of ``statuses``, or None when there are none."""
    found = set(statuses)
    return next((s for s in SEVERITY if s in found), None)


@dataclass(frozen=True, slots=True)
class UnitInput:
    """Everything the engine needs to know of one unit."""

    unit_id: int
    site_id: int
    time_zone: str
    taken_on: date
    facts_revision: int
    facts: UnitFacts
    history: tuple[Done, ...]


def unit_inputs(unit_ids: Iterable[int]) -> Iterator[UnitInput]:
    """Plain facts and history of units on duty; two queries whatever their number.

    Corrected records do not count; results that are neither pass nor fail (not found, no access)
    leave every clock where it was and are left out.
    """
    ids = list(unit_ids)
    history: dict[int, list[Done]] = defaultdict(list)
    records = (
        ServiceRecord.objects.standing()
        .filter(unit__in=ids, outcome__in=(ServiceRecord.Outcome.PASSED, ServiceRecord.Outcome.FAILED))
        .order_by("unit_id", "sequence")
        .values_list(
            "unit_id",
            "task",
            "outcome",
            "done_first",
            "done_last",
            "done_precision",
            "done_raw",
            "method",
            "evidence",
            "client_ref",
        )
    )
    for unit_id, task, outcome, first, last, precision, raw, method, evidence, ref in records.iterator(2000):
        history[unit_id].append(
            Done(
                task=Task(task),
                stamp=Stamp.from_stored(first, last, precision, raw),
                method=method,
                passed=outcome == ServiceRecord.Outcome.PASSED,
                evidence=evidence,
                ref=str(ref),
            )
        )
    rows = (
        Unit.objects.on_duty()
        .filter(pk__in=ids, site__isnull=False)
        .order_by("pk")
        .values_list(
            "pk",
            "site_id",
            "site__time_zone",
            "created_at",
            "facts_revision",
            "made_first",
            "made_last",
            "made_precision",
            "made_raw",
            "commissioned_on",
            "model__agent",
            "model__construction",
            "model__shell",
            "model__cylinder_spec",
            "model__water_capacity_ml",
            "model__charge_mass_g",
            "model__charge_volume_ml",
            "model__is_wheeled",
            "model__is_refillable",
            "model__has_shutoff_hose",
            "location__environment",
        )
    )
    for (
        pk,
        site_id,
        zone,
        created_at,
        revision,
        made_first,
        made_last,
        made_precision,
        made_raw,
        commissioned,
        agent,
        construction,
        shell,
        spec,
        capacity,
        mass,
        volume,
        wheeled,
        refillable,
        shutoff,
        environment,
    ) in rows.iterator(2000):
        yield UnitInput(
            unit_id=pk,
            site_id=site_id,
            time_zone=zone,
            taken_on=created_at.astimezone(ZoneInfo(zone)).date(),
            facts_revision=revision,
            facts=UnitFacts(
                agent=Agent(agent),
                construction=Construction(construction),
                shell=Shell(shell),
                cylinder_spec=spec,
                water_capacity_ml=capacity,
                charge_mass_g=mass,
                charge_volume_ml=volume,
                is_wheeled=wheeled,
                is_refillable=refillable,
                has_shutoff_hose=shutoff,
                environment=Environment(environment) if environment else Environment.UNKNOWN,
                made=Stamp.from_stored(made_first, made_last, made_precision, made_raw),
                commissioned=Stamp.on(commissioned) if commissioned else Stamp(None, None, Precision.UNKNOWN),
            ),
            history=tuple(history.get(pk, ())),
        )


def zone_days(now: datetime) -> dict[str, date]:
    """The civil date in each time zone that has a site, at the aware instant ``now``."""
    zones = Site.objects.order_by().values_list("time_zone", flat=True).distinct()
    return {zone: now.astimezone(ZoneInfo(zone)).date() for zone in zones}


def past_latest(now: datetime, *, days: int = 0) -> Q:
    """Obligations whose latest date is before each site's own today plus ``days``."""
    condition = Q(pk__in=[])
    by_day: dict[date, list[str]] = defaultdict(list)
    for zone, day in zone_days(now).items():
        by_day[day].append(zone)
    for day, zones in by_day.items():
        condition |= Q(site__time_zone__in=zones, latest_on__lt=day + timedelta(days=days))
    return condition


def with_status(status: Status, now: datetime) -> Q:
    """Obligations that stand so at the aware instant ``now``, each on its site's own today.

    Says in the database what ``status_on`` says of one row.
    """
    if status is Status.UNKNOWN:
        return Q(knowledge="unknown_basis")
    if status is Status.UNCOVERED:
        return Q(knowledge="uncovered")
    judged = ~Q(knowledge__in=("unknown_basis", "uncovered"))
    if status is Status.NO_DATE:
        return judged & Q(latest_on__isnull=True)
    overdue, due = Q(pk__in=[]), Q(pk__in=[])
    zones_by_day: dict[date, list[str]] = defaultdict(list)
    for zone, day in zone_days(now).items():
        zones_by_day[day].append(zone)
    for day, zones in zones_by_day.items():
        here = Q(site__time_zone__in=zones)
        overdue |= here & Q(latest_on__lt=day)
        near = Q(latest_on__lte=day + timedelta(days=SOON_DAYS)) | Q(earliest_on__lte=day)
        due |= here & Q(latest_on__gte=day) & near
    if status is Status.OVERDUE:
        return judged & overdue
    if status is Status.DUE:
        return judged & due
    return judged & Q(latest_on__isnull=False) & ~overdue & ~due


def status_case(now: datetime) -> Case:
    """The status code of an obligation at ``now`` as an expression, for counting by status in one query."""
    order = (Status.UNKNOWN, Status.UNCOVERED, Status.NO_DATE, Status.OVERDUE, Status.DUE)
    return Case(
        *(When(with_status(status, now), then=Value(status.value)) for status in order),
        default=Value(Status.IN_DATE.value),
        output_field=CharField(),
    )


def status_counts(rows: QuerySet[Obligation], now: datetime) -> dict[Status, int]:
    """How many of ``rows`` stand how at ``now``; every status is named."""
    found = rows.order_by().annotate(stands=status_case(now)).values_list("stands").annotate(n=Count("pk"))
    counts = {Status(code): number for code, number in found}
    return {status: counts.get(status, 0) for status in Status}


@dataclass(frozen=True, slots=True)
class Standing:
    """How a unit or a site stands: its gravest status, how many of each, and the first latest date."""

    worst: Status | None = None
    counts: Mapping[Status, int] = field(default_factory=dict)
    first_latest_on: date | None = None


def standings(
    rows: QuerySet[Obligation], by: Literal["unit_id", "site_id"], now: datetime
) -> dict[int, Standing]:
    """How each unit or site among ``rows`` stands at ``now``; two queries whatever their number.

    ``first_latest_on`` is the first latest date among the rows of the gravest status.
    """
    found: dict[int, dict[Status, tuple[int, date | None]]] = defaultdict(dict)
    groups = (
        rows.order_by()
        .annotate(stands=status_case(now))
        .values_list(by, "stands")
        .annotate(n=Count("pk"), first=Min("latest_on"))
    )
    for key, code, number, first in groups:
        found[key][Status(code)] = (number, first)
    return {
        key: Standing(
            worst=worst(by_status),
            counts={status: number for status, (number, _) in by_status.items()},
            first_latest_on=by_status[gravest][1] if (gravest := worst(by_status)) else None,
        )
        for key, by_status in found.items()
    }


def overdue_obligations(scope: Scope, now: datetime) -> QuerySet[Obligation]:
    """The firm's own overdue work that ``scope`` may see, each judged on its site's own today."""
    return Obligation.objects.visible_to(scope).ours().filter(past_latest(now), is_binding=True)
