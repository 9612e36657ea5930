"""People of an owner: who signs in, which sites they see, who may approve quotations."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.register.models import Owner, Site
from servicedesk.access import Act
from servicedesk.accounts.models import OwnerMembership, User
from servicedesk.accounts.owner_people import add_person, change_person
from servicedesk.pages import PageView, place_errors


class PersonForm(forms.Form):
    """Which sites a person of an owner sees, and what the person may approve."""

    sites = forms.ModelMultipleChoiceField(
        label="Sites",
        queryset=Site.objects.none(),
        to_field_name="public_id",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Counts only for somebody who is limited to chosen sites.",
        error_messages={"invalid_choice": "Choose among the sites of this owner."},
    )
    is_limited = forms.BooleanField(label="Sees only the sites chosen below", required=False)
    may_approve = forms.BooleanField(label="May approve quotations", required=False)
    is_active = forms.BooleanField(label="May sign in", required=False, initial=True)
    field_order = (
        "username",
        "first_name",
        "last_name",
        "email",
        "password",
        "is_active",
        "may_approve",
        "is_limited",
        "sites",
    )

    def __init__(self, *args: Any, owner: Owner, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["sites"]
        assert isinstance(field, forms.ModelMultipleChoiceField)
        field.queryset = Site.objects.filter(owner=owner).order_by("name", "pk")

    def clean(self) -> dict[str, Any]:
        """Somebody limited to no site at all would see nothing."""
        given = super().clean() or {}
        if given.get("is_limited") and not given.get("sites"):
            self.add_error("sites", "Choose at least one site, or take the limit away.")
        return given


class NewPersonForm(PersonForm):
    """A person who does not sign in yet."""

    username = forms.CharField(label="Sign-in name", max_length=150)
    first_name = forms.CharField(label="First name", max_length=150)
    last_name = forms.CharField(label="Last name", max_length=150)
    email = forms.EmailField(label="E-mail", required=False)
    password = forms.CharField(
        label="First password",
        max_length=128,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least 10 characters. Hand it over in person; it can be changed after signing in.",
    )

    def clean_password(self) -> str:
        """As strong as every other password here."""
        given: str = self.cleaned_data["password"]
        validate_password(given)
        return given


class OwnerPeopleView(PageView):
    """The people of one owner, and adding one."""

    acts = (Act.MANAGE_OWNER_PEOPLE,)

    def get(self, request: HttpRequest, owner_id: UUID) -> HttpResponse:
        """Show them."""
        owner = self.owner(owner_id)
        return self.show(owner, NewPersonForm(owner=owner))

    def post(self, request: HttpRequest, owner_id: UUID) -> HttpResponse:
        """Add a person."""
        owner = self.owner(owner_id)
        form = NewPersonForm(request.POST, owner=owner)
        if not form.is_valid():
            return self.show(owner, form, status=400)
        try:
            membership = add_person(owner, **form.cleaned_data)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(owner, form, status=400)
        self.told(f"{membership.user.display_name} can sign in now.")
        return redirect("desk:owner-people", owner.public_id)

    def owner(self, owner_id: UUID) -> Owner:
        """The owner, or 404."""
        return self.found(Owner.objects.visible_to(self.scope), owner_id)

    def show(self, owner: Owner, form: PersonForm, status: int = 200) -> HttpResponse:
        """The page."""
        people = OwnerMembership.objects.filter(owner=owner).select_related("user").prefetch_related("sites")
        context = {
            "crumbs": [{"label": "Sites", "url": reverse("desk:sites")}],
            "owner": owner,
            "people": list(people.order_by("user__last_name", "user__username")),
            "form": form,
        }
        return self.page("desk/owner_people.html", context, status=status)


class OwnerPersonView(PageView):
    """Changing what one person of an owner sees and may approve."""

    acts = (Act.MANAGE_OWNER_PEOPLE,)

    def get(self, request: HttpRequest, person_id: UUID) -> HttpResponse:
        """Show it."""
        membership = self.membership(person_id)
        first = {
            "is_limited": membership.is_limited,
            "may_approve": membership.may_approve,
            "is_active": membership.user.is_active,
            "sites": list(membership.sites.all()),
        }
        return self.show(membership, PersonForm(initial=first, owner=membership.owner))

    def post(self, request: HttpRequest, person_id: UUID) -> HttpResponse:
        """Keep it; it counts from the person's next page on."""
        membership = self.membership(person_id)
        form = PersonForm(request.POST, owner=membership.owner)
        if not form.is_valid():
            return self.show(membership, form, status=400)
        change_person(membership, **form.cleaned_data)
        self.told(f"Kept for {membership.user.display_name}.")
        return redirect("desk:owner-people", membership.owner.public_id)

    def membership(self, person_id: UUID) -> OwnerMembership:
        """The person's tie to the owner (the address names both), or 404."""
        user = self.found(User.objects.filter(role=User.Role.OWNER), person_id)
        owner = self.request.GET.get("owner", "")
        rows = OwnerMembership.objects.filter(user=user).select_related("user", "owner")
        found = rows.filter(owner__public_id=owner).first() if owner else rows.order_by("pk").first()
        if found is None:
            self.found(User.objects.none(), person_id)
        assert found is not None
        return found

    def show(self, membership: OwnerMembership, form: PersonForm, status: int = 200) -> HttpResponse:
        """The page."""
        owner = membership.owner
        context = {
            "crumbs": [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": owner.name, "url": reverse("desk:owner-people", args=[owner.public_id])},
            ],
            "membership": membership,
            "form": form,
        }
        return self.page("desk/owner_person.html", context, status=status)
