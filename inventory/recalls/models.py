"""Tables of recalls. Why a recall concerns a unit is kept, so that it can be answered for."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.register.models import AGENT_CHOICES, Unit
from inventory.stock.models import Lot


class Recall(models.Model):
    """A notice that units of some build must be seen to."""

    class State(models.TextChoices):
        OPEN = "open", "Open"
        CLOSED = "closed", "Closed"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    client_ref = models.UUIDField(unique=True, help_text="A resend meets it.")
    number = models.CharField(max_length=20, unique=True)
    title = models.CharField(max_length=120)
    notice = models.TextField(help_text="What is wrong and what is to be done, as people read it.")
    source = models.CharField(max_length=200, blank=True, help_text="Who gave the notice, with its number.")
    maker = models.CharField(max_length=100, blank=True)
    model_name = models.CharField(max_length=120, blank=True)
    agent = models.CharField(max_length=24, choices=AGENT_CHOICES, blank=True)
    made_from = models.DateField(null=True, blank=True)
    made_to = models.DateField(null=True, blank=True)
    serial_from = models.CharField(max_length=60, blank=True)
    serial_to = models.CharField(max_length=60, blank=True)
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="recalls")
    state = models.CharField(max_length=6, choices=State, default=State.OPEN)
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    opened_at = models.DateTimeField()
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    closed_at = models.DateTimeField(null=True, blank=True)
    closing_note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-opened_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(made_from__isnull=True)
                | models.Q(made_to__isnull=True)
                | models.Q(made_to__gte=models.F("made_from")),
                name="recall_made_ordered",
                violation_error_message="The last build date lies before the first.",
            ),
            models.CheckConstraint(
                condition=~models.Q(state="closed")
                | models.Q(closed_at__isnull=False) & ~models.Q(closing_note=""),
                name="recall_closed_says_why",
                violation_error_message="Say with what the recall is closed.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.title}"


class RecallUnitQuerySet(models.QuerySet["RecallUnit"]):
    def visible_to(self, scope: Scope) -> RecallUnitQuerySet:
        """Those of units that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(
            models.Q(unit__site__owner__in=scope.owner_ids) | models.Q(unit__site__in=scope.site_ids)
        )


class RecallUnit(models.Model):
    """One unit that a recall concerns, for certain or possibly, and what became of it."""

    class Certainty(models.TextChoices):
        CERTAIN = "certain", "Certainly"
        POSSIBLE = "possible", "Possibly"

    class State(models.TextChoices):
        OPEN = "open", "To be found"
        FOUND = "found", "Found"
        DONE = "done", "Done"
        GONE = "gone", "Gone"
        NOT_FOUND = "not_found", "Not found"
        CLEARED = "cleared", "Not concerned"

    SETTLED = (State.DONE, State.GONE, State.CLEARED)

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    recall = models.ForeignKey(Recall, models.PROTECT, related_name="units")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="recalls")
    certainty = models.CharField(max_length=8, choices=Certainty)
    why = models.CharField(max_length=300)
    state = models.CharField(max_length=9, choices=State, default=State.OPEN)
    version = models.PositiveIntegerField(default=1)

    objects = RecallUnitQuerySet.as_manager()

    class Meta:
        ordering = ["recall_id", "id"]
        indexes = [models.Index(fields=["recall", "state"], name="recall_unit_by_state")]
        constraints = [
            models.UniqueConstraint(fields=["recall", "unit"], name="recall_unit_once"),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.recall}"


class RecallStepQuerySet(AppendOnlyQuerySet["RecallStep"]):
    pass


class RecallStep(AppendOnly):
    """What was said of one unit of a recall: from which state to which, with a note."""

    recall_unit = models.ForeignKey(RecallUnit, models.PROTECT, related_name="steps")
    from_state = models.CharField(max_length=9, choices=RecallUnit.State)
    to_state = models.CharField(max_length=9, choices=RecallUnit.State)
    note = models.CharField(max_length=300, blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()

    objects = RecallStepQuerySet.as_manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.recall_unit}: {self.get_to_state_display()}"
