"""Owners: the list, with how many premises and units each has and how the work stands."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

from django import forms
from django.core.paginator import Page
from django.db.models import Count, F, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce
from django.http import HttpResponse

from inventory.register.models import Owner, Site, Unit
from inventory.register.queries import owners_for
from inventory.search.queries import ids_sql
from inventory.search.text import words_of
from servicedesk.access import Act
from servicedesk.desk.listing import ListView


class OwnerFilterForm(forms.Form):
    """What the list of owners is narrowed to."""

    q = forms.CharField(
        label="Name, contact, e-mail, site or town",
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    sites = forms.ChoiceField(
        label="Premises",
        required=False,
        choices=[("", "All owners"), ("some", "With premises"), ("none", "Without premises")],
    )


class OwnersView(ListView):
    """The list of owners."""

    acts = (Act.SEE_DESK,)
    listing = "desk:owners"
    thing = ("owner", "owners")
    sorts = {
        "": ("name", "pk"),
        "-owner": ("-name", "-pk"),
        "sites": ("n_sites", "name", "pk"),
        "-sites": ("-n_sites", "name", "pk"),
    }
    columns = (
        ("owner", lambda line: line["row"].name),
        ("contact", lambda line: line["row"].contact_name),
        ("e_mail", lambda line: line["row"].contact_email),
        ("telephone", lambda line: line["row"].contact_phone),
        ("sites", lambda line: line["sites"]),
        ("units", lambda line: line["units"]),
        ("overdue", lambda line: line["overdue"]),
    )

    @cached_property
    def form(self) -> OwnerFilterForm:
        """The filters of the address."""
        return OwnerFilterForm(self.request.GET)

    def rows(self) -> QuerySet[Owner] | None:
        """The owners that the address asks for."""
        if not self.form.is_valid():
            return None
        given = self.form.cleaned_data
        rows = owners_for(self.scope)
        for word in words_of(given["q"]):
            sites = Site.objects.filter(pk__in=ids_sql("site", [word])).order_by().values("owner")
            rows = rows.filter(Q(pk__in=ids_sql("owner", [word])) | Q(pk__in=sites))
        if given["sites"]:
            has = Site.objects.order_by().values("owner")
            rows = rows.filter(pk__in=has) if given["sites"] == "some" else rows.exclude(pk__in=has)
        return rows

    def sorted(self, rows: QuerySet[Any]) -> QuerySet[Any]:
        """In the order of the address."""
        if self.request.GET.get("sort", "").endswith("sites"):
            here = (
                Site.objects.filter(owner=OuterRef("pk")).order_by().values("owner").annotate(n=Count("pk"))
            )
            rows = rows.annotate(n_sites=Coalesce(Subquery(here.values("n")), 0))
        return super().sorted(rows)

    def lines(self, rows: Sequence[Owner]) -> list[dict[str, Any]]:
        """Each owner with counts; three queries whatever their number."""
        ids = [owner.pk for owner in rows]
        sites = Site.objects.filter(owner__in=ids).order_by().values_list("owner")
        held = dict(sites.annotate(n=Count("pk")))
        late = dict(sites.annotate(n=Sum(Coalesce(F("tally__overdue"), 0))))
        units = dict(
            Unit.objects.on_duty()
            .filter(site__owner__in=ids)
            .order_by()
            .values_list("site__owner")
            .annotate(n=Count("pk"))
        )
        return [
            {
                "row": owner,
                "sites": held.get(owner.pk, 0),
                "units": units.get(owner.pk, 0),
                "overdue": late.get(owner.pk, 0),
            }
            for owner in rows
        ]

    def show(self, page: Page[Any], context: dict[str, Any], status: int) -> HttpResponse:
        """The page."""
        context |= {
            "form": self.form,
            "is_filtered": any(self.request.GET.get(name) for name in self.form.fields),
            "may_people": self.may(Act.MANAGE_OWNER_PEOPLE),
            "may_change": self.may(Act.CHANGE_REGISTER),
        }
        return self.page("desk/owners.html", context, status=status)
