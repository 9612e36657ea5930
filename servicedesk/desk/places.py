"""Owners, sites and places as the desk keeps them: new ones, corrections, sales, merges and splits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any
from uuid import UUID
from zoneinfo import available_timezones

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.measures.kinds import Environment
from inventory.register.agreed import terms_to_carry
from inventory.register.aliases import old_place_numbers
from inventory.register.changes import OwnerChange
from inventory.register.facts import (
    LOCATION_FACTS,
    OWNER_FACTS,
    SITE_FACTS,
    add_owner,
    add_place,
    add_site,
    as_seen,
    changes_of,
    correct_row,
)
from inventory.register.models import ENVIRONMENT_CHOICES, LANGUAGE_CHOICES, Location, Owner, Site, Unit
from inventory.register.ownership import call_off_owner_change, plan_owner_change
from inventory.register.queries import owners_for, sites_for, words_condition
from inventory.register.terms import TermsVersion
from schedules.certificates.corrections import save_correction
from schedules.certificates.handing_over import (
    apply_due_owner_changes,
    merge_owners,
    merge_sites,
    split_off,
)
from schedules.due.inmemory import units_at
from schedules.due.preview import Preview, preview_units
from schedules.due.queries import UnitInput
from schedules.rulebook.carrying import books_under
from servicedesk.access import Act
from servicedesk.accounts.owner_people import join_people
from servicedesk.desk.facts_base import (
    SHOWN_CHANGES,
    BecauseForm,
    FactsView,
    change_lines,
    differing,
    reason_field,
)
from servicedesk.desk.fields import FindField, day_field, latitude_field, longitude_field
from servicedesk.desk.unit_facts import place_label
from servicedesk.pages import PageView, paged

ZONES = sorted(zone for zone in available_timezones() if "/" in zone or zone == "UTC")


def site_crumbs(site: Site) -> list[dict[str, str]]:
    """The way back to a site."""
    return [
        {"label": "Sites", "url": reverse("desk:sites")},
        {"label": site.name, "url": reverse("desk:site", args=[site.public_id])},
    ]


def owner_crumbs(owner: Owner) -> list[dict[str, str]]:
    """The way back to an owner."""
    return [
        {"label": "Owners", "url": reverse("desk:owners")},
        {"label": owner.name, "url": reverse("desk:owner", args=[owner.public_id])},
    ]


def _seen(row: Any, names: Mapping[str, str]) -> str:
    return as_seen({name: getattr(row, name) for name in names})


# --- owners ------------------------------------------------------------------------------------------


class OwnerView(PageView):
    """One owner: facts, sites, names it had, what was changed."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, owner_id: UUID) -> HttpResponse:
        """Show it; one that turned out to be another leads there."""
        owner = self.found(Owner.objects.visible_to(self.scope).select_related("merged_into"), owner_id)
        if owner.merged_into is not None:
            self.told(f"{owner.name} is {owner.merged_into.name}.")
            return redirect("desk:owner", owner.merged_into.public_id)
        sites = sites_for(self.scope).filter(owner=owner)
        page = paged(request, sites)
        context = {
            "crumbs": owner_crumbs(owner)[:1],
            "owner": owner,
            "aliases": list(owner.aliases.order_by("name")),
            "page_obj": page,
            "sites": list(page.object_list),
            "changes": change_lines(changes_of(owner)[:SHOWN_CHANGES]),
            "may_change": self.may(Act.CHANGE_REGISTER),
            "may_people": self.may(Act.MANAGE_OWNER_PEOPLE),
        }
        return self.page("desk/owner.html", context)


class OwnerFields(forms.Form):
    """What is known of an owner."""

    name = forms.CharField(label="Name", max_length=200)
    contact_name = forms.CharField(label="Contact", required=False, max_length=120)
    contact_email = forms.EmailField(label="Contact's e-mail", required=False)
    contact_phone = forms.CharField(label="Contact's telephone", required=False, max_length=40)
    notes = forms.CharField(
        label="Notes",
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="For the firm's own people; the owner does not see them.",
    )


