"""Adding and changing many rows at once, as fast as the database can.

Django's own bulk writes build an object and a long statement for every few dozen rows; an import of a
hundred thousand units needs the tenth of that. Ids are drawn beforehand, so that rows can point at each
other. Checks of the database hold as always; defaults of the model are filled in here.
"""

# ruff: noqa: S608 - statements are put together from names of tables and columns only

from __future__ import annotations

import gc
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from itertools import chain, islice
from typing import Any, TypeVar

from django.db import connection, models

CHUNK = 5_000
T = TypeVar("T")


def chunks(rows: Iterable[T], size: int = CHUNK) -> Iterator[list[T]]:
    """``rows`` in lists of at most ``size``."""
    source = iter(rows)
    while batch := list(islice(source, size)):
        yield batch


@contextmanager
def without_collector() -> Iterator[None]:
    """Hold the collector of cycles back: hundreds of thousands of rows make none, and it looks for them anew
    whenever there are a quarter more, which takes a sixth of the time. What is no longer needed still goes.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def commits_seen() -> int | None:
    """A number that changes whenever another connection commits anything; None where there is none to ask.

    With the same number before and after, all that was read between stands as it was read. What this
    connection writes itself does not count.
    """
    if connection.vendor != "sqlite":
        return None
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA data_version")
        return int(cursor.fetchone()[0])


def draw_ids(model: type[models.Model], count: int) -> list[int]:
    """Ids for ``count`` new rows of ``model``, ascending; nobody else gets them.

    Must run inside the transaction that stores the rows.
    """
    if not count:
        return []
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)", [table, count]
            )
            return sorted(row[0] for row in cursor.fetchall())
        cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [table])
        found = cursor.fetchone()
        last = int(found[0]) if found else 0
        # The one writer holds the lock of the whole database; the insert moves the sequence on.
        return list(range(last + 1, last + count + 1))


def insert_rows(model: type[models.Model], columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> int:
    """Add ``rows`` of the fields ``columns`` (``attname``) and return how many.

    Values are as Python has them: dates, instants, UUIDs, lists for JSON. Fields that are not named get
    their default.
    """
    fields = {field.attname: field for field in model._meta.concrete_fields}
    others = [
        field
        for field in model._meta.concrete_fields
        if field.attname not in columns and not field.null and not field.primary_key
    ]
    given = [fields[name] for name in columns]
    more = tuple(field.get_db_prep_save(field.get_default(), connection) for field in others)
    turns = [(place, turn) for place, field in enumerate(given) if (turn := _turn(field)) is not None]
    names = ", ".join(f'"{field.column}"' for field in (*given, *others))
    table = model._meta.db_table
    count = 0
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f'COPY "{table}" ({names}) FROM STDIN') as copy:
                for row in rows:
                    copy.write_row(_turned(row, turns, more))
                    count += 1
            return count
        width = len(given) + len(others)
        head, value = f'INSERT INTO "{table}" ({names}) VALUES ', f"({', '.join(['%s'] * width)})"
        for batch in chunks(rows, _rows_at_once(width)):
            turned = chain.from_iterable(_turned(row, turns, more) for row in batch)
            cursor.execute(head + ", ".join([value] * len(batch)), list(turned))
            count += len(batch)
    return count


def _rows_at_once(width: int) -> int:
    """How many rows of ``width`` values one statement on SQLite adds.

    Many: for every statement that could fire a trigger of the search, its full text table is begun and
    flushed, which costs three times what the row of a unit itself does.
    """
    connection.ensure_connection()
    limit = connection.connection.getlimit(sqlite3.SQLITE_LIMIT_VARIABLE_NUMBER)
    return max(1, min(1_000, int(limit) // width))


def update_rows(model: type[models.Model], columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> int:
    """Give rows new values of ``columns``; each of ``rows`` ends with the id. Return how many were asked."""
    fields = {field.attname: field for field in model._meta.concrete_fields}
    given = [fields[name] for name in columns]
    turns = [(place, turn) for place, field in enumerate(given) if (turn := _turn(field)) is not None]
    sets = ", ".join(f'"{field.column}" = %s' for field in given)
    count = 0
    with connection.cursor() as cursor:
        for batch in chunks(rows):
            cursor.executemany(
                f'UPDATE "{model._meta.db_table}" SET {sets} WHERE "{model._meta.pk.column}" = %s',
                [_turned(row, turns, ()) for row in batch],
            )
            count += len(batch)
    return count


def _turned(row: Sequence[Any], turns: list[tuple[int, Callable[[Any], Any]]], more: tuple[Any, ...]) -> Any:
    if not turns:
        return (*row, *more)
    values = list(row)
    for place, turn in turns:
        if values[place] is not None:
            values[place] = turn(values[place])
    values.extend(more)
    return values


def _turn(field: models.Field[Any, Any]) -> Callable[[Any], Any] | None:
    """How a value of ``field`` is written, where it is not written as it is."""
    if isinstance(field, models.JSONField):
        return _json
    if connection.vendor == "postgresql":
        return None
    if isinstance(field, models.UUIDField):
        return _hex
    if isinstance(field, models.DateTimeField):
        # Rows of one act mostly have one instant.
        return lru_cache(maxsize=16)(connection.ops.adapt_datetimefield_value)
    if isinstance(field, models.DateField):
        return _iso
    return None


_encoded = json.JSONEncoder(ensure_ascii=False).encode
"""``json.dumps`` makes an encoder for every value."""


def _json(value: Any) -> str:
    return _encoded(value) if value else ("[]" if isinstance(value, list) else "{}")


def _hex(value: Any) -> str:
    text: str = value.hex
    return text


def _iso(value: Any) -> str:
    text: str = value.isoformat()
    return text
