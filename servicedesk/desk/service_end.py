"""Ending the firm's service at a site, and taking it up again."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.register.models import Site, Unit
from inventory.register.queries import sites_for
from inventory.register.service_end import ServiceEnd
from schedules.visits.ending import end_of, end_service, reopen_service
from servicedesk.access import Act
from servicedesk.desk.fields import day_field
from servicedesk.pages import PageView, place_errors

READ_DAYS = 365
"""So long the owner reads on unless somebody says otherwise (common practice, no source)."""


class EndForm(forms.Form):
    """When the service ends, and why."""

    ended_on = day_field("Service ended on")
    portal_until = day_field("The owner reads on until")
    reason = forms.CharField(
        label="Reason", max_length=300, help_text="The owner reads it on the site's page."
    )
    is_sure = forms.BooleanField(
        label="Withdraw every unit here from our duty",
        error_messages={"required": "Say that you mean it."},
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("ended_on", "portal_until"):
            self.fields[name].required = True
            self.fields[name].error_messages["required"] = "Enter a day like 2026-11-30."


class ReopenForm(forms.Form):
    """Why the service is taken up again."""

    reason = forms.CharField(label="Reason", max_length=300)


class ServiceEndView(PageView):
    """End the service, or take it up again."""

    acts = (Act.END_SERVICE,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show what it would do, or the end that stands."""
        site = self.found(sites_for(self.scope), site_id)
        today = self.today_in(site.time_zone)
        if end_of(site) is not None:
            return self.show(site, ReopenForm())
        return self.show(
            site, EndForm(initial={"ended_on": today, "portal_until": today + timedelta(days=READ_DAYS)})
        )

    def post(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Do it."""
        site = self.found(sites_for(self.scope), site_id)
        end = end_of(site)
        wants_reopen = self.pressed("reopen", "end") == "reopen"
        form: forms.Form = ReopenForm(request.POST) if wants_reopen else EndForm(request.POST)
        if not form.is_valid():
            return self.show(site, form, status=400)
        given = dict(form.cleaned_data)
        try:
            if wants_reopen:
                if end is None:
                    raise Conflict("not_ended", "The service of this site has not ended.")
                number = reopen_service(end, reason=given["reason"], by=self.person, now=self.now)
                self.told(f"The service is taken up again. {number} units have the state they had.")
            else:
                given.pop("is_sure")
                end_service(site, by=self.person, now=self.now, **given)
                self.told("The service has ended. Nothing falls due here, and nothing was deleted.")
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(site, form, status=400)
        except Conflict as problem:
            form.add_error(None, problem.sentence)
            return self.show(site, form, status=409)
        return redirect("desk:site", site.public_id)

    def show(self, site: Site, form: forms.Form, status: int = 200) -> HttpResponse:
        """The page."""
        end = end_of(site)
        context = {
            "crumbs": [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": site.name, "url": reverse("desk:site", args=[site.public_id])},
            ],
            "site": site,
            "end": end,
            "form": form,
            "units": 0 if end else Unit.objects.on_duty().filter(site=site).count(),
            "earlier": list(
                ServiceEnd.objects.filter(site=site, reopened_at__isnull=False).select_related(
                    "ended_by", "reopened_by"
                )[:20]
            ),
        }
        return self.page("desk/service_end.html", context, status=status)
