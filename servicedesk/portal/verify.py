"""The public page on which anybody can check a certificate by its code.

No sign-in: whoever holds the paper holds the code, and a code has 80 random bits. The page tells what
was issued and whether it stands, nothing beyond: no units, no contact, no technician's licence.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import date
from typing import Any

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, re_path, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods, require_safe

from inventory.register.models import local_today
from schedules.certificates.content import group_code
from schedules.certificates.models import Certificate
from schedules.certificates.queries import Standing, certificate_by_code, standing_of
from schedules.certificates.signing import SignatureState, own_certificates, read_signature

# The largest certificate seen, 2,000 units, has 2 MB.
UPLOAD_LIMIT_BYTES = 20 * 1024 * 1024
_LONGEST_INPUT = 60
_RESULTS = (
    ("Passed", "serviced"),
    ("Failed", "failed"),
    ("Replaced", "replaced"),
    ("Taken away", "removed"),
    ("Not found", "not_found"),
    ("No access", "no_access"),
    ("Not seen in the period", "not_seen"),
    ("Record void", "void"),
)


@require_safe
@never_cache
def enter(request: HttpRequest) -> HttpResponse:
    """Take a typed code and lead to its page; without one, ask for it."""
    typed = request.GET.get("code", "").strip()[:_LONGEST_INPUT]
    if not typed:
        return _answer(request, "verify/enter.html", {"is_asked": "code" in request.GET})
    certificate = certificate_by_code(typed)
    if certificate is None:
        return _unknown(request, typed)
    return redirect(_address(certificate))


# Nothing is changed and nobody is signed in, so there is nothing to forge; and the check for a forged
# request would read a file of any size before the limit below is looked at.
@csrf_exempt
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def check(request: HttpRequest, code: str) -> HttpResponse:
    """Show what was issued under ``code``; on POST also compare a file with the one that was issued."""
    certificate = certificate_by_code(code[:_LONGEST_INPUT])
    if certificate is None:
        return _unknown(request, code[:_LONGEST_INPUT])
    if request.method != "POST":
        if request.path != _address(certificate):
            return redirect(_address(certificate))
        return _answer(request, "verify/certificate.html", _shown(certificate))
    outcome, status = _compare(request, certificate)
    return _answer(
        request, "verify/certificate.html", {**_shown(certificate), "outcome": outcome}, status=status
    )


@require_safe
def signing_certificates(request: HttpRequest) -> HttpResponse:
    """The certificates behind the firm's signature, for whoever lets a reader of PDFs check it."""
    response = HttpResponse(own_certificates(), content_type="application/x-pem-file")
    response["Content-Disposition"] = 'attachment; filename="signing-certificates.pem"'
    return response


def _compare(request: HttpRequest, certificate: Certificate) -> tuple[dict[str, str], int]:
    """What the comparison says, and the status of the answer. The file is not kept."""
    length = request.META.get("CONTENT_LENGTH") or "0"
    too_large = {
        "tone": "soon",
        "title": "The file is too large to be a certificate",
        "text": f"Files of up to {UPLOAD_LIMIT_BYTES // 2**20} MB are compared. "
        "Choose the PDF as you received it.",
    }
    # The form around the file adds less than a kilobyte.
    if not length.isdigit() or int(length) > UPLOAD_LIMIT_BYTES + 1024:
        return too_large, 413
    file = request.FILES.get("file")
    if not isinstance(file, UploadedFile) or not file.size:
        return {
            "tone": "soon",
            "title": "No file was compared",
            "text": "Choose the PDF of the certificate as you received it, and compare again.",
        }, 400
    if file.size > UPLOAD_LIMIT_BYTES:
        return too_large, 413
    stored = getattr(certificate, "file", None)
    if stored is None:
        return {
            "tone": "unknown",
            "title": "Cannot tell yet",
            "text": "The PDF of this certificate has not been made yet, so no file can be the one that was "
            "issued. Try again in a few minutes.",
        }, 200
    digest = hashlib.sha256()
    for chunk in file.chunks():
        digest.update(chunk)
    file.seek(0)
    signature = read_signature(file.read())
    if digest.hexdigest() != stored.sha256:
        return {
            "tone": "overdue",
            "title": "This is not the file that was issued",
            "text": f"At least one byte differs from the PDF of {certificate.number}. {_why_not(signature)} "
            "Do not rely on it; ask the service company for the original.",
        }, 200
    state = standing_of(certificate)
    signed = (
        f"The digital signature inside is whole: {signature.signer}."
        if signature.is_good
        # Issued before papers were signed, or with a certificate that the firm has since replaced.
        else "It carries no digital signature that the company's present certificate answers for."
    )
    return {
        "tone": "ok" if state.standing is Standing.STANDS else "soon",
        "title": "This is the file that was issued",
        "text": f"Byte for byte the PDF of {certificate.number}. {signed} {state.sentence}",
    }, 200


