"""Pages of the workshop's instruments and of the values it judges by."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.workshop import upkeep
from inventory.workshop.models import Instrument
from inventory.workshop.queries import current_values, instruments
from inventory.workshop.values import return_clocks
from servicedesk.access import Act
from servicedesk.bench.forms import CalibrationForm, InstrumentForm, ValueForm
from servicedesk.pages import PageView, place_errors


def _crumbs(*more: tuple[str, str]) -> list[dict[str, str]]:
    return [
        {"label": "Workshop", "url": reverse("bench:home")},
        *({"label": label, "url": reverse(name)} for label, name in more),
    ]


class InstrumentsView(PageView):
    """All instruments with their calibration; adding one."""

    acts = (Act.SEE_BENCH,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        return self._show(InstrumentForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Take a new one into use."""
        self.demand(Act.WORK_BENCH)
        form = InstrumentForm(request.POST)
        if form.is_valid():
            try:
                row = upkeep.add_instrument(**form.cleaned_data)
            except ValidationError as refused:
                place_errors(form, refused)
            else:
                self.told(f"{row.code} taken into use.")
                return redirect("bench:instruments")
        return self._show(form, status=400)

    def _show(self, form: InstrumentForm, status: int = 200) -> HttpResponse:
        today = self.now.date()
        rows = []
        for row in instruments(with_retired=True):
            state: dict[str, Any]
            if row.is_retired:
                state = {"tone": "none", "word": "Out of use"}
            elif row.due_on is None:
                state = {"tone": "unknown", "word": "Calibration not known"}
            elif row.due_on < today:
                state = {"tone": "overdue", "word": "Past its calibration", "on": row.due_on}
            elif (row.due_on - today).days <= 30:
                state = {"tone": "soon", "word": "Runs out", "on": row.due_on}
            else:
                state = {"tone": "ok", "word": "In calibration until", "on": row.due_on}
            rows.append({"row": row, "state": state, "last": list(row.calibrations.all())[-1:]})
        context = {"rows": rows, "form": form, "may_work": self.may(Act.WORK_BENCH), "crumbs": _crumbs()}
        return self.page("bench/instruments.html", context, status=status)


class InstrumentView(PageView):
    """Calibrating one instrument, or taking it out of use."""

    acts = (Act.WORK_BENCH,)

    def get(self, request: HttpRequest, instrument_id: UUID) -> HttpResponse:
        """Show its history."""
        row = self.found(Instrument.objects.all(), instrument_id)
        return self._show(row, CalibrationForm(initial={"version": row.version}))

    def post(self, request: HttpRequest, instrument_id: UUID) -> HttpResponse:
        """Enter a calibration, or retire it."""
        do = self.pressed("retire", "")
        row = self.found(Instrument.objects.all(), instrument_id)
        try:
            if do == "retire":
                upkeep.retire_instrument(row, version=int(request.POST.get("version") or 0))
                self.told(f"{row.code} is out of use.")
                return redirect("bench:instruments")
            form = CalibrationForm(request.POST)
            if form.is_valid():
                given: dict[str, Any] = form.cleaned_data
                upkeep.calibrate(row, **given, by=self.person, now=self.now)
                self.told(f"{row.code} is calibrated until {given['due_on']:%-d %b %Y}.")
                return redirect("bench:instruments")
        except ValidationError as refused:
            place_errors(form, refused)
        except (Conflict, ValueError) as conflict:
            if isinstance(conflict, Conflict):
                self.refused(conflict)
            return redirect("bench:instrument", instrument_id=row.public_id)
        return self._show(row, form, status=400)

    def _show(self, row: Instrument, form: forms.Form, status: int = 200) -> HttpResponse:
        context = {
            "row": row,
            "form": form,
            "calibrations": list(row.calibrations.order_by("-pk").select_related("made_by")),
            "crumbs": _crumbs(("Instruments", "bench:instruments")),
        }
        return self.page("bench/instrument.html", context, status=status)


class ValuesView(PageView):
    """What the workshop judges by where no nameplate says otherwise; a manager may change each."""

    acts = (Act.SEE_BENCH,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        return self._show(None)

    def post(self, request: HttpRequest) -> HttpResponse:
        """Put a manager's figures in the place of shipped ones."""
        self.demand(Act.SET_WORKSHOP_VALUES)
        form = ValueForm(request.POST)
        if form.is_valid():
            given = form.cleaned_data
            try:
                upkeep.change_value(
                    given["key"], given["value"], reason=given["reason"], by=self.person, now=self.now
                )
            except ValidationError as refused:
                place_errors(form, refused)
            else:
                self.told("Changed. Cards are judged by it from now on; what was judged stays as it was.")
                return redirect("bench:values")
        return self._show(form, status=400)

    def _show(self, wrong: ValueForm | None, status: int = 200) -> HttpResponse:
        key = wrong.data.get("key") if wrong is not None else None
        rows = []
        for value in current_values().values():
            form = (
                wrong
                if value.key == key
                else ValueForm(initial={"key": value.key}, auto_id=f"{value.key}_%s")
            )
            rows.append({"value": value, "form": form, "is_open": value.key == key})
        context = {
            "rows": rows,
            "clocks": return_clocks(),
            "may_set": self.may(Act.SET_WORKSHOP_VALUES),
            "crumbs": _crumbs(),
        }
        return self.page("bench/values.html", context, status=status)
