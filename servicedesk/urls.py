"""All addresses, gathered from the edges."""

from __future__ import annotations

from django.urls import include, path

from servicedesk.health import healthz

urlpatterns = [
    path("healthz", healthz, name="healthz"),
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
