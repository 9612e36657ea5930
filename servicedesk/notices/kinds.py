"""The kinds of notice: who gets them, and whether one may do without."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from django.db import models


class NoticeKind(models.TextChoices):
    """What a notice tells."""

    VISIT_AHEAD = "visit_ahead", "Before a visit"
    FALLS_DUE = "falls_due", "What falls due, once a month"
    OVERDUE = "overdue", "Overdue units, once a week"
    CRITICAL = "critical", "A critical defect, at once"
    DAY_LIST = "day_list", "The day's exceptions, each morning"
    CLOCK = "clock", "A legal deadline that is close"
    NEXT_DAY = "next_day", "The next day's visits, in the evening"


@dataclass(frozen=True, slots=True)
class About:
    """For whom a kind is, and what the page of choices says of it."""

    roles: tuple[str, ...]
    note: str
    # Safety and law: these cannot be switched off by the person.
    is_fixed: bool = False


ABOUT: Mapping[str, About] = {
    NoticeKind.VISIT_AHEAD: About(
        ("owner",), "When a plan sets the day, or a week before we come; again only when the day changes."
    ),
    NoticeKind.FALLS_DUE: About(("owner",), "On the first working day of the month, site by site."),
    NoticeKind.OVERDUE: About(("owner",), "On Mondays, while any unit is past its latest date."),
    NoticeKind.CRITICAL: About(
        ("owner",), "As soon as a technician reports it. Cannot be switched off.", is_fixed=True
    ),
    NoticeKind.DAY_LIST: About(
        ("manager", "dispatcher"), "Each morning on which there is something to tell."
    ),
    NoticeKind.CLOCK: About(
        ("manager", "dispatcher"),
        "When something must reach an owner or an authority by a set time. Cannot be switched off.",
        is_fixed=True,
    ),
    NoticeKind.NEXT_DAY: About(("technician",), "The evening before, with times and addresses."),
}


def kinds_for(role: str) -> list[NoticeKind]:
    """The kinds that a person of ``role`` can get, in order."""
    return [kind for kind in NoticeKind if role in ABOUT[kind].roles]
