"""Earlier recharges: units whose charge may be under its limit before somebody looks at it again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import DateField, F, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from inventory.access import Scope
from inventory.condition.models import LeakEstimate
from inventory.measures.kinds import Task
from inventory.register.models import Unit
from schedules.due.models import Obligation

# Work at which the charge is read or renewed, so that a low one is found.
LOOKS = (
    Task.MAINTENANCE,
    Task.WEIGHING,
    Task.RECHARGE,
    Task.EXTENDED_SERVICE,
    Task.WORKSHOP_SERVICE,
    Task.DISCHARGE_TEST,
    Task.INTERNAL_EXAMINATION,
    Task.HYDROSTATIC_TEST,
)


def followed(scope: Scope) -> QuerySet[LeakEstimate]:
    """Estimates of units that hang, with ``next_look_on``: the last day of the next look at the charge."""
    looks = (
        Obligation.objects.filter(
            unit=OuterRef("unit"), is_binding=True, task__in=LOOKS, latest_on__isnull=False
        )
        .order_by("latest_on")
        .values("latest_on")[:1]
    )
    return (
        LeakEstimate.objects.visible_to(scope)
        .filter(unit__state__in=Unit.HANGING)
        .annotate(next_look_on=Subquery(looks, output_field=DateField()))
        .select_related("unit__site", "unit__location", "unit__model", "lot")
    )


def earlier_recharges(scope: Scope, today: date) -> QuerySet[LeakEstimate]:
    """Units to bring in before their next planned look, the most pressing first.

    A look that is overdue counts as today's: it will be made late at best. A unit without any planned
    look is proposed when its limit may be reached at all.
    """
    look = Coalesce(F("next_look_on"), date.max, output_field=DateField())
    pressing = Q(limit_early_on__lt=look) | Q(limit_early_on__lte=today)
    return (
        followed(scope)
        .filter(pressing, limit_early_on__isnull=False)
        .order_by("limit_early_on", "unit__number")
    )


@dataclass(frozen=True, slots=True)
class Proposal:
    """What is proposed for one unit, in words."""

    estimate: LeakEstimate
    today: date

    @property
    def is_now(self) -> bool:
        """Whether the charge may be under its limit already."""
        return self.estimate.limit_early_on is not None and self.estimate.limit_early_on <= self.today

    @property
    def sentence(self) -> str:
        """Why the unit should come in, and until when."""
        row = self.estimate
        if row.limit_early_on is None or row.loss is None:
            return "Nothing to do: its charge lasts beyond what is looked ahead."
        span = f"between {_share(row.loss_low)} and {_share(row.loss_high)}"
        rate = f"loses {row.loss * 100:.1f} % a year ({span})"
        planned: date | None = getattr(row, "next_look_on", None)
        when = (
            "may be under its limit already"
            if self.is_now
            else f"may be under its limit from {row.limit_early_on:%-d %b %Y}"
        )
        look = (
            f"the next look is planned by {planned:%-d %b %Y}"
            if planned is not None
            else "no look is planned"
        )
        return f"It {rate} and {when}; {look}. Read or recharge it before that."


def _share(value: float | None) -> str:
    return "–" if value is None else f"{value * 100:.1f} %"


def counts(scope: Scope, today: date) -> Mapping[str, Any]:
    """How many units are followed, and how many are proposed for an earlier recharge."""
    return {"followed": followed(scope).count(), "proposed": earlier_recharges(scope, today).count()}
