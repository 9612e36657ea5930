"""Tables of certificates. A certificate is frozen whole; it is withdrawn, never changed."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.register.models import Owner, Site
from schedules.visits.models import Visit


class CertificateQuerySet(AppendOnlyQuerySet["Certificate"]):
    def visible_to(self, scope: Scope) -> CertificateQuerySet:
        """The desk sees all, an owner own certificates, a technician those of own visits."""
        if scope.everything:
            return self
        if scope.technician_id is not None:
            return self.filter(visit__technician=scope.technician_id)
        # Papers stay with the owner they were issued to; a person limited to sites sees those of the
        # site's present owner, under whichever name it had.
        of_present = models.Q(owner=models.F("site__owner")) | models.Q(
            owner__merged_into=models.F("site__owner")
        )
        return self.filter(
            models.Q(owner__in=scope.owner_ids) | models.Q(site__in=scope.site_ids) & of_present
        )


class Certificate(AppendOnly):
    """What the firm states in writing of one visit or of one site over a period, with every value printed."""

    class Kind(models.TextChoices):
        VISIT = "visit", "Certificate of service"
        PERIOD = "period", "Certificate of service for a period"
        CONDITION = "condition", "Yearly condition statement"

    kind = models.CharField(max_length=10, choices=Kind, default=Kind.VISIT)
    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.CharField(max_length=24, unique=True)
    verify_code = models.CharField(max_length=20, unique=True)
    visit = models.ForeignKey(
        Visit, models.PROTECT, null=True, related_name="certificates", help_text="Empty for a period."
    )
    first_on = models.DateField(null=True, help_text="First day of the period.")
    last_on = models.DateField(null=True, help_text="Last day of the period.")
    owner = models.ForeignKey(Owner, models.PROTECT, related_name="certificates")
    site = models.ForeignKey(Site, models.PROTECT, related_name="certificates")
    issued_at = models.DateTimeField()
    issued_on = models.DateField(help_text="Civil date at the site.")
    issued_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    content = models.JSONField(help_text="Everything printed, frozen.")
    content_digest = models.CharField(max_length=64)
    replaces = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="replaced_by")

    objects = CertificateQuerySet.as_manager()

    class Meta:
        ordering = ["-issued_at", "-id"]
        indexes = [
            models.Index(fields=["owner", "-issued_at"], name="certificate_by_owner"),
            models.Index(fields=["site", "-issued_at"], name="certificate_by_site"),
        ]
        constraints = [
            # One standing first issue per visit: closing twice or rendering twice cannot double it.
            models.UniqueConstraint(
                fields=["visit"],
                condition=models.Q(replaces__isnull=True),
                name="certificate_once_per_visit",
                violation_error_message="A certificate was already issued for this visit.",
            ),
            models.UniqueConstraint(
                fields=["site", "kind", "first_on", "last_on"],
                condition=models.Q(replaces__isnull=True, visit__isnull=True),
                name="certificate_once_per_period",
                violation_error_message="This was already issued for this site and period.",
            ),
            models.CheckConstraint(
                condition=models.Q(
                    kind="visit", visit__isnull=False, first_on__isnull=True, last_on__isnull=True
                )
                | (
                    ~models.Q(kind="visit")
                    & models.Q(visit__isnull=True, first_on__isnull=False, last_on__gte=models.F("first_on"))
                ),
                name="certificate_of_visit_or_period",
                violation_error_message="A certificate is of one visit or of one period.",
            ),
        ]

    def __str__(self) -> str:
        return self.number


class WithdrawalQuerySet(AppendOnlyQuerySet["Withdrawal"]):
    pass


class Withdrawal(AppendOnly):
    """States that a certificate no longer stands, and why; the certificate itself stays."""

    certificate = models.OneToOneField(Certificate, models.PROTECT, related_name="withdrawal")
    withdrawn_at = models.DateTimeField()
    withdrawn_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300)

    objects = WithdrawalQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=~models.Q(reason=""),
                name="withdrawal_has_reason",
                violation_error_message="Say why the certificate is withdrawn.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.certificate} withdrawn"


class CertificateFileQuerySet(AppendOnlyQuerySet["CertificateFile"]):
    pass


class CertificateFile(AppendOnly):
    """The PDF of a certificate and its digest; made once, by whichever worker comes first."""

    certificate = models.OneToOneField(Certificate, models.PROTECT, related_name="file")
    pdf = models.FileField(upload_to="certificates/%Y/")
    sha256 = models.CharField(max_length=64)
    page_count = models.PositiveIntegerField()
    rendered_at = models.DateTimeField()

    objects = CertificateFileQuerySet.as_manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.certificate}.pdf"


class CertificateFlagQuerySet(AppendOnlyQuerySet["CertificateFlag"]):
    pass


class CertificateFlag(AppendOnly):
    """States that something the certificate says was corrected since; the certificate stays as issued."""

    certificate = models.ForeignKey(Certificate, models.PROTECT, related_name="flags")
    together = models.UUIDField(help_text="The correction behind it: FactChange.together.")
    flagged_at = models.DateTimeField()
    corrected_on = models.DateField(help_text="Civil date at the site.")
    subject = models.CharField(max_length=200, help_text="What was corrected, e.g. the number of a unit.")
    fields = models.CharField(max_length=300, help_text="Which of its facts, in words.")

    objects = CertificateFlagQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["certificate", "together", "subject"], name="certificate_flag_once_per_correction"
            )
        ]

    def __str__(self) -> str:
        return f"{self.certificate}: {self.subject}"
