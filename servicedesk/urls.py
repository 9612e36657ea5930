"""All addresses, gathered from the edges."""

from __future__ import annotations

from django.urls import path
from drf_spectacular.views import SpectacularAPIView

from servicedesk.health import healthz

urlpatterns = [
    path("healthz", healthz, name="healthz"),
    path("api/v1/schema/", SpectacularAPIView.as_view(), name="api-schema"),
]
