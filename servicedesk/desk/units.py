"""Units: the list, one unit with its dates, their reasons and its history, and correcting a record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.core.paginator import Page
from django.db import IntegrityError, transaction
from django.db.models import F
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from inventory.logbook.defects import open_defects
from inventory.logbook.models import TASK_CHOICES, ServiceRecord
from inventory.logbook.queries import records_of
from inventory.logbook.services import correct_record
from inventory.measures.kinds import TestMethod
from inventory.measures.stamps import Stamp, StampError, read_stamp
from inventory.recalls.queries import recalls_of
from inventory.register.aliases import known_as
from inventory.register.custody_queries import moves_of
from inventory.register.facts import changes_of
from inventory.register.models import AGENT_CHOICES, Placement, Site, Unit, UnitQuerySet
from inventory.register.queries import sites_for, unit_named, units_for
from inventory.stock.queries import moves_for
from schedules import engine
from schedules.certificates.models import Certificate
from schedules.due.models import Obligation
from schedules.due.queries import (
    DueWanted,
    Standing,
    Status,
    Work,
    attach_why,
    due_list,
    standings,
    status_on,
    unit_inputs,
    worst,
)
from schedules.due.services import refresh_units
from schedules.visits.models import Job, Visit
from servicedesk.access import Act
from servicedesk.defects_shown import defect_lines
from servicedesk.desk.claims import claims_of
from servicedesk.desk.condition import condition_context
from servicedesk.desk.facts_base import SHOWN_CHANGES, change_lines
from servicedesk.desk.fields import pick_field
from servicedesk.desk.history import METHOD_WORDS, events_of
from servicedesk.desk.listing import ListView
from servicedesk.desk.many_units import UNIT_WAYS
from servicedesk.desk.tables_shown import TableBook
from servicedesk.desk.whatif import what_if_context
from servicedesk.pages import PageView, chip, place_errors

NO_STANDING = Standing()
ON_DUTY = "on_duty"
GONE = "gone"
STATE_CHOICES = [
    ("", "On duty"),
    *((state.value, state.label) for state in Unit.State if state not in Unit.GONE),
    (GONE, "Gone for good"),
    ("all", "All"),
]


class UnitFilterForm(forms.Form):
    """What the list of units is narrowed to."""

    q = forms.CharField(
        label="Number, serial, place or site",
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    state = forms.ChoiceField(label="State", required=False, choices=STATE_CHOICES)
    agent = forms.ChoiceField(label="Agent", required=False, choices=[("", "All agents"), *AGENT_CHOICES])
    site = forms.Field(required=False)


class UnitsView(ListView):
    """The list of units."""

    acts = (Act.SEE_DESK, Act.SEE_BENCH)
    listing = "desk:units"
    thing = ("unit", "units")
    ways = UNIT_WAYS
    long_sorts = ("serial", "-serial", "-unit")
    sorts = {
        "": ("number", "pk"),
        "-unit": ("-number", "-pk"),
        "serial": ("serial", "number", "pk"),
        "-serial": ("-serial", "number", "pk"),
        "site": ("site__name", "number", "pk"),
        "-site": ("-site__name", "number", "pk"),
        "made": (F("made_first").asc(nulls_last=True), "number", "pk"),
        "-made": (F("made_first").desc(nulls_last=True), "number", "pk"),
    }
    columns = (
        ("unit", lambda line: line["row"].number),
        ("serial", lambda line: line["row"].serial),
        ("maker", lambda line: line["row"].model.maker),
        ("model", lambda line: line["row"].model.name),
        ("kind", lambda line: line["row"].model.kind_text),
        ("state", lambda line: line["row"].get_state_display()),
        ("owner", lambda line: line["row"].site.owner.name if line["row"].site else ""),
        ("site_code", lambda line: line["row"].site.code if line["row"].site else ""),
        ("site", lambda line: line["row"].site.name if line["row"].site else ""),
        ("location", lambda line: line["row"].location.number if line["row"].location else ""),
        ("place", lambda line: line["row"].location.place if line["row"].location else ""),
        ("made_first", lambda line: line["row"].made_first),
        ("made_last", lambda line: line["row"].made_last),
        ("stands", lambda line: line["chip"]["word"]),
        ("first_latest_on", lambda line: line["first"]),
    )

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show the list; a search that is exactly one number goes straight to that unit."""
        text = request.GET.get("q", "").strip()
        if text and not request.GET.get("as"):
            exact = unit_named(self.scope, text)
            if exact is not None:
                return redirect("desk:unit", exact.public_id)
        return super().get(request)

    @cached_property
    def form(self) -> UnitFilterForm:
        """The filters of the address."""
        form = UnitFilterForm(self.request.GET)
        form.fields["site"] = pick_field(
            sites_for(self.scope).select_related(None), label="Site", empty_label="All sites"
        )
        return form

    def rows(self) -> UnitQuerySet | None:
        """The units that the address asks for."""
        if not self.form.is_valid():
            return None
        wanted = self.form.cleaned_data
        rows = units_for(self.scope, wanted["q"])
        if wanted["state"] == GONE:
            rows = rows.filter(state__in=Unit.GONE)
        elif wanted["state"] in Unit.State.values:
            rows = rows.filter(state=wanted["state"])
        elif not wanted["state"]:
            rows = rows.on_duty()
        if wanted["agent"]:
            rows = rows.filter(model__agent=wanted["agent"])
        if wanted["site"]:
            rows = rows.filter(site=wanted["site"])
        return rows

    def lines(self, rows: Sequence[Unit]) -> list[dict[str, Any]]:
        """Each unit and how it stands."""
        ids = [unit.pk for unit in rows]
        stand = standings(due_list(self.scope, DueWanted()).filter(unit__in=ids), "unit_id", self.now)
        found = []
        for unit in rows:
            here = stand.get(unit.pk, NO_STANDING)
            shown = chip(here.worst, here.first_latest_on)
            found.append({"row": unit, "unit": unit, "chip": shown, "first": here.first_latest_on})
        return found

    def show(self, page: Page[Any], context: dict[str, Any], status: int) -> HttpResponse:
        """The page."""
        context |= {
            "form": self.form,
            "is_filtered": any(self.request.GET.get(name) for name in self.form.fields),
            "may_desk": self.may(Act.SEE_DESK),
            "may_import": self.may(Act.IMPORT_REGISTER),
        }
        return self.page("desk/units.html", context, status=status)


