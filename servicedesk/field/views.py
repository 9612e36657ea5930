"""The technician's pages. Every post goes through the same services as the REST API."""

from __future__ import annotations

import uuid
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import F, Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.register.agreed import agreed_for
from inventory.register.models import Unit, UnitModel, local_today
from schedules.certificates.models import Certificate
from schedules.certificates.queries import certificates_for
from schedules.certificates.services import close_with_certificate
from schedules.due.models import Obligation
from schedules.due.queries import Status, status_on
from schedules.visits.models import Visit, VisitEntry
from schedules.visits.recording import add_entry, tally
from servicedesk.access import Act
from servicedesk.field.cautions import caution_words, cautions_for
from servicedesk.field.forms import CloseForm, EntryForm, Habit, habit_of
from servicedesk.field.rounds import (
    OPEN_TO_TECHNICIAN,
    Round,
    Stop,
    days_of,
    find,
    round_of,
    steps_of,
    stop_of,
    visits_of,
    with_reasons,
)
from servicedesk.pages import PageView, chip
from servicedesk.portal.papers import pdf_answer
from servicedesk.portal.words import say_stamp

SHOWN_REMAINING = 40
# What the people on site have to hear before the technician leaves.
READ_OUT = (
    VisitEntry.Result.FAILED,
    VisitEntry.Result.REMOVED,
    VisitEntry.Result.REPLACED,
    VisitEntry.Result.NOT_FOUND,
    VisitEntry.Result.NO_ACCESS,
)


class FieldView(PageView):
    """Base of the technician's pages: own visits only."""

    acts = (Act.RECORD_VISITS,)

    def visit_or_404(self, public_id: UUID) -> Visit:
        """The technician's own visit; anybody else's is not found."""
        visit = (
            visits_of(self.scope).select_related("site", "site__owner").filter(public_id=public_id).first()
        )
        if visit is None:
            raise Http404
        return visit

    def survey_only(self, visit: Visit) -> HttpResponse | None:
        """Back to the round of a survey, which says where it is walked; None for a service visit."""
        if visit.kind != Visit.Kind.SURVEY:
            return None
        return redirect("field:round", visit_id=visit.public_id)

    def crumbs(self, visit: Visit | None = None) -> list[dict[str, str]]:
        """The way back up."""
        found = [{"label": "My visits", "url": reverse("field:plain")}]
        if visit is not None:
            found.append(
                {"label": f"Visit {visit.number}", "url": reverse("field:round", args=[visit.public_id])}
            )
        return found


class HomeView(FieldView):
    """Own visits: today, the coming days, and what was left open."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the list."""
        return self.page("field/home.html", {"days": days_of(self.scope, self.now)})


class RoundView(FieldView):
    """One visit: its units in walking order, and finding one by its number."""

    def get(self, request: HttpRequest, visit_id: UUID) -> HttpResponse:
        """Show the round, or go straight to the unit that a typed number names."""
        visit = self.visit_or_404(visit_id)
        is_survey = visit.kind == Visit.Kind.SURVEY
        walk = round_of(visit, self.now)
        wanted = "" if is_survey else request.GET.get("find", "").strip()[:60]
        found = find(walk, visit.site, wanted) if wanted else None
        if found is not None and found.only is not None:
            return redirect("field:unit", visit_id=visit.public_id, unit_id=found.only.public_id)
        shown = Round(found.stops, walk.today) if found is not None else walk
        next_stop = next(iter(walk.open_stops), None)
        context = {
            "crumbs": self.crumbs(),
            "visit": visit,
            "site": visit.site,
            "is_survey": is_survey,
            "walk": walk,
            "places": shown.by_place(),
            "wanted": wanted,
            "found": found,
            "is_open": visit.state in OPEN_TO_TECHNICIAN,
            "hours": list(visit.site.access_windows.filter(weekday=visit.planned_on.weekday())),
            "terms": agreed_for([visit.site], self.now)[visit.site_id].lines(phone=True),
            "next_stop": next_stop,
            "cautions": cautions_for(stop.unit.model for stop in walk.stops),
            "caution_words": caution_words(stop.unit.model for stop in walk.stops),
            "certificate": _certificate_of(self, visit),
        }
        return self.page("field/round.html", context)


def unit_on(visit: Visit, unit_id: UUID) -> Unit | None:
    """The unit of that id, as long as it is on the visit's site or list."""
    return (
        Unit.objects.filter(Q(site=visit.site_id) | Q(jobs__visit=visit), public_id=unit_id)
        .select_related("model", "location")
        .distinct()
        .first()
    )


