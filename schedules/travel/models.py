"""Travel times that were asked for once and need not be asked for again."""

from __future__ import annotations

from django.db import models


class TravelLeg(models.Model):
    """Driving from one rounded place to another, as one provider told it."""

    source = models.CharField(max_length=120, help_text="Provider, its address or tiles, and its profile.")
    start = models.CharField(max_length=24, help_text="Latitude and longitude to four decimals.")
    goal = models.CharField(max_length=24)
    drive_s = models.PositiveIntegerField()
    drive_m = models.PositiveIntegerField()
    stored_at = models.DateTimeField()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["source", "start", "goal"], name="travel_leg_once"),
        ]

    def __str__(self) -> str:
        return f"{self.start} to {self.goal}: {self.drive_s} s"
