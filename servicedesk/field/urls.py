"""Addresses under /field/."""

from __future__ import annotations

from django.urls import path

from servicedesk.field import shell, views

app_name = "field"

urlpatterns = [
    # The app: one page, its worker and what puts it on a home screen.
    path("", shell.AppView.as_view(), name="home"),
    path("sw.js", shell.worker, name="worker"),
    path("look-<slug:version>.css", shell.look, name="look"),
    path("app.webmanifest", shell.manifest, name="manifest"),
    # The same work on plain pages, for a browser without scripts.
    path("plain/", views.HomeView.as_view(), name="plain"),
    path("plain/visits/<uuid:visit_id>/", views.RoundView.as_view(), name="round"),
    path("plain/visits/<uuid:visit_id>/units/<uuid:unit_id>/", views.UnitView.as_view(), name="unit"),
    path("plain/visits/<uuid:visit_id>/units/<uuid:unit_id>/why/", views.WhyView.as_view(), name="why"),
    path("plain/visits/<uuid:visit_id>/close/", views.CloseView.as_view(), name="close"),
    path("plain/visits/<uuid:visit_id>/closed/", views.ClosedView.as_view(), name="closed"),
    path("certificates/<uuid:certificate_id>.pdf", views.CertificateView.as_view(), name="certificate"),
]
