"""Every refusal of the API as a problem document (RFC 9457, ``application/problem+json``).

A problem has a ``type`` (one of ``KINDS``, each explained at its address), the fine ``code`` for
machines, and a ``detail`` for people: what happened and what to do. Nothing was changed by a call that
was answered with a problem.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from django.conf import settings
from django.core.exceptions import NON_FIELD_ERRORS, RequestDataTooBig, SuspiciousOperation
from django.core.exceptions import PermissionDenied as DjangoPermissionDenied
from django.core.exceptions import ValidationError as DomainError
from django.db import IntegrityError, OperationalError
from django.http import Http404
from rest_framework import exceptions
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.settings import api_settings
from rest_framework.views import set_rollback

from inventory.errors import Conflict

logger = logging.getLogger(__name__)

CONTENT_TYPE = "application/problem+json"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem: its HTTP status, its title and what a client should do about it."""

    slug: str
    status: int
    title: str
    remedy: str

    @property
    def uri(self) -> str:
        """The address that names the kind, relative to the installation."""
        return f"/problems/{self.slug}/"


INVALID = Kind(
    "invalid",
    400,
    "The request is not valid",
    "Correct the fields named in `errors` and send the request again. Nothing was changed.",
)
SIGN_IN = Kind(
    "sign-in-needed",
    401,
    "Sign-in needed",
    "Sign in again, or fetch a new token, and repeat the request. Work that is kept on a device is not lost.",
)
NOT_ALLOWED = Kind(
    "not-allowed",
    403,
    "Not allowed",
    "The signed-in person may not do this. Ask somebody whose role allows it.",
)
NOT_FOUND = Kind(
    "not-found",
    404,
    "Not found",
    "There is nothing at this address that the signed-in person may see. Check the identifier.",
)
NO_SUCH_METHOD = Kind(
    "method-not-allowed",
    405,
    "Method not allowed",
    "Use one of the methods in the `Allow` header.",
)
CONFLICT = Kind(
    "conflict",
    409,
    "Does not fit the present state",
    "Read it again: it has moved on, or figures do not add up. `code` says which; nothing was changed.",
)
TOO_LARGE = Kind(
    "too-large",
    413,
    "The request is too large",
    "Send the entries in smaller batches.",
)
WRONG_FORMAT = Kind(
    "unsupported-media-type",
    415,
    "Unsupported media type",
    "Send JSON with the header `Content-Type: application/json`.",
)
KEY_REUSED = Kind(
    "idempotency-key-reused",
    422,
    "Idempotency key used for something else",
    "Use a new key for a new request; send the same key only with the same request.",
)
TOO_MANY = Kind(
    "too-many-requests",
    429,
    "Too many requests",
    "Wait for the seconds in the `Retry-After` header, then repeat the request.",
)
FAULT = Kind(
    "fault",
    500,
    "A fault on our side",
    "It was logged and nothing was changed. Repeat the request; if it comes again, tell the service desk.",
)
BUSY = Kind(
    "busy",
    503,
    "Busy",
    "Somebody else was writing for longer than we wait. Repeat the request in a moment.",
)

KINDS: tuple[Kind, ...] = (
    INVALID,
    SIGN_IN,
    NOT_ALLOWED,
    NOT_FOUND,
    NO_SUCH_METHOD,
    CONFLICT,
    TOO_LARGE,
    WRONG_FORMAT,
    KEY_REUSED,
    TOO_MANY,
    FAULT,
    BUSY,
)


class KeyReused(exceptions.APIException):
    """The idempotency key came before, with another request."""

    status_code = KEY_REUSED.status
    default_detail = (
        "This idempotency key was already used for another request. Nothing was changed; "
        "send this request with a new key."
    )
    default_code = "idempotency_key_reused"


