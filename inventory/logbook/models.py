"""Tables of the logbook.

A record is added, never edited; a correction is a new record that points at the old one, once.
Three fences: ``save`` and ``delete`` on a stored row, ``update`` and ``delete`` on the queryset,
and a trigger in the database (see the migration). The records of a unit form a chain: each
carries the digest of the one before, so a removed or altered row breaks it visibly.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from typing import Any, Self, TypeVar

from django.conf import settings
from django.db import models
from django.db.models.functions import Coalesce

from inventory.access import Scope, on_premises
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.measures import kinds
from inventory.measures.stamps import Precision, Stamp
from inventory.register.aliases import known_as
from inventory.register.models import PRECISION_CHOICES, Location, Site, Unit

M = TypeVar("M", bound=models.Model)

TASK_CHOICES = [(code.value, label) for code, label in kinds.TASK_LABELS.items()]


class ServiceRecordQuerySet(AppendOnlyQuerySet["ServiceRecord"]):
    def visible_to(self, scope: Scope) -> ServiceRecordQuerySet:
        """Records of units that ``scope`` may see, as long as they were made on its own sites."""
        if scope.everything:
            return self
        return self.filter(on_premises(scope, day="done_first"))

    def standing(self) -> ServiceRecordQuerySet:
        """Records that no later record corrects."""
        return self.filter(corrected_by__isnull=True)

    def of_units(self, unit_ids: Iterable[int]) -> models.QuerySet[Any]:
        """The joint history of these units: records of their own and of those merged into them.

        Each row carries ``counts_for``, the id of the unit whose history it belongs to.
        """
        return self.filter(unit__in=known_as(unit_ids)).annotate(
            counts_for=Coalesce("unit__merged_into_id", "unit_id")
        )


class ServiceRecord(AppendOnly):
    """One thing that happened to one unit: what, when, who, with what result."""

    class Outcome(models.TextChoices):
        PASSED = "passed", "Passed"
        FAILED = "failed", "Failed"
        NOT_FOUND = "not_found", "Not found"
        NO_ACCESS = "no_access", "No access"
        REPLACED = "replaced", "Replaced by another unit"
        REMOVED = "removed", "Taken away"
        VOID = "void", "Void: the corrected record does not stand"

    class Evidence(models.TextChoices):
        """Where the claim comes from; earlier in the list weighs more (common practice, no source)."""

        OWN_WORK = "own_work", "Done by us"
        SHELL_STAMP = "shell_stamp", "Stamp on the shell"
        TEST_LABEL = "test_label", "Test label"
        COLLAR = "collar", "Verification collar"
        TAG = "tag", "Service tag"
        OWNER_CHECK = "owner_check", "Looked at by the owner's own people"
        OWNER_PAPER = "owner_paper", "Owner's papers"
        WORD = "word", "Word of mouth"

    client_ref = models.UUIDField(
        unique=True, default=uuid.uuid4, help_text="Made by the client; a resend meets it."
    )
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="records")
    sequence = models.PositiveIntegerField(help_text="Position in the unit's own chain, from 1.")
    task = models.CharField(max_length=24, choices=TASK_CHOICES)
    outcome = models.CharField(max_length=12, choices=Outcome)
    done_first = models.DateField(null=True, help_text="First civil day at the site that the date can mean.")
    done_last = models.DateField(null=True)
    done_precision = models.CharField(max_length=8, choices=PRECISION_CHOICES, default=Precision.DAY.value)
    done_raw = models.CharField(max_length=60, blank=True)
    method = models.CharField(max_length=20, blank=True, help_text="How a pressure test was made.")
    evidence = models.CharField(max_length=12, choices=Evidence, default=Evidence.OWN_WORK)
    site = models.ForeignKey(Site, models.PROTECT, null=True, related_name="records")
    location = models.ForeignKey(Location, models.PROTECT, null=True, related_name="records")
    visit_ref = models.UUIDField(null=True, blank=True, db_index=True, help_text="The visit it was made on.")
    performed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    performed_by_name = models.CharField(max_length=150, blank=True)
    instrument = models.CharField(max_length=120, blank=True)
    remarks = models.TextField(blank=True)
    device_at = models.DateTimeField(null=True, blank=True, help_text="The device's clock, UTC.")
    received_at = models.DateTimeField(help_text="Server instant, UTC.")
    corrects = models.OneToOneField(
        "self", models.PROTECT, null=True, blank=True, related_name="corrected_by"
    )
    correction_reason = models.CharField(max_length=200, blank=True)
    previous_digest = models.CharField(max_length=64, blank=True)
    digest = models.CharField(max_length=64)

    objects = ServiceRecordQuerySet.as_manager()

    class Meta:
        ordering = ["unit_id", "sequence"]
        indexes = [
            models.Index(fields=["site", "-received_at"], name="record_by_site"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "sequence"],
                name="record_sequence_once_per_unit",
                violation_error_message="Somebody recorded on this unit a moment ago; send the record again.",
            ),
            models.CheckConstraint(
                condition=(
                    models.Q(done_precision="unknown", done_first__isnull=True, done_last__isnull=True)
                    | (
                        ~models.Q(done_precision="unknown")
                        & models.Q(done_first__isnull=False, done_last__gte=models.F("done_first"))
                    )
                ),
                name="record_done_consistent",
                violation_error_message="A known date needs its first and last possible day.",
            ),
            models.CheckConstraint(
                condition=models.Q(corrects__isnull=True) | ~models.Q(correction_reason=""),
                name="record_correction_has_reason",
                violation_error_message="Say why the earlier record is corrected.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.get_task_display()}, {self.get_outcome_display()}, {self.done}"

    @property
    def done(self) -> Stamp:
        """When it was done, as precisely as it is known."""
        return Stamp.from_stored(self.done_first, self.done_last, self.done_precision, self.done_raw)


class ReadingQuerySet(AppendOnlyQuerySet["Reading"]):
    pass


class Reading(AppendOnly):
    """One measured value of a record: as entered, with its unit, and in the base unit."""

    class Verdict(models.TextChoices):
        INSIDE = "inside", "Inside the limit"
        OUTSIDE = "outside", "Outside the limit"
        UNJUDGED = "unjudged", "Not judged"

    record = models.ForeignKey(ServiceRecord, models.PROTECT, related_name="readings")
    quantity = models.CharField(max_length=30, help_text="A code of inventory.measures.readings.")
    entered_value = models.CharField(max_length=24, help_text="The figures as typed, never converted.")
    entered_unit = models.CharField(max_length=12)
    base_value = models.FloatField(help_text="In the quantity's base unit (kPa gauge, g, °C).")
    verdict = models.CharField(max_length=10, choices=Verdict, default=Verdict.UNJUDGED)
    verdict_reason = models.CharField(max_length=300, blank=True)

    objects = ReadingQuerySet.as_manager()

    class Meta:
        ordering = ["record_id", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["record", "quantity"],
                name="reading_once_per_record",
                violation_error_message="This value was already given for this record.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.quantity} {self.entered_value} {self.entered_unit}"


class SiteRowsQuerySet(models.QuerySet[M]):
    """Rows that belong to a site and are seen by whoever may see the site.

    ``seen_by`` names the field by whose day it is told whether the row is of the present owner's time.
    """

    seen_by = ""

    def visible_to(self, scope: Scope) -> Self:
        """Rows of sites that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(on_premises(scope, day=self.seen_by))


