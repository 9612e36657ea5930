"""Adding people of an owner, and changing what they see and may approve."""

from __future__ import annotations

from collections.abc import Iterable

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from inventory.register.models import Owner, Site
from servicedesk.accounts.models import OwnerMembership, User


@transaction.atomic
def add_person(
    owner: Owner,
    *,
    username: str,
    first_name: str,
    last_name: str,
    email: str,
    password: str,
    is_active: bool,
    may_approve: bool,
    is_limited: bool,
    sites: Iterable[Site],
) -> OwnerMembership:
    """Make a sign-in for a person of ``owner``. Raises ``ValidationError`` for a name that is taken."""
    try:
        with transaction.atomic():
            user = User.objects.create_user(
                username=username.strip(),
                email=email,
                password=password,
                role=User.Role.OWNER,
                first_name=first_name,
                last_name=last_name,
                is_active=is_active,
            )
    except IntegrityError as twice:
        raise ValidationError({"username": "This sign-in name is taken. Choose another one."}) from twice
    membership = OwnerMembership.objects.create(
        user=user, owner=owner, is_limited=is_limited, may_approve=may_approve
    )
    membership.sites.set(sites if is_limited else [])
    return membership


@transaction.atomic
def change_person(
    membership: OwnerMembership,
    *,
    is_active: bool,
    may_approve: bool,
    is_limited: bool,
    sites: Iterable[Site],
) -> OwnerMembership:
    """Set what the person sees and may approve, from the next request on."""
    membership.is_limited, membership.may_approve = is_limited, may_approve
    membership.save(update_fields=["is_limited", "may_approve"])
    membership.sites.set(sites if is_limited else [])
    User.objects.filter(pk=membership.user_id).update(is_active=is_active)
    return membership
