"""Tables of goods.

Every amount moves *from* one account *to* another and is never edited, so what is missing in one
place stands in another. Accounts are our stores, the supplier, a unit, a waste drum, and two that
say what was lost: spoiled, and found different at a count. ``StockBalance`` is the sum kept at hand;
it is written in the same transaction and can be proved against the moves at any time.
Amounts are whole numbers in the base unit of the item: g, mL, pieces, or litres of free gas.
"""

from __future__ import annotations

import uuid
from datetime import date

from django.conf import settings
from django.db import models

from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.register.models import AGENT_CHOICES, Unit, UnitModel
from inventory.register.places import Store


class Item(models.Model):
    """One line of the catalogue."""

    class Kind(models.TextChoices):
        AGENT = "agent", "Agent"
        GAS = "gas", "Gas"
        PART = "part", "Part"
        CARTRIDGE = "cartridge", "Cartridge"
        LABEL = "label", "Label or tag"
        COLLAR = "collar", "Verification collar"
        SEAL = "seal", "Seal or pin"

    class BaseUnit(models.TextChoices):
        GRAM = "g", "grams"
        MILLILITRE = "mL", "millilitres"
        PIECE = "pcs", "pieces"
        FREE_LITRE = "L", "litres of free gas"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    code = models.CharField(
        max_length=40, unique=True, error_messages={"unique": "Another item has this code."}
    )
    name = models.CharField(max_length=160)
    kind = models.CharField(max_length=10, choices=Kind)
    base_unit = models.CharField(max_length=3, choices=BaseUnit)
    agent = models.CharField(max_length=24, choices=AGENT_CHOICES, blank=True)
    maker = models.CharField(max_length=100, blank=True)
    is_lot_tracked = models.BooleanField(default=False, help_text="Every amount names its lot.")
    pack_size = models.PositiveIntegerField(default=1, help_text="What it is ordered in, base units.")
    reorder_level = models.PositiveIntegerField(default=0, help_text="Never less than this in all stores.")
    lead_days = models.PositiveSmallIntegerField(default=14, help_text="Days from order to delivery.")
    is_closed = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["kind", "name", "id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(pack_size__gte=1),
                name="item_pack_size",
                violation_error_message="A pack holds at least one.",
            ),
            models.CheckConstraint(
                condition=models.Q(is_lot_tracked=True) | ~models.Q(kind__in=("agent", "gas")),
                name="item_agent_has_lots",
                violation_error_message="Agent and gas are always kept by lot.",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class PartFit(models.Model):
    """Which part belongs to which model, and how many at each opening."""

    item = models.ForeignKey(Item, models.CASCADE, related_name="fits")
    model = models.ForeignKey(UnitModel, models.CASCADE, related_name="parts")
    pieces = models.PositiveSmallIntegerField(default=1)

    class Meta:
        ordering = ["model_id", "item_id"]
        constraints = [models.UniqueConstraint(fields=["item", "model"], name="part_fit_once")]

    def __str__(self) -> str:
        return f"{self.item} for {self.model}"


class Lot(models.Model):
    """What came in one delivery of one batch: a drum, a bag, a gas cylinder, a roll of labels."""

    class State(models.TextChoices):
        OPEN = "open", "May be used"
        HELD = "held", "Held until decided"
        RECALLED = "recalled", "Recalled"
        SCRAPPED = "scrapped", "Scrapped"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    item = models.ForeignKey(Item, models.PROTECT, related_name="lots")
    lot_no = models.CharField(max_length=60, help_text="As the maker printed it.")
    maker = models.CharField(max_length=100, blank=True)
    supplier = models.CharField(max_length=100, blank=True)
    received_on = models.DateField()
    expires_on = models.DateField(null=True, blank=True, help_text="Last day on which it may be used.")
    state = models.CharField(max_length=8, choices=State, default=State.OPEN)
    remarks = models.TextField(blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["item_id", "received_on", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["item", "lot_no"],
                name="lot_once_per_item",
                violation_error_message="This lot is entered already; add what came to it.",
            )
        ]

    def __str__(self) -> str:
        return self.lot_no

    def is_past(self, on: date) -> bool:
        """Whether it may no longer be used on that day."""
        return self.expires_on is not None and on > self.expires_on


class GasCylinder(models.Model):
    """The vessel that a lot of gas came in."""

    lot = models.OneToOneField(Lot, models.CASCADE, primary_key=True, related_name="cylinder")
    serial = models.CharField(max_length=60)
    belongs_to = models.CharField(max_length=100, blank=True, help_text="Empty when it is our own.")
    water_capacity_ml = models.PositiveIntegerField(null=True, blank=True)
    full_pressure_kpa = models.PositiveIntegerField(null=True, blank=True)
    tested_on = models.DateField(null=True, blank=True)
    test_due_on = models.DateField(null=True, blank=True)
    rented_on = models.DateField(null=True, blank=True)
    handed_back_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["serial"]

    def __str__(self) -> str:
        return self.serial


class WasteDrum(models.Model):
    """A drum that takes agent out of units until it goes to a licensed waste firm."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.CharField(max_length=30, unique=True)
    agent = models.CharField(max_length=24, choices=AGENT_CHOICES)
    store = models.ForeignKey(Store, models.PROTECT, related_name="drums")
    capacity_g = models.PositiveIntegerField()
    opened_on = models.DateField()
    closed_on = models.DateField(null=True, blank=True)
    gone_on = models.DateField(null=True, blank=True)
    transfer_note = models.CharField(max_length=80, blank=True, help_text="Number of the waste note.")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["number"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(gone_on__isnull=True) | ~models.Q(transfer_note=""),
                name="drum_gone_with_note",
                violation_error_message="Enter the number of the waste transfer note.",
            )
        ]

    def __str__(self) -> str:
        return self.number


class Account(models.TextChoices):
    """One side of a stock move."""

    STORE = "store", "Store"
    SUPPLIER = "supplier", "Supplier"
    UNIT = "unit", "Unit"
    DRUM = "drum", "Waste drum"
    SPOILED = "spoiled", "Spoiled or lost"
    COUNTED = "counted", "Found different at a count"


class StockMoveQuerySet(AppendOnlyQuerySet["StockMove"]):
    pass


class StockMove(AppendOnly):
    """One amount going from one account to another."""

    client_ref = models.UUIDField(help_text="One act of one person; a resend meets it.")
    line = models.PositiveSmallIntegerField(default=0)
    item = models.ForeignKey(Item, models.PROTECT, related_name="moves")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, related_name="moves")
    quantity = models.PositiveBigIntegerField(help_text="In the base unit of the item.")
    from_account = models.CharField(max_length=8, choices=Account)
    from_store = models.ForeignKey(Store, models.PROTECT, null=True, related_name="stock_out")
    to_account = models.CharField(max_length=8, choices=Account)
    to_store = models.ForeignKey(Store, models.PROTECT, null=True, related_name="stock_in")
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, related_name="stock_moves")
    drum = models.ForeignKey(WasteDrum, models.PROTECT, null=True, related_name="moves")
    ref = models.UUIDField(null=True, blank=True, db_index=True, help_text="The visit or job card behind it.")
    on = models.DateField()
    reason = models.CharField(max_length=200, blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField(help_text="Server instant, UTC.")

    objects = StockMoveQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [
            models.Index(fields=["lot", "to_account", "unit"], name="stock_move_by_lot"),
            models.Index(fields=["unit", "-id"], name="stock_move_by_unit"),
            models.Index(fields=["item", "on"], name="stock_move_by_item"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["client_ref", "line"], name="stock_move_once"),
            models.CheckConstraint(condition=models.Q(quantity__gte=1), name="stock_move_moves_something"),
            models.CheckConstraint(
                condition=models.Q(from_account="store", from_store__isnull=False)
                | (~models.Q(from_account="store") & models.Q(from_store__isnull=True)),
                name="stock_move_from_one_account",
            ),
            models.CheckConstraint(
                condition=models.Q(to_account="store", to_store__isnull=False)
                | (~models.Q(to_account="store") & models.Q(to_store__isnull=True)),
                name="stock_move_to_one_account",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} {self.item.base_unit} {self.item}"


class StockBalance(models.Model):
    """What of an item, by lot, stands in a store."""

    item = models.ForeignKey(Item, models.PROTECT, related_name="balances")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, related_name="balances")
    store = models.ForeignKey(Store, models.PROTECT, related_name="balances")
    quantity = models.BigIntegerField(default=0)

    class Meta:
        ordering = ["store_id", "item_id", "lot_id"]
        constraints = [
            models.UniqueConstraint(
                fields=["store", "lot"], condition=models.Q(lot__isnull=False), name="stock_balance_of_lot"
            ),
            models.UniqueConstraint(
                fields=["store", "item"], condition=models.Q(lot__isnull=True), name="stock_balance_of_item"
            ),
            models.CheckConstraint(
                condition=models.Q(quantity__gte=0),
                name="stock_balance_not_overdrawn",
                violation_error_message="There is not that much left.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.item} in {self.store}: {self.quantity}"


class LotSampleQuerySet(AppendOnlyQuerySet["LotSample"]):
    pass


class LotSample(AppendOnly):
    """One acceptance test of a lot: what was measured, against which limit, with what result."""

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="samples")
    passed = models.BooleanField()
    test = models.CharField(max_length=160)
    figures = models.CharField(max_length=300, blank=True)
    limit = models.CharField(max_length=160, blank=True, help_text="And who states it.")
    on = models.DateField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField(help_text="Server instant, UTC.")

    objects = LotSampleQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.lot}: {'passed' if self.passed else 'failed'}"


class LotDecisionQuerySet(AppendOnlyQuerySet["LotDecision"]):
    pass


class LotDecision(AppendOnly):
    """What a person decided about a lot, and why. Without a person: a failed sample held it."""

    class Decision(models.TextChoices):
        HOLD = "hold", "Hold"
        RELEASE = "release", "Release"
        RECALL = "recall", "Recall"
        SCRAP = "scrap", "Scrap what is left"

    lot = models.ForeignKey(Lot, models.PROTECT, related_name="decisions")
    decision = models.CharField(max_length=8, choices=Decision)
    reason = models.CharField(max_length=300)
    sample = models.ForeignKey(LotSample, models.PROTECT, null=True, related_name="decisions")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField(help_text="Server instant, UTC.")

    objects = LotDecisionQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.lot}: {self.get_decision_display()}"
