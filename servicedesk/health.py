"""Whether the installation works: database, broker and the periodic jobs.

The last heartbeat is what tells: beat sends one every few seconds, a worker writes the instant into
the broker. A web server that answers while the jobs stand still would let due dates go stale unseen.
"""

from __future__ import annotations

from datetime import datetime, timedelta

import redis
from django.conf import settings
from django.db import DatabaseError, connection
from django.http import HttpRequest, JsonResponse
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

_KEY = "servicedesk:last-beat"
PROOF_HEADER = "X-Installation-Proof"
CHALLENGE_LENGTH = 64
# Several periods, so that a worker busy with a long document is not called dead.
STALE_AFTER = timedelta(seconds=180)


def _client() -> redis.Redis:
    return redis.Redis.from_url(
        settings.BROKER_CLIENT_URL, socket_timeout=2, socket_connect_timeout=2, decode_responses=True
    )


def mark_beat(at: datetime | None = None) -> None:
    """Write down that a heartbeat arrived ``at`` (default: now)."""
    with _client() as client:
        client.set(_KEY, (at or timezone.now()).isoformat())


def state(now: datetime) -> dict[str, str | None]:
    """The state of each part, in words: ``ok`` or what is wrong with it."""
    parts: dict[str, str | None] = {"database": "ok", "broker": "ok", "jobs": "ok", "last_beat_at": None}
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        parts["database"] = "no answer"
    try:
        with _client() as client:
            last = client.get(_KEY)
    except redis.RedisError:
        parts["broker"] = "no answer"
        parts["jobs"] = "unknown"
    else:
        if not isinstance(last, str):
            parts["jobs"] = "no heartbeat yet"
        else:
            parts["last_beat_at"] = last
            if now - datetime.fromisoformat(last) > STALE_AFTER:
                parts["jobs"] = "standing still"
    well = parts["database"] == parts["broker"] == parts["jobs"] == "ok"
    return {"status": "ok" if well else "trouble", **parts}


def proof(challenge: str) -> str:
    """What only this installation can say to ``challenge``: its secret key and data folder are needed."""
    return salted_hmac(
        "servicedesk.health.proof", f"{settings.DATA_DIR}\n{challenge}", algorithm="sha256"
    ).hexdigest()


@never_cache
@require_safe
def healthz(request: HttpRequest) -> JsonResponse:
    """Answer 200 when every part works, else 503 with the part that does not; names nothing else.

    Whoever sends a challenge and holds the key too learns from the proof that this is not another server.
    """
    found = state(timezone.now())
    response = JsonResponse(found, status=200 if found["status"] == "ok" else 503)
    challenge = request.GET.get("challenge", "")
    if challenge:
        response[PROOF_HEADER] = proof(challenge[:CHALLENGE_LENGTH])
    return response
