"""Why a visit does not fit, and the nearest things that would let it in, with names instead of keys."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from schedules.crew.models import Skill
from schedules.planning.engine import Relaxation, why_not
from schedules.routes.store import Opened


@dataclass(frozen=True, slots=True)
class WayIn:
    """The nearest thing that would let a visit in, and what it costs."""

    kind: str
    text: str
    technician_id: int | None = None
    on: date | None = None


def ways(found: Opened, visit_id: int) -> tuple[WayIn, ...]:
    """What would let a visit of ``found`` in, the nearest first."""
    return tuple(
        WayIn(item.kind, _said(found, item), int(item.technician), _on(found, item))
        for item in why_not(found.built.problem, found.plan, str(visit_id))
    )


def _on(found: Opened, way: Relaxation) -> date:
    return found.row.first_on + timedelta(days=way.day)


def _said(found: Opened, way: Relaxation) -> str:
    day = found.built.days[way.shift]
    on = _on(found, way)
    where = f"with {day.member.technician.display_name} on {on:%a} {on.day} {on:%b}"
    minutes = -(-way.extra_s // 60)
    if way.kind == "room":
        return f"There is room {where}."
    if way.kind == "overtime":
        return f"It would fit {where}, working {minutes} min longer."
    if way.kind == "opening hours":
        return f"It would fit {where} if the site were open {minutes} min longer or earlier."
    if way.kind == "other technician":
        return f"There is room {where}, to whom it is not meant to go."
    if way.kind == "other day":
        return f"There is room {where}, a day on which the site is closed or not meant to be visited."
    if way.kind == "skill":
        ids = [part.partition("@")[0] for part in way.detail.split(", ")]
        names = Skill.objects.filter(pk__in=[int(pk) for pk in ids if pk.isdigit()])
        lacking = ", ".join(skill.name for skill in names)
        return f"There is room {where}, who lacks a skill that counts there: {lacking or 'not named'}."
    if way.detail.isdigit() and int(way.detail) in found.stops:
        visit = found.visit(int(way.detail))
        return f"It would fit {where} in place of {visit.number} {visit.site.name}."
    return way.text
