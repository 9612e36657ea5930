"""Trying a table out: what falls due for a unit like this, without touching the register."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils.http import urlencode

from inventory.measures.kinds import (
    AGENT_LABELS,
    CONSTRUCTION_LABELS,
    ENVIRONMENT_LABELS,
    SHELL_LABELS,
)
from schedules.engine import findings
from schedules.engine.result import Obligation, binding
from schedules.engine.tryout import (
    COLUMNS,
    LINE_COLUMNS,
    Case,
    answer,
    idle_records,
    judged,
    read_cases,
    verdict,
)
from schedules.rules import load_tables
from servicedesk.access import Act
from servicedesk.desk.changes import table_choices
from servicedesk.desk.tables_shown import TableBook
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import STANDING_LINE, PageView

_TONES = {"Overdue": "overdue", "Due": "soon", "In date": "ok"}
_UNKNOWN = ("unknown_basis", "uncovered")


def _choices(labels: Mapping[Any, str]) -> list[tuple[str, str]]:
    return [(code.value, label) for code, label in labels.items()]


_ANSWERS = [("", "Not known"), ("yes", "Yes"), ("no", "No")]


class TryForm(forms.Form):
    """Facts and history of one unit, named as the columns of a file of cases."""

    table = forms.MultipleChoiceField(
        label="Interval tables",
        help_text="One or several; several keep their own dates.",
        error_messages={"required": "Choose at least one table."},
    )
    agent = forms.ChoiceField(label="Agent", choices=_choices(AGENT_LABELS))
    construction = forms.ChoiceField(label="Construction", choices=_choices(CONSTRUCTION_LABELS))
    shell = forms.ChoiceField(label="Shell", choices=_choices(SHELL_LABELS))
    cylinder_spec = forms.CharField(label="Cylinder specification", required=False, max_length=20)
    water_capacity = forms.CharField(
        label="Water capacity", required=False, max_length=30, help_text="With its unit: 9 L."
    )
    charge = forms.CharField(label="Charge", required=False, max_length=30, help_text="10 lb, 6 kg or 9 L.")
    made = forms.CharField(
        label="Made",
        required=False,
        max_length=60,
        help_text="As precise as known: 2018-03-14, 2018-03, Q2 2018, 2018. Empty is unknown.",
    )
    commissioned = forms.CharField(label="Placed in service", required=False, max_length=60)
    sold = forms.CharField(label="Sale tag", required=False, max_length=60)
    first_test = forms.CharField(label="First test mark", required=False, max_length=60)
    environment = forms.ChoiceField(
        label="Surroundings", choices=_choices(ENVIRONMENT_LABELS), required=False
    )
    wheeled = forms.ChoiceField(label="Wheeled", required=False, choices=[("", "No"), ("yes", "Yes")])
    refillable = forms.ChoiceField(label="Refillable", required=False, choices=_ANSWERS)
    hose_shutoff = forms.ChoiceField(label="Shut-off on the hose", required=False, choices=_ANSWERS)
    records = forms.CharField(
        label="What was done",
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="task:date:method:passed; method and passed may be left out. "
        "For instance: hydrostatic_test:2019-06:water_jacket:yes; recharge:2021.",
    )
    events = forms.CharField(
        label="What happened to it",
        required=False,
        max_length=2000,
        help_text="kind:date; for instance discharged:2025-03-01.",
    )
    as_of = forms.DateField(
        label="Judged on",
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "Enter a day like 2026-11-30."},
        help_text="Empty is today.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["table"].choices = table_choices()  # type: ignore[attr-defined]


class TryView(PageView):
    """One unit that need not exist, before any table."""

    acts = (Act.SEE_RULEBOOK,)

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show the form, and the answer once facts are given."""
        if "agent" not in request.GET:
            initial = {"table": request.GET.getlist("table"), "agent": "dry_chemical_abc"}
            return self.show(TryForm(initial=initial))
        form = TryForm(request.GET)
        if not form.is_valid():
            return self.show(form, status=400)
        given = form.cleaned_data
        cells = {name: str(given.get(name) or "") for name in COLUMNS}
        cells["table"] = "; ".join(given["table"])
        cells["case"] = "tried out"
        cases, errors = read_cases([(1, cells)], load_tables(), as_of=self.today_in("UTC"))
        for error in errors:
            form.add_error(error.column if error.column in form.fields else None, error.sentence)
        if errors:
            return self.show(form, status=400)
        case = cases[0]
        if request.GET.get("as") in ("csv", "json"):
            return self.file(case, request.GET["as"])
        return self.show(form, case)

    def show(self, form: TryForm, case: Case | None = None, status: int = 200) -> HttpResponse:
        """The page."""
        context: dict[str, Any] = {
            "crumbs": [{"label": "Tables", "url": reverse("desk:tables")}],
            "form": form,
            "case": case,
        }
        if case is not None:
            found = judged(case)
            binds = {id(item) for item in binding(found).values()}
            book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
            by_table: dict[tuple[str, str], list[dict[str, Any]]] = {}
            for item in found:
                by_table.setdefault((item.table_key, item.table_version), []).append(
                    {"item": item, "chip": self.chip(case, item), "binds": id(item) in binds}
                )
            query = [(n, v) for n, values in self.request.GET.lists() if n != "as" for v in values if v]
            context |= {
                "tables": [(book.get(*name), lines) for name, lines in by_table.items()],
                "several": len(by_table) > 1,
                "confirm": book.notice(by_table),
                "doubts": [*case.doubts, *(s for t in case.tables for s in idle_records(case.history, t))],
                "findings": [f.text for f in findings(case.facts, case.history, case.as_of, case.events)],
                "csv_query": urlencode([*query, ("as", "csv")]),
                "json_query": urlencode([*query, ("as", "json")]),
            }
        return self.page("desk/tryout.html", context, status=status)

    def chip(self, case: Case, item: Obligation) -> dict[str, Any]:
        """How one obligation stands, for ``_status.html``."""
        word = verdict(item, case.as_of)
        tone = "unknown" if item.knowledge.value in _UNKNOWN else _TONES.get(word, "none")
        return {"tone": tone, "word": word, "on": item.latest if tone != "unknown" else None}

    def file(self, case: Case, form: str) -> HttpResponse:
        """The answer as a file, as ``manage.py due_cases`` gives it."""
        book = TableBook()
        lines: list[dict[str, str]] = []
        for line in answer(case):
            sentence = book.get(line.table, line.table_version).sentence
            lines.append({**asdict(line), "table_confirmation": f"{sentence} {STANDING_LINE}"})
        if form == "json":
            response = HttpResponse(
                json.dumps(lines, ensure_ascii=False, indent=1), content_type="application/json"
            )
        else:
            names = (*LINE_COLUMNS, "table_confirmation")
            cells = ([line[name] for name in names] for line in lines)
            response = HttpResponse("".join(csv_lines(names, cells)), content_type="text/csv; charset=utf-8")
        response["Content-Disposition"] = f'attachment; filename="tried-out.{form}"'
        return response
