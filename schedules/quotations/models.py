"""Tables of quotations. A sent quotation keeps its lines; an owner's decision on a line is final."""

from __future__ import annotations

import uuid
from decimal import Decimal

from django.conf import settings
from django.db import models

from inventory.access import Scope, on_premises
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.logbook.models import Defect
from inventory.register.models import Site


class PriceItem(models.Model):
    """A line of the firm's own price list. Nothing is shipped: prices are the firm's to enter."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    code = models.CharField(max_length=30, unique=True)
    text = models.CharField(max_length=200)
    unit_word = models.CharField(
        max_length=20, default="piece", help_text="What the price is for: piece, hour."
    )
    price = models.DecimalField(max_digits=12, decimal_places=2)
    currency = models.CharField(max_length=3, help_text="ISO 4217 code.")
    defect_code = models.CharField(
        max_length=20, blank=True, help_text="Proposed for defects of this code; empty: for none."
    )
    bills = models.CharField(
        max_length=60, blank=True, help_text="What of a billing run it prices; empty: nothing by itself."
    )
    agent = models.CharField(max_length=24, blank=True, help_text="Only for units of this agent; empty: any.")
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)
    changed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    changed_at = models.DateTimeField()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(
                fields=["bills", "agent"],
                condition=models.Q(is_active=True) & ~models.Q(bills=""),
                name="price_bills_once",
                violation_error_message="Another line in use prices this already.",
            ),
            models.CheckConstraint(
                condition=models.Q(price__gte=0),
                name="price_not_negative",
                violation_error_message="A price is zero or more.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.text}"


class PriceStepQuerySet(AppendOnlyQuerySet["PriceStep"]):
    pass


class PriceStep(AppendOnly):
    """The price of a line of the list from a day on; the last step up to a day counts on it."""

    item = models.ForeignKey(PriceItem, models.PROTECT, related_name="steps")
    from_on = models.DateField()
    price = models.DecimalField(max_digits=12, decimal_places=2)
    currency = models.CharField(max_length=3, help_text="ISO 4217 code.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()

    objects = PriceStepQuerySet.as_manager()

    class Meta:
        ordering = ["item_id", "from_on", "id"]
        indexes = [models.Index(fields=["item", "from_on"], name="price_step_by_day")]
        constraints = [
            models.CheckConstraint(condition=models.Q(price__gte=0), name="price_step_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.item}: {self.price} {self.currency} from {self.from_on}"


class QuotationQuerySet(models.QuerySet["Quotation"]):
    def visible_to(self, scope: Scope) -> QuotationQuerySet:
        """The desk sees all; an owner what was sent for own sites; a technician none."""
        if scope.everything:
            return self
        if scope.technician_id is not None:
            return self.none()
        return self.exclude(state=Quotation.State.DRAFT).filter(on_premises(scope, day="made_at__date"))


class Quotation(models.Model):
    """What mending defects of one site would cost."""

    class State(models.TextChoices):
        DRAFT = "draft", "Draft"
        SENT = "sent", "Sent"
        WITHDRAWN = "withdrawn", "Withdrawn"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.CharField(max_length=24, unique=True)
    site = models.ForeignKey(Site, models.PROTECT, related_name="quotations")
    state = models.CharField(max_length=10, choices=State, default=State.DRAFT)
    currency = models.CharField(max_length=3, help_text="ISO 4217 code.")
    note = models.TextField(blank=True)
    valid_until = models.DateField(null=True, blank=True, help_text="Civil date at the site.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True, blank=True)
    sent_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    withdrawn_reason = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1)

    objects = QuotationQuerySet.as_manager()

    class Meta:
        ordering = ["-made_at", "-id"]
        indexes = [models.Index(fields=["site", "state"], name="quotation_by_site")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state="draft") | models.Q(sent_at__isnull=False),
                name="quotation_sent_says_when",
            ),
            models.CheckConstraint(
                condition=~models.Q(state="withdrawn") | ~models.Q(withdrawn_reason=""),
                name="quotation_withdrawn_says_why",
                violation_error_message="Say why the quotation is withdrawn.",
            ),
        ]

    def __str__(self) -> str:
        return self.number


class QuotationLine(models.Model):
    """One thing to be done, with its quantity and price. Changed only while the quotation is a draft."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    quotation = models.ForeignKey(Quotation, models.CASCADE, related_name="lines")
    position = models.PositiveSmallIntegerField()
    defect = models.ForeignKey(Defect, models.PROTECT, null=True, blank=True, related_name="quoted")
    item = models.ForeignKey(PriceItem, models.SET_NULL, null=True, blank=True, related_name="+")
    text = models.CharField(max_length=300)
    quantity = models.DecimalField(max_digits=9, decimal_places=2, default=Decimal(1))
    unit_word = models.CharField(max_length=20, default="piece")
    price = models.DecimalField(
        max_digits=12, decimal_places=2, null=True, blank=True, help_text="Of one; empty until it is known."
    )

    class Meta:
        ordering = ["quotation_id", "position", "id"]
        constraints = [
            models.UniqueConstraint(fields=["quotation", "position"], name="quotation_line_position_once"),
            models.CheckConstraint(
                condition=models.Q(quantity__gt=0),
                name="quotation_line_quantity",
                violation_error_message="A quantity is more than zero.",
            ),
            models.CheckConstraint(
                condition=models.Q(price__isnull=True) | models.Q(price__gte=0),
                name="quotation_line_price",
                violation_error_message="A price is zero or more.",
            ),
        ]

    def __str__(self) -> str:
        return self.text

    @property
    def amount(self) -> Decimal | None:
        """Quantity times price, to the cent."""
        return None if self.price is None else (self.quantity * self.price).quantize(Decimal("0.01"))


class LineDecisionQuerySet(AppendOnlyQuerySet["LineDecision"]):
    pass


class LineDecision(AppendOnly):
    """What a person of the owner decided on one line; the first decision stands."""

    class Choice(models.TextChoices):
        APPROVED = "approved", "Approved"
        DECLINED = "declined", "Declined"

    line = models.OneToOneField(QuotationLine, models.PROTECT, related_name="decision")
    choice = models.CharField(max_length=8, choices=Choice)
    remark = models.CharField(max_length=200, blank=True)
    decided_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    decided_name = models.CharField(max_length=150, help_text="The name as it was then.")
    decided_at = models.DateTimeField()

    objects = LineDecisionQuerySet.as_manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.line}: {self.get_choice_display()}"
