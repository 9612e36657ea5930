"""Adopting and confirming tables."""

from __future__ import annotations

from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.people import Person
from inventory.register.models import Owner, Site
from schedules.rulebook.models import Adoption, Confirmation
from schedules.rulebook.queries import table_version
from schedules.rules import load_tables


@transaction.atomic
def adopt_table(
    key: str,
    *,
    at: datetime,
    by: Person | None = None,
    site: Site | None = None,
    owner: Owner | None = None,
    version: str = "",
    reason: str = "",
) -> Adoption:
    """Adopt table ``key`` for a site, an owner or (with neither) the whole firm.

    Adopting what is already adopted returns the standing adoption. Raises ``ValidationError``
    for a key or version that is not shipped, naming those that are.
    """
    shipped = load_tables()
    if key not in shipped:
        raise ValidationError(
            {"table_key": f"No table {key!r} is shipped. Choose one of {', '.join(sorted(shipped))}."}
        )
    if version and table_version(key, version) is None:
        known = ", ".join(t.version for t in shipped[key])
        raise ValidationError(
            {"table_version": f"Table {key} has no version {version!r}. Choose one of {known}."}
        )
    standing = Adoption.objects.standing().filter(table_key=key, site=site, owner=owner).first()
    if standing is not None and standing.table_version == version:
        return standing
    if standing is not None:
        Adoption.objects.filter(pk=standing.pk, withdrawn_at__isnull=True).update(
            withdrawn_at=at, withdrawn_by=by
        )
    adoption = Adoption(
        table_key=key,
        table_version=version,
        site=site,
        owner=owner,
        adopted_by_id=by.pk if by is not None else None,
        adopted_at=at,
        reason=reason,
    )
    adoption.full_clean()
    adoption.save()
    return adoption


@transaction.atomic
def confirm_table(
    key: str, version: str, *, by: Person, name: str, local_code: str, at: datetime
) -> Confirmation:
    """State by name that a table version was checked against local code.

    Raises ``ValidationError`` when the table is unknown, the name or the local code is empty, or
    somebody has already confirmed this version.
    """
    table = table_version(key, version)
    if table is None:
        raise ValidationError({"table": f"No table {key} version {version} is shipped."})
    if not name.strip():
        raise ValidationError({"name": "Type your name: a confirmation is a statement of a person."})
    if not local_code.strip():
        raise ValidationError(
            {"local_code": "Name the local code or authority that you checked the table against."}
        )
    stale = (
        Confirmation.objects.standing()
        .filter(table_key=key, table_version=version)
        .exclude(table_digest=table.digest)
    )
    # A confirmation of other content stopped counting when the content changed; it makes room.
    stale.update(withdrawn_at=at, withdrawn_by=by, withdrawn_reason="The content of the table changed.")
    confirmation = Confirmation(
        table_key=key,
        table_version=version,
        table_digest=table.digest,
        confirmed_by_id=by.pk,
        confirmed_name=name.strip(),
        confirmed_at=at,
        local_code=local_code.strip(),
    )
    confirmation.full_clean()
    confirmation.save()
    return confirmation


def withdraw_confirmation(confirmation_id: int, *, by: Person, reason: str, at: datetime) -> bool:
    """Withdraw a standing confirmation; return False when someone was faster."""
    if not reason.strip():
        raise ValidationError({"reason": "Say why the confirmation is withdrawn."})
    moved = (
        Confirmation.objects.standing()
        .filter(pk=confirmation_id)
        .update(withdrawn_at=at, withdrawn_by=by, withdrawn_reason=reason.strip())
    )
    return moved == 1


def withdraw_adoption(adoption_id: int, *, by: Person, at: datetime) -> bool:
    """Withdraw a standing adoption; return False when someone was faster."""
    moved = Adoption.objects.standing().filter(pk=adoption_id).update(withdrawn_at=at, withdrawn_by=by)
    return moved == 1
