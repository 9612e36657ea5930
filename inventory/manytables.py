"""One migration step that makes many tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.migrations.operations import CreateModel
from django.db.migrations.operations.base import Operation


class CreateModels(Operation):
    """Make the tables of ``models``, each after those it points to.

    Django draws its picture of all models anew for every table made, so that a hundred tables take
    the square of a hundred; here the picture is drawn once. What results is the same.
    """

    reversible = True
    reduces_to_sql = True

    def __init__(self, models: Sequence[CreateModel]) -> None:
        self.models = list(models)

    def deconstruct(self) -> tuple[str, list[Any], dict[str, Any]]:
        return type(self).__qualname__, [], {"models": self.models}

    def state_forwards(self, app_label: str, state: Any) -> None:
        state.__dict__.pop("apps", None)
        for model in self.models:
            model.state_forwards(app_label, state)

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        for model in self.models:
            model.database_forwards(app_label, schema_editor, from_state, to_state)

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        for model in reversed(self.models):
            model.database_backwards(app_label, schema_editor, from_state, to_state)

    def describe(self) -> str:
        return f"Create {len(self.models)} tables"
