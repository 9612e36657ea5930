"""The search index: one table a document, kept by triggers of the database, so that bulk writes keep it too.

SQLite has a full text table of trigrams, PostgreSQL a table with an index of trigrams (``pg_trgm``; without
that extension a search reads the table through: slow rather than wrong). A document is made from one table
only, so that a changed name is one row. Nothing here is data: ``rebuild`` makes all of it anew.

``ensure`` runs after every migration, because SQLite drops the triggers of a table that is rebuilt.
"""

# ruff: noqa: S608 - the SQL here is put together from names of tables and columns in code only

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from django.db import DatabaseError, connection, transaction

from inventory.search.text import fold, sql_fold

FOLD = "search_fold"
_STATE = "search_state"
_BLANK = " || ' ' || "


@dataclass(frozen=True, slots=True)
class Document:
    """What can be found of the rows of ``table``: the texts in ``columns``, and ``numbers``.

    Numbers stand among them once more without their blanks, since people type them so.
    """

    name: str
    table: str
    columns: tuple[str, ...]
    numbers: tuple[str, ...] = ()

    @property
    def index(self) -> str:
        """The table that holds the folded texts; its ``rowid`` is the id of the row."""
        return f"search_{self.name}"

    @property
    def all_columns(self) -> tuple[str, ...]:
        """Every column that it is made of."""
        return self.numbers + self.columns

    def text(self, row: str) -> str:
        """The SQL of the folded text of ``row``."""
        parts = [f"coalesce({row}.{column}, '')" for column in self.all_columns]
        for column in self.numbers:
            value = f"coalesce({row}.{column}, '')"
            parts.append(f"CASE WHEN {value} LIKE '% %' THEN replace({value}, ' ', '') ELSE '' END")
        return f"{FOLD}({_BLANK.join(parts)})"


_documents: dict[str, Document] = {}


def register(*documents: Document) -> None:
    """Name what can be found; called once for each app when it is ready."""
    for document in documents:
        _documents[document.name] = document


def documents() -> tuple[Document, ...]:
    """Everything that can be found."""
    return tuple(_documents.values())


def document(name: str) -> Document:
    """The document of that name."""
    return _documents[name]


def teach_fold(connection: Any, **kwargs: Any) -> None:
    """Let a new connection to SQLite fold texts; its triggers call that."""
    if connection.vendor == "sqlite":
        connection.connection.create_function(FOLD, 1, fold, deterministic=True)


# --- made and kept --------------------------------------------------------------------------------------


def ensure(**kwargs: Any) -> list[str]:
    """Make whatever part of the index is missing or was made otherwise; return the names of those parts."""
    made = []
    kept = _kept()
    for one in documents():
        if one.name not in kept and _is_there(one):
            _make(one)
            made.append(one.name)
    return made


def rebuild() -> dict[str, int]:
    """Make the whole index anew and return how many rows of each document it holds."""
    found = {}
    for one in documents():
        if _is_there(one):
            _make(one)
            with connection.cursor() as cursor:
                cursor.execute(f"SELECT count(*) FROM {one.table}")
                found[one.name] = int(cursor.fetchone()[0])
    return found