class UnitView(FieldView):
    """Recording one unit of a visit."""

    habit: Habit

    def get(self, request: HttpRequest, visit_id: UUID, unit_id: UUID) -> HttpResponse:
        """Show the form, filled from the entry that counts now."""
        visit = self.visit_or_404(visit_id)
        if (back := self.survey_only(visit)) is not None:
            return back
        unit = unit_on(visit, unit_id)
        if unit is None:
            return self._elsewhere(visit, unit_id)
        stop = stop_of(visit, unit, self.now)
        return self._show(visit, stop, self._form(visit, stop))

    def post(self, request: HttpRequest, visit_id: UUID, unit_id: UUID) -> HttpResponse:
        """Store the entry and go on to the next unit without a result."""
        visit = self.visit_or_404(visit_id)
        unit = unit_on(visit, unit_id)
        if unit is None:
            return self._elsewhere(visit, unit_id)
        stop = stop_of(visit, unit, self.now)
        form = self._form(visit, stop, data=request.POST)
        if not form.is_valid():
            return self._show(visit, stop, form, status=400)
        try:
            entry, _ = add_entry(visit, form.entry(), by=self.person, now=self.now)
        except ValidationError as refused:
            form.place(refused)
            return self._show(visit, stop, form, status=400)
        except Conflict as conflict:
            if conflict.code != "reference_reused":
                messages.error(request, conflict.sentence)
                return redirect("field:round", visit_id=visit.public_id)
            # Back in the browser, other values, sent again: what was stored stands until this is sent too.
            stop = stop_of(visit, unit, self.now)
            again = request.POST.copy()
            again["client_ref"] = str(uuid.uuid4())
            form = self._form(visit, stop, data=again)
            form.is_valid()
            form.add_error(
                None,
                "You had already saved this page with other values. Those count until you press Save again, "
                "which saves what you see now.",
            )
            return self._show(visit, stop, form, status=409)
        messages.success(request, f"{stop.name}: {entry.get_result_display().lower()}, saved.")
        following = steps_of(visit).next_after(unit.pk)
        if following is None:
            return redirect("field:close", visit_id=visit.public_id)
        return redirect("field:unit", visit_id=visit.public_id, unit_id=following.public_id)

    def _elsewhere(self, visit: Visit, unit_id: UUID) -> HttpResponse:
        """Say that the unit belongs to another site, where the technician may know that it exists at all."""
        unit = Unit.objects.visible_to(self.scope).filter(public_id=unit_id).select_related("site").first()
        if unit is None or unit.site is None:
            raise Http404
        messages.error(
            self.request,
            f"Unit {unit.number} belongs to {unit.site.name}, not to {visit.site.name}. Nothing was saved. "
            "Check the number on its label.",
        )
        return redirect("field:round", visit_id=visit.public_id)

    def _form(self, visit: Visit, stop: Stop, data: Any = None) -> EntryForm:
        every_kind = "models" in self.request.GET or bool(data and data.get("new_model"))
        models = UnitModel.objects.order_by("agent", "charge_mass_g", "charge_volume_ml", "maker", "id")
        if not every_kind:
            models = models.filter(agent=stop.unit.model.agent)
        rows = (
            VisitEntry.objects.filter(made_by=self.person).order_by("-pk").values_list("readings", flat=True)
        )
        self.habit = habit_of(visit.site.country, rows[:12])
        return EntryForm(data, stop=stop, habit=self.habit, models=list(models))

    def _is_first_of_kind(self, visit: Visit, unit: Unit) -> bool:
        alike = VisitEntry.objects.filter(
            visit=visit,
            unit__model__agent=unit.model.agent,
            unit__model__construction=unit.model.construction,
            unit__model__is_wheeled=unit.model.is_wheeled,
        )
        return not alike.exclude(unit=unit).exists()

    def _show(self, visit: Visit, stop: Stop, form: EntryForm, status: int = 200) -> HttpResponse:
        steps = steps_of(visit)
        with_reasons(stop, visit, self.now)
        context = {
            "crumbs": self.crumbs(visit),
            "visit": visit,
            "site": visit.site,
            "stop": stop,
            "unit": stop.unit,
            "form": form,
            "steps": steps,
            "position": steps.position(stop.unit.pk),
            "is_open": visit.state in OPEN_TO_TECHNICIAN,
            "made": say_stamp(stop.unit.made),
            "cautions": cautions_for([stop.unit.model], general=False),
            # In the way of the first unit of a kind, and of no other.
            "is_first_of_kind": self._is_first_of_kind(visit, stop.unit),
            "every_kind": "models" in self.request.GET,
        }
        return self.page("field/unit.html", context, status=status)


class WhyView(FieldView):
    """Why the work on one unit is due; the round fetches it when somebody asks."""

    def get(self, request: HttpRequest, visit_id: UUID, unit_id: UUID) -> HttpResponse:
        """Show the reasons, a page of its own where no script fetches it."""
        visit = self.visit_or_404(visit_id)
        unit = unit_on(visit, unit_id)
        if unit is None:
            raise Http404
        stop = with_reasons(stop_of(visit, unit, self.now), visit, self.now)
        return self.page("field/why.html", {"crumbs": self.crumbs(visit), "visit": visit, "stop": stop})


