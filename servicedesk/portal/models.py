"""Tables of the owner's pages."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class CalendarAddress(models.Model):
    """The secret address at which a person's calendar reads coming visits; one per person.

    Only a digest of the secret is kept: it is shown once, and a new one ends the old. Without a row
    there is no address.
    """

    user = models.OneToOneField(settings.AUTH_USER_MODEL, models.CASCADE, related_name="calendar_address")
    secret_sha256 = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    last_read_on = models.DateField(
        null=True, blank=True, help_text="UTC day on which it was last asked for."
    )

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"Calendar of {self.user}"
