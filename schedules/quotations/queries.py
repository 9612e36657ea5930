"""Reading quotations."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Count, F, Q, QuerySet

from inventory.access import Scope
from schedules.quotations.models import LineDecision, Quotation, QuotationLine


def quotations_for(scope: Scope) -> QuerySet[Quotation]:
    """Quotations that ``scope`` may see, newest first, with how many lines are decided how."""
    approved = Q(lines__decision__choice=LineDecision.Choice.APPROVED)
    declined = Q(lines__decision__choice=LineDecision.Choice.DECLINED)
    return (
        Quotation.objects.visible_to(scope)
        .select_related("site__owner", "made_by")
        .annotate(
            line_count=Count("lines", distinct=True),
            approved=Count("lines", filter=approved, distinct=True),
            declined=Count("lines", filter=declined, distinct=True),
            open=F("line_count") - F("approved") - F("declined"),
        )
        .order_by("-made_at", "-pk")
    )


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums of a quotation. ``is_whole`` is false while a line has no price."""

    all: Decimal
    approved: Decimal
    is_whole: bool


def lines_of(quotation: Quotation) -> list[QuotationLine]:
    """The lines in order, each with its decision in ``decided`` (None where there is none); one query."""
    rows = list(
        quotation.lines.select_related("defect__unit", "defect__location", "item", "decision").order_by(
            "position"
        )
    )
    for row in rows:
        found: Any = getattr(row, "decision", None)
        row.decided = found  # type: ignore[attr-defined]
    return rows


def totals_of(lines: list[QuotationLine]) -> Totals:
    """What the lines add up to; taxes are not counted."""
    amounts = [(line.amount, getattr(line, "decided", None)) for line in lines]
    return Totals(
        sum((amount for amount, _ in amounts if amount is not None), Decimal("0.00")),
        sum(
            (
                amount
                for amount, decided in amounts
                if amount is not None
                and decided is not None
                and decided.choice == LineDecision.Choice.APPROVED
            ),
            Decimal("0.00"),
        ),
        all(amount is not None for amount, _ in amounts),
    )
