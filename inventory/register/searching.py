"""Which units and sites hold the words of a search, by way of the search index."""

# ruff: noqa: S608, S611 - the SQL here is put together from names of tables in code only

from __future__ import annotations

from django.db import connection
from django.db.models import BooleanField, Q
from django.db.models.expressions import RawSQL

from inventory.register.models import Site, Unit
from inventory.search.queries import condition_of, ids_sql
from inventory.search.text import words_of

COMMON = 10_000
"""A word that stands on more units than this is looked for unit by unit rather than gathered first."""


def sites_holding(text: str) -> Q:
    """A condition on sites: every word of ``text`` stands on the site or its owner."""
    found = Q()
    for word in words_of(text):
        found &= Q(pk__in=ids_sql("site", [word])) | Q(owner__in=ids_sql("owner", [word]))
    return found


def units_holding(text: str, prefix: str = "") -> Q:
    """A condition on units: every word stands on the unit, its place, its site, its owner or its model.

    ``prefix`` leads from the rows in question to the unit, like ``unit__``.
    """
    found = Q()
    for word in words_of(text):
        arms, params = _arms(word)
        if _is_common(arms, params):
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
            found &= Q(**{f"{prefix}pk__in": RawSQL(" UNION ".join(arms), params)})
    return found


def _arms(word: str) -> tuple[list[str], list[str]]:
    """Queries for the ids of units that hold ``word``, by where it stands, and the parameters of all."""
    unit, site = Unit._meta.db_table, Site._meta.db_table
    queries: list[str] = []
    params: list[str] = []

    def holding(document: str) -> str:
        condition, more = condition_of(document, [word])
        params.extend(more)
        return f"SELECT rowid FROM search_{document} WHERE {condition}"

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
    condition, params = condition_of(document, [word], one_by_one=True)
    return RawSQL(
        f"EXISTS (SELECT 1 FROM search_{document} WHERE search_{document}.rowid = "
        f"{Unit._meta.db_table}.{column} AND {condition})",
        params,
        output_field=BooleanField(),
    )


def _is_common(arms: list[str], params: list[str]) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT count(*) FROM "
            f"(SELECT 1 FROM ({' UNION ALL '.join(arms)}) AS held LIMIT {COMMON + 1}) AS n",
            params,
        )
        return bool(cursor.fetchone()[0] > COMMON)
