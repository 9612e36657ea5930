"""Reading the search index: which rows hold all words of a search."""

# ruff: noqa: S608 - the SQL here is put together from names of tables in code only

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeVar

from django.db import connection
from django.db.models import Model, QuerySet
from django.db.models.expressions import RawSQL

from inventory.search.index import Document, document
from inventory.search.text import LEAST_LETTERS, words_of

AnyModel = TypeVar("AnyModel", bound=Model)

PROBED = 2_000
"""PostgreSQL first looks through so many rows: a fragment that is everywhere is found there."""


def holding(rows: QuerySet[AnyModel], name: str, text: str, field: str = "pk") -> QuerySet[AnyModel]:
    """Those of ``rows`` whose document ``name`` (by its id in ``field``) holds every word of ``text``."""
    words = words_of(text)
    return rows.filter(**{f"{field}__in": ids_sql(name, words)}) if words else rows


def ids_sql(name: str, words: Sequence[str]) -> RawSQL:
    """The ids of all rows whose document holds every one of ``words``, as an expression for ``__in``."""
    one = document(name)
    condition, params = _condition(one, words)
    return RawSQL(f"SELECT rowid FROM {one.index} WHERE {condition}", params)  # noqa: S611


def any_holds(name: str, word: str) -> bool:
    """Whether the document of any row at all holds ``word``."""
    one = document(name)
    if connection.vendor == "postgresql" and _probe(one, [word], 1):
        return True
    condition, params = _condition(one, [word])
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT 1 FROM {one.index} WHERE {condition} LIMIT 1", params)
        return cursor.fetchone() is not None


def first_ids(
    rows: QuerySet[Any], name: str, words: Sequence[str], limit: int, *, is_all: bool, newest: bool = False
) -> list[int]:
    """Ids of ``rows`` whose document holds every word, at most ``limit``, best first.

    Best is a row on which each word stands whole, then one on which each begins something, then any.
    ``is_all`` says that ``rows`` are not narrowed down, which allows a short way.
    """
    one = document(name)
    found: list[int] = []
    for tier in ([f" {word} " for word in words], [f" {word}" for word in words], list(words)):
        for pk in _first(rows, one, tier, limit, is_all=is_all, newest=newest):
            if pk not in found:
                found.append(pk)
        if len(found) >= limit:
            break
    return found[:limit]


def _first(
    rows: QuerySet[Any], one: Document, parts: Sequence[str], limit: int, *, is_all: bool, newest: bool
) -> list[int]:
    is_postgres = connection.vendor == "postgresql"
    if is_postgres and is_all:
        probed = _probe(one, parts, limit, newest=newest)
        if len(probed) >= limit:
            return probed
    condition, params = _condition(one, parts)
    joined = rows.order_by().extra(  # noqa: S610 - names of tables in code only
        tables=[one.index], where=[f"{one.index}.rowid = {one.table}.id", condition], params=params
    )
    if not is_postgres:
        # The full text table hands its rows out in this order; PostgreSQL would walk a key for it.
        joined = joined.extra(order_by=[f"{'-' if newest else ''}{one.index}.rowid"])
        return list(joined.values_list("pk", flat=True)[:limit])
    if not is_all:
        return sorted(joined.values_list("pk", flat=True)[:limit], reverse=newest)
    # Not everywhere, or the probe had told: the trigrams are the way, whatever the planner guesses.
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT rowid FROM {one.index} WHERE {condition} LIMIT %s", [*params, limit])
        return sorted((pk for (pk,) in cursor.fetchall()), reverse=newest)


def _probe(one: Document, parts: Sequence[str], limit: int, *, newest: bool = False) -> list[int]:
    """Ids among the first rows, read one after the other."""
    condition, params = _condition(one, parts, table="p")
    way = "DESC" if newest else "ASC"
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT rowid FROM "
            f"(SELECT rowid, text FROM {one.index} ORDER BY rowid {way} LIMIT {PROBED}) AS p "
            f"WHERE {condition} LIMIT %s",
            [*params, limit],
        )
        return [pk for (pk,) in cursor.fetchall()]


def _condition(one: Document, parts: Sequence[str], table: str = "") -> tuple[str, list[str]]:
    """SQL and parameters: the text of ``one`` holds every part."""
    text = f"{table or one.index}.text"
    if connection.vendor == "postgresql":
        return " AND ".join([f"{text} LIKE %s"] * len(parts)), [f"%{_plain(part)}%" for part in parts]
    long = [part for part in parts if len(part) >= LEAST_LETTERS]
    short = [part for part in parts if len(part) < LEAST_LETTERS]
    conditions, params = [], []
    if long:
        conditions.append(f"{one.index}.text MATCH %s")
        params.append(" ".join('"' + part.replace('"', '""') + '"' for part in long))
    for part in short:
        conditions.append(f"instr({text}, %s) > 0")
        params.append(part)
    return " AND ".join(conditions), params


def _plain(part: str) -> str:
    return part.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
