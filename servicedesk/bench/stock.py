"""Pages of goods: the catalogue, an item, lots and where they went, waste drums."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar
from uuid import UUID

from django.core.exceptions import ValidationError
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.register.queries import words_condition
from inventory.stock import services
from inventory.stock.models import Item, Lot, LotDecision, WasteDrum
from inventory.stock.queries import (
    account_sheet,
    balances,
    drums,
    items_with_stock,
    lots_with_stock,
    moves_for,
    units_of_lot,
)
from schedules.visits.recalls import recall_to_work
from servicedesk.access import Act
from servicedesk.bench.stock_forms import (
    CarryForm,
    CountForm,
    DecideForm,
    DrumAwayForm,
    DrumForm,
    ItemForm,
    ReceiveForm,
    SampleForm,
)
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import PageView, paged, place_errors, refusal

SHOWN_MOVES = 25


class GoodsView(PageView):
    """Base of the pages of goods: a form that a service may refuse keeps what was typed."""

    acts: ClassVar[tuple[Act, ...]] = (Act.SEE_BENCH,)

    def crumbs(self, *more: tuple[str, str]) -> list[dict[str, str]]:
        """The way back up."""
        return [
            {"label": "Workshop", "url": reverse("bench:home")},
            *({"label": label, "url": reverse(name)} for label, name in more),
        ]

    def tried(self, form: BaseForm, act: Callable[[], object]) -> bool:
        """Whether the form was right and ``act`` was done; what was refused stands beside its field."""
        if not form.is_valid():
            return False
        try:
            act()
        except ValidationError as refused:
            place_errors(form, refused)
        except Conflict as refused:
            form.add_error(None, refusal(refused))
        return form.is_valid()


class StockView(GoodsView):
    """The catalogue with what is there; adding an item."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show it."""
        return self._show(ItemForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Add an item."""
        self.demand(Act.KEEP_STOCK)
        form = ItemForm(request.POST)
        if form.is_valid():
            item = form.save()
            self.told(f"{item.name} added. Enter what there is of it.")
            return redirect("bench:item", item.public_id)
        return self._show(form, status=400)

    def _show(self, form: ItemForm, status: int = 200) -> HttpResponse:
        asked = self.request.GET.get("q", "")
        rows = items_with_stock().filter(words_condition(asked, "name", "code", "maker"))
        context = {
            "page_obj": paged(self.request, rows),
            "asked": asked,
            "form": form,
            "may_keep": self.may(Act.KEEP_STOCK),
            "crumbs": self.crumbs(),
        }
        return self.page("bench/stock.html", context, status=status)


class ItemView(GoodsView):
    """One item: where how much stands, where it came from and went; receiving, carrying, counting."""

    def get(self, request: HttpRequest, item_id: UUID) -> HttpResponse:
        """Show it."""
        return self._show(self.found(items_with_stock(with_closed=True), item_id), {})

    def post(self, request: HttpRequest, item_id: UUID) -> HttpResponse:
        """Receive, carry or count."""
        self.demand(Act.KEEP_STOCK)
        item = self.found(items_with_stock(with_closed=True), item_id)
        doing = request.POST.get("do", "")
        forms: dict[str, Any] = {"receive": ReceiveForm, "carry": CarryForm, "count": CountForm}
        if doing not in forms:
            return self._show(item, {}, status=400)
        form = forms[doing](request.POST, item=item, prefix=doing)
        if self.tried(form, lambda: getattr(self, doing)(item, form.cleaned_data)):
            self.told(f"{item.name}: booked.")
            return redirect("bench:item", item.public_id)
        return self._show(self.found(items_with_stock(with_closed=True), item_id), {doing: form}, status=400)

    def receive(self, item: Item, given: dict[str, Any]) -> None:
        """Book a delivery."""
        services.receive(
            item,
            given["quantity"],
            store=given["store"],
            lot_no=given.get("lot_no", ""),
            supplier=given["supplier"],
            expires_on=given.get("expires_on"),
            **self._who(given),
        )

    def carry(self, item: Item, given: dict[str, Any]) -> None:
        """Book goods from one store to another."""
        line = services.UseLine(item, given["quantity"], given.get("lot"))
        services.transfer(
            [line], from_store=given["from_store"], to_store=given["to_store"], **self._who(given)
        )

    def count(self, item: Item, given: dict[str, Any]) -> None:
        """Book what a count found different."""
        lot: Lot | None = given.get("lot")
        counted = {(item.pk, lot.pk if lot is not None else None): given["quantity"]}
        services.count_stock(given["store"], counted, reason=given["reason"], **self._who(given))

    def _who(self, given: dict[str, Any]) -> dict[str, Any]:
        return {
            "by": self.person,
            "on": self.now.date(),
            "now": self.now,
            "client_ref": given["client_ref"],
        }

    def _show(self, item: Item, tried: dict[str, Any], status: int = 200) -> HttpResponse:
        sheet = account_sheet(item)
        context = {
            "item": item,
            "places": list(balances(item=item)),
            "sheet": sheet,
            "sums": {side: sum(line[side] for line in sheet) for side in ("into", "out_of")},
            "moves": list(moves_for(item=item)[:SHOWN_MOVES]),
            "receive": tried.get("receive") or ReceiveForm(item=item, prefix="receive"),
            "carry": tried.get("carry") or CarryForm(item=item, prefix="carry"),
            "count": tried.get("count") or CountForm(item=item, prefix="count"),
            "open_form": next(iter(tried), ""),
            "may_keep": self.may(Act.KEEP_STOCK),
            "crumbs": self.crumbs(("Goods", "bench:stock")),
        }
        return self.page("bench/item.html", context, status=status)


class LotsView(GoodsView):
    """All lots, those that wait for a decision first."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        asked, state = request.GET.get("q", ""), request.GET.get("state", "")
        rows = lots_with_stock().filter(words_condition(asked, "lot_no", "item__name", "maker"))
        if state in Lot.State.values:
            rows = rows.filter(state=state)
        context = {
            "page_obj": paged(request, rows),
            "asked": asked,
            "state": state,
            "states": Lot.State.choices,
            "held": Lot.objects.filter(state=Lot.State.HELD).count(),
            "today": self.now.date(),
            "crumbs": self.crumbs(),
        }
        return self.page("bench/lots.html", context)


class LotView(GoodsView):
    """One lot: the units that hold it and where they hang, samples, decisions."""

    def get(self, request: HttpRequest, lot_id: UUID) -> HttpResponseBase:
        """Show it, or hand out its units as a file."""
        lot = self.found(lots_with_stock(), lot_id)
        if request.GET.get("format") == "csv":
            return self._file(lot)
        return self._show(lot, SampleForm(), DecideForm(initial={"version": lot.version}))

    def post(self, request: HttpRequest, lot_id: UUID) -> HttpResponse:
        """Record a sample, decide, or turn a recall into work."""
        doing = self.pressed("recall", "sample", "decide")
        lot = self.found(lots_with_stock(), lot_id)
        sample, decide = SampleForm(), DecideForm(initial={"version": lot.version})
        if doing == "recall":
            self.demand(Act.PLAN_VISITS)
            return self._to_work(lot)
        if doing == "sample":
            self.demand(Act.KEEP_STOCK)
            sample = SampleForm(request.POST)
            done = self.tried(sample, lambda: self._sample(lot, sample.cleaned_data))
        else:
            self.demand(Act.DECIDE_LOTS)
            decide = DecideForm(request.POST)
            done = self.tried(decide, lambda: self._decide(lot, decide.cleaned_data))
        if done:
            return redirect("bench:lot", lot.public_id)
        return self._show(lot, sample, decide, status=400)

    def _sample(self, lot: Lot, given: dict[str, Any]) -> None:
        services.record_sample(lot, **given, by=self.person, on=self.now.date(), now=self.now)
        self.told("Sample recorded." if given["passed"] else "Sample failed: the whole lot is held.")

    def _decide(self, lot: Lot, given: dict[str, Any]) -> None:
        decision = LotDecision.Decision(given["decision"])
        services.decide_lot(
            lot,
            decision,
            reason=given["reason"],
            version=given["version"],
            by=self.person,
            now=self.now,
        )
        self.told(f"Decided: {decision.label.lower()}.")

    def _to_work(self, lot: Lot) -> HttpResponse:
        try:
            done = recall_to_work(lot, by=self.person, now=self.now)
        except Conflict as refused:
            self.refused(refused)
        else:
            self.told(
                f"{done.defects} critical defects stated, {len(done.visits)} visits proposed for tomorrow."
            )
            if done.on_open_visits:
                names = ", ".join(unit.number for unit in done.on_open_visits[:20])
                self.warn(f"On an open visit already, bring that forward: {names}.")
            if done.by_hand:
                names = ", ".join(unit.number for unit in done.by_hand[:20])
                self.warn(f"Not hanging, or without any task to plan; see to them by hand: {names}.")
        return redirect("bench:lot", lot.public_id)

    def _file(self, lot: Lot) -> StreamingHttpResponse:
        head = (
            "unit",
            "serial",
            "state",
            "got",
            "base_unit",
            "on",
            "refilled_since",
            "owner",
            "site",
            "location",
        )
        lines = (
            (
                unit.number,
                unit.serial,
                unit.get_state_display(),
                str(unit.got),
                lot.item.base_unit,
                str(unit.got_on),
                "yes" if unit.is_refilled else "no",
                unit.site.owner.name if unit.site else "",
                unit.site.name if unit.site else "",
                unit.location.number if unit.location else (unit.store.name if unit.store else ""),
            )
            for unit in units_of_lot(lot).iterator(chunk_size=500)
        )
        answer = StreamingHttpResponse(csv_lines(head, lines), content_type="text/csv; charset=utf-8")
        answer["Content-Disposition"] = f'attachment; filename="lot-{lot.public_id}.csv"'
        return answer

    def _show(self, lot: Lot, sample: SampleForm, decide: DecideForm, status: int = 200) -> HttpResponse:
        cylinder = getattr(lot, "cylinder", None)
        test_due_on = cylinder.test_due_on if cylinder is not None else None
        context = {
            "lot": lot,
            "cylinder": cylinder,
            "is_test_past": test_due_on is not None and test_due_on < self.now.date(),
            "places": list(lot.balances.filter(quantity__gt=0).select_related("store")),
            "page_obj": paged(self.request, units_of_lot(lot)),
            "samples": list(lot.samples.select_related("made_by")),
            "decisions": list(lot.decisions.select_related("made_by", "sample")),
            "sample": sample,
            "decide": decide,
            "is_past": lot.is_past(self.now.date()),
            "may_keep": self.may(Act.KEEP_STOCK),
            "may_decide": self.may(Act.DECIDE_LOTS),
            "may_plan": self.may(Act.PLAN_VISITS) and lot.state == Lot.State.RECALLED,
            "crumbs": self.crumbs(("Lots", "bench:lots")),
        }
        return self.page("bench/lot.html", context, status=status)


class DrumsView(GoodsView):
    """Waste drums: what each holds, opening one, sending one away."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        return self._show(DrumForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Open a drum, or send one away."""
        self.demand(Act.KEEP_STOCK)
        if self.pressed("away", "") == "away":
            away = DrumAwayForm(request.POST)
            if self.tried(away, lambda: self._send(away.cleaned_data)):
                return redirect("bench:drums")
            self.refused(ValidationError([text for texts in away.errors.values() for text in texts]))
            return redirect("bench:drums")
        form = DrumForm(request.POST)
        if self.tried(form, lambda: self._open(form.cleaned_data)):
            return redirect("bench:drums")
        return self._show(form, status=400)

    def _send(self, given: dict[str, Any]) -> None:
        drum = self.found(WasteDrum.objects.all(), given["drum"])
        services.send_drum_away(
            drum, on=self.now.date(), transfer_note=given["transfer_note"], version=given["version"]
        )
        self.told(f"Drum {drum.number} is with the waste firm.")

    def _open(self, given: dict[str, Any]) -> None:
        drum = services.open_drum(
            agent=given["agent"],
            store=given["store"],
            capacity_g=int(given["capacity_kg"] * 1000),
            on=self.now.date(),
        )
        self.told(f"Drum {drum.number} opened. Write the number on it.")

    def _show(self, form: DrumForm, status: int = 200) -> HttpResponse:
        rows = [
            {"drum": drum, "form": DrumAwayForm(initial={"drum": drum.public_id, "version": drum.version})}
            for drum in drums()
        ]
        context = {
            "rows": rows,
            "form": form,
            "may_keep": self.may(Act.KEEP_STOCK),
            "crumbs": self.crumbs(),
        }
        return self.page("bench/drums.html", context, status=status)
