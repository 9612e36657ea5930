"""Form fields that several pages of the desk share."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError


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


def day_field(label: str) -> forms.DateField:
    """A day, typed or chosen."""
    return forms.DateField(
        label=label,
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "Enter a day like 2026-11-30."},
    )
