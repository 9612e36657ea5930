"""Who a bearer token stands for, and until when."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from django.conf import settings
from django.utils import timezone
from rest_framework import exceptions
from rest_framework.authentication import TokenAuthentication
from rest_framework.authtoken.models import Token

if TYPE_CHECKING:
    from servicedesk.accounts.models import User


class BearerToken(TokenAuthentication):
    """``Authorization: Bearer`` with a token that has not run out."""

    keyword = "Bearer"

    def authenticate_credentials(self, key: str) -> tuple[User, Token]:
        """The person behind ``key``; says why where there is none to act for."""
        token = Token.objects.select_related("user").filter(key=key).first()
        if token is None:
            raise exceptions.AuthenticationFailed(
                "This token is not known here; it may have been revoked. Sign in again to get a new one.",
                code="token_unknown",
            )
        if expires_at(token) <= timezone.now():
            raise exceptions.AuthenticationFailed(
                "This token has run out. Sign in again and repeat the request; nothing was changed.",
                code="token_expired",
            )
        if not token.user.is_active:
            raise exceptions.AuthenticationFailed(
                "This account is closed. Ask a manager of the firm.", code="account_closed"
            )
        return token.user, token


def expires_at(token: Token) -> datetime:
    """When ``token`` runs out."""
    return token.created + timedelta(days=settings.API_TOKEN_DAYS)
