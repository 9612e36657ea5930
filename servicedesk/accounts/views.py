"""Signing in and out, the own password, and the first page of each role."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import views as auth
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse_lazy
from django.views import View

from servicedesk.accounts.forms import NewPasswordForm, SignInForm
from servicedesk.accounts.models import User
from servicedesk.pages import PageView, start_address


class SignInView(auth.LoginView):
    """The sign-in page; whoever is signed in already and asks for no other page goes home."""

    template_name = "account/login.html"
    authentication_form = SignInForm

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """Show the form."""
        if request.user.is_authenticated and not self.get_redirect_url():
            return redirect("home")
        return super().get(request, *args, **kwargs)


class SignOutView(auth.LogoutView):
    """Ends the session."""

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        """Sign out, and have the browser drop what it remembers of the pages: benches share machines."""
        response = super().post(request, *args, **kwargs)
        response["Clear-Site-Data"] = '"cache"'
        return response


class HomeView(View):
    """Sends each role to its own first page."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Redirect."""
        if not isinstance(request.user, User):
            # Without a page to come back to: the first page is where signing in leads anyway.
            return redirect(settings.LOGIN_URL)
        return HttpResponseRedirect(start_address(request.user))


class PasswordView(auth.PasswordChangeView):
    """Change the own password; other sessions of the person end."""

    template_name = "account/password.html"
    form_class = NewPasswordForm
    success_url = reverse_lazy("home")

    def dispatch(self, *args: Any, **kwargs: Any) -> HttpResponseBase:
        """For signed-in people of any role."""
        request = self.request
        if not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        if not request.user.is_active:
            raise PermissionDenied
        return super().dispatch(*args, **kwargs)

    def form_valid(self, form: Any) -> HttpResponse:
        """Store the new password."""
        response = super().form_valid(form)
        messages.success(
            self.request, "Your password was changed. Other places where you were signed in are not any more."
        )
        return response


class HelpView(PageView):
    """The help page, for everybody who is signed in."""

    acts = ()

    def demand(self, *acts: Any) -> None:
        """Nothing beside being signed in."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show it."""
        return self.page("help/index.html", {})


def locked_out(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
    """The answer to too many wrong passwords for one name from one address."""
    minutes = int(settings.AXES_COOLOFF_TIME.total_seconds() // 60)
    return render(request, "account/locked.html", {"minutes": minutes}, status=429)
