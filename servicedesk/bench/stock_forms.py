"""Forms of goods, lots, drums, and of moving units."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms
from django.db.models import QuerySet

from inventory.register.models import AGENT_CHOICES, UnitModel
from inventory.register.places import Store
from inventory.stock.models import Item, Lot, LotDecision
from servicedesk.bench.forms import day_widget


def _open_stores() -> QuerySet[Store]:
    return Store.objects.filter(is_closed=False)


def _holding_stores() -> QuerySet[Store]:
    return _open_stores().exclude(kind=Store.Kind.TEST_HOUSE)


class ActForm(forms.Form):
    """A form that is sent once: its hidden reference makes a repeat harmless."""

    client_ref = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("client_ref", uuid.uuid4())


class ItemForm(forms.ModelForm):
    """A new line of the catalogue."""

    class Meta:
        model = Item
        fields = (
            "code",
            "name",
            "kind",
            "base_unit",
            "agent",
            "maker",
            "is_lot_tracked",
            "pack_size",
            "reorder_level",
            "lead_days",
        )
        labels = {
            "base_unit": "Counted in",
            "is_lot_tracked": "Kept by lot",
            "pack_size": "Ordered in packs of",
            "reorder_level": "Keep at least",
            "lead_days": "Days from order to delivery",
        }

    def clean(self) -> dict[str, Any]:
        """Agent and gas are always kept by lot, and an agent says which one it is."""
        given: dict[str, Any] = super().clean() or {}
        if given.get("kind") in (Item.Kind.AGENT, Item.Kind.GAS):
            given["is_lot_tracked"] = True
            self.instance.is_lot_tracked = True
        if given.get("kind") == Item.Kind.AGENT and not given.get("agent"):
            self.add_error("agent", "Choose which agent it is.")
        return given


class ReceiveForm(ActForm):
    """A delivery."""

    store = forms.ModelChoiceField(Store.objects.none(), label="Into")
    quantity = forms.IntegerField(min_value=1, max_value=10_000_000)
    lot_no = forms.CharField(label="Lot number", max_length=60, required=False)
    supplier = forms.CharField(max_length=100, required=False)
    expires_on = forms.DateField(label="Best before", required=False, widget=day_widget())

    def __init__(self, *args: Any, item: Item, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = _holding_stores()  # type: ignore[attr-defined]
        self.fields["quantity"].label = f"Amount, {item.get_base_unit_display()}"
        if item.is_lot_tracked:
            self.fields["lot_no"].required = True
        else:
            del self.fields["lot_no"], self.fields["expires_on"]


class CarryForm(ActForm):
    """Goods from one store to another."""

    from_store = forms.ModelChoiceField(Store.objects.none(), label="From")
    to_store = forms.ModelChoiceField(Store.objects.none(), label="To")
    lot = forms.ModelChoiceField(Lot.objects.none(), required=False)
    quantity = forms.IntegerField(min_value=1, max_value=10_000_000)

    def __init__(self, *args: Any, item: Item, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("from_store", "to_store"):
            self.fields[name].queryset = _holding_stores()  # type: ignore[attr-defined]
        _about(self, item)


class CountForm(ActForm):
    """What was counted in one store."""

    store = forms.ModelChoiceField(Store.objects.none(), label="In")
    lot = forms.ModelChoiceField(Lot.objects.none(), required=False)
    quantity = forms.IntegerField(min_value=0, max_value=10_000_000)
    reason = forms.CharField(label="Who counted, and what explains a difference", max_length=200)

    def __init__(self, *args: Any, item: Item, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = _holding_stores()  # type: ignore[attr-defined]
        _about(self, item)
        self.fields["quantity"].label = f"Counted, {item.get_base_unit_display()}"


def _about(form: forms.Form, item: Item) -> None:
    form.fields["quantity"].label = f"Amount, {item.get_base_unit_display()}"
    if item.is_lot_tracked:
        form.fields["lot"].queryset = item.lots.order_by("-received_on")  # type: ignore[attr-defined]
        form.fields["lot"].required = True
    else:
        del form.fields["lot"]


class SampleForm(forms.Form):
    """An acceptance test of a lot."""

    test = forms.CharField(label="Test", max_length=160)
    figures = forms.CharField(label="What it gave", max_length=300)
    limit = forms.CharField(label="Limit, and who states it", max_length=160)
    passed = forms.TypedChoiceField(
        label="Result",
        choices=[("", "Choose"), ("yes", "Passed"), ("no", "Failed: hold the lot")],
        coerce=lambda text: text == "yes",
    )


class DecideForm(forms.Form):
    """What is decided about a lot."""

    decision = forms.ChoiceField(choices=LotDecision.Decision.choices)
    reason = forms.CharField(max_length=300, widget=forms.Textarea(attrs={"rows": 2}))
    version = forms.IntegerField(widget=forms.HiddenInput)


class DrumForm(forms.Form):
    """A new waste drum."""

    agent = forms.ChoiceField(choices=AGENT_CHOICES)
    store = forms.ModelChoiceField(Store.objects.none(), label="Stands in")
    capacity_kg = forms.DecimalField(label="Takes, kg", min_value=1, max_value=1000, decimal_places=1)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = _holding_stores()  # type: ignore[attr-defined]


class DrumAwayForm(forms.Form):
    """A drum goes to the waste firm."""

    drum = forms.UUIDField(widget=forms.HiddenInput)
    version = forms.IntegerField(widget=forms.HiddenInput)
    transfer_note = forms.CharField(label="Waste transfer note", max_length=80)


class StoreForm(forms.ModelForm):
    """A new store, van, workshop or test house."""

    class Meta:
        model = Store
        fields = ("kind", "name", "depot", "keeper")
        labels = {"keeper": "Who answers for it"}


class UnitsForm(forms.Form):
    """Units by their numbers."""

    numbers = forms.CharField(
        label="Unit numbers",
        widget=forms.Textarea(attrs={"rows": 3, "autocapitalize": "characters", "spellcheck": "false"}),
        help_text="One or more, with spaces or commas between them. A scanner types them one after another.",
    )
    reason = forms.CharField(max_length=200, required=False)


class OwnUnitForm(forms.Form):
    """A unit of our own that comes into a store."""

    model = forms.ModelChoiceField(UnitModel.objects.none())
    serial = forms.CharField(label="Serial number", max_length=60, required=False)
    made = forms.CharField(
        label="Made", max_length=60, required=False, help_text="As stamped: 2024-03, 03/24"
    )
    is_loaner = forms.BooleanField(label="Into the pool of loaners", required=False, initial=True)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["model"].queryset = UnitModel.objects.all()  # type: ignore[attr-defined]


class LendForm(ActForm):
    """A loaner hangs where a unit is taken down."""

    loaner = forms.CharField(label="Loaner's number", max_length=30)
    unit = forms.CharField(label="Number of the unit that goes away", max_length=30)
    taken_to = forms.ModelChoiceField(Store.objects.none(), label="It goes to")
    expected_back_on = forms.DateField(label="Expected back", required=False, widget=day_widget())
    despite = forms.CharField(
        label="Why an unlike loaner is better than nothing", max_length=100, required=False
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["taken_to"].queryset = _open_stores()  # type: ignore[attr-defined]


class GiveBackForm(forms.Form):
    """An owner's unit hangs again where it came from."""

    unit = forms.CharField(label="Number of the unit that comes back", max_length=30)
    loaner_to = forms.ModelChoiceField(Store.objects.none(), label="Its loaner goes to", required=False)
    despite = forms.CharField(
        label="Why it goes back all the same",
        max_length=100,
        required=False,
        help_text="Only where a test or a recharge is open and no job card says that it was done.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["loaner_to"].queryset = _holding_stores()  # type: ignore[attr-defined]
