"""What was corrected or changed in the register: every fact, old and new, who, when and why.

Rows are added and never changed; taking a correction back is a further correction. A merged unit keeps
its own row as an alias (``Unit.merged_into``), so that its number, its label and its links still lead
somewhere, and its records stay chained as they were written.
"""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.register.models import Location, Owner, Site, Unit


class FactSource(models.TextChoices):
    """Where the right fact was read."""

    SHELL_STAMP = "shell_stamp", "Stamp on the shell"
    NAMEPLATE = "nameplate", "Nameplate or label"
    SERVICE_TAG = "service_tag", "Service tag or collar"
    OWNER_PAPER = "owner_paper", "Owner's papers"
    MAKER = "maker", "The maker's documents"
    OWNER_WORD = "owner_word", "Word of the owner"
    ON_SITE = "on_site", "Seen on site"
    OTHER = "other", "Other; see the reason"


class FactChangeQuerySet(AppendOnlyQuerySet["FactChange"]):
    pass


class FactChange(AppendOnly):
    """One fact of one unit, site, owner or location, before and after."""

    together = models.UUIDField(db_index=True, help_text="Changes that were saved as one.")
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, related_name="fact_changes")
    site = models.ForeignKey(Site, models.PROTECT, null=True, related_name="fact_changes")
    owner = models.ForeignKey(Owner, models.PROTECT, null=True, related_name="fact_changes")
    location = models.ForeignKey(Location, models.PROTECT, null=True, related_name="fact_changes")
    field = models.CharField(max_length=40)
    old_value = models.TextField(blank=True, help_text="As stored, written as text; empty for nothing.")
    new_value = models.TextField(blank=True)
    old_words = models.TextField(blank=True, help_text="As people read it.")
    new_words = models.TextField(blank=True)
    is_correction = models.BooleanField(
        default=True, help_text="It was wrong before; otherwise it was right and has changed since."
    )
    reason = models.CharField(max_length=300)
    source = models.CharField(max_length=12, choices=FactSource, blank=True)
    changed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField(help_text="Server instant, UTC.")

    objects = FactChangeQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=(
                    models.Q(unit__isnull=False, site=None, owner=None, location=None)
                    | models.Q(unit=None, site__isnull=False, owner=None, location=None)
                    | models.Q(unit=None, site=None, owner__isnull=False, location=None)
                    | models.Q(unit=None, site=None, owner=None, location__isnull=False)
                ),
                name="fact_change_of_one_thing",
                violation_error_message="A change is of one unit, site, owner or location.",
            ),
            models.CheckConstraint(
                condition=~models.Q(reason=""),
                name="fact_change_has_reason",
                violation_error_message="Say why it is changed.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.field}: {self.old_words or 'nothing'} to {self.new_words or 'nothing'}"


class SameUnitDecisionQuerySet(AppendOnlyQuerySet["SameUnitDecision"]):
    pass


class SameUnitDecision(AppendOnly):
    """What a person decided of two units that look alike; the last decision on a pair counts."""

    class Verdict(models.TextChoices):
        SAME = "same", "The same unit"
        APART = "apart", "Two units"
        UNDONE = "undone", "Merging taken back"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    alias = models.ForeignKey(
        Unit, models.PROTECT, related_name="decisions_as_alias", help_text="The one that gave way."
    )
    survivor = models.ForeignKey(Unit, models.PROTECT, related_name="decisions_as_survivor")
    verdict = models.CharField(max_length=6, choices=Verdict)
    before = models.JSONField(default=dict, help_text="Where both were before, so that it can be taken back.")
    reason = models.CharField(max_length=300)
    decided_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField(help_text="Server instant, UTC.")

    objects = SameUnitDecisionQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=~models.Q(alias=models.F("survivor")),
                name="same_unit_of_two",
                violation_error_message="Choose two different units.",
            ),
            models.CheckConstraint(
                condition=~models.Q(reason=""),
                name="same_unit_has_reason",
                violation_error_message="Say how it is known.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.alias} and {self.survivor}: {self.get_verdict_display()}"


class LocationAlias(models.Model):
    """A number that a place had before; it still leads there from old papers, labels and a scan."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="location_aliases")
    location = models.ForeignKey(Location, models.PROTECT, related_name="aliases")
    number = models.CharField(max_length=30)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()

    class Meta:
        ordering = ["site_id", "number", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "number"],
                name="location_alias_once_per_site",
                violation_error_message="Another place of this site had this number before.",
            )
        ]

    def __str__(self) -> str:
        return self.number


class OwnerChange(models.Model):
    """Premises that go from one owner to another on a civil day at the site."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    site = models.ForeignKey(Site, models.PROTECT, related_name="owner_changes")
    from_owner = models.ForeignKey(Owner, models.PROTECT, related_name="+")
    to_owner = models.ForeignKey(Owner, models.PROTECT, related_name="+")
    from_on = models.DateField(help_text="First civil day of the new owner.")
    reason = models.CharField(max_length=300)
    decided_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()
    applied_at = models.DateTimeField(
        null=True, help_text="When it took effect here; empty while it is ahead."
    )
    dropped_at = models.DateTimeField(null=True, help_text="When it was called off before it took effect.")

    class Meta:
        ordering = ["-from_on", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["site"],
                condition=models.Q(applied_at__isnull=True, dropped_at__isnull=True),
                name="owner_change_ahead_once",
                violation_error_message="A change of owner is planned here already. Call it off first.",
            ),
            models.CheckConstraint(
                condition=~models.Q(from_owner=models.F("to_owner")),
                name="owner_change_of_two",
                violation_error_message="The site belongs to this owner already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site}: {self.from_owner} to {self.to_owner} on {self.from_on}"
