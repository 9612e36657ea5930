"""Reading what falls due: plain facts for the engine, and status words for people."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum
from itertools import islice
from typing import Literal, TypeVar
from zoneinfo import ZoneInfo

from django.db import connection
from django.db.models import Case, CharField, Count, Min, Q, QuerySet, Value, When

from inventory.access import Scope
from inventory.logbook.models import ServiceRecord
from inventory.measures.kinds import Agent, Construction, Environment, Shell, Task
from inventory.measures.stamps import Stamp
from inventory.register.models import Owner, Site, Unit
from inventory.register.searching import units_holding
from schedules import engine
from schedules.due.models import Obligation
from schedules.engine import Done, UnitFacts, editions
from schedules.rulebook.books import NO_BOOK, rulebooks
from schedules.rulebook.models import Adoption
from schedules.rulebook.queries import tables_of

SOON_DAYS = 30

_T = TypeVar("_T")


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

# What somebody has to do something about.
OPEN_STATUSES = (Status.OVERDUE, Status.UNKNOWN, Status.UNCOVERED, Status.DUE)

# Worst first: the status of a unit or a site is the worst of its obligations.
SEVERITY = (Status.OVERDUE, Status.UNKNOWN, Status.UNCOVERED, Status.DUE, Status.IN_DATE, Status.NO_DATE)


def status_on(
    *,
    knowledge: str,
    latest_on: date | None,
    target_on: date | None,
    today: date,
    is_deferred: bool = False,
    soon_days: int = SOON_DAYS,
) -> Status:
    """How an obligation stands on the civil day ``today``.

    Due means: not past its latest date, and either its target has come or the latest date is no
    more than ``soon_days`` away. That doing it would count already does not make it due: a test by
    most tables counts from the day after the last one. Without a date it is never in date.
    """
    if knowledge == "unknown_basis":
        return Status.UNKNOWN
    if knowledge == "uncovered":
        return Status.UNCOVERED
    if latest_on is None:
        return Status.NO_DATE
    if latest_on < today:
        return Status.DUE if is_deferred else Status.OVERDUE
    if latest_on <= today + timedelta(days=soon_days) or (target_on is not None and target_on <= today):
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
    facts_revision: int
    facts: UnitFacts
    history: tuple[Done, ...]


def histories_of(unit_ids: Iterable[int]) -> dict[int, list[Done]]:
    """What was done to these units and counts for their dates, by unit; one query.

    Records of units merged into one count for it. Corrected records do not count; results that are
    neither pass nor fail (not found, no access) leave every clock where it was and are left out.
    """
    ids = list(unit_ids)
    history: dict[int, list[Done]] = defaultdict(list)
    records = (
        ServiceRecord.objects.standing()
        .of_units(ids)
        .filter(outcome__in=(ServiceRecord.Outcome.PASSED, ServiceRecord.Outcome.FAILED))
        .order_by("unit_id", "sequence")
        .values_list(
            "counts_for",
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
    return history


def unit_inputs(unit_ids: Iterable[int]) -> Iterator[UnitInput]:
    """Plain facts and history of units on duty; two queries whatever their number."""
    ids = list(unit_ids)
    history = histories_of(ids)
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
                commissioned=Stamp.on(commissioned) if commissioned else Stamp.unknown(),
                registered=created_at.astimezone(ZoneInfo(zone)).date(),
            ),
            history=tuple(history.get(pk, ())),
        )


def explain(unit_ids: Iterable[int], now: datetime) -> dict[int, tuple[engine.Obligation, ...]]:
    """What the engine says of each unit at the aware instant ``now``, reasons and all.

    Five queries whatever the number. Units that are gone or on no site are left out.
    """
    inputs = list(unit_inputs(unit_ids))
    book_of = rulebooks({item.site_id for item in inputs})
    return {
        item.unit_id: engine.obligations(
            item.facts,
            item.history,
            book_of.get(item.site_id, NO_BOOK).tables,
            now.astimezone(ZoneInfo(item.time_zone)).date(),
        )
        for item in inputs
    }


def attach_why(rows: Iterable[Obligation], now: datetime) -> None:
    """Set ``why`` and ``basis_text`` of each of ``rows`` from what the engine says at ``now``.

    Five queries whatever the number. Where the stored date no longer follows from the facts, the
    first line says so.
    """
    rows = list(rows)
    answers = {
        (unit_id, answer.table_key, answer.task.value): answer
        for unit_id, found in explain({row.unit_id for row in rows}, now).items()
        for answer in found
    }
    for row in rows:
        answer = answers.get((row.unit_id, row.table_key, row.task))
        if answer is None:
            row.why, row.basis_text = (), ""
            continue
        row.basis_text = answer.basis.text
        row.why = answer.why
        if (row.rule_id, row.latest_on) != (answer.rule_id, answer.latest):
            row.why = ("The stored date is out of date and is worked out again soon.", *answer.why)


def with_why(rows: QuerySet[Obligation], now: datetime, *, chunk: int = 1000) -> Iterator[Obligation]:
    """Every one of ``rows`` with its reasons attached, in bounded memory."""
    for found in batched(rows.iterator(chunk_size=chunk), chunk):
        attach_why(found, now)
        yield from found


def batched(items: Iterable[_T], size: int) -> Iterator[list[_T]]:
    """``items`` in lists of ``size``, the last one shorter."""
    left = iter(items)
    while found := list(islice(left, size)):
        yield found


_SITES = Site._meta.db_table
# From one zone to the next along an index: a plain DISTINCT reads every site, several times for a page.
_ZONES = f"""
    WITH RECURSIVE look(who) AS (
        SELECT MIN(monthly_checks_by) FROM {_SITES}
        UNION ALL
        SELECT (SELECT MIN(monthly_checks_by) FROM {_SITES} WHERE monthly_checks_by > look.who)
        FROM look WHERE look.who IS NOT NULL
    ), zones(who, zone) AS (
        SELECT who, (SELECT MIN(time_zone) FROM {_SITES} WHERE monthly_checks_by = look.who)
        FROM look WHERE who IS NOT NULL
        UNION ALL
        SELECT who, (
            SELECT MIN(time_zone) FROM {_SITES}
            WHERE monthly_checks_by = zones.who AND time_zone > zones.zone
        ) FROM zones WHERE zones.zone IS NOT NULL
    )
    SELECT DISTINCT zone FROM zones WHERE zone IS NOT NULL ORDER BY zone
