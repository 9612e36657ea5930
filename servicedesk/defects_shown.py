"""Defects as pages of the desk and of owners show them."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any

from inventory.logbook.models import Defect, Photo
from inventory.measures.checks import SEVERITY_LABELS, Severity, defect_kinds, defect_text

TONES = {Severity.CRITICAL: "overdue", Severity.NON_CRITICAL: "soon", Severity.NON_CONFORMANCE: "unknown"}


def whole_photos(refs: Collection[str]) -> set[str]:
    """Those of these photos that have arrived whole; no query for none."""
    if not refs:
        return set()
    rows = Photo.objects.filter(public_id__in=list(refs), completed_at__isnull=False)
    return {str(ref) for ref in rows.values_list("public_id", flat=True)}


def defect_lines(defects: Iterable[Defect]) -> list[dict[str, Any]]:
    """Defects as every page shows them; one query for their photos."""
    rows = list(defects)
    whole = whole_photos({ref for row in rows for ref in row.photo_refs})
    found = []
    for row in rows:
        kind = defect_kinds().get(row.code)
        found.append(
            {
                "defect": row,
                "text": defect_text(row.code),
                "meaning": kind.meaning if kind is not None else "",
                "severity": SEVERITY_LABELS[Severity(row.severity)],
                "tone": TONES[Severity(row.severity)],
                "photos": [ref for ref in row.photo_refs if ref in whole],
            }
        )
    return found
