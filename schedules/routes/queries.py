"""Reading plans: lists, the board with its lanes, what differs between two plans."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from inventory.access import Scope
from schedules.routes.models import PlanChange, PlanDay, PlanRun, PlanStop, RoutePlan
from schedules.routes.problem import shift_of_zones
from schedules.visits.models import Visit
from schedules.visits.queries import loads


def plans_for(scope: Scope) -> QuerySet[RoutePlan]:
    """Plans that ``scope`` may see, the newest days first."""
    return (
        RoutePlan.objects.visible_to(scope)
        .select_related("depot", "made_by", "taken_by")
        .order_by("-first_on", "-pk")
    )


def stops_of(plan: RoutePlan) -> list[PlanStop]:
    """All stops of ``plan`` in driving order, with visit, site, owner and technician: one query."""
    return list(
        plan.stops.select_related(
            "visit__site__owner", "visit__technician", "technician", "pin_technician"
        ).order_by("technician_id", "on", "position", "pk")
    )


@dataclass(slots=True)
class Piece:
    """A stretch of a day on the clock: driving, work, waiting, lunch or overtime; wall seconds."""

    kind: str
    from_s: int
    to_s: int


@dataclass(slots=True)
class ShownStop:
    """One stop of a lane as a page shows it."""

    stop: PlanStop
    units: int
    site_lag_s: int = 0
    """Seconds to take off the plan's clock for the wall time at the site; 0 in the same zone."""
    first_on: date | None = None
    work: Sequence[str] = ()
    """What is to be done, in words; filled in where a page shows it."""

    @property
    def visit(self) -> Visit:
        """Its visit."""
        return self.stop.visit

    @property
    def is_pinned(self) -> bool:
        """Whether the hand has fixed anything about it."""
        held = self.stop
        return any(v is not None for v in (held.pin_technician_id, held.pin_on, held.pin_from_s))

    @property
    def is_late(self) -> bool:
        """Whether the plan makes it late: after the latest date of its work, which it could have met."""
        on, latest, first = self.stop.on, self.visit.latest_on, self.first_on
        return on is not None and latest is not None and on > latest and (first is None or latest >= first)

    @property
    def is_elsewhere(self) -> bool:
        """Whether the visit itself still names another technician or day than the plan."""
        return (
            self.visit.technician_id != self.stop.technician_id or self.visit.planned_on != self.stop.on
        ) and self.visit.state != Visit.State.PROPOSED


@dataclass(slots=True)
class Lane:
    """One technician's day."""

    day: PlanDay
    stops: list[ShownStop] = field(default_factory=list)

    @property
    def pieces(self) -> list[Piece]:
        """The day on the clock, in order."""
        found: list[Piece] = []
        day = self.day
        at = day.leaves_s
        if at is None:
            return found
        for shown in self.stops:
            stop = shown.stop
            if stop.starts_s is None or stop.ends_s is None or stop.arrives_s is None:
                return []
            found.append(Piece("drive", at, stop.arrives_s))
            if stop.starts_s > stop.arrives_s:
                found.append(Piece("wait", stop.arrives_s, stop.starts_s))
            found.append(Piece("work", stop.starts_s, stop.ends_s))
            at = stop.ends_s
        if day.returns_s is not None:
            found.append(Piece("drive", at, day.returns_s))
        if day.lunch_s is not None and day.lunch_length_s:
            found.append(Piece("lunch", day.lunch_s, day.lunch_s + day.lunch_length_s))
        if day.returns_s is not None and day.returns_s > day.shift_end_s:
            found.append(Piece("over", day.shift_end_s, day.returns_s))
        return found

    @property
    def is_unsound(self) -> bool:
        """Whether the order cannot be driven as it stands."""
        return bool(self.stops) and self.day.leaves_s is None

    @property
    def share(self) -> int:
        """Work, driving and waiting as a share of the shift, per cent."""
        length = self.day.shift_end_s - self.day.shift_start_s - self.day.lunch_length_s
        busy = self.day.drive_s + self.day.work_s + self.day.wait_s
        return round(100 * busy / length) if length > 0 else 0


