"""What people of the desk keep of their lists: filters with a name, and acts on many rows at once."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models


class SavedFilter(models.Model):
    """The filter of a list under a name, as it stands in the address."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kept_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="saved_filters")
    listing = models.CharField(max_length=30, help_text="Which list, by the name of its page.")
    name = models.CharField(max_length=60)
    query = models.CharField(max_length=1000, help_text="The query of the address.")
    is_shared = models.BooleanField(default=False, help_text="Whether colleagues see it too.")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["kept_by", "listing", "name"],
                name="saved_filter_name_once",
                violation_error_message="You have a filter of this name on this list. Choose another name.",
            )
        ]

    def __str__(self) -> str:
        return self.name


class ManyAct(models.Model):
    """One act on many rows, done in one transaction: what it changed, and what it could not."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    client_ref = models.UUIDField(unique=True, help_text="Made with the form; a resend meets it.")
    listing = models.CharField(max_length=30)
    act = models.CharField(max_length=30)
    reason = models.CharField(max_length=300, blank=True)
    said = models.CharField(max_length=300)
    changes = models.JSONField(default=list, help_text="Rows changed: id, before, after.")
    refused = models.JSONField(default=list, help_text="Rows not changed: what, why.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    undone_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    undone_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-id"]
        indexes = [models.Index(fields=["made_by", "-id"], name="many_act_by_person")]

    def __str__(self) -> str:
        return self.said
