"""The forecast: what falls due month by month, as chart, table and file."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.utils.http import urlencode

from inventory.logbook.models import TASK_CHOICES
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.models import Depot, UnitQuerySet
from inventory.register.queries import owners_for, sites_for
from schedules.due.forecast import (
    BY_LABELS,
    MOST_UNITS,
    MOST_YEARS,
    By,
    Forecast,
    depot_name,
    forecast,
    forecast_units,
)
from schedules.due.forecast_runs import PLANNED, TARGET, ask, stop, told
from schedules.due.models import ForecastRun
from schedules.visits.queries import planned_days
from servicedesk.access import Act
from servicedesk.desk.fields import PickField, pick_field
from servicedesk.desk.tables_shown import TableBook
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import STANDING_LINE, PageView, read_uuid

PACE_CHOICES = [(TARGET, "Each task at its target"), (PLANNED, "At the planned visit where there is one")]
PACE_WORDS = {
    TARGET: "each task is supposed done at its target",
    PLANNED: "each task is supposed done at its planned visit, and at its target where none is planned",
}
SHOWN_GROUPS = 100
# The drawing's own units; the page scales it.
CHART_WIDTH, CHART_HEIGHT, CHART_FOOT, CHART_HEAD = 1200, 260, 28, 18

HEADINGS = (
    "month",
    "owner",
    "site_code",
    "site",
    "city",
    "region",
    "country",
    "depot",
    "task",
    "table",
    "table_version",
    "number",
    "of_these_owed_already",
    "of_these_date_unknown",
    "supposed",
    "from",
    "until",
    "table_confirmation",
    "note",
)


class ForecastForm(forms.Form):
    """How far, where, and how the work is supposed to go."""

    years = forms.TypedChoiceField(
        label="Years",
        coerce=int,
        required=False,
        choices=[(n, f"{n} year{'s' if n > 1 else ''}") for n in range(1, MOST_YEARS + 1)],
    )
    by = forms.ChoiceField(
        label="By", required=False, choices=[(by.value, label) for by, label in BY_LABELS.items()]
    )
    pace = forms.ChoiceField(label="Supposing", required=False, choices=PACE_CHOICES)
    task = forms.ChoiceField(label="Task", required=False, choices=[("", "All tasks"), *TASK_CHOICES])
    owner = forms.Field(required=False)
    site = forms.Field(required=False)
    depot = PickField(label="Depot", required=False, queryset=Depot.objects.none(), empty_label="All depots")
    region = forms.ChoiceField(label="Region", required=False)
    city = forms.ChoiceField(label="City", required=False)

    def __init__(self, *args: Any, view: PageView, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        sites = sites_for(view.scope).select_related(None)
        places = sites.order_by().values_list("region", "city").distinct()
        regions, cities = ({row[n] for row in places if row[n]} for n in (0, 1))
        fields = self.fields
        fields["owner"] = pick_field(owners_for(view.scope), label="Owner", empty_label="All owners")
        fields["site"] = pick_field(sites, label="Site", empty_label="All sites")
        fields["depot"].queryset = Depot.objects.order_by("name")  # type: ignore[attr-defined]
        fields["region"].choices = [("", "All regions"), *((r, r) for r in sorted(regions))]  # type: ignore[attr-defined]
        fields["city"].choices = [("", "All cities"), *((c, c) for c in sorted(cities))]  # type: ignore[attr-defined]
        for field in fields.values():
            field.error_messages |= {"invalid_choice": "This choice is not in the list. Choose another."}


class ForecastView(PageView):
    """What falls due in the years to come."""

    acts = (Act.PLAN_VISITS,)

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show the page, or with ``as=csv`` the file."""
        form = ForecastForm(request.GET, view=self)
        if not form.is_valid():
            return self.page("desk/forecast.html", {"form": form}, status=400)
        units = self.units(form)
        if units.count() > MOST_UNITS:
            return self.show_run(form, ask(wanted_of(form), by=self.person, now=self.now))
        found = self.forecast(form, units)
        if request.GET.get("as") == "csv":
            return self.file(form, found)
        return self.show(form, found)

    def post(self, request: HttpRequest) -> HttpResponseBase:
        """Stop a forecast that is being rolled in the background."""
        run = self.found(ForecastRun.objects.all(), read_uuid(request.POST.get("run", "")))
        stop(run)
        self.told("Stopped. Asking again goes on where it stopped.")
        return redirect(f"{request.path}?{request.GET.urlencode()}")

    def show_run(self, form: ForecastForm, run: ForecastRun) -> HttpResponseBase:
        """A forecast over many units: how far it is, and the counts once it is done."""
        if run.finished_at is None:
            return self.page("desk/forecast.html", {"form": form, "run": run})
        found = told(run)
        if self.request.GET.get("as") == "csv":
            return self.run_file(run, found)
        return self.show(form, found, run)

    def run_file(self, run: ForecastRun, found: Forecast) -> StreamingHttpResponse:
        """The counts by month, task and table as a CSV file."""
        book = TableBook()
        rows = (
            (
                f"{key.month:%Y-%m}",
                TASK_LABELS[key.task],
                (table := book.get(key.table_key, key.table_version)).title,
                table.version,
                number,
                found.owed[key],
                found.unknown[key],
                PACE_WORDS[run.wanted["pace"]],
                found.start,
                found.end,
                table.sentence,
                STANDING_LINE,
            )
            for key, number in sorted(found.counts.items(), key=lambda item: item[0])
        )
        response = StreamingHttpResponse(
            csv_lines((HEADINGS[0], *HEADINGS[8:]), rows), content_type="text/csv; charset=utf-8"
        )
        response["Content-Disposition"] = f'attachment; filename="forecast-{found.start}-{found.end}.csv"'
        return response

    def units(self, form: ForecastForm) -> UnitQuerySet:
        """The units that a valid form asks for."""
        given = form.cleaned_data
        return forecast_units(
            self.scope,
            owner=given["owner"],
            site=given["site"],
            region=given["region"],
            city=given["city"],
            depot=given["depot"],
        )

    def forecast(self, form: ForecastForm, units: UnitQuerySet) -> Forecast:
        """Roll the units forward as the form asks."""
        given = form.cleaned_data
        return forecast(
            units.values_list("pk", flat=True),
            now=self.now,
            years=given["years"] or 1,
            planned=planned_days(units) if given["pace"] == PLANNED else {},
            tasks=frozenset({Task(given["task"])}) if given["task"] else frozenset(),
        )

    def show(self, form: ForecastForm, found: Forecast, run: ForecastRun | None = None) -> HttpResponse:
        """The page."""
        given = form.cleaned_data
        months = found.by_month()
        years = sorted({month.year for month in months})
        groups = found.by_year(By(given["by"] or By.TASK))
        book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
        query = [(name, str(value)) for name, value in self.request.GET.items() if name != "as" and value]
        context = {
            "form": form,
            "found": found,
            "run": run,
            "pace": PACE_WORDS[given["pace"] or TARGET],
            "by": BY_LABELS[By(given["by"] or By.TASK)],
            "owed": found.owed.total(),
            "unknown": found.unknown.total(),
            "replacements": sum(n for key, n in found.counts.items() if key.task is Task.RETIREMENT),
            "tasks": [TASK_LABELS[task] for task in found.tasks],
            "months": [
                {"month": month, "cells": [counts[task] for task in found.tasks], "total": counts.total()}
                for month, counts in months.items()
            ],
            "years": years,
            "groups": [
                {"name": name, "cells": [counts[year] for year in years], "total": counts.total()}
                for name, counts in list(groups.items())[:SHOWN_GROUPS]
            ],
            "more_groups": max(len(groups) - SHOWN_GROUPS, 0),
            "chart": chart([(month, counts.total()) for month, counts in months.items()]),
            "export_query": urlencode([*query, ("as", "csv")]),
            "confirm": book.notice(found.tables),
        }
        return self.page("desk/forecast.html", context)

    def file(self, form: ForecastForm, found: Forecast) -> StreamingHttpResponse:
        """The counts as a CSV file, one row for each month, site, task and table."""
        response = StreamingHttpResponse(
            csv_lines(HEADINGS, cells_of(found, form.cleaned_data["pace"] or TARGET)),
            content_type="text/csv; charset=utf-8",
        )
        response["Content-Disposition"] = f'attachment; filename="forecast-{found.start}-{found.end}.csv"'
        return response


