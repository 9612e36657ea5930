"""Who may follow a link, for templates: ``{% load access %}``, ``{% if user|may:"see_desk" %}``."""

from __future__ import annotations

from django import template
from django.contrib.auth.models import AnonymousUser

from servicedesk import access
from servicedesk.accounts.models import User

register = template.Library()


@register.filter
def may(user: User | AnonymousUser | None, act: str) -> bool:
    """Whether ``user`` may do the act of that value; a word that is no act is an error.

    A page shown without any context has no user, which is nobody.
    """
    return access.may(user or AnonymousUser(), access.Act(act))
