"""How an owner's premises stand: each unit counted once, the worst first.

A unit belongs to exactly one class. What is not in its place or not in order comes before any date
(``away``, ``exception``); a unit in service is as good as the worst of its tasks; a unit that no rule
of ours covers is ``unknown``, never in date. The owner's own monthly look is not counted: it is
theirs, and starts no visit of ours.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from django.db.models import Count, F

from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.models import Site, Unit, local_today
from schedules.due.models import Obligation
from schedules.due.queries import Status, status_on, worst
from schedules.due.stood import count_sites


class Class(StrEnum):
    """How a unit stands in an owner's eyes."""

    OVERDUE = "overdue"
    EXCEPTION = "exception"
    UNKNOWN = "unknown"
    DUE = "due"
    AWAY = "away"
    IN_DATE = "in_date"


CLASS_LABELS = {
    Class.OVERDUE: "Overdue",
    Class.EXCEPTION: "Not in order",
    Class.UNKNOWN: "Unknown",
    Class.DUE: "Due",
    Class.AWAY: "Away",
    Class.IN_DATE: "In date",
}
CLASS_TONES = {
    Class.OVERDUE: "overdue",
    Class.EXCEPTION: "overdue",
    Class.UNKNOWN: "unknown",
    Class.DUE: "soon",
    Class.AWAY: "away",
    Class.IN_DATE: "ok",
}
CLASS_NOTES = {
    Class.OVERDUE: "past the latest date",
    Class.EXCEPTION: "used, failed or not found",
    Class.UNKNOWN: "a date or rule is missing",
    Class.DUE: "to be done now or soon",
    Class.AWAY: "in the workshop",
    Class.IN_DATE: "nothing due yet",
}
_OF_STATE = {
    Unit.State.AWAITING_RECHARGE.value: Class.EXCEPTION,
    Unit.State.NOT_FOUND.value: Class.EXCEPTION,
    **{state.value: Class.AWAY for state in Unit.AWAY},
}
_DOUBTFUL = ("unknown_basis", "uncovered")
_OF_STATUS = {
    Status.OVERDUE: Class.OVERDUE,
    Status.UNKNOWN: Class.UNKNOWN,
    Status.UNCOVERED: Class.UNKNOWN,
    Status.DUE: Class.DUE,
    Status.IN_DATE: Class.IN_DATE,
    Status.NO_DATE: Class.IN_DATE,
}


@dataclass(frozen=True, slots=True)
class Counts:
    """Units per class; they add up to all units on duty."""

    of: dict[Class, int]

    @property
    def total(self) -> int:
        """All units on duty."""
        return sum(self.of.values())

    @property
    def wanting(self) -> int:
        """Units that want something done: overdue, not in order, or unknown."""
        return self.of[Class.OVERDUE] + self.of[Class.EXCEPTION] + self.of[Class.UNKNOWN]

    @property
    def worst(self) -> Class | None:
        """The gravest class that has a unit; None where there are no units."""
        return next((c for c in Class if self.of[c]), None)

    @property
    def lines(self) -> list[dict[str, object]]:
        """One line per class for figures: word, tone, note, count."""
        return [
            {
                "code": c.value,
                "word": CLASS_LABELS[c],
                "tone": CLASS_TONES[c],
                "note": CLASS_NOTES[c],
                "count": self.of[c],
            }
            for c in Class
        ]

    def __add__(self, other: Counts) -> Counts:
        return Counts({c: self.of[c] + other.of[c] for c in Class})


def no_units() -> Counts:
    """Counts of nothing, to add to."""
    return Counts(dict.fromkeys(Class, 0))


@dataclass(frozen=True, slots=True)
class Glance:
    """One site and how its units stand."""

    site: Site
    counts: Counts

    @property
    def away(self) -> int:
        """Units that are away from the site."""
        return self.counts.of[Class.AWAY]