def problem_handler(exc: Exception, context: Mapping[str, Any]) -> Response:
    """Answer any exception of a view with a problem document; what is not expected says nothing of itself."""
    request: Request | None = context.get("request")
    set_rollback()
    headers: dict[str, str] = {}
    for name, value in (("WWW-Authenticate", "auth_header"), ("Retry-After", "wait")):
        found = getattr(exc, value, None)
        if found is not None:
            headers[name] = str(int(found)) if value == "wait" else str(found)
    body, status = _body(exc, request)
    if status >= 500:
        logger.error("API call failed: %s %s", *_line(request), exc_info=exc)
    if status == BUSY.status:
        headers["Retry-After"] = "2"
    response = Response(body, status=status, headers=headers, content_type=CONTENT_TYPE)
    response["Cache-Control"] = "no-store"
    return response


def problem(
    kind: Kind, *, code: str, detail: str, instance: str | None = None, **more: Any
) -> dict[str, Any]:
    """The members of a problem document; ``more`` are extension members that never hide the standard ones."""
    body: dict[str, Any] = {
        "type": kind.uri,
        "title": kind.title,
        "status": kind.status,
        "code": code,
        "detail": detail,
    }
    if instance is not None:
        body["instance"] = instance
    for name, value in more.items():
        body.setdefault(name, value)
    return body


def item_problem(exc: Exception) -> dict[str, Any]:
    """The problem of one item in a batch; raises ``exc`` again when it is a fault and no refusal."""
    body, status = _body(exc, None)
    if status >= 500:
        raise exc
    return body


def _body(exc: Exception, request: Request | None) -> tuple[dict[str, Any], int]:
    kind, code, detail, more = _reading(exc, request)
    instance = quote(request.path) if request is not None else None
    return problem(kind, code=code, detail=detail, instance=instance, **more), kind.status


def _reading(exc: Exception, request: Request | None) -> tuple[Kind, str, str, dict[str, Any]]:
    """Sort an exception: kind, code, sentence, extension members."""
    if isinstance(exc, Conflict):
        return CONFLICT, exc.code, exc.sentence, dict(exc.extra)
    if isinstance(exc, DomainError):
        return _invalid(list(_domain_errors(exc)))
    if isinstance(exc, exceptions.ValidationError):
        return _invalid(list(_field_errors(exc.detail)))
    if isinstance(exc, KeyReused):
        return KEY_REUSED, KeyReused.default_code, str(exc.detail), {}
    if isinstance(exc, exceptions.NotAuthenticated):
        return _not_signed_in(request)
    if isinstance(exc, exceptions.APIException):
        return _api_reading(exc)
    if isinstance(exc, Http404):
        return NOT_FOUND, "not_found", NOT_FOUND.remedy, {}
    if isinstance(exc, DjangoPermissionDenied):
        return NOT_ALLOWED, "not_allowed", NOT_ALLOWED.remedy, {}
    if isinstance(exc, RequestDataTooBig):
        return TOO_LARGE, "too_large", TOO_LARGE.remedy, {}
    if isinstance(exc, SuspiciousOperation):
        return INVALID, "invalid", "The request could not be read. Check its address and headers.", {}
    if isinstance(exc, IntegrityError) and is_duplicate(exc):
        return (
            CONFLICT,
            "changed_meanwhile",
            "Somebody wrote the same thing a moment ago. Nothing was changed by this request; "
            "read it again and repeat what is still needed.",
            {},
        )
    if isinstance(exc, OperationalError):
        return BUSY, "busy", BUSY.remedy, {}
    return FAULT, "fault", FAULT.remedy, {}