def wanted_of(form: ForecastForm) -> dict[str, Any]:
    """What a valid form asks for, in the form in which a background forecast keeps it."""
    given = form.cleaned_data
    return {
        "years": given["years"] or 1,
        "pace": given["pace"] or TARGET,
        "task": given["task"],
        "owner": given["owner"].pk if given["owner"] else None,
        "site": given["site"].pk if given["site"] else None,
        "depot": given["depot"].pk if given["depot"] else None,
        "region": given["region"],
        "city": given["city"],
    }


def cells_of(found: Forecast, pace: str) -> Iterator[tuple[Any, ...]]:
    """The cells of each count, under ``HEADINGS``."""
    book = TableBook()
    for key, number in sorted(found.counts.items(), key=lambda item: item[0]):
        site = found.sites[key.site_id]
        table = book.get(key.table_key, key.table_version)
        yield (
            f"{key.month:%Y-%m}",
            site.owner.name,
            site.code,
            site.name,
            site.city,
            site.region,
            site.country,
            depot_name(site),
            TASK_LABELS[key.task],
            table.title,
            table.version,
            number,
            found.owed[key],
            found.unknown[key],
            PACE_WORDS[pace],
            found.start,
            found.end,
            table.sentence,
            STANDING_LINE,
        )


def chart(totals: list[tuple[date, int]]) -> dict[str, Any]:
    """Bars of a drawing that is ``CHART_WIDTH`` wide: one for each month, years named below."""
    most = max((number for _, number in totals), default=0) or 1
    step = CHART_WIDTH / max(len(totals), 1)
    room = CHART_HEIGHT - CHART_FOOT - CHART_HEAD
    bars, labels = [], []
    for place, (month, number) in enumerate(totals):
        height = round(room * number / most, 1)
        bars.append(
            {
                "x": f"{place * step + step * 0.1:.1f}",
                "y": f"{CHART_HEIGHT - CHART_FOOT - height:.1f}",
                "width": f"{step * 0.8:.1f}",
                "height": f"{height:.1f}",
                "title": f"{month:%B %Y}: {number}",
            }
        )
        if place == 0 or month.month == 1:
            labels.append({"x": f"{place * step + step * 0.1:.1f}", "text": f"{month.year}"})
    if len(labels) > 1 and float(labels[1]["x"]) - float(labels[0]["x"]) < 60:
        labels = labels[1:]
    peak = max(totals, key=lambda item: item[1], default=None)
    words = (
        f"{len(totals)} months. The most falls due in {peak[0]:%B %Y}: {peak[1]}. "
        "The table by month below holds every number."
        if peak and peak[1]
        else "Nothing falls due."
    )
    return {
        "width": CHART_WIDTH,
        "height": CHART_HEIGHT,
        "foot": CHART_HEIGHT - CHART_FOOT,
        "text_y": CHART_HEIGHT - 6,
        "head": CHART_HEAD,
        "most": most,
        "bars": bars,
        "labels": labels,
        "words": words,
    }
