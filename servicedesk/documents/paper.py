"""One way to put a page of the house's print style on paper."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import segno
from django.conf import settings
from django.http import HttpResponse
from django.template.loader import render_to_string
from django.utils.http import content_disposition_header

from schedules.certificates.content import qr_text, say_day
from schedules.certificates.paper import lay_out
from schedules.certificates.signing import sign_pdf
from servicedesk.pages import STANDING_LINE


def firm() -> dict[str, str]:
    """The firm as papers name it."""
    return {
        "name": settings.FIRM_NAME,
        "address": settings.FIRM_ADDRESS,
        "phone": settings.FIRM_PHONE,
        "email": settings.FIRM_EMAIL,
        "licence": settings.FIRM_LICENCE,
    }


def document_html(
    template: str, context: Mapping[str, Any], *, title: str, at: datetime, zone: str, number: str = ""
) -> str:
    """The page of a document: ``print/NAME.html``, which extends ``print/document.html``.

    ``at`` is the aware instant of printing, told in ``zone``. ``number`` is that of the document or of
    what it is about; it stands on every page. A template finds long tables in ``in_fifties`` (see there).
    """
    local = at.astimezone(ZoneInfo(zone))
    return render_to_string(
        f"print/{template}.html",
        {
            **context,
            "firm": firm(),
            "title": title,
            "number": number,
            "printed_at": at,
            "printed_text": f"{say_day(local.date())}, {local:%H:%M} ({zone})",
            "standing_line": STANDING_LINE,
        },
    )


def document_pdf(
    template: str,
    context: Mapping[str, Any],
    *,
    title: str,
    at: datetime,
    zone: str,
    number: str = "",
    signed: bool = False,
    page_style: str = "",
) -> bytes:
    """A document as PDF, with the firm's digital signature where it is one that others rely on."""
    html = document_html(template, context, title=title, at=at, zone=zone, number=number)
    identifier = hashlib.sha256(html.encode()).hexdigest()
    data, _ = lay_out(html, paper_size=settings.PAPER_SIZE, identifier=identifier, page_style=page_style)
    return sign_pdf(data, at=at, reason=f"{title} {number}".strip()) if signed else data


def pdf_response(data: bytes, name: str) -> HttpResponse:
    """The PDF as a download that no cache keeps: the next person at this computer is not to find it."""
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = content_disposition_header(True, name) or ""
    response["Cache-Control"] = "private, no-store"
    return response


def qr_image(address: str) -> str:
    """A QR symbol that opens ``address``, as a data address for an ``img``."""
    symbol = segno.make(qr_text(address), error="m", micro=False)
    data: str = symbol.svg_data_uri(border=0, dark="#000")
    return data


def in_fifties(rows: list[Any]) -> list[list[Any]]:
    """``rows`` in groups of fifty, one ``tbody`` each: the PDF engine looks through the rest of a row
    group on every page, so that one long group costs the square of its length."""
    return [rows[start : start + 50] for start in range(0, len(rows), 50)]
