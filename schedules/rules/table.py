"""What an interval table is made of: rules, resets, conventions, quotas.

These are plain values. ``loader`` reads them from files and refuses what does not fit together;
``schedules.engine`` works out dates from them. Nothing here knows today's date.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from fractions import Fraction
from functools import cached_property
from types import MappingProxyType
from typing import Any

from inventory.measures.kinds import Agent, Construction, Environment, Shell, Task
from schedules.rules.period import Period

STATEMENT = "Defaults to confirm against local code."


class SourceStatus(StrEnum):
    """How the source of a rule was read."""

    PRIMARY = "PRIMARY"
    SECONDARY = "SECONDARY"
    MEMORY = "MEMORY"


STATUS_WORDS: Mapping[SourceStatus, str] = MappingProxyType(
    {
        SourceStatus.PRIMARY: "read in the text of the document itself",
        SourceStatus.SECONDARY: "as a secondary page states it, not checked against the document",
        SourceStatus.MEMORY: "from memory, no text found: not verified",
    }
)


class Effect(StrEnum):
    """What a rule does."""

    REPEAT = "repeat"
    """The task comes again and again."""
    AGES = "ages"
    """The task comes once at each listed age."""
    FIXED = "fixed"
    """The task is due on one calendar day."""
    NEXT_OF = "next_of"
    """The task is due when the first of other tasks is."""
    EVENT = "event"
    """The task is due when something happens."""
    EXEMPT = "exempt"
    """The table says that the task is not demanded of this kind."""
    BAR = "bar"
    """The task must not be done on this unit."""


class MonthMark(StrEnum):
    """How a month-only mark is read."""

    LAST_DAY = "last_day"
    """Due at any time in the due month; late after its last day."""
    FIRST_DAY = "first_day"
    """Counted from the first of the month, so that the date is never later than the truth."""


class Counts(StrEnum):
    """What the next date of a repeating task is counted from."""

    DONE = "done"
    """From the day the task was done."""
    GRID = "grid"
    """On a fixed rhythm from the start; early or late work does not move it."""


class AnchorKind(StrEnum):
    """Facts of a unit that a first interval can start at."""

    MADE = "made"
    FIRST_TEST = "first_test"
    COMMISSIONED = "commissioned"
    SOLD = "sold"


ANCHOR_WORDS: Mapping[AnchorKind, str] = MappingProxyType(
    {
        AnchorKind.MADE: "manufacture",
        AnchorKind.FIRST_TEST: "first test mark",
        AnchorKind.COMMISSIONED: "placing in service",
        AnchorKind.SOLD: "sale tag",
    }
)

YES, NO, UNKNOWN = "yes", "no", "unknown"


@dataclass(frozen=True, slots=True)
class Range:
    """Whole numbers above ``over`` and not above ``up_to``; ``or_unknown`` also takes an unknown one."""

    over: int | None = None
    up_to: int | None = None
    or_unknown: bool = False

    def holds(self, value: int | None) -> bool:
        """Return whether ``value`` lies in the range."""
        if value is None:
            return self.or_unknown
        return (self.over is None or value > self.over) and (self.up_to is None or value <= self.up_to)

    def meets(self, other: Range) -> bool:
        """Return whether some value lies in both ranges."""
        if self.or_unknown and other.or_unknown:
            return True
        low = max((r.over for r in (self, other) if r.over is not None), default=None)
        high = min((r.up_to for r in (self, other) if r.up_to is not None), default=None)
        return low is None or high is None or low < high


@dataclass(frozen=True, slots=True)
class DayRange:
    """Days from ``start`` on and before ``before``; ``or_unknown`` also takes an unknown one."""

    start: date | None = None
    before: date | None = None
    or_unknown: bool = False

    def holds(self, day: date | None) -> bool:
        """Return whether ``day`` lies in the range."""
        if day is None:
            return self.or_unknown
        return (self.start is None or day >= self.start) and (self.before is None or day < self.before)

    def meets(self, other: DayRange) -> bool:
        """Return whether some day lies in both ranges."""
        if self.or_unknown and other.or_unknown:
            return True
        start = max((r.start for r in (self, other) if r.start is not None), default=None)
        before = min((r.before for r in (self, other) if r.before is not None), default=None)
        return start is None or before is None or start < before


NOTHING = Period(0, 0)
ANY = Range(or_unknown=True)
ANY_DAY = DayRange(or_unknown=True)


@dataclass(frozen=True, slots=True)
class Selector:
    """Which units a rule is for: every condition must hold, ``None`` means any.

    An unknown kind, capacity or date meets a condition only where the table names ``unknown``
    itself; so what is not known is never taken for something harmless.
    """

    agents: frozenset[Agent] | None = None
    constructions: frozenset[Construction] | None = None
    shells: frozenset[Shell] | None = None
    specs: frozenset[str] | None = None
    environments: frozenset[Environment] | None = None
    wheeled: frozenset[str] | None = None
    refillable: frozenset[str] | None = None
    shutoff_hose: frozenset[str] | None = None
    water_capacity_ml: Range = ANY
    charge_mass_g: Range = ANY
    charge_volume_ml: Range = ANY
    made: DayRange = ANY_DAY

    def meets(self, other: Selector) -> bool:
        """Return whether some unit satisfies both selectors."""
        pairs: tuple[tuple[frozenset[str] | None, frozenset[str] | None], ...] = (
            (self.agents, other.agents),
            (self.constructions, other.constructions),
            (self.shells, other.shells),
            (self.specs, other.specs),
            (self.environments, other.environments),
            (self.wheeled, other.wheeled),
            (self.refillable, other.refillable),
            (self.shutoff_hose, other.shutoff_hose),
        )
        return (
            all(a is None or b is None or not a.isdisjoint(b) for a, b in pairs)
            and self.water_capacity_ml.meets(other.water_capacity_ml)
            and self.charge_mass_g.meets(other.charge_mass_g)
            and self.charge_volume_ml.meets(other.charge_volume_ml)
            and self.made.meets(other.made)
        )


@dataclass(frozen=True, slots=True)
class Anchor:
    """A fact that a first interval starts at.

    ``within`` refuses it when it lies more than that long after manufacture: a sale tag hung on
    an old unit does not make it new.
    """

    kind: AnchorKind
    within: Period | None = None


class Within(StrEnum):
    """Calendar frames that a date can be widened to."""

    CALENDAR_MONTH = "calendar_month"
    CALENDAR_YEAR = "calendar_year"


@dataclass(frozen=True, slots=True)
class Window:
    """How far before and after the target the work still counts."""

    before: Period = NOTHING
    after: Period = NOTHING
    within: Within | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of an interval table: what it demands, of which units, and where that is written."""

    id: str
    task: Task
    effect: Effect
    clause: str
    source: str
    source_status: SourceStatus
    source_note: str = ""
    called: str = ""
    notes: tuple[str, ...] = ()
    assumed: str = ""
    select: Selector = Selector()
    priority: int = 0
    also: bool = False
    first: Period | None = None
    every: Period | None = None
    every_by_method: tuple[tuple[str, Period], ...] = ()
    anchors: tuple[Anchor, ...] = ()
    counts: Counts = Counts.DONE
    window: Window | None = None
    align_to: Task | None = None
    only_if_interval: tuple[Task, Period] | None = None
    interval_of: Task | None = None
    only_after: tuple[Task, ...] = ()
    at_most: int | None = None
    at_filling: bool = False
    ages: tuple[Period, ...] = ()
    early: Period = NOTHING
    on: date | None = None
    next_of: tuple[Task, ...] = ()
    events: tuple[str, ...] = ()
    within: Period = NOTHING
    covered_before: Period = NOTHING
    retires: bool = False
    grace_until: date | None = None
    valid_from: date | None = None
    valid_until: date | None = None
    varied: tuple[str, ...] = ()

    @property
    def is_calendar(self) -> bool:
        """Return whether the rule settles when the task comes, or that it does not."""
        return self.effect not in (Effect.EVENT, Effect.BAR)

    def every_after(self, method: str) -> Period | None:
        """Return the interval that follows a completion by ``method``."""
        for code, period in self.every_by_method:
            if code == (method or UNKNOWN):
                return period
        return self.every

    @property
    def interval_words(self) -> str:
        """Return the demand as a reader says it: ``every 5 years``, ``once at 5 and 15 years``."""
        if self.effect is Effect.EXEMPT:
            return "not demanded"
        if self.effect is Effect.BAR:
            return "not allowed"
        if self.effect is Effect.FIXED:
            return f"by {self.on}"
        if self.effect is Effect.NEXT_OF:
            return "with the next " + " or ".join(_task_words(task) for task in self.next_of)
        if self.effect is Effect.EVENT:
            return "on event" if self.within.is_zero else f"within {self.within} of the event"
        if self.effect is Effect.AGES:
            return "once at " + _join([age.words for age in self.ages])
        if self.every is None:
            return (
                f"as for {_task_words(self.interval_of)}" if self.interval_of else f"once after {self.first}"
            )
        words = (
            f"every {self.every}"
            if self.first in (None, self.every)
            else f"first after {self.first}, then every {self.every}"
        )
        other = [
            f"{period} after {_method_words(code)}"
            for code, period in self.every_by_method
            if period != self.every
        ]
        return f"{words} ({', '.join(other)})" if other else words


