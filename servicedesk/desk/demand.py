"""Demand: what the coming months need against what is in stock, and what to order."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from django import forms
from django.http import HttpRequest, StreamingHttpResponse
from django.http.response import HttpResponseBase

from inventory.measures.units import Measure, UnitOfMeasure
from schedules.due.demand import MOST_MONTHS, Demand, Line, demand
from schedules.due.forecast import MOST_UNITS, forecast_units
from servicedesk.access import Act
from servicedesk.desk.tables_shown import TableBook
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import STANDING_LINE, PageView
from servicedesk.templatetags.amounts import amount_of

KINDS = {
    "agent": "Agent",
    "gas": "Gas",
    "part": "Parts",
    "cartridge": "Cartridges",
    "label": "Labels",
    "collar": "Collars",
    "seal": "Seals",
    "loaner": "Loaners",
}


class DemandForm(forms.Form):
    """How far ahead."""

    months = forms.TypedChoiceField(
        label="Months",
        coerce=int,
        required=False,
        choices=[(n, f"{n} month{'s' if n > 1 else ''}") for n in range(1, MOST_MONTHS + 1)],
    )


class DemandView(PageView):
    """The demand, month by month."""

    acts = (Act.SEE_DESK, Act.SEE_BENCH)

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show it, or hand it out as a file."""
        form = DemandForm(request.GET)
        months = (form.cleaned_data["months"] or 3) if form.is_valid() else 3
        units = forecast_units(self.scope)
        number = units.count()
        wants_file = request.GET.get("format") == "csv"
        if number > MOST_UNITS and not wants_file:
            context = {"form": form, "too_many": number, "most": MOST_UNITS}
            return self.page("desk/demand.html", context, status=400)
        found = demand(units.values_list("pk", flat=True).iterator(), now=self.now, months=months)
        if wants_file:
            return self._file(found)
        today = found.start
        book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
        context = {
            "form": DemandForm(initial={"months": months}),
            "months": found.months,
            "units": found.units,
            "lines": [_shown(line, today) for line in found.lines],
            "orders": [_shown(line, today) for line in found.short()],
            "values": [value for key, value in found.values.items() if key.startswith(("use_", "loaners_"))],
            "confirm": book.notice(found.tables),
            "month_count": months,
            "may_bench": self.may(Act.SEE_BENCH),
        }
        return self.page("desk/demand.html", context)

    def _file(self, found: Demand) -> StreamingHttpResponse:
        head = [
            "kind",
            "good",
            "unit",
            "month",
            "need",
            "usable_stock",
            "keep",
            "order",
            "order_by",
            "why",
            "note",
        ]
        lines = (
            (
                line.good.kind,
                line.good.label,
                line.good.unit,
                f"{month:%Y-%m}",
                f"{need:.1f}",
                line.stock,
                line.keep,
                line.reorder.quantity if line.reorder else "",
                line.reorder.order_by if line.reorder else "",
                line.reorder.why if line.reorder else "",
                STANDING_LINE,
            )
            for line in found.lines
            for month, need in line.needs.items()
        )
        answer = StreamingHttpResponse(csv_lines(head, lines), content_type="text/csv; charset=utf-8")
        answer["Content-Disposition"] = 'attachment; filename="demand.csv"'
        return answer


def _shown(line: Line, today: date) -> dict[str, Any]:
    order = line.reorder
    return {
        "kind": KINDS[line.good.kind],
        "label": line.good.label,
        "cells": [amount_of(need, line.good.unit) if need else "" for need in line.needs.values()],
        "need": amount_of(line.most if line.good.kind == "loaner" else line.need, line.good.unit),
        "stock": amount_of(line.stock, line.good.unit),
        "order": order,
        "order_amount": amount_of(order.quantity, line.good.unit) if order else "",
        "is_urgent": order is not None and order.is_urgent(today),
        "pounds": (
            Measure(Decimal(round(line.need)), UnitOfMeasure.GRAM).rounded(UnitOfMeasure.POUND, 0)
            if line.good.unit == "g"
            else None
        ),
    }