def differences(one: Document) -> int:
    """How many rows of a document are missing in the index, too many in it, or differ; 0 when it is right."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT (SELECT count(*) FROM {one.table} AS t LEFT JOIN {one.index} AS s ON s.rowid = t.id "
            f"WHERE s.text IS NULL OR s.text <> {one.text('t')}) + "
            f"(SELECT count(*) FROM {one.index} AS s WHERE NOT EXISTS "
            f"(SELECT 1 FROM {one.table} AS t WHERE t.id = s.rowid))"
        )
        return int(cursor.fetchone()[0])


def _is_there(one: Document) -> bool:
    """Whether the table and all its columns exist: a migration may have gone only part of the way."""
    with connection.cursor() as cursor:
        if one.table not in connection.introspection.table_names(cursor):
            return False
        held = {column.name for column in connection.introspection.get_table_description(cursor, one.table)}
    return held >= {"id", *one.all_columns}


def _kept() -> set[str]:
    """Names of the documents that are kept as they should be."""
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
        if _STATE not in tables:
            return set()
        cursor.execute(f"SELECT name, made_of FROM {_STATE}")
        state = dict(cursor.fetchall())
        triggers: set[str] = set()
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'search_%'")
            triggers = {name for (name,) in cursor.fetchall()}
    found = set()
    for one in documents():
        here = {f"{one.index}_on_{verb}" for verb in ("insert", "update", "delete")}
        is_current = state.get(one.name) == _digest(one) and one.index in tables
        if is_current and (connection.vendor != "sqlite" or here <= triggers):
            found.add(one.name)
    return found


def _digest(one: Document) -> str:
    made_of = _sqlite_triggers(one) if connection.vendor == "sqlite" else _postgres(one)
    return hashlib.sha256("\n".join((sql_fold(), *made_of)).encode()).hexdigest()


@transaction.atomic
def _make(one: Document) -> None:
    is_sqlite = connection.vendor == "sqlite"
    with connection.cursor() as cursor:
        run = cursor.execute
        run(
            f"CREATE TABLE IF NOT EXISTS {_STATE} "
            "(name varchar(30) PRIMARY KEY, made_of varchar(64) NOT NULL)"
        )
        run(f"DROP TABLE IF EXISTS {one.index}")
        if is_sqlite:
            run(f"CREATE VIRTUAL TABLE {one.index} USING fts5(text, tokenize='trigram')")
        else:
            run(
                f"CREATE OR REPLACE FUNCTION {FOLD}(text) RETURNS text LANGUAGE sql IMMUTABLE PARALLEL SAFE "
                f"AS $fold$ {sql_fold()} $fold$"
            )
            run(f"CREATE TABLE {one.index} (rowid bigint PRIMARY KEY, text text NOT NULL)")
        run(f"INSERT INTO {one.index}(rowid, text) SELECT t.id, {one.text('t')} FROM {one.table} AS t")
        if not is_sqlite:
            _index_trigrams(one)
        for sql in _sqlite_triggers(one) if is_sqlite else _postgres(one):
            run(sql)
        run(f"DELETE FROM {_STATE} WHERE name = %s", [one.name])
        run(f"INSERT INTO {_STATE} (name, made_of) VALUES (%s, %s)", [one.name, _digest(one)])


def _index_trigrams(one: Document) -> None:
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")
            cursor.execute(f"CREATE INDEX {one.index}_trigrams ON {one.index} USING gin (text gin_trgm_ops)")
            cursor.execute(f"ANALYZE {one.index}")
    except DatabaseError:
        # Neither installed nor allowed: every search reads the table through.
        return


def _changed(one: Document, how: str) -> str:
    return " OR ".join(f"old.{column} {how} new.{column}" for column in one.all_columns)


def _sqlite_triggers(one: Document) -> list[str]:
    columns = ", ".join(one.all_columns)
    heads = {
        "insert": f"AFTER INSERT ON {one.table} BEGIN "
        f"INSERT OR REPLACE INTO {one.index}(rowid, text) VALUES (new.id, {one.text('new')});",
        "update": f"AFTER UPDATE OF {columns} ON {one.table} WHEN {_changed(one, 'IS NOT')} BEGIN "
        f"UPDATE {one.index} SET text = {one.text('new')} WHERE rowid = new.id;",
        "delete": f"AFTER DELETE ON {one.table} BEGIN DELETE FROM {one.index} WHERE rowid = old.id;",
    }
    found = []
    for name, body in heads.items():
        found.append(f"DROP TRIGGER IF EXISTS {one.index}_on_{name}")
        found.append(f"CREATE TRIGGER {one.index}_on_{name} {body} END")
    return found


def _postgres(one: Document) -> list[str]:
    """Functions and triggers by statement; they name no column that a migration could not alter."""
    old, new = (", ".join(f"{row}.{column}" for column in one.all_columns) for row in ("o", "n"))
    bodies = {
        "insert": (
            "REFERENCING NEW TABLE AS fresh",
            f"INSERT INTO {one.index}(rowid, text) SELECT n.id, {one.text('n')} FROM fresh AS n "
            "ON CONFLICT (rowid) DO UPDATE SET text = excluded.text;",
        ),
        "update": (
            "REFERENCING NEW TABLE AS fresh OLD TABLE AS stale",
            f"UPDATE {one.index} AS s SET text = {one.text('n')} "
            "FROM fresh AS n JOIN stale AS o ON o.id = n.id "
            f"WHERE s.rowid = n.id AND ({old}) IS DISTINCT FROM ({new});",
        ),
        "delete": (
            "REFERENCING OLD TABLE AS stale",
            f"DELETE FROM {one.index} WHERE rowid IN (SELECT id FROM stale);",
        ),
        "truncate": ("", f"TRUNCATE {one.index};"),
    }
    found = []
    for name, (rows, body) in bodies.items():
        call = f"{one.index}_on_{name}"
        found += [
            f"CREATE OR REPLACE FUNCTION {call}() RETURNS trigger LANGUAGE plpgsql AS "
            f"$body$ BEGIN {body} RETURN NULL; END $body$",
            f"DROP TRIGGER IF EXISTS {call} ON {one.table}",
            f"CREATE TRIGGER {call} AFTER {name.upper()} ON {one.table} {rows} "
            f"FOR EACH STATEMENT EXECUTE FUNCTION {call}()",
        ]
    return found