def _api_reading(exc: exceptions.APIException) -> tuple[Kind, str, str, dict[str, Any]]:
    if isinstance(exc, exceptions.ParseError):
        return INVALID, "unreadable", f"The body is not valid JSON: {exc.detail} Nothing was changed.", {}
    if isinstance(exc, exceptions.AuthenticationFailed):
        return SIGN_IN, _code(exc), str(exc.detail), {}
    if isinstance(exc, exceptions.PermissionDenied):
        if str(exc.detail).startswith("CSRF Failed"):
            return (
                NOT_ALLOWED,
                "csrf_failed",
                "A browser's session may only change things with the header `X-CSRFToken`, which was missing "
                "or out of date. Load the page again and repeat what you did; nothing was changed.",
                {},
            )
        return NOT_ALLOWED, "not_allowed", NOT_ALLOWED.remedy, {}
    if isinstance(exc, exceptions.NotFound):
        own_words = str(exc.detail) != str(exceptions.NotFound.default_detail)
        return NOT_FOUND, "not_found", str(exc.detail) if own_words else NOT_FOUND.remedy, {}
    if isinstance(exc, exceptions.MethodNotAllowed):
        return NO_SUCH_METHOD, "method_not_allowed", f"{exc.detail} {NO_SUCH_METHOD.remedy}", {}
    if isinstance(exc, exceptions.UnsupportedMediaType):
        return WRONG_FORMAT, "unsupported_media_type", f"{exc.detail} {WRONG_FORMAT.remedy}", {}
    if isinstance(exc, exceptions.Throttled):
        wait = getattr(exc, "wait", None)
        wait_s = None if wait is None else int(wait)
        return TOO_MANY, "too_many_requests", TOO_MANY.remedy, {"retry_after_s": wait_s}
    return FAULT, "fault", FAULT.remedy, {}


def _code(exc: exceptions.APIException) -> str:
    codes = exc.get_codes()
    return codes if isinstance(codes, str) else exc.default_code


def _not_signed_in(request: Request | None) -> tuple[Kind, str, str, dict[str, Any]]:
    if request is not None and settings.SESSION_COOKIE_NAME in request.COOKIES:
        return (
            SIGN_IN,
            "session_expired",
            "Your session has ended. Sign in again and repeat the request; nothing was changed.",
            {},
        )
    return (
        SIGN_IN,
        "not_signed_in",
        "Sign in first: send a session cookie, or the header `Authorization: Bearer` with a token.",
        {},
    )


def _invalid(found: list[dict[str, str | None]]) -> tuple[Kind, str, str, dict[str, Any]]:
    if len(found) == 1 and found[0]["field"] is None:
        detail = found[0]["detail"] or INVALID.remedy
    else:
        fields = ", ".join(dict.fromkeys(item["field"] or "the request" for item in found))
        detail = f"Nothing was changed. Correct {fields} and send the request again."
    return INVALID, "invalid", detail, {"errors": found}


def _domain_errors(exc: DomainError) -> Iterator[dict[str, str | None]]:
    if hasattr(exc, "error_dict"):
        for name, messages in exc.message_dict.items():
            for message in messages:
                yield {"field": None if name == NON_FIELD_ERRORS else name, "detail": message}
    else:
        for message in exc.messages:
            yield {"field": None, "detail": message}


def _field_errors(detail: Any, path: str = "") -> Iterator[dict[str, str | None]]:
    """Flatten nested serializer errors; a path names fields and positions, e.g. ``readings.0.value``."""
    if isinstance(detail, Mapping):
        for name, inner in detail.items():
            own = str(name) == api_settings.NON_FIELD_ERRORS_KEY
            yield from _field_errors(inner, path if own else f"{path}.{name}".lstrip("."))
    elif isinstance(detail, list):
        for position, inner in enumerate(detail):
            nested = isinstance(inner, (Mapping, list))
            if nested and inner:
                yield from _field_errors(inner, f"{path}.{position}".lstrip("."))
            elif not nested:
                yield {"field": path or None, "detail": str(inner)}
    else:
        yield {"field": path or None, "detail": str(detail)}


def is_duplicate(error: IntegrityError) -> bool:
    """Whether a unique constraint was violated, on SQLite or PostgreSQL: somebody was faster."""
    cause = error.__cause__
    return getattr(cause, "sqlstate", None) == "23505" or getattr(cause, "sqlite_errorname", "") in (
        "SQLITE_CONSTRAINT_UNIQUE",
        "SQLITE_CONSTRAINT_PRIMARYKEY",
    )


def _line(request: Request | None) -> tuple[str, str]:
    return (str(request.method), request.path) if request is not None else ("-", "-")
