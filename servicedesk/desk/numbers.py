"""Numbers back: planned against done, on time, driving, by technician and week; as page and file."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

from django import forms
from django.http import HttpRequest, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.utils.http import urlencode

from schedules.routes.numbers import Numbers, monday, numbers_back
from servicedesk.access import Act
from servicedesk.accounts.models import User
from servicedesk.desk.fields import PickField
from servicedesk.desk.outlook_charts import weeks_chart
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import PageView

WEEKS = 12
MOST_WEEKS = 104

HEADINGS = (
    "week_from",
    "technician",
    "visits_planned",
    "visits_done",
    "visits_cancelled",
    "done_share",
    "on_time_share",
    "on_planned_day_share",
    "jobs",
    "jobs_recorded",
    "planned_minutes_on_site",
    "minutes_on_site_where_planned",
    "planned_driving_minutes",
    "planned_driving_share",
    "minutes_between_visits",
    "between_visits_share",
)


class TechnicianField(PickField):
    """A technician by name."""

    def label_from_instance(self, obj: Any) -> str:
        """The name as other pages show it."""
        return str(obj.display_name)


class NumbersForm(forms.Form):
    """Which weeks, and whose."""

    weeks = forms.TypedChoiceField(
        label="Weeks back",
        coerce=int,
        required=False,
        choices=[(n, f"{n} weeks") for n in (4, WEEKS, 26, 52, MOST_WEEKS)],
        initial=WEEKS,
    )
    technician = TechnicianField(
        label="Technician", queryset=User.objects.none(), required=False, empty_label="All technicians"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["technician"].queryset = User.objects.filter(  # type: ignore[attr-defined]
            role="technician"
        ).order_by("last_name", "first_name", "pk")


class NumbersView(PageView):
    """The numbers."""

    acts = (Act.PLAN_VISITS,)

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show them, or hand them out as a file."""
        form = NumbersForm({"weeks": str(WEEKS), **request.GET.dict()})
        if not form.is_valid():
            return self.page("desk/numbers.html", {"form": form}, status=400)
        last = self.now.date()
        weeks = form.cleaned_data["weeks"] or WEEKS
        first = monday(last) - timedelta(weeks=weeks - 1)
        chosen = form.cleaned_data["technician"]
        found = numbers_back(
            self.scope, first_on=first, last_on=last, technician_id=chosen.pk if chosen else None
        )
        people = User.objects.in_bulk({person for person, _ in found})
        lines = sorted(
            ((week, people[person].display_name, numbers) for (person, week), numbers in found.items()),
            key=lambda line: (-line[0].toordinal(), line[1]),
        )
        if request.GET.get("as") == "csv":
            response = StreamingHttpResponse(
                csv_lines(HEADINGS, _cells(lines)), content_type="text/csv; charset=utf-8"
            )
            response["Content-Disposition"] = f'attachment; filename="numbers-{first}-{last}.csv"'
            return response
        mondays = [first + timedelta(weeks=n) for n in range(weeks)]
        context = {
            "form": form,
            "first": first,
            "last": last,
            "lines": [{"week": week, "name": name, "numbers": n} for week, name, n in lines],
            "total": _sum(numbers for _, _, numbers in lines),
            "people": _people(lines),
            "chart": _chart(mondays, lines),
            "export_query": urlencode({**request.GET.dict(), "as": "csv"}),
        }
        return self.page("desk/numbers.html", context)


Line = tuple[date, str, Numbers]


def _sum(all_numbers: Any) -> Numbers:
    found = Numbers()
    for numbers in all_numbers:
        found.add(numbers)
    return found


def _people(lines: list[Line]) -> list[dict[str, Any]]:
    """The sums of each technician over all weeks."""
    names = sorted({name for _, name, _ in lines})
    return [
        {"name": name, "numbers": _sum(numbers for _, whose, numbers in lines if whose == name)}
        for name in names
    ]


def _chart(mondays: list[date], lines: list[Line]) -> dict[str, Any]:
    """Driving as a share by week: between visits as bars, planned as a line."""
    weeks = {week: _sum(n for when, _, n in lines if when == week) for week in mondays}

    def percent(share: float | None) -> float | None:
        return None if share is None else 100 * share

    return weeks_chart(
        mondays,
        [percent(weeks[week].between_share) for week in mondays],
        [percent(weeks[week].planned_drive_share) for week in mondays],
        unit="%",
        bar_word="Between visits, as recorded",
        line_word="Driving, as planned",
    )


def _cells(lines: list[Line]) -> Iterator[tuple[Any, ...]]:
    for week, name, n in lines:
        yield (
            week,
            name,
            n.planned,
            n.done,
            n.cancelled,
            _rounded(n.done_share),
            _rounded(n.on_time_share),
            _rounded(n.on_its_day_share),
            n.jobs,
            n.jobs_done,
            round(n.planned_site_minutes),
            round(n.site_minutes),
            round(n.planned_drive_minutes),
            _rounded(n.planned_drive_share),
            round(n.between_minutes),
            _rounded(n.between_share),
        )


def _rounded(share: float | None) -> str:
    return "" if share is None else f"{share:.3f}"
