"""Findings: units that no rule covers, records in doubt, manufacture dates nobody knows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase

from schedules.due.findings import FINDING_LABELS, Findings, Sort, finding_counts, finding_units, told
from servicedesk.access import Act
from servicedesk.desk.tables_shown import TableBook
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import STANDING_LINE, PageView, paged

HEADINGS = (
    "unit",
    "kind",
    "made",
    "owner",
    "site_code",
    "site",
    "finding",
    "text",
    "table",
    "table_confirmation",
    "note",
)


class FindingsView(PageView):
    """What a manager has to look into: never silence where the tables or records do not answer."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show one sort of findings, or with ``as=csv`` all of that sort as a file."""
        sort = Sort(request.GET["sort"]) if request.GET.get("sort") in list(Sort) else Sort.UNCOVERED
        units = finding_units(self.scope, sort, self.now)
        if request.GET.get("as") == "csv":
            return self.file(sort)
        counts = finding_counts(self.scope, self.now)
        page = paged(request, units, count=counts[sort])
        book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
        found = told(list(page.object_list), sort, self.now)
        return self.show(sort, page, found, book, counts)

    def show(
        self, sort: Sort, page: Any, found: list[Findings], book: TableBook, counts: dict[Sort, int]
    ) -> HttpResponse:
        """The page."""
        used = {table for line in found for table in line.tables}
        context = {
            "page_obj": page,
            "lines": [
                {
                    "unit": line.unit,
                    "texts": line.texts,
                    "tables": [book.get(*table) for table in line.tables],
                }
                for line in found
            ],
            "tabs": [
                {
                    "label": label,
                    "count": counts[one],
                    "query": f"?sort={one.value}",
                    "is_current": one is sort,
                }
                for one, label in FINDING_LABELS.items()
            ],
            "sort": sort.value,
            "confirm": book.notice(used),
        }
        return self.page("desk/findings.html", context)

    def file(self, sort: Sort) -> StreamingHttpResponse:
        """The findings of one sort as a CSV file."""
        response = StreamingHttpResponse(
            csv_lines(HEADINGS, self.cells(sort)), content_type="text/csv; charset=utf-8"
        )
        response["Content-Disposition"] = (
            f'attachment; filename="findings-{sort.value}-{self.today_in("UTC"):%Y-%m-%d}.csv"'
        )
        return response

    def cells(self, sort: Sort) -> Iterator[tuple[Any, ...]]:
        """The cells of each finding."""
        book = TableBook()
        units = list(finding_units(self.scope, sort, self.now))
        for start in range(0, len(units), 500):
            for line in told(units[start : start + 500], sort, self.now):
                tables = [book.get(*table) for table in line.tables]
                site = line.unit.site
                for text in line.texts:
                    yield (
                        line.unit.number,
                        line.unit.model.kind_text,
                        line.unit.made,
                        site.owner.name if site else "",
                        site.code if site else "",
                        site.name if site else "",
                        FINDING_LABELS[sort],
                        text,
                        "; ".join(f"{table.title} {table.version}" for table in tables),
                        " ".join(table.sentence for table in tables),
                        STANDING_LINE,
                    )
