"""Prices and times by which plans are made, with their defaults, bounds and words.

Every figure is a default for the firm to set: common practice, no source. Prices count in minutes of
driving unless a manager chooses money; only their ratios matter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from schedules.planning.model import Prices


@dataclass(frozen=True, slots=True)
class Rules:
    """What a manager may set. Durations in minutes, prices in one unit of the firm's choice."""

    drive_minute: int = 1
    drive_km: int = 0
    overtime_minute: int = 3
    late_day: int = 30
    left_out_may_wait: int = 120
    left_out_soon: int = 300
    left_out_due: int = 1200
    other_territory: int = 15
    other_technician: int = 10
    moved: int = 20
    escort_minutes: int = 10
    call_minutes: int = 30
    reach_days: int = 7
    window_minutes: int = 60
    recharges_on_site: bool = False

    def prices(self) -> Prices:
        """The prices as the planning model takes them."""
        return Prices(
            drive_minute=self.drive_minute,
            drive_km=self.drive_km,
            overtime_minute=self.overtime_minute,
            late_day=self.late_day,
            left_out={1: self.left_out_may_wait, 2: self.left_out_soon, 3: self.left_out_due},
            other_territory=self.other_territory,
            other_technician=self.other_technician,
            moved=self.moved,
        )

    def differences(self) -> dict[str, Any]:
        """What differs from the defaults, by name; a plain value for storing."""
        return {name: value for name, value in asdict(self).items() if value != getattr(DEFAULTS, name)}

    @staticmethod
    def of(stored: Mapping[str, Any]) -> Rules:
        """The rules that ``differences`` stored; a name that is no longer known is passed over."""
        known = {item.name for item in fields(Rules)}
        return Rules(**{name: value for name, value in stored.items() if name in known})


DEFAULTS = Rules()


@dataclass(frozen=True, slots=True)
class Field:
    """How one figure is asked for."""

    name: str
    label: str
    help: str
    lowest: int
    highest: int


PRICE_FIELDS = (
    Field("drive_minute", "A minute of driving", "The yardstick of all other prices.", 0, 10_000),
    Field("drive_km", "A kilometre of driving", "On top of the minutes; 0 where time is all.", 0, 10_000),
    Field("overtime_minute", "A minute of overtime", "After the end of the shift.", 0, 10_000),
    Field("late_day", "A day of lateness", "For each day after the latest date of the work.", 0, 100_000),
    Field("left_out_due", "Leaving out what is due", "Overdue, or due within the plan.", 0, 1_000_000),
    Field("left_out_soon", "Leaving out what is due soon", "Due within a fortnight after.", 0, 1_000_000),
    Field("left_out_may_wait", "Leaving out what may wait", "Everything later.", 0, 1_000_000),
    Field("other_territory", "Leaving one's territory", "A technician of another depot comes.", 0, 100_000),
    Field("other_technician", "Another face", "Not the technician of last time.", 0, 100_000),
    Field("moved", "Moving a visit", "Against another technician or day than it has now.", 0, 100_000),
)
TIME_FIELDS = (
    Field("escort_minutes", "Minutes more with an escort", "Waiting for whoever walks along.", 0, 240),
    Field("call_minutes", "Minutes more for an urgent call", "On top of work that is due there.", 0, 480),
    Field("window_minutes", "Minutes either side", "Of the planned start, in the window told.", 0, 480),
    Field("reach_days", "Days beyond the plan", "Visits due or planned then may be done early.", 0, 60),
)
