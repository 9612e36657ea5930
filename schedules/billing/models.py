"""Tables of billing: runs that hand finished work to the firm's bookkeeping, line by line.

A line is read off what was recorded and never retyped. ``key`` names the thing it stands for and never
changes; what is billed of a thing is the sum over its live lines, so that a thing is billed once and a
change afterwards gives a line over the difference.
"""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.register.models import Owner, Site, Unit
from schedules.quotations.models import PriceItem


class BillingRun(models.Model):
    """Lines of some owners for what was done up to a day, made at one go."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.CharField(max_length=24, unique=True)
    first_on = models.DateField(help_text="First of a month; what was done before is not looked at.")
    until_on = models.DateField()
    owners = models.ManyToManyField(Owner, related_name="billing_runs", blank=True)
    note = models.CharField(max_length=200, blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()
    taken_back_at = models.DateTimeField(null=True, blank=True)
    taken_back_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    taken_back_reason = models.CharField(max_length=200, blank=True)
    exported_at = models.DateTimeField(null=True, blank=True, help_text="When its file was last taken.")

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(until_on__gte=models.F("first_on")),
                name="billing_run_ordered",
                violation_error_message="The last day lies before the first.",
            ),
            models.CheckConstraint(
                condition=models.Q(taken_back_at__isnull=True) | ~models.Q(taken_back_reason=""),
                name="billing_run_back_says_why",
                violation_error_message="Say why the run is taken back.",
            ),
        ]

    def __str__(self) -> str:
        return self.number


class BillingLine(models.Model):
    """One line for the bookkeeping. Nothing of it changes but whether its run was taken back."""

    class Kind(models.TextChoices):
        VISIT = "visit", "Visit"
        UNIT = "unit", "Unit"
        TASK = "task", "Task"
        PART = "part", "Part"
        LOAN = "loan", "Loaner"
        RENTAL = "rental", "Rental"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    run = models.ForeignKey(BillingRun, models.PROTECT, related_name="lines")
    key = models.CharField(max_length=160, help_text="The thing it stands for.")
    position = models.PositiveIntegerField(help_text="Which line of that thing, from 1.")
    is_live = models.BooleanField(default=True, help_text="No once the run was taken back.")
    corrects = models.ForeignKey(
        "self",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="corrections",
        help_text="An earlier line.",
    )
    kind = models.CharField(max_length=8, choices=Kind)
    code = models.CharField(max_length=60, help_text="What is billed, as price lines name it.")
    agent = models.CharField(max_length=24, blank=True)
    owner = models.ForeignKey(Owner, models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, models.PROTECT, related_name="+")
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="+")
    on = models.DateField(help_text="Civil day at the site on which it was done.")
    text = models.CharField(max_length=300)
    quantity = models.DecimalField(max_digits=12, decimal_places=2, help_text="Negative where it takes back.")
    unit_word = models.CharField(max_length=20)
    is_included = models.BooleanField(default=False, help_text="Covered by the basis of price; no amount.")
    item = models.ForeignKey(PriceItem, models.PROTECT, null=True, blank=True, related_name="+")
    price = models.DecimalField(
        max_digits=12, decimal_places=2, null=True, blank=True, help_text="Of one; empty: the list has none."
    )
    currency = models.CharField(max_length=3, blank=True)
    amount = models.DecimalField(max_digits=14, decimal_places=2, null=True, blank=True)
    basis = models.CharField(max_length=20, blank=True, help_text="Basis of price; empty: not agreed.")
    contract_number = models.CharField(max_length=40, blank=True)
    po_number = models.CharField(max_length=60, blank=True)
    po_problem = models.CharField(max_length=120, blank=True)
    visit_number = models.CharField(max_length=30, blank=True)
    sources = models.JSONField(default=list, help_text="What it was read off: sort and id of each record.")

    class Meta:
        ordering = ["run_id", "owner_id", "site_id", "on", "id"]
        indexes = [
            models.Index(fields=["key"], name="billing_line_by_key"),
            models.Index(fields=["owner", "on"], name="billing_line_by_owner"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["key", "position"],
                condition=models.Q(is_live=True),
                name="billed_once",
                violation_error_message="Another run billed this a moment ago.",
            ),
            models.CheckConstraint(condition=~models.Q(quantity=0), name="billing_line_quantity"),
            models.CheckConstraint(
                condition=models.Q(price__isnull=True) | ~models.Q(currency=""),
                name="billing_line_price_has_currency",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.text}: {self.quantity}"
