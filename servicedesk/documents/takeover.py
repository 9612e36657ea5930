"""The takeover report: what was found when a site was taken over, and what follows from it."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from schedules.surveys.findings import STATUS_LABELS, Status
from schedules.surveys.models import Survey
from schedules.surveys.queries import walk_of
from schedules.surveys.report import report_content
from servicedesk.documents.paper import document_pdf, in_fifties

_COUNTED = (Status.FOUND, Status.DIFFERS, Status.MISSING, Status.NOT_REACHED, Status.OPEN)


def takeover_report(survey: Survey, *, now: datetime) -> bytes:
    """The report of ``survey`` (visit, site and owner fetched) as PDF: frozen and signed when it is finished,
    a draft of how things stand before that."""
    is_draft = survey.outcome is None
    content = survey.outcome or report_content(survey, walk_of(survey, now=now), now=now)
    site = survey.visit.site
    counts = content["counts"]
    context: dict[str, Any] = {
        "site": site,
        "is_draft": is_draft,
        "content": content,
        "counts": [
            {"word": STATUS_LABELS[status], "count": counts.get(status.value, 0)} for status in _COUNTED
        ],
        "on_list": counts["on_list"],
        "extra": counts["extra"],
        "units_by_50": in_fifties(content["units"]),
        "differences_by_50": in_fifties(content["differences"]),
        "unread_by_50": in_fifties(content["unread"]),
        "overdue_by_50": in_fifties(content["overdue"] + content["unknown"]),
        "signature": _lines(content["survey"]["signature"]),
        "done_on": _day(content["survey"]["done_on"]),
        "as_of": _day(content["survey"]["as_of"]),
        "finished_by": survey.finished_by.display_name if survey.finished_by is not None else "",
    }
    return document_pdf(
        "takeover",
        context,
        title="Takeover report" + (" (draft)" if is_draft else ""),
        number=survey.visit.number,
        at=now,
        zone=site.time_zone,
        signed=not is_draft,
    )


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _lines(drawn: dict[str, Any] | None) -> dict[str, Any] | None:
    """A signature as the points of lines that a picture draws; None where nobody signed."""
    if not drawn:
        return None
    lines = [" ".join(f"{float(x):g},{float(y):g}" for x, y in line) for line in drawn["strokes"]]
    return {"width": int(drawn["width"]), "height": int(drawn["height"]), "lines": lines}
