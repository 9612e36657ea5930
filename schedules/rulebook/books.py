"""Rulebooks: the tables of a place with the variations that hold there, as plain values.

``standing`` reads what has been adopted and varied; ``Standing.books`` says what that makes of each
site. A proposed change is a ``Standing`` with a row more or less, so a preview asks the very code
that feeds the due engine, and stores nothing.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

from inventory.register.models import Site
from schedules.rulebook import models
from schedules.rulebook.compare import FIELD_WORDS, said
from schedules.rulebook.queries import (
    TableState,
    confirmations,
    rulebook_digest,
    table_state,
    tables_of,
)
from schedules.rules import IntervalTable, TableError
from schedules.rules.vary import OFF, Value, Variation, vary

NEW = 0
"""The id of a row that is only proposed."""

Keys = tuple[tuple[str, str], ...]
Changes = tuple[tuple[str, Value], ...]


class AdoptedTable(NamedTuple):
    """A standing adoption; without site and owner it is the whole firm's."""

    id: int
    key: str
    version: str
    site_id: int | None
    owner_id: int | None


class VariedRule(NamedTuple):
    """A standing variation of one rule; an empty version means every edition that has the rule."""

    id: int
    key: str
    version: str
    rule_id: str
    changes: Changes
    reason: str
    reference: str
    by: str
    site_id: int | None
    owner_id: int | None
    on: date | None = None

    def told(self) -> tuple[Variation, ...]:
        """The variation as the engine takes it, one value for each changed field."""
        return tuple(
            Variation(self.key, self.rule_id, name, value, self.reason, self.reference, self.by)
            for name, value in self.changes
        )


@dataclass(frozen=True, slots=True)
class Rulebook:
    """The tables of one place and what is varied in them; equal for places with the same rules."""

    keys: Keys
    varied: tuple[VariedRule, ...] = ()

    @property
    def tables(self) -> tuple[IntervalTable, ...]:
        """Every edition that may apply, as varied here."""
        return tuple(self.as_varied(table) for table in tables_of(self.keys))

    def as_varied(self, table: IntervalTable) -> IntervalTable:
        """``table`` with what is varied in it here; the table itself where nothing is."""
        return _fitted(table, self._for(table))[0] if self.varied else table

    def varied_sentences(self, table: IntervalTable) -> tuple[str, ...]:
        """What is varied in ``table`` here, a sentence each, for every paper that names the table."""
        unfit = _fitted(table, self._for(table))[1]
        return tuple(
            f"Varied here: {table.rule(row.rule_id).clause}, {_changes_words(row.changes)}. "
            f"Reason: {row.reason.rstrip('.')}. Authority: {row.reference.rstrip('.')}. By {row.by}"
            f"{f' on {row.on.isoformat()}' if row.on else ''}."
            for row in self._for(table)
            if row not in unfit
        )

    @property
    def unfit(self) -> tuple[VariedRule, ...]:
        """Variations that no edition in use can take: the rule is gone, or no longer fits.

        The printed rule counts instead, so these must be shown to somebody.
        """
        tables = tables_of(self.keys)
        return tuple(
            row
            for row in self.varied
            if not any(row in self._for(t) and row not in _fitted(t, self._for(t))[1] for t in tables)
        )

    @property
    def digest(self) -> str:
        """SHA-256 over the content of all tables and variations: moves when any rule here moves."""
        book = rulebook_digest(self.keys)
        if not self.varied:
            return book
        rows = sorted(repr((row.key, row.version, row.rule_id, row.changes)) for row in self.varied)
        return hashlib.sha256("\n".join([book, *rows]).encode()).hexdigest()

    def _for(self, table: IntervalTable) -> tuple[VariedRule, ...]:
        """What speaks of ``table``; a variation of this very version goes before one of all."""
        found: dict[str, VariedRule] = {}
        for row in sorted(self.varied, key=lambda row: row.version != ""):
            if row.key == table.key and row.version in ("", table.version):
                found[row.rule_id] = row
        return tuple(row for row in found.values() if _has_rule(table, row.rule_id))


NO_BOOK = Rulebook(())


