"""Filters of the owner's lists."""

from __future__ import annotations

from typing import Any

from django import forms

from inventory.access import Scope
from inventory.register.models import Site


class CertificateFilter(forms.Form):
    """Which certificates to show: by number or site, and by the day of issue."""

    q = forms.CharField(label="Number or site", required=False, max_length=60, widget=forms.SearchInput)
    site = forms.ModelChoiceField(
        label="Site",
        queryset=Site.objects.none(),
        to_field_name="public_id",
        required=False,
        empty_label="All sites",
        error_messages={"invalid_choice": "Choose one of your sites."},
    )
    since = forms.DateField(
        label="From",
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "Enter a day that exists, for instance 2026-03-31."},
    )
    until = forms.DateField(
        label="To",
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "Enter a day that exists, for instance 2026-03-31."},
    )

    def __init__(self, *args: Any, scope: Scope, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["site"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Site.objects.visible_to(scope).order_by("name", "pk")

    def clean(self) -> dict[str, Any]:
        """Refuse a period that ends before it begins."""
        cleaned = super().clean() or {}
        since, until = cleaned.get("since"), cleaned.get("until")
        if since and until and until < since:
            self.add_error("until", "The last day lies before the first. Exchange the two.")
        return cleaned
