"""The figures by which work is bundled and levelled, with their defaults, bounds and words.

Every one is a default for the firm to set. None has a published source unless it says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from inventory.measures.kinds import TASK_LABELS, Task
from schedules.planning.durations import (
    KIND_LABELS,
    SITE_MINUTES,
    SITE_MINUTES_BY_KIND,
    SOURCE,
    VISIT_MINUTES,
    WALK_MINUTES,
    WORKSHOP_MINUTES,
    WORKSHOP_MINUTES_BY_KIND,
    Kind,
)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure that a manager may set."""

    name: str
    label: str
    unit: str
    default: float
    lowest: float
    highest: float
    group: str
    help: str = ""
    source: str = SOURCE


# How far before its latest day a task may be pulled into a trip that is made anyway: three to six
# months for yearly tasks, twelve for those of five years or more. Common practice, no source.
_CAPS: Mapping[Task, int] = {
    Task.VISUAL_INSPECTION: 15,
    Task.WEIGHING: 45,
    Task.MAINTENANCE: 92,
    Task.CONDUCTIVITY_TEST: 92,
    Task.INTERNAL_EXAMINATION: 365,
    Task.EXTENDED_SERVICE: 365,
    Task.HYDROSTATIC_TEST: 365,
    Task.REQUALIFICATION: 365,
}
_CAP_OTHERWISE = 183
CAP_SHARE = 1 / 3
"""A cap is never more than this share of the interval itself."""
MARGIN_SHARE = 1 / 3
"""A margin is never more than this share of the cap."""

WEIGHTS, CAPS, SITE, WORKSHOP, CAPACITY = "weights", "caps", "site", "workshop", "capacity"
GROUP_LABELS: Mapping[str, str] = {
    WEIGHTS: "What weighs against what",
    CAPS: "How far a task may be pulled forward",
    SITE: "Minutes of a technician on site",
    WORKSHOP: "Minutes in the workshop",
    CAPACITY: "What a week can hold",
}

FIGURES: tuple[Figure, ...] = (
    Figure(
        "trip_minutes",
        "A trip more",
        "minutes",
        60,
        0,
        1_000,
        WEIGHTS,
        "What driving to a site once more is worth, its sign-in included.",
    ),
    Figure(
        "life_weight",
        "Weight of interval thrown away",
        "times",
        1,
        0,
        100,
        WEIGHTS,
        "1: half an interval thrown away costs half the work again.",
    ),
    Figure(
        "out_of_month_minutes",
        "A trip outside the agreed service month",
        "minutes",
        120,
        0,
        10_000,
        WEIGHTS,
        "Nothing becomes late for it.",
    ),
    Figure(
        "margin_days",
        "Kept free before a latest day",
        "days",
        14,
        0,
        90,
        WEIGHTS,
        "So that a refused door leaves a second try.",
    ),
    Figure("months", "Months looked ahead", "months", 24, 3, 36, WEIGHTS),
    *(
        Figure(f"cap.{task}", TASK_LABELS[task], "days", _CAPS.get(task, _CAP_OTHERWISE), 0, 1_000, CAPS)
        for task in Task
    ),
    Figure("visit_minutes", "At each site", "minutes", VISIT_MINUTES, 0, 240, SITE, "Sign-in to signature."),
    Figure("walk_minutes", "From unit to unit", "minutes", WALK_MINUTES, 0, 60, SITE),
    *(
        Figure(f"site.{task}", TASK_LABELS[task], "minutes", SITE_MINUTES[task], 0, 480, SITE)
        for task in Task
    ),
    *(
        Figure(
            f"site.{task}.{kind}",
            f"{TASK_LABELS[task]}: {KIND_LABELS[kind]}",
            "minutes",
            minutes,
            0,
            480,
            SITE,
        )
        for (task, kind), minutes in SITE_MINUTES_BY_KIND.items()
    ),
    *(
        Figure(f"workshop.{task}", TASK_LABELS[task], "minutes", minutes, 0, 960, WORKSHOP)
        for task, minutes in WORKSHOP_MINUTES.items()
    ),
    *(
        Figure(
            f"workshop.{task}.{kind}",
            f"{TASK_LABELS[task]}: {KIND_LABELS[kind]}",
            "minutes",
            minutes,
            0,
            960,
            WORKSHOP,
        )
        for (task, kind), minutes in WORKSHOP_MINUTES_BY_KIND.items()
    ),
    Figure(
        "drive_minutes",
        "Driving to a visit",
        "minutes",
        25,
        0,
        480,
        CAPACITY,
        "A rough mean, for the load of weeks ahead; routes count it exactly.",
    ),
    Figure("technician_hours", "A technician's week", "hours", 35, 1, 80, CAPACITY, "Without breaks."),
    Figure("workshop_hours", "The workshop's week", "hours", 40, 1, 1_000, CAPACITY),
    Figure("agent_kg", "Agent filled in a week", "kg", 200, 1, 100_000, CAPACITY),
    Figure(
        "move_minutes",
        "Moving a trip by a week",
        "minutes",
        5,
        0,
        1_000,
        CAPACITY,
        "What an even week must gain before a trip is moved.",
    ),
)
BY_NAME: Mapping[str, Figure] = {figure.name: figure for figure in FIGURES}


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures in force; ``changed`` holds what differs from the defaults."""

    changed: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, stored: Mapping[str, float]) -> Figures:
        """Return what was stored; a name that is no longer known is passed over."""
        return cls({name: float(value) for name, value in stored.items() if name in BY_NAME})

    def __getitem__(self, name: str) -> float:
        return self.changed[name] if name in self.changed else BY_NAME[name].default

    def cap_days(self, task: Task, interval_days: int) -> int:
        """Return how many days before its latest day ``task`` may be done."""
        return min(int(self[f"cap.{task}"]), int(interval_days * CAP_SHARE))

    def margin_days(self, cap_days: int) -> int:
        """Return how many days are kept free before a latest day."""
        return min(int(self["margin_days"]), int(cap_days * MARGIN_SHARE))

    def site_minutes(self, task: Task, kind: Kind) -> float:
        """Return a technician's minutes for one unit."""
        name = f"site.{task}.{kind}"
        return self[name] if name in BY_NAME else self[f"site.{task}"]

    def workshop_minutes(self, task: Task, kind: Kind) -> float:
        """Return the workshop's minutes for one unit; none for a task that is done on site."""
        if task not in WORKSHOP_MINUTES:
            return 0.0
        name = f"workshop.{task}.{kind}"
        return self[name] if name in BY_NAME else self[f"workshop.{task}"]


DEFAULTS = Figures()


def checked(given: Mapping[str, float]) -> dict[str, float]:
    """Return what of ``given`` differs from the defaults.

    Raises ``ValueError`` naming the first figure that is unknown or outside its bounds.
    """
    found: dict[str, float] = {}
    for name, value in given.items():
        figure = BY_NAME.get(name)
        if figure is None:
            raise ValueError(f'There is no figure "{name}".')
        if not figure.lowest <= value <= figure.highest:
            raise ValueError(
                f"{figure.label}: enter {figure.lowest:g} to {figure.highest:g} {figure.unit}, not {value:g}."
            )
        if value != figure.default:
            found[name] = value
    return found
