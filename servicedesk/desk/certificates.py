"""Certificates at the desk: the list, one certificate, withdrawing it and issuing it again."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.core.paginator import Page
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.search.queries import ids_sql
from inventory.search.text import words_of
from schedules.certificates.content import group_code
from schedules.certificates.models import Certificate
from schedules.certificates.queries import (
    Standing,
    certificates_for,
    corrections_since,
    flags_of,
    standing_of,
)
from schedules.certificates.services import reissue_certificate, withdraw_certificate
from servicedesk.access import Act
from servicedesk.desk.fields import day_field
from servicedesk.desk.listing import ListView
from servicedesk.pages import PageView, place_errors
from servicedesk.portal.papers import pdf_answer

STANDING_TONES = {Standing.STANDS: "ok", Standing.WITHDRAWN: "overdue", Standing.REPLACED: "away"}
STANDING_WORDS = {Standing.STANDS: "Stands", Standing.WITHDRAWN: "Withdrawn", Standing.REPLACED: "Replaced"}
STATE_CHOICES = [("", "All"), *((standing.value, word) for standing, word in STANDING_WORDS.items())]


class CertificateFilterForm(forms.Form):
    """What the list of certificates is narrowed to."""

    q = forms.CharField(
        label="Number, visit, site or owner",
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    standing = forms.ChoiceField(label="Standing", required=False, choices=STATE_CHOICES)
    issued_from = day_field("Issued from")
    issued_to = day_field("Issued to")


class CertificatesView(ListView):
    """The list of certificates."""

    acts = (Act.SEE_DESK,)
    listing = "desk:certificates"
    thing = ("certificate", "certificates")
    sorts = {
        "": ("-issued_at", "-pk"),
        "issued": ("issued_at", "pk"),
        "number": ("number", "pk"),
        "-number": ("-number", "-pk"),
        "site": ("site__name", "-issued_at", "-pk"),
        "-site": ("-site__name", "-issued_at", "-pk"),
        "owner": ("owner__name", "-issued_at", "-pk"),
        "-owner": ("-owner__name", "-issued_at", "-pk"),
    }
    columns = (
        ("certificate", lambda line: line["certificate"].number),
        ("kind", lambda line: line["certificate"].get_kind_display()),
        ("issued_on", lambda line: line["certificate"].issued_on),
        ("site_code", lambda line: line["certificate"].site.code),
        ("site", lambda line: line["certificate"].site.name),
        ("owner", lambda line: line["certificate"].owner.name),
        ("visit", lambda line: line["certificate"].visit.number if line["certificate"].visit else ""),
        ("standing", lambda line: line["word"]),
        ("verify_code", lambda line: group_code(line["certificate"].verify_code)),
    )

    @cached_property
    def form(self) -> CertificateFilterForm:
        """The filters of the address."""
        return CertificateFilterForm(self.request.GET)

    def rows(self) -> Any:
        """The certificates that the address asks for."""
        return self.wanted_rows(self.form) if self.form.is_valid() else None

    def lines(self, rows: Sequence[Certificate]) -> list[dict[str, Any]]:
        """Each certificate and how it stands."""
        return [line_of(certificate) for certificate in rows]

    def show(self, page: Page[Any], context: dict[str, Any], status: int) -> HttpResponse:
        """The page."""
        context |= {
            "form": self.form,
            "is_filtered": any(self.request.GET.get(name) for name in self.form.fields),
        }
        return self.page("desk/certificates.html", context, status=status)

    def wanted_rows(self, form: CertificateFilterForm) -> Any:
        """The certificates that a valid form asks for."""
        given = form.cleaned_data
        rows = certificates_for(self.scope).order_by("-issued_at", "-pk")
        if given["standing"] == Standing.REPLACED:
            rows = rows.filter(replaced_by__isnull=False)
        elif given["standing"] == Standing.WITHDRAWN:
            rows = rows.filter(replaced_by__isnull=True, withdrawal__isnull=False)
        elif given["standing"] == Standing.STANDS:
            rows = rows.filter(replaced_by__isnull=True, withdrawal__isnull=True)
        if given["issued_from"]:
            rows = rows.filter(issued_on__gte=given["issued_from"])
        if given["issued_to"]:
            rows = rows.filter(issued_on__lte=given["issued_to"])
        for word in words_of(given["q"]):
            rows = rows.filter(
                Q(pk__in=ids_sql("certificate", [word]))
                | Q(visit__in=ids_sql("visit", [word]))
                | Q(site__in=ids_sql("site", [word]))
                | Q(owner__in=ids_sql("owner", [word]))
            )
        return rows


def line_of(certificate: Certificate) -> dict[str, Any]:
    """A certificate and how it stands."""
    state = standing_of(certificate)
    if state.standing is Standing.STANDS and state.flagged_on:
        return {
            "certificate": certificate,
            "state": state,
            "word": "Stands; a fact was corrected",
            "tone": "soon",
        }
    return {
        "certificate": certificate,
        "state": state,
        "word": STANDING_WORDS[state.standing],
        "tone": STANDING_TONES[state.standing],
    }


class ReasonForm(forms.Form):
    """Why a certificate is withdrawn or issued again."""

    reason = forms.CharField(
        label="Why",
        max_length=300,
        help_text="Whoever checks the old certificate reads it.",
        error_messages={"required": "Say why: whoever checks the certificate reads the reason."},
    )


class CertificateView(PageView):
    """One certificate."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, certificate_id: UUID) -> HttpResponse:
        """Show it."""
        return self.show(self.certificate(certificate_id), ReasonForm())

    def post(self, request: HttpRequest, certificate_id: UUID) -> HttpResponse:
        """Withdraw it, or issue it again from the records as they stand now."""
        self.demand(Act.WITHDRAW_CERTIFICATES)
        do = self.pressed("reissue", "withdraw")
        certificate = self.certificate(certificate_id)
        form = ReasonForm(request.POST)
        if not form.is_valid():
            return self.show(certificate, form, status=400)
        reason = form.cleaned_data["reason"]
        try:
            if do == "reissue":
                new = reissue_certificate(certificate, reason, by=self.person, now=self.now)
                self.told(f"Certificate {new.number} is issued in place of {certificate.number}.")
                return redirect("desk:certificate", new.public_id)
            withdraw_certificate(certificate, reason, by=self.person, now=self.now)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(certificate, form, status=400)
        except Conflict as problem:
            self.refused(problem)
            return self.show(self.certificate(certificate_id), form, status=409)
        self.told(f"Certificate {certificate.number} is withdrawn. Whoever checks it learns so.")
        return redirect("desk:certificate", certificate.public_id)

    def certificate(self, certificate_id: UUID) -> Certificate:
        """The certificate in scope."""
        rows = certificates_for(self.scope).select_related(
            "issued_by", "replaces", "withdrawal__withdrawn_by"
        )
        return self.found(rows, certificate_id)

    def show(self, certificate: Certificate, form: ReasonForm, status: int = 200) -> HttpResponse:
        """The page."""
        line = line_of(certificate)
        may_withdraw = self.may(Act.WITHDRAW_CERTIFICATES)
        stands = line["state"].standing is Standing.STANDS
        context = {
            "crumbs": [
                {"label": "Certificates", "url": reverse("desk:certificates")},
                {
                    "label": certificate.site.name,
                    "url": reverse("desk:site", args=[certificate.site.public_id]),
                },
            ],
            "certificate": certificate,
            "line": line,
            "file": getattr(certificate, "file", None),
            "code": group_code(certificate.verify_code),
            "corrections": list(corrections_since(certificate)) if stands else [],
            "flags": list(flags_of(certificate)) if stands else [],
            "can_withdraw": may_withdraw and stands,
            "can_reissue": may_withdraw and line["state"].standing is not Standing.REPLACED,
            "form": form,
        }
        return self.page("desk/certificate.html", context, status=status)


class CertificateFileView(PageView):
    """The PDF of a certificate."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, certificate_id: UUID) -> HttpResponse:
        """Hand it out."""
        return pdf_answer(request, self.scope, certificate_id)