"""  # noqa: S608 - names of tables in code only


def zone_days(now: datetime) -> dict[str, date]:
    """The civil date in each time zone that has a site, at the aware instant ``now``."""
    with connection.cursor() as cursor:
        cursor.execute(_ZONES)
        zones = [zone for (zone,) in cursor.fetchall()]
    return {zone: now.astimezone(ZoneInfo(zone)).date() for zone in zones}


def past_latest(now: datetime, *, days: int = 0) -> Q:
    """Obligations whose latest date is before each site's own today plus ``days``."""
    by_day: dict[date, list[str]] = defaultdict(list)
    for zone, day in zone_days(now).items():
        by_day[day].append(zone)
    return _reached(by_day, "latest_on", days=days - 1) & Q(is_deferred=False)


def with_status(status: Status, now: datetime) -> Q:
    """Obligations that stand so at the aware instant ``now``, each on its site's own today.

    Says in the database what ``status_on`` says of one row. Costs one query, for the time zones.
    """
    return status_conditions(now)[status]


def status_case(now: datetime) -> Case:
    """The status code of an obligation at ``now`` as an expression, for counting by status in one query."""
    conditions = status_conditions(now)
    order = (Status.UNKNOWN, Status.UNCOVERED, Status.NO_DATE, Status.OVERDUE, Status.DUE)
    return Case(
        *(When(conditions[status], then=Value(status.value)) for status in order),
        default=Value(Status.IN_DATE.value),
        output_field=CharField(),
    )


def status_conditions(now: datetime) -> dict[Status, Q]:
    """What makes an obligation stand so at ``now``, by status. Costs one query, for the time zones."""
    zones_by_day: dict[date, list[str]] = defaultdict(list)
    for zone, day in zone_days(now).items():
        zones_by_day[day].append(zone)
    dated = Q(latest_on__isnull=False)
    overdue = _reached(zones_by_day, "latest_on", days=-1) & Q(is_deferred=False)
    near = _reached(zones_by_day, "latest_on", days=SOON_DAYS) | _reached(zones_by_day, "target_on")
    due = dated & ~overdue & near
    judged = ~Q(knowledge__in=("unknown_basis", "uncovered"))
    return {
        Status.UNKNOWN: Q(knowledge="unknown_basis"),
        Status.UNCOVERED: Q(knowledge="uncovered"),
        Status.NO_DATE: judged & Q(latest_on__isnull=True),
        Status.OVERDUE: judged & overdue,
        Status.DUE: judged & due,
        Status.IN_DATE: judged & dated & ~overdue & ~near,
    }


