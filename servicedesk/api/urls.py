"""Addresses of the API and of the pages about it."""

from __future__ import annotations

from django.urls import include, path, re_path
from drf_spectacular.views import SpectacularAPIView
from rest_framework.throttling import AnonRateThrottle

from servicedesk.api import schema  # noqa: F401  (importing registers what the document says)
from servicedesk.api.docs import NoSuchAddress, index, problem_page
from servicedesk.api.field_acts import FieldActViewSet
from servicedesk.api.field_pack import FieldPackViewSet
from servicedesk.api.field_photos import FieldPhotoViewSet
from servicedesk.api.people import MeView
from servicedesk.api.router import router
from servicedesk.api.session import TokenView

v1 = [
    *router.urls,
    path("me/", MeView.as_view({"get": "show"}), name="me"),
    path("field/pack/", FieldPackViewSet.as_view({"get": "show"}), name="field-pack"),
    path("field/acts/", FieldActViewSet.as_view({"post": "take", "get": "since"}), name="field-acts"),
    path("field/photos/", FieldPhotoViewSet.as_view({"post": "announce"}), name="field-photos"),
    path(
        "field/photos/<uuid:public_id>/",
        FieldPhotoViewSet.as_view({"get": "picture", "head": "progress", "patch": "append"}),
        name="field-photo",
    ),
    path("token/", TokenView.as_view(), name="token"),
]

urlpatterns = [
    path("api/", index, name="api-docs"),
    path("problems/<slug:slug>/", problem_page, name="api-problem"),
    path("api/v1/", include((v1, "v1"))),
    path(
        "api/v1/schema/",
        SpectacularAPIView.as_view(throttle_classes=[AnonRateThrottle], authentication_classes=[]),
        name="api-schema",
    ),
    # Last: without it an unknown address would be answered with a page; not even a line break escapes.
    re_path(r"^api/[\s\S]*$", NoSuchAddress.as_view()),
]
