"""Sites: the list with how each stands, and one site with everything about it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.core.paginator import Page
from django.db.models import Exists, F, OuterRef, QuerySet
from django.db.models.functions import Coalesce
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode

from inventory.logbook.defects import open_defects
from inventory.register.models import AccessWindow, Depot, Site, Unit
from inventory.register.queries import sites_for, units_by_site
from schedules.certificates.queries import certificates_for, standing_of
from schedules.due.queries import (
    OPEN_STATUSES,
    DueWanted,
    Standing,
    Status,
    Work,
    due_list,
    shown,
    standings,
    status_counts,
    status_on,
    with_statuses,
)
from schedules.rulebook.books import tables_here
from schedules.visits.ending import end_of
from schedules.visits.proposing import propose_visit
from schedules.visits.queries import loads, visits_for
from servicedesk.access import Act
from servicedesk.defects_shown import defect_lines
from servicedesk.desk.fields import day_field
from servicedesk.desk.listing import ListView
from servicedesk.desk.many_units import SITE_WAYS
from servicedesk.desk.tables_shown import TableBook
from servicedesk.desk.terms import terms_brief
from servicedesk.pages import PageView, chip, place_errors

NO_STANDING = Standing()
SHOWN_DUE = 12
SHOWN_DEFECTS = 12
SHOWN_VISITS = 8
SHOWN_CERTIFICATES = 6
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

STATUS_CHOICES = [
    ("", "All sites"),
    (Status.OVERDUE.value, "With overdue work"),
    (Status.DUE.value, "With work due"),
    (Status.UNKNOWN.value, "With unknown dates"),
    (Status.UNCOVERED.value, "With units no rule covers"),
]


class SiteFilterForm(forms.Form):
    """What the list of sites is narrowed to."""

    q = forms.CharField(
        label="Name, code, town or owner",
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    status = forms.ChoiceField(label="Work", required=False, choices=STATUS_CHOICES)
    depot = forms.ChoiceField(label="Depot", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        depots = [(str(pk), name) for pk, name in Depot.objects.values_list("public_id", "name")]
        self.fields["depot"].choices = [("", "All depots"), *depots]  # type: ignore[attr-defined]


class SitesView(ListView):
    """The list of sites."""

    acts = (Act.SEE_DESK,)
    listing = "desk:sites"
    thing = ("site", "sites")
    ways = SITE_WAYS
    sorts = {
        "": ("name", "pk"),
        "-site": ("-name", "-pk"),
        "code": ("code", "pk"),
        "-code": ("-code", "-pk"),
        "owner": ("owner__name", "name", "pk"),
        "-owner": ("-owner__name", "name", "pk"),
        "town": ("city", "name", "pk"),
        "-town": ("-city", "name", "pk"),
        "overdue": ("late", "name", "pk"),
        "-overdue": ("-late", "name", "pk"),
    }
    columns = (
        ("site_code", lambda line: line["row"].code),
        ("site", lambda line: line["row"].name),
        ("owner", lambda line: line["row"].owner.name),
        ("address", lambda line: line["row"].address),
        ("depot", lambda line: line["row"].depot.name if line["row"].depot else ""),
        ("language", lambda line: line["row"].get_language_display()),
        ("monthly_looks_by", lambda line: line["row"].get_monthly_checks_by_display()),
        ("time_zone", lambda line: line["row"].time_zone),
        ("units", lambda line: line["units"]),
        ("stands", lambda line: line["chip"]["word"]),
        ("overdue", lambda line: line["overdue"]),
        ("due", lambda line: line["due"]),
        ("in_doubt", lambda line: line["doubtful"]),
    )

    @cached_property
    def form(self) -> SiteFilterForm:
        """The filters of the address."""
        return SiteFilterForm(self.request.GET)

    def rows(self) -> QuerySet[Site] | None:
        """The sites that the address asks for."""
        if not self.form.is_valid():
            return None
        given = self.form.cleaned_data
        rows = sites_for(self.scope, given["q"]).select_related("owner", "depot")
        if given["status"]:
            work = due_list(self.scope, DueWanted()).filter(site=OuterRef("pk"))
            rows = rows.filter(Exists(with_statuses(work, [Status(given["status"])], self.now)))
        if given["depot"]:
            rows = rows.filter(depot__public_id=given["depot"])
        return rows

    def sorted(self, rows: QuerySet[Any]) -> QuerySet[Any]:
        """In the order of the address; by overdue work as the tallies have it."""
        if self.request.GET.get("sort", "").endswith("overdue"):
            rows = rows.annotate(late=Coalesce(F("tally__overdue"), 0))
        return super().sorted(rows)

    def lines(self, rows: Sequence[Site]) -> list[dict[str, Any]]:
        """Each site and how it stands."""
        ids = [site.pk for site in rows]
        work = due_list(self.scope, DueWanted()).filter(site__in=ids)
        stand = standings(work, "site_id", self.now)
        units = units_by_site(ids)
        lines = []
        for site in rows:
            here = stand.get(site.pk, NO_STANDING)
            lines.append(
                {
                    "row": site,
                    "site": site,
                    "chip": chip(here.worst, here.first_latest_on),
                    "units": units.get(site.pk, 0),
                    "overdue": here.counts.get(Status.OVERDUE, 0),
                    "due": here.counts.get(Status.DUE, 0),
                    "doubtful": here.counts.get(Status.UNKNOWN, 0) + here.counts.get(Status.UNCOVERED, 0),
                }
            )
        return lines

    def show(self, page: Page[Any], context: dict[str, Any], status: int) -> HttpResponse:
        """The page."""
        context |= {
            "form": self.form,
            "is_filtered": any(self.request.GET.get(name) for name in self.form.fields),
        }
        return self.page("desk/sites.html", context, status=status)


class ProposeForm(forms.Form):
    """How far ahead a visit gathers work, and on which day it shall be."""

    horizon_days = forms.IntegerField(
        label="Due within how many days",
        min_value=0,
        max_value=731,
        initial=92,
        help_text="A visit is proposed when something falls due within so many days. "
        "What falls due soon after comes along.",
        error_messages={
            "min_value": "Enter a number of days from 0 to 731.",
            "max_value": "Enter a number of days from 0 to 731.",
            "invalid": "Enter a whole number of days.",
        },
    )
    planned_on = day_field("Day of the visit")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["planned_on"].help_text = "Left empty: two weeks before the first latest date."


class SiteView(PageView):
    """One site."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show it; one that became part of another leads there."""
        gone = (
            Site.objects.visible_to(self.scope)
            .filter(public_id=site_id, merged_into__isnull=False)
            .select_related("merged_into")
            .first()
        )
        if gone is not None and gone.merged_into is not None:
            self.told(f"{gone.name} is part of {gone.merged_into.name}.")
            return redirect("desk:site", gone.merged_into.public_id)
        return self.show(self.site(site_id), ProposeForm())

    def post(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Propose a visit for what falls due here."""
        self.demand(Act.PLAN_VISITS)
        site = self.site(site_id)
        form = ProposeForm(request.POST)
        if form.is_valid():
            try:
                visit = propose_visit(site, by=self.person, now=self.now, **form.cleaned_data)
            except ValidationError as problem:
                place_errors(form, problem)
            else:
                if visit is not None:
                    self.told(f"Visit {visit.number} is proposed. Give it a technician and confirm it.")
                    return redirect("desk:visit", visit.public_id)
                form.add_error(
                    "horizon_days",
                    "Nothing that is not already on an open visit falls due here in that time. "
                    "Enter more days.",
                )
        return self.show(site, form, status=400)

    def site(self, site_id: UUID) -> Site:
        """The site in scope."""
        return self.found(sites_for(self.scope), site_id)

    def show(self, site: Site, form: ProposeForm, status: int = 200) -> HttpResponse:
        """The page."""
        today = self.today_in(site.time_zone)
        book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
        work = due_list(self.scope, DueWanted(site=site))
        counts = status_counts(work, self.now)
        places = self.places(site)
        tables = [
            book.of_state(here.state, here.varied)
            for here in tables_here(site.pk)
            if here.state.table.in_force(today)
        ]
        visits = list(visits_for(self.scope).filter(site=site).order_by("-planned_on", "-pk")[:SHOWN_VISITS])
        held = loads(visit.pk for visit in visits)
        papers = list(certificates_for(self.scope).filter(site=site)[:SHOWN_CERTIFICATES])
        context = {
            "crumbs": [{"label": "Sites", "url": reverse("desk:sites")}],
            "site": site,
            "today": today,
            "verdict": verdict_of(counts, places),
            "defects": defect_lines(open_defects(self.scope).filter(site=site)[:SHOWN_DEFECTS]),
            "hours": hours_of(site.access_windows.all()),
            "tables": tables,
            "unconfirmed_count": sum(not table.confirmed_by for table in tables),
            "places": places,
            "due": [
                {
                    "owed": owed,
                    "chip": chip(
                        status_on(
                            knowledge=owed.knowledge,
                            is_deferred=owed.is_deferred,
                            latest_on=owed.latest_on,
                            target_on=owed.target_on,
                            today=today,
                        ),
                        owed.latest_on,
                    ),
                }
                for owed in shown(with_statuses(work, OPEN_STATUSES, self.now)).order_by(
                    F("latest_on").asc(nulls_last=True), "unit__number", "pk"
                )[:SHOWN_DUE]
            ],
            "terms": terms_brief(site, self.now),
            "due_count": sum(counts[each] for each in OPEN_STATUSES),
            "due_query": urlencode({"site": str(site.public_id)}),
            "owners_look": self.owners_look(site),
            "visits": [{"visit": visit, "load": held.get(visit.pk)} for visit in visits],
            "certificates": [{"certificate": paper, "standing": standing_of(paper)} for paper in papers],
            "form": form,
            "may_plan": self.may(Act.PLAN_VISITS),
            "may_change": self.may(Act.CHANGE_REGISTER),
            "merged": list(site.aliases.order_by("name")),
            "may_quote": self.may(Act.MAKE_QUOTATIONS),
            "may_people": self.may(Act.MANAGE_OWNER_PEOPLE),
            "may_end": self.may(Act.END_SERVICE),
            "service_end": end_of(site),
        }
        return self.page("desk/site.html", context, status=status)

    def places(self, site: Site) -> list[dict[str, Any]]:
        """The units of the site by building and floor, those not in their place last."""
        stand = standings(due_list(self.scope, DueWanted(site=site)), "unit_id", self.now)
        rows = (
            Unit.objects.on_duty()
            .filter(site=site)
            .select_related("model", "location")
            .order_by(F("location__walking_order").asc(nulls_last=True), "location__number", "number", "pk")
        )
        groups: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for unit in rows:
            where = unit.location
            name = ", ".join(p for p in (where.building, where.floor) if p) if where else "Not in its place"
            here = stand.get(unit.pk, NO_STANDING)
            groups[name or "No building named"].append(
                {"unit": unit, "chip": chip(here.worst, here.first_latest_on)}
            )
        return [{"name": name, "units": units} for name, units in groups.items()]

    def owners_look(self, site: Site) -> dict[str, Any] | None:
        """How many units wait for the owner's own monthly look; None where we make it."""
        if site.monthly_checks_by != Site.MonthlyChecks.OWNER:
            return None
        rows = due_list(self.scope, DueWanted(site=site, work=Work.OWNERS))
        waiting = with_statuses(rows, (Status.OVERDUE, Status.UNKNOWN), self.now).count()
        return {
            "count": waiting,
            "query": urlencode({"site": str(site.public_id), "work": Work.OWNERS.value}),
        }


@dataclass(frozen=True, slots=True)
class Verdict:
    """One sentence that says how a site stands."""

    tone: str
    icon: str
    text: str
    under: str = ""


def verdict_of(counts: dict[Status, int], places: Iterable[dict[str, Any]]) -> Verdict:
    """How a site with these counts of our work and these units stands."""
    states = Counter(line["unit"].state for place in places for line in place["units"])
    said = [
        (tone, f"{states[state]} unit{'s' if states[state] != 1 else ''} {words}")
        for state, tone, words in (
            (Unit.State.AWAITING_RECHARGE, "overdue", "used or failed"),
            (Unit.State.NOT_FOUND, "unknown", "not found"),
        )
        if states[state]
    ]
    sayings = (
        (Status.OVERDUE, "overdue", "task{} overdue"),
        (Status.UNKNOWN, "unknown", "task{} of unknown date"),
        (Status.UNCOVERED, "unknown", "task{} without a rule"),
        (Status.DUE, "soon", "task{} due"),
    )
    said += [
        (tone, f"{counts[status]} {words.format('s' if counts[status] != 1 else '')}")
        for status, tone, words in sayings
        if counts[status]
    ]
    # Gravest first; within a tone work comes in the order above.
    said.sort(key=lambda saying: ("overdue", "unknown", "soon").index(saying[0]))
    if said:
        also = ", ".join(words for _, words in said[1:])
        return Verdict(said[0][0], said[0][0], said[0][1], f"Also {also}." if also else "")
    if not any(counts.values()):
        return Verdict(
            "unknown",
            "unknown",
            "Nothing is demanded here",
            "No unit is on duty, or no interval table is adopted.",
        )
    return Verdict("ok", "ok", "Nothing to be done for now")


def hours_of(windows: Iterable[AccessWindow]) -> list[dict[str, str]]:
    """Hours of access, days with the same hours in one line."""
    by_day: dict[int, list[str]] = defaultdict(list)
    for window in windows:
        by_day[window.weekday].append(f"{window.opens_at:%H:%M}–{window.closes_at:%H:%M}")
    lines: list[dict[str, str]] = []
    run: list[int] = []

    def close_run() -> None:
        if run:
            days = WEEKDAYS[run[0]] if len(run) == 1 else f"{WEEKDAYS[run[0]]} to {WEEKDAYS[run[-1]]}"
            lines.append({"days": days, "hours": ", ".join(by_day[run[0]])})

    for day in sorted(by_day):
        if run and (day != run[-1] + 1 or by_day[day] != by_day[run[0]]):
            close_run()
            run = []
        run.append(day)
    close_run()
    return lines
