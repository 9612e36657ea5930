"""Figures by which work is bundled, as the manager has set them."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from inventory.appendonly import AppendOnly, AppendOnlyQuerySet


class BundlingFiguresQuerySet(AppendOnlyQuerySet["BundlingFigures"]):
    pass


class BundlingFigures(AppendOnly):
    """Caps, weights and times of bundling; the last row stands, the earlier ones remain readable."""

    values = models.JSONField(help_text="What differs from the defaults, by name.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()

    objects = BundlingFiguresQuerySet.as_manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"Figures of {self.made_at:%Y-%m-%d %H:%M}"
