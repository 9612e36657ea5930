"""Tables of the rulebook: adoption, variation and confirmation of shipped interval tables."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from inventory.register.models import Owner, Site


class AdoptionQuerySet(models.QuerySet["Adoption"]):
    def standing(self) -> AdoptionQuerySet:
        """Adoptions that have not been withdrawn."""
        return self.filter(withdrawn_at__isnull=True)


class Adoption(models.Model):
    """A table that applies to a site, to all sites of an owner, or to the whole firm.

    Adoptions add up: a unit is judged by every table adopted for its site, its owner and the
    firm, each with its own verdict. Where the same table is adopted at several levels in several
    versions, the one nearest the site counts.
    """

    table_key = models.CharField(max_length=60)
    table_version = models.CharField(
        max_length=20, blank=True, help_text="Empty: the edition in force on the day in question."
    )
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="adoptions")
    owner = models.ForeignKey(Owner, models.PROTECT, null=True, blank=True, related_name="adoptions")
    adopted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    adopted_at = models.DateTimeField()
    reason = models.CharField(max_length=300, blank=True)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    objects = AdoptionQuerySet.as_manager()

    class Meta:
        ordering = ["table_key", "id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(site__isnull=True) | models.Q(owner__isnull=True),
                name="adoption_one_level",
                violation_error_message="A table is adopted for a site or for an owner, not both in one row.",
            ),
            models.UniqueConstraint(
                fields=["table_key", "site"],
                condition=models.Q(withdrawn_at__isnull=True, site__isnull=False),
                name="adoption_once_per_site",
                violation_error_message="This site already uses this table.",
            ),
            models.UniqueConstraint(
                fields=["table_key", "owner"],
                condition=models.Q(withdrawn_at__isnull=True, owner__isnull=False),
                name="adoption_once_per_owner",
                violation_error_message="This owner already uses this table.",
            ),
            models.UniqueConstraint(
                fields=["table_key"],
                condition=models.Q(withdrawn_at__isnull=True, owner__isnull=True, site__isnull=True),
                name="adoption_once_per_firm",
                violation_error_message="The firm already uses this table.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.table_key} for {self.site or self.owner or 'the whole firm'}"


class VariationQuerySet(models.QuerySet["Variation"]):
    def standing(self) -> VariationQuerySet:
        """Variations that have not been withdrawn."""
        return self.filter(withdrawn_at__isnull=True)


class Variation(models.Model):
    """One rule of a table changed for a site, for all sites of an owner, or for the whole firm.

    ``changes`` maps field names as the table files write them to what stands there instead:
    ``{"every": "P3M"}``, or ``{"off": true}`` for a rule that does not apply. Shipped tables stay
    as they are; where the same rule is varied at several levels the one nearest the site counts.
    """

    table_key = models.CharField(max_length=60)
    table_version = models.CharField(
        max_length=20, blank=True, help_text="Empty: every edition that has the rule."
    )
    rule_id = models.CharField(max_length=80)
    changes = models.JSONField()
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="variations")
    owner = models.ForeignKey(Owner, models.PROTECT, null=True, blank=True, related_name="variations")
    reason = models.CharField(max_length=300)
    reference = models.CharField(max_length=300, help_text="What the local authority wrote, and where.")
    varied_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    varied_name = models.CharField(max_length=150, help_text="Name of the person, as it stood that day.")
    varied_at = models.DateTimeField()
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_reason = models.CharField(max_length=300, blank=True)

    objects = VariationQuerySet.as_manager()

    class Meta:
        ordering = ["table_key", "rule_id", "id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(site__isnull=True) | models.Q(owner__isnull=True),
                name="variation_one_level",
                violation_error_message="A rule is varied for a site or for an owner, not both in one row.",
            ),
            models.CheckConstraint(
                condition=~models.Q(reason="") & ~models.Q(reference="") & ~models.Q(rule_id=""),
                name="variation_founded",
                violation_error_message="Give the rule, the reason and the reference of the authority.",
            ),
            models.UniqueConstraint(
                fields=["table_key", "table_version", "rule_id", "site"],
                condition=models.Q(withdrawn_at__isnull=True, site__isnull=False),
                name="variation_once_per_site",
                violation_error_message="This rule is already varied for this site.",
            ),
            models.UniqueConstraint(
                fields=["table_key", "table_version", "rule_id", "owner"],
                condition=models.Q(withdrawn_at__isnull=True, owner__isnull=False),
                name="variation_once_per_owner",
                violation_error_message="This rule is already varied for this owner.",
            ),
            models.UniqueConstraint(
                fields=["table_key", "table_version", "rule_id"],
                condition=models.Q(withdrawn_at__isnull=True, owner__isnull=True, site__isnull=True),
                name="variation_once_per_firm",
                violation_error_message="This rule is already varied for the whole firm.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.table_key} {self.rule_id} for {self.site or self.owner or 'the whole firm'}"


class ConfirmationQuerySet(models.QuerySet["Confirmation"]):
    def standing(self) -> ConfirmationQuerySet:
        """Confirmations that have not been withdrawn."""
        return self.filter(withdrawn_at__isnull=True)


class Confirmation(models.Model):
    """A named manager's statement that a table version was checked against local code.

    ``table_digest`` pins the content that was confirmed: a table whose content differs is
    unconfirmed again, whatever its version says.
    """

    table_key = models.CharField(max_length=60)
    table_version = models.CharField(max_length=20)
    table_digest = models.CharField(max_length=64)
    confirmed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    confirmed_name = models.CharField(max_length=150, help_text="Name as typed by the person who confirms.")
    confirmed_at = models.DateTimeField()
    local_code = models.CharField(
        max_length=300, help_text="The local code or authority it was checked against."
    )
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_reason = models.CharField(max_length=300, blank=True)

    objects = ConfirmationQuerySet.as_manager()

    class Meta:
        ordering = ["table_key", "table_version", "-confirmed_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["table_key", "table_version"],
                condition=models.Q(withdrawn_at__isnull=True),
                name="confirmation_standing_once",
                violation_error_message="This table version is already confirmed.",
            ),
            models.CheckConstraint(
                condition=~models.Q(confirmed_name="") & ~models.Q(local_code=""),
                name="confirmation_named",
                violation_error_message="Type your name and the local code you checked against.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.table_key} {self.table_version} by {self.confirmed_name}"
