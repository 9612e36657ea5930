"""Pages of where units are: the reckoning, stores, loans, and places that hang bare."""

from __future__ import annotations

import re
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from inventory.errors import Conflict
from inventory.measures.stamps import StampError, read_stamp
from inventory.register import custody
from inventory.register.custody_queries import (
    counts_by_store,
    disagreements,
    loaners_free,
    loans_for,
    reckoning,
    stores,
    too_long,
    uncovered,
    units_in,
)
from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.stock.queries import balances, stock_disagreements
from schedules.due.models import Obligation
from schedules.due.services import refresh_units
from schedules.visits.workshop import bring_back
from servicedesk.access import Act
from servicedesk.bench.stock import GoodsView
from servicedesk.bench.stock_forms import GiveBackForm, LendForm, OwnUnitForm, StoreForm, UnitsForm
from servicedesk.pages import paged

SHOWN = 100


class PlacesView(GoodsView):
    """All units by whereabouts, with what does not add up; stores; adding one."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        return self._show(StoreForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Add a store."""
        self.demand(Act.MOVE_UNITS)
        form = StoreForm(request.POST)
        if form.is_valid():
            store = form.save()
            self.told(f"{store.name} added.")
            return redirect("bench:place", store.public_id)
        return self._show(form, status=400)

    def _show(self, form: StoreForm, status: int = 200) -> HttpResponse:
        held = {place.name: place for place in counts_by_store()}
        context = {
            "reckoning": reckoning(),
            "rows": [{"store": store, "count": held.get(store.name)} for store in stores(with_closed=True)],
            "wrong": [*disagreements(), *stock_disagreements()],
            "form": form,
            "may_move": self.may(Act.MOVE_UNITS),
            "crumbs": self.crumbs(),
        }
        return self.page("bench/places.html", context, status=status)


class PlaceView(GoodsView):
    """One store: the units and goods that stand in it; bringing units in, making loaners of them."""

    def get(self, request: HttpRequest, store_id: UUID) -> HttpResponse:
        """Show it."""
        return self._show(self.found(stores(with_closed=True), store_id), UnitsForm(), OwnUnitForm())

    def post(self, request: HttpRequest, store_id: UUID) -> HttpResponse:
        """Bring units in, change sides of the pool, or close the store."""
        self.demand(Act.MOVE_UNITS)
        doing = self.pressed("bring", "own", "loaner", "no_loaner", "close", "open")
        store = self.found(Store.objects.all(), store_id)
        form = UnitsForm(request.POST if doing == "bring" else None)
        if doing == "bring":
            if self.tried(form, lambda: self._bring(store, form.cleaned_data)):
                return redirect("bench:place", store.public_id)
            shown = self.found(stores(with_closed=True), store_id)
            return self._show(shown, form, OwnUnitForm(), status=400)
        if doing == "own":
            own = OwnUnitForm(request.POST)
            if self.tried(own, lambda: self._own(store, own.cleaned_data)):
                return redirect("bench:place", store.public_id)
            shown = self.found(stores(with_closed=True), store_id)
            return self._show(shown, UnitsForm(), own, status=400)
        try:
            if doing in ("loaner", "no_loaner"):
                unit = self.found(units_in(store), UUID(request.POST.get("unit", "")))
                custody.make_loaner(unit, is_loaner=doing == "loaner")
                self.told(f"{unit.number} is {'a loaner' if doing == 'loaner' else 'no loaner any more'}.")
            elif doing in ("close", "open"):
                version = int(request.POST.get("version") or 0)
                custody.close_store(store, version=version, is_closed=doing == "close")
                self.told(f"{store.name} is {'closed' if doing == 'close' else 'open'}.")
        except (Conflict, ValidationError) as refused:
            self.refused(refused)
        except ValueError:
            self.refused(ValidationError("The page was incomplete. Load it again."))
        return redirect("bench:place", store.public_id)

    def _bring(self, store: Store, given: dict[str, Any]) -> None:
        units = units_by_number(given["numbers"])
        bare = custody.bare_by_terms(units, self.now.date())
        if bare:
            named = ", ".join(unit.number for unit in bare[:10])
            self.warn(f"A loaner is compulsory where these hung: {named}. Hang one today.")
        moves = custody.carry(
            units, store, on=self.now.date(), by=self.person, reason=given["reason"] or "Brought in"
        )
        self.told(f"{len(moves)} unit{'' if len(moves) == 1 else 's'} brought to {store.name}.")

    def _own(self, store: Store, given: dict[str, Any]) -> None:
        today = self.now.date()
        try:
            made = read_stamp(given["made"], today=today).stamp
        except StampError as error:
            raise ValidationError({"made": error.sentence}) from error
        unit = custody.add_own_unit(
            given["model"],
            store,
            serial=given["serial"],
            made=made,
            on=today,
            by=self.person,
            is_loaner=given["is_loaner"],
        )
        self.told(f"{unit.number} stands in {store.name}. Print its label.")

    def _show(self, store: Store, form: UnitsForm, own: OwnUnitForm, status: int = 200) -> HttpResponse:
        context = {
            "store": store,
            "page_obj": paged(self.request, units_in(store)),
            "goods": list(balances(store=store)[:SHOWN]),
            "form": form,
            "own": own,
            "may_move": self.may(Act.MOVE_UNITS),
            "crumbs": self.crumbs(("Places and loans", "bench:places")),
        }
        return self.page("bench/place.html", context, status=status)


