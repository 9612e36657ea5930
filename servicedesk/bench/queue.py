"""The workshop's first page: cards by the day their unit was promised, and receiving a unit."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any
from urllib.parse import unquote, urlsplit
from uuid import UUID

from csp.decorators import csp_update
from django.core.exceptions import ValidationError
from django.db.models import Count, F
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.decorators import method_decorator

from inventory.errors import Conflict
from inventory.register.models import Unit
from inventory.register.queries import units_for
from inventory.workshop.models import JobCard
from inventory.workshop.queries import (
    calibration_due,
    cards_for,
    current_values,
    open_card_of,
    stays_out,
    today_of,
)
from inventory.workshop.warranty import claims
from schedules.visits.workshop import charging_of, receive
from servicedesk.access import Act
from servicedesk.bench.forms import QueueForm, ReceiveForm
from servicedesk.bench.words import STATE_TONES, work_words
from servicedesk.field.shell import READS_CODES, scanner_config
from servicedesk.pages import PageView, paged, place_errors

MAX_FOUND = 20


@dataclass(slots=True)
class QueueLine:
    """One card in the queue, and how its days stand."""

    card: JobCard
    tone: str
    works: str
    promise_tone: str = ""
    promise_word: str = ""
    clock_tone: str = ""
    days_left: int | None = None
    flags: list[str] = field(default_factory=list)


class QueueView(PageView):
    """Cards in our hands, the one promised first on top."""

    acts = (Act.SEE_BENCH,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the queue."""
        form = QueueForm(request.GET)
        is_valid = form.is_valid()
        given = form.cleaned_data if is_valid else {}
        rows = cards_for(self.scope, given.get("q", "")) if is_valid else JobCard.objects.none()
        state = given.get("state", "")
        if not state:
            rows = rows.open()  # type: ignore[attr-defined]
        elif state != "all":
            rows = rows.filter(state=state)
        page = paged(request, rows.order_by(F("promised_on").asc(nulls_last=True), "pk"))
        lines = [self.line(card) for card in page.object_list]
        counts = dict(
            cards_for(self.scope)
            .filter(state__in=JobCard.OPEN)
            .order_by()
            .values_list("state")
            .annotate(n=Count("pk"))
        )
        context = {
            "form": form,
            "lines": lines,
            "page_obj": page,
            "is_filtered": any(request.GET.get(name) for name in form.fields),
            "figures": [
                {
                    "state": state.value,
                    "label": state.label,
                    "n": counts.get(state, 0),
                    "tone": STATE_TONES[state],
                }
                for state in JobCard.OPEN
            ],
            "away": list(stays_out(self.scope)),
            "gauges": list(calibration_due(self.now.date())),
            "today": self.now.date(),
            "may_work": self.may(Act.WORK_BENCH),
        }
        return self.page("bench/queue.html", context, status=200 if is_valid else 400)

    def line(self, card: JobCard) -> QueueLine:
        """One card."""
        today = today_of(card, self.now)
        line = QueueLine(card, STATE_TONES[JobCard.State(card.state)], work_words(card.works))
        if card.is_open and card.state != JobCard.State.CONDEMNED:
            line.promise_tone, line.promise_word = _promise(card.promised_on, today)
            if card.return_by_on is not None:
                line.days_left = (card.return_by_on - today).days
                line.clock_tone = (
                    "overdue" if line.days_left < 0 else "soon" if line.days_left <= 14 else "ok"
                )
        return line


def _promise(day: date | None, today: date) -> tuple[str, str]:
    if day is None:
        return "unknown", "No day promised"
    if day < today:
        return "overdue", "Promise passed"
    return ("soon", "Soon") if (day - today).days <= 2 else ("", "")


def _plain_code(text: str) -> str:
    """What to look for; of the address that our own labels carry, the number at its end."""
    text = text.strip()
    if "://" in text:
        text = unquote(urlsplit(text).path.rstrip("/").rpartition("/")[2])
    return text[:80]


@method_decorator(csp_update(READS_CODES), name="dispatch")
class ReceiveView(PageView):
    """Finding the unit to be received: scan or type its number, serial or place."""

    acts = (Act.WORK_BENCH,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show what was found; one find goes straight on."""
        wanted = _plain_code(request.GET.get("find", ""))
        found: list[Unit] = []
        if wanted:
            exact = units_for(self.scope).filter(number__iexact=wanted)
            rows = exact if exact.exists() else units_for(self.scope, wanted).exclude(state__in=Unit.GONE)
            found = list(rows[: MAX_FOUND + 1])
            if len(found) == 1:
                card = open_card_of(found[0])
                if card is not None:
                    return redirect("bench:card", card_id=card.public_id)
                return redirect("bench:receive-unit", unit_id=found[0].public_id)
        context = {
            "wanted": wanted,
            "scanner": scanner_config(),
            "found": found[:MAX_FOUND],
            "is_cut": len(found) > MAX_FOUND,
            "crumbs": [{"label": "Workshop", "url": reverse("bench:home")}],
        }
        return self.page("bench/receive.html", context)


class ReceiveUnitView(PageView):
    """Opening the card of one unit."""

    acts = (Act.WORK_BENCH,)

    def get(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Show what is owed and ask why it came in."""
        unit = self.found(units_for(self.scope), unit_id)
        card = open_card_of(unit)
        if card is not None:
            return redirect("bench:card", card_id=card.public_id)
        charging = charging_of(unit, self.now)
        works = list(charging.owed)
        if unit.state == Unit.State.AWAITING_RECHARGE and "recharge" not in works:
            works.insert(0, "recharge")
        reason = "used" if unit.state == Unit.State.AWAITING_RECHARGE else "due_work" if works else None
        form = ReceiveForm(initial={"works": works, "reason": reason})
        return self._show(unit, form, charging)

    def post(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Open the card."""
        unit = self.found(units_for(self.scope), unit_id)
        form = ReceiveForm(request.POST)
        if form.is_valid():
            given = form.cleaned_data
            try:
                card = receive(
                    unit,
                    reason=given["reason"],
                    works=given["works"],
                    promised_on=given["promised_on"],
                    accessories=given["accessories"],
                    remarks=given["remarks"],
                    by=self.person,
                    now=self.now,
                )
            except ValidationError as refused:
                place_errors(form, refused)
            except Conflict as conflict:
                self.refused(conflict)
                return redirect("bench:receive")
            else:
                self.told(f"Card {card.number} opened for unit {unit.number}. Tie its number to the unit.")
                return redirect("bench:card", card_id=card.public_id)
        return self._show(unit, form, charging_of(unit, self.now), status=400)

    def _show(self, unit: Unit, form: ReceiveForm, charging: Any, status: int = 200) -> HttpResponse:
        context = {
            "unit": unit,
            "form": form,
            "charging": charging,
            "is_gone": unit.state in Unit.GONE,
            "crumbs": [
                {"label": "Workshop", "url": reverse("bench:home")},
                {"label": "Receive", "url": reverse("bench:receive")},
            ],
        }
        return self.page("bench/receive_unit.html", context, status=status)


class ClaimsView(PageView):
    """Charges under warranty that lost more than the limit."""

    acts = (Act.SEE_BENCH,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        values = current_values()
        context = {
            "claims": claims(self.scope, values, today=self.now.date()),
            "years": values["warranty_years"],
            "limit": values["leak_reject"],
        }
        return self.page("bench/claims.html", context)
