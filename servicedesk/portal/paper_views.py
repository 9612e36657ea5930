"""The owner's papers: one list of all, one download of a period, single ones."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.utils.http import content_disposition_header

from inventory.logbook.models import Defect
from inventory.register.models import Site
from inventory.workshop.models import CardEntry, HouseStay
from inventory.workshop.queries import pressure_tests
from servicedesk.bench.papers import pressure_test_pdf
from servicedesk.documents.paper import pdf_response
from servicedesk.handover.models import HandedRow
from servicedesk.portal.archive import (
    KIND_LABELS,
    MOST_IN_ZIP,
    Archive,
    Wanted,
    earlier_bytes,
    paper_files,
    stay_bytes,
    year_back,
    zip_stream,
)
from servicedesk.portal.forms import CertificateFilter
from servicedesk.portal.views import PortalView

PAPERS_PER_PAGE = 25


class PaperFilter(CertificateFilter):
    """Which papers to show: by word, sort, site and day."""

    kind = forms.ChoiceField(
        label="Sort",
        required=False,
        choices=[("", "All sorts"), *((kind.value, label) for kind, label in KIND_LABELS.items())],
        error_messages={"invalid_choice": "Choose one of the sorts."},
    )
    field_order = ("q", "kind", "site", "since", "until")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["q"].label = "Number, unit or site"

    def wanted(self) -> Wanted:
        """What was asked for; call it on a valid form."""
        given = self.cleaned_data
        return Wanted(given["q"].strip(), given["kind"], given["site"], given["since"], given["until"])


class PapersView(PortalView):
    """Every paper there is, newest first."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page; a filter that cannot be read shows none and says why."""
        form = PaperFilter(request.GET, scope=self.scope)
        is_valid = form.is_valid()
        wanted = form.wanted() if is_valid else Wanted()
        archive = Archive(self.scope, self.now, wanted)
        count = archive.count() if is_valid else 0
        page = Paginator(range(count), PAPERS_PER_PAGE).get_page(request.GET.get("page"))
        first = max(page.start_index() - 1, 0)
        site = wanted.site or self.only_site()
        context = {
            "crumbs": self.crumbs(),
            "form": form,
            "is_filtered": any(request.GET.get(name) for name in form.fields),
            "page_obj": page,
            "papers": archive.newest(first, PAPERS_PER_PAGE) if count else [],
            "site": site,
            "has_defects": site is not None and Defect.objects.open().filter(site=site).exists(),
            "since": wanted.since or year_back(self.now.date()),
            "until": wanted.until or self.now.date(),
            "most": MOST_IN_ZIP,
        }
        return self.page("portal/papers.html", context, status=200 if is_valid else 400)

    def only_site(self) -> Site | None:
        """The owner's site where there is but one."""
        sites = list(Site.objects.visible_to(self.scope).order_by("pk")[:2])
        return sites[0] if len(sites) == 1 else None


class PapersZipView(PortalView):
    """The papers of a period as one ZIP file, made while it is sent."""

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Hand it out; too many papers, or none, are a page that says what to do."""
        form = PaperFilter(request.GET, scope=self.scope)
        if not form.is_valid() or not form.cleaned_data["since"] or not form.cleaned_data["until"]:
            return self.refuse("Give the first and the last day of the period.", 400)
        wanted = form.wanted()
        archive = Archive(self.scope, self.now, wanted)
        count = archive.count()
        if not count:
            return self.refuse("There is no paper of that period. Choose another one.", 404)
        if count > MOST_IN_ZIP:
            return self.refuse(
                f"{count} papers fall into this period; one file holds {MOST_IN_ZIP}. Choose a shorter "
                "period, one site or one sort, and download them in parts.",
                413,
            )
        name = f"papers-{wanted.since}-{wanted.until}.zip"
        files = paper_files(archive.newest(0, count))
        return zip_response(zip_stream(files, self.now), name)

    def refuse(self, sentence: str, status: int) -> HttpResponse:
        """The page that says why there is no file."""
        context = {"crumbs": self.crumbs(), "sentence": sentence}
        return self.page("portal/no_file.html", context, status=status)


def zip_response(parts: Any, name: str) -> StreamingHttpResponse:
    """A ZIP file on its way, kept by no cache."""
    response = StreamingHttpResponse(parts, content_type="application/zip")
    response["Content-Disposition"] = content_disposition_header(True, name) or ""
    response["Cache-Control"] = "private, no-store"
    return response


class EarlierPaperView(PortalView):
    """A certificate of an earlier service company, as it came."""

    def get(self, request: HttpRequest, row_id: int) -> HttpResponse:
        """Hand out its PDF."""
        rows = HandedRow.objects.visible_to(self.scope).filter(
            table_name="certificates", local_id__isnull=True
        )
        row = rows.filter(pk=row_id).first()
        data = earlier_bytes(row) if row is not None else None
        if row is None or data is None:
            raise Http404
        return pdf_response(data, f"{row.content['number']}.pdf")


class TestPaperView(PortalView):
    """The certificate of one passed pressure test of an own unit."""

    __test__ = False

    def get(self, request: HttpRequest, entry_ref: UUID) -> HttpResponse:
        """Hand out the PDF."""
        entry = pressure_tests(self.scope).filter(client_ref=entry_ref).first()
        if entry is None or entry.verdict != CardEntry.Verdict.INSIDE or "house" in entry.values:
            raise Http404
        return pdf_response(pressure_test_pdf(entry, now=self.now), f"{entry.card.number}-test.pdf")


class HousePaperView(PortalView):
    """The certificate with which an own unit came back from a test house."""

    def get(self, request: HttpRequest, stay_id: UUID) -> HttpResponse:
        """Hand out the file as it was taken in; an altered or lost one is not found."""
        stays = HouseStay.objects.filter(card__site__in=Site.objects.visible_to(self.scope))
        stay = self.found(stays.exclude(certificate=""), stay_id)
        data = stay_bytes(stay)
        if data is None:
            raise Http404
        return pdf_response(data, f"test-house-{stay.public_id}.pdf")
