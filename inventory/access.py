"""What a reader may see, as one plain value that querysets take.

The value is built once per request at the edge (``servicedesk.access.scope_of``); nothing below
asks who the user is. Invisible means not found.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from django.db.models import F, Q


@dataclass(frozen=True, slots=True)
class Scope:
    """The rows a reader may see.

    ``everything`` is the firm's own desk and workshop. Otherwise a row is visible when its owner
    is in ``owner_ids`` (a facility owner) or its site is in ``site_ids`` (an owner's person who is
    limited to some sites; with ``technician_id`` a technician: sites of own visits). An empty scope
    sees nothing.
    """

    everything: bool = False
    owner_ids: frozenset[int] = field(default_factory=frozenset)
    site_ids: frozenset[int] = field(default_factory=frozenset)
    technician_id: int | None = None


def on_premises(scope: Scope, *, site: str = "site", day: str = "") -> Q:
    """Rows of premises that ``scope``, which is not everything, may see.

    ``day`` names the field with the civil day (or instant) that a row is about. What is older than the
    present owner's first day on the premises is the earlier owner's matter; a row without a day is, too.
    A technician is sent there by the firm and sees all of it.
    """
    seen = Q(**{f"{site}__owner__in": scope.owner_ids}) | Q(**{f"{site}__in": scope.site_ids})
    if not day or scope.technician_id is not None:
        return seen
    since = f"{site}__owner_since"
    return seen & (Q(**{f"{since}__isnull": True}) | Q(**{f"{day}__gte": F(since)}))


NOTHING = Scope()
EVERYTHING = Scope(everything=True)
