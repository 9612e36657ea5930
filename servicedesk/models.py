"""Gathers the tables of this package for Django; import the slices elsewhere."""

from servicedesk.accounts.models import OwnerMembership, User
from servicedesk.api.models import IdempotentAnswer

__all__ = ["IdempotentAnswer", "OwnerMembership", "User"]
