"""From the tables to the plain values that the planning model takes: the one place where they meet.

A plan runs on the wall clock of its first depot. Opening hours are wall times of the site, so they are
moved by the difference of the two zones on that very day.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from math import ceil, inf
from zoneinfo import ZoneInfo

from django.db.models import Max

from inventory.measures.kinds import AGENT_LABELS, Agent, Task
from inventory.register.models import AccessWindow, Depot, Site
from schedules.bundles.calendar import blackouts_of, closed_for
from schedules.bundles.queries import Served, figures_in_force, load_of
from schedules.crew.models import CrewMember, SiteCall, VanStock
from schedules.crew.queries import (
    WorkingDay,
    crew_of,
    gaps_of,
    holds,
    seconds_of,
    skill_needs,
    working_days,
)
from schedules.crew.rules import Rules
from schedules.planning.durations import WORKSHOP_TASKS, kind_of
from schedules.planning.model import Pin, Problem, Rest, Shift, Stop, Travel, Window
from schedules.travel.services import matrix
from schedules.visits.models import Job, Visit

DAY_S = 86_400
OFFICE_HOURS = ((8 * 3600, 17 * 3600),)
SOON_DAYS = 14
LONG_OVERDUE_DAYS = 180
NO_LIMIT = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Held:
    """What the hand has fixed about one visit, and where the plan has it now."""

    technician_id: int | None = None
    on: date | None = None
    starts_s: int | None = None
    pin_technician_id: int | None = None
    pin_on: date | None = None
    pin_from_s: int | None = None
    pin_until_s: int | None = None


@dataclass(frozen=True, slots=True)
class Note:
    """Something that planning met and a person should know: what, and where to put it right."""

    code: str
    text: str
    visit_id: int | None = None
    member_id: int | None = None


@dataclass(slots=True)
class Built:
    """A problem and the way back from its keys to rows."""

    problem: Problem
    first_on: date
    zone: ZoneInfo
    visits: dict[str, Visit]
    days: dict[str, WorkingDay]
    notes: list[Note] = field(default_factory=list)
    travel_note: str = ""
    load_names: tuple[str, ...] = ()

    def day_of(self, shift_key: str) -> tuple[int, date]:
        """Technician and day of a shift."""
        day = self.days[shift_key]
        return day.member.technician_id, day.on


def shift_key(technician_id: int, day: int) -> str:
    """The name of one technician's day in a problem."""
    return f"{technician_id}-{day}"