class OwnerFactsForm(OwnerFields, BecauseForm):
    """An owner's facts, corrected or changed."""

    asks_source = False
    asks_wrong = True
    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=24)


class OwnerFactsView(FactsView):
    """Correct or change an owner's facts."""

    groups = (("The owner", tuple(OWNER_FACTS)),)
    owner: Owner

    def find(self, **kwargs: Any) -> None:
        """The owner in scope."""
        self.owner = self.found(owners_for(self.scope), kwargs["owner_id"])

    def form(self, data: Any = None) -> OwnerFactsForm:
        """What is known."""
        initial = {name: getattr(self.owner, name) for name in OWNER_FACTS}
        return OwnerFactsForm(data, initial=initial | {"seen": _seen(self.owner, OWNER_FACTS)})

    def save(self, form: OwnerFactsForm) -> tuple[str, str]:
        """Save it."""
        save_correction(
            lambda: correct_row(
                self.owner,
                differing(form, OWNER_FACTS),
                form.because(),
                by=self.person,
                at=self.now,
                seen=form.cleaned_data["seen"],
            ),
            now=self.now,
        )
        return "Saved.", reverse("desk:owner", args=[self.owner.public_id])

    def context(self) -> dict[str, Any]:
        """The owner and what was changed before."""
        return {
            "title": f"Change {self.owner.name}",
            "crumbs": owner_crumbs(self.owner),
            "back": reverse("desk:owner", args=[self.owner.public_id]),
            "changes": change_lines(changes_of(self.owner)[:SHOWN_CHANGES]),
        }


class NewOwnerView(FactsView):
    """Enter an owner by hand."""

    groups = (("The owner", tuple(OWNER_FACTS)),)
    button = "Enter the owner"
    errors_title = "Nothing was entered. Please correct:"

    def form(self, data: Any = None) -> OwnerFields:
        """An empty form."""
        return OwnerFields(data)

    def save(self, form: OwnerFields) -> tuple[str, str]:
        """Take it into the register."""
        owner = add_owner(form.cleaned_data)
        return f"{owner.name} is in the register.", reverse("desk:owner", args=[owner.public_id])

    def context(self) -> dict[str, Any]:
        """Nothing is known yet."""
        address = reverse("desk:owners")
        return {
            "title": "New owner",
            "crumbs": [{"label": "Owners", "url": address}],
            "back": address,
            "changes": None,
        }


