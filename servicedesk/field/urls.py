"""Addresses under /field/."""

from __future__ import annotations

from django.urls import path

from servicedesk.field import views

app_name = "field"

urlpatterns = [
    path("", views.HomeView.as_view(), name="home"),
    path("visits/<uuid:visit_id>/", views.RoundView.as_view(), name="round"),
    path("visits/<uuid:visit_id>/units/<uuid:unit_id>/", views.UnitView.as_view(), name="unit"),
    path("visits/<uuid:visit_id>/units/<uuid:unit_id>/why/", views.WhyView.as_view(), name="why"),
    path("visits/<uuid:visit_id>/close/", views.CloseView.as_view(), name="close"),
    path("visits/<uuid:visit_id>/closed/", views.ClosedView.as_view(), name="closed"),
    path("certificates/<uuid:certificate_id>.pdf", views.CertificateView.as_view(), name="certificate"),
]
