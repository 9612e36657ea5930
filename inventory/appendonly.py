"""Rows that are added and never changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NoReturn, TypeVar

from django.db import models


class HistoryIsAppendOnly(RuntimeError):
    """Raised when code tries to change or remove something that has been recorded."""


M = TypeVar("M", bound=models.Model)


class AppendOnlyQuerySet(models.QuerySet[M]):
    """A queryset that can add rows and read them, nothing else."""

    def update(self, **kwargs: Any) -> NoReturn:
        raise HistoryIsAppendOnly("History is append-only: add a correcting record instead of changing one.")

    def delete(self) -> NoReturn:
        raise HistoryIsAppendOnly("History is append-only: records are not deleted.")

    def bulk_update(self, *args: Any, **kwargs: Any) -> NoReturn:
        raise HistoryIsAppendOnly("History is append-only: add a correcting record instead of changing one.")


class AppendOnly(models.Model):
    """Base of a row that can be saved once."""

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise HistoryIsAppendOnly(
                "History is append-only: add a correcting record instead of changing one."
            )
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        raise HistoryIsAppendOnly("History is append-only: records are not deleted.")


def fence(*tables: str) -> Callable[[Any, Any], None]:
    """Return a migration function that makes the database itself refuse to change ``tables``.

    The second fence, for raw SQL and the shell. SQLite drops a table's triggers whenever Django
    rebuilds the table to alter a field: a migration that alters one of these tables must end with
    this function again, and a test looks for the triggers.
    """

    def add(apps: Any, schema_editor: Any) -> None:
        for table in tables:
            for verb in ("UPDATE", "DELETE"):
                name = f"{table}_no_{verb.lower()}"
                if schema_editor.connection.vendor == "sqlite":
                    schema_editor.execute(f'DROP TRIGGER IF EXISTS "{name}"')
                    schema_editor.execute(
                        f'CREATE TRIGGER "{name}" BEFORE {verb} ON "{table}" '
                        f"BEGIN SELECT RAISE(ABORT, 'history is append-only: {table}'); END"
                    )
                else:
                    schema_editor.execute(
                        "CREATE OR REPLACE FUNCTION refuse_history_change() "
                        "RETURNS trigger LANGUAGE plpgsql AS $$ "
                        "BEGIN RAISE EXCEPTION 'history is append-only: %', TG_TABLE_NAME; END $$",
                        params=None,  # else the percent sign is taken for a placeholder
                    )
                    schema_editor.execute(f'DROP TRIGGER IF EXISTS "{name}" ON "{table}"')
                    schema_editor.execute(
                        f'CREATE TRIGGER "{name}" BEFORE {verb} ON "{table}" '
                        "FOR EACH ROW EXECUTE FUNCTION refuse_history_change()"
                    )

    return add