class IntoForm(forms.Form):
    """Which other row this one turned out to be, and how it is known."""

    into = forms.Field()
    front = forms.CharField(
        label="In front of numbers that both have",
        required=False,
        max_length=10,
        help_text="Places of both sites may have one number. Those that move get this in front, e.g. B-.",
    )
    reason = reason_field("How it is known")

    def __init__(self, *args: Any, rows: Any, label: str, with_prefix: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["into"] = FindField(queryset=rows, label=label)
        if not with_prefix:
            del self.fields["front"]


class MergeOwnerView(FactsView):
    """State that two owners are one."""

    button = "They are one owner"
    can_move_dates = True
    owner: Owner
    notices: Sequence[str] = ()

    def find(self, **kwargs: Any) -> None:
        """The owner that gives way."""
        self.owner = self.found(owners_for(self.scope), kwargs["owner_id"])

    def form(self, data: Any = None) -> IntoForm:
        """Which owner it is."""
        rows = owners_for(self.scope).exclude(pk=self.owner.pk)
        return IntoForm(data, rows=rows, label="The owner that stays", with_prefix=False)

    def preview(self, form: IntoForm) -> Preview:
        """Dates move where other tables are adopted for the owner that stays; and what is agreed where."""
        self.notices = self.terms_kept(form.cleaned_data["into"])
        sites = list(Site.objects.filter(owner=self.owner).values_list("pk", flat=True))
        books = books_under(sites, form.cleaned_data["into"].pk)
        return preview_units(units_at(sites), at=self.now, new_books=books)

    def save(self, form: IntoForm) -> tuple[str, str]:
        """Merge them, with their people."""
        into = form.cleaned_data["into"]
        kept = self.terms_kept(into)
        merge_owners(self.owner, into, form.cleaned_data["reason"], by=self.person, now=self.now)
        join_people(self.owner, into)
        told = " ".join([f"{self.owner.name} is {into.name} from now on.", *kept])
        return told, reverse("desk:owner", args=[into.public_id])

    def terms_kept(self, into: Owner) -> list[str]:
        """What becomes of what was agreed with the owner that gives way, a sentence each."""
        rows = [row for row, _ in terms_to_carry(self.owner, into, by=self.person, now=self.now)]
        carried = {row.site.pk for row in rows if row.site is not None}
        common = TermsVersion.objects.filter(owner__in=(self.owner, into), site__isnull=True)
        agreed_with = set(common.values_list("owner_id", flat=True))
        told = []
        if carried:
            one = len(carried) == 1
            told.append(
                f"{len(carried)} site{'' if one else 's'} of {self.owner.name} keep{'s' if one else ''} what "
                f"was agreed for {'it' if one else 'them'}, as terms of {'its' if one else 'their'} own. "
                f"Where what is agreed with {into.name} is to hold instead, change the terms of the site."
            )
        elif self.owner.pk in agreed_with:
            told.append(f"What was agreed with {self.owner.name} had no site; it stays on record there.")
        rest = Site.objects.filter(owner=self.owner).exclude(pk__in=carried).count()
        if rest and into.pk in agreed_with:
            told.append(
                f"For {rest} site{'' if rest == 1 else 's'} of {self.owner.name} nothing was agreed: there "
                f"what is agreed with {into.name} holds from now on."
            )
        return told

    def context(self) -> dict[str, Any]:
        """What merging means."""
        return {
            "notices": self.notices,
            "title": f"{self.owner.name} is another owner",
            "lead": "Its sites, its people and its days off go to the owner that stays. Its sites keep what "
            "was agreed for them. Papers issued to it stay as issued, and the people of both see them.",
            "crumbs": owner_crumbs(self.owner),
            "back": reverse("desk:owner", args=[self.owner.public_id]),
            "changes": None,
        }


# --- sites -------------------------------------------------------------------------------------------


class SiteFields(forms.Form):
    """What is known of a site."""

    name = forms.CharField(label="Name", max_length=200)
    code = forms.CharField(label="Code", max_length=30, help_text="Short; stands on sheets and labels.")
    address_line = forms.CharField(label="Street and number", required=False, max_length=200)
    postcode = forms.CharField(label="Postcode", required=False, max_length=20)
    city = forms.CharField(label="Town", required=False, max_length=100)
    region = forms.CharField(label="Region", required=False, max_length=100)
    country = forms.CharField(
        label="Country", required=False, max_length=2, help_text="Two letters, e.g. US."
    )
    time_zone = forms.ChoiceField(label="Time zone", choices=[(zone, zone) for zone in ZONES])
    latitude = latitude_field("Latitude, degrees")
    longitude = longitude_field("Longitude, degrees")
    language = forms.ChoiceField(label="Language of notices", choices=LANGUAGE_CHOICES)
    monthly_checks_by = forms.ChoiceField(
        label="Monthly looks are made by", choices=Site.MonthlyChecks.choices
    )
    access_notes = forms.CharField(
        label="Notes on access", required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 3})
    )

    def clean_country(self) -> str:
        """In capitals."""
        return str(self.cleaned_data["country"]).upper()


SITE_GROUPS = (
    ("The premises", ("name", "code", "address_line", "postcode", "city", "region", "country")),
    ("Where and when", ("time_zone", "latitude", "longitude")),
    ("Dealing with it", ("language", "monthly_checks_by", "access_notes")),
)


class SiteFactsForm(SiteFields, BecauseForm):
    """A site's facts, corrected or changed."""

    asks_source = False
    asks_wrong = True
    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=24)


