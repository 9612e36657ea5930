"""Signing in for programs: a token for a name and password, good for a while, revoked on request."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.conf import settings
from django.contrib.auth import authenticate
from django.contrib.auth.signals import user_logged_in
from django.db import transaction
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import exceptions, serializers
from rest_framework.authtoken.models import Token
from rest_framework.permissions import BasePermission, IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.throttling import AnonRateThrottle, BaseThrottle, UserRateThrottle
from rest_framework.views import APIView

from servicedesk.api.base import AlwaysJson, LimitedJson
from servicedesk.api.tokens import BearerToken, expires_at


class TokenThrottle(AnonRateThrottle):
    """Few tries at a password from one address; a rate of its own, beside the lock on name and address."""

    scope = "token"


class SignInSerializer(serializers.Serializer[Any]):
    """A name and a password."""

    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=500, trim_whitespace=False, write_only=True)


class TokenSerializer(serializers.Serializer[Any]):
    """A token and when it runs out."""

    token = serializers.CharField()
    expires_at = serializers.DateTimeField()


class TokenView(APIView):
    """Sign in and out. The one view that strangers may call."""

    content_negotiation_class = AlwaysJson
    parser_classes = [LimitedJson]

    def get_authenticators(self) -> list[Any]:
        """None for signing in: an old token in the header must not stand in the way of a new one."""
        return [] if self.request is None or self.request.method == "POST" else super().get_authenticators()

    def get_permissions(self) -> list[BasePermission]:
        """Anybody may try to sign in."""
        return [] if self.request is None or self.request.method == "POST" else [IsAuthenticated()]

    def get_throttles(self) -> list[BaseThrottle]:
        """The narrow rate for tries at a password."""
        if self.request is not None and self.request.method == "POST":
            return [TokenThrottle()]
        return [AnonRateThrottle(), UserRateThrottle()]

    def get_authenticate_header(self, request: Request) -> str:
        """What a 401 asks for."""
        return BearerToken.keyword

    @extend_schema(
        operation_id="token_create",
        tags=["Signing in"],
        summary="Sign in",
        description="Gives the person's token. Signing in again gives the same token with its time set back, "
        "or a new one where it had run out.",
        request=SignInSerializer,
        responses=TokenSerializer,
        auth=[],
    )
    def post(self, request: Request) -> Response:
        """A token for a name and password."""
        given = SignInSerializer(data=request.data)
        given.is_valid(raise_exception=True)
        plain = request._request
        user = authenticate(request=plain, **given.validated_data)
        if getattr(plain, "axes_locked_out", False):
            # Said here, as a problem; else the middleware would put its own page in this answer's place.
            plain.axes_locked_out = False  # type: ignore[attr-defined]
            raise exceptions.Throttled(wait=settings.AXES_COOLOFF_TIME.total_seconds())
        if user is None:
            raise exceptions.AuthenticationFailed(
                "User name or password is wrong. Check both; after several wrong tries you have to wait.",
                code="wrong_credentials",
            )
        user_logged_in.send(sender=type(user), request=plain, user=user)
        token = _fresh_token(user, now=timezone.now())
        return Response(TokenSerializer({"token": token.key, "expires_at": expires_at(token)}).data)

    @extend_schema(
        operation_id="token_destroy",
        tags=["Signing in"],
        summary="Revoke the token",
        request=None,
        responses={204: None},
    )
    def delete(self, request: Request) -> Response:
        """Make the person's token worthless at once."""
        Token.objects.filter(user=request.user.pk).delete()
        return Response(status=204)


@transaction.atomic
def _fresh_token(user: Any, *, now: datetime) -> Token:
    token, made = Token.objects.get_or_create(user=user)
    if not made and expires_at(token) <= now:
        token.delete()
        return Token.objects.create(user=user)
    if not made:
        Token.objects.filter(pk=token.pk).update(created=now)
        token.refresh_from_db()
    return token