def build(
    visits: Sequence[Visit],
    *,
    depots: Sequence[Depot],
    first_on: date,
    days: int,
    rules: Rules,
    now: datetime,
    held: Mapping[int, Held] | None = None,
) -> Built:
    """The problem of driving to ``visits`` (sites fetched) from ``depots`` on those days.

    ``held`` says for visits by id what is pinned and where the plan in force has them. What has begun
    by ``now`` stays where it is. The number of queries does not grow with visits or technicians.
    """
    zone = ZoneInfo(depots[0].time_zone)
    held = held or {}
    members = crew_of(depots)
    notes = [
        Note("crew", f"{member.technician.display_name} is not planned: {', '.join(gaps)}.", None, member.pk)
        for member in members
        if (gaps := gaps_of([member]).get(member.pk))
    ]
    lacking = {note.member_id for note in notes}
    worked = working_days([m for m in members if m.pk not in lacking], first_on, days)
    needs = skill_needs()
    work = _work_of([visit.pk for visit in visits], rules)
    last_on = first_on + timedelta(days=days - 1)
    blackouts = blackouts_of([visit.site for visit in visits])
    places = _Places()
    loads = _Loads(work)
    clock = _Clock(zone, first_on, days, now)
    hours = _hours([visit.site_id for visit in visits])
    calls = {call.site_id: call for call in SiteCall.objects.filter(site__in={v.site_id for v in visits})}
    faces = _last_faces({visit.site_id for visit in visits})
    asked: dict[str, tuple[int, str, str]] = {}

    stops = []
    for visit in visits:
        site, call = visit.site, calls.get(visit.site_id)
        todo = work.get(visit.pk, _Work())
        service_s = seconds_on_site(visit, todo, call, rules)
        state = held.get(visit.pk, Held())
        closed = closed_for(site, blackouts.get(site.pk, ()), first_on, last_on)
        windows, pin = clock.windows(visit, hours.get(visit.site_id, {}), closed, service_s, state)
        skills = {}
        for need in needs:
            if need.fits(todo.pairs, country=site.country, region=site.region, site_id=site.pk):
                skills[f"{need.skill_id}@{site.country}/{site.region}"] = (
                    need.skill_id,
                    site.country,
                    site.region,
                )
        asked |= skills
        if site.latitude is None or site.longitude is None:
            notes.append(Note("place", f"{site.name} has no coordinates and cannot be routed.", visit.pk))
        elif not hours.get(visit.site_id):
            notes.append(
                Note("hours", f"{site.name}: no hours known, 8 to 17 on weekdays assumed.", visit.pk)
            )
        overdue = (first_on - visit.latest_on).days if visit.latest_on else 0
        # Days that are lost already cost nothing more; each further one does.
        due_day = max(0, -overdue) if visit.latest_on else None
        preferred = (
            call.preferred_technician_id if call and call.preferred_technician_id else faces.get(site.pk)
        )
        was = None
        if state.technician_id is not None and state.on is not None:
            was = (str(state.technician_id), (state.on - first_on).days)
        elif visit.state == Visit.State.CONFIRMED and visit.technician_id is not None:
            offset = (visit.planned_on - first_on).days
            was = (str(visit.technician_id), offset) if 0 <= offset < days else None
        brings, collects = loads.of(visit.pk)
        stops.append(
            Stop(
                key=str(visit.pk),
                place=places.of(site.latitude, site.longitude),
                service_s=service_s,
                windows=windows,
                skills=frozenset(skills),
                brings=brings,
                collects=collects,
                priority=priority_of(visit, first_on, days),
                mandatory=visit.promised_at is not None,
                left_out_price=left_out_price(visit, overdue, rules),
                due_day=due_day,
                territory=_territory(site, depots),
                preferred_technician=str(preferred) if preferred else None,
                pin=pin,
                was=was,
            )
        )

    shifts, by_key = [], {}
    for day in worked:
        offset = (day.on - first_on).days
        key = shift_key(day.member.technician_id, offset)
        by_key[key] = day
        shifts.append(
            _shift(
                key,
                day,
                offset,
                places,
                skills=frozenset(
                    name
                    for name, (skill_id, country, region) in asked.items()
                    if holds(day.member, skill_id, country=country, region=region, on=day.on)
                ),
                capacity=loads.capacity(day.member),
                starts_s=clock.begins(day, held),
            )
        )
    notes += loads.notes(members)
    seconds, metres, travel_note = matrix(places.points)
    travel = Travel(seconds, metres)
    stretched = [
        _stretched(shift, stops, held, first_on, travel) if by_key[shift.key].why_short else shift
        for shift in shifts
    ]
    problem = Problem(tuple(stops), tuple(stretched), {"": travel}, rules.prices())
    return Built(
        problem,
        first_on,
        zone,
        {str(visit.pk): visit for visit in visits},
        by_key,
        notes,
        travel_note,
        loads.names,
    )


def left_out_price(visit: Visit, overdue_days: int, rules: Rules) -> int | None:
    """The price of leaving a visit out, where not that of its priority: what is late longest goes first."""
    if visit.is_urgent:
        return 5 * rules.left_out_due
    if overdue_days <= 0:
        return None
    return (
        rules.left_out_due * (LONG_OVERDUE_DAYS + min(overdue_days, LONG_OVERDUE_DAYS)) // LONG_OVERDUE_DAYS
    )


def priority_of(visit: Visit, first_on: date, days: int) -> int:
    """3 for what is late or due within the plan or called in, 2 for what is due soon after, else 1."""
    last_on = first_on + timedelta(days=days - 1)
    if visit.is_urgent or (visit.latest_on is not None and visit.latest_on <= last_on):
        return 3
    if visit.latest_on is not None and visit.latest_on <= last_on + timedelta(days=SOON_DAYS):
        return 2
    return 1


