"""All addresses, gathered from the edges."""

from __future__ import annotations

from django.urls import include, path

from servicedesk import find_pages
from servicedesk.health import healthz

urlpatterns = [
    path("healthz", healthz, name="healthz"),
    path("find/", find_pages.FindEverythingView.as_view(), name="find-everything"),
    path("find/offers/", find_pages.OffersView.as_view(), name="find-offers"),
    path("", include("servicedesk.api.urls")),
    path("", include("servicedesk.accounts.urls")),
    path("desk/", include("servicedesk.desk.urls")),
    path("bench/", include("servicedesk.bench.urls")),
    path("field/", include("servicedesk.field.urls")),
    path("portal/", include("servicedesk.portal.urls")),
    path("", include("servicedesk.portal.verify")),
    path("", include("servicedesk.portal.calendar")),
    path("", include("servicedesk.documents.urls")),
]
