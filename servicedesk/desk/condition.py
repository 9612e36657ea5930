"""Condition: charges that will not last, groups that leak, and what was read on one unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse

from inventory.condition.models import LeakEstimate, LeakPeers
from inventory.condition.queries import History, Level, estimates_of, histories, peers
from inventory.measures.leak import DAYS_PER_YEAR
from inventory.register.models import Unit
from inventory.register.queries import units_for
from inventory.stock.models import Lot
from schedules.due.condition import Proposal, counts, earlier_recharges, followed
from servicedesk.access import Act
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import PageView, paged

# The drawing's own units; the page scales it.
WIDTH, HEIGHT, LEFT, FOOT, HEAD = 900, 300, 64, 34, 14
MOST_POINTS = 400


@dataclass(frozen=True, slots=True)
class Plot:
    """A drawing of levels over time, ready to be placed."""

    points: list[dict[str, Any]]
    lines: list[dict[str, Any]]
    ticks: list[dict[str, Any]]
    years: list[dict[str, Any]]
    words: str
    width: int = WIDTH
    height: int = HEIGHT
    foot: int = HEIGHT - FOOT
    left: int = LEFT


class _Scale:
    """Turns days and levels into places on the drawing."""

    def __init__(self, first: date, last: date, low: float, high: float) -> None:
        self.first, self.days = first, max((last - first).days, 30)
        self.low, self.span = low, max(high - low, 0.02)

    def x(self, on: date) -> float:
        return round(LEFT + (on - self.first).days / self.days * (WIDTH - LEFT - 10), 1)

    def y(self, level: float) -> float:
        return round(HEIGHT - FOOT - (level - self.low) / self.span * (HEIGHT - FOOT - HEAD), 1)


def plot_unit(history: History, estimate: LeakEstimate | None, limit: float, today: date) -> Plot:
    """The readings of one unit, its line, the limit and when it may be reached."""
    levels = [*history.earlier, *history.levels]
    ahead = estimate.limit_early_on if estimate is not None else None
    last = max(today, levels[-1].on, *([min(ahead, today + timedelta(days=5 * 365))] if ahead else []))
    low = min([limit, *(one.level for one in levels)]) - 0.02
    high = max([1.0, *(one.level for one in levels)]) + 0.02
    scale = _Scale(levels[0].on, last, low, high)
    points = [
        {
            "x": scale.x(one.on),
            "y": scale.y(one.level),
            "title": f"{one.on:%-d %b %Y}: {one.entered}, {one.level * 100:.1f} % of full",
            "kind": kind,
        }
        for kind, several in (("before", history.earlier), ("now", history.levels))
        for one in several
    ]
    lines = [_level_line(scale, limit, "limit")]
    if estimate is not None and estimate.loss is not None:
        for loss, kind in ((estimate.loss, "fit"), (estimate.loss_high, "edge"), (estimate.loss_low, "edge")):
            if loss is not None:
                lines.append(_loss_line(scale, estimate, loss, history.levels[0].on, last, kind))
    words = f"{len(levels)} readings from {levels[0].on:%-d %b %Y} to {levels[-1].on:%-d %b %Y}"
    words += f", the last at {levels[-1].level * 100:.1f} % of full; the limit is {limit * 100:.0f} %."
    return Plot(points, lines, _ticks(scale), _years(scale, last), words)


def plot_group(rows: Sequence[LeakEstimate], today: date) -> Plot:
    """Many units at once: each its loss per year against the day it was read last, and the interval."""
    shown = [row for row in rows if row.loss is not None][:MOST_POINTS]
    low = min([0.0, *((row.loss_low or 0.0) for row in shown)])
    high = max([0.02, *((row.loss_high or 0.0) for row in shown)])
    first = min((row.last_on for row in shown), default=today)
    last = max((row.last_on for row in shown), default=today)
    scale = _Scale(first, last, low, high)
    points = [
        {
            "x": scale.x(row.last_on),
            "y": scale.y(row.loss or 0.0),
            "low": scale.y(row.loss_low or 0.0),
            "high": scale.y(row.loss_high or 0.0),
            "title": f"{row.unit.number}: {(row.loss or 0) * 100:.1f} % a year",
            "kind": "leaker" if (row.leaker_share or 0) > 0.5 else "now",
        }
        for row in shown
    ]
    words = (
        f"Loss per year of {len(shown)} units by the day they were read last, each with its 90 % interval."
    )
    return Plot(points, [_level_line(scale, 0.0, "zero")], _ticks(scale), _years(scale, last), words)


def _level_line(scale: _Scale, level: float, kind: str) -> dict[str, Any]:
    return {"x1": LEFT, "x2": WIDTH - 10, "y1": scale.y(level), "y2": scale.y(level), "kind": kind}


def _loss_line(
    scale: _Scale, estimate: LeakEstimate, loss: float, first: date, last: date, kind: str
) -> dict[str, Any]:
    def level(on: date) -> float:
        years = (on - estimate.middle_on).days / DAYS_PER_YEAR - estimate.middle_offset_years
        return max(scale.low, min(estimate.mean_level - loss * years, scale.low + scale.span))

    return {
        "x1": scale.x(first),
        "x2": scale.x(last),
        "y1": scale.y(level(first)),
        "y2": scale.y(level(last)),
        "kind": kind,
    }


def _ticks(scale: _Scale) -> list[dict[str, Any]]:
    step = next(
        step for step in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0) if scale.span / step <= 6 or step == 1.0
    )
    number = int(scale.low / step) - 1
    found = []
    while number * step <= scale.low + scale.span + 1e-9:
        if number * step >= scale.low - 1e-9:
            found.append({"y": scale.y(number * step), "text": f"{number * step * 100:.0f} %"})
        number += 1
    return found


def _years(scale: _Scale, last: date) -> list[dict[str, Any]]:
    years = range(scale.first.year + 1, last.year + 1)
    every = max(1, len(years) // 8)
    return [{"x": scale.x(date(year, 1, 1)), "text": str(year)} for year in years if year % every == 0]


class ConditionView(PageView):
    """Units to bring in early, and models and lots that leak more than their peers."""

    acts = (Act.SEE_DESK, Act.SEE_BENCH)

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show them, or hand out the proposals as a file."""
        today = self.now.date()
        rows = earlier_recharges(self.scope, today)
        if request.GET.get("format") == "csv":
            return self._file(rows, today)
        page = paged(request, rows)
        groups = list(peers()[:100])
        context = {
            "page_obj": page,
            "proposals": [Proposal(row, today) for row in page.object_list],
            "counts": counts(self.scope, today),
            "groups": groups,
            "flagged": sum(group.is_flagged for group in groups),
            "may_desk": self.may(Act.SEE_DESK),
            "may_bench": self.may(Act.SEE_BENCH),
        }
        return self.page("desk/condition.html", context)

    def _file(self, rows: Any, today: date) -> StreamingHttpResponse:
        head = [
            "unit",
            "site",
            "location",
            "loss_percent_per_year",
            "low",
            "high",
            "limit_from",
            "next_look",
            "why",
        ]
        lines = (
            (
                row.unit.number,
                row.unit.site.name if row.unit.site else "",
                row.unit.location.number if row.unit.location else "",
                f"{(row.loss or 0) * 100:.2f}",
                f"{(row.loss_low or 0) * 100:.2f}",
                f"{(row.loss_high or 0) * 100:.2f}",
                str(row.limit_early_on),
                str(row.next_look_on or ""),
                Proposal(row, today).sentence,
            )
            for row in rows
        )
        answer = StreamingHttpResponse(csv_lines(head, lines), content_type="text/csv; charset=utf-8")
        answer["Content-Disposition"] = 'attachment; filename="condition.csv"'
        return answer


