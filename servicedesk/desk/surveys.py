"""Surveys at the desk: planned, watched as they come in, settled difference by difference, finished."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.core.paginator import Page, Paginator
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.measures.checks import defect_text
from inventory.register.models import Site
from schedules.surveys.findings import STATUS_LABELS, Difference, Seen, Status, Walk
from schedules.surveys.models import Survey, SurveyDecision
from schedules.surveys.queries import expected_of, surveys_for, walk_of, walks_of
from schedules.surveys.services import MINUTES_PER_UNIT, finish, lacking, plan_survey, settle
from schedules.visits.models import SURVEY_KINDS, FieldAct, Visit
from servicedesk.access import Act
from servicedesk.accounts.models import User
from servicedesk.defects_shown import whole_photos
from servicedesk.desk.fields import PickField
from servicedesk.pages import PageView, paged, place_errors

DIFFERENCES_SHOWN = 50
UNITS_SHOWN = 100
TONES = {
    Status.FOUND: "ok",
    Status.DIFFERS: "soon",
    Status.MISSING: "unknown",
    Status.NOT_REACHED: "unknown",
    Status.OPEN: "none",
    Status.EXTRA: "away",
}
CHOICE_TONES = {"take": "ok", "keep": "none", "ask": "soon"}


class SurveysView(PageView):
    """Surveys that are planned, under way or to be settled, or the finished ones."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of them."""
        is_finished = request.GET.get("show") == "finished"
        rows = surveys_for(self.scope).exclude(visit__state=Visit.State.CANCELLED)
        if is_finished:
            rows = rows.filter(finished_at__isnull=False)
        else:
            rows = rows.filter(finished_at__isnull=True).order_by("visit__planned_on", "pk")
        page = paged(request, rows)
        surveys = list(page.object_list)
        walks = {} if is_finished else walks_of(surveys, now=self.now)
        lines = []
        for survey in surveys:
            walk = walks.get(survey.pk)
            counts = walk.counts if walk is not None else (survey.outcome or {}).get("counts", {})
            lines.append(
                {
                    "survey": survey,
                    "counts": counts,
                    "looked": counts.get("on_list", 0) - counts.get("open", 0),
                    "to_settle": len(walk.open_differences) if walk is not None else 0,
                }
            )
        context = {"page_obj": page, "lines": lines, "is_finished": is_finished}
        return self.page("desk/surveys.html", context)