def _reached(zones_by_day: Mapping[date, Sequence[str]], field: str, *, days: int = 0) -> Q:
    """Rows whose ``field`` is no later than each site's own today plus ``days``.

    One range up to the latest of those days, less the few rows that only sites farther west have
    not reached: a range can be looked up, a day by site cannot.
    """
    if not zones_by_day:
        return Q(pk__in=[])
    farthest = max(zones_by_day)
    found = Q(**{f"{field}__lte": farthest + timedelta(days=days)})
    for day, zones in zones_by_day.items():
        if day < farthest:
            west = Site.objects.filter(time_zone__in=zones).order_by().values("pk")
            # The day first: few rows are so near that their site has to be looked up.
            found &= ~(Q(**{f"{field}__gt": day + timedelta(days=days)}) & Q(site__in=west))
    return found


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


class Work(StrEnum):
    """Whose work an obligation is."""

    OURS = "ours"
    OWNERS = "owners"
    ALL = "all"


@dataclass(frozen=True, slots=True)
class DueWanted:
    """What a due list is narrowed to; an empty value narrows nothing."""

    text: str = ""
    owner: Owner | None = None
    site: Site | None = None
    task: str = ""
    table_key: str = ""
    latest_from: date | None = None
    latest_to: date | None = None
    work: Work = Work.OURS
    every_table: bool = False
    """Rows of every table; otherwise only the row that binds each task of a unit."""


def due_list(scope: Scope, wanted: DueWanted) -> QuerySet[Obligation]:
    """Obligations that ``scope`` may see, narrowed to what is ``wanted``, in no order.

    A list of one table shows all that this table demands, whether or not another table binds first.
    """
    rows = Obligation.objects.visible_to(scope)
    if wanted.work is Work.OURS:
        rows = rows.ours()
    elif wanted.work is Work.OWNERS:
        rows = rows.filter(task=Task.VISUAL_INSPECTION, site__monthly_checks_by=Site.MonthlyChecks.OWNER)
    if wanted.table_key:
        rows = rows.filter(table_key=wanted.table_key)
    elif not wanted.every_table:
        rows = rows.filter(is_binding=True)
    if wanted.owner is not None:
        rows = rows.filter(site__owner=wanted.owner)
    if wanted.site is not None:
        rows = rows.filter(site=wanted.site)
    if wanted.task:
        rows = rows.filter(task=wanted.task)
    if wanted.latest_from is not None:
        rows = rows.filter(latest_on__gte=wanted.latest_from)
    if wanted.latest_to is not None:
        rows = rows.filter(latest_on__lte=wanted.latest_to)
    if wanted.text:
        rows = rows.filter(units_holding(wanted.text, "unit__"))
    return rows


def with_statuses(
    rows: QuerySet[Obligation], statuses: Iterable[Status], now: datetime
) -> QuerySet[Obligation]:
    """Those of ``rows`` that stand in one of ``statuses`` at ``now``."""
    conditions = status_conditions(now)
    condition = Q(pk__in=[])
    for status in statuses:
        condition |= conditions[status]
    return rows.filter(condition)


def shown(rows: QuerySet[Obligation]) -> QuerySet[Obligation]:
    """``rows`` with what a list shows of each."""
    return rows.select_related("unit__model", "unit__location", "site__owner")


def tables_in_use(scope: Scope, now: datetime) -> list[tuple[str, str]]:
    """The (key, version) of every table adopted for what ``scope`` may see, in the edition in force.

    Read off the adoptions, because the dates they made are too many to look through for a notice.
    """
    rows = Adoption.objects.standing()
    if not scope.everything:
        sites = Site.objects.visible_to(scope)
        everywhere = Q(site__isnull=True, owner__isnull=True)
        rows = rows.filter(everywhere | Q(site__in=sites.values("pk")) | Q(owner__in=sites.values("owner")))
    keys = set(rows.order_by().values_list("table_key", "table_version").distinct())
    return sorted(
        {(table.key, table.version) for key in keys for table, _ in editions(tables_of((key,)), now.date())}
    )


def overdue_obligations(scope: Scope, now: datetime) -> QuerySet[Obligation]:
    """The firm's own overdue work that ``scope`` may see, each judged on its site's own today."""
    return Obligation.objects.visible_to(scope).ours().filter(past_latest(now), is_binding=True)
