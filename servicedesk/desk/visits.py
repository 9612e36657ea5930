"""Visits: the list, proposing for all sites, one visit with its jobs, and the dispatcher's hand on it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.core.paginator import Page
from django.db import transaction
from django.db.models import F, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode

from inventory.errors import Conflict
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.measures.readings import QUANTITY_LABELS, Quantity
from inventory.measures.terms import TERMS
from inventory.register.agreed import agreed_for
from inventory.register.models import Site, Unit
from inventory.register.queries import sites_for
from inventory.register.searching import sites_holding
from inventory.search.queries import ids_sql
from inventory.search.text import words_of
from schedules.certificates.queries import certificates_for, standing_of
from schedules.visits.models import Job, Visit, VisitEntry
from schedules.visits.proposing import propose_visits
from schedules.visits.queries import left_open, loads, planned_within, visits_for
from schedules.visits.recording import last_entries, tally
from schedules.visits.services import assign_visit, cancel_visit, confirm_visit, share_visit
from servicedesk.access import Act
from servicedesk.accounts.models import User
from servicedesk.desk.doubts import lines_of
from servicedesk.desk.fields import PickField, day_field
from servicedesk.desk.listing import ListView
from servicedesk.desk.tables_shown import TableBook
from servicedesk.pages import PageView, place_errors, refusal

OPEN = "open"
STATE_CHOICES = [("", "Open"), *Visit.State.choices, ("all", "All")]
DAYS_CHOICES = [
    ("", "Any day"),
    ("today", "Today"),
    ("week", "Seven days from today"),
    ("late", "Day passed, not closed"),
]
OVER = (Visit.State.CLOSED, Visit.State.CANCELLED, "all")
NOBODY = "nobody"
MAX_AT_ONCE = 200
FAR_DAYS = 31
"""A new day farther ahead than that, on which work is late, is asked about: most often the year is wrong."""


def technicians() -> list[User]:
    """Technicians who can be given a visit."""
    return list(
        User.objects.filter(role=User.Role.TECHNICIAN, is_active=True).order_by(
            "first_name", "last_name", "username"
        )
    )


class VisitFilterForm(forms.Form):
    """What the list of visits is narrowed to."""

    q = forms.CharField(
        label="Visit, site or owner",
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    state = forms.ChoiceField(label="State", required=False, choices=STATE_CHOICES)
    technician = forms.ChoiceField(label="Technician", required=False)
    days = forms.ChoiceField(label="When", required=False, choices=DAYS_CHOICES)
    day_from = day_field("From")
    day_to = day_field("To")
    site = PickField(required=False, queryset=Site.objects.none(), widget=forms.HiddenInput)

    def __init__(self, *args: Any, people: Iterable[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [("", "Anybody"), (NOBODY, "Nobody yet")]
        choices += [(str(person.public_id), person.display_name) for person in people]
        self.fields["technician"].choices = choices  # type: ignore[attr-defined]


class ProposeAllForm(forms.Form):
    """How far ahead visits are proposed for all sites."""

    horizon_days = forms.IntegerField(
        label="Days ahead",
        min_value=0,
        max_value=731,
        initial=30,
        error_messages={"min_value": "Enter 0 to 731 days.", "max_value": "Enter 0 to 731 days."},
    )


class VisitsView(ListView):
    """The list of visits; posting proposes for all sites, or plans or cancels the ticked ones."""

    acts = (Act.SEE_DESK,)
    listing = "desk:visits"
    thing = ("visit", "visits")
    sorts = {
        "": ("planned_on", "number", "pk"),
        "-day": ("-planned_on", "-number", "-pk"),
        "visit": ("number", "pk"),
        "-visit": ("-number", "-pk"),
        "site": ("site__name", "planned_on", "pk"),
        "-site": ("-site__name", "planned_on", "pk"),
        "technician": ("technician__first_name", "technician__last_name", "planned_on", "pk"),
        "-technician": ("-technician__first_name", "-technician__last_name", "planned_on", "pk"),
        "by": (F("latest_on").asc(nulls_last=True), "pk"),
        "-by": (F("latest_on").desc(nulls_last=True), "pk"),
    }
    columns = (
        ("visit", lambda line: line["visit"].number),
        ("state", lambda line: line["visit"].get_state_display()),
        ("site_code", lambda line: line["visit"].site.code),
        ("site", lambda line: line["visit"].site.name),
        ("owner", lambda line: line["visit"].site.owner.name),
        ("address", lambda line: line["visit"].site.address),
        ("planned_on", lambda line: line["visit"].planned_on),
        (
            "technician",
            lambda line: line["visit"].technician.display_name if line["visit"].technician else "",
        ),
        ("units", lambda line: line["load"].units if line["load"] else 0),
        ("jobs", lambda line: line["load"].jobs if line["load"] else 0),
        ("latest_on", lambda line: line["visit"].latest_on),
    )
    propose_form = ProposeAllForm(prefix="all")

    def post(self, request: HttpRequest) -> HttpResponse:
        """Do what the pressed button says."""
        self.demand(Act.PLAN_VISITS)
        do = request.POST.get("do")
        if do == "propose":
            return self.propose()
        if do in ("confirm", "cancel"):
            return self.many(do)
        return self.shown(self.rows(), status=400)

    def propose(self) -> HttpResponse:
        """Propose a visit for every site with work due in time."""
        form = ProposeAllForm(self.request.POST, prefix="all")
        if not form.is_valid():
            self.propose_form = form
            return self.shown(self.rows(), status=400)
        days = form.cleaned_data["horizon_days"]
        made = propose_visits(list(sites_for(self.scope)), by=self.person, now=self.now, horizon_days=days)
        if not made:
            self.told(
                f"No new visit: nothing falls due within {days} days that is not on an open visit already."
            )
            return redirect("desk:visits")
        self.told(
            f"{len(made)} visit{'s' if len(made) != 1 else ''} proposed. "
            "Give each a technician and confirm it; cancel what you do not want."
        )
        return redirect(f"{reverse('desk:visits')}?state=proposed")

    def many(self, do: str) -> HttpResponse:
        """Confirm or cancel the ticked visits, each on its own; tell which ones could not be."""
        post = self.request.POST
        chosen: dict[UUID, int] = {}
        for text in post.getlist("pick")[:MAX_AT_ONCE]:
            name, _, version = text.partition(":")
            try:
                chosen[UUID(name)] = int(version)
            except ValueError:
                continue
        person = next((p for p in technicians() if str(p.public_id) == post.get("technician")), None)
        visits = list(visits_for(self.scope).filter(public_id__in=chosen))
        if not visits:
            self.warn("No visit was ticked; nothing was changed.")
        done = 0
        for visit in visits:
            try:
                if do == "cancel":
                    cancel_visit(visit, reason="Cancelled from the list", version=chosen[visit.public_id])
                else:
                    self.give_and_confirm(visit, person, chosen[visit.public_id])
                done += 1
            except (Conflict, ValidationError) as problem:
                self.warn(f"{visit.number}, {visit.site.name}: {refusal(problem)}")
        if done:
            self.told(
                f"{done} visit{'s' if done != 1 else ''} {'cancelled' if do == 'cancel' else 'confirmed'}."
            )
        return redirect(f"{reverse('desk:visits')}?{self.request.GET.urlencode()}")

    def give_and_confirm(self, visit: Visit, person: User | None, version: int) -> None:
        """Give ``visit`` to ``person``, or leave it with whom it has, and confirm it."""
        with transaction.atomic():
            if person is not None:
                visit = assign_visit(
                    visit, technician=person, planned_on=visit.planned_on, version=version, now=self.now
                )
                version = visit.version
            confirm_visit(visit, version=version, now=self.now)

    @cached_property
    def people(self) -> list[User]:
        """Technicians to choose from."""
        return technicians()

    @cached_property
    def form(self) -> VisitFilterForm:
        """The filters of the address."""
        form = VisitFilterForm(self.request.GET, people=self.people)
        form.fields["site"].queryset = sites_for(self.scope)  # type: ignore[attr-defined]
        return form

    def rows(self) -> Any:
        """The visits that the address asks for."""
        return self.wanted_rows(self.form) if self.form.is_valid() else None

    def sorted(self, rows: QuerySet[Any]) -> QuerySet[Any]:
        """In the order of the address; what is over begins with the last."""
        if not self.request.GET.get("sort") and self.form.cleaned_data["state"] in OVER:
            return rows.order_by("-planned_on", "-number", "-pk")
        return super().sorted(rows)

    def lines(self, rows: Sequence[Visit]) -> list[dict[str, Any]]:
        """Each visit, what it holds and whether it is late."""
        held = loads(visit.pk for visit in rows)
        lines = []
        for visit in rows:
            today = self.today_in(visit.site.time_zone)
            lines.append(
                {
                    "visit": visit,
                    "load": held.get(visit.pk),
                    "is_late": visit.state in Visit.OPEN and visit.planned_on < today,
                    "work_chip": _work_chip(visit, today),
                    "pick": f"{visit.public_id}:{visit.version}",
                }
            )
        return lines

    def show(self, page: Page[Any], context: dict[str, Any], status: int) -> HttpResponse:
        """The page."""
        may_plan = self.may(Act.PLAN_VISITS)
        drafts = any(line["visit"].state == Visit.State.PROPOSED for line in context["lines"])
        context |= {
            "form": self.form,
            "propose_form": self.propose_form,
            "site": self.form.cleaned_data.get("site") if self.form.is_valid() else None,
            "people": self.people,
            "is_filtered": any(self.request.GET.get(name) for name in self.form.fields),
            "may_plan": may_plan,
            "can_pick": may_plan and drafts,
        }
        return self.page("desk/visits.html", context, status=status)

    def wanted_rows(self, form: VisitFilterForm) -> Any:
        """The visits that a valid form asks for."""
        given = form.cleaned_data
        rows = visits_for(self.scope)
        if given["days"] == "late":
            rows = rows.filter(left_open(self.now))
        elif given["days"]:
            rows = rows.filter(
                planned_within(self.now, first_day=0, last_day=0 if given["days"] == "today" else 6)
            )
        if given["state"] in Visit.State.values:
            rows = rows.filter(state=given["state"])
        elif given["days"] in ("today", "week") and not given["state"]:
            rows = rows.exclude(state__in=(Visit.State.CANCELLED, Visit.State.PROPOSED))
        elif not given["state"]:
            rows = rows.filter(state__in=Visit.OPEN)
        if given["technician"] == NOBODY:
            rows = rows.filter(technician__isnull=True)
        elif given["technician"]:
            rows = rows.filter(technician__public_id=given["technician"])
        if given["day_from"]:
            rows = rows.filter(planned_on__gte=given["day_from"])
        if given["day_to"]:
            rows = rows.filter(planned_on__lte=given["day_to"])
        if given["site"]:
            rows = rows.filter(site=given["site"])
        for word in words_of(given["q"]):
            at = Site.objects.filter(sites_holding(word)).order_by().values("pk")
            rows = rows.filter(Q(pk__in=ids_sql("visit", [word])) | Q(site__in=at))
        return rows


def _work_chip(visit: Visit, today: date) -> dict[str, Any] | None:
    """Whether the first of an open visit's work is late already, or will be on the planned day."""
    if visit.state not in Visit.OPEN or visit.latest_on is None:
        return None
    if visit.latest_on < today:
        return {"tone": "overdue", "word": "Overdue", "on": visit.latest_on}
    if visit.latest_on < visit.planned_on:
        return {"tone": "overdue", "word": "Late by then", "on": visit.latest_on}
    return None


