"""What the takeover report says: a draft while a survey is under way, frozen when it is finished."""

from __future__ import annotations

import calendar
import hashlib
import json
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from inventory.measures.checks import defect_kinds, defect_text
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.models import Unit, local_today
from schedules.due.models import Obligation
from schedules.due.queries import Status as DueStatus
from schedules.due.queries import status_on
from schedules.planning.durations import WORKSHOP_TASKS
from schedules.rulebook.books import tables_here
from schedules.surveys.findings import STATUS_LABELS, Seen, Walk
from schedules.surveys.models import Survey, SurveyDecision

HEAVY_YEARS = 3
"""Heavy tasks are foretold for so many years: budget view of 12 to 36 months (common practice, no source)."""

_CHOICES = dict(SurveyDecision.Choice.choices)


def report_content(
    survey: Survey,
    walk: Walk,
    *,
    now: datetime,
    numbers: Mapping[UUID, str] | None = None,
    changes: Sequence[str] = (),
) -> dict[str, Any]:
    """Everything that the takeover report of ``survey`` prints, as plain JSON values.

    ``numbers`` are those that finishing gave the units; ``changes`` what it wrote, line by line. Due
    dates are those that stand in the database: for a draft, those of the register so far.
    """
    visit = survey.visit
    today = local_today(visit.site, now)
    numbers = numbers or {}
    due = _due(survey, today)
    return {
        "format": 1,
        "survey": {
            "number": visit.number,
            "done_on": _iso(visit.done_on),
            "people": sorted({act.by for unit in walk.units for act in unit.acts}),
            "contact_name": visit.contact_name,
            "no_signature_reason": visit.no_signature_reason,
            "signature": visit.signature,
            "signed_on": _iso(visit.done_on) if visit.signature else None,
            "as_of": today.isoformat(),
        },
        "counts": walk.counts,
        "stated": survey.counts_stated,
        "units": [_unit(walk, unit, numbers) for unit in walk.units],
        "differences": [
            {
                "title": one.title,
                "subject": one.subject,
                "register": one.register,
                "found": one.found,
                "by": one.by,
                "choice": _CHOICES.get(one.choice, "Not settled"),
                "reason": one.reason,
                "decided_by": one.decided_by,
            }
            for one in walk.differences
        ],
        "coverage": [_remark(walk, remark.place_ref, remark.content) for remark in walk.remarks],
        "defects": [
            _remark(walk, unit.place_ref, given) | {"unit": _name(unit, numbers)}
            for unit in walk.units
            for given in unit.defects
        ],
        "unread": [
            {
                "unit": _name(unit, numbers),
                "place": _place(walk, unit),
                "facts": "; ".join(f"{label}: {words}" for label, words in unit.unread),
            }
            for unit in walk.units
            if unit.unread
        ],
        "removals": [
            {
                "unit": _name(unit, numbers),
                "place": _place(walk, unit),
                "kind": unit.kind_text,
                "reason": removal.reason,
                "source": removal.source,
            }
            for unit in walk.units
            for removal in unit.removals
        ],
        "changes": list(changes),
        **due,
        "tables": [
            f"{table.document}, {table.edition} (version {table.version}). {here.sentence}"
            for here in tables_here(visit.site_id)
            if (table := here.state.table).in_force(today)
        ],
    }


