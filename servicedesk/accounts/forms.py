"""Forms of signing in and of the own account."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm

REFUSAL = "User name and password do not belong together. Check both, also for capitals, and try again."


class SignInForm(AuthenticationForm):
    """A name and a password. One sentence for every reason, so that nobody learns which names exist."""

    error_messages = {"invalid_login": REFUSAL, "inactive": REFUSAL}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "User name"
        self.fields["username"].widget.attrs |= {"autocapitalize": "none", "spellcheck": "false"}


class NewPasswordForm(PasswordChangeForm):
    """The old password and the new one twice."""

    field_order = ["old_password", "new_password1", "new_password2"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        labels = {
            "old_password": "Password until now",
            "new_password1": "New password",
            "new_password2": "New password, once more",
        }
        for name, label in labels.items():
            field = self.fields[name]
            assert isinstance(field, forms.CharField)
            field.label = label