class SiteFactsView(FactsView):
    """Correct or change a site's facts."""

    groups = SITE_GROUPS
    can_move_dates = True
    site: Site

    def find(self, **kwargs: Any) -> None:
        """The site in scope."""
        self.site = self.found(sites_for(self.scope), kwargs["site_id"])

    def form(self, data: Any = None) -> SiteFactsForm:
        """What is known."""
        initial = {name: getattr(self.site, name) for name in SITE_FACTS}
        return SiteFactsForm(data, initial=initial | {"seen": _seen(self.site, SITE_FACTS)})

    def preview(self, form: SiteFactsForm) -> Preview:
        """Dates move where another day has begun in the other time zone."""
        zone = form.cleaned_data["time_zone"]

        def altered(item: UnitInput) -> UnitInput:
            return replace(item, time_zone=zone)

        return preview_units(units_at([self.site.pk]), at=self.now, altered=altered)

    def save(self, form: SiteFactsForm) -> tuple[str, str]:
        """Save it."""
        save_correction(
            lambda: correct_row(
                self.site,
                differing(form, SITE_FACTS),
                form.because(),
                by=self.person,
                at=self.now,
                seen=form.cleaned_data["seen"],
            ),
            now=self.now,
        )
        return "Saved.", reverse("desk:site", args=[self.site.public_id])

    def context(self) -> dict[str, Any]:
        """The site, other ways to change it, and what was changed before."""
        here = [self.site.public_id]
        return {
            "title": f"Change {self.site.name}",
            "crumbs": site_crumbs(self.site),
            "links": [
                {"label": "Hours and visiting", "url": reverse("desk:site-visiting", args=here)},
                {"label": "Another owner", "url": reverse("desk:site-owner", args=here)},
                {"label": "Merge", "url": reverse("desk:site-merge", args=here)},
                {"label": "Split", "url": reverse("desk:site-split", args=here)},
            ],
            "back": reverse("desk:site", args=here),
            "changes": change_lines(changes_of(self.site)[:SHOWN_CHANGES]),
        }


class NewSiteView(FactsView):
    """Enter a site of an owner by hand."""

    groups = SITE_GROUPS
    button = "Enter the site"
    errors_title = "Nothing was entered. Please correct:"
    owner: Owner

    def find(self, **kwargs: Any) -> None:
        """The owner in scope."""
        self.owner = self.found(owners_for(self.scope), kwargs["owner_id"])

    def form(self, data: Any = None) -> SiteFields:
        """An empty form, in the time zone of the owner's last site."""
        last = Site.objects.filter(owner=self.owner).order_by("-pk").first()
        like = last or Site.objects.order_by("-pk").first()
        initial = {"time_zone": like.time_zone, "country": like.country} if like is not None else {}
        return SiteFields(data, initial=initial)

    def save(self, form: SiteFields) -> tuple[str, str]:
        """Take it into the register."""
        site = add_site(self.owner, form.cleaned_data)
        return (
            f"{site.name} is in the register. Enter its places next.",
            reverse("desk:places", args=[site.public_id]),
        )

    def context(self) -> dict[str, Any]:
        """Whose it is."""
        return {
            "title": f"New site of {self.owner.name}",
            "crumbs": owner_crumbs(self.owner),
            "back": reverse("desk:owner", args=[self.owner.public_id]),
            "changes": None,
        }


