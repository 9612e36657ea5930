"""What a field that is typed into offers: sites and owners whose name fits."""

from __future__ import annotations

from django.http import Http404, HttpRequest, JsonResponse

from inventory.register.queries import owners_for, sites_for
from servicedesk.access import Act
from servicedesk.desk.fields import found_label, found_rows
from servicedesk.pages import PageView

OFFERED = 20


class FindView(PageView):
    """Names of the sites or owners in sight that fit what was typed."""

    acts = (Act.SEE_DESK, Act.SEE_BENCH, Act.SEE_RULEBOOK)

    def get(self, request: HttpRequest, kind: str) -> JsonResponse:
        """The first names that fit ``q``, as ``{"found": [...]}``; nothing for nothing."""
        text = request.GET.get("q", "").strip()[:80]
        if kind not in ("site", "owner"):
            raise Http404
        rows = sites_for(self.scope).select_related(None) if kind == "site" else owners_for(self.scope)
        found = found_rows(rows, text)[:OFFERED] if text else []
        return JsonResponse({"found": [found_label(row) for row in found]})
