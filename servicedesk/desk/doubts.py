"""Doubts about what came in from site: looked at by a person, settled by name and note."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.measures.plausibility import KIND_LABELS, THRESHOLD_WORDS, Thresholds
from inventory.measures.readings import PRACTICE
from schedules.visits.doubts import current_thresholds, set_threshold, settle_doubt
from schedules.visits.models import Doubt
from servicedesk.access import Act
from servicedesk.pages import PageView, paged, place_errors


def doubts_shown() -> QuerySet[Doubt]:
    """Doubts with what a list shows of each, newest first."""
    return Doubt.objects.select_related("visit__site", "settled_by").order_by("-found_at", "pk")


def lines_of(doubts: Any) -> list[dict[str, Any]]:
    """Doubts as the pages show them."""
    return [{"doubt": doubt, "word": KIND_LABELS.get(doubt.kind, doubt.kind)} for doubt in doubts]


class DoubtsView(PageView):
    """What the office check found and nobody has looked at, or what was found when somebody did."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the list."""
        is_settled = request.GET.get("show") == "settled"
        rows = doubts_shown().filter(settled_at__isnull=not is_settled)
        page = paged(request, rows)
        context = {
            "page_obj": page,
            "lines": lines_of(page.object_list),
            "is_settled": is_settled,
            "open_count": Doubt.objects.open().count(),
            "may_settle": self.may(Act.PLAN_VISITS),
            "may_change": self.may(Act.CORRECT_RECORDS),
        }
        return self.page("desk/doubts.html", context)


class DoubtView(PageView):
    """Settling one doubt."""

    acts = (Act.PLAN_VISITS,)

    def post(self, request: HttpRequest, doubt_id: UUID) -> HttpResponse:
        """Keep what the person found."""
        doubt = self.found(doubts_shown(), doubt_id)
        try:
            settle_doubt(doubt, request.POST.get("note", ""), by=self.person, now=self.now)
        except (Conflict, ValidationError) as problem:
            self.refused(problem)
        else:
            self.told("Noted. The records stand as they are; a correction is made on the unit's page.")
        if request.POST.get("back") == "visit":
            return redirect("desk:visit", doubt.visit.public_id)
        return redirect("desk:doubts")


class ThresholdsForm(forms.Form):
    """From where on something is asked about."""

    def __init__(self, *args: Any, now_in_force: Thresholds, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        shipped = Thresholds()
        for name, (words, unit) in THRESHOLD_WORDS.items():
            self.fields[name] = forms.FloatField(
                label=f"{words} ({unit})",
                min_value=0.0001,
                initial=getattr(now_in_force, name),
                help_text=f"As shipped: {getattr(shipped, name):g}; {PRACTICE}.",
                error_messages={
                    "required": "Enter a figure above 0.",
                    "min_value": "Enter a figure above 0.",
                },
            )


class DoubtLimitsView(PageView):
    """The thresholds of the office check."""

    acts = (Act.CORRECT_RECORDS,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the form."""
        return self.show(ThresholdsForm(now_in_force=current_thresholds()))

    def post(self, request: HttpRequest) -> HttpResponse:
        """Keep what was changed, for visits that are closed from now on."""
        current = current_thresholds()
        form = ThresholdsForm(request.POST, now_in_force=current)
        if not form.is_valid():
            return self.show(form, status=400)
        changed = {n: v for n, v in form.cleaned_data.items() if v != getattr(current, n)}
        try:
            for name, value in changed.items():
                set_threshold(name, value, by=self.person, now=self.now)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(form, status=400)
        if changed:
            self.told(f"Changed: {', '.join(changed)}. It holds for visits closed from now on.")
        else:
            self.told("Nothing was different, so nothing was changed.")
        return redirect("desk:doubts")

    def show(self, form: ThresholdsForm, status: int = 200) -> HttpResponse:
        """The page."""
        crumbs = [{"label": "Doubts", "url": reverse("desk:doubts")}]
        return self.page("desk/doubt_limits.html", {"form": form, "crumbs": crumbs}, status=status)
