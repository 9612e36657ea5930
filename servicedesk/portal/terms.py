"""What is agreed with the service company, as the owner reads it; without what is the company's alone."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse

from inventory.measures.kinds import TASK_LABELS
from inventory.measures.terms import TERMS
from inventory.register.agreed import agreed_for, waiting_tasks
from inventory.register.models import Site
from servicedesk.access import Act
from servicedesk.desk.terms import grouped
from servicedesk.pages import paged
from servicedesk.portal.views import PortalView

SITES_PER_PAGE = 10


class TermsView(PortalView):
    """The terms in force at each of the owner's sites."""

    acts = (Act.SEE_TERMS,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of sites."""
        self.demand(Act.SEE_PORTAL)
        rows = Site.objects.visible_to(self.scope).select_related("owner").order_by("name", "pk")
        page = paged(request, rows, SITES_PER_PAGE)
        sites = list(page.object_list)
        agreed = agreed_for(sites, self.now)
        context = {
            "crumbs": self.crumbs(),
            "page_obj": page,
            "lines": [
                {
                    "site": site,
                    "groups": grouped(agreed[site.pk], for_owner=True),
                    "open": sum(t.code not in agreed[site.pk].values for t in TERMS if not t.is_internal),
                    "waiting": [TASK_LABELS[t] for t in TASK_LABELS if t in waiting_tasks(agreed[site.pk])],
                }
                for site in sites
            ],
        }
        return self.page("portal/terms.html", context)
