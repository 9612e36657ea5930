"""Handing out the PDF of a certificate to whoever may see it."""

from __future__ import annotations

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.http import content_disposition_header

from inventory.access import Scope
from schedules.certificates.content import group_code
from schedules.certificates.models import Certificate
from schedules.certificates.services import CertificateDamaged, pdf_bytes


def pdf_answer(request: HttpRequest, scope: Scope, certificate_id: UUID) -> HttpResponse:
    """The PDF as a download named by its number; not found outside ``scope``.

    A file that is not the one that was made is not handed out: the page says so instead.
    """
    certificate = Certificate.objects.visible_to(scope).filter(public_id=certificate_id).first()
    if certificate is None:
        raise Http404
    try:
        data = pdf_bytes(certificate)
    except CertificateDamaged:
        return render(request, "portal/damaged.html", {"certificate": certificate}, status=500)
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = content_disposition_header(True, f"{certificate.number}.pdf") or ""
    # The next person at this computer is not to find it.
    response["Cache-Control"] = "private, no-store"
    return response


def verify_path(code: str) -> str:
    """Where anybody can check a certificate, as an address on this site."""
    return reverse("verify-certificate", args=[group_code(code)])