class OwnerChangeForm(forms.Form):
    """To whom a site goes, and when."""

    owner = forms.Field()
    from_on = day_field("First day of the new owner")
    reason = reason_field()

    def __init__(self, *args: Any, rows: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["owner"] = FindField(queryset=rows, label="New owner")
        self.fields["from_on"].required = True


class OwnerChangeView(FactsView):
    """A site goes to another owner."""

    button = "It goes to this owner"
    can_move_dates = True
    template = "desk/owner_change.html"
    site: Site

    def find(self, **kwargs: Any) -> None:
        """The site in scope."""
        self.site = self.found(sites_for(self.scope), kwargs["site_id"])

    def form(self, data: Any = None) -> OwnerChangeForm:
        """To whom, and when."""
        rows = owners_for(self.scope).exclude(pk=self.site.owner_id)
        return OwnerChangeForm(
            data, rows=rows, initial={"from_on": self.today_in(self.site.time_zone).isoformat()}
        )

    def post(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        """Plan the change, or call off one that is ahead."""
        if self.pressed("", "look", "save", "drop") != "drop":
            return super().post(request, **kwargs)
        self.find(**kwargs)
        change = OwnerChange.objects.filter(site=self.site, applied_at=None, dropped_at=None).first()
        try:
            if change is None:
                raise Conflict("changed_meanwhile", "No change is ahead any more.")
            call_off_owner_change(change, at=self.now)
        except Conflict as problem:
            self.refused(problem)
        else:
            self.told("The change of owner was called off.")
        return redirect("desk:site-owner", self.site.public_id)

    def preview(self, form: OwnerChangeForm) -> Preview:
        """Dates move where other tables are adopted for the new owner."""
        books = books_under([self.site.pk], form.cleaned_data["owner"].pk)
        return preview_units(units_at([self.site.pk]), at=self.now, new_books=books)

    def save(self, form: OwnerChangeForm) -> tuple[str, str]:
        """Note the change; it takes effect at once when its day has come."""
        given = form.cleaned_data
        change = plan_owner_change(
            self.site, given["owner"], given["from_on"], given["reason"], by=self.person, at=self.now
        )
        apply_due_owner_changes(now=self.now)
        change.refresh_from_db()
        when = "now" if change.applied_at else f"from {change.from_on:%-d %b %Y}"
        return (
            f"{self.site.name} belongs to {given['owner'].name} {when}.",
            reverse("desk:site", args=[self.site.public_id]),
        )

    def context(self) -> dict[str, Any]:
        """Who has it, who had it, what is ahead."""
        changes = list(
            OwnerChange.objects.filter(site=self.site).select_related("from_owner", "to_owner", "decided_by")
        )
        return {
            "title": f"{self.site.name} gets another owner",
            "lead": f"It belongs to {self.site.owner.name}"
            f"{f' since {self.site.owner_since:%-d %b %Y}' if self.site.owner_since else ''}. The new owner "
            "sees what is recorded from the first day on; the old one keeps the papers issued to it.",
            "crumbs": site_crumbs(self.site),
            "back": reverse("desk:site-facts", args=[self.site.public_id]),
            "changes": None,
            "handed": changes,
        }


class MergeSiteView(FactsView):
    """Two sites become one."""

    button = "Make it part of that site"
    can_move_dates = True
    site: Site

    def find(self, **kwargs: Any) -> None:
        """The site that gives way."""
        self.site = self.found(sites_for(self.scope), kwargs["site_id"])

    def form(self, data: Any = None) -> IntoForm:
        """Into which site."""
        rows = sites_for(self.scope).filter(owner=self.site.owner_id).exclude(pk=self.site.pk)
        return IntoForm(data, rows=rows, label="The site that stays, of the same owner", with_prefix=True)

    def preview(self, form: IntoForm) -> Preview:
        """Dates move where the other site has other tables or another day."""
        into: Site = form.cleaned_data["into"]

        def altered(item: UnitInput) -> UnitInput:
            return replace(item, site_id=into.pk, time_zone=into.time_zone)

        return preview_units(units_at([self.site.pk]), at=self.now, altered=altered)

    def save(self, form: IntoForm) -> tuple[str, str]:
        """Merge them."""
        given = form.cleaned_data
        done = merge_sites(
            self.site, given["into"], given["reason"], front=given["front"], by=self.person, now=self.now
        )
        count = len(done.unit_ids)
        return (
            f"{self.site.name} is part of {given['into'].name}: {count} unit{'s' if count != 1 else ''} "
            "went along.",
            reverse("desk:site", args=[given["into"].public_id]),
        )

    def context(self) -> dict[str, Any]:
        """What merging means."""
        return {
            "title": f"{self.site.name} becomes part of another site",
            "lead": "All its places and units go there. Its papers and records stay as they are; its "
            "name and code lead to the site that stays.",
            "crumbs": site_crumbs(self.site),
            "back": reverse("desk:site-facts", args=[self.site.public_id]),
            "changes": None,
        }


class SplitForm(forms.Form):
    """Which places become a site of their own."""

    name = forms.CharField(label="Name of the new site", max_length=200)
    code = forms.CharField(label="Its code", max_length=30)
    address_line = forms.CharField(label="Street and number", required=False, max_length=200)
    places = forms.Field()
    reason = reason_field()

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        rows = Location.objects.filter(site=site).order_by("building", "floor", "walking_order", "number")
        field = forms.ModelMultipleChoiceField(
            queryset=rows,
            to_field_name="public_id",
            label="Places that go there",
            widget=forms.SelectMultiple(attrs={"size": 14}),
            error_messages={
                "required": "Choose the places that go to the new site.",
                "invalid_choice": "A place is not of this site any more. Choose again.",
            },
        )
        field.label_from_instance = place_label  # type: ignore[method-assign, assignment]
        self.fields["places"] = field


class SplitSiteView(FactsView):
    """One site becomes two."""

    button = "Make it a site of its own"
    groups = (("The new site", ("name", "code", "address_line")), ("What goes there", ("places",)))
    site: Site

    def find(self, **kwargs: Any) -> None:
        """The site in scope."""
        self.site = self.found(sites_for(self.scope), kwargs["site_id"])

    def form(self, data: Any = None) -> SplitForm:
        """The places of the site."""
        return SplitForm(data, site=self.site)

    def save(self, form: SplitForm) -> tuple[str, str]:
        """Split it."""
        given = form.cleaned_data
        places = list(given["places"].select_related("site"))
        values = {name: given[name] for name in ("name", "code", "address_line")}
        new, done = split_off(self.site, places, values, given["reason"], by=self.person, now=self.now)
        count = len(done.unit_ids)
        return (
            f"{new.name} is a site of its own with {len(places)} places and {count} "
            f"unit{'s' if count != 1 else ''}.",
            reverse("desk:site", args=[new.public_id]),
        )

    def context(self) -> dict[str, Any]:
        """What splitting means."""
        return {
            "title": f"Split {self.site.name}",
            "lead": "The chosen places and the units that hang there go to a new site of the same owner. "
            "Tables that were adopted for this site alone are adopted there too.",
            "crumbs": site_crumbs(self.site),
            "back": reverse("desk:site-facts", args=[self.site.public_id]),
            "changes": None,
        }


# --- places ------------------------------------------------------------------------------------------


class PlacesView(PageView):
    """The places of a site, with the numbers they had before."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show one page of them."""
        site = self.found(sites_for(self.scope), site_id)
        hanging = Count("units", filter=~Q(units__state__in=Unit.GONE))
        rows = Location.objects.filter(site=site).annotate(unit_count=hanging)
        wanted = request.GET.get("q", "").strip()[:80]
        if wanted:
            found = words_condition(wanted, "number", "building", "floor", "description", "aliases__number")
            rows = rows.filter(pk__in=Location.objects.filter(found, site=site).values("pk"))
        page = paged(request, rows.order_by("walking_order", "number", "pk"))
        once = old_place_numbers([place.pk for place in page.object_list])
        context = {
            "crumbs": site_crumbs(site),
            "site": site,
            "wanted": wanted,
            "page_obj": page,
            "places": [{"place": place, "once": once.get(place.pk, [])} for place in page.object_list],
            "may_change": self.may(Act.CHANGE_REGISTER),
        }
        return self.page("desk/places.html", context)


class PlaceFields(forms.Form):
    """What is known of a place."""

    number = forms.CharField(label="Number", max_length=30, help_text="An old number still leads here.")
    building = forms.CharField(label="Building", required=False, max_length=80)
    floor = forms.CharField(label="Floor", required=False, max_length=40)
    description = forms.CharField(label="Description", required=False, max_length=200)
    hazard = forms.CharField(label="Hazard", required=False, max_length=80)
    environment = forms.ChoiceField(label="Surroundings", choices=ENVIRONMENT_CHOICES)
    walking_order = forms.IntegerField(
        label="Walking order", min_value=0, max_value=1_000_000, initial=0, help_text="Lower comes first."
    )


class PlaceFactsForm(PlaceFields, BecauseForm):
    """A place's facts, corrected or changed."""

    asks_source = False
    asks_wrong = True
    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=24)


class PlaceFactsView(FactsView):
    """Renumber a place, or correct or change what is known of it."""

    groups = (("The place", tuple(LOCATION_FACTS)),)
    can_move_dates = True
    place: Location

    def find(self, **kwargs: Any) -> None:
        """The place of a site in scope."""
        rows = Location.objects.filter(site__in=sites_for(self.scope)).select_related("site")
        self.place = self.found(rows, kwargs["place_id"])

    def form(self, data: Any = None) -> PlaceFactsForm:
        """What is known."""
        initial = {name: getattr(self.place, name) for name in LOCATION_FACTS}
        return PlaceFactsForm(data, initial=initial | {"seen": _seen(self.place, LOCATION_FACTS)})

    def preview(self, form: PlaceFactsForm) -> Preview:
        """Dates move where the surroundings choose the rule."""
        around = Environment(form.cleaned_data["environment"])

        def altered(item: UnitInput) -> UnitInput:
            return replace(item, facts=replace(item.facts, environment=around))

        ids = Unit.objects.on_duty().filter(location=self.place).values_list("pk", flat=True)
        return preview_units(list(ids), at=self.now, altered=altered)

    def save(self, form: PlaceFactsForm) -> tuple[str, str]:
        """Save it."""
        save_correction(
            lambda: correct_row(
                self.place,
                differing(form, LOCATION_FACTS),
                form.because(),
                by=self.person,
                at=self.now,
                seen=form.cleaned_data["seen"],
            ),
            now=self.now,
        )
        return "Saved.", reverse("desk:places", args=[self.place.site.public_id])

    def context(self) -> dict[str, Any]:
        """The place, its old numbers and what was changed before."""
        once = old_place_numbers([self.place.pk]).get(self.place.pk, [])
        return {
            "title": f"Change place {self.place.number}",
            "lead": f"At {self.place.site.name}."
            + (f" Before: {', '.join(once)}; scans and old papers with it still lead here." if once else ""),
            "crumbs": site_crumbs(self.place.site),
            "back": reverse("desk:places", args=[self.place.site.public_id]),
            "changes": change_lines(changes_of(self.place)[:SHOWN_CHANGES]),
        }


class NewPlaceView(FactsView):
    """Enter a place of a site by hand."""

    groups = (("The place", tuple(LOCATION_FACTS)),)
    button = "Enter the place"
    errors_title = "Nothing was entered. Please correct:"
    site: Site

    def find(self, **kwargs: Any) -> None:
        """The site in scope."""
        self.site = self.found(sites_for(self.scope), kwargs["site_id"])

    def form(self, data: Any = None) -> PlaceFields:
        """An empty form, last in the walking order."""
        last = Location.objects.filter(site=self.site).order_by("-walking_order").first()
        initial = {"walking_order": last.walking_order + 10 if last else 10, "environment": "normal"}
        return PlaceFields(data, initial=initial)

    def save(self, form: PlaceFields) -> tuple[str, str]:
        """Take it into the register."""
        try:
            place = add_place(self.site, form.cleaned_data)
        except ValidationError as problem:
            if "__all__" in getattr(problem, "error_dict", {}):
                raise ValidationError(
                    {"number": "Another place of this site already has this number."}
                ) from problem
            raise
        return f"Place {place.number} is in the register.", reverse("desk:places", args=[self.site.public_id])

    def context(self) -> dict[str, Any]:
        """Where it is."""
        return {
            "title": f"New place at {self.site.name}",
            "crumbs": site_crumbs(self.site),
            "back": reverse("desk:places", args=[self.site.public_id]),
            "changes": None,
        }
