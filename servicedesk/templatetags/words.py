"""Values in words, for templates: ``{% load words %}``."""

from __future__ import annotations

from django import template

from inventory.measures.stamps import Stamp
from servicedesk.portal.words import say_stamp

register = template.Library()


@register.filter
def in_words(stamp: Stamp) -> str:
    """A stamp as precisely as it is known: ``3 Nov 2027``, ``Nov 2027``, ``2027`` or ``not known``."""
    return say_stamp(stamp)


@register.filter
def percent(share: float) -> str:
    """A share as whole percent: ``93 %``."""
    return f"{100 * share:.0f} %"


@register.filter
def as_many(things: str, count: int) -> str:
    """The name of ``count`` things, of which several only take an s: of ``units`` one is a ``unit``."""
    return things.removesuffix("s") if count == 1 else things
