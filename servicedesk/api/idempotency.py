"""One effect and one answer, however often an unsafe call is sent.

The client makes a key and sends it as ``Idempotency-Key`` (draft of the IETF HTTPAPI group). The key is
claimed by a unique row in the same transaction as the effect: whoever comes second with the same key
waits for the first at that row, then reads its answer. A refused call leaves no row, because it changed
nothing; the same key may be sent again once the request is corrected.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.db import IntegrityError, transaction
from rest_framework.exceptions import ValidationError
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from servicedesk.api.errors import KeyReused
from servicedesk.api.models import IdempotentAnswer

HEADER = "Idempotency-Key"
REPLAYED = "Idempotency-Replayed"
MAX_LENGTH = 120
# Longer than any phone keeps a request that it could not send.
KEEP_DAYS = 90
_CLAIMED = 0


class _KeyTaken(Exception):
    """The key is already claimed; the transaction that found out is to be rolled back."""


def read_key(request: Request, *, required: bool) -> str | None:
    """The key of ``request``, bare or in the quotes of a structured header; None where none was sent.

    Raises ``ValidationError`` for a key that is missing though required, empty, too long or not plain
    ASCII.
    """
    raw = request.headers.get(HEADER)
    if raw is None:
        if required:
            raise ValidationError(
                {HEADER: "Send a UUID of your own, the same one on every repeat of this request."}
            )
        return None
    key = raw.strip()
    if len(key) >= 2 and key[0] == key[-1] == '"':
        key = key[1:-1]
    if not key or len(key) > MAX_LENGTH or not key.isascii() or not key.isprintable():
        raise ValidationError({HEADER: f"Send 1 to {MAX_LENGTH} printable ASCII characters, best a UUID."})
    return key


def answer_once(request: Request, act: Callable[[], Response], *, required: bool) -> Response:
    """Run ``act`` in one transaction, or give again what it answered to the same key before.

    Raises ``KeyReused`` when the key came before with another request.
    """
    key = read_key(request, required=required)
    if key is None:
        with transaction.atomic():
            return act()
    digest = request_digest(request)
    try:
        with transaction.atomic():
            answer = _claim(request, key, digest)
            response = act()
            answer.status = response.status_code
            answer.body = (
                json.loads(JSONRenderer().render(response.data)) if response.data is not None else {}
            )
            answer.save(update_fields=["status", "body"])
            return response
    except _KeyTaken:
        stored = IdempotentAnswer.objects.get(user=request.user.pk, key=key)
        if stored.request_digest != digest:
            raise KeyReused from None
        body = None if stored.status == 204 else stored.body
        return Response(body, status=stored.status, headers={REPLAYED: "true"})


def request_digest(request: Request) -> str:
    """SHA-256 over method, address and content; the order of members in a JSON object does not matter."""
    content = json.dumps(request.data, sort_keys=True, default=str)
    return hashlib.sha256("\n".join((str(request.method), request.path, content)).encode()).hexdigest()


def forget_answers(*, now: datetime) -> int:
    """Delete answers that nobody repeats a request for any more; return how many."""
    deleted, _ = IdempotentAnswer.objects.filter(created_at__lt=now - timedelta(days=KEEP_DAYS)).delete()
    return deleted


def _claim(request: Request, key: str, digest: str) -> IdempotentAnswer:
    fields: dict[str, Any] = {
        "user_id": request.user.pk,
        "request_digest": digest,
        "status": _CLAIMED,
        "body": {},
    }
    # Looked up first, so that an ordinary repeat costs no failed insert; the constraint settles the rest.
    if IdempotentAnswer.objects.filter(user=request.user.pk, key=key).exists():
        raise _KeyTaken
    try:
        # With a savepoint of its own: only this insert's violation means that the key is taken.
        with transaction.atomic():
            return IdempotentAnswer.objects.create(key=key, **fields)
    except IntegrityError as error:
        raise _KeyTaken from error