def _why_not(signature: SignatureState) -> str:
    if signature.is_good:
        return "The company did sign this file, but as another certificate: enter the code printed on it."
    if signature.is_signed and not signature.is_intact:
        return "Its digital signature is broken: the file was changed after it was signed."
    if signature.is_signed and not signature.covers_all:
        return "Something was added behind its digital signature."
    if signature.is_signed:
        return "It is signed by somebody else than this service company."
    return "It carries no digital signature; a program may have saved it anew."


def _shown(certificate: Certificate) -> dict[str, Any]:
    """The public part of the frozen content, and how the certificate stands now."""
    content: dict[str, Any] = certificate.content
    counts: dict[str, int] = content["counts"]
    state = standing_of(certificate)
    return {
        "number": content["number"],
        "code": content["verify"]["code"],
        "issued_on": date.fromisoformat(content["issued_on"]),
        "kind": certificate.get_kind_display(),
        "done_on": date.fromisoformat(content["visit"]["done_on"]) if "visit" in content else None,
        "first_on": certificate.first_on,
        "last_on": certificate.last_on,
        "firm": content["firm"]["name"],
        "owner": content["owner"]["name"],
        "site": content["site"]["name"],
        "recorded": counts["recorded"] if "recorded" in counts else counts["units"],
        "results": [(word, counts[name]) for word, name in _RESULTS if name in counts],
        "exception_count": len(content["exceptions"]),
        "tables": [{**table, "state": _public_state(table)} for table in content["tables"]],
        "warning": content["warning"],
        "replaces": content["replaces"]["number"] if content["replaces"] else "",
        "digest": certificate.content_digest,
        "signature": content.get("signature", ""),
        "state": state,
        "withdrawn_on": local_today(certificate.site, state.withdrawn_at) if state.withdrawn_at else None,
        "verdict_tone": "overdue"
        if state.standing is not Standing.STANDS
        else "soon"
        if state.flagged_on
        else "ok",
        "stands": state.standing is Standing.STANDS,
        "line": content["standing_line"],
        "limit_mb": UPLOAD_LIMIT_BYTES // 2**20,
    }


def _public_state(table: Mapping[str, Any]) -> str:
    """How a table stood, without who confirmed or varied it and why: that is for whoever holds the paper."""
    words = (
        "Confirmed against local code."
        if table["is_confirmed"]
        else "Unconfirmed: shipped defaults that nobody had checked against local code."
    )
    if "Varied here:" in table["state"]:
        words += " Some of its rules were varied for these premises; the paper names them."
    return words


def _unknown(request: HttpRequest, typed: str) -> HttpResponse:
    return _answer(request, "verify/unknown.html", {"typed": typed}, status=404)


def _answer(
    request: HttpRequest, template: str, context: dict[str, Any], *, status: int = 200
) -> HttpResponse:
    response = render(request, template, {"firm_name": settings.FIRM_NAME, **context}, status=status)
    # A code is for whoever holds the paper, not for search engines or the next site's log.
    response["X-Robots-Tag"] = "noindex"
    response["Referrer-Policy"] = "no-referrer"
    return response


def _address(certificate: Certificate) -> str:
    return reverse("verify-certificate", args=[group_code(certificate.verify_code)])


urlpatterns = [
    path("verify/", enter, name="verify"),
    path("verify/signing-certificates.pem", signing_certificates, name="signing-certificates"),
    path("verify/<str:code>/", check, name="verify-certificate"),
    # QR symbols hold the address in capitals, which needs fewer and larger squares.
    re_path(r"^[Vv][Ee][Rr][Ii][Ff][Yy]/?$", enter),
    re_path(r"^[Vv][Ee][Rr][Ii][Ff][Yy]/(?P<code>[^/]+)/?$", check),
]