@dataclass(slots=True)
class Board:
    """A plan as lanes: a row for each technician, a column for each day."""

    plan: RoutePlan
    zone: ZoneInfo
    days: list[date]
    rows: list[tuple[object, list[Lane | None]]]
    left_out: list[ShownStop]
    first_s: int
    last_s: int

    @property
    def hours(self) -> list[int]:
        """Full hours of the clock that the lanes show."""
        return list(range(self.first_s // 3600, self.last_s // 3600 + 1))


def board_of(plan: RoutePlan, *, day: date | None = None) -> Board:
    """The board of ``plan``, or of one of its days; four queries whatever its size."""
    zone = ZoneInfo(plan.depot.time_zone if plan.depot is not None else "UTC")
    stops = stops_of(plan)
    held = loads(stop.visit_id for stop in stops)
    lanes: dict[tuple[int, date], Lane] = {}
    people: dict[int, object] = {}
    for row in plan.routes.select_related("technician").order_by("on"):
        if day is not None and row.on != day:
            continue
        lanes[(row.technician_id, row.on)] = Lane(row)
        people[row.technician_id] = row.technician
    left_out = []
    for stop in stops:
        load = held.get(stop.visit_id)
        there = ZoneInfo(stop.visit.site.time_zone)
        lag = shift_of_zones(zone, there, stop.on) if stop.on is not None else 0
        shown = ShownStop(stop, load.units if load else 0, lag, plan.first_on)
        if stop.technician_id is None or stop.on is None:
            left_out.append(shown)
        elif (lane := lanes.get((stop.technician_id, stop.on))) is not None:
            lane.stops.append(shown)
        elif day is None:
            # The day is no longer worked: it must not vanish from sight.
            left_out.append(shown)
    days = sorted({on for _, on in lanes}) or [plan.first_on]
    order = sorted(people, key=lambda pk: str(people[pk].display_name))  # type: ignore[attr-defined]
    rows = [(people[pk], [lanes.get((pk, on)) for on in days]) for pk in order]
    starts = [lane.day.shift_start_s for lane in lanes.values()]
    starts += [lane.day.leaves_s for lane in lanes.values() if lane.day.leaves_s is not None]
    ends = [lane.day.shift_end_s for lane in lanes.values()]
    ends += [lane.day.returns_s for lane in lanes.values() if lane.day.returns_s is not None]
    first_s = min(starts, default=8 * 3600) // 3600 * 3600
    last_s = -(-max(ends, default=17 * 3600) // 3600) * 3600
    left_out.sort(key=lambda s: (s.stop.is_excluded, s.visit.latest_on or date.max, s.visit.pk))
    return Board(plan, zone, days, rows, left_out, first_s, last_s)


def plan_days(plan: RoutePlan) -> list[date]:
    """Every day of ``plan``."""
    return [plan.first_on + timedelta(days=offset) for offset in range(plan.days)]


# --- comparing ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Difference:
    """A visit that two plans put in different places; None stands for left out."""

    visit: Visit
    here: tuple[int, date] | None
    there: tuple[int, date] | None


def differences(
    visits: Mapping[int, Visit],
    here: Mapping[int, tuple[int, date] | None],
    there: Mapping[int, tuple[int, date] | None],
) -> list[Difference]:
    """Visits of both plans, or of one, that stand elsewhere; by visit number."""
    found = [
        Difference(visits[pk], here.get(pk), there.get(pk))
        for pk in {*here, *there}
        if here.get(pk) != there.get(pk) and pk in visits
    ]
    return sorted(found, key=lambda item: item.visit.number)


def places_of(stops: Iterable[PlanStop]) -> dict[int, tuple[int, date] | None]:
    """Technician and day of each visit by id."""
    return {
        stop.visit_id: (stop.technician_id, stop.on)
        if stop.technician_id is not None and stop.on is not None
        else None
        for stop in stops
    }


def history_of(plan: RoutePlan, limit: int = 30) -> list[PlanChange]:
    """The last changes of ``plan``, newest first."""
    return list(PlanChange.objects.filter(plan=plan).select_related("made_by").order_by("-pk")[:limit])


def last_run(plan: RoutePlan) -> PlanRun | None:
    """The newest search for a better plan."""
    return plan.runs.order_by("-pk").first()
