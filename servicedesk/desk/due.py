"""The due list: what falls due, filtered, sorted, and as a file of exactly what is seen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import F, QuerySet
from django.db.models.expressions import OrderBy
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.utils.http import urlencode

from schedules.due.models import Obligation
from schedules.due.queries import (
    OPEN_STATUSES,
    SEVERITY,
    STATUS_LABELS,
    Status,
    due_list,
    shown,
    status_counts,
    status_on,
    with_statuses,
    with_why,
)
from servicedesk.access import Act
from servicedesk.desk.due_forms import EVERYTHING, DueFilterForm
from servicedesk.desk.tables_shown import TableBook, TableShown
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import STANDING_LINE, PageView, chip, paged

NONE_LEFT = Obligation.objects.none()

TAB_WORDS = {Status.UNKNOWN: "Date unknown", Status.UNCOVERED: "No rule", Status.NO_DATE: "No date"}

HEADINGS = (
    "unit",
    "serial",
    "kind",
    "owner",
    "site_code",
    "site",
    "location",
    "place",
    "task",
    "status",
    "earliest_on",
    "target_on",
    "latest_on",
    "counts_from",
    "knowledge",
    "binds",
    "table",
    "table_version",
    "rule",
    "table_confirmation",
    "judged_on",
    "note",
)


@dataclass(frozen=True, slots=True)
class DueRow:
    """One line of the due list."""

    obligation: Obligation
    status: Status
    chip: dict[str, Any]
    table: TableShown
    today: date


class DueView(PageView):
    """The due list."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of it."""
        form = DueFilterForm(request.GET, scope=self.scope)
        is_valid = form.is_valid()
        every = due_list(self.scope, form.wanted()) if is_valid else NONE_LEFT
        counts = status_counts(every, self.now)
        page = paged(request, self.wanted_rows(form) if is_valid else NONE_LEFT)
        book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
        rows = [self.line(owed, book) for owed in page.object_list]
        context = {
            "form": form,
            "rows": rows,
            "page_obj": page,
            "tabs": _tabs(request, form, counts),
            "sort": request.GET.get("sort", ""),
            "export_query": urlencode([(k, str(v)) for k, v in request.GET.items() if k != "page" and v]),
            "is_filtered": any(v for k, v in request.GET.items() if k not in ("page", "sort")),
            "confirm": book.notice((row.table.key, row.table.version) for row in rows),
        }
        return self.page("desk/due.html", context, status=200 if is_valid else 400)

    def wanted_rows(self, form: DueFilterForm) -> QuerySet[Obligation]:
        """The rows that a valid form asks for, in its order; those without a date come last."""
        rows = due_list(self.scope, form.wanted())
        statuses = form.statuses()
        if statuses is not None:
            rows = with_statuses(rows, statuses, self.now)
        return shown(rows).order_by(*(_dates_last(name) for name in form.order()))

    def line(self, owed: Obligation, book: TableBook) -> DueRow:
        """One row, judged on its site's own today."""
        today = self.today_in(owed.site.time_zone if owed.site else "UTC")
        status = status_on(
            knowledge=owed.knowledge,
            is_deferred=owed.is_deferred,
            latest_on=owed.latest_on,
            target_on=owed.target_on,
            today=today,
        )
        table = book.get(owed.table_key, owed.table_version)
        return DueRow(owed, status, chip(status, owed.latest_on), table, today)


class DueExportView(DueView):
    """The due list as a CSV file: every row that the same address shows on the page, over all its pages."""

    def get(self, request: HttpRequest) -> HttpResponseBase:  # type: ignore[override]
        """Stream the file; a filter that cannot be is answered by the page."""
        form = DueFilterForm(request.GET, scope=self.scope)
        if not form.is_valid():
            return super().get(request)
        lines = csv_lines(HEADINGS, self.cells(form))
        response = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
        response["Content-Disposition"] = f'attachment; filename="due-{self.today_in("UTC"):%Y-%m-%d}.csv"'
        return response

    def cells(self, form: DueFilterForm) -> Iterator[tuple[Any, ...]]:
        """The cells of each row."""
        book = TableBook()
        for owed in with_why(self.wanted_rows(form), self.now):
            row = self.line(owed, book)
            unit, site = owed.unit, owed.site
            yield (
                unit.number,
                unit.serial,
                unit.model.kind_text,
                site.owner.name if site else "",
                site.code if site else "",
                site.name if site else "",
                unit.location.number if unit.location else "",
                unit.location.place if unit.location else "",
                owed.get_task_display(),
                STATUS_LABELS[row.status],
                owed.earliest_on,
                owed.target_on,
                owed.latest_on,
                owed.basis_text,
                owed.knowledge,
                "yes" if owed.is_binding else "no",
                row.table.title,
                row.table.version,
                owed.rule_id,
                row.table.sentence,
                row.today,
                STANDING_LINE,
            )


def _dates_last(name: str) -> str | OrderBy:
    """A part of an order; a row without a date comes last, whichever way and in either database."""
    if name.lstrip("-") != "latest_on":
        return name
    latest = F("latest_on")
    return latest.desc(nulls_last=True) if name.startswith("-") else latest.asc(nulls_last=True)


def _tabs(request: HttpRequest, form: DueFilterForm, counts: dict[Status, int]) -> list[dict[str, Any]]:
    """Links to the same list in each status, with how many rows it holds."""
    kept = [(k, str(v)) for k, v in request.GET.items() if k not in ("page", "status") and v]
    chosen = form.data.get("status", "")
    tabs = [("", "To be done", sum(counts[status] for status in OPEN_STATUSES))]
    tabs += [
        (status.value, TAB_WORDS.get(status, STATUS_LABELS[status]), counts[status]) for status in SEVERITY
    ]
    tabs.append((EVERYTHING, "All", sum(counts.values())))
    return [
        {
            "label": label,
            "count": count,
            "query": "?" + urlencode([*kept, *([("status", code)] if code else [])]),
            "is_current": code == chosen,
        }
        for code, label, count in tabs
    ]
