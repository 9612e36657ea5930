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


ERASED_FIELDS = "inventory_erasedfield"


def fence_but_erasing(table: str, *columns: str) -> Callable[[Any, Any], None]:
    """Return a migration function that fences ``table`` like ``fence``, with one narrow gate.

    A row may change in ``columns`` only, and each of them only to what a row of ``ERASED_FIELDS``
    says it reads as. Of columns added later SQLite's trigger knows nothing: a migration that adds one
    to such a table ends with this function again, and a test compares.
    """

    def add(apps: Any, schema_editor: Any) -> None:
        fence(table)(apps, schema_editor)
        name = f"{table}_no_update"
        if schema_editor.connection.vendor == "sqlite":
            with schema_editor.connection.cursor() as cursor:
                described = schema_editor.connection.introspection.get_table_description(cursor, table)
            schema_editor.execute(f'DROP TRIGGER IF EXISTS "{name}"')
            schema_editor.execute(_sqlite_gate(name, table, columns, [one.name for one in described]))
        else:
            schema_editor.execute(_POSTGRES_GATE, params=None)
            schema_editor.execute(f'DROP TRIGGER IF EXISTS "{name}" ON "{table}"')
            given = ", ".join(f"'{column}'" for column in columns)
            schema_editor.execute(
                f'CREATE TRIGGER "{name}" BEFORE UPDATE ON "{table}" '
                f"FOR EACH ROW EXECUTE FUNCTION refuse_history_change_but_erasing({given})"
            )

    return add


def fence_but_emptying(table: str, column: str) -> Callable[[Any, Any], None]:
    """Return a migration function that fences ``table``, but lets text in ``column`` be emptied for good."""

    def add(apps: Any, schema_editor: Any) -> None:
        fence(table)(apps, schema_editor)
        name = f"{table}_no_update"
        with schema_editor.connection.cursor() as cursor:
            described = schema_editor.connection.introspection.get_table_description(cursor, table)
        is_sqlite = schema_editor.connection.vendor == "sqlite"
        same = "IS" if is_sqlite else "IS NOT DISTINCT FROM"
        kept = [f'NEW."{one.name}" {same} OLD."{one.name}"' for one in described if one.name != column]
        kept.append(f"NEW.\"{column}\" = ''")
        refused = f"NOT ({' AND '.join(kept)})"
        if is_sqlite:
            schema_editor.execute(f'DROP TRIGGER IF EXISTS "{name}"')
            schema_editor.execute(
                f'CREATE TRIGGER "{name}" BEFORE UPDATE ON "{table}" WHEN {refused} '
                f"BEGIN SELECT RAISE(ABORT, 'history is append-only: {table}'); END"
            )
        else:
            schema_editor.execute(f'DROP TRIGGER IF EXISTS "{name}" ON "{table}"')
            schema_editor.execute(
                f'CREATE TRIGGER "{name}" BEFORE UPDATE ON "{table}" FOR EACH ROW WHEN ({refused}) '
                "EXECUTE FUNCTION refuse_history_change()"
            )

    return add


def _sqlite_gate(name: str, table: str, columns: tuple[str, ...], every: list[str]) -> str:
    missing = set(columns) - set(every)
    if missing:
        raise ValueError(f"{table} has no {', '.join(sorted(missing))}")
    kept = [f'NEW."{column}" IS OLD."{column}"' for column in every if column not in columns]
    gates, changed = [], []
    for column in columns:
        same = f'NEW."{column}" IS OLD."{column}"'
        # A text stands as a JSON string; a JSON column as the document itself.
        gates.append(
            f"({same} OR EXISTS (SELECT 1 FROM \"{ERASED_FIELDS}\" AS e WHERE e.table_name = '{table}' "  # noqa: S608
            f"AND e.row_id = OLD.id AND e.column_name = '{column}' "
            f"AND CASE WHEN e.reads_as = '' THEN 0 WHEN json_type(e.reads_as) = 'text' "
            f"THEN json_extract(e.reads_as, '$') IS NEW.\"{column}\" "
            f'ELSE json(e.reads_as) IS json(NEW."{column}") END))'
        )
        changed.append(f"NOT ({same})")
    allowed = " AND ".join([*kept, *gates, f"({' OR '.join(changed)})"])
    return (
        f'CREATE TRIGGER "{name}" BEFORE UPDATE ON "{table}" WHEN NOT ({allowed}) '
        f"BEGIN SELECT RAISE(ABORT, 'history is append-only: {table}'); END"
    )


_POSTGRES_GATE = f"""
CREATE OR REPLACE FUNCTION refuse_history_change_but_erasing() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    given text;
    old_row jsonb := to_jsonb(OLD);
    new_row jsonb := to_jsonb(NEW);
    is_erased boolean := false;
BEGIN
    FOREACH given IN ARRAY TG_ARGV LOOP
        IF old_row -> given IS DISTINCT FROM new_row -> given THEN
            PERFORM 1 FROM {ERASED_FIELDS} e WHERE e.table_name = TG_TABLE_NAME AND e.row_id = OLD.id
                AND e.column_name = given
                AND CASE WHEN e.reads_as = '' THEN false ELSE e.reads_as::jsonb = new_row -> given END;
            IF NOT FOUND THEN
                RAISE EXCEPTION 'history is append-only: %', TG_TABLE_NAME;
            END IF;
            is_erased := true;
            old_row := old_row - given;
            new_row := new_row - given;
        END IF;
    END LOOP;
    IF is_erased AND old_row = new_row THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'history is append-only: %', TG_TABLE_NAME;
END $$
"""


def every(*fences: Callable[[Any, Any], None]) -> Callable[[Any, Any], None]:
    """Return one migration function for several: each step of a migration draws all models anew."""

    def add(apps: Any, schema_editor: Any) -> None:
        for one in fences:
            one(apps, schema_editor)

    return add
