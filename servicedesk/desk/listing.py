"""What every long list of the desk does alike: sort by a heading, cut in pages, hand out, keep its filter.

A list stands in its address: filters, ``sort``, ``page``. With ``as=csv`` or ``as=xlsx`` the same address
hands out every row that matches, not the page alone.
"""

from __future__ import annotations

import uuid
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Any, ClassVar

from django.core.paginator import Page, Paginator
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode

from inventory.errors import Conflict
from schedules.due.queries import batched
from servicedesk.access import Act
from servicedesk.desk.many import MOST_AT_ONCE, Way, run_many
from servicedesk.desk.models import ManyAct, SavedFilter
from servicedesk.exchange.tables_out import FORMATS, table_response
from servicedesk.pages import PAGE_SIZE, STANDING_LINE, PageView, read_uuid

MOST_COUNTED = 10_000
"""Rows up to which a list is counted; what lies behind is reached by narrowing the list."""

MOST_FOUND = 2_000
"""The same of a list that is narrowed down by words: for each row, several texts are looked at."""

PIECE = 500
NAMED = 10

Column = tuple[str, Callable[[Any], Any]]


class CountedPages(Paginator):
    """Pages of a list that is counted to ``most`` and no further."""

    def __init__(self, listed: Any, size: int, *, most: int) -> None:
        super().__init__(listed, size)
        self.most = most

    @cached_property
    def _counted(self) -> int:
        rows: Any = self.object_list
        return len(rows) if isinstance(rows, list) else int(rows.order_by()[: self.most + 1].count())

    @cached_property
    def count(self) -> int:
        """How many rows can be turned over."""
        return min(self._counted, self.most)

    @property
    def is_more(self) -> bool:
        """Whether there are more than were counted."""
        return self._counted > self.most


