"""Open defects of units and places, gravest first, and settling them."""

from __future__ import annotations

from uuid import UUID

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from inventory.logbook.defects import counts_by_severity, open_defects, settle_defect
from inventory.logbook.models import Defect
from inventory.measures.checks import SEVERITY_LABELS, defect_text
from servicedesk.access import Act
from servicedesk.defects_shown import defect_lines
from servicedesk.pages import PageView, paged


class DefectsView(PageView):
    """What is wrong out there and not put right."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the list, all of it or one severity."""
        wanted = request.GET.get("severity", "")
        rows = open_defects(self.scope).select_related("site__owner")
        if wanted in Defect.Severity.values:
            rows = rows.filter(severity=wanted)
        counts = counts_by_severity(self.scope)
        page = paged(request, rows)
        tabs = [("", "All", sum(counts.values()))]
        tabs += [(code.value, label, counts[code.value]) for code, label in SEVERITY_LABELS.items()]
        context = {
            "page_obj": page,
            "lines": defect_lines(page.object_list),
            "tabs": [
                {"query": f"?severity={code}", "label": label, "count": n, "is_current": code == wanted}
                for code, label, n in tabs
            ],
            "may_settle": self.may(Act.PLAN_VISITS),
        }
        return self.page("desk/defects.html", context)


class DefectView(PageView):
    """Settling one defect."""

    acts = (Act.PLAN_VISITS,)

    def post(self, request: HttpRequest, defect_id: UUID) -> HttpResponse:
        """Keep how it was settled."""
        defect = self.found(Defect.objects.visible_to(self.scope), defect_id)
        try:
            settle_defect(defect, request.POST.get("how", ""), by=self.person, at=self.now)
        except ValidationError as problem:
            self.refused(problem)
        else:
            self.told(f"Settled: {defect_text(defect.code).lower()}.")
        return redirect("desk:defects")
