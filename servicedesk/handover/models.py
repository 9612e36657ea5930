"""Tables of handovers: files being written, registers taken over, and what came along as history."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.register.models import Owner, Site


class House(models.Model):
    """This installation, as it names itself in files that it hands over. One row."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)

    def __str__(self) -> str:
        return str(self.public_id)


class HandoverRun(models.Model):
    """A file that is written in the background: what goes in, how far it is, and where it lies."""

    class Level(models.TextChoices):
        SITE = "site", "One site"
        OWNER = "owner", "One owner"
        FIRM = "firm", "The whole firm"

    class Form(models.TextChoices):
        JSON = "json", "JSON, to be taken over by another house"
        CSV = "csv", "CSV tables"
        XLSX = "xlsx", "XLSX workbook"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    level = models.CharField(max_length=5, choices=Level)
    site = models.ForeignKey(Site, models.CASCADE, null=True, blank=True, related_name="+")
    owner = models.ForeignKey(Owner, models.CASCADE, null=True, blank=True, related_name="+")
    form = models.CharField(max_length=4, choices=Form)
    with_papers = models.BooleanField(default=True)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    rows_total = models.PositiveIntegerField(default=0)
    rows_done = models.PositiveIntegerField(default=0)
    at_table = models.CharField(max_length=40, blank=True)
    is_stopped = models.BooleanField(default=False)
    # A worker that dies leaves its claim behind; it runs out.
    claimed_until = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    file_name = models.CharField(max_length=120, blank=True, help_text="Below the media folder.")
    file_length = models.PositiveBigIntegerField(default=0)
    file_sha256 = models.CharField(max_length=64, blank=True)
    error = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(level="site", site__isnull=False, owner__isnull=True)
                | models.Q(level="owner", site__isnull=True, owner__isnull=False)
                | models.Q(level="firm", site__isnull=True, owner__isnull=True),
                name="handover_of_one_thing",
                violation_error_message="A handover is of a site, of an owner or of the firm.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_level_display()} as {self.form}"


class TakeOverQuerySet(AppendOnlyQuerySet["TakeOver"]):
    pass


class TakeOver(AppendOnly):
    """A handed-over register that was taken into this installation."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    content_digest = models.CharField(
        max_length=64, unique=True, help_text="SHA-256 of what the file holds; a repeat meets it."
    )
    house = models.UUIDField(help_text="The installation that handed it over.")
    house_name = models.CharField(max_length=200, blank=True)
    handed_over_at = models.DateTimeField()
    covers = models.JSONField(default=dict)
    counts = models.JSONField(default=dict, help_text="Rows added, by table.")
    notes = models.JSONField(default=list, help_text="What a reader must know.")
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    taken_at = models.DateTimeField()

    objects = TakeOverQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"Taken over from {self.house_name or self.house}"


class HandedRowQuerySet(AppendOnlyQuerySet["HandedRow"]):
    def visible_to(self, scope: Scope) -> HandedRowQuerySet:
        """Rows of sites, or of owners as a whole, that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(
            models.Q(site__owner__in=scope.owner_ids)
            | models.Q(site__in=scope.site_ids)
            | models.Q(owner__in=scope.owner_ids)
        )


class HandedRow(AppendOnly):
    """One row of the earlier house that has no place of its own here, kept word for word.

    With ``local_id`` it stands beside a row of ours and holds only what that row cannot: names of people
    of the earlier house, its own stores and depots.
    """

    take_over = models.ForeignKey(TakeOver, models.PROTECT, related_name="rows")
    table_name = models.CharField(max_length=40)
    ref = models.CharField(max_length=80, help_text="Its identity in the file.")
    local_id = models.BigIntegerField(null=True)
    site = models.ForeignKey(Site, models.PROTECT, null=True, related_name="handed_rows")
    owner = models.ForeignKey(Owner, models.PROTECT, null=True, related_name="handed_rows")
    content = models.JSONField()
    file_name = models.CharField(max_length=120, blank=True, help_text="Its paper, below the media folder.")
    sha256 = models.CharField(max_length=64, blank=True)

    objects = HandedRowQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [
            models.Index(fields=["table_name", "local_id"], name="handed_row_of_ours"),
            models.Index(fields=["site", "table_name"], name="handed_row_by_site"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["table_name", "ref"], name="handed_row_once"),
        ]

    def __str__(self) -> str:
        return f"{self.table_name} {self.ref}"
