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


@transaction.atomic
def join_people(old: Owner, into: Owner) -> int:
    """Let the people of ``old`` be people of ``into``; return how many.

    Who is limited to sites stays so: the sites went along. Who belongs to both keeps what either gave.
    """
    rows = list(OwnerMembership.objects.filter(owner=old).prefetch_related("sites"))
    there = {
        row.user_id: row
        for row in OwnerMembership.objects.filter(owner=into, user__in=[row.user_id for row in rows])
    }
    for row in rows:
        other = there.get(row.user_id)
        if other is None:
            OwnerMembership.objects.filter(pk=row.pk).update(owner=into)
            continue
        other.is_limited = other.is_limited and row.is_limited
        other.may_approve = other.may_approve or row.may_approve
        other.save(update_fields=["is_limited", "may_approve"])
        if other.is_limited:
            other.sites.add(*row.sites.all())
        row.delete()
    return len(rows)
