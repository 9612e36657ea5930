"""Reading the search index: which rows hold all words of a search."""

# ruff: noqa: S608 - the SQL here is put together from names of tables in code only

from __future__ import annotations

from collections.abc import Container, Sequence
from typing import Any, TypeVar

from django.db import connection
from django.db.models import Model, QuerySet
from django.db.models.expressions import RawSQL

from inventory.search.index import Document, document
from inventory.search.text import LEAST_LETTERS, words_of

AnyModel = TypeVar("AnyModel", bound=Model)

PROBED = 2_000
"""PostgreSQL first looks through so many rows: a fragment that is everywhere is found there."""

COMMON_SHARE = 0.2
"""PostgreSQL reads the whole list of a fragment; that of one on so many rows costs more than it saves."""

WIDE = 40
"""So many are read to choose the best from; only where there are more, the best are asked for."""

WIDE_ON_SOME = 400
"""The same among rows that are narrowed down, where finding them is what costs."""

FEW = 3_000
"""SQLite reads the texts of no more rows than these one by one."""


def holding(rows: QuerySet[AnyModel], name: str, text: str, field: str = "pk") -> QuerySet[AnyModel]:
    """Those of ``rows`` whose document ``name`` (by its id in ``field``) holds every word of ``text``."""
    words = words_of(text)
    return rows.filter(**{f"{field}__in": ids_sql(name, words)}) if words else rows


def ids_sql(name: str, words: Sequence[str]) -> RawSQL:
    """The ids of all rows whose document holds every one of ``words``, as an expression for ``__in``."""
    one = document(name)
    condition, params = _condition(one, words)
    return RawSQL(f"SELECT rowid FROM {one.index} WHERE {condition}", params)  # noqa: S611


def condition_of(name: str, words: Sequence[str], *, one_by_one: bool = False) -> tuple[str, list[str]]:
    """SQL and parameters on the index of the document ``name``: its text holds every word.

    ``one_by_one`` looks into the text of a row that is known, rather than for rows.
    """
    return _condition(document(name), words, one_by_one=one_by_one)


class Sample:
    """How many of the first rows of a document hold each part: what PostgreSQL looks at before it searches.

    Made for one search; ``parts`` are those that are asked for of every document. SQLite needs none.
    """

    def __init__(self, parts: Sequence[str] = ()) -> None:
        self.parts = parts
        self._known: dict[tuple[str, bool], tuple[int, dict[str, int]]] = {}

    def of(self, one: Document, parts: Sequence[str], *, newest: bool = False) -> tuple[int, dict[str, int]]:
        """How many rows were looked at, all there are if below ``PROBED``, and how many hold each part."""
        size, counts = self._known.get((one.name, newest), (0, {}))
        new = [part for part in dict.fromkeys([*parts, *self.parts]) if part and part not in counts]
        if any(part in new for part in parts):
            held = ", ".join(["count(*) FILTER (WHERE text LIKE %s)"] * len(new))
            first = f"SELECT text FROM {one.index} ORDER BY rowid {_way(newest)} LIMIT {PROBED}"
            with connection.cursor() as cursor:
                likes = [f"%{_plain(part)}%" for part in new]
                cursor.execute(f"SELECT count(*), {held} FROM ({first}) AS p", likes)
                size, *found = cursor.fetchone()
            counts = counts | dict(zip(new, found, strict=True))
            self._known[one.name, newest] = size, counts
        return size, {part: counts[part] for part in parts}


def any_holds(name: str, word: str, sample: Sample | None = None) -> bool:
    """Whether the document of any row at all holds ``word``."""
    one = document(name)
    if connection.vendor == "postgresql":
        size, counts = (sample or Sample()).of(one, [word])
        if counts[word] or size < PROBED:
            return counts[word] > 0
    condition, params = _condition(one, [word])
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT 1 FROM {one.index} WHERE {condition} LIMIT 1", params)
        return cursor.fetchone() is not None


def first_ids(
    rows: QuerySet[Any], name: str, words: Sequence[str], limit: int, *, is_all: bool, newest: bool = False,
    best: int | None = None, sample: Sample | None = None,
) -> list[int]:  # fmt: skip
    """Ids of ``rows`` whose document holds every word, at most ``limit``, best first.

    Best is a row on which each word stands whole, then one on which each begins something, then any.
    Where there are more than ``limit``, so many of either sort are looked for as ``best`` says (all).
    ``is_all`` says that ``rows`` are not narrowed down, which allows a short way.
    """
    reader = _Reader(rows, document(name), is_all=is_all, newest=newest, sample=sample or Sample())
    wide = max(WIDE if is_all else WIDE_ON_SOME, limit)
    tiers = _tiers(words)
    anywhere = reader.first(words, wide)
    if len(anywhere) >= wide:
        # There are more, and the best of them may be among those.
        better = [row for tier in tiers for row in reader.first(tier, limit if best is None else best)]
        anywhere = list(dict.fromkeys([*better, *anywhere]))
    anywhere.sort(key=lambda row: _rank(row[1], tiers))
    return [pk for pk, _ in anywhere[:limit]]


