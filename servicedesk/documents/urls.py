"""Addresses that labels open. The numbers stand last: a scanner needs no more of it."""

from __future__ import annotations

from django.urls import path, re_path

from servicedesk.documents import views

urlpatterns = [
    path("u/<str:number>", views.ScanUnitView.as_view(), name="scan-unit"),
    path("l/<str:code>/<str:number>", views.ScanLocationView.as_view(), name="scan-location"),
    # QR symbols hold the address in capitals, which needs fewer and larger squares.
    re_path(r"^U/(?P<number>[^/]+)$", views.ScanUnitView.as_view()),
    re_path(r"^L/(?P<code>[^/]+)/(?P<number>[^/]+)$", views.ScanLocationView.as_view()),
]
