"""Which units and sites hold the words of a search, by way of the search index."""

# ruff: noqa: S608, S611 - the SQL here is put together from names of tables in code only

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from django.db import connection
from django.db.models import BooleanField, Q, QuerySet
from django.db.models.expressions import RawSQL

from inventory.access import Scope
from inventory.register.models import Site, Unit
from inventory.search.queries import condition_of, ids_sql
from inventory.search.text import words_of

COMMON = 10_000
"""A word that stands on more units than this is looked for unit by unit rather than gathered first."""

COMMON_ON_SITES = 500
"""A word that stands on more sites and owners than this is looked for site by site where that is shorter."""


def sites_holding(text: str) -> Q:
    """A condition on sites: every word of ``text`` stands on the site or its owner."""
    found = Q()
    for word in words_of(text):
        found &= _gathered(word)
    return found


class SiteWords:
    """The sites of ``scope`` by what stands on them or on their owner, for one search.

    A search asks for the same words again and again, so that what is known of each word is kept.
    """

    def __init__(self, scope: Scope) -> None:
        self.scope = scope
        self._known: dict[str, _Holders | None] = {}

    def stands(self, word: str) -> bool:
        """Whether ``word`` stands on any site or owner at all, in sight or not."""
        few = self._few(word)
        return few is None or bool(few.site_ids or few.owner_ids)

    def rows(self, words: Sequence[str]) -> QuerySet[Site]:
        """Sites that hold each of ``words``, in no order; fit to be part of another query."""
        rows = Site.objects.visible_to(self.scope).order_by()
        for word in words:
            few = self._few(word)
            rows = rows.filter(_gathered(word) if few is None else few.on_sites())
        return rows

    def first(self, words: Sequence[str], limit: int) -> list[int]:
        """The first sites that hold each of ``words``, at most ``limit``."""
        rows = Site.objects.visible_to(self.scope).order_by("pk")
        few = {word: found for word in words if (found := self._few(word)) is not None}
        if not few and self.scope.everything:
            # All stand on very many: mostly together, where the index finds as many as are asked for at once.
            together = _holding("site", words, limit)
            if len(together) < limit:
                owned = rows.filter(owner__in=_holding("owner", words, limit))
                together = list(owned.values_list("pk", flat=True)[:limit])
            if len(together) >= limit:
                return together
            return list(self.rows(words).order_by("pk").values_list("pk", flat=True)[:limit])
        for word in words:
            rows = rows.filter(few[word].on_sites() if word in few else _one_by_one(word))
        return list(rows.values_list("pk", flat=True)[:limit])

    def among(self, words: Sequence[str], site_ids: Collection[int]) -> set[int]:
        """Those of the sites ``site_ids``, which are not many, that hold each of ``words``."""
        rows = Site.objects.visible_to(self.scope).filter(pk__in=site_ids).order_by()
        for word in words:
            rows = rows.filter(_one_by_one(word))
        return set(rows.values_list("pk", flat=True))

    def _few(self, word: str) -> _Holders | None:
        """All that hold ``word``, or None where they are more than ``COMMON_ON_SITES``."""
        if word not in self._known:
            arms, params = [], []
            for name in ("site", "owner"):
                condition, more = condition_of(name, [word])
                arms.append(f"SELECT '{name}', rowid FROM search_{name} WHERE {condition}")
                params += more
            with connection.cursor() as cursor:
                cursor.execute(f"{' UNION ALL '.join(arms)} LIMIT {COMMON_ON_SITES + 1}", params)
                found = cursor.fetchall()
            holders = _Holders(*([pk for name, pk in found if name == kind] for kind in ("site", "owner")))
            self._known[word] = holders if len(found) <= COMMON_ON_SITES else None
        return self._known[word]


@dataclass(frozen=True, slots=True)
class _Holders:
    """All sites and all owners on which a word stands."""

    site_ids: list[int]
    owner_ids: list[int]

    def on_sites(self) -> Q:
        """As a condition on sites."""
        return Q(pk__in=self.site_ids) | Q(owner__in=self.owner_ids)


def _holding(document: str, words: Sequence[str], limit: int) -> list[int]:
    """Ids of rows whose document holds each of ``words``, in no order, at most ``limit``."""
    condition, params = condition_of(document, words)
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT rowid FROM search_{document} WHERE {condition} LIMIT %s", [*params, limit])
        return [pk for (pk,) in cursor.fetchall()]


