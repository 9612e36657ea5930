"""What labels were printed: a second label for the same unit must not go unseen."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.register.models import Location, Unit


class LabelPrintQuerySet(AppendOnlyQuerySet["LabelPrint"]):
    pass


class LabelPrint(AppendOnly):
    """One label or tag that was printed for one unit or one location."""

    class Sort(models.TextChoices):
        UNIT = "unit", "Unit label"
        LOCATION = "location", "Location label"
        TAG = "tag", "Service tag"

    batch = models.UUIDField(default=uuid.uuid4, db_index=True)
    sort = models.CharField(max_length=8, choices=Sort)
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="labels")
    location = models.ForeignKey(Location, models.PROTECT, null=True, blank=True, related_name="labels")
    stock = models.CharField(max_length=40)
    reason = models.CharField(max_length=200, blank=True, help_text="Why it was printed again.")
    printed_at = models.DateTimeField()
    printed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    objects = LabelPrintQuerySet.as_manager()

    class Meta:
        ordering = ["-printed_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(unit__isnull=False, location__isnull=True)
                | models.Q(unit__isnull=True, location__isnull=False),
                name="label_of_one_thing",
                violation_error_message="A label is of a unit or of a location.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_sort_display()} {self.unit or self.location}"
