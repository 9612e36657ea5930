"""Which tables apply where, and what has been confirmed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Q, QuerySet

from inventory.access import Scope
from inventory.register.models import Site
from schedules.rulebook.models import Adoption, Confirmation
from schedules.rules import IntervalTable, load_tables


@dataclass(frozen=True, slots=True)
class TableState:
    """A table version and whether a manager has confirmed it against local code."""

    table: IntervalTable
    is_confirmed: bool
    confirmed_name: str = ""
    confirmed_at: datetime | None = None
    local_code: str = ""

    @property
    def sentence(self) -> str:
        """The confirmation state in one sentence, for screens, exports and documents."""
        if self.is_confirmed and self.confirmed_at is not None:
            return (
                f"Confirmed by {self.confirmed_name} on {self.confirmed_at:%Y-%m-%d} "
                f"against {self.local_code}."
            )
        return "Unconfirmed: shipped defaults that nobody has yet checked against local code."


def table_version(key: str, version: str) -> IntervalTable | None:
    """The table ``key`` in ``version``, or None when it is not shipped."""
    return next((t for t in load_tables().get(key, ()) if t.version == version), None)


def tables_of(keys: tuple[tuple[str, str], ...]) -> tuple[IntervalTable, ...]:
    """The shipped tables behind (key, pinned version or "") pairs; an unpinned key gives all its editions."""
    shipped = load_tables()
    found: list[IntervalTable] = []
    for key, version in keys:
        found.extend(t for t in shipped.get(key, ()) if not version or t.version == version)
    return tuple(found)


def rulebook_digest(keys: tuple[tuple[str, str], ...]) -> str:
    """SHA-256 over the content of all tables behind ``keys``: moves when any of their rules moves."""
    parts = [f"{t.key}|{t.version}|{t.digest}" for t in tables_of(keys)]
    parts += [f"pin|{key}|{version}" for key, version in keys]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def confirmations() -> Mapping[tuple[str, str], Confirmation]:
    """Standing confirmations by (key, version)."""
    return {(c.table_key, c.table_version): c for c in Confirmation.objects.standing()}


def table_state(
    table: IntervalTable, standing: Mapping[tuple[str, str], Confirmation] | None = None
) -> TableState:
    """Whether ``table`` is confirmed; a confirmation of other content does not count."""
    found = (standing if standing is not None else confirmations()).get((table.key, table.version))
    if found is None or found.table_digest != table.digest:
        return TableState(table, is_confirmed=False)
    return TableState(
        table,
        is_confirmed=True,
        confirmed_name=found.confirmed_name,
        confirmed_at=found.confirmed_at,
        local_code=found.local_code,
    )


def all_table_states() -> list[TableState]:
    """Every shipped table version with its state, by title."""
    standing = confirmations()
    states = [table_state(t, standing) for versions in load_tables().values() for t in versions]
    return sorted(states, key=lambda s: (s.table.jurisdiction, s.table.title, s.table.version))


def adoptions_of(key: str, scope: Scope) -> QuerySet[Adoption]:
    """Standing adoptions of table ``key`` for the whole firm and for what ``scope`` may see."""
    rows = Adoption.objects.standing().filter(table_key=key)
    if not scope.everything:
        sites = Site.objects.visible_to(scope).values("pk")
        everywhere = Q(site__isnull=True, owner__isnull=True)
        rows = rows.filter(everywhere | Q(owner__in=scope.owner_ids) | Q(site__in=sites))
    return rows.select_related("site", "owner", "adopted_by").order_by("owner__name", "site__name", "pk")


def adoption_counts() -> dict[str, int]:
    """How many standing adoptions each table has, by key."""
    return dict(Adoption.objects.standing().order_by().values_list("table_key").annotate(n=Count("pk")))