# --- work ------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Work:
    """What one visit asks for: minutes on site, units swapped for loaners, agent filled on site."""

    minutes: float = 0.0
    pairs: set[tuple[str, str]] = field(default_factory=set)
    """Task and agent of every job."""
    swaps: dict[str, int] = field(default_factory=dict)
    filled_g: dict[str, int] = field(default_factory=dict)


def _work_of(visit_ids: Sequence[int], rules: Rules) -> dict[int, _Work]:
    figures = figures_in_force()
    jobs: dict[int, list[tuple[int, Task]]] = defaultdict(list)
    served: dict[int, Served] = {}
    agents: dict[int, str] = {}
    model = "unit__model__"
    rows = Job.objects.filter(visit__in=visit_ids).values_list(
        "visit_id", "unit_id", "task", f"{model}agent", f"{model}construction", f"{model}is_wheeled",
        f"{model}charge_mass_g",
    )  # fmt: skip
    for visit_id, unit_id, task, agent, construction, is_wheeled, mass_g in rows:
        jobs[visit_id].append((unit_id, Task(task)))
        if unit_id not in served:
            served[unit_id] = Served(kind_of(agent, construction, is_wheeled=is_wheeled), mass_g or 0)
            agents[unit_id] = agent
    found: dict[int, _Work] = {}
    for visit_id, pairs in jobs.items():
        work = _Work(load_of(pairs, served, figures).work_minutes)
        swapped = set()
        for unit_id, task in pairs:
            agent = agents[unit_id]
            work.pairs.add((task.value, agent))
            if task == Task.RECHARGE and rules.recharges_on_site:
                work.filled_g[agent] = work.filled_g.get(agent, 0) + served[unit_id].charge_g
            elif task in WORKSHOP_TASKS and unit_id not in swapped:
                # It comes along, and a loaner hangs in its place; with two such tasks it goes once.
                swapped.add(unit_id)
                work.swaps[agent] = work.swaps.get(agent, 0) + 1
        found[visit_id] = work
    return found


def seconds_on_site(visit: Visit, work: _Work, call: SiteCall | None, rules: Rules) -> int:
    """How long a visit takes on site."""
    minutes = work.minutes + (visit.planned_minutes or 0)
    if visit.is_urgent:
        minutes += rules.call_minutes
    if call is not None:
        minutes += call.extra_minutes + (rules.escort_minutes if call.needs_escort else 0)
    return 60 * ceil(minutes)


def _last_faces(site_ids: set[int]) -> dict[int, int]:
    """Who closed the last visit to each site."""
    last = (
        Visit.objects.filter(site__in=site_ids, state=Visit.State.CLOSED, technician__isnull=False)
        .order_by()
        .values("site_id")
        .annotate(last=Max("pk"))
        .values_list("last", flat=True)
    )
    rows = Visit.objects.filter(pk__in=list(last)).values_list("site_id", "technician_id")
    return {site_id: technician_id for site_id, technician_id in rows if technician_id is not None}


