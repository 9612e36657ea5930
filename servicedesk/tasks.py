"""Background jobs of the edges."""

from __future__ import annotations

from celery import shared_task

from servicedesk import health


@shared_task(name="servicedesk.tasks.heartbeat")
def heartbeat() -> None:
    """Leave a mark that beat, broker and worker are all alive."""
    health.mark_beat()
