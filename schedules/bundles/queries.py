"""From stored obligations to the clocks of a site, and from those to its cheapest trips."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from dateutil.relativedelta import relativedelta

from inventory.measures.kinds import TASK_LABELS, Task
from inventory.measures.terms import NOTHING_AGREED, Agreed
from inventory.register.agreed import agreed_for
from inventory.register.models import AccessWindow, Site, Unit, local_today
from schedules.bundles.calendar import blackouts_of, closed_for
from schedules.bundles.models import BundlingFigures
from schedules.due.models import Obligation
from schedules.planning.bundling import Bundle, Terms, bundle
from schedules.planning.bundling_clocks import Clock, Span
from schedules.planning.daysoff import WORKING_WEEK, candidate_days, off_month_days
from schedules.planning.durations import EMPTIED, Kind, kind_of
from schedules.planning.figures import Figures
from schedules.rulebook.books import NO_BOOK, Rulebook, rulebooks
from schedules.rules.period import Period
from schedules.rules.table import Counts, Effect, IntervalTable, Rule
from schedules.rules.table import Window as Room

ON_SITE = (Unit.State.IN_SERVICE, Unit.State.AWAITING_RECHARGE, Unit.State.NOT_FOUND)
"""States of units that a trip to the site can reach."""
MOST_ANCHORS = 6
MONTH_MARK_DAYS = 30


def figures_in_force() -> Figures:
    """Return the figures as the manager last set them."""
    row = BundlingFigures.objects.order_by("-pk").first()
    return Figures.of(row.values) if row is not None else Figures()


@dataclass(frozen=True, slots=True)
class Fixed:
    """A visit that is on the books already: its day, and the unit and task of each of its jobs."""

    on: date
    pairs: frozenset[tuple[int, str]]
    visit_id: int
    is_promised: bool


@dataclass(frozen=True, slots=True)
class Served:
    """A unit as far as planning asks: its kind, and what fills it."""

    kind: Kind
    charge_g: int


@dataclass(frozen=True, slots=True)
class SiteBundle:
    """The cheapest trips of one site, and which units each of their works is on."""

    site: Site
    today: date
    end: date
    days: Sequence[date]
    bundle: Bundle
    units_of: Mapping[int, tuple[int, ...]]
    """By ``id`` of a clock of the bundle."""
    served: Mapping[int, Served]
    fixed: Sequence[Fixed] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Owed:
    unit_id: int
    task: Task
    table: str
    rule_id: str
    earliest: date
    target: date
    latest: date
    is_binding: bool
    is_deferred: bool


@dataclass(frozen=True, slots=True)
class _Spec:
    """What makes two clocks the same."""

    task: Task
    first: Span
    every: Period | None
    counts: Counts | None
    room: Room | None
    cap_days: int
    margin_days: int
    covers: frozenset[Task]


@dataclass(slots=True)
class _Place:
    """What is read of one site."""

    owed: dict[int, list[_Owed]] = field(default_factory=lambda: defaultdict(list))
    served: dict[int, Served] = field(default_factory=dict)
    weekdays: set[int] = field(default_factory=set)
    terms: Agreed = NOTHING_AGREED


def bundles_of(
    sites: Sequence[Site],
    *,
    now: datetime,
    figures: Figures,
    fixed: Mapping[int, Sequence[Fixed]],
    months: int | None = None,
    joins: bool = True,
    only_on: date | None = None,
    due_within_days: int | None = None,
) -> Iterator[SiteBundle]:
    """Yield the cheapest trips of each of ``sites`` over the months ahead.

    ``fixed`` holds visits on the books by site id: their work counts as done on their day, and with
    ``joins`` other work may join them at no trip of its own. With ``only_on`` there is that one day, and
    all comes along whose window is open then. With ``due_within_days`` a site of which no work has its
    latest day by then is passed over, which is quicker than bundling it. The number of queries does not
    grow with the sites.
    """
    places = _places(sites, now)
    books = rulebooks({site.pk for site in sites})
    blackouts = blackouts_of(sites)
    for site in sites:
        today = local_today(site, now)
        end = today + relativedelta(months=months or int(figures["months"]))
        start = today + timedelta(days=1)
        place = places[site.pk]
        clocks, units_of, said = _clocks(
            place, books.get(site.pk, NO_BOOK), figures, end, fixed.get(site.pk, ())
        )
        if due_within_days is not None and not any(
            clock.first.latest <= today + timedelta(days=due_within_days) for clock in clocks
        ):
            continue
        closed = closed_for(site, blackouts.get(site.pk, ()), start, end)
        booked = {visit.on for visit in fixed.get(site.pk, ()) if joins and start <= visit.on <= end}
        if only_on is not None:
            days = [only_on]
            clocks = [clock for clock in clocks if clock.opens_on <= only_on]
        else:
            open_days = candidate_days(
                start, end, weekdays=place.weekdays or WORKING_WEEK, closed=closed, anchors=_anchors(clocks)
            )
            days = sorted(booked.union(open_days))
        terms = place.terms
        off = off_month_days(days, terms.service_month, terms.tolerance_days)
        trip = figures["trip_minutes"]
        weights = Terms(
            trip,
            figures["life_weight"],
            tuple(
                -trip if day in booked else figures["out_of_month_minutes"] if is_off else 0.0
                for day, is_off in zip(days, off, strict=True)
            ),
        )
        found = bundle(clocks, days, end=end, terms=weights)
        if not place.served:
            said = ["No unit is on duty here.", *said]
        yield SiteBundle(
            site,
            today,
            end,
            days,
            found,
            units_of,
            place.served,
            tuple(fixed.get(site.pk, ())),
            (*said, *found.problems),
        )


def _anchors(clocks: Sequence[Clock]) -> list[date]:
    """Return the last wished days of the work that comes first."""
    wished = {clock.first.latest - timedelta(days=clock.margin_days) for clock in clocks}
    return sorted(wished)[:MOST_ANCHORS]


def _places(sites: Sequence[Site], now: datetime) -> dict[int, _Place]:
    """Read what is owed at each site, hours of access and terms: five queries."""
    ids = [site.pk for site in sites]
    places = {site_id: _Place() for site_id in ids}
    for pk, site_id, agent, construction, is_wheeled, charge_g in (
        Unit.objects.filter(site__in=ids, state__in=ON_SITE)
        .order_by("pk")
        .values_list(
            "pk",
            "site_id",
            "model__agent",
            "model__construction",
            "model__is_wheeled",
            "model__charge_mass_g",
        )
    ):
        kind = kind_of(agent, construction, is_wheeled=is_wheeled)
        places[site_id].served[pk] = Served(kind, charge_g or 0)
    rows = (
        Obligation.objects.ours()
        .filter(site__in=ids, latest_on__isnull=False, unit__state__in=ON_SITE)
        .order_by("unit_id", "task", "table_key")
        .values_list(
            "site_id",
            "unit_id",
            "task",
            "table_key",
            "table_version",
            "rule_id",
            "earliest_on",
            "target_on",
            "latest_on",
            "is_binding",
            "is_deferred",
        )
    )
    for site_id, unit_id, task, key, version, rule_id, earliest, target, latest, binds, deferred in rows:
        if site_id is None or latest is None:
            continue
        target = min(target or latest, latest)
        places[site_id].owed[unit_id].append(
            _Owed(
                unit_id,
                Task(task),
                f"{key} {version}",
                rule_id,
                min(earliest or target, target),
                target,
                latest,
                binds,
                deferred,
            )
        )
    for site_id, weekday in AccessWindow.objects.filter(site__in=ids).values_list("site_id", "weekday"):
        places[site_id].weekdays.add(weekday)
    for site_id, terms in agreed_for(sites, now).items():
        places[site_id].terms = terms
    return places


def _clocks(
    place: _Place, book: Rulebook, figures: Figures, end: date, fixed: Sequence[Fixed]
) -> tuple[list[Clock], dict[int, tuple[int, ...]], list[str]]:
    """Return the clocks of one site, the units of each by its ``id``, and what is left out and why."""
    tables = {f"{table.key} {table.version}": table for table in book.tables}
    booked = {pair: visit.on for visit in fixed for pair in visit.pairs}
    same: dict[tuple[object, _Spec], list[int]] = defaultdict(list)
    deferred: set[int] = set()
    waiting: Counter[Task] = Counter()
    for unit_id, owed in place.owed.items():
        specs: list[_Spec] = []
        for task in dict.fromkeys(row.task for row in owed):
            rows = [row for row in owed if row.task is task]
            binding = next((row for row in rows if row.is_binding), None)
            if binding is None:
                continue
            if binding.is_deferred:
                deferred.add(unit_id)
                continue
            if place.terms.awaits_call_off(task):
                if binding.latest <= end:
                    waiting[task] += 1
                continue
            spec = _spec(rows, binding, tables, figures, booked.get((unit_id, task.value)))
            if spec is not None and spec.first.latest <= end:
                specs.append(spec)
        for group, spec in _coupled(specs, owed, tables):
            same[group, spec].append(unit_id)
    clocks: list[Clock] = []
    units_of: dict[int, tuple[int, ...]] = {}
    names: dict[object, str] = {}
    for (group, spec), unit_ids in same.items():
        worth = sum(_worth(figures, spec.task, place.served[pk].kind) for pk in unit_ids) / len(unit_ids)
        count = len(unit_ids)
        clock = Clock(
            f"{TASK_LABELS[spec.task]} of {count} unit{'s' if count != 1 else ''}",
            names.setdefault(group, f"group {len(names)}"),
            spec.task,
            count,
            spec.first,
            worth,
            spec.cap_days,
            spec.every,
            spec.counts,
            spec.room,
            spec.margin_days,
            spec.covers,
        )
        clocks.append(clock)
        units_of[id(clock)] = tuple(unit_ids)
    said = []
    if deferred:
        said.append(
            f"{len(deferred)} unit{'s' if len(deferred) != 1 else ''} may stay as they are past a date that "
            "binds only at the next filling; no trip is planned for that."
        )
    for task, number in sorted(waiting.items()):
        said.append(
            f"{TASK_LABELS[task]} of {number} unit{'s' if number != 1 else ''} falls due and is outside what "
            "the contract includes; no trip is planned for it until it is called off."
        )
    return clocks, units_of, said


def _worth(figures: Figures, task: Task, kind: Kind) -> float:
    return figures.site_minutes(task, kind) + figures.workshop_minutes(task, kind)


def _spec(
    rows: Sequence[_Owed],
    binding: _Owed,
    tables: Mapping[str, IntervalTable],
    figures: Figures,
    booked_on: date | None,
) -> _Spec | None:
    """Return the clock of one task of a unit; None when a visit on the books is its last within reach.

    Where several tables speak of the task, the earliest latest day of all counts first and the shortest
    interval of all afterwards, so that none of them is ever kept waiting.
    """
    rules = [rule for row in rows if (rule := _rule(tables, row)) is not None]
    own = _rule(tables, binding)
    repeats = [(period, rule) for rule in rules if rule.effect is Effect.REPEAT and (period := _period(rule))]
    every: Period | None = None
    counts: Counts | None = None
    room: Room | None = None
    if repeats:
        every, shortest = min(repeats, key=lambda item: (item[0].months * 30.4375 + item[0].days, item[1].id))
        counts, room = shortest.counts, shortest.window
    elif own is not None and own.ages:
        every = own.ages[0]
    # A day counts only once the window of every table that has one is open.
    opening = max(row.earliest for row in rows if row.earliest <= binding.target)
    if counts is Counts.GRID:
        # Where the start of a rhythm is known to the month alone, work counts only once the window is open
        # wherever in that month it lies.
        opening = min(opening + timedelta(days=MONTH_MARK_DAYS), binding.target)
    first = Span(opening, binding.target, binding.latest)
    interval = round(every.months * 30.4375) + every.days if every else 365
    cap = figures.cap_days(binding.task, max(1, interval))
    margin = figures.margin_days(cap)
    if counts is Counts.GRID and (own is None or own.counts is not Counts.GRID):
        counts = Counts.DONE
    if booked_on is not None:
        if counts is None or every is None:
            return None
        probe = Clock("", "", binding.task, 1, first, 0.0, cap, every, counts, room)
        if counts is Counts.DONE:
            first = probe.after_done(booked_on)
        else:
            step = 1
            while probe.on_grid(step).earliest <= booked_on:
                step += 1
            first = probe.on_grid(step)
    return _Spec(binding.task, first, every, counts, room, cap, margin, frozenset())


def _rule(tables: Mapping[str, IntervalTable], row: _Owed) -> Rule | None:
    table = tables.get(row.table)
    if table is None:
        return None
    try:
        return table.rule(row.rule_id)
    except KeyError:
        return None


def _period(rule: Rule) -> Period | None:
    """Return the interval that surely is not longer than the one that will count."""
    periods = [period for _, period in rule.every_by_method]
    if rule.every is not None:
        periods.append(rule.every)
    found = min(periods, key=lambda period: period.months * 31 + period.days, default=None)
    return None if found is None or found.is_zero else found


def _coupled(
    specs: Sequence[_Spec], owed: Sequence[_Owed], tables: Mapping[str, IntervalTable]
) -> Iterator[tuple[object, _Spec]]:
    """Yield each clock of a unit with what it is grouped by: alone, or with those that it covers.

    A lighter task is covered where every table that demands it of the unit says so.
    """
    present = {spec.task for spec in specs}
    demanding = {task: {row.table for row in owed if row.task is task} for task in present}
    covers: dict[Task, frozenset[Task]] = {}
    for spec in specs:
        covers[spec.task] = frozenset(
            lighter
            for lighter in present - {spec.task}
            if spec.task is Task.RETIREMENT
            or all(
                name in tables and _restarts(tables[name], spec.task, lighter) for name in demanding[lighter]
            )
        )
    linked = {task for heavy, lighter in covers.items() if lighter for task in (heavy, *lighter)}
    together = tuple(
        _Spec(s.task, s.first, s.every, s.counts, s.room, s.cap_days, s.margin_days, covers[s.task])
        for s in specs
        if s.task in linked
    )
    for spec in specs:
        if spec.task in linked:
            yield together, next(one for one in together if one.task is spec.task)
        else:
            yield spec.task, spec


def _restarts(table: IntervalTable, heavy: Task, lighter: Task) -> bool:
    """Return whether doing ``heavy``, by whatever method, starts the clock of ``lighter`` again."""
    return any(reset.done is heavy and not reset.methods for reset in table.restarted_by[lighter])


@dataclass(frozen=True, slots=True)
class Load:
    """What a trip asks for: minutes on site and in the workshop, units taken in, agent filled."""

    work_minutes: float
    workshop_minutes: float
    workshop_units: int
    agent_mass_g: int


def load_of(pairs: Iterable[tuple[int, Task]], served: Mapping[int, Served], figures: Figures) -> Load:
    """Return what the work ``pairs`` (unit and task) asks for; a unit is walked to and swapped once."""
    tasks: dict[int, set[Task]] = defaultdict(set)
    for unit_id, task in pairs:
        tasks[unit_id].add(task)
    work = figures["visit_minutes"] if tasks else 0.0
    bench, units, mass = 0.0, 0, 0
    for unit_id, todo in tasks.items():
        unit = served.get(unit_id, Served(Kind.POWDER_STORED, 0))
        here = [task for task in todo if not figures.workshop_minutes(task, unit.kind)]
        away = todo.difference(here)
        work += figures["walk_minutes"] + sum(figures.site_minutes(task, unit.kind) for task in here)
        if away:
            work += max(figures.site_minutes(task, unit.kind) for task in away)
            # What is opened is opened once: the longest work includes the others.
            bench += max(figures.workshop_minutes(task, unit.kind) for task in away)
            units += 1
            mass += unit.charge_g if away & EMPTIED else 0
    return Load(work, bench, units, mass)