# --- one visit --------------------------------------------------------------------------------------


class AssignForm(forms.Form):
    """Who goes, and when. Carries the version that the dispatcher saw."""

    technician = PickField(
        label="Technician",
        queryset=User.objects.none(),
        required=False,
        empty_label="Nobody yet",
        error_messages={"invalid_choice": "This person is not an active technician. Choose another."},
    )
    planned_on = forms.DateField(
        label="Day",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": "Choose a day.", "invalid": "Enter a day like 2026-11-30."},
    )
    version = forms.IntegerField(widget=forms.HiddenInput)
    late_on = forms.DateField(widget=forms.HiddenInput, required=False)
    """The day of which the page has said that work would be late, so that the next press keeps it."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = User.objects.filter(role=User.Role.TECHNICIAN, is_active=True)
        field = self.fields["technician"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = people.order_by("first_name", "last_name", "username")
        field.label_from_instance = lambda person: person.display_name  # type: ignore[assignment, method-assign]


class CancelForm(forms.Form):
    """Why a visit is cancelled."""

    reason = forms.CharField(
        label="Why it is cancelled",
        max_length=200,
        error_messages={"required": "Say why the visit is cancelled."},
    )
    version = forms.IntegerField(widget=forms.HiddenInput)


class ShareForm(forms.Form):
    """Who goes along and records on the same visit."""

    companions = forms.ModelMultipleChoiceField(
        label="Also going",
        queryset=User.objects.none(),
        required=False,
        to_field_name="public_id",
        widget=forms.CheckboxSelectMultiple,
        help_text="They see the visit on their phones and record on it, too.",
        error_messages={"invalid_choice": "This person is not an active technician. Choose another."},
    )
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, visit: Visit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = User.objects.filter(role=User.Role.TECHNICIAN, is_active=True)
        if visit.technician_id is not None:
            people = people.exclude(pk=visit.technician_id)
        field = self.fields["companions"]
        assert isinstance(field, forms.ModelMultipleChoiceField)
        field.queryset = people.order_by("first_name", "last_name", "username")
        field.label_from_instance = lambda person: person.display_name  # type: ignore[assignment, method-assign]


@dataclass(slots=True)
class VisitUnit:
    """One unit on a visit: what is to be done, and what was found."""

    unit: Unit
    place: str
    jobs: list[Job] = field(default_factory=list)
    entry: VisitEntry | None = None
    done: str = ""
    readings: list[str] = field(default_factory=list)
    is_extra: bool = False


class VisitView(PageView):
    """One visit."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, visit_id: UUID) -> HttpResponse:
        """Show it."""
        return self.show(self.visit(visit_id))

    def post(self, request: HttpRequest, visit_id: UUID) -> HttpResponse:
        """Do what the pressed button says; a refusal changes nothing and is said plainly."""
        self.demand(Act.PLAN_VISITS)
        visit = self.visit(visit_id)
        do = request.POST.get("do", "")
        if do == "cancel":
            return self.cancel(visit)
        if do == "share":
            return self.share(visit)
        if do in ("assign", "confirm"):
            return self.assign(visit, and_confirm=do == "confirm")
        return self.show(visit, status=400)

    def assign(self, visit: Visit, *, and_confirm: bool) -> HttpResponse:
        """Give the visit its technician and day, and confirm it where asked to: all or nothing."""
        form = AssignForm(self.request.POST)
        if not form.is_valid():
            return self.show(visit, assign_form=form, status=400)
        given = form.cleaned_data
        said = given.pop("late_on")
        why = self.late(visit, given["planned_on"])
        if why and said != given["planned_on"]:
            asked = self.request.POST.copy()
            asked["late_on"] = given["planned_on"].isoformat()
            form = AssignForm(asked)
            form.add_error("planned_on", why)
            return self.show(visit, assign_form=form, status=400)
        try:
            with transaction.atomic():
                if given["technician"] != visit.technician or given["planned_on"] != visit.planned_on:
                    visit = assign_visit(visit, now=self.now, **given)
                    given["version"] = visit.version
                elif not and_confirm:
                    self.told("Nothing was different, so nothing was changed.")
                    return redirect("desk:visit", visit.public_id)
                if and_confirm:
                    visit = confirm_visit(visit, version=given["version"], now=self.now)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(self.visit(visit.public_id), assign_form=form, status=400)
        except Conflict as problem:
            self.refused(problem)
            return self.show(self.visit(visit.public_id), status=409)
        if and_confirm:
            self.told(f"Visit {visit.number} is confirmed. Its technician and the owner can see it now.")
        else:
            self.told(f"Visit {visit.number} was changed.")
        return redirect("desk:visit", visit.public_id)

    def late(self, visit: Visit, on: date) -> str:
        """What to say of a new day that is far off and after the latest day of the work; empty otherwise."""
        today = self.today_in(visit.site.time_zone)
        if visit.latest_on is None or on == visit.planned_on or on <= today + timedelta(days=FAR_DAYS):
            return ""
        late = (on - visit.latest_on).days
        if late <= 0:
            return ""
        return (
            f"On {on:%-d %b %Y} some of this work is {late} days past its latest day, "
            f"{visit.latest_on:%-d %b %Y}. Choose an earlier day, or press once more to keep this one."
        )

    def cancel(self, visit: Visit) -> HttpResponse:
        """Cancel the visit; its work becomes free to be proposed again."""
        form = CancelForm(self.request.POST, prefix="cancel")
        if not form.is_valid():
            return self.show(visit, cancel_form=form, status=400)
        try:
            cancel_visit(visit, **form.cleaned_data)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(visit, cancel_form=form, status=400)
        except Conflict as problem:
            self.refused(problem)
            return self.show(self.visit(visit.public_id), status=409)
        self.told(f"Visit {visit.number} is cancelled. What was on it is as due as before.")
        return redirect("desk:visit", visit.public_id)

    def share(self, visit: Visit) -> HttpResponse:
        """Say who goes along."""
        form = ShareForm(self.request.POST, prefix="share", visit=visit)
        if not form.is_valid():
            self.warn("Nobody was added or taken off. Choose active technicians.")
            return redirect("desk:visit", visit.public_id)
        try:
            share_visit(visit, list(form.cleaned_data["companions"]), version=form.cleaned_data["version"])
        except (ValidationError, Conflict) as problem:
            self.refused(problem)
        else:
            self.told(f"Visit {visit.number} was changed.")
        return redirect("desk:visit", visit.public_id)

    def visit(self, visit_id: UUID) -> Visit:
        """The visit in scope."""
        rows = visits_for(self.scope).select_related("site__owner", "technician", "proposed_by", "closed_by")
        return self.found(rows, visit_id)

    def show(
        self,
        visit: Visit,
        *,
        assign_form: AssignForm | None = None,
        cancel_form: CancelForm | None = None,
        status: int = 200,
    ) -> HttpResponse:
        """The page."""
        today = self.today_in(visit.site.time_zone)
        jobs = list(
            visit.jobs.select_related("unit__model", "unit__location", "location", "record").order_by(
                "location__walking_order", "unit__number", "pk"
            )
        )
        entries = last_entries(visit)
        units = _units(jobs, entries)
        book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
        can_plan = self.may(Act.PLAN_VISITS) and visit.state in (Visit.State.PROPOSED, Visit.State.CONFIRMED)
        first = {
            "technician": visit.technician.public_id if visit.technician else None,
            "planned_on": visit.planned_on,
            "version": visit.version,
        }
        counts = visit.counts if visit.state == Visit.State.CLOSED else tally(entries.values())
        companions = list(visit.companions.all())
        agreed = agreed_for([visit.site], self.now)[visit.site_id]
        context = {
            "crumbs": [
                {"label": "Visits", "url": reverse("desk:visits")},
                {"label": visit.site.name, "url": reverse("desk:site", args=[visit.site.public_id])},
            ],
            "visit": visit,
            "site": visit.site,
            "today": today,
            "terms": [line for line in agreed.lines(phone=True) if agreed.get(line[0].code) is not None],
            "terms_open": sum(term.code not in agreed.values for term in TERMS if not term.is_internal),
            "units": units,
            "recorded": sum(line.entry is not None for line in units),
            "tally": [
                {"word": result.label, "count": counts.get(result.value, 0)} for result in VisitEntry.Result
            ],
            "is_late": visit.state in Visit.OPEN and visit.planned_on < today,
            "is_overdue": visit.state in Visit.OPEN
            and visit.latest_on is not None
            and visit.latest_on < today,
            "is_after_latest": visit.state in Visit.OPEN
            and visit.latest_on is not None
            and visit.planned_on > visit.latest_on,
            "confirm": book.notice((job.table_key, job.table_version) for job in jobs),
            "certificates": [
                {"certificate": paper, "standing": standing_of(paper)}
                for paper in certificates_for(self.scope).filter(visit=visit)
            ],
            "doubts": lines_of(visit.doubts.select_related("visit__site", "settled_by")),
            "may_settle": self.may(Act.PLAN_VISITS),
            "companions": [person.display_name for person in companions],
            "share_form": ShareForm(
                prefix="share",
                visit=visit,
                initial={
                    "companions": [person.public_id for person in companions],
                    "version": visit.version,
                },
            )
            if self.may(Act.PLAN_VISITS) and visit.state in Visit.OPEN
            else None,
            "can_plan": can_plan,
            "assign_form": assign_form or AssignForm(initial=first),
            "cancel_form": cancel_form or CancelForm(prefix="cancel", initial={"version": visit.version}),
            "site_query": urlencode({"site": str(visit.site.public_id)}),
        }
        return self.page("desk/visit.html", context, status=status)


def _units(jobs: Iterable[Job], entries: dict[int, VisitEntry]) -> list[VisitUnit]:
    """Jobs gathered by unit, in walking order, then units that were recorded without being on the list."""
    found: dict[int, VisitUnit] = {}
    for job in jobs:
        line = found.get(job.unit_id)
        if line is None:
            where = job.location or job.unit.location
            place = f"{where.number}, {where.place}".rstrip(", ") if where else "not in its place"
            line = found[job.unit_id] = VisitUnit(job.unit, place)
        line.jobs.append(job)
    for unit_id, entry in entries.items():
        line = found.get(unit_id)
        if line is None:
            line = found[unit_id] = VisitUnit(entry.unit, "", is_extra=True)
        line.entry = entry
        line.readings = [
            f"{_quantity(reading.get('quantity', ''))}: {reading.get('value', '')} {reading.get('unit', '')}"
            for reading in entry.readings
        ]
        line.done = ", ".join(
            TASK_LABELS[Task(task)] for task in entry.tasks if task in Task.__members__.values()
        )
    return list(found.values())


def _quantity(code: str) -> str:
    known = code in Quantity.__members__.values()
    return QUANTITY_LABELS[Quantity(code)] if known else code
