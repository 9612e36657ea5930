"""Tables of what was agreed with owners: versions of terms, tasks called off, marks on contracts.

A version holds from a day on until a later one takes its place; none is ever changed. Terms of an owner
count for all its sites, those of a site go before them, term by term (``inventory.measures.terms``).
"""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.measures.kinds import TASK_LABELS
from inventory.register.models import Owner, Site


class TermsVersionQuerySet(AppendOnlyQuerySet["TermsVersion"]):
    def visible_to(self, scope: Scope) -> TermsVersionQuerySet:
        """The firm sees all, an owner its own; a person limited to sites those of the sites; no technician.

        What a technician needs on site comes with the visit.
        """
        if scope.everything:
            return self
        if scope.technician_id is not None:
            return self.none()
        return self.filter(models.Q(owner__in=scope.owner_ids) | models.Q(site__in=scope.site_ids))


class TermsVersion(AppendOnly):
    """The terms of an owner, or those that one of its sites has of its own, from a day on."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    owner = models.ForeignKey(Owner, models.PROTECT, related_name="terms")
    site = models.ForeignKey(
        Site,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="terms",
        help_text="Empty: all of the owner.",
    )
    number = models.PositiveIntegerField(help_text="Rises by one with every version of the owner or site.")
    from_on = models.DateField(help_text="First civil day on which it holds.")
    values = models.JSONField(
        default=dict, help_text="By code of inventory.measures.terms; absent: not agreed."
    )
    # What contracts are looked for by; the same as in ``values``.
    contract_number = models.CharField(max_length=40, blank=True)
    begins_on = models.DateField(null=True, blank=True)
    ends_on = models.DateField(null=True, blank=True)
    reason = models.CharField(max_length=200)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_name = models.CharField(max_length=150, blank=True, help_text="The name as it was then.")
    made_at = models.DateTimeField()

    objects = TermsVersionQuerySet.as_manager()

    class Meta:
        ordering = ["owner_id", "site_id", "-from_on", "-number"]
        indexes = [
            models.Index(fields=["owner", "site", "-from_on", "-number"], name="terms_by_holder"),
            models.Index(fields=["ends_on"], name="terms_by_end"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["owner", "number"],
                condition=models.Q(site__isnull=True),
                name="terms_number_once_per_owner",
            ),
            models.UniqueConstraint(fields=["site", "number"], name="terms_number_once_per_site"),
            models.CheckConstraint(
                condition=~models.Q(reason=""),
                name="terms_say_why",
                violation_error_message="Say why the terms change.",
            ),
            models.CheckConstraint(
                condition=models.Q(ends_on__isnull=True)
                | models.Q(begins_on__isnull=True)
                | models.Q(ends_on__gte=models.F("begins_on")),
                name="terms_ordered",
                violation_error_message="The contract cannot end before it begins.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site or self.owner}, version {self.number} from {self.from_on}"


class CallOffQuerySet(models.QuerySet["CallOff"]):
    def visible_to(self, scope: Scope) -> CallOffQuerySet:
        """Those of sites that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(models.Q(site__owner__in=scope.owner_ids) | models.Q(site__in=scope.site_ids))

    def standing(self) -> CallOffQuerySet:
        """Those that nobody took back."""
        return self.filter(withdrawn_at__isnull=True)


class CallOff(models.Model):
    """A task outside the contract that the owner ordered for one site, for a time."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    site = models.ForeignKey(Site, models.PROTECT, related_name="call_offs")
    task = models.CharField(
        max_length=24, choices=[(task.value, label) for task, label in TASK_LABELS.items()]
    )
    from_on = models.DateField()
    until_on = models.DateField()
    ordered_by = models.CharField(max_length=120, help_text="Who of the owner ordered it, and how.")
    reference = models.CharField(max_length=60, blank=True, help_text="Order or purchase order number.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_reason = models.CharField(max_length=200, blank=True)

    objects = CallOffQuerySet.as_manager()

    class Meta:
        ordering = ["site_id", "-from_on", "-id"]
        indexes = [models.Index(fields=["site", "task"], name="call_off_by_site")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(until_on__gte=models.F("from_on")),
                name="call_off_ordered",
                violation_error_message="The last day lies before the first.",
            ),
            models.CheckConstraint(
                condition=models.Q(withdrawn_at__isnull=True) | ~models.Q(withdrawn_reason=""),
                name="call_off_withdrawn_says_why",
                violation_error_message="Say why it is taken back.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_task_display()} at {self.site}, {self.from_on} to {self.until_on}"


class ContractMarkQuerySet(AppendOnlyQuerySet["ContractMark"]):
    pass


class ContractMark(AppendOnly):
    """What became of a contract that was to end: offered, renewed, ended."""

    class Kind(models.TextChoices):
        OFFERED = "offered", "Renewal offered"
        RENEWED = "renewed", "Renewed"
        ENDED = "ended", "Ended"

    version = models.ForeignKey(TermsVersion, models.PROTECT, related_name="marks")
    kind = models.CharField(max_length=8, choices=Kind)
    on = models.DateField()
    note = models.CharField(max_length=300, blank=True)
    successor = models.ForeignKey(
        TermsVersion, models.PROTECT, null=True, blank=True, related_name="+", help_text="The terms after it."
    )
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_name = models.CharField(max_length=150, blank=True)
    made_at = models.DateTimeField()

    objects = ContractMarkQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["version"],
                condition=models.Q(kind__in=("renewed", "ended")),
                name="contract_closed_once",
                violation_error_message="This contract was renewed or ended already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.version}: {self.get_kind_display()}"
