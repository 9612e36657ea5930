"""Quotations as the owner reads them, and deciding line by line."""

from __future__ import annotations

from uuid import UUID

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.register.models import local_today
from schedules.quotations.models import LineDecision, Quotation
from schedules.quotations.queries import lines_of, quotations_for, totals_of
from schedules.quotations.services import decide_lines
from servicedesk.access import Act, may_decide_for
from servicedesk.documents.builders import quotation_paper
from servicedesk.documents.paper import pdf_response
from servicedesk.pages import paged
from servicedesk.portal.views import PortalView


class QuotationsView(PortalView):
    """All quotations that were sent to the owner."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them, newest first."""
        page = paged(request, quotations_for(self.scope))
        rows = list(page.object_list)
        return self.page(
            "portal/quotations.html", {"crumbs": self.crumbs(), "page_obj": page, "quotations": rows}
        )


class QuotationView(PortalView):
    """One quotation; who may approve decides on its lines."""

    acts = (Act.DECIDE_QUOTATIONS,)

    def get(self, request: HttpRequest, quotation_id: UUID) -> HttpResponse:
        """Show it."""
        return self.show(self.quotation(quotation_id))

    def post(self, request: HttpRequest, quotation_id: UUID) -> HttpResponse:
        """Keep the decisions that were made."""
        quotation = self.quotation(quotation_id)
        if not may_decide_for(request.user, quotation.site):
            self.demand()
        choices = {
            line.pk: request.POST[f"line-{line.public_id}"]
            for line in lines_of(quotation)
            if request.POST.get(f"line-{line.public_id}")
        }
        if not choices:
            self.warn("Nothing was chosen, so nothing was kept. Approve or decline at least one line.")
            return redirect("portal:quotation", quotation.public_id)
        try:
            new = decide_lines(
                quotation, choices, remark=request.POST.get("remark", ""), by=self.person, now=self.now
            )
        except (ValidationError, Conflict) as problem:
            self.refused(problem)
        else:
            self.told(
                f"Kept under your name: {new} line{'' if new == 1 else 's'}. The service company sees it."
            )
        return redirect("portal:quotation", quotation.public_id)

    def quotation(self, quotation_id: UUID) -> Quotation:
        """One that was sent to the owner."""
        return self.found(
            Quotation.objects.visible_to(self.scope).select_related("site__owner"), quotation_id
        )

    def show(self, quotation: Quotation) -> HttpResponse:
        """The page."""
        lines = lines_of(quotation)
        has_lapsed = quotation.valid_until is not None and quotation.valid_until < local_today(
            quotation.site, self.now
        )
        is_open = quotation.state == Quotation.State.SENT and not has_lapsed
        may_decide = may_decide_for(self.request.user, quotation.site)
        context = {
            "crumbs": [*self.crumbs(), {"label": "Quotations", "url": reverse("portal:quotations")}],
            "quotation": quotation,
            "lines": lines,
            "totals": totals_of(lines),
            "has_lapsed": has_lapsed,
            "is_open": is_open,
            "may_decide": may_decide,
            "to_decide": is_open and may_decide and any(line.decided is None for line in lines),  # type: ignore[attr-defined]
            "choices": LineDecision.Choice.choices,
        }
        return self.page("portal/quotation.html", context)


class QuotationPaperView(PortalView):
    """The quotation as a paper."""

    def get(self, request: HttpRequest, quotation_id: UUID) -> HttpResponse:
        """Hand out the PDF."""
        rows = Quotation.objects.visible_to(self.scope).select_related("site__owner", "made_by")
        quotation = self.found(rows, quotation_id)
        return pdf_response(quotation_paper(quotation, now=self.now), f"{quotation.number}.pdf")