class ListView(PageView, ABC):
    """Base of the desk's lists: ``rows()`` is what the address asks for, ``lines()`` what is shown of it."""

    listing: ClassVar[str]
    """The name of the page in the addresses."""
    thing: ClassVar[tuple[str, str]]
    """One and several."""
    sorts: ClassVar[Mapping[str, tuple[Any, ...]]]
    """Orders by their name in the address; the empty one is that of the list as it opens."""
    long_sorts: ClassVar[Sequence[str] | None] = None
    """Orders that follow an index, so that a list of any length can have them; None: every one."""
    columns: ClassVar[Sequence[Column]]
    """Headings and cells of the file; a cell is made of a line."""
    ways: ClassVar[Sequence[Way]] = ()

    @abstractmethod
    def rows(self) -> QuerySet[Any] | None:
        """The rows in scope that the address asks for, in no order; None when its filters cannot be."""

    @abstractmethod
    def lines(self, rows: Sequence[Any]) -> list[dict[str, Any]]:
        """What is shown of each of ``rows``, in their order; the row itself under ``row``."""

    @abstractmethod
    def show(self, page: Page[Any], context: dict[str, Any], status: int) -> HttpResponse:
        """The page."""

    # --- reading ------------------------------------------------------------------------------------

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show one page of the list, or hand out all of it."""
        rows = self.rows()
        form = request.GET.get("as", "")
        if rows is not None and form in FORMATS:
            return self.handed_out(rows, form)
        return self.shown(rows)

    def shown(self, rows: QuerySet[Any] | None, status: int = 200) -> HttpResponse:
        """The page that the address asks for; one past the end gives the last."""
        listed: Any = [] if rows is None else self.sorted(rows)
        is_searched = bool(self.request.GET.get("q", "").strip())
        most = min(MOST_FOUND, MOST_COUNTED) if is_searched else MOST_COUNTED
        pages = CountedPages(listed, PAGE_SIZE, most=most)
        sort = self.request.GET.get("sort", "")
        is_unsorted = bool(
            sort in self.sorts
            and self.long_sorts is not None
            and sort not in self.long_sorts
            and pages.is_more
        )
        if is_unsorted and sort and rows is not None:
            pages.object_list = rows.order_by(*self.sorts[""])
        page = pages.get_page(self.request.GET.get("page"))
        context = {
            "lines": self.lines(list(page.object_list)),
            "page_obj": page,
            "sort": "" if is_unsorted else sort,
            "sort_is_left_out": is_unsorted and bool(sort),
            "most_counted": most,
            "listing": self.listing,
            "thing": self.thing[1],
            **self.tools(page),
        }
        return self.show(page, context, 400 if rows is None else status)

    def sorted(self, rows: QuerySet[Any]) -> QuerySet[Any]:
        """``rows`` in the order that the address asks for."""
        order = self.sorts.get(self.request.GET.get("sort", ""), self.sorts[""])
        return rows.order_by(*order)

    def handed_out(self, rows: QuerySet[Any], form: str) -> HttpResponseBase:
        """Every row as a file."""
        name = f"{self.listing.partition(':')[2]}-{self.now:%Y-%m-%d}"
        headings = [*(heading for heading, _ in self.columns), "note"]
        return table_response(form, name, headings, self.cells(rows))

    def cells(self, rows: QuerySet[Any]) -> Iterator[list[Any]]:
        """The cells of every row, read in pieces."""
        for piece in batched(self.sorted(rows).iterator(chunk_size=PIECE), PIECE):
            for line in self.lines(piece):
                yield [*(cell(line) for _, cell in self.columns), STANDING_LINE]

    def tools(self, page: Page[Any]) -> dict[str, Any]:
        """What stands around the list: saved filters, files, and what can be done with many rows."""
        kept = [(k, str(v)) for k, v in self.request.GET.items() if k not in ("page", "as", "csrf") and v]
        query = urlencode(kept)
        may_act = bool(self.ways) and self.may(Act.CHANGE_REGISTER)
        return {
            "query": query,
            "files": [(form.upper(), f"?{urlencode([*kept, ('as', form)])}") for form in FORMATS],
            "saved": saved_filters(self.person, self.listing, query),
            "may_keep": bool(query),
            "ways": [way.drawn() for way in self.ways] if may_act and page.paginator.count else [],
            "act_ref": str(uuid.uuid4()),
            "last_act": self.last_act() if may_act else None,
            "most_at_once": MOST_AT_ONCE,
        }

    def last_act(self) -> ManyAct | None:
        """The person's last act on this list of today, if it can still be undone."""
        act = ManyAct.objects.filter(made_by=self.person, listing=self.listing).order_by("-pk").first()
        if act is None or act.undone_at is not None or not act.changes:
            return None
        way = next((way for way in self.ways if way.code == act.act), None)
        return (
            act
            if way is not None and way.undo is not None and act.made_at.date() == self.now.date()
            else None
        )

    # --- acting -------------------------------------------------------------------------------------

    def post(self, request: HttpRequest) -> HttpResponseBase:
        """Act on the ticked rows, or on all that match; everything is done or nothing."""
        self.demand(Act.CHANGE_REGISTER)
        here = redirect(f"{reverse(self.listing)}?{request.GET.urlencode()}")
        way = next((way for way in self.ways if way.code == request.POST.get("do")), None)
        rows = self.rows()
        if way is None or rows is None:
            self.warn("Nothing was changed: choose what to do with the ticked rows.")
            return here
        chosen = self.chosen(rows)
        if not chosen:
            self.warn("No row was ticked; nothing was changed.")
            return here
        if len(chosen) > MOST_AT_ONCE:
            self.warn(f"More than {MOST_AT_ONCE} rows at once; nothing was changed. Narrow the list down.")
            return here
        value, reason = request.POST.get(f"value-{way.code}", ""), request.POST.get("reason", "").strip()
        problem = way.wrong_with(value, reason)
        if problem:
            self.warn(f"{problem} Nothing was changed.")
            return here
        try:
            act = run_many(
                way, chosen, value=value, reason=reason, listing=self.listing, by=self.person, now=self.now,
                ref=read_uuid(request.POST.get("ref", "")),
            )  # fmt: skip
        except Conflict as conflict:
            self.refused(conflict)
            return here
        if isinstance(act, HttpResponseBase):
            return act
        if act.changes:
            self.told(act.said)
        self.tell_refused(act.refused)
        return here

    def tell_refused(self, refused: Iterable[Sequence[str]]) -> None:
        """Say which rows were left as they are, and why."""
        rows = list(refused)
        if not rows:
            return
        told = "; ".join(f"{what}: {why}" for what, why in rows[:NAMED])
        more = f"; and {len(rows) - NAMED} more" if len(rows) > NAMED else ""
        self.warn(f"{len(rows)} left as {'it is' if len(rows) == 1 else 'they are'}. {told}{more}")

    def chosen(self, rows: QuerySet[Any]) -> list[Any]:
        """The rows meant, one more than may be acted on at once at most."""
        if self.request.POST.get("everything") == "yes":
            return list(self.sorted(rows)[: MOST_AT_ONCE + 1])
        picked = [read_uuid(text) for text in self.request.POST.getlist("pick")[: MOST_AT_ONCE + 1]]
        return list(self.sorted(rows.filter(public_id__in=picked))) if picked else []


# --- filters with a name ----------------------------------------------------------------------------


def saved_filters(person: Any, listing: str, query: str) -> list[dict[str, Any]]:
    """The filters of a list that ``person`` keeps or colleagues share, with their addresses."""
    rows = (
        SavedFilter.objects.filter(Q(kept_by=person) | Q(is_shared=True), listing=listing)
        .select_related("kept_by")
        .order_by("name", "pk")
    )
    return [
        {
            "filter": row,
            "url": f"{reverse(listing)}?{row.query}",
            "is_own": row.kept_by_id == person.pk,
            "is_current": row.query == query,
        }
        for row in rows
    ]
