"""Addresses of the months ahead and of the figures, below /desk/."""

from __future__ import annotations

from django.urls import path

from servicedesk.desk import numbers, outlook, outlook_settings

urlpatterns = [
    path("outlook/", outlook.OutlookView.as_view(), name="outlook"),
    path("outlook/settings/", outlook_settings.OutlookSettingsView.as_view(), name="outlook-settings"),
    path("outlook/blackouts/", outlook_settings.BlackoutsView.as_view(), name="blackouts"),
    path("sites/<uuid:site_id>/outlook/", outlook.SiteOutlookView.as_view(), name="site-outlook"),
    path("figures/", numbers.NumbersView.as_view(), name="figures"),
]
