"""Background jobs of the edges."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from inventory.logbook.photos import forget_unfinished
from servicedesk import health
from servicedesk.api.idempotency import forget_answers
from servicedesk.exchange import runs as imports
from servicedesk.handover import runs as handovers
from servicedesk.notices.deadlines import start_deadlines
from servicedesk.notices.sending import send_waiting
from servicedesk.notices.writing import write_all


@shared_task(name="servicedesk.tasks.heartbeat")
def heartbeat() -> None:
    """Leave a mark that beat, broker and worker are all alive."""
    health.mark_beat()


@shared_task(name="servicedesk.tasks.forget_old_answers")
def forget_old_answers() -> int:
    """Delete answers of the API that nobody repeats a request for any more; return how many."""
    return forget_answers(now=timezone.now())


@shared_task(name="servicedesk.tasks.forget_unfinished_photos")
def forget_unfinished_photos() -> int:
    """Drop photos that were begun long ago and never finished; return how many."""
    return forget_unfinished(now=timezone.now())


@shared_task(name="servicedesk.tasks.write_handover")
def write_handover(run_id: int) -> bool:
    """Write the file of a handover; True when it is done."""
    return handovers.work_on(run_id)


@shared_task(name="servicedesk.tasks.resume_handovers")
def resume_handovers() -> int:
    """Nudge every handover that no living worker is busy with, drop old files; return how many."""
    waiting = handovers.waiting_runs(timezone.now())
    for run_id in waiting:
        write_handover.delay(run_id)
    return len(waiting)


@shared_task(name="servicedesk.tasks.write_notices")
def write_notices() -> int:
    """Start legal clocks and write every mail that is to be told and was not; return how many."""
    now = timezone.now()
    start_deadlines(now)
    return write_all(now)


@shared_task(name="servicedesk.tasks.send_notices")
def send_notices() -> int:
    """Send what waits, batch by batch; return how many were sent."""
    sent = 0
    while done := send_waiting(timezone.now()):
        sent += done
    return sent


@shared_task(name="servicedesk.tasks.work_on_import")
def work_on_import(run_id: int) -> bool:
    """Do one step of bringing in a register; what is left is a message of its own. True when more is left."""
    more = imports.work_on(run_id)
    if more:
        work_on_import.delay(run_id)
    return more


@shared_task(name="servicedesk.tasks.resume_imports")
def resume_imports() -> int:
    """Nudge every import that no living worker is busy with; return how many."""
    waiting = imports.waiting_runs(timezone.now())
    for run_id in waiting:
        work_on_import.delay(run_id)
    return len(waiting)