def glances(sites: Sequence[Site], now: datetime) -> list[Glance]:
    """How ``sites`` stand, worst first; a handful of queries whatever their number."""
    ids = [site.pk for site in sites]
    counts: dict[int, dict[Class, int]] = {pk: dict.fromkeys(Class, 0) for pk in ids}
    # What hangs is the bulk and counted by date; the rest is few, and found by its state.
    elsewhere = [state for state in Unit.State if state not in Unit.HANGING and state not in Unit.GONE]
    states = Unit.objects.filter(site__in=ids, state__in=elsewhere).order_by().values_list("site_id", "state")
    for site_id, state, number in states.annotate(n=Count("pk")):
        counts[site_id][_OF_STATE[state]] += number
    for site_id, stood in count_sites(sites, now).items():
        found = counts[site_id]
        found[Class.OVERDUE] = stood.overdue
        found[Class.UNKNOWN] = stood.unknown
        found[Class.DUE] = stood.due
        found[Class.IN_DATE] = stood.in_date
    lines = [Glance(site, Counts(counts[site.pk])) for site in sites]
    return sorted(lines, key=_gravity)


def _gravity(line: Glance) -> tuple[object, ...]:
    of = line.counts.of
    return (
        -of[Class.OVERDUE],
        -of[Class.EXCEPTION],
        -of[Class.UNKNOWN],
        -of[Class.DUE],
        line.site.name,
        line.site.pk,
    )


# --- the units of one site -------------------------------------------------------------------------


# As one walks the site; what hangs nowhere comes last, on every database.
WALKING_ORDER = (
    F("location__walking_order").asc(nulls_last=True),
    F("location__number").asc(nulls_last=True),
    "number",
    "pk",
)


@dataclass(frozen=True, slots=True)
class Standing:
    """How one unit stands, and its next task."""

    unit_class: Class
    next_task: str = ""
    next_on: date | None = None

    @property
    def tone(self) -> str:
        """The tone of the chip."""
        return CLASS_TONES[self.unit_class]

    @property
    def word(self) -> str:
        """The word on the chip."""
        return CLASS_LABELS[self.unit_class]

    @property
    def on(self) -> date | None:
        """The day on the chip: the latest date of the next task, while the unit is in its place."""
        return self.next_on if self.unit_class in (Class.OVERDUE, Class.DUE, Class.IN_DATE) else None


def unit_standings(units: Collection[tuple[int, str]], site: Site, now: datetime) -> dict[int, Standing]:
    """How the units (id, state) of ``site`` stand; one query."""
    today = local_today(site, now)
    statuses: dict[int, list[Status]] = defaultdict(list)
    first: dict[int, tuple[date, str]] = {}
    doubtful: dict[int, str] = {}
    rows = (
        Obligation.objects.ours()
        .filter(site=site, is_binding=True)
        .order_by("latest_on", "pk")
        .values_list("unit_id", "task", "knowledge", "latest_on", "target_on", "is_deferred")
    )
    for unit_id, task, knowledge, latest_on, target_on, is_deferred in rows:
        statuses[unit_id].append(
            status_on(
                knowledge=knowledge,
                is_deferred=is_deferred,
                latest_on=latest_on,
                target_on=target_on,
                today=today,
            )
        )
        if knowledge in _DOUBTFUL:
            # The day stored with an unknown date is only a stand-in for "now".
            doubtful.setdefault(unit_id, task)
        elif latest_on is not None:
            first.setdefault(unit_id, (latest_on, task))
    found: dict[int, Standing] = {}
    for unit_id, state in units:
        status = worst(statuses[unit_id])
        by_date = _OF_STATUS[status] if status is not None else Class.UNKNOWN
        unit_class = _OF_STATE.get(state, by_date)
        latest, task = first.get(unit_id, (None, ""))
        if unit_class == Class.UNKNOWN:
            latest, task = None, doubtful.get(unit_id, "")
        found[unit_id] = Standing(unit_class, TASK_LABELS[Task(task)] if task else "", latest)
    return found


def counts_of(found: Iterable[Standing]) -> Counts:
    """How many units stand how."""
    counts = dict.fromkeys(Class, 0)
    for standing in found:
        counts[standing.unit_class] += 1
    return Counts(counts)