class DefectQuerySet(SiteRowsQuerySet["Defect"]):
    seen_by = "opened_on"

    def open(self) -> Self:
        """Defects that nobody has settled, without those recorded in error."""
        return self.filter(settled_at__isnull=True, is_void=False)


class Defect(models.Model):
    """Something wrong with a unit, or with the place where it hangs: from finding to settling.

    What was found stays as it was stated; settling adds when, by whom and how. ``is_void`` marks one
    that its finder took back as recorded in error.
    """

    class Severity(models.TextChoices):
        CRITICAL = "critical", "Critical"
        NON_CRITICAL = "non_critical", "Non-critical"
        NON_CONFORMANCE = "non_conformance", "Non-conformance"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    site = models.ForeignKey(Site, models.PROTECT, related_name="defects")
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="defects")
    location = models.ForeignKey(Location, models.PROTECT, null=True, blank=True, related_name="defects")
    code = models.CharField(max_length=20, help_text="A code of inventory.measures.defects.")
    severity = models.CharField(max_length=16, choices=Severity)
    action = models.CharField(max_length=200, blank=True, help_text="What is to be done, or was done.")
    remarks = models.TextField(blank=True)
    photo_refs = models.JSONField(default=list, blank=True)
    visit_ref = models.UUIDField(null=True, blank=True, db_index=True)
    act_ref = models.UUIDField(null=True, blank=True, db_index=True, help_text="The act that stated it.")
    opened_on = models.DateField(help_text="Civil date at the site.")
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    settled_how = models.CharField(max_length=200, blank=True)
    is_void = models.BooleanField(default=False)

    objects = DefectQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_on", "-id"]
        indexes = [
            models.Index(fields=["site", "settled_at"], name="defect_by_site"),
            models.Index(fields=["unit", "settled_at"], name="defect_by_unit"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(unit__isnull=False) | models.Q(location__isnull=False),
                name="defect_is_about_something",
                violation_error_message="A defect is one of a unit or of a place.",
            ),
            models.CheckConstraint(
                condition=models.Q(settled_at__isnull=True) | ~models.Q(settled_how=""),
                name="defect_settled_says_how",
                violation_error_message="Say how the defect was settled.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} on {self.unit or self.location}"


class PhotoQuerySet(SiteRowsQuerySet["Photo"]):
    seen_by = "created_at__date"


class Photo(models.Model):
    """A photo made on site; its bytes arrive in pieces and are checked once they are all there.

    Two photos with the same bytes share one file, named after its SHA-256.
    """

    public_id = models.UUIDField(unique=True, editable=False, help_text="Made by the client.")
    site = models.ForeignKey(Site, models.PROTECT, related_name="photos")
    visit_ref = models.UUIDField(
        null=True, blank=True, db_index=True, help_text="Empty for a photo of the owner's people."
    )
    act_ref = models.UUIDField(null=True, blank=True, db_index=True)
    media_type = models.CharField(max_length=20)
    length = models.PositiveIntegerField(help_text="Bytes.")
    sha256 = models.CharField(max_length=64, db_index=True)
    received = models.PositiveIntegerField(default=0, help_text="Bytes that have arrived.")
    file_name = models.CharField(max_length=120, blank=True, help_text="Below the media folder, once whole.")
    width_px = models.PositiveIntegerField(null=True)
    height_px = models.PositiveIntegerField(null=True)
    taken_at = models.DateTimeField(null=True, blank=True, help_text="The device's clock.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    created_at = models.DateTimeField()
    changed_at = models.DateTimeField()
    completed_at = models.DateTimeField(null=True)

    objects = PhotoQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [models.Index(fields=["completed_at", "changed_at"], name="photo_by_progress")]

    def __str__(self) -> str:
        return f"{self.public_id}: {self.received} of {self.length} bytes"