class PlanForm(forms.Form):
    """Who walks a site, and when."""

    planned_on = forms.DateField(
        label="Day",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": "Choose a day.", "invalid": "Enter a day like 2026-11-30."},
    )
    technician = PickField(
        label="Technician", queryset=User.objects.none(), required=False, empty_label="Nobody yet"
    )
    companions = forms.ModelMultipleChoiceField(
        label="Also walking",
        queryset=User.objects.none(),
        required=False,
        to_field_name="public_id",
        widget=forms.CheckboxSelectMultiple,
        help_text="They read on their own phones; what both record comes together.",
    )
    expected_units = forms.IntegerField(
        label="Units expected",
        required=False,
        min_value=0,
        max_value=20_000,
        help_text=f"What the customer says. It sets the time on site: {MINUTES_PER_UNIT} minutes a unit, "
        "common practice, no source.",
    )
    note = forms.CharField(
        label="For those who walk",
        required=False,
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Where to begin, whom to ask, what the old papers say.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = User.objects.filter(role=User.Role.TECHNICIAN, is_active=True).order_by(
            "first_name", "last_name", "username"
        )
        for name in ("technician", "companions"):
            field = self.fields[name]
            assert isinstance(field, forms.ModelChoiceField)
            field.queryset = people
            field.label_from_instance = lambda person: person.display_name  # type: ignore[assignment, method-assign]


class PlanSurveyView(PageView):
    """Planning a survey of one site."""

    acts = (Act.PLAN_VISITS,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show the form."""
        site = self.site(site_id)
        count = expected_of([site.pk]).count()
        first = {"planned_on": self.today_in(site.time_zone), "expected_units": count or None}
        return self.show(site, PlanForm(initial=first))

    def post(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Plan it."""
        site = self.site(site_id)
        form = PlanForm(request.POST)
        if not form.is_valid():
            return self.show(site, form, status=400)
        given = form.cleaned_data
        try:
            survey = plan_survey(
                site,
                planned_on=given["planned_on"],
                technician=given["technician"],
                companions=[one for one in given["companions"] if one != given["technician"]],
                expected_units=given["expected_units"],
                note=given["note"],
                by=self.person,
                now=self.now,
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(site, form, status=400)
        self.told(f"Survey {survey.visit.number} is planned.")
        return redirect("desk:survey", survey.public_id)

    def site(self, site_id: UUID) -> Site:
        """The site, or 404."""
        return self.found(Site.objects.visible_to(self.scope).select_related("owner"), site_id)

    def show(self, site: Site, form: PlanForm, status: int = 200) -> HttpResponse:
        """The page."""
        context = {
            "crumbs": [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": site.name, "url": reverse("desk:site", args=[site.public_id])},
            ],
            "site": site,
            "form": form,
            "count": expected_of([site.pk]).count(),
        }
        return self.page("desk/survey_new.html", context, status=status)


class SurveyView(PageView):
    """One survey: progress, differences to settle, every unit, and its end."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, survey_id: UUID) -> HttpResponse:
        """Show it."""
        return self.show(self.survey(survey_id))

    def post(self, request: HttpRequest, survey_id: UUID) -> HttpResponse:
        """Settle the ticked differences, or finish the survey; a refusal changes nothing and is said."""
        self.demand(Act.CHANGE_REGISTER)
        survey = self.survey(survey_id)
        do = request.POST.get("do", "")
        try:
            if do == "finish":
                finish(survey, by=self.person, now=self.now)
                self.told("Finished: the register is written and the due dates are up to date.")
            else:
                seen = self.seen(survey, request.POST)
                count = settle(
                    survey, seen, do, reason=request.POST.get("reason", ""), by=self.person, now=self.now
                )
                self.told(f"{count} settled." if do != "ask" else f"{count} asked of those who walk.")
        except ValidationError as problem:
            self.refused(problem)
            return self.show(survey, status=400)
        except Conflict as problem:
            self.refused(problem)
            return self.show(self.survey(survey_id), status=409)
        return redirect(f"{request.path}?{request.GET.urlencode()}")

    def seen(self, survey: Survey, post: QueryDict) -> dict[str, str]:
        """Keys and digests of what was ticked: one by one, or all of a sort as they were shown."""
        if whole := post.get("whole"):
            rows = self.wanted(walk_of(survey, now=self.now))
            if whole != set_digest(rows):
                raise Conflict(
                    "difference_changed",
                    "Something came in since you looked. Nothing was settled; look again.",
                )
            return {one.key: one.digest("") for one in rows}
        seen: dict[str, str] = {}
        for text in post.getlist("pick"):
            digest, _, key = text.partition("~")
            seen[key] = digest
        return seen

    def survey(self, survey_id: UUID) -> Survey:
        """The survey in scope."""
        return self.found(surveys_for(self.scope), survey_id)

    def wanted(self, walk: Walk) -> list[Difference]:
        """The differences that the address asks for."""
        show, what = self.request.GET.get("show", ""), self.request.GET.get("what", "")
        rows: Iterable[Difference] = walk.differences
        rows = [one for one in rows if (one.choice == "") == (show != "settled")]
        return [one for one in rows if not what or one.what == what]

    def show(self, survey: Survey, status: int = 200) -> HttpResponse:
        """The page."""
        show = self.request.GET.get("show", "")
        visit = survey.visit
        is_finished = survey.finished_at is not None
        context: dict[str, Any] = {
            "crumbs": [
                {"label": "Surveys", "url": reverse("desk:surveys")},
                {"label": visit.site.name, "url": reverse("desk:site", args=[visit.site.public_id])},
            ],
            "survey": survey,
            "visit": visit,
            "site": visit.site,
            "show": show,
            "companions": [person.display_name for person in visit.companions.all()],
            "may_settle": self.may(Act.CHANGE_REGISTER) and not is_finished,
            "may_quote": self.may(Act.MAKE_QUOTATIONS),
            "is_finished": is_finished,
        }
        if is_finished:
            outcome = survey.outcome or {}
            late = (
                FieldAct.objects.filter(
                    visit=visit, kind__in=SURVEY_KINDS, received_at__gt=survey.finished_at
                ).count()
                if survey.finished_at
                else 0
            )
            context |= {"outcome": outcome, "counts": _counts(outcome["counts"]), "late_count": late}
            return self.page("desk/survey.html", context, status=status)
        walk = walk_of(survey, now=self.now)
        to_settle = sum(one.choice == "" for one in walk.differences)
        sorts = Counter((one.what, one.title) for one in walk.differences if one.choice == "")
        wanted = self.request.GET.get("page")
        page: Page[Any]
        if show == "units":
            page = Paginator(walk.units, UNITS_SHOWN).get_page(wanted)
            context["unit_lines"] = [_unit_line(walk, unit) for unit in page.object_list]
        elif show == "remarks":
            page = Paginator(walk.remarks, UNITS_SHOWN).get_page(wanted)
            context["remark_lines"] = [
                {
                    "place": place.words
                    if (place := walk.place_of(one.place_ref))
                    else "a place not here yet",
                    "what": defect_text(str(one.content.get("code", ""))),
                    "remarks": one.content.get("remarks", ""),
                    "by": one.by,
                    "photos": whole_photos(one.content.get("photos") or ()),
                }
                for one in page.object_list
            ]
        else:
            rows = self.wanted(walk)
            page = Paginator(rows, DIFFERENCES_SHOWN).get_page(wanted)
            kept = whole_photos({ref for one in page.object_list for ref in one.photos})
            context |= {
                "lines": [
                    {
                        "one": one,
                        "pick": f"{one.digest('')}~{one.key}",
                        "photos": [ref for ref in one.photos if ref in kept],
                        "choice": dict(SurveyDecision.Choice.choices).get(one.choice, ""),
                        "tone": CHOICE_TONES.get(one.choice, "none"),
                    }
                    for one in page.object_list
                ],
                "whole": set_digest(rows) if len(rows) > len(page.object_list) else "",
                "whole_count": len(rows),
            }
        problems = lacking(survey, walk)
        context |= {
            "page_obj": page,
            "counts": _counts(walk.counts),
            "looked": walk.counts["on_list"] - walk.counts["open"],
            "on_list": walk.counts["on_list"],
            "to_settle": to_settle,
            "settled": len(walk.differences) - to_settle,
            "remark_count": len(walk.remarks),
            "unit_count": len(walk.units),
            "sorts": [
                {"what": what, "title": title, "count": count} for (what, title), count in sorts.most_common()
            ],
            "what": self.request.GET.get("what", ""),
            "lacking": problems,
            "stated": _stated(survey, walk),
            "may_ask": visit.state in Visit.OPEN,
        }
        return self.page("desk/survey.html", context, status=status)


def set_digest(rows: Iterable[Difference]) -> str:
    """A digest of differences as they are shown, so that all of them can be settled as seen."""
    return hashlib.sha256("".join(sorted(one.digest("") for one in rows)).encode()).hexdigest()


def _counts(counts: dict[str, int]) -> list[dict[str, Any]]:
    return [
        {"word": STATUS_LABELS[status], "count": counts.get(status.value, 0), "tone": TONES[status]}
        for status in (Status.FOUND, Status.DIFFERS, Status.MISSING, Status.NOT_REACHED, Status.OPEN)
    ] + [
        {"word": "On the list", "count": counts.get("on_list", 0), "is_sum": True},
        {"word": STATUS_LABELS[Status.EXTRA], "count": counts.get("extra", 0), "tone": TONES[Status.EXTRA]},
    ]


def _stated(survey: Survey, walk: Walk) -> list[str]:
    """Where the counts that were signed for are not those that have come in."""
    names = {status.value: label for status, label in STATUS_LABELS.items()} | {"on_list": "On the list"}
    if not survey.counts_stated:
        return []
    return [
        f"{names[name]}: {survey.counts_stated.get(name, 0)} signed for, {count} by now."
        for name, count in walk.counts.items()
        if survey.counts_stated.get(name, 0) != count
    ]


def _unit_line(walk: Walk, unit: Seen) -> dict[str, Any]:
    place = walk.place_of(unit.place_ref or (unit.listed.place_ref if unit.listed else None))
    return {
        "unit": unit,
        "place": place.words if place is not None else "no place",
        "word": STATUS_LABELS[unit.status],
        "tone": TONES[unit.status],
        "unread": ", ".join(f"{label.lower()} {words}" for label, words in unit.unread),
        "by": unit.last.by if unit.last is not None else "",
    }
