"""The route engine behind one door: plan, plan again after a change, and say why something does not fit."""

from schedules.planning.engine.replan import (
    Add,
    Change,
    Cut,
    Exclude,
    Moved,
    Place,
    Release,
    Replanned,
    Spot,
    replan,
)
from schedules.planning.engine.solve import Better, Outcome, Unsound, solve
from schedules.planning.engine.whynot import Relaxation, why_not

__all__ = [
    "Add",
    "Better",
    "Change",
    "Cut",
    "Exclude",
    "Moved",
    "Outcome",
    "Place",
    "Relaxation",
    "Release",
    "Replanned",
    "Spot",
    "Unsound",
    "replan",
    "solve",
    "why_not",
]
