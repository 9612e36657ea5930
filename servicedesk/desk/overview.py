"""The first page of the desk: what needs doing, each figure leading to the list behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.http import urlencode

from inventory.register.models import Site, Unit
from inventory.register.queries import units_by_state
from schedules.due.queries import DueWanted, Standing, Status, tables_in_use
from schedules.due.tallies import Tallied
from schedules.visits.models import Visit
from schedules.visits.queries import left_open, loads, planned_within, visits_for
from servicedesk.access import Act
from servicedesk.desk.tables_shown import TableBook
from servicedesk.pages import PageView, chip

WORST_SITES = 8
COMING_DAYS = 1
SHOWN_VISITS = 14


@dataclass(frozen=True, slots=True)
class Figure:
    """A number that leads to its list."""

    value: int
    word: str
    url: str
    tone: str = ""
    note: str = ""


def address(name: str, **query: Any) -> str:
    """The address of a list with its filters."""
    return reverse(name) + (f"?{urlencode(query)}" if query else "")


class OverviewView(PageView):
    """Counts, the visits of today and tomorrow, and the sites that stand worst."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show it."""
        tallied = Tallied(self.scope, DueWanted(), self.now)
        states = units_by_state(self.scope)
        book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
        confirm = book.notice(tables_in_use(self.scope, self.now))
        coming = visits_for(self.scope).filter(planned_within(self.now, first_day=0, last_day=COMING_DAYS))
        # Said by what they are, which leads along an index.
        planned = coming.filter(state__in=[state for state in Visit.State if state != Visit.State.CANCELLED])
        visits = list(planned[: SHOWN_VISITS + 1])
        number = len(visits) if len(visits) <= SHOWN_VISITS else planned.order_by().count()
        visits = visits[:SHOWN_VISITS]
        held = loads(visit.pk for visit in visits)
        context = {
            "due": self.due_figures(tallied.counts()),
            "units": self.unit_figures(states),
            "visits": self.visit_figures(),
            "coming": [{"visit": visit, "load": held.get(visit.pk)} for visit in visits],
            "coming_more": number - len(visits),
            "worst_sites": self.worst_sites(tallied.gravest(WORST_SITES)),
            "confirm": confirm,
            "is_new": not any(states.values()),
        }
        return self.page("desk/overview.html", context)

    def due_figures(self, counts: Mapping[Status, int]) -> list[Figure]:
        """Tasks by how they stand."""
        figures = (
            (Status.OVERDUE, "Overdue", "overdue", "past the latest date"),
            (Status.DUE, "Due", "soon", "meant for now, or late within 30 days"),
            (Status.UNKNOWN, "Date unknown", "unknown", "due now, until somebody looks"),
            (Status.UNCOVERED, "No rule covers it", "unknown", "counted in tasks; units are under Findings"),
        )
        return [
            Figure(
                counts[status],
                word,
                address("desk:due", status=status.value),
                tone if counts[status] else "",
                note,
            )
            for status, word, tone, note in figures
        ]

    def unit_figures(self, states: dict[str, int]) -> list[Figure]:
        """Units on duty, and those that do not hang where they should."""
        on_duty = sum(number for state, number in states.items() if state not in Unit.GONE)
        found = [Figure(on_duty, "Units on duty", address("desk:units"), "", "all that must be kept working")]
        for state, word, tone in (
            (Unit.State.AWAITING_RECHARGE, "Awaiting recharge", "away"),
            (Unit.State.IN_WORKSHOP, "In the workshop", "away"),
            (Unit.State.NOT_FOUND, "Not found", "unknown"),
        ):
            number = states[state]
            found.append(
                Figure(number, word, address("desk:units", state=state.value), tone if number else "")
            )
        return found

    def visit_figures(self) -> list[Figure]:
        """Visits today and this week, drafts, and those whose day passed without an end."""
        rows = visits_for(self.scope).order_by().select_related(None)
        left_out = (Visit.State.CANCELLED, Visit.State.PROPOSED)
        going = rows.filter(state__in=[state for state in Visit.State if state not in left_out])
        today = going.filter(planned_within(self.now, first_day=0, last_day=0)).count()
        week = going.filter(planned_within(self.now, first_day=0, last_day=6)).count()
        drafts = rows.filter(state=Visit.State.PROPOSED).count()
        late = rows.filter(left_open(self.now)).count()
        return [
            Figure(today, "Visits today", address("desk:visits", days="today")),
            Figure(week, "Visits in seven days", address("desk:visits", days="week"), "", "today included"),
            Figure(
                drafts, "Open proposals", address("desk:visits", state="proposed"), "soon" if drafts else ""
            ),
            Figure(
                late, "Day passed, not closed", address("desk:visits", days="late"), "overdue" if late else ""
            ),
        ]

    def worst_sites(self, grave: Mapping[int, Standing]) -> list[dict[str, Any]]:
        """The sites with most overdue work."""
        sites = Site.objects.select_related("owner").in_bulk(list(grave))
        return [
            {
                "site": sites[pk],
                "overdue": stand.counts.get(Status.OVERDUE, 0),
                "unknown": stand.counts.get(Status.UNKNOWN, 0),
                "chip": chip(stand.worst, stand.first_latest_on),
                "due_url": address("desk:due", site=sites[pk].public_id),
            }
            for pk, stand in grave.items()
        ]