@dataclass(frozen=True, slots=True)
class Standing:
    """All that is adopted and varied, or would be."""

    adopted: tuple[AdoptedTable, ...] = ()
    varied: tuple[VariedRule, ...] = ()

    def with_table(
        self, key: str, version: str = "", *, site_id: int | None = None, owner_id: int | None = None
    ) -> Standing:
        """With ``key`` adopted at a level, in place of what that level had of the table."""
        place = (key, site_id, owner_id)
        kept = [row for row in self.adopted if (row.key, row.site_id, row.owner_id) != place]
        return replace(self, adopted=(*kept, AdoptedTable(NEW, key, version, site_id, owner_id)))

    def without_table(self, adoption_id: int) -> Standing:
        """With one adoption withdrawn."""
        return replace(self, adopted=tuple(row for row in self.adopted if row.id != adoption_id))

    def with_variation(self, row: VariedRule) -> Standing:
        """With one rule varied, in place of how the same level varied it."""
        kept = [other for other in self.varied if _slot(other) != _slot(row)]
        return replace(self, varied=(*kept, row))

    def without_variation(self, variation_id: int) -> Standing:
        """With one variation withdrawn."""
        return replace(self, varied=tuple(row for row in self.varied if row.id != variation_id))

    def books(self, owner_of: Mapping[int, int]) -> dict[int, Rulebook]:
        """The rulebook of each site in ``owner_of`` (site id to owner id), the nearest level winning."""
        at_site: dict[int, dict[str, str]] = defaultdict(dict)
        at_owner: dict[int, dict[str, str]] = defaultdict(dict)
        at_firm: dict[str, str] = {}
        for row in self.adopted:
            if row.site_id is not None:
                at_site[row.site_id][row.key] = row.version
            elif row.owner_id is not None:
                at_owner[row.owner_id][row.key] = row.version
            else:
                at_firm[row.key] = row.version
        found = {}
        for site_id, owner_id in owner_of.items():
            keys = {**at_firm, **at_owner.get(owner_id, {}), **at_site.get(site_id, {})}
            found[site_id] = Rulebook(tuple(sorted(keys.items())), self._varied_at(site_id, owner_id, keys))
        return found

    def _varied_at(self, site_id: int, owner_id: int, keys: Mapping[str, str]) -> tuple[VariedRule, ...]:
        nearest: dict[tuple[str, str, str], VariedRule] = {}
        for row in sorted(self.varied, key=_level):
            applies = (row.site_id is None and row.owner_id is None) or (
                row.site_id == site_id if row.site_id is not None else row.owner_id == owner_id
            )
            if not applies or row.key not in keys:
                continue
            if not row.version:
                # What a nearer level says of every edition also stands before a farther one's single edition.
                nearest = {k: v for k, v in nearest.items() if k[:2] != (row.key, row.rule_id)}
            nearest[row.key, row.rule_id, row.version] = row
        return tuple(row for _, row in sorted(nearest.items()))


def _level(row: VariedRule) -> tuple[int, bool]:
    level = 2 if row.site_id is not None else 1 if row.owner_id is not None else 0
    return level, row.version != ""


def _slot(row: VariedRule) -> tuple[str, str, str, int | None, int | None]:
    return row.key, row.version, row.rule_id, row.site_id, row.owner_id


def _changes_words(changes: Changes) -> str:
    return ", ".join(
        "does not apply" if name == OFF else f"{FIELD_WORDS.get(name, name).lower()} {said(value)}"
        for name, value in changes
    )


def _has_rule(table: IntervalTable, rule_id: str) -> bool:
    return any(rule.id == rule_id for rule in table.rules)


@lru_cache(maxsize=512)
def _fitted(
    table: IntervalTable, rows: tuple[VariedRule, ...]
) -> tuple[IntervalTable, tuple[VariedRule, ...]]:
    """``table`` with those of ``rows`` that it can take, and those that it cannot.

    One row that no longer fits a new version must not stop the sweep of a whole site.
    """
    taken: list[VariedRule] = []
    left: list[VariedRule] = []
    found = table
    for row in rows:
        try:
            found = vary(table, [one for kept in (*taken, row) for one in kept.told()])
        except TableError:
            left.append(row)
        else:
            taken.append(row)
    return found, tuple(left)


# --- reading ---------------------------------------------------------------------------------------


def changes_of(stored: Mapping[str, Any]) -> Changes:
    """Stored changes as the engine takes them, in order of the field."""
    return tuple((name, _frozen(value)) for name, value in sorted(stored.items()))


def _frozen(value: Any) -> Value:
    return tuple(value) if isinstance(value, list) else value


def varied_rule(row: models.Variation) -> VariedRule:
    """A stored variation as a plain value."""
    return VariedRule(
        row.pk or NEW,
        row.table_key,
        row.table_version,
        row.rule_id,
        changes_of(row.changes),
        row.reason,
        row.reference,
        row.varied_name,
        row.site_id,
        row.owner_id,
        row.varied_at.date() if row.varied_at else None,
    )


def standing() -> Standing:
    """All standing adoptions and variations; two queries."""
    adopted = models.Adoption.objects.standing().values_list(
        "pk", "table_key", "table_version", "site_id", "owner_id"
    )
    varied = models.Variation.objects.standing().order_by("pk")
    return Standing(
        tuple(AdoptedTable(*row) for row in adopted.order_by("pk")), tuple(map(varied_rule, varied))
    )


def owners_of(site_ids: Iterable[int]) -> dict[int, int]:
    """The owner id of each of these sites; one query."""
    return dict(Site.objects.filter(pk__in=list(site_ids)).values_list("pk", "owner_id"))


def rulebooks(site_ids: Iterable[int]) -> dict[int, Rulebook]:
    """The rulebook of each of these sites; three queries whatever their number."""
    return standing().books(owners_of(site_ids))


@dataclass(frozen=True, slots=True)
class TableHere:
    """A table that a site uses: whether it is confirmed, and what is varied in it there, in sentences."""

    state: TableState
    varied: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """Confirmation and variations together: no paper that names the table may leave either out."""
        return " ".join((self.state.sentence, *self.varied))


def tables_here(site_id: int) -> list[TableHere]:
    """The tables that a site uses, every edition that may apply; four queries."""
    book = rulebooks([site_id]).get(site_id, NO_BOOK)
    confirmed = confirmations()
    return [
        TableHere(table_state(table, confirmed), book.varied_sentences(table))
        for table in tables_of(book.keys)
    ]
