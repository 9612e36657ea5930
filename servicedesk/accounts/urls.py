"""Addresses of signing in and of the own account."""

from __future__ import annotations

from django.urls import path

from servicedesk.accounts import views
from servicedesk.notices.views import ChoicesView

urlpatterns = [
    path("", views.HomeView.as_view(), name="home"),
    path("sign-in/", views.SignInView.as_view(), name="sign-in"),
    path("sign-out/", views.SignOutView.as_view(), name="sign-out"),
    path("password/", views.PasswordView.as_view(), name="password"),
    path("notices/", ChoicesView.as_view(), name="notices"),
    path("help/", views.HelpView.as_view(), name="help"),
]
