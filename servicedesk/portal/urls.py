"""Addresses under /portal/."""

from __future__ import annotations

from django.urls import path

from servicedesk.portal import views

app_name = "portal"

urlpatterns = [
    path("", views.HomeView.as_view(), name="home"),
    path("sites/<uuid:site_id>/", views.SiteView.as_view(), name="site"),
    path("sites/<uuid:site_id>/register.csv", views.RegisterFileView.as_view(), name="register"),
    path("units/<uuid:unit_id>/", views.UnitView.as_view(), name="unit"),
    path("certificates/", views.CertificatesView.as_view(), name="certificates"),
    path("certificates/<uuid:certificate_id>.pdf", views.CertificateFileView.as_view(), name="certificate"),
]
