"""What the owner's templates ask for."""

from __future__ import annotations

from collections.abc import Mapping

from django import template

register = template.Library()


@register.filter
def of_site(counts: Mapping[int, int], site_id: int) -> int:
    """The count of a site; 0 where there is none."""
    return counts.get(site_id, 0)
