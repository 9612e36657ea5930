"""Tables of registers that are brought in: sources, runs, what was doubted, what was done."""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta

from django.conf import settings
from django.db import models

from inventory.register.models import FactRank, Unit

SILENT = timedelta(seconds=45)
"""A worker of which nothing is heard for so long is taken for lost."""


class RegisterSource(models.Model):
    """Who sends registers: a customer, another firm, our own survey; its answers serve its next file."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=120, unique=True)
    rank = models.PositiveSmallIntegerField(
        "What its facts were read from",
        choices=[choice for choice in FactRank.choices if choice[0] != FactRank.DECIDED],
        default=FactRank.OWNER_LIST,
    )
    made_at = models.DateTimeField(auto_now_add=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name


class SourceLayout(models.Model):
    """What was settled on screen for files of one source that have the same headings."""

    source = models.ForeignKey(RegisterSource, models.CASCADE, related_name="layouts")
    headings_digest = models.CharField(max_length=64)
    columns = models.JSONField(default=dict, help_text="Field by position of the column; empty: not taken.")
    answers = models.JSONField(default=dict, help_text="What the file cannot say itself.")
    kept_at = models.DateTimeField()
    kept_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["source_id", "id"]
        constraints = [models.UniqueConstraint(fields=["source", "headings_digest"], name="layout_once")]

    def __str__(self) -> str:
        return f"{self.source}: {len(self.columns)} columns"


class RegisterImport(models.Model):
    """One file on its way into the register, and what became of it."""

    class State(models.TextChoices):
        SETTLING = "settling", "Columns to settle"
        READING = "reading", "Being read"
        READ = "read", "Waits for your word"
        STORING = "storing", "Being stored"
        DATING = "dating", "Stored, due dates being worked out"
        STORED = "stored", "Stored"
        UNDOING = "undoing", "Being taken back"
        UNDONE = "undone", "Taken back"
        DROPPED = "dropped", "Put aside"

    WORKING = (State.READING, State.STORING, State.DATING, State.UNDOING)
    IN_REGISTER = (State.DATING, State.STORED)

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    source = models.ForeignKey(RegisterSource, models.PROTECT, null=True, blank=True, related_name="imports")
    rank = models.PositiveSmallIntegerField(choices=FactRank, default=FactRank.OWNER_LIST)
    file_name = models.CharField(max_length=200)
    stored_name = models.CharField(max_length=200, blank=True, help_text="Below the media folder.")
    digest = models.CharField(max_length=64, db_index=True, help_text="SHA-256 of the file.")
    length = models.PositiveBigIntegerField(help_text="Bytes.")
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    asked_at = models.DateTimeField()
    state = models.CharField(max_length=10, choices=State, default=State.SETTLING)
    columns = models.JSONField(default=dict, blank=True)
    answers = models.JSONField(default=dict, blank=True)
    counts = models.JSONField(default=dict, blank=True)
    error = models.CharField(max_length=500, blank=True)
    version = models.PositiveIntegerField(default=1, help_text="Rises with every choice of rows.")

    stage = models.CharField(max_length=80, blank=True)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    claim = models.UUIDField(null=True, blank=True)
    heard_at = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveSmallIntegerField(default=0)
    is_stop_asked = models.BooleanField(default=False)

    stored_at = models.DateTimeField(null=True, blank=True)
    stored_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    record_ranges = models.JSONField(default=list, blank=True, help_text="First and last id of its records.")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-asked_at", "-id"]
        indexes = [models.Index(fields=["state"], name="import_by_state")]

    def __str__(self) -> str:
        return f"{self.file_name}, {self.asked_at:%Y-%m-%d %H:%M}"

    @property
    def is_working(self) -> bool:
        """Whether a background job has it."""
        return self.state in self.WORKING

    @property
    def can_stop(self) -> bool:
        """Whether asking it to stop does anything: what is stored already is undone instead."""
        return self.state in (self.State.READING, self.State.STORING)

    def is_silent(self, now: datetime) -> bool:
        """Whether its worker seems lost."""
        return self.is_working and self.heard_at is not None and self.heard_at < now - SILENT

    @property
    def source_name(self) -> str:
        """Whose file it is, in words."""
        return self.source.name if self.source is not None else "no named source"


class ImportFinding(models.Model):
    """One thing that the reader refused or doubted in the file of a run."""

    run = models.ForeignKey(RegisterImport, models.CASCADE, related_name="findings")
    row = models.PositiveIntegerField(help_text="As a spreadsheet numbers it; 0 is the whole file.")
    letter = models.CharField(max_length=4, blank=True)
    column = models.CharField(max_length=200, blank=True)
    code = models.CharField(max_length=40)
    severity = models.CharField(max_length=10)
    found = models.CharField(max_length=200, blank=True)
    becomes = models.CharField(max_length=200, blank=True)
    sentence = models.TextField()
    remedy = models.TextField(blank=True)

    class Meta:
        ordering = ["run_id", "row", "id"]
        indexes = [models.Index(fields=["run", "severity", "code", "row"], name="finding_by_code")]

    def __str__(self) -> str:
        return f"row {self.row}: {self.code}"


class ImportLine(models.Model):
    """What one row of a file comes to, or one unit that the file does not name."""

    class Verdict(models.TextChoices):
        ADDED = "added", "New"
        CHANGED = "changed", "Changed"
        UNCHANGED = "unchanged", "Unchanged"
        GONE = "gone", "Gone here, left alone"
        REFUSED = "refused", "Refused"
        MISSING = "missing", "Not in the file"

    run = models.ForeignKey(RegisterImport, models.CASCADE, related_name="lines")
    row = models.PositiveIntegerField()
    verdict = models.CharField(max_length=10, choices=Verdict)
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, related_name="+")
    number = models.CharField(max_length=30, blank=True)
    serial = models.CharField(max_length=60, blank=True)
    place = models.CharField(max_length=120, blank=True, help_text="Site code and number of the place.")
    changes = models.JSONField(default=list, blank=True, help_text="What, old, new.")
    extras = models.JSONField(default=list, blank=True, help_text="Heading and text of columns not taken.")
    is_left_out = models.BooleanField(default=False)

    class Meta:
        ordering = ["run_id", "row", "id"]
        indexes = [
            models.Index(fields=["run", "verdict", "row"], name="line_by_verdict"),
            models.Index(fields=["run", "row"], name="line_by_row"),
        ]

    def __str__(self) -> str:
        return f"row {self.row}: {self.verdict}"


class ImportEffect(models.Model):
    """One row of the register that a run added or changed, with what stood there before."""

    class Kind(models.TextChoices):
        OWNER = "owner", "Owner"
        SITE = "site", "Site"
        LOCATION = "location", "Place"
        UNIT = "unit", "Unit"
        ADOPTION = "adoption", "Interval table"

    run = models.ForeignKey(RegisterImport, models.CASCADE, related_name="effects")
    kind = models.CharField(max_length=10, choices=Kind)
    target = models.BigIntegerField(help_text="Id of the row of the register.")
    is_added = models.BooleanField()
    before = models.JSONField(default=dict, blank=True)
    after = models.JSONField(default=dict, blank=True)
    is_undone = models.BooleanField(default=False)
    kept_because = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["run_id", "id"]
        indexes = [
            models.Index(fields=["run", "kind"], name="effect_by_kind"),
            models.Index(fields=["kind", "target"], name="effect_by_target"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.target}"
