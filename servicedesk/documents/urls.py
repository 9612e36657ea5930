"""Addresses that labels open (the number stands last: a scanner needs no more), and papers."""

from __future__ import annotations

from django.urls import path, re_path

from servicedesk.documents import views

urlpatterns = [
    path("u/<str:number>", views.ScanUnitView.as_view(), name="scan-unit"),
    path("l/<str:code>/<str:number>", views.ScanLocationView.as_view(), name="scan-location"),
    path(
        "papers/sites/<uuid:site_id>/register.pdf", views.RegisterPaperView.as_view(), name="paper-register"
    ),
    path("papers/sites/<uuid:site_id>/defects.pdf", views.DefectsPaperView.as_view(), name="paper-defects"),
    path("papers/visits/<uuid:visit_id>/receipt.pdf", views.ReceiptPaperView.as_view(), name="paper-receipt"),
    path(
        "papers/surveys/<uuid:survey_id>/takeover.pdf",
        views.TakeoverPaperView.as_view(),
        name="paper-takeover",
    ),
    # QR symbols hold the address in capitals, which needs fewer and larger squares.
    re_path(r"^U/(?P<number>[^/]+)$", views.ScanUnitView.as_view()),
    re_path(r"^L/(?P<code>[^/]+)/(?P<number>[^/]+)$", views.ScanLocationView.as_view()),
]