@dataclass(frozen=True, slots=True)
class Coming:
    """One obligation of a unit as its page shows it."""

    owed: Obligation
    status: Status
    chip: dict[str, Any]
    is_owners: bool
    binding_table: str
    is_tie: bool

    @property
    def has_reading(self) -> bool:
        """Whether a date stands there that a person can act on."""
        return self.status not in (Status.UNKNOWN, Status.NO_DATE, Status.UNCOVERED)


class UnitView(PageView):
    """One unit."""

    acts = (Act.SEE_DESK, Act.SEE_BENCH, Act.RECORD_VISITS)

    def get(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Show it."""
        unit = self.found(units_for(self.scope).select_related("freshness", "merged_into"), unit_id)
        if unit.merged_into is not None:
            self.told(f"{unit.number} is {unit.merged_into.number}: its history is read there.")
            return redirect("desk:unit", unit.merged_into.public_id)
        today = self.today_in(unit.site.time_zone if unit.site else "UTC")
        book = TableBook(may_confirm=self.may(Act.CONFIRM_TABLES))
        coming = self.coming(unit, today, book)
        by_table: dict[tuple[str, str], list[Coming]] = {}
        for line in coming:
            by_table.setdefault((line.owed.table_key, line.owed.table_version), []).append(line)
        fresh = getattr(unit, "freshness", None)
        grave = [line for line in coming if not line.is_owners and line.owed.is_binding]
        status = worst(line.status for line in grave)
        first = next((line.owed.latest_on for line in grave if line.status is status), None)
        may_desk = self.may(Act.SEE_DESK)
        context = {
            "crumbs": self.crumbs(unit, may_desk=may_desk),
            "unit": unit,
            "model": unit.model,
            "today": today,
            "standing": chip(status, first),
            "tables": [(book.get(*key), lines) for key, lines in by_table.items()],
            "confirm": book.notice(by_table),
            "several_tables": len(by_table) > 1,
            "is_stale": unit.state not in Unit.GONE
            and unit.site is not None
            and (fresh is None or fresh.facts_revision != unit.facts_revision),
            "findings": self.findings(unit, today),
            "defects": defect_lines(open_defects(self.scope).filter(unit=unit)),
            "events": events_of(records_of(unit, self.scope)),
            "placements": self.placements(unit),
            "open_jobs": list(
                Job.objects.filter(unit=unit, visit__state__in=Visit.OPEN)
                .filter(visit__in=Visit.objects.visible_to(self.scope))
                .select_related("visit__technician")
                .order_by("visit__planned_on", "pk")
            ),
            "charge": condition_context(unit, self.now.date(), self.scope),
            "moves": list(moves_of(unit, self.scope)[:20]),
            "stock_moves": list(moves_for(unit=unit)[:20]) if self.may(Act.SEE_BENCH) else [],
            "may_correct": self.may(Act.CORRECT_RECORDS),
            "may_change": self.may(Act.CHANGE_REGISTER),
            "aliases": list(unit.aliases.order_by("number")),
            "recalls": recalls_of(unit),
            "changes": change_lines(changes_of(unit)[:SHOWN_CHANGES]) if may_desk else [],
            "may_desk": may_desk,
            "may_settle": self.may(Act.CHANGE_REGISTER),
            **claims_of(unit),
            "what_if": what_if_context(unit, request.GET, today, book),
        }
        return self.page("desk/unit.html", context)

    def crumbs(self, unit: Unit, *, may_desk: bool) -> list[dict[str, str]]:
        """The way back up, as far as the role may go."""
        if may_desk and unit.site is not None:
            return [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": unit.site.name, "url": reverse("desk:site", args=[unit.site.public_id])},
            ]
        if self.may(Act.SEE_BENCH):
            return [{"label": "Units", "url": reverse("desk:units")}]
        return []

    def coming(self, unit: Unit, today: date, book: TableBook) -> list[Coming]:
        """The obligations of the unit: by table, soonest first, without a date last."""
        rows = list(due_list(self.scope, DueWanted(work=Work.ALL, every_table=True)).filter(unit=unit))
        attach_why(rows, self.now)
        rows.sort(
            key=lambda row: (
                row.table_key,
                row.latest_on is None,
                row.latest_on or date.max,
                row.task,
                row.pk,
            )
        )
        binding = {row.task: row for row in rows if row.is_binding}
        lines = []
        for row in rows:
            status = status_on(
                knowledge=row.knowledge,
                is_deferred=row.is_deferred,
                latest_on=row.latest_on,
                target_on=row.target_on,
                today=today,
            )
            sooner = binding.get(row.task)
            lines.append(
                Coming(
                    owed=row,
                    status=status,
                    chip=self.chip_of(row, status),
                    is_owners=_is_owners_look(row, unit),
                    binding_table=book.get(sooner.table_key, sooner.table_version).title
                    if sooner and not row.is_binding
                    else "",
                    is_tie=sooner is not None and sooner.latest_on == row.latest_on,
                )
            )
        return lines

    def chip_of(self, row: Obligation, status: Status) -> dict[str, Any]:
        """The chip of one obligation; without a date it says why there is none."""
        found = chip(status, row.latest_on)
        if status is Status.NO_DATE:
            found["word"] = engine.KNOWLEDGE_LABELS.get(engine.Knowledge(row.knowledge), found["word"])
        return found

    def findings(self, unit: Unit, today: date) -> list[str]:
        """What is wrong or doubtful in the unit's records, whatever table applies."""
        for given in unit_inputs([unit.pk]):
            return [finding.text for finding in engine.findings(given.facts, given.history, today)]
        return []

    def placements(self, unit: Unit) -> list[Placement]:
        """Where the unit hung, newest first, as far as the person may see those sites."""
        seen = Site.objects.visible_to(self.scope)
        rows = Placement.objects.filter(unit__in=known_as([unit.pk]), location__site__in=seen)
        return list(rows.select_related("location__site").order_by("-is_open", "-from_on", "-pk"))


def _is_owners_look(row: Obligation, unit: Unit) -> bool:
    return (
        row.task == "visual_inspection"
        and unit.site is not None
        and unit.site.monthly_checks_by == Site.MonthlyChecks.OWNER
    )


class CorrectForm(forms.Form):
    """What is different in the record that takes the place of another."""

    outcome = forms.ChoiceField(
        label="Result",
        choices=ServiceRecord.Outcome.choices,
        help_text="Void where it never happened. Correcting a result does not move the unit: "
        "its place and state stay as they are.",
    )
    task = forms.ChoiceField(label="Task", choices=TASK_CHOICES)
    done = forms.CharField(
        label="Date done",
        max_length=60,
        help_text="A day (2026-03-14), a month (2026-03), a year (2026), or unknown: no more than is known.",
    )
    method = forms.ChoiceField(
        label="Method of the pressure test",
        required=False,
        choices=[
            ("", "Not a pressure test, or not known"),
            *((m.value, METHOD_WORDS[m]) for m in TestMethod if m),
        ],
    )
    remarks = forms.CharField(
        label="Remarks", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 3})
    )
    reason = forms.CharField(
        label="Why it is corrected",
        max_length=150,
        help_text="Stays with both records, beside your name.",
        error_messages={"required": "Say why the earlier record is corrected."},
    )

    def __init__(self, *args: Any, record: ServiceRecord, today: date, **kwargs: Any) -> None:
        self.record, self.today = record, today
        initial = {
            "outcome": record.outcome,
            "task": record.task,
            "done": str(record.done),
            "method": record.method,
            "remarks": record.remarks,
        }
        kwargs["initial"] = initial
        super().__init__(*args, **kwargs)

    def clean_done(self) -> Stamp:
        """The date as precisely as it was typed; an ambiguous one is asked for again, not guessed."""
        text = self.cleaned_data["done"]
        if text == self.initial["done"]:
            return self.record.done
        try:
            reading = read_stamp(text, today=self.today, not_before=self.record.unit.made_first)
        except StampError as error:
            raise ValidationError(error.sentence) from error
        if reading.doubts:
            raise ValidationError(f"{reading.doubts[0]} Write it like 2026-03-14 or 2026-03.")
        return reading.stamp

    def clean(self) -> dict[str, Any]:
        """At least one change beside the reason."""
        given = super().clean() or {}
        if not self.errors and not self.changes():
            raise ValidationError("Nothing is different from the record as it stands. Change what was wrong.")
        return given

    def changes(self) -> dict[str, Any]:
        """What is different."""
        return {
            name: self.cleaned_data[name]
            for name in ("outcome", "task", "done", "method", "remarks")
            if self.cleaned_data[name] != getattr(self.record, name)
        }


