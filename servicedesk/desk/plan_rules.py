"""Skills and when visits need them; prices and times by which plans are made."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from schedules.crew.models import PlanningRules, Skill, SkillNeed
from schedules.crew.queries import rules_now
from schedules.crew.rules import DEFAULTS, PRICE_FIELDS, TIME_FIELDS, Field, Rules
from schedules.crew.services import set_rules
from servicedesk.access import Act
from servicedesk.desk.crew import CrewPage
from servicedesk.pages import place_errors

# --- skills ----------------------------------------------------------------------------------------------


class NeedForm(forms.ModelForm):
    """When a skill is needed; a new name makes a new skill."""

    name = forms.CharField(label="Skill", max_length=80, help_text="A new name makes a new skill.")

    class Meta:
        model = SkillNeed
        fields = ("task", "agent", "country", "region")
        labels = {"country": "Country, two letters"}


class SkillsView(CrewPage):
    """Skills and when a visit needs them."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        return self.show(NeedForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Enter a need, or remove one."""
        if self.pressed("", "remove", "add") == "remove":
            text = request.POST.get("need", "")
            removed, _ = SkillNeed.objects.filter(pk=int(text) if text.isdigit() else 0).delete()
            self.told("The need is removed." if removed else "It was removed already.")
            return redirect("desk:skills")
        form = NeedForm(request.POST)
        if not form.is_valid():
            return self.show(form, status=400)
        need = form.save(commit=False)
        try:
            with transaction.atomic():
                need.skill, _ = Skill.objects.get_or_create(name=form.cleaned_data["name"].strip())
                need.country = need.country.upper()
                need.full_clean()
                need.save()
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(form, status=400)
        self.told(f"Visits now need {need.skill}: {need.when}.")
        return redirect("desk:skills")

    def show(self, form: NeedForm, status: int = 200) -> HttpResponse:
        """The page."""
        skills = Skill.objects.prefetch_related("needs__site", "holders__member__technician")
        context = {
            "crumbs": self.crumbs(("Crew", reverse("desk:crew"))),
            "skills": list(skills),
            "form": form,
        }
        return self.page("desk/skills.html", context, status=status)


# --- prices and times --------------------------------------------------------------------------------------


def _number(field: Field, value: int) -> forms.IntegerField:
    words = f"Enter {field.lowest} to {field.highest}."
    return forms.IntegerField(
        label=field.label,
        help_text=field.help,
        min_value=field.lowest,
        max_value=field.highest,
        initial=value,
        error_messages={"min_value": words, "max_value": words, "invalid": "Enter a whole number."},
    )


class RulesForm(forms.Form):
    """Prices, times and minutes for each task."""

    def __init__(self, rules: Rules, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for field in (*PRICE_FIELDS, *TIME_FIELDS):
            self.fields[field.name] = _number(field, getattr(rules, field.name))
        self.fields["recharges_on_site"] = forms.BooleanField(
            label="Units are recharged on site",
            required=False,
            initial=rules.recharges_on_site,
            help_text="Then vans carry loose agent; else a loaner hangs until the unit comes back.",
        )

    def rules(self) -> Rules:
        """What was entered."""
        return Rules(**self.cleaned_data)

    def group(self, names: list[str]) -> list[forms.BoundField]:
        """The fields of these names."""
        return [self[name] for name in names]


class RulesView(CrewPage):
    """Prices and times; a manager changes them."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        return self.show(RulesForm(rules_now()))

    def post(self, request: HttpRequest) -> HttpResponse:
        """Let new ones stand."""
        self.demand(Act.SET_PLANNING_RULES)
        if self.pressed("", "save", "defaults") == "defaults":
            rules = DEFAULTS
        else:
            form = RulesForm(rules_now(), request.POST)
            if not form.is_valid():
                return self.show(form, status=400)
            rules = form.rules()
        if set_rules(rules, by=self.person, now=self.now):
            self.told("Saved. Plans made from now on use these; plans made before keep theirs.")
        else:
            self.told("Nothing was different, so nothing was changed.")
        return redirect("desk:plan-rules")

    def show(self, form: RulesForm, status: int = 200) -> HttpResponse:
        """The page."""
        context = {
            "crumbs": self.crumbs(),
            "form": form,
            "groups": [
                (
                    "Prices",
                    "Only their ratios matter; by default they count in minutes of driving.",
                    form.group([f.name for f in PRICE_FIELDS]),
                ),
                ("Times", "", form.group([f.name for f in TIME_FIELDS] + ["recharges_on_site"])),
            ],
            "may_rule": self.may(Act.SET_PLANNING_RULES),
            "last": PlanningRules.objects.select_related("made_by").order_by("-pk").first(),
        }
        return self.page("desk/plan_rules.html", context, status=status)