class UnitConditionView(PageView):
    """What was read on one unit, and what follows."""

    acts = (Act.SEE_DESK, Act.SEE_BENCH)

    def get(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Show it."""
        unit = self.found(units_for(self.scope), unit_id)
        context = condition_context(unit, self.now.date(), self.scope)
        context |= {
            "unit": unit,
            "crumbs": [
                {"label": "Condition", "url": reverse("desk:condition")},
                {"label": unit.number, "url": reverse("desk:unit", args=[unit.public_id])},
            ],
        }
        return self.page("desk/condition_unit.html", context)


def condition_context(unit: Unit, today: date, scope: Any) -> dict[str, Any]:
    """What the section on a unit's charge shows; empty levels when nothing was read."""
    history = histories([unit]).get(unit.pk)
    if history is None:
        return {"history": None}
    estimate = followed(scope).filter(unit=unit).first() or estimates_of([unit.pk]).get(unit.pk)
    limit = estimate.limit if estimate is not None else 0.9
    shown: list[Level] = sorted([*history.earlier, *history.levels], key=lambda one: one.on, reverse=True)
    return {
        "history": history,
        "estimate": estimate,
        "proposal": Proposal(estimate, today) if estimate is not None else None,
        "plot": plot_unit(history, estimate, limit, today),
        "levels": shown,
        "group_level": history.levels[-1],
    }


class GroupConditionView(PageView):
    """All units of one model or one lot, each with its loss."""

    acts = (Act.SEE_DESK, Act.SEE_BENCH)

    def get(self, request: HttpRequest, kind: str, group_id: UUID) -> HttpResponse:
        """Show them."""
        rows = LeakEstimate.objects.visible_to(self.scope).select_related(
            "unit__site", "unit__location", "model"
        )
        name: object
        if kind == "lot":
            lot = self.found(Lot.objects.select_related("item"), group_id)
            rows, name = rows.filter(lot=lot), f"Lot {lot.lot_no}, {lot.item.name}"
            verdicts = LeakPeers.objects.filter(lot=lot)
        else:
            unit = rows.filter(model__public_id=group_id).first()
            if unit is None:
                raise Http404
            rows, name = rows.filter(model__public_id=group_id), str(unit.model)
            verdicts = LeakPeers.objects.filter(model__public_id=group_id)
        rows = rows.order_by("-loss", "unit__number")
        page = paged(request, rows)
        context = {
            "name": name,
            "plot": plot_group(list(rows[:MOST_POINTS]), self.now.date()),
            "verdict": verdicts.first(),
            "page_obj": page,
            "crumbs": [{"label": "Condition", "url": reverse("desk:condition")}],
        }
        return self.page("desk/condition_group.html", context)
