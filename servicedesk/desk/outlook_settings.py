"""By what work is bundled: the firm's figures, and days on which nobody is sent."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.register.models import BlackoutPeriod, Site
from inventory.register.queries import owners_for, sites_for
from schedules.bundles.models import BundlingFigures
from schedules.bundles.services import add_blackout, remove_blackout, set_figures
from schedules.planning.figures import FIGURES, GROUP_LABELS, Figure, Figures
from servicedesk.access import Act
from servicedesk.desk.fields import day_field
from servicedesk.pages import PageView, paged, place_errors

OUTLOOK_CRUMB = ("Months ahead", "desk:outlook")


def _field(figure: Figure, value: float) -> forms.FloatField:
    words = f"Enter {figure.lowest:g} to {figure.highest:g} {figure.unit}."
    shipped = f"Shipped: {figure.default:g} {figure.unit}."
    return forms.FloatField(
        label=figure.label if figure.unit in figure.label.lower() else f"{figure.label}, {figure.unit}",
        help_text=f"{figure.help} {shipped}".strip(),
        min_value=figure.lowest,
        max_value=figure.highest,
        initial=f"{value:g}",
        error_messages={"min_value": words, "max_value": words, "invalid": "Enter a number."},
    )


class FiguresForm(forms.Form):
    """All figures."""

    seen = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, figures: Figures, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for figure in FIGURES:
            self.fields[figure.name] = _field(figure, figures[figure.name])

    @property
    def groups(self) -> list[dict[str, Any]]:
        """The fields by group."""
        return [
            {"label": label, "fields": [self[f.name] for f in FIGURES if f.group == group]}
            for group, label in GROUP_LABELS.items()
        ]


class OutlookSettingsView(PageView):
    """Caps, weights and minutes."""

    acts = (Act.PLAN_VISITS,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        last = BundlingFigures.objects.order_by("-pk").first()
        figures = Figures.of(last.values) if last else Figures()
        return self.show(FiguresForm(figures, initial={"seen": last.pk if last else None}), last)

    def post(self, request: HttpRequest) -> HttpResponse:
        """Keep them, or go back to the shipped ones."""
        self.demand(Act.SET_PLANNING_RULES)
        last = BundlingFigures.objects.order_by("-pk").first()
        form = FiguresForm(Figures(), request.POST)
        is_reset = self.pressed("", "keep", "defaults") == "defaults"
        if not form.is_valid() and not (is_reset and "seen" not in form.errors):
            return self.show(form, last, status=400)
        seen = form.cleaned_data.get("seen")
        given = {} if is_reset else {f.name: form.cleaned_data[f.name] for f in FIGURES}
        try:
            row = set_figures(given, by=self.person, now=self.now, seen=seen)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(form, last, status=400)
        except Conflict as problem:
            self.refused(problem)
            return redirect("desk:outlook-settings")
        self.told("Kept. The next outlook goes by these figures." if row else "Nothing was changed.")
        return redirect("desk:outlook-settings")

    def show(self, form: FiguresForm, last: BundlingFigures | None, status: int = 200) -> HttpResponse:
        """The page."""
        context = {
            "crumbs": [{"label": OUTLOOK_CRUMB[0], "url": reverse(OUTLOOK_CRUMB[1])}],
            "form": form,
            "last": last,
            "may_set": self.may(Act.SET_PLANNING_RULES),
        }
        return self.page("desk/outlook_settings.html", context, status=status)


# --- days on which nobody is sent ---------------------------------------------------------------------


class BlackoutForm(forms.Form):
    """A period and where it holds."""

    label = forms.CharField(label="What it is", max_length=80)
    kind = forms.ChoiceField(label="Kind", choices=BlackoutPeriod.Kind.choices)
    first_on = day_field("First day")
    last_on = day_field("Last day")
    is_yearly = forms.BooleanField(label="Comes again every year", required=False)
    site = forms.CharField(
        label="Site code", required=False, max_length=30, help_text="Only this site; leave the rest empty."
    )
    owner = forms.CharField(
        label="Owner", required=False, max_length=200, help_text="All sites of the owner of this name."
    )
    country = forms.CharField(
        label="Country, two letters", required=False, max_length=2, help_text="All sites there."
    )
    region = forms.CharField(
        label="Region", required=False, max_length=100, help_text="As the sites have it, like KS."
    )

    def __init__(self, *args: Any, view: PageView, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.view = view

    def clean(self) -> dict[str, Any]:
        """Find the site and the owner that are named."""
        given = super().clean() or {}
        if given.get("site"):
            found = sites_for(self.view.scope).filter(code__iexact=given["site"].strip()).first()
            if found is None:
                self.add_error("site", f'No site has the code "{given["site"]}".')
            given["site"] = found
        if given.get("owner"):
            owner = owners_for(self.view.scope).filter(name__iexact=given["owner"].strip()).first()
            if owner is None:
                self.add_error("owner", f'No owner is called "{given["owner"]}". Enter the whole name.')
            given["owner"] = owner
        return given


class BlackoutsView(PageView):
    """Days kept free."""

    acts = (Act.PLAN_VISITS,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them; ``?site=`` fills in the site."""
        code = ""
        wanted = request.GET.get("site", "")
        if wanted:
            try:
                site: Site | None = sites_for(self.scope).filter(public_id=UUID(wanted)).first()
            except ValueError:
                site = None
            code = site.code if site else ""
        return self.show(BlackoutForm(view=self, initial={"site": code}))

    def post(self, request: HttpRequest) -> HttpResponse:
        """Keep days free, or open them again."""
        if self.pressed("remove", "") == "remove":
            try:
                row = BlackoutPeriod.objects.filter(public_id=UUID(request.POST.get("period", ""))).first()
            except ValueError:
                row = None
            if row is None:
                self.warn("It was removed already.")
            else:
                remove_blackout(row)
                self.told(f"{row} is removed.")
            return redirect("desk:blackouts")
        form = BlackoutForm(request.POST, view=self)
        if not form.is_valid():
            return self.show(form, status=400)
        given = form.cleaned_data
        try:
            row = add_blackout(
                by=self.person,
                **{**given, "site": given["site"] or None, "owner": given["owner"] or None},
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(form, status=400)
        self.told(f"Nobody is sent there: {row}.")
        return redirect("desk:blackouts")

    def show(self, form: BlackoutForm, status: int = 200) -> HttpResponse:
        """The page."""
        rows = BlackoutPeriod.objects.select_related("site", "owner").order_by("-last_on", "pk")
        context = {
            "crumbs": [{"label": OUTLOOK_CRUMB[0], "url": reverse(OUTLOOK_CRUMB[1])}],
            "form": form,
            "page_obj": paged(self.request, rows),
        }
        return self.page("desk/blackouts.html", context, status=status)