class CloseView(FieldView):
    """Counting, reading out, and closing the visit with its certificate."""

    def get(self, request: HttpRequest, visit_id: UUID) -> HttpResponse:
        """Show the counts that have to be met; a closed visit shows what came of it."""
        visit = self.visit_or_404(visit_id)
        if (back := self.survey_only(visit)) is not None:
            return back
        if visit.state == Visit.State.CLOSED:
            return redirect("field:closed", visit_id=visit.public_id)
        walk = round_of(visit, self.now)
        return self._show(visit, walk, self._form(walk))

    def post(self, request: HttpRequest, visit_id: UUID) -> HttpResponse:
        """Close the visit and issue its certificate, or say plainly why not; nothing half."""
        visit = self.visit_or_404(visit_id)
        if (back := self.survey_only(visit)) is not None:
            return back
        walk = round_of(visit, self.now)
        form = self._form(walk, data=request.POST)
        if visit.state != Visit.State.CLOSED and not form.is_valid():
            return self._show(visit, walk, form, status=400)
        try:
            if visit.state == Visit.State.CLOSED:
                raise Conflict(
                    "visit_not_open", f"Visit {visit.number} was already closed. Its records stand."
                )
            close_with_certificate(visit, form.closing(), by=self.person, now=self.now)
        except ValidationError as refused:
            form.place(refused)
            return self._show(visit, walk, form, status=400)
        except Conflict as conflict:
            visit = self.visit_or_404(visit_id)
            if visit.state == Visit.State.CLOSED:
                messages.warning(
                    request, f"Visit {visit.number} was already closed. Its records stand; nothing was added."
                )
                return redirect("field:closed", visit_id=visit.public_id)
            form.add_error(None, conflict.sentence)
            form.place_counts(conflict.extra.get("counts", {}))
            return self._show(visit, walk, form, status=409)
        return redirect("field:closed", visit_id=visit.public_id)

    def _form(self, walk: Round, data: Any = None) -> CloseForm:
        return CloseForm(
            data, recorded=tally(s.entry for s in walk.stops if s.entry is not None), today=walk.today
        )

    def _show(self, visit: Visit, walk: Round, form: CloseForm, status: int = 200) -> HttpResponse:
        recorded = [stop for stop in walk.stops if stop.entry is not None]
        context = {
            "crumbs": self.crumbs(visit),
            "visit": visit,
            "site": visit.site,
            "walk": walk,
            "form": form,
            "is_open": visit.state in OPEN_TO_TECHNICIAN,
            "recorded_count": len(recorded),
            "read_out": [
                {"word": result.label, "result": result.value, "stops": stops}
                for result in READ_OUT
                if (stops := [stop for stop in recorded if stop.entry and stop.entry.result == result])
            ],
        }
        return self.page("field/close.html", context, status=status)


class ClosedView(FieldView):
    """What came of a closed visit: the certificate, and what remains due at the site."""

    def get(self, request: HttpRequest, visit_id: UUID) -> HttpResponse:
        """Show the certificate and the open ends."""
        visit = self.visit_or_404(visit_id)
        if (back := self.survey_only(visit)) is not None:
            return back
        if visit.state != Visit.State.CLOSED:
            return redirect("field:round", visit_id=visit.public_id)
        remaining = _remaining(self, visit)
        context = {
            "crumbs": self.crumbs(visit),
            "visit": visit,
            "site": visit.site,
            "certificate": _certificate_of(self, visit),
            "counts": [(r.label, visit.counts.get(r.value, 0)) for r in VisitEntry.Result],
            "remaining": remaining[:SHOWN_REMAINING],
            "remaining_more": max(0, len(remaining) - SHOWN_REMAINING),
            "away": list(
                Unit.objects.filter(
                    site=visit.site,
                    state__in=(Unit.State.AWAITING_RECHARGE, Unit.State.NOT_FOUND, *Unit.AWAY),
                )
                .select_related("location")
                .order_by("state", "number")
            ),
        }
        return self.page("field/closed.html", context)


class CertificateView(PageView):
    """The certificate of an own visit as a file."""

    acts = (Act.SEE_CERTIFICATES,)

    def get(self, request: HttpRequest, certificate_id: UUID) -> HttpResponse:
        """Hand out the PDF."""
        return pdf_answer(request, self.scope, certificate_id)


def _certificate_of(view: FieldView, visit: Visit) -> Certificate | None:
    if visit.state != Visit.State.CLOSED:
        return None
    return certificates_for(view.scope).filter(visit=visit).order_by("-issued_at", "-pk").first()


def _remaining(view: FieldView, visit: Visit) -> list[dict[str, Any]]:
    """Units of the site on which work of ours is still due, each with its tasks; one query."""
    today = local_today(visit.site, view.now)
    rows = (
        Obligation.objects.ours()
        .filter(site=visit.site, is_binding=True)
        .exclude(unit__state__in=Unit.AWAY)
        .select_related("unit", "unit__location")
        .order_by(F("latest_on").asc(nulls_last=True), "unit__number", "pk")
    )
    found: dict[int, dict[str, Any]] = {}
    for row in rows:
        status = status_on(
            knowledge=row.knowledge,
            is_deferred=row.is_deferred,
            latest_on=row.latest_on,
            target_on=row.target_on,
            today=today,
        )
        if status in (Status.OVERDUE, Status.UNKNOWN, Status.UNCOVERED, Status.DUE):
            line = found.setdefault(row.unit_id, {"unit": row.unit, "dues": []})
            line["dues"].append({"label": row.get_task_display(), "chip": chip(status, row.latest_on)})
    return list(found.values())