def _tiers(words: Sequence[str]) -> tuple[list[str], list[str]]:
    return [f" {word} " for word in words], [f" {word}" for word in words]


def _rank(text: str, tiers: Sequence[Sequence[str]]) -> int:
    for rank, tier in enumerate(tiers):
        if all(part in text for part in tier):
            return rank
    return len(tiers)


class _Reader:
    """Reads the first ``rows`` that hold something, each with its text."""

    def __init__(
        self, rows: QuerySet[Any], one: Document, *, is_all: bool, newest: bool, sample: Sample
    ) -> None:
        self.one, self.is_all, self.newest, self.sample = one, is_all, newest, sample
        self.is_postgres = connection.vendor == "postgresql"
        self.rows = rows.order_by()
        self.are_few = not is_all and not self.is_postgres and self.rows[: FEW + 1].count() <= FEW

    def first(self, parts: Sequence[str], limit: int) -> list[tuple[int, str]]:
        """Ids and texts of the first rows that hold every one of ``parts``."""
        one = self.one
        if self.is_all:
            return self.of_all(parts, limit)
        condition, params = _condition(one, parts, one_by_one=self.are_few)
        joined = self.rows.extra(  # noqa: S610 - names of tables in code only
            select={"found_text": f"{one.index}.text"},
            tables=[one.index],
            where=[f"{one.index}.rowid = {one.table}.id", condition],
            params=params,
        )
        if not self.is_postgres:
            # The full text table hands its rows out in this order; PostgreSQL would walk a key for it.
            order = "-pk" if self.newest else "pk"
            by_text = f"{'-' if self.newest else ''}{one.index}.rowid"
            joined = joined.order_by(order) if self.are_few else joined.extra(order_by=[by_text])
        return sorted(joined.values_list("pk", "found_text")[:limit], reverse=self.newest)

    def of_all(self, parts: Sequence[str], limit: int) -> list[tuple[int, str]]:
        """The same where no row is left out, from the index alone."""
        one = self.one
        common: frozenset[str] = frozenset()
        if self.is_postgres:
            size, counts = self.sample.of(one, parts, newest=self.newest)
            is_whole = size < PROBED
            if is_whole and not all(counts.values()):
                return []
            if is_whole or min(counts.values()) >= limit:
                probed = _probe(one, parts, limit, newest=self.newest)
                if is_whole or len(probed) >= limit:
                    return probed
            # One of the parts is looked up in any case: that which says most.
            rarest = min(parts, key=lambda part: (len(part) < LEAST_LETTERS, counts[part]))
            common = frozenset(
                part for part in parts if part != rarest and counts[part] > size * COMMON_SHARE
            )
        condition, params = _condition(one, parts, common=common)
        order = "" if self.is_postgres else f"ORDER BY rowid {_way(self.newest)}"
        with connection.cursor() as cursor:
            cursor.execute(
                f"SELECT rowid, text FROM {one.index} WHERE {condition} {order} LIMIT %s", [*params, limit]
            )
            return sorted(cursor.fetchall(), reverse=self.newest)


def _way(newest: bool) -> str:
    return "DESC" if newest else "ASC"


def _probe(one: Document, parts: Sequence[str], limit: int, *, newest: bool = False) -> list[tuple[int, str]]:
    """Ids and texts among the first rows, read one after the other."""
    condition, params = _condition(one, parts, table="p")
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT rowid, text FROM "
            f"(SELECT rowid, text FROM {one.index} ORDER BY rowid {_way(newest)} LIMIT {PROBED}) AS p "
            f"WHERE {condition} LIMIT %s",
            [*params, limit],
        )
        return list(cursor.fetchall())


def _condition(
    one: Document, parts: Sequence[str], table: str = "", *, one_by_one: bool = False,
    common: Container[str] = (),
) -> tuple[str, list[str]]:  # fmt: skip
    """SQL and parameters: the text of ``one`` holds every part; ``one_by_one`` looks into each text.

    PostgreSQL does not look the parts in ``common`` up, but at the rows that the others lead to.
    """
    text = f"{table or one.index}.text"
    if connection.vendor == "postgresql":
        conditions = [f"({text} || '') LIKE %s" if part in common else f"{text} LIKE %s" for part in parts]
        return " AND ".join(conditions), [f"%{_plain(part)}%" for part in parts]
    long = [part for part in parts if len(part) >= LEAST_LETTERS and not one_by_one]
    short = [part for part in parts if part not in long]
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
