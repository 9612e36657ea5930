"""Background jobs of the edges."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from servicedesk import health
from servicedesk.api.idempotency import forget_answers


@shared_task(name="servicedesk.tasks.heartbeat")
def heartbeat() -> None:
    """Leave a mark that beat, broker and worker are all alive."""
    health.mark_beat()


@shared_task(name="servicedesk.tasks.forget_old_answers")
def forget_old_answers() -> int:
    """Delete answers of the API that nobody repeats a request for any more; return how many."""
    return forget_answers(now=timezone.now())