def outcome_digest(content: Mapping[str, Any]) -> str:
    """SHA-256 over the frozen outcome of a survey, as it is kept beside it."""
    return hashlib.sha256(json.dumps(content, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def _name(unit: Seen, numbers: Mapping[UUID, str]) -> str:
    return numbers.get(unit.ref) or unit.number


def _place(walk: Walk, unit: Seen) -> str:
    ref = unit.place_ref or (unit.listed.place_ref if unit.listed is not None else None)
    place = walk.place_of(ref)
    return place.words if place is not None else "no place"


def _unit(walk: Walk, unit: Seen, numbers: Mapping[UUID, str]) -> dict[str, Any]:
    def word(code: str) -> str:
        reading = unit.readings.get(code)
        if reading is not None:
            return reading.answer.words
        registered = unit.listed.words.get(code, "") if unit.listed is not None else ""
        return f"{registered} (register)" if registered else "not looked at"

    return {
        "unit": _name(unit, numbers),
        "place": _place(walk, unit),
        "kind": unit.kind_text,
        "serial": word("serial"),
        "made": word("made"),
        "condition": unit.readings["condition"].answer.words if "condition" in unit.readings else "",
        "status": unit.status.value,
        "status_text": STATUS_LABELS[unit.status] + (f": {unit.why_missing}" if unit.why_missing else ""),
        "photos": len(unit.photos),
    }


def _remark(walk: Walk, place_ref: UUID | None, given: Mapping[str, Any]) -> dict[str, Any]:
    kind = defect_kinds().get(str(given.get("code", "")))
    place = walk.place_of(place_ref)
    return {
        "place": place.words if place is not None else "",
        "what": defect_text(str(given.get("code", ""))),
        "remarks": str(given.get("remarks") or ""),
        "action": str(given.get("action") or (kind.action if kind is not None else "")),
        "photos": len(given.get("photos") or ()),
    }


def _due(survey: Survey, today: date) -> dict[str, Any]:
    """Overdue work, heavy work of the next years, and the month that is proposed for the yearly service."""
    rows = list(
        Obligation.objects.ours()
        .filter(site=survey.visit.site_id, is_binding=True)
        .exclude(unit__state=Unit.State.NOT_FOUND)
        .select_related("unit__location")
        .order_by("latest_on", "unit__number", "pk")
    )
    overdue: list[dict[str, str]] = []
    unknown: list[dict[str, str]] = []
    heavy: dict[int, Counter[str]] = defaultdict(Counter)
    until = today + timedelta(days=366 * HEAVY_YEARS)
    yearly: list[date] = []
    yearly_unknown = 0
    for row in rows:
        status = status_on(
            knowledge=row.knowledge,
            latest_on=row.latest_on,
            target_on=row.target_on,
            is_deferred=row.is_deferred,
            today=today,
        )
        task = TASK_LABELS[Task(row.task)]
        line = {
            "unit": row.unit.number,
            "place": row.unit.location.number if row.unit.location is not None else "",
            "task": task,
            "latest_on": row.latest_on.isoformat() if row.latest_on else "",
        }
        if status is DueStatus.OVERDUE:
            overdue.append(line)
        elif status in (DueStatus.UNKNOWN, DueStatus.UNCOVERED):
            unknown.append(line)
        elif Task(row.task) in WORKSHOP_TASKS and row.latest_on is not None and row.latest_on <= until:
            heavy[row.latest_on.year][task] += 1
        if row.task == Task.MAINTENANCE:
            yearly_unknown += status in (DueStatus.UNKNOWN, DueStatus.UNCOVERED)
            if row.latest_on is not None and status not in (DueStatus.UNKNOWN, DueStatus.UNCOVERED):
                yearly.append(row.latest_on)
    return {
        "overdue": overdue,
        "unknown": unknown,
        "heavy": [
            {"year": year, "task": task, "count": count}
            for year, tasks in sorted(heavy.items())
            for task, count in sorted(tasks.items())
        ],
        "month": proposed_month(yearly, unknown=yearly_unknown, today=today),
    }


def proposed_month(latest_days: Sequence[date], *, unknown: int, today: date) -> dict[str, Any]:
    """The month for the yearly service of a site, and why.

    ``latest_days`` are the last days of each unit's window for it; ``unknown`` how many have no date.
    What is late cannot wait: then it is this month. Else the month of the first last day, so that no
    unit is late and the others lose least. Common practice, no source.
    """
    late = sum(day < today for day in latest_days)
    ahead = sorted(day for day in latest_days if day >= today)
    if late or unknown:
        what = [f"{late} overdue" if late else "", f"{unknown} without a known date" if unknown else ""]
        why = f"Yearly service of {' and '.join(part for part in what if part)} cannot wait."
        return _month(today, why)
    if not ahead:
        return {"month": None, "year": None, "text": "none", "why": "No yearly service is demanded here."}
    first = ahead[0]
    in_month = sum((day.year, day.month) == (first.year, first.month) for day in ahead)
    return _month(
        first,
        f"The first of {len(ahead)} is late after {first.isoformat()}; {in_month} fall in that month. "
        "The rest come along early.",
    )


def _month(day: date, why: str) -> dict[str, Any]:
    return {
        "month": day.month,
        "year": day.year,
        "text": f"{calendar.month_name[day.month]} {day.year}",
        "why": why,
    }


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day is not None else None