class LoansView(GoodsView):
    """Loaners that are out, the longest first; places that hang bare; lending and giving back."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        return self._show(LendForm(prefix="lend"), GiveBackForm(prefix="back"))

    def post(self, request: HttpRequest) -> HttpResponse:
        """Lend a unit, or give one back."""
        self.demand(Act.MOVE_UNITS)
        lend, back = LendForm(prefix="lend"), GiveBackForm(prefix="back")
        if self.pressed("lend", "back") == "back":
            back = GiveBackForm(request.POST, prefix="back")
            done = self.tried(back, lambda: self._back(back.cleaned_data))
        else:
            lend = LendForm(request.POST, prefix="lend")
            done = self.tried(lend, lambda: self._lend(lend.cleaned_data))
        return redirect("bench:loans") if done else self._show(lend, back, status=400)

    def _lend(self, given: dict[str, Any]) -> None:
        [loaner] = units_by_number(given["loaner"])
        [unit] = units_by_number(given["unit"])
        if unit.location is None:
            raise Conflict(
                "hangs_nowhere", f"Unit {unit.number} hangs nowhere, so no loaner can take its place."
            )
        loan = custody.lend(
            loaner,
            unit.location,
            in_place_of=unit,
            on=self.now.date(),
            by=self.person,
            expected_back_on=given["expected_back_on"],
            taken_to=given["taken_to"],
            taken_state=(
                Unit.State.IN_WORKSHOP
                if given["taken_to"].kind == Store.Kind.WORKSHOP
                else Unit.State.AWAITING_RECHARGE
            ),
            despite=given["despite"],
            client_ref=given["client_ref"],
        )
        self.told(f"{loan.loaner.number} hangs at {loan.location.number} in the place of {unit.number}.")
        refresh_units([loaner.pk, unit.pk], now=self.now)
        until = given["expected_back_on"] or self.now.date()
        soon = Obligation.objects.filter(unit=loaner, is_binding=True, latest_on__lte=until).order_by(
            "latest_on"
        )
        first = soon.first()
        if first is not None:
            self.warn(
                f"The loaner's own {first.get_task_display().lower()} is due by {first.latest_on:%-d %b %Y}, "
                "before it is expected back. Choose another, or do it on site."
            )

    def _back(self, given: dict[str, Any]) -> None:
        [unit] = units_by_number(given["unit"])
        placement = bring_back(
            unit, by=self.person, now=self.now, loaner_to=given["loaner_to"], despite=given["despite"]
        )
        self.told(f"{unit.number} hangs at {placement.location.number} again.")

    def _show(self, lend: LendForm, back: GiveBackForm, status: int = 200) -> HttpResponse:
        today = self.now.date()
        loans = loans_for(self.scope)
        late = set(loans.filter(too_long(today)).values_list("pk", flat=True))
        page = paged(self.request, loans)
        bare = uncovered(self.scope)
        context = {
            "page_obj": page,
            "lines": [
                {"loan": loan, "days": (today - loan.out_on).days, "is_late": loan.pk in late}
                for loan in page.object_list
            ],
            "late_count": len(late),
            "free": list(loaners_free()[:SHOWN]),
            "bare": list(bare[:SHOWN]),
            "bare_count": bare.count(),
            "lend": lend,
            "back": back,
            "may_move": self.may(Act.MOVE_UNITS),
            "crumbs": self.crumbs(),
        }
        return self.page("bench/loans.html", context, status=status)


def units_by_number(text: str) -> list[Unit]:
    """The units with these numbers, in their order. Raises ``ValidationError`` naming those unknown."""
    numbers = list(dict.fromkeys(part.upper() for part in re.split(r"[\s,;]+", text) if part))
    found = {
        unit.number.upper(): unit
        for unit in Unit.objects.filter(number__in=numbers).select_related("model", "location__site")
    }
    unknown = [number for number in numbers if number not in found]
    if unknown or not numbers:
        names = ", ".join(unknown)
        raise ValidationError(
            f"No unit carries {names}. Check the number on the label." if names else "Enter a number."
        )
    return [found[number] for number in numbers]
