"""What planning must know of a site: where it is, whose territory, hours, escort, who is wanted there."""

from __future__ import annotations

from typing import Any
from uuid import UUID, uuid4

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.register.facts import Because, as_text, note_change
from inventory.register.models import AccessWindow, Depot, Site
from inventory.register.queries import sites_for
from schedules.crew.models import SiteCall
from servicedesk.access import Act
from servicedesk.accounts.models import User
from servicedesk.desk.fields import PickField, latitude_field, longitude_field
from servicedesk.exchange.hours import DAYS, HoursError, read_hours
from servicedesk.pages import PageView, place_errors

PLACED = ("latitude", "longitude")


class VisitingForm(forms.Form):
    """The facts."""

    latitude = latitude_field("Latitude")
    longitude = longitude_field("Longitude")
    depot = PickField(
        label="Territory of", queryset=Depot.objects.none(), required=False, empty_label="The nearest depot"
    )
    hours = forms.CharField(
        label="Hours of access",
        required=False,
        max_length=400,
        help_text='Like "Mo-Fr 08:00-12:00, 13:00-17:00; Sa 08:00-12:00". '
        "Empty: 8 to 17 on weekdays is assumed.",
    )
    needs_escort = forms.BooleanField(label="Somebody of the site walks along", required=False)
    extra_minutes = forms.IntegerField(
        label="Minutes more than the work",
        min_value=0,
        max_value=480,
        initial=0,
        help_text="Gate, safety talk, long ways.",
    )
    preferred_technician = PickField(
        label="Technician wanted here",
        queryset=User.objects.none(),
        required=False,
        empty_label="The one of last time",
    )
    note = forms.CharField(label="Note for planning", required=False, max_length=200)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        depot, person = self.fields["depot"], self.fields["preferred_technician"]
        assert isinstance(depot, forms.ModelChoiceField)
        assert isinstance(person, forms.ModelChoiceField)
        depot.queryset = Depot.objects.order_by("name")
        person.queryset = User.objects.filter(role=User.Role.TECHNICIAN, is_active=True).order_by(
            "first_name", "last_name", "username"
        )
        person.label_from_instance = lambda user: user.display_name  # type: ignore[assignment, method-assign]

    def clean_hours(self) -> Any:
        """Windows of single weekdays."""
        text = self.cleaned_data["hours"].strip()
        try:
            return read_hours(text) if text else ()
        except HoursError as error:
            raise ValidationError(error.sentence) from error

    def clean(self) -> dict[str, Any]:
        """Both coordinates or neither."""
        given: dict[str, Any] = super().clean() or {}
        if (given.get("latitude") is None) != (given.get("longitude") is None):
            raise ValidationError("Enter both latitude and longitude, or neither.")
        return given


def hours_as_written(site: Site) -> str:
    """The hours of ``site`` in the notation that the form reads."""
    by_day: dict[int, list[str]] = {}
    for window in site.access_windows.order_by("weekday", "opens_at"):
        by_day.setdefault(window.weekday, []).append(f"{window.opens_at:%H:%M}-{window.closes_at:%H:%M}")
    parts: list[tuple[list[int], str]] = []
    for day, spans in sorted(by_day.items()):
        text = ", ".join(spans)
        if parts and parts[-1][1] == text and parts[-1][0][-1] == day - 1:
            parts[-1][0].append(day)
        else:
            parts.append(([day], text))
    return "; ".join(
        f"{DAYS[days[0]]}{f'-{DAYS[days[-1]]}' if len(days) > 1 else ''} {text}" for days, text in parts
    )


class SiteVisitingView(PageView):
    """The page."""

    acts = (Act.PLAN_VISITS,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show the form."""
        site = self.found(sites_for(self.scope), site_id)
        call = SiteCall.objects.filter(site=site).select_related("preferred_technician").first()
        first = {
            "latitude": site.latitude,
            "longitude": site.longitude,
            "depot": site.depot.public_id if site.depot is not None else None,
            "hours": hours_as_written(site),
            "needs_escort": call.needs_escort if call else False,
            "extra_minutes": call.extra_minutes if call else 0,
            "preferred_technician": call.preferred_technician.public_id
            if call and call.preferred_technician
            else None,
            "note": call.note if call else "",
        }
        return self.show(site, VisitingForm(initial=first))

    def post(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Save it."""
        site = self.found(sites_for(self.scope), site_id)
        form = VisitingForm(request.POST)
        if not form.is_valid():
            return self.show(site, form, status=400)
        given = form.cleaned_data
        before = {**{name: getattr(site, name) for name in PLACED}, "hours": hours_as_written(site)}
        site.latitude, site.longitude, site.depot = given["latitude"], given["longitude"], given["depot"]
        try:
            with transaction.atomic():
                site.full_clean()
                site.save(update_fields=["latitude", "longitude", "depot"])
                AccessWindow.objects.filter(site=site).delete()
                AccessWindow.objects.bulk_create(
                    AccessWindow(site=site, weekday=w.weekday, opens_at=w.opens, closes_at=w.closes)
                    for w in given["hours"]
                )
                SiteCall.objects.update_or_create(
                    site=site,
                    defaults={
                        name: given[name]
                        for name in ("needs_escort", "extra_minutes", "preferred_technician", "note")
                    },
                )
                self.note(site, before)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(site, form, status=400)
        self.told("Saved. New plans, and the next change of an open plan, use it.")
        return redirect("desk:site-visiting", site.public_id)

    def note(self, site: Site, before: dict[str, Any]) -> None:
        """Write down what is different, as every change of the register is."""
        together = uuid4()
        after = {**{name: getattr(site, name) for name in PLACED}, "hours": hours_as_written(site)}
        because = Because("Changed among what planning must know.", is_correction=False)
        for name, old in before.items():
            if as_text(old) != as_text(after[name]):
                note_change(
                    site, name, old, after[name], because, by=self.person, at=self.now, together=together
                )

    def show(self, site: Site, form: VisitingForm, status: int = 200) -> HttpResponse:
        """The page."""
        context = {
            "crumbs": [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": site.name, "url": reverse("desk:site", args=[site.public_id])},
            ],
            "site": site,
            "form": form,
            "needs": list(site.skill_needs.select_related("skill")),
        }
        return self.page("desk/site_visiting.html", context, status=status)
