"""The due list: what falls due, filtered, sorted, and as a file of exactly what is seen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import uuid4

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode

from inventory.errors import Conflict
from inventory.register.queries import sites_for
from schedules.due.lists import MOST_COUNTED, Counted, Counts, Listed, counts_of, dates_last
from schedules.due.models import Obligation
from schedules.due.queries import (
    SEVERITY,
    STATUS_LABELS,
    Status,
    due_list,
    shown,
    status_on,
    with_statuses,
    with_why,
)
from servicedesk.access import Act
from servicedesk.desk.due_forms import EVERYTHING, SORTS, DueFilterForm
from servicedesk.desk.listing import NAMED, saved_filters
from servicedesk.desk.many import run_many
from servicedesk.desk.many_units import PROPOSE_WAY
from servicedesk.desk.models import ManyAct
from servicedesk.desk.tables_shown import TableBook, TableShown
from servicedesk.desk.terms import mark_waiting
from servicedesk.exchange.tables_out import table_response
from servicedesk.pages import PAGE_SIZE, STANDING_LINE, PageView, chip, read_uuid

MOST_PAGES = MOST_COUNTED // PAGE_SIZE // 2
"""The last page that is reached by turning pages: a later one takes too long to walk to.

From there the list goes on from its last date, or is narrowed down."""

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
        counts = self.counts(form) if is_valid else Counts({}, Counted(0))
        is_long = counts.wanted.is_more or counts.wanted.number > MOST_COUNTED
        page = self.cut(form, counts.wanted, is_long=is_long) if is_valid else _no_page()
        book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
        rows = [self.line(owed, book) for owed in page.object_list]
        mark_waiting([row.obligation for row in rows], self.now)
        context = {
            "form": form,
            "rows": rows,
            "page_obj": page,
            "count_is_more": counts.wanted.is_more,
            "tabs": _tabs(request, form, counts),
            "sort": request.GET.get("sort", ""),
            "may_sort": not is_long,
            "sort_is_left_out": is_long and form.is_sorted_by_words,
            "go_on_from": _go_on_from(request, page, is_long=is_long),
            "most_counted": counts.wanted.number if counts.wanted.is_more else MOST_COUNTED,
            "export_query": urlencode([(k, str(v)) for k, v in request.GET.items() if k != "page" and v]),
            "is_filtered": any(v for k, v in request.GET.items() if k not in ("page", "sort")),
            **self.tools(),
            "confirm": book.notice((row.table.key, row.table.version) for row in rows),
        }
        return self.page("desk/due.html", context, status=200 if is_valid else 400)

    def tools(self) -> dict[str, Any]:
        """Saved filters, and proposing visits to the sites of ticked rows."""
        query = urlencode([(k, str(v)) for k, v in self.request.GET.items() if k != "page" and v])
        return {
            "listing": "desk:due",
            "query": query,
            "saved": saved_filters(self.person, "desk:due", query),
            "may_keep": bool(query),
            "ways": [PROPOSE_WAY.drawn()] if self.may(Act.PLAN_VISITS) else [],
            "act_ref": str(uuid4()),
        }

    def post(self, request: HttpRequest) -> HttpResponse:
        """Propose a visit to each site of the ticked rows that has work due in time."""
        self.demand(Act.PLAN_VISITS)
        here = redirect(f"{reverse('desk:due')}?{request.GET.urlencode()}")
        picked = {read_uuid(text) for text in request.POST.getlist("pick")}
        sites = list(sites_for(self.scope).filter(public_id__in=picked))
        value = request.POST.get("value-propose", "")
        problem = PROPOSE_WAY.wrong_with(value, "") if sites else "No row was ticked."
        if problem:
            self.warn(f"{problem} Nothing was changed.")
            return here
        try:
            act = run_many(
                PROPOSE_WAY, sites, value=value, reason="", listing="desk:due", by=self.person, now=self.now,
                ref=read_uuid(request.POST.get("ref", "")),
            )  # fmt: skip
        except Conflict as conflict:
            self.refused(conflict)
            return here
        if isinstance(act, ManyAct):
            self.told(act.said)
            for what, why in act.refused[:NAMED]:
                self.warn(f"{what}: {why}.")
        return here

    def counts(self, form: DueFilterForm) -> Counts:
        """How many rows of the list stand how."""
        return counts_of(self.scope, form.wanted(), form.statuses(), self.now)

    def cut(self, form: DueFilterForm, count: Counted, *, is_long: bool) -> Page[Obligation]:
        """The page that the address asks for; one past the end gives the last."""
        order = form.order()
        if is_long:
            order = SORTS["-latest" if order[0] == "-latest_on" else ""]
        rows = Listed(
            due_list(self.scope, form.wanted()),
            form.statuses(),
            order,
            self.now,
            count.number,
            is_long=is_long,
        )
        return _Pages(rows, PAGE_SIZE).get_page(self.request.GET.get("page"))  # type: ignore[arg-type]

    def wanted_rows(self, form: DueFilterForm) -> QuerySet[Obligation]:
        """The rows that a valid form asks for, in its order; those without a date come last."""
        rows = due_list(self.scope, form.wanted())
        statuses = form.statuses()
        if statuses is not None:
            rows = with_statuses(rows, statuses, self.now)
        return shown(rows).order_by(*(dates_last(name) for name in form.order()))

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
    """The due list as a file: every row that the same address shows on the page, over all its pages."""

    form = "csv"

    def get(self, request: HttpRequest) -> HttpResponseBase:  # type: ignore[override]
        """Stream the file; a filter that cannot be is answered by the page."""
        form = DueFilterForm(request.GET, scope=self.scope)
        if not form.is_valid():
            return super().get(request)
        name = f"due-{self.today_in('UTC'):%Y-%m-%d}"
        return table_response(self.form, name, HEADINGS, self.cells(form))

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


class _Pages(Paginator):
    """Pages of a list that may hold more rows than anybody turns over."""

    @property
    def num_pages(self) -> int:
        """The pages that can be reached."""
        return min(super().num_pages, MOST_PAGES)


def _no_page() -> Page[Obligation]:
    return _Pages(Obligation.objects.none(), PAGE_SIZE).get_page(1)


def _go_on_from(request: HttpRequest, page: Page[Obligation], *, is_long: bool) -> str:
    """On the last page that can be reached of a long list by date: the address of what follows."""
    by_date = request.GET.get("sort", "") not in ("-latest",)
    rows = list(page.object_list)
    if not (is_long and by_date and page.number == page.paginator.num_pages and rows and rows[-1].latest_on):
        return ""
    kept = {k: str(v) for k, v in request.GET.items() if k not in ("page", "latest_from", "sort") and v}
    return "?" + urlencode(kept | {"latest_from": rows[-1].latest_on.isoformat()})


def _tabs(request: HttpRequest, form: DueFilterForm, counts: Counts) -> list[dict[str, Any]]:
    """Links to the same list in each status, with how many rows it holds where that is known."""
    kept = [(k, str(v)) for k, v in request.GET.items() if k not in ("page", "status") and v]
    chosen = form.data.get("status", "")
    tabs: list[tuple[str, str, Counted | None]] = [("", "To be done", counts.open())]
    tabs += [
        (status.value, TAB_WORDS.get(status, STATUS_LABELS[status]), counts.by_status.get(status))
        for status in SEVERITY
    ]
    tabs.append((EVERYTHING, "All", counts.all()))
    found = []
    for code, label, known in tabs:
        is_current = code == chosen
        count = counts.wanted if is_current else known
        found.append(
            {
                "label": label,
                "count": count.number if count is not None else None,
                "is_more": count.is_more if count is not None else False,
                "is_shown": count is None or count.number > 0 or is_current or not code,
                "query": "?" + urlencode([*kept, *([("status", code)] if code else [])]),
                "is_current": is_current,
            }
        )
    return found
