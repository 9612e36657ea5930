"""Reading the logbook over several units."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Exists, OuterRef, QuerySet

from inventory.access import Scope
from inventory.logbook.models import ServiceRecord
from inventory.register.models import Unit


def last_records(unit_ids: Iterable[int]) -> dict[int, ServiceRecord]:
    """The last record that stands for each of these units, in one query; units without any are left out."""
    standing = ServiceRecord.objects.standing().exclude(outcome=ServiceRecord.Outcome.VOID)
    later = standing.filter(unit=OuterRef("unit"), sequence__gt=OuterRef("sequence"))
    rows = (
        standing.filter(~Exists(later), unit__in=list(unit_ids))
        .select_related("location")
        .order_by("unit_id")
    )
    return {row.unit_id: row for row in rows}


def records_of(unit: Unit, scope: Scope) -> QuerySet[ServiceRecord]:
    """What ``scope`` may see of the logbook of ``unit``, newest first, corrected records included.

    What was recorded on units that were merged into it belongs to it.
    """
    return (
        ServiceRecord.objects.visible_to(scope)
        .of_units([unit.pk])
        .select_related("unit", "site", "location", "corrects", "corrected_by")
        .prefetch_related("readings")
        .order_by("-received_at", "-sequence")
    )