class _Loads:
    """Load dimensions: loaners of each agent, loose agent, and places for units in the van."""

    def __init__(self, work: Mapping[int, _Work]) -> None:
        self._work = work
        loaner, loose = VanStock.Kind.LOANER.value, VanStock.Kind.AGENT.value
        self.keys = sorted(
            {(loaner, agent) for each in work.values() for agent in each.swaps}
            | {(loose, agent) for each in work.values() for agent in each.filled_g}
        )
        kinds = {loaner: "loaners", loose: "loose agent, g"}
        self.names = (
            *(f"{AGENT_LABELS[Agent(agent)]}: {kinds[kind]}" for kind, agent in self.keys),
            "Places for units",
        )

    def of(self, visit_id: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """What a visit takes out of the van and what it puts in."""
        work = self._work.get(visit_id, _Work())
        swaps = sum(work.swaps.values())
        wanted = {VanStock.Kind.LOANER.value: work.swaps, VanStock.Kind.AGENT.value: work.filled_g}
        brings = (*(wanted[kind].get(agent, 0) for kind, agent in self.keys), swaps)
        return brings, (*(0 for _ in self.keys), swaps)

    def capacity(self, member: CrewMember) -> tuple[int, ...]:
        """What the member's van holds; without a van on record, loads do not bind."""
        van = getattr(member, "van", None)
        if van is None:
            return (*(NO_LIMIT for _ in self.keys), NO_LIMIT)
        stock = {(row.kind, row.agent): row.amount for row in van.stock.all()}
        return (*(stock.get(key, 0) for key in self.keys), van.unit_places)

    def notes(self, members: Iterable[CrewMember]) -> list[Note]:
        """Whose van is not known, where loads matter."""
        if not self.keys:
            return []
        return [
            Note(
                "van", f"{m.technician.display_name} has no van on record: loads are not limited.", None, m.pk
            )
            for m in members
            if getattr(m, "van", None) is None
        ]


# --- clocks ----------------------------------------------------------------------------------------


def _hours(site_ids: Iterable[int]) -> dict[int, dict[int, list[tuple[int, int]]]]:
    found: dict[int, dict[int, list[tuple[int, int]]]] = defaultdict(lambda: defaultdict(list))
    rows = AccessWindow.objects.filter(site__in=set(site_ids)).order_by("opens_at")
    for site_id, weekday, opens, closes in rows.values_list("site_id", "weekday", "opens_at", "closes_at"):
        # Hours are kept to the minute: 23:59 stands for midnight.
        until = DAY_S if closes >= time(23, 59) else seconds_of(closes)
        found[site_id][weekday].append((seconds_of(opens), until))
    return found


def shift_of_zones(here: ZoneInfo, there: ZoneInfo, on: date) -> int:
    """Seconds to add to a wall time ``there`` to get the wall time ``here`` on that day."""
    noon = datetime.combine(on, time(12), tzinfo=there)
    other = noon.astimezone(here)
    return int((other.replace(tzinfo=None) - noon.replace(tzinfo=None)).total_seconds())


class _Clock:
    """Turns hours of sites and hands on visits into windows of the plan's own clock."""

    def __init__(self, zone: ZoneInfo, first_on: date, days: int, now: datetime) -> None:
        self.zone, self.first_on, self.days = zone, first_on, days
        local = now.astimezone(zone)
        self.today = (local.date() - first_on).days
        self.now_s = local.hour * 3600 + local.minute * 60

    def windows(
        self,
        visit: Visit,
        hours: Mapping[int, Sequence[tuple[int, int]]],
        closed: Collection[date],
        service_s: int,
        held: Held,
    ) -> tuple[tuple[Window, ...], Pin | None]:
        """Windows of a visit within the plan, and its pin."""
        there = ZoneInfo(visit.site.time_zone)
        pin_day = (held.pin_on - self.first_on).days if held.pin_on else None
        pin_start = held.pin_from_s if held.pin_until_s is None else None
        pin_who = str(held.pin_technician_id) if held.pin_technician_id else None
        if self._has_begun(visit, held):
            assert held.on is not None
            # It stays as it was driven, whatever hours or pins say now.
            day, start = (held.on - self.first_on).days, held.starts_s or 0
            kept = Pin(str(held.technician_id), day, start)
            return (Window(day, start, start + service_s),), kept
        found = []
        for day in range(max(self.today, 0), self.days):
            on = self.first_on + timedelta(days=day)
            lag = shift_of_zones(self.zone, there, on)
            open_then = hours.get(on.weekday(), ()) if hours else OFFICE_HOURS if on.weekday() < 5 else ()
            if on in closed and visit.promised_at is None and not visit.is_urgent:
                continue
            if visit.promised_at is not None:
                if on != visit.planned_on:
                    continue
                if visit.window_from is not None and visit.window_until is not None:
                    until = seconds_of(visit.window_until) + service_s
                    open_then = ((seconds_of(visit.window_from), until),)
            for opens, closes in open_then:
                opens, closes = max(0, opens + lag), min(2 * DAY_S, closes + lag)
                if held.pin_from_s is not None and held.pin_until_s is not None:
                    opens = max(opens, held.pin_from_s)
                    closes = min(closes, held.pin_until_s + service_s)
                if day == self.today:
                    opens = max(opens, self.now_s)
                if opens + service_s <= closes:
                    found.append(Window(day, opens, closes))
        pin = Pin(pin_who, pin_day, pin_start)
        return tuple(found), pin if pin != Pin() else None

    def _has_begun(self, visit: Visit, held: Held) -> bool:
        if held.on is None or held.technician_id is None or held.starts_s is None:
            return False
        if visit.state in (Visit.State.UNDER_WAY, Visit.State.CLOSED):
            return True
        day = (held.on - self.first_on).days
        return day < self.today or (day == self.today and held.starts_s <= self.now_s)

    def begins(self, day: WorkingDay, held: Mapping[int, Held]) -> int:
        """When a shift may leave: not before now, unless it has begun already."""
        if (day.on - self.first_on).days != self.today:
            return day.starts_s
        has_begun = any(
            h.technician_id == day.member.technician_id
            and h.on == day.on
            and (h.starts_s or DAY_S) <= self.now_s
            for h in held.values()
        )
        return day.starts_s if has_begun else min(max(day.starts_s, self.now_s), day.ends_s)


def _shift(
    key: str,
    day: WorkingDay,
    offset: int,
    places: _Places,
    *,
    skills: frozenset[str],
    capacity: tuple[int, ...],
    starts_s: int,
) -> Shift:
    member = day.member
    depot = member.depot
    assert depot is not None  # else it would be lacking
    at = {
        CrewMember.Base.DEPOT: places.of(depot.latitude, depot.longitude),
        CrewMember.Base.HOME: places.of(member.home_latitude, member.home_longitude),
    }
    return Shift(
        key=key,
        technician=str(member.technician_id),
        day=offset,
        start_place=at[CrewMember.Base(member.starts_from)],
        end_place=at[CrewMember.Base(member.ends_at)],
        starts_s=starts_s,
        ends_s=day.ends_s,
        rest=Rest(seconds_of(member.lunch_from), seconds_of(member.lunch_until), 60 * member.lunch_minutes)
        if member.lunch_minutes
        else None,
        capacity=capacity,
        skills=skills,
        # Whoever falls ill at ten is not to drive on until half past.
        overtime_limit_s=0 if day.why_short else 60 * member.overtime_minutes,
        territory=str(depot.pk),
    )


def _stretched(
    shift: Shift, stops: Sequence[Stop], held: Mapping[int, Held], first_on: date, travel: Travel
) -> Shift:
    """A shift that was cut short, long enough to finish what was begun in it and to drive home."""
    on = first_on + timedelta(days=shift.day)
    last_s, last = 0, None
    for stop in stops:
        state = held.get(int(stop.key), Held())
        is_here = str(state.technician_id) == shift.technician and state.on == on
        if is_here and state.starts_s is not None and state.starts_s >= last_s:
            last_s, last = state.starts_s, stop
    if last is None or last.place < 0:
        return shift
    home = int(travel.seconds[last.place, shift.end_place])
    return replace(shift, ends_s=max(shift.ends_s, last_s + last.service_s + home), rest=None)


# --- places ----------------------------------------------------------------------------------------


class _Places:
    """Numbers the points of a plan, each once; −1 stands for a point that is not known."""

    def __init__(self) -> None:
        self.points: list[tuple[float, float]] = []
        self._of: dict[tuple[float, float], int] = {}

    def of(self, latitude: object, longitude: object) -> int:
        """The number of a point."""
        if latitude is None or longitude is None:
            return -1
        point = (float(str(latitude)), float(str(longitude)))
        if point not in self._of:
            self._of[point] = len(self.points)
            self.points.append(point)
        return self._of[point]


def _territory(site: Site, depots: Sequence[Depot]) -> str:
    return str(site.depot_id or nearest_depot(site, depots).pk)


def nearest_depot(site: Site, depots: Sequence[Depot]) -> Depot:
    """The depot of ``depots`` nearest to ``site``, as the crow flies; the first where nothing is known."""
    if site.latitude is None or site.longitude is None:
        return depots[0]

    def far(depot: Depot) -> float:
        if depot.latitude is None or depot.longitude is None:
            return inf
        east = float(site.longitude - depot.longitude) if site.longitude is not None else 0.0
        north = float(site.latitude - depot.latitude) if site.latitude is not None else 0.0
        return north * north + east * east

    return min(depots, key=lambda depot: (far(depot), depot.pk))
