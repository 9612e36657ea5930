"""Units that are away from their duty: since when, what falls due on them, and whether they have a card."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse

from inventory.logbook.models import ServiceRecord
from inventory.logbook.queries import last_records
from inventory.measures.kinds import Task
from inventory.register.models import Unit
from inventory.register.queries import units_for
from inventory.workshop.models import JobCard
from inventory.workshop.queries import units_with_open_card
from schedules.due.models import Obligation
from schedules.due.queries import DueWanted, Status, due_list, status_on
from servicedesk.access import Act
from servicedesk.desk.tables_shown import TableBook
from servicedesk.pages import PageView, chip

# What a workshop opens a unit for; the rest is done on site.
BENCH_TASKS = (
    Task.HYDROSTATIC_TEST,
    Task.REQUALIFICATION,
    Task.INTERNAL_EXAMINATION,
    Task.EXTENDED_SERVICE,
    Task.WORKSHOP_SERVICE,
    Task.DISCHARGE_TEST,
    Task.RECHARGE,
    Task.HOSE_TEST,
    Task.RETIREMENT,
)
TESTS = frozenset({Task.HYDROSTATIC_TEST, Task.REQUALIFICATION})
NOT_PROVED = frozenset({Status.OVERDUE, Status.UNKNOWN, Status.UNCOVERED})
AWAY = (Unit.State.IN_WORKSHOP, Unit.State.AWAITING_RECHARGE)
MAX_UNITS = 400

CAUTIONS = (
    "A unit past its test date, or of unknown test date, must not be charged before it has been tested.",
    "A unit at the end of its life is not tested and not charged: it is condemned.",
    "Under pressure until proved empty: a blocked tube can hide a full charge behind a gauge at zero.",
)
STATE_CHOICES = [("", "All"), *((state.value, state.label) for state in AWAY)]
NEED_CHOICES = [("", "Anything"), ("test", "A test before charging"), ("end", "End of life")]


class BenchFilterForm(forms.Form):
    """What the list is narrowed to."""

    q = forms.CharField(
        label="Number, serial, place or site",
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    state = forms.ChoiceField(label="State", required=False, choices=STATE_CHOICES)
    need = forms.ChoiceField(label="Needs", required=False, choices=NEED_CHOICES)


@dataclass(slots=True)
class BenchUnit:
    """One unit that is away from its duty."""

    unit: Unit
    record: ServiceRecord | None
    days: int | None
    owed: list[dict[str, Any]] = field(default_factory=list)
    needs_test: bool = False
    has_ended: bool = False
    card: JobCard | None = None


class WaitingView(PageView):
    """Units in the workshop and those that wait for a recharge, by site."""

    acts = (Act.SEE_BENCH,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them, those that wait longest first within each site."""
        form = BenchFilterForm(request.GET)
        is_valid = form.is_valid()
        given = form.cleaned_data if is_valid else {}
        rows = (
            units_for(self.scope, given.get("q", "")).filter(state__in=AWAY)
            if is_valid
            else Unit.objects.none()
        )
        if given.get("state"):
            rows = rows.filter(state=given["state"])
        units = list(rows.order_by("site__name", "number", "pk")[: MAX_UNITS + 1])
        book = TableBook()
        lines = self.lines(units[:MAX_UNITS])
        used = {(owed["row"].table_key, owed["row"].table_version) for line in lines for owed in line.owed}
        if given.get("need") == "test":
            lines = [line for line in lines if line.needs_test]
        elif given.get("need") == "end":
            lines = [line for line in lines if line.has_ended]
        context = {
            "form": form,
            "sites": _by_site(lines),
            "count": len(lines),
            "is_cut": len(units) > MAX_UNITS,
            "needs_test": sum(line.needs_test for line in lines),
            "cautions": CAUTIONS,
            "confirm": book.notice(used),
            "is_filtered": any(request.GET.get(name) for name in form.fields),
            "may_desk": self.may(Act.SEE_DESK),
            "may_work": self.may(Act.WORK_BENCH),
        }
        return self.page("bench/waiting.html", context, status=200 if is_valid else 400)

    def lines(self, units: list[Unit]) -> list[BenchUnit]:
        """Each unit with its last record and what a workshop would do on it."""
        ids = [unit.pk for unit in units]
        records = last_records(ids)
        cards = units_with_open_card(ids)
        owed: dict[int, list[Obligation]] = defaultdict(list)
        rows = due_list(self.scope, DueWanted()).filter(unit__in=ids, task__in=BENCH_TASKS)
        for row in rows.order_by("unit_id", "latest_on", "pk"):
            owed[row.unit_id].append(row)
        found = [self.line(unit, records.get(unit.pk), owed[unit.pk]) for unit in units]
        for line in found:
            line.card = cards.get(line.unit.pk)
        return found

    def line(self, unit: Unit, record: ServiceRecord | None, owed: Iterable[Obligation]) -> BenchUnit:
        """One unit."""
        today = self.today_in(unit.site.time_zone if unit.site else "UTC")
        found = BenchUnit(unit, record, _days_since(record, today))
        for row in owed:
            status = status_on(
                knowledge=row.knowledge,
                is_deferred=row.is_deferred,
                latest_on=row.latest_on,
                target_on=row.target_on,
                today=today,
            )
            if row.task in TESTS and status in NOT_PROVED:
                found.needs_test = True
            if row.task == Task.RETIREMENT and status is Status.OVERDUE:
                found.has_ended = True
            if status not in (Status.IN_DATE, Status.NO_DATE) or row.task in TESTS:
                found.owed.append({"row": row, "chip": chip(status, row.latest_on)})
        # At the end of its life a test changes nothing: the one advice must not hide the other.
        found.needs_test = found.needs_test and not found.has_ended
        return found


def _days_since(record: ServiceRecord | None, today: date) -> int | None:
    if record is None or record.done_first is None:
        return None
    return max((today - record.done_first).days, 0)


def _by_site(lines: Iterable[BenchUnit]) -> list[dict[str, Any]]:
    """The units by site, longest away first; those of unknown day before them all."""
    groups: dict[int | None, list[BenchUnit]] = defaultdict(list)
    for line in lines:
        groups[line.unit.site_id].append(line)
    return [
        {
            "site": found[0].unit.site,
            "units": sorted(
                found, key=lambda line: (line.days is not None, -(line.days or 0), line.unit.number)
            ),
        }
        for found in groups.values()
    ]