@dataclass(frozen=True, slots=True)
class Reset:
    """A completed task and the clocks it starts again. Every task restarts its own clock.

    With ``methods`` only a completion by one of them counts.
    """

    done: Task
    restarts: tuple[Task, ...]
    methods: frozenset[str] = frozenset()
    clause: str = ""


@dataclass(frozen=True, slots=True)
class Quota:
    """A demand on a group of units: so many of them per period.

    ``group_by`` names what makes a group: ``site``, ``type`` (agent and construction) and
    ``made_year``. The number is ``share`` of the group rounded up, at least ``at_least``.
    """

    id: str
    task: Task
    clause: str
    source: str
    source_status: SourceStatus
    group_by: tuple[str, ...]
    per: Period
    share: Fraction = Fraction(0)
    at_least: int = 0
    failure_takes_all: bool = False
    called: str = ""
    source_note: str = ""
    notes: tuple[str, ...] = ()
    select: Selector = Selector()


@dataclass(frozen=True, slots=True)
class Conventions:
    """Readings that the document leaves open or fixes for all its rules."""

    month_mark: MonthMark = MonthMark.FIRST_DAY
    notes: tuple[str, ...] = ()
    varied: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, repr=False)
class IntervalTable:
    """The rules of one edition of one document for one place.

    ``covers`` lists the tasks that every unit must find a rule for; where none applies the engine
    reports a finding. ``failure_ends_life`` lists tasks after whose failure a unit is condemned.
    ``digest`` is the SHA-256 of the content, so a stored date can be traced to the very table.
    ``raw`` is the content as it was read; only ``vary`` looks at it.
    """

    key: str
    version: str
    title: str
    jurisdiction: str
    document: str
    edition: str
    regime: str
    valid_from: date
    valid_until: date | None
    rules: tuple[Rule, ...]
    conventions: Conventions = Conventions()
    resets: tuple[Reset, ...] = ()
    covers: tuple[Task, ...] = ()
    failure_ends_life: tuple[Task, ...] = ()
    quotas: tuple[Quota, ...] = ()
    notes: tuple[str, ...] = ()
    statement: str = STATEMENT
    digest: str = ""
    raw: Mapping[str, Any] = field(default_factory=dict, repr=False)

    def __repr__(self) -> str:
        return f"<IntervalTable {self.key} {self.version}>"

    @property
    def is_varied(self) -> bool:
        """Return whether a site's own variation went into this table."""
        return any(rule.varied for rule in self.rules) or bool(self.conventions.varied)

    @property
    def label(self) -> str:
        """Return the table as a document names it: ``29 CFR 1910.157, edition …``."""
        return f"{self.document}, {self.edition}" if self.edition else self.document

    def in_force(self, on: date) -> bool:
        """Return whether the edition is valid on the day ``on``."""
        return self.valid_from <= on and (self.valid_until is None or on <= self.valid_until)

    def rule(self, rule_id: str) -> Rule:
        """Return the rule of that id; raise ``KeyError`` if the table has none."""
        return self._by_id[rule_id]

    @cached_property
    def _by_id(self) -> Mapping[str, Rule]:
        return MappingProxyType({rule.id: rule for rule in self.rules})

    @cached_property
    def by_task(self) -> Mapping[Task, tuple[Rule, ...]]:
        """The rules of each task, in the order of the file."""
        found: dict[Task, list[Rule]] = defaultdict(list)
        for rule in self.rules:
            found[rule.task].append(rule)
        return MappingProxyType({task: tuple(rules) for task, rules in found.items()})

    @cached_property
    def restarted_by(self) -> Mapping[Task, tuple[Reset, ...]]:
        """For each task the completions that start its clock again, its own among them."""
        found: dict[Task, list[Reset]] = {task: [Reset(task, (task,))] for task in Task}
        for reset in self.resets:
            for task in reset.restarts:
                if task is not reset.done:
                    found[task].append(reset)
        return MappingProxyType({task: tuple(resets) for task, resets in found.items()})


def _join(words: list[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def _task_words(task: Task | None) -> str:
    return task.value.replace("_", " ") if task else ""


def _method_words(method: str) -> str:
    return f"a test by {'an unknown method' if method == UNKNOWN else method.replace('_', ' ')}"