def _gathered(word: str) -> Q:
    """``word`` stands on the site or its owner: all that hold it are looked up first."""
    return Q(pk__in=ids_sql("site", [word])) | Q(owner__in=ids_sql("owner", [word]))


def _one_by_one(word: str) -> Q:
    """The same, looked up for each site in question; not fit for a query inside another."""
    table = Site._meta.db_table
    return Q(_text_holds("site", f"{table}.id", word)) | Q(_text_holds("owner", f"{table}.owner_id", word))


def units_holding(text: str, prefix: str = "") -> Q:
    """A condition on units: every word stands on the unit, its place, its site, its owner or its model.

    ``prefix`` leads from the rows in question to the unit, like ``unit__``.
    """
    found = Q()
    few: set[int] | None = None
    for word in words_of(text):
        held = _units_of(word)
        if held is None:
            # Looked for row by row, since a page needs the first few only. Said by what it is not: of a
            # choice between four SQLite would gather all rows and sort them.
            sites = Site.objects.filter(sites_holding(word)).order_by().values("pk")
            found &= ~(
                ~Q(_stands_on("unit", "id", word))
                & ~Q(_stands_on("place", "location_id", word))
                & ~Q(**{f"{prefix}model__in": ids_sql("model", [word])})
                & ~Q(**{f"{prefix}site__in": sites})
            )
        else:
            few = held if few is None else few & held
    return found if few is None else found & Q(**{f"{prefix}pk__in": sorted(few)})


def _arms(word: str, most: int) -> tuple[list[str], list[str]]:
    """Queries for the ids of units that hold ``word``, by where it stands, and the parameters of all.

    Each looks at the first ``most`` places, models, sites and owners that hold it.
    """
    unit, site = Unit._meta.db_table, Site._meta.db_table
    queries: list[str] = []
    params: list[str] = []

    def holding(document: str) -> str:
        condition, more = condition_of(document, [word])
        params.extend(more)
        found = f"SELECT rowid FROM search_{document} WHERE {condition} LIMIT {most}"
        return f"SELECT rowid FROM ({found}) AS first_{document}"

    queries.append(holding("unit"))
    queries.append(f"SELECT id FROM {unit} WHERE location_id IN ({holding('place')})")
    queries.append(f"SELECT id FROM {unit} WHERE model_id IN ({holding('model')})")
    queries.append(f"SELECT id FROM {unit} WHERE site_id IN ({holding('site')})")
    queries.append(
        f"SELECT id FROM {unit} WHERE site_id IN "
        f"(SELECT id FROM {site} WHERE owner_id IN ({holding('owner')}))"
    )
    return queries, params


def _stands_on(document: str, column: str, word: str) -> RawSQL:
    """Whether ``word`` stands on the document of the unit's ``column``, as a condition on each unit."""
    return _text_holds(document, f"{Unit._meta.db_table}.{column}", word)


def _text_holds(document: str, key: str, word: str) -> RawSQL:
    """Whether ``word`` stands on the document of the id that is read from ``key``."""
    condition, params = condition_of(document, [word], one_by_one=True)
    return RawSQL(
        f"EXISTS (SELECT 1 FROM search_{document} WHERE search_{document}.rowid = {key} AND {condition})",
        params,
        output_field=BooleanField(),
    )


def _units_of(word: str) -> set[int] | None:
    """Ids of all units that hold ``word``, or None where they are more than ``COMMON``.

    Nearly every place has a unit, so that very many places answer for as many units.
    """
    documents: list[str] = []
    params: list[str] = []
    for document in ("unit", "place"):
        condition, more = condition_of(document, [word])
        documents.append(f"SELECT rowid FROM search_{document} WHERE {condition}")
        params += more
    arms, arms_params = _arms(word, COMMON + 1)
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT count(*) FROM (SELECT 1 FROM ({' UNION ALL '.join(documents)}) AS held "
            f"LIMIT {COMMON + 1}) AS n",
            params,
        )
        if cursor.fetchone()[0] > COMMON:
            return None
        cursor.execute(f"SELECT * FROM ({' UNION ALL '.join(arms)}) AS held LIMIT {COMMON + 1}", arms_params)
        found = cursor.fetchall()
    return {pk for (pk,) in found} if len(found) <= COMMON else None
