"""What a reader may see, as one plain value that querysets take.

The value is built once per request at the edge (``servicedesk.access.scope_of``); nothing below
asks who the user is. Invisible means not found.
"""

from __future__ import annotations

from dataclasses import dataclass, field


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


NOTHING = Scope()
EVERYTHING = Scope(everything=True)
