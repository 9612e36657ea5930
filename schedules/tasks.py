"""Background jobs. A message is only a nudge: each job asks the data what is due and not yet done."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from inventory.condition.services import refresh_condition
from inventory.register.agreed import put_in_force
from schedules.certificates import services as certificates
from schedules.certificates.handing_over import apply_due_owner_changes
from schedules.due import forecast_runs, months, tallies
from schedules.due import services as due
from schedules.outlook import services as outlooks
from schedules.quotations.services import put_prices_in_force
from schedules.routes import runs
from schedules.visits.queries import planned_days
from schedules.visits.using import book_used


@shared_task
def refresh_due_nightly() -> dict[str, int]:
    """Let sites go to new owners, then bring every stale unit up to date; a second run changes nothing.

    Some tallies are then looked over, each hour others.
    """
    apply_due_owner_changes(now=timezone.now())
    done = due.refresh_stale(now=timezone.now())
    wrong = tallies.look_over(timezone.now())
    return {
        "computed": done.computed,
        "written": done.written,
        "removed": done.removed,
        "wrong_tallies": wrong,
    }


@shared_task
def render_waiting_certificates() -> int:
    """Make the PDF of every certificate that has none yet; return how many were made."""
    return certificates.render_waiting()


@shared_task
def work_out_outlook(outlook_id: int) -> bool:
    """Work on an outlook for one slice; what is left is a message of its own. True when more is left."""
    more = outlooks.work_on(outlook_id)
    if more:
        work_out_outlook.delay(outlook_id)
    return more


@shared_task
def work_out_waiting_outlooks() -> int:
    """Go on with outlooks that no living worker is busy with; return how many were found."""
    found = outlooks.waiting_outlooks(timezone.now())
    for outlook_id in found:
        work_out_outlook.delay(outlook_id)
    return len(found)


@shared_task
def search_plan(run_id: int) -> None:
    """Search for a better plan for one slice, then let others have their turn."""
    if runs.work_on(run_id):
        search_plan.delay(run_id)


@shared_task
def resume_plan_searches() -> int:
    """Nudge every search that no living worker is busy with; return how many."""
    waiting = runs.waiting_runs(timezone.now())
    for run_id in waiting:
        search_plan.delay(run_id)
    return len(waiting)


@shared_task
def write_site_months() -> int:
    """Keep how every site stands in its running month, then fill past months that are missing."""
    written = months.write_months(timezone.now())
    fill_site_months.delay()
    return written


@shared_task
def fill_site_months() -> int:
    """Work out the past months of some sites that lack them; what is left is a message of its own."""
    left = months.fill_months(timezone.now())
    if left:
        fill_site_months.delay()
    return left


@shared_task
def refresh_condition_nightly() -> dict[str, int]:
    """Take up the readings that came since the last run; a second run reads and writes nothing."""
    done = refresh_condition(now=timezone.now())
    return {"read": done.read, "written": done.written, "groups": done.groups}


@shared_task
def follow_terms() -> dict[str, int]:
    """Put terms and prices in force whose day has come; a second run writes nothing."""
    now = timezone.now()
    return {"sites": put_in_force(now), "prices": put_prices_in_force(now)}


@shared_task
def roll_forecast(run_id: int) -> bool:
    """Roll one slice of a forecast; what is left is a message of its own. True when more is left."""
    more = forecast_runs.work_on(run_id, planned_of=planned_days)
    if more:
        roll_forecast.delay(run_id)
    return more


@shared_task
def resume_forecasts() -> int:
    """Nudge every forecast that no living worker is busy with; return how many."""
    waiting = forecast_runs.waiting_runs(timezone.now())
    for run_id in waiting:
        roll_forecast.delay(run_id)
    return len(waiting)


@shared_task
def book_used_on_visits() -> int:
    """Book the seals and labels of closed visits out of the vans; return for how many units."""
    return book_used(now=timezone.now())
