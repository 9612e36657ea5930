"""Addresses under /bench/."""

from __future__ import annotations

from django.urls import path

from servicedesk.bench import views

app_name = "bench"

urlpatterns = [
    path("", views.HomeView.as_view(), name="home"),
]
