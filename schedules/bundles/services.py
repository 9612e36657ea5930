"""Setting by what work is bundled: figures of the firm, blackouts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import BlackoutPeriod, Owner, Site
from schedules.bundles.models import BundlingFigures
from schedules.planning.figures import checked

LONGEST_DAYS = 366


@transaction.atomic
def set_figures(
    given: Mapping[str, float], *, by: Person | None, now: datetime, seen: int | None
) -> BundlingFigures | None:
    """Set the figures; None when they are as they were.

    ``seen`` is the key of the row that was shown, ``None`` when those were the shipped ones; when somebody
    set others meanwhile, ``Conflict`` says so. Raises ``ValidationError`` for what lies out of bounds.
    """
    last = BundlingFigures.objects.order_by("-pk").first()
    if (last.pk if last else None) != seen:
        raise Conflict(
            "figures_changed",
            "Somebody else changed these figures meanwhile. Look at them again before you change them.",
        )
    try:
        values = checked(given)
    except ValueError as problem:
        raise ValidationError(str(problem)) from problem
    if values == (last.values if last else {}):
        return None
    return BundlingFigures.objects.create(values=values, made_by_id=by.pk if by else None, made_at=now)


@transaction.atomic
def add_blackout(
    *,
    kind: str,
    label: str,
    first_on: date,
    last_on: date,
    by: Person | None,
    is_yearly: bool = False,
    site: Site | None = None,
    owner: Owner | None = None,
    country: str = "",
    region: str = "",
) -> BlackoutPeriod:
    """Keep days free at a site, at all of an owner, in a country or region, or everywhere."""
    row = BlackoutPeriod(
        kind=kind,
        label=label.strip(),
        first_on=first_on,
        last_on=last_on,
        is_yearly=is_yearly,
        site=site,
        owner=owner,
        country=country.strip().upper(),
        region=region.strip(),
        made_by_id=by.pk if by is not None else None,
    )
    row.full_clean()
    if (last_on - first_on).days >= LONGEST_DAYS:
        raise ValidationError({"last_on": f"A period lasts at most {LONGEST_DAYS} days."})
    row.save()
    return row


def remove_blackout(row: BlackoutPeriod) -> None:
    """Open the days again."""
    row.delete()
