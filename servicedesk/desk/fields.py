"""Form fields that several pages of the desk share."""

from __future__ import annotations

import re
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Model, Q, QuerySet
from django.urls import reverse_lazy

from inventory.register.models import Site
from inventory.register.queries import words_condition

MOST_CHOICES = 200
"""More than these are not offered in one list to scroll through; they are found by typing."""

NAMED = 8
"""So many are named where several fit what was typed."""


class PickField(forms.ModelChoiceField):
    """A row chosen by its public id; whatever is no id of the list gets one and the same answer."""

    default_error_messages = {"invalid_choice": "This choice is not in the list. Choose another."}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(to_field_name="public_id", **kwargs)

    def to_python(self, value: Any) -> Any:
        """The row, or a ``ValidationError``."""
        try:
            return super().to_python(value)
        except ValidationError as error:
            raise ValidationError(self.error_messages["invalid_choice"], code="invalid_choice") from error


class FindField(forms.CharField):
    """A site or owner found by typing part of its name (of a site also its code), or given by its public id.

    The page offers what fits while one types (``shared/find.js``); without scripts what was typed is looked
    up when the form is sent. Exactly one must fit, else the answer names those that do.
    """

    def __init__(self, *, queryset: QuerySet[Any], **kwargs: Any) -> None:
        self.queryset = queryset
        model = queryset.model
        attrs = {
            "type": "search",
            "autocomplete": "off",
            "placeholder": "Part of the name or code" if model is Site else "Part of the name",
            "data-find": reverse_lazy("desk:find", args=[model._meta.model_name]),
        }
        super().__init__(max_length=240, widget=forms.TextInput(attrs=attrs), **kwargs)

    def prepare_value(self, value: Any) -> Any:
        """What stands in the field: the name of a row that an address gave by its id."""
        if isinstance(value, Model):
            return found_label(value)
        row = self._by_id(str(value)) if value else None
        return value if row is None else found_label(row)

    def clean(self, value: Any) -> Any:
        """The row that was meant, or None for nothing."""
        text = super().clean(value)
        if not text:
            return None
        row = self._by_id(text)
        if row is not None:
            return row
        for rows in (self._exact(text), found_rows(self.queryset, text)):
            found = list(rows[: NAMED + 1])
            if len(found) == 1:
                return found[0]
            if found:
                named = ", ".join(map(found_label, found[:NAMED]))
                more = " and more" if len(found) > NAMED else ""
                raise ValidationError(f"Several fit: {named}{more}. Type more of the name.", code="several")
        raise ValidationError(
            "Nothing fits. Type part of the name as it stands in the list.", code="invalid_choice"
        )

    def _by_id(self, text: str) -> Any:
        try:
            return self.queryset.filter(public_id=UUID(text)).first()
        except ValueError:
            return None

    def _exact(self, text: str) -> QuerySet[Any]:
        if self.queryset.model is not Site:
            return self.queryset.filter(name__iexact=text)
        code = re.search(r"\(([^()]+)\)$", text)
        named = Q(code=code[1]) if code else Q(name__iexact=text)
        return self.queryset.filter(named | Q(code__iexact=text))


class DegreesField(forms.DecimalField):
    """A coordinate in degrees, with a decimal point or a decimal comma: 38.645 or 38,645."""

    # A number input would refuse the comma, or drop it, before anything is sent.
    widget = forms.TextInput(attrs={"autocomplete": "off"})
    default_error_messages = {"invalid": "Enter degrees like 38.645 or -99.71."}

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"required": False, "max_digits": 9, "decimal_places": 6} | kwargs)

    def to_python(self, value: Any) -> Any:
        """The degrees; two numbers in one field stay what they are, and are refused."""
        if isinstance(value, str) and value.count(",") == 1 and "." not in value:
            value = value.replace(",", ".")
        return super().to_python(value)


def latitude_field(label: str) -> DegreesField:
    """How far north or south a place lies."""
    hint = "Degrees north, like 38.645. South is negative."
    return DegreesField(label=label, min_value=-90, max_value=90, help_text=hint)


def longitude_field(label: str) -> DegreesField:
    """How far east or west a place lies."""
    hint = "Degrees east, like -99.71. West is negative."
    return DegreesField(label=label, min_value=-180, max_value=180, help_text=hint)


def found_label(row: Any) -> str:
    """What a row is called in a list to find it by; the code makes it the only one of its kind."""
    return f"{row.name} ({row.code})" if isinstance(row, Site) else str(row)


def found_rows(rows: QuerySet[Any], text: str) -> QuerySet[Any]:
    """Those of ``rows`` (sites or owners) whose name or code holds every word of ``text``."""
    names = ("name", "code") if rows.model is Site else ("name",)
    return rows.filter(words_condition(text.replace("(", " ").replace(")", " "), *names))


def pick_field(rows: QuerySet[Any], *, label: str, empty_label: str, **kwargs: Any) -> forms.Field:
    """A field for one of ``rows``, sites or owners: a list to choose from, or to type into if it is long."""
    first = list(rows.values_list("public_id", "name")[: MOST_CHOICES + 1])
    if len(first) > MOST_CHOICES:
        return FindField(queryset=rows, label=label, required=False, **kwargs)
    field = PickField(queryset=rows, label=label, required=False, empty_label=empty_label, **kwargs)
    field.choices = [("", empty_label), *((str(public_id), name) for public_id, name in first)]
    return field


def day_field(label: str) -> forms.DateField:
    """A day, typed or chosen."""
    return forms.DateField(
        label=label,
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "Enter a day like 2026-11-30."},
    )