class CorrectView(PageView):
    """Correct one record: a new one takes its place, and the unit's dates move with it."""

    acts = (Act.CORRECT_RECORDS,)

    def get(self, request: HttpRequest, unit_id: UUID, record_id: UUID) -> HttpResponse:
        """Show the form."""
        record = self.record(unit_id, record_id)
        return self.show(record, CorrectForm(record=record, today=self.today(record)))

    def post(self, request: HttpRequest, unit_id: UUID, record_id: UUID) -> HttpResponse:
        """Add the correction."""
        record = self.record(unit_id, record_id)
        form = CorrectForm(request.POST, record=record, today=self.today(record))
        if form.is_valid():
            try:
                with transaction.atomic():
                    new = correct_record(
                        record,
                        reason=form.cleaned_data["reason"],
                        by=self.person,
                        at=self.now,
                        **form.changes(),
                    )
                    refresh_units([record.unit_id], now=self.now)
            except ValidationError as problem:
                place_errors(form, problem)
            except IntegrityError:
                form.add_error(
                    None,
                    "Somebody corrected this record a moment ago. Look at the unit first.",
                )
            else:
                self.told(
                    f"Record {record.sequence} was corrected by record {new.sequence}; "
                    "the dates were worked out again."
                )
                self.mention_certificate(record)
                return redirect("desk:unit", record.unit.public_id)
        return self.show(record, form, status=400)

    def record(self, unit_id: UUID, record_id: UUID) -> ServiceRecord:
        """The record in scope."""
        rows = ServiceRecord.objects.visible_to(self.scope).select_related(
            "unit__model", "unit__site", "site", "corrected_by"
        )
        found = rows.filter(unit__public_id=unit_id, client_ref=record_id).first()
        if found is None:
            raise Http404
        return found

    def today(self, record: ServiceRecord) -> date:
        """The civil date where the record was made."""
        site = record.site or record.unit.site
        return self.today_in(site.time_zone if site else "UTC")

    def mention_certificate(self, record: ServiceRecord) -> None:
        """Say which certificate still states the earlier record."""
        if record.visit_ref is None:
            return
        paper = Certificate.objects.filter(
            visit__public_id=record.visit_ref, replaced_by__isnull=True
        ).first()
        if paper is not None:
            self.warn(
                f"Certificate {paper.number} still states the earlier record. "
                "Issue it again if the owner relies on it."
            )

    def show(self, record: ServiceRecord, form: CorrectForm, status: int = 200) -> HttpResponse:
        """The page."""
        unit = record.unit
        context = {
            "crumbs": [
                {"label": "Units", "url": reverse("desk:units")},
                {"label": unit.number, "url": reverse("desk:unit", args=[unit.public_id])},
            ],
            "unit": unit,
            "record": record,
            "event": events_of([record])[0],
            "form": form,
        }
        return self.page("desk/correct.html", context, status=status)
