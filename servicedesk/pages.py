"""What every page shares: who may open it, which rows it sees, its frame, its paging.

``PageView`` is the page twin of the API's ``ScopedViewSet``: a page names the acts of which one opens
it, and reads rows through ``self.scope`` only. What lies outside the scope is *not found*.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from functools import cached_property
from typing import Any, ClassVar, TypeVar
from uuid import UUID
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import BadRequest, PermissionDenied, ValidationError
from django.core.paginator import Page, Paginator
from django.db.models import Model, QuerySet
from django.forms import BaseForm
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.cache import patch_cache_control
from django.views import View

from inventory.access import Scope
from inventory.errors import Conflict
from schedules.due.queries import STATUS_LABELS, Status
from servicedesk.access import Act, may, scope_of
from servicedesk.accounts.models import User

STANDING_LINE = "Interval tables are defaults to confirm against local code."
PAGE_SIZE = 50

# An unknown date and a kind without a rule look alike: nobody can say that the unit is fine.
TONES: Mapping[Status, str] = {
    Status.OVERDUE: "overdue",
    Status.DUE: "soon",
    Status.IN_DATE: "ok",
    Status.UNKNOWN: "unknown",
    Status.UNCOVERED: "unknown",
    Status.NO_DATE: "none",
}

AnyModel = TypeVar("AnyModel", bound=Model)


def clock() -> datetime:
    """The instant at which a page is judged."""
    return timezone.now()


class PageView(View):
    """Base of every page of signed-in people.

    ``acts`` names the acts of which one opens the page. A stranger is sent to sign in and comes back;
    somebody whose role allows none of the acts gets a 403.
    """

    acts: ClassVar[tuple[Act, ...]]

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        """Let in who may, and keep the answer out of shared caches."""
        if not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        self.demand(*self.acts)
        # No keyboard types it and PostgreSQL keeps no text that holds it: here for every form at once.
        if any("\0" in text for _, texts in request.POST.lists() for text in texts):
            raise BadRequest("A text holds a character that cannot be stored. Type it again.")
        response = super().dispatch(request, *args, **kwargs)
        patch_cache_control(response, private=True, no_cache=True)
        return response

    # --- who and when -----------------------------------------------------------------------------

    def demand(self, *acts: Act) -> None:
        """Raise ``PermissionDenied`` unless the person may do one of ``acts``."""
        if not any(self.may(act) for act in acts):
            raise PermissionDenied

    def may(self, act: Act) -> bool:
        """Whether the signed-in person may do ``act``."""
        return may(self.request.user, act)

    @cached_property
    def scope(self) -> Scope:
        """What the person may see, built once per request."""
        return scope_of(self.request.user)

    @cached_property
    def now(self) -> datetime:
        """The instant of the request; everything on one page is judged at it."""
        return clock()

    @property
    def person(self) -> User:
        """The signed-in person."""
        user = self.request.user
        if not isinstance(user, User):
            raise PermissionDenied
        return user

    def today_in(self, zone: str) -> date:
        """The civil date in the time zone ``zone`` at the instant of the request."""
        return self.now.astimezone(ZoneInfo(zone)).date()

    # --- reading and answering --------------------------------------------------------------------

    def found(self, rows: QuerySet[AnyModel], public_id: UUID) -> AnyModel:
        """The row of that id among ``rows``, which are in scope already; a 404 otherwise."""
        row = rows.filter(public_id=public_id).first()
        if row is None:
            raise Http404
        return row

    def pressed(self, *known: str) -> str:
        """The word of the button that was pressed, one of ``known``; a 400 for any other, so that a word
        nobody knows does nothing. ``""`` among them stands for a form whose one button has no word."""
        word: str = self.request.POST.get("do", "")
        if word not in known:
            raise BadRequest("The button is not known here.")
        return word

    def page(self, template: str, context: Mapping[str, Any], status: int = 200) -> HttpResponse:
        """Render ``template``."""
        return render(self.request, template, dict(context), status=status)

    def told(self, sentence: str) -> None:
        """Tell the person what was done, on the next page."""
        messages.success(self.request, sentence)

    def warn(self, sentence: str) -> None:
        """Tell the person on the next page what still needs looking at."""
        messages.warning(self.request, sentence)

    def refused(self, problem: Conflict | ValidationError) -> None:
        """Tell the person on the next page why nothing was changed."""
        messages.error(self.request, refusal(problem))


def refusal(problem: Conflict | ValidationError) -> str:
    """What a service refused, in one line."""
    if isinstance(problem, Conflict):
        return problem.sentence
    return " ".join(problem.messages)


def place_errors(form: BaseForm, problem: ValidationError) -> None:
    """Put what a service refused beside the field of ``form`` that it is about, else on top."""
    if not hasattr(problem, "error_dict"):
        form.add_error(None, problem)
        return
    for name, errors in problem.error_dict.items():
        form.add_error(name if name in form.fields else None, errors)


def chip(status: Status | None, on: date | None = None) -> dict[str, Any]:
    """What ``_status.html`` takes for a status; without one nothing is due."""
    if status is None:
        return {"tone": "none", "word": "Nothing due"}
    # A date that only says since when it is unknown would read as a due date.
    shown_on = None if status is Status.UNKNOWN else on
    return {"tone": TONES[status], "word": STATUS_LABELS[status], "on": shown_on}


def read_uuid(text: str) -> UUID:
    """The id that a form sent; one that is none finds no row."""
    try:
        return UUID(text)
    except ValueError:
        return UUID(int=0)


def paged(
    request: HttpRequest, rows: QuerySet[AnyModel], size: int = PAGE_SIZE, *, count: int | None = None
) -> Page[AnyModel]:
    """The page of ``rows`` that the address asks for; one past the end gives the last.

    With ``count`` their number is known already and is not counted again.
    """
    paginator = Paginator(rows, size)
    if count is not None:
        paginator.count = count
    return paginator.get_page(request.GET.get("page"))


# --- the frame around every page ------------------------------------------------------------------

# What belongs together stands together: a word on the bar, and its pages on the line below it.
Pages = tuple[tuple[str, str], ...]
_TODAY: Pages = (
    ("Overview", "desk:overview"),
    ("Exceptions", "desk:exceptions"),
    ("Due", "desk:due"),
    ("Findings", "desk:findings"),
    ("Defects", "desk:defects"),
    ("Doubts", "desk:doubts"),
    ("Deadlines", "desk:deadlines"),
)
_PLANNING: Pages = (
    ("Visits", "desk:visits"),
    ("Surveys", "desk:surveys"),
    ("Months ahead", "desk:outlook"),
    ("Routes", "desk:plans"),
    ("Forecast", "desk:forecast"),
    ("Figures", "desk:figures"),
)
_REGISTER: Pages = (
    ("Sites", "desk:sites"),
    ("Units", "desk:units"),
    ("Alike", "desk:alike"),
    ("Recalls", "desk:recalls"),
    ("Owners", "desk:owners"),
    ("Bring in", "desk:import"),
)
_PAPERS: Pages = (
    ("Certificates", "desk:certificates"),
    ("Quotations", "desk:quotations"),
    ("Mails", "desk:mails"),
)
_CONTRACTS: Pages = (
    ("Contracts", "desk:terms"),
    ("Renewals", "desk:renewals"),
)
_TABLES: Pages = (
    ("Interval tables", "desk:tables"),
    ("Compare", "desk:table-compare"),
    ("Try out", "desk:table-try"),
    ("Who decided what", "desk:table-history"),
)
_WORKSHOP: Pages = (
    ("Job cards", "bench:home"),
    ("Goods", "bench:stock"),
    ("Loans and places", "bench:loans"),
    ("Condition", "desk:condition"),
    ("Demand", "desk:demand"),
)
_DESK = (
    ("Today", _TODAY),
    ("Planning", _PLANNING),
    ("Register", _REGISTER),
    ("Papers", _PAPERS),
    ("Contracts", _CONTRACTS),
    ("Tables", _TABLES),
    ("Workshop", _WORKSHOP),
)
# Whole registers and personal data are a manager's matter.
_KEEPING: Pages = (
    ("Hand over", "desk:handover"),
    ("Take over", "desk:take-over"),
    ("Personal data", "desk:erase"),
)
_FOR_MANAGERS: Mapping[str, Pages] = {"Register": _KEEPING, "Contracts": (("Billing", "desk:billing"),)}
_MANAGER = tuple((label, (*pages, *_FOR_MANAGERS.get(label, ()))) for label, pages in _DESK)
_READ_TABLES = ("Tables", _TABLES[:1])
NAVIGATION: Mapping[str, tuple[tuple[str, Pages], ...]] = {
    "manager": _MANAGER,
    "dispatcher": _DESK,
    "technician": (("My visits", (("My visits", "field:home"),)), _READ_TABLES),
    "workshop": (("Workshop", _WORKSHOP), ("Units", (("Units", "desk:units"),)), _READ_TABLES),
    "owner": (
        (
            "My premises",
            (("Sites", "portal:home"), ("Monthly looks", "portal:looks"), ("Figures", "portal:figures")),
        ),
        ("Visits", (("Visits", "portal:visits"),)),
        (
            "Papers",
            (
                ("All papers", "portal:papers"),
                ("Certificates", "portal:certificates"),
                ("Quotations", "portal:quotations"),
                ("What is agreed", "portal:terms"),
                ("My data", "portal:export"),
            ),
        ),
        _READ_TABLES,
    ),
}


def start_address(user: User) -> str:
    """Where ``user`` lands after signing in: the start page of the role."""
    groups = NAVIGATION.get(user.role)
    if not groups:
        raise PermissionDenied
    return reverse(groups[0][1][0][1])


def nav_items(user: User, path: str) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The groups of pages that the role of ``user`` may open, and the pages of the one ``path`` is in.

    A group of one page has no line of its own below the bar.
    """
    groups = [
        (label, [{"label": word, "url": reverse(name)} for word, name in pages])
        for label, pages in NAVIGATION.get(user.role, ())
    ]
    addresses = [page["url"] for _, pages in groups for page in pages]
    # The longest address that begins the path: /desk/ begins every page of the desk.
    current = max((url for url in addresses if path.startswith(url)), key=len, default=None)
    bar: list[dict[str, Any]] = []
    within: list[dict[str, Any]] = []
    for label, pages in groups:
        is_current = any(page["url"] == current for page in pages)
        bar.append({"label": label, "url": pages[0]["url"], "is_current": is_current})
        if is_current and len(pages) > 1:
            within = [page | {"is_current": page["url"] == current} for page in pages]
    return bar, within


def frame(request: HttpRequest) -> dict[str, Any]:
    """Context of every template: the firm's name and the navigation of the signed-in person."""
    user = getattr(request, "user", None)
    bar, within = nav_items(user, request.path) if isinstance(user, User) else ([], [])
    return {
        "firm_name": settings.FIRM_NAME,
        "nav_items": bar,
        "nav_within": within,
        "standing_line": STANDING_LINE,
    }
