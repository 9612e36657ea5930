"""Adopting, varying and confirming tables."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.people import Person
from inventory.register.models import Owner, Site
from schedules.rulebook.books import varied_rule
from schedules.rulebook.models import Adoption, Confirmation, Variation
from schedules.rulebook.queries import table_version
from schedules.rules import TableError, load_tables, vary


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

    Raises ``ValidationError`` when the table is unknown, the name is not that of ``by``, the local code
    is empty, or somebody has already confirmed this version.
    """
    table = table_version(key, version)
    if table is None:
        raise ValidationError({"table": f"No table {key} version {version} is shipped."})
    if not name.strip():
        raise ValidationError({"name": "Type your name: a confirmation is a statement of a person."})
    if _plain(name) != _plain(by.display_name):
        raise ValidationError(
            {"name": f"You are signed in as {by.display_name}: type that name. Nobody confirms for another."}
        )
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
        confirmed_name=by.display_name,
        confirmed_at=at,
        local_code=local_code.strip(),
    )
    confirmation.full_clean()
    confirmation.save()
    return confirmation


def _plain(name: str) -> str:
    return " ".join(name.casefold().split())


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


@transaction.atomic
def vary_rule(
    key: str,
    rule_id: str,
    changes: Mapping[str, Any],
    *,
    by: Person,
    at: datetime,
    reason: str,
    reference: str,
    version: str = "",
    site: Site | None = None,
    owner: Owner | None = None,
) -> Variation:
    """Change fields of one rule for a site, an owner or (with neither) the whole firm.

    Takes the place of an earlier variation of the same rule at the same level. Raises
    ``ValidationError`` for what ``proposed_variation`` refuses.
    """
    variation = proposed_variation(
        key,
        rule_id,
        changes,
        by=by,
        at=at,
        reason=reason,
        reference=reference,
        version=version,
        site=site,
        owner=owner,
    )
    Variation.objects.standing().filter(
        table_key=key, table_version=version, rule_id=rule_id, site=site, owner=owner
    ).update(withdrawn_at=at, withdrawn_by=by, withdrawn_reason="Varied anew.")
    variation.full_clean()
    variation.save()
    return variation


def proposed_variation(
    key: str,
    rule_id: str,
    changes: Mapping[str, Any],
    *,
    by: Person,
    at: datetime,
    reason: str,
    reference: str,
    version: str = "",
    site: Site | None = None,
    owner: Owner | None = None,
) -> Variation:
    """A variation that would stand, checked and not stored.

    Raises ``ValidationError`` naming the field when table or rule is not shipped, the reason or the
    authority's reference is missing, nothing changes, or the table cannot be used as varied.
    """
    shipped = load_tables().get(key, ())
    tables = [t for t in shipped if version in ("", t.version) and rule_id in {rule.id for rule in t.rules}]
    if not shipped:
        raise ValidationError({"table_key": f"No table {key!r} is shipped."})
    if not tables:
        edition = f"version {version}" if version else "any edition"
        raise ValidationError({"rule_id": f"{shipped[-1].title} has no rule {rule_id!r} in {edition}."})
    if not reason.strip():
        raise ValidationError({"reason": "Give the reason for the variation."})
    if not reference.strip():
        raise ValidationError(
            {"reference": "Name what the local authority wrote, for instance the letter and its date."}
        )
    if not changes:
        raise ValidationError({"changes": "Nothing is changed. Change the interval, or take the rule out."})
    variation = Variation(
        table_key=key,
        table_version=version,
        rule_id=rule_id,
        changes=dict(changes),
        site=site,
        owner=owner,
        reason=reason.strip(),
        reference=reference.strip(),
        varied_by_id=by.pk,
        varied_name=by.display_name,
        varied_at=at,
    )
    told = varied_rule(variation).told()
    for table in tables:
        try:
            varied = vary(table, told)
        except TableError as problem:
            raise ValidationError(
                {"changes": f"{problem.field}: {problem.remedy} Nothing was changed."}
            ) from problem
        if varied.digest == table.digest:
            raise ValidationError(
                {"changes": f"Version {table.version} says the same already. Nothing was changed."}
            )
    return variation


def withdraw_variation(variation_id: int, *, by: Person, reason: str, at: datetime) -> bool:
    """Withdraw a standing variation; return False when someone was faster."""
    if not reason.strip():
        raise ValidationError({"reason": "Say why the variation is withdrawn."})
    moved = (
        Variation.objects.standing()
        .filter(pk=variation_id)
        .update(withdrawn_at=at, withdrawn_by=by, withdrawn_reason=reason.strip())
    )
    return moved == 1
