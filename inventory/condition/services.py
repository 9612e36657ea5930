"""Keeping estimates fresh: incremental over units, whole over groups."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q

from inventory.condition.models import LeakEstimate, LeakPeers
from inventory.condition.queries import MASS, PRESSURE, READING_ERROR, histories, lower_limit
from inventory.logbook.models import Reading
from inventory.measures import condition
from inventory.measures.condition import Estimates, Floats, Ints
from inventory.measures.leak import DAYS_PER_YEAR
from inventory.measures.readings import Quantity
from inventory.register.models import Unit
from inventory.stock.queries import current_lots

BATCH = 1000
# Groups smaller than this say nothing of a group.
SMALLEST_GROUP = 4
_DERIVED = ["loss", "loss_low", "loss_high", "leaker_share", "limit_on", "limit_early_on", "computed_at"]
_OWN = [
    "model",
    "lot",
    "measure",
    "since_on",
    "readings",
    "middle_on",
    "middle_offset_years",
    "mean_level",
    "spread",
    "own_loss",
    "rest",
    "last_on",
    "last_level",
    "limit",
    "facts_revision",
]


@dataclass(frozen=True, slots=True)
class Refreshed:
    """How many units were read anew, and how many estimates changed."""

    read: int
    written: int
    groups: int


def stale_units() -> list[int]:
    """Units with readings that came, or changed, since they were last taken up; by id."""
    read = Reading.objects.filter(
        record__unit=OuterRef("pk"), quantity__in=(Quantity.GAUGE_PRESSURE, Quantity.GROSS_MASS)
    )
    rows = (
        Unit.objects.on_duty()
        .filter(Q(leak__isnull=True) | ~Q(leak__facts_revision=F("facts_revision")))
        .filter(Exists(read))
        .order_by("pk")
    )
    return list(rows.values_list("pk", flat=True))


def refresh_condition(*, now: datetime) -> Refreshed:
    """Bring the estimates up to date; a second run reads nothing and writes nothing.

    Only units whose facts moved are read again. What they say shifts their peers a little; an
    estimate is written only when it moved by more than a reader could see.
    """
    ids = stale_units()
    for start in range(0, len(ids), BATCH):
        _take_up(ids[start : start + BATCH], now)
    gone = LeakEstimate.objects.filter(unit__state__in=Unit.GONE).delete()[0]
    if not ids and not gone:
        return Refreshed(0, 0, 0)
    written = groups = 0
    for measure in (PRESSURE, MASS):
        done = _pool(measure, now)
        written += done[0]
        groups += done[1]
    return Refreshed(len(ids), written, groups)


@transaction.atomic
def _take_up(unit_ids: list[int], now: datetime) -> None:
    units = list(Unit.objects.filter(pk__in=unit_ids).select_related("model"))
    read = histories(units)
    lots = current_lots([unit.pk for unit in units])
    rows = []
    for unit in units:
        history = read.get(unit.pk)
        if history is None:
            continue
        levels = history.levels
        start = levels[0].on
        fitted = condition.line(
            [(one.on - start).days / DAYS_PER_YEAR for one in levels], [one.level for one in levels]
        )
        days = math.floor(fitted.middle * DAYS_PER_YEAR)
        rows.append(
            LeakEstimate(
                unit=unit,
                model_id=unit.model_id,
                lot_id=lots.get(unit.pk),
                measure=history.measure,
                since_on=history.since_on,
                readings=fitted.readings,
                middle_on=start + timedelta(days),
                middle_offset_years=fitted.middle - days / DAYS_PER_YEAR,
                mean_level=fitted.mean_level,
                spread=fitted.spread,
                own_loss=fitted.loss,
                rest=fitted.rest,
                last_on=levels[-1].on,
                last_level=levels[-1].level,
                limit=lower_limit(unit.model, history.measure),
                facts_revision=unit.facts_revision,
                computed_at=now,
            )
        )
    LeakEstimate.objects.filter(unit__in=set(unit_ids) - {row.unit_id for row in rows}).delete()
    LeakEstimate.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=["unit"], update_fields=_OWN, batch_size=500
    )


@transaction.atomic
def _pool(measure: str, now: datetime) -> tuple[int, int]:
    """Estimate all units of one measure together; return how many rows and groups were written."""
    rows = list(LeakEstimate.objects.filter(measure=measure).order_by("pk"))
    LeakPeers.objects.filter(measure=measure).delete()
    if not rows:
        return 0, 0
    readings = np.array([row.readings for row in rows], dtype=np.int64)
    rest = np.array([row.rest for row in rows])
    spread = np.array([row.spread for row in rows])
    loss = np.array([np.nan if row.own_loss is None else row.own_loss for row in rows])
    models, model = _numbered([row.model_id for row in rows])
    lots, lot = _numbered([row.lot_id for row in rows])
    error = condition.pooled_error(rest, readings, prior=READING_ERROR[measure])
    known = np.isfinite(loss)
    variance = np.where(known, error**2 / np.where(known, spread, 1.0), np.nan)
    by_model, by_lot = condition.typical(loss[known], variance[known], model[known], lot[known])
    by_model, by_lot = (_padded(found, len(names)) for found, names in ((by_model, models), (by_lot, lots)))
    found = condition.estimate(loss, variance, model, lot, by_model, by_lot)
    limit = np.array([row.limit for row in rows])
    level = np.array([row.mean_level for row in rows])
    expected, early = condition.years_to(limit, level, readings, error, found)
    changed = _apply(rows, found, expected, early, now)
    LeakEstimate.objects.bulk_update(changed, _DERIVED, batch_size=500)
    groups = [
        LeakPeers(
            measure=measure,
            model_id=models[number] if ids is models else None,
            lot_id=lots[number] if ids is lots else None,
            agent="unknown",
            units=verdict.units,
            loss=verdict.loss,
            loss_error=min(verdict.loss_error, 1e6),
            peers_loss=verdict.peers_loss,
            leakers=verdict.leakers,
            is_flagged=verdict.is_flagged,
            why=verdict.why,
            computed_at=now,
        )
        for ids, group in ((models, model), (lots, lot))
        for number in range(len(ids))
        if int((group[known] == number).sum()) >= SMALLEST_GROUP
        for verdict in [
            condition.judge_group(
                loss[known], variance[known], found.weight[known], group[known] == number, by_model.spread
            )
        ]
    ]
    LeakPeers.objects.bulk_create(groups)
    return len(changed), len(groups)


def _numbered(ids: Iterable[int | None]) -> tuple[list[int], Ints]:
    given = list(ids)
    names = sorted({one for one in given if one is not None})
    place = {one: number for number, one in enumerate(names)}
    return names, np.array([place[one] if one is not None else -1 for one in given], dtype=np.int64)


def _padded(found: condition.Typical, groups: int) -> condition.Typical:
    """Give groups without a unit of known loss what is typical of all."""
    lacking = groups - found.mean.size
    if lacking <= 0:
        return found
    return condition.Typical(
        np.append(found.mean, np.full(lacking, found.overall)),
        np.append(found.mean_error, np.full(lacking, 0.01)),
        found.spread,
        np.append(found.leaker_share, np.full(lacking, condition.LEAKER_SHARE)),
        found.overall,
    )


def _apply(
    rows: list[LeakEstimate], found: Estimates, expected: Floats, early: Floats, now: datetime
) -> list[LeakEstimate]:
    """Set what was found on the rows and return those that moved visibly."""
    changed = []
    loss = found.loss
    for place, row in enumerate(rows):
        limit_on = _day(row, float(expected[place]))
        early_on = _day(row, float(early[place]))
        is_same = (
            row.loss is not None
            and abs(row.loss - float(loss[place])) < 1e-4
            and _near(row.limit_on, limit_on)
            and _near(row.limit_early_on, early_on)
        )
        if is_same:
            continue
        row.loss = float(loss[place])
        row.loss_low, row.loss_high = float(found.low[place]), float(found.high[place])
        row.leaker_share = float(found.weight[place])
        row.limit_on, row.limit_early_on = limit_on, early_on
        row.computed_at = now
        changed.append(row)
    return changed


def _day(row: LeakEstimate, years: float) -> date | None:
    if not math.isfinite(years):
        return None
    return row.middle_on + timedelta(days=math.floor((years + row.middle_offset_years) * DAYS_PER_YEAR))


def _near(before: date | None, after: date | None) -> bool:
    if before is None or after is None:
        return before is after
    return abs((before - after).days) <= 2
