"""Figures and changes of plans in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from schedules.routes.services import Done


def hours_text(seconds: int) -> str:
    """A length of time as people say it: 2 h 05."""
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d}"


def totals_shown(totals: Mapping[str, Any]) -> dict[str, Any]:
    """The sums of a plan as a page shows them."""
    drive, work, wait = (totals.get(name, 0) for name in ("drive_s", "work_s", "wait_s"))
    busy = drive + work + wait
    cost = totals.get("cost_60")
    return {
        "drive": hours_text(drive),
        "work": hours_text(work),
        "wait": hours_text(wait),
        "km": round(totals.get("drive_m", 0) / 1000),
        "drive_share": round(100 * drive / busy) if busy else 0,
        "overtime": hours_text(totals.get("overtime_s", 0)),
        "overtime_s": totals.get("overtime_s", 0),
        "planned": totals.get("planned", 0),
        "left_out": totals.get("left_out", 0),
        "left_out_due": totals.get("left_out_due", 0),
        "late": totals.get("late", 0),
        "late_before": totals.get("late_before", 0),
        "late_by_plan": totals.get("late", 0) - totals.get("late_before", 0),
        "days_used": totals.get("days_used", 0),
        "cost": round(cost / 60) if cost is not None else None,
        "on_time": round(100 * (1 - totals.get("late", 0) / totals["planned"]))
        if totals.get("planned")
        else None,
    }


def said_of(done: Done) -> str:
    """What a change came to, in one or two sentences."""
    elsewhere = sum(
        item.was is None or item.now is None or item.was[:2] != item.now[:2] for item in done.moved
    )
    retimed = len(done.moved) - elsewhere
    parts = [done.sentence]
    if elsewhere > 1:
        parts.append(f"{elsewhere} visits changed technician or day in all.")
    if retimed:
        parts.append(f"{retimed} {'visit starts' if retimed == 1 else 'visits start'} at another time.")
    out = [item.visit.number for item in done.moved if item.now is None and item.was is not None]
    if out:
        parts.append(f"No longer in the plan: {', '.join(out[:5])}{' …' if len(out) > 5 else ''}.")
    return " ".join(parts)
