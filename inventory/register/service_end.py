"""The end of the firm's service at a site, and taking it up again."""

from __future__ import annotations

import uuid
from typing import Any

from django.conf import settings
from django.db import models

from inventory.register.models import Site


class ServiceEndQuerySet(models.QuerySet["ServiceEnd"]):
    def standing(self) -> ServiceEndQuerySet:
        """Ends that were not taken back."""
        return self.filter(reopened_at__isnull=True)


class ServiceEnd(models.Model):
    """From ``ended_on`` the firm answers for nothing at the site; nothing is deleted.

    ``portal_until`` is the last civil day on which the owner may still read there.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    site = models.ForeignKey(Site, models.PROTECT, related_name="service_ends")
    ended_on = models.DateField(help_text="Civil date at the site.")
    portal_until = models.DateField()
    reason = models.CharField(max_length=300)
    ended_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    ended_at = models.DateTimeField()
    reopened_reason = models.CharField(max_length=300, blank=True)
    reopened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    reopened_at = models.DateTimeField(null=True, blank=True)

    objects = ServiceEndQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["site"],
                condition=models.Q(reopened_at__isnull=True),
                name="service_end_standing_once",
                violation_error_message="The service of this site has ended already.",
            ),
            models.CheckConstraint(
                condition=models.Q(portal_until__gte=models.F("ended_on")),
                name="service_end_ordered",
                violation_error_message="The owner reads at least until the service ends.",
            ),
            models.CheckConstraint(
                condition=~models.Q(reason=""),
                name="service_end_has_reason",
                violation_error_message="Say why the service ends.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site}: service ended on {self.ended_on}"


def ended_sites() -> models.QuerySet[ServiceEnd, Any]:
    """Ids of the sites whose service has ended, to be left out by a query."""
    return ServiceEnd.objects.standing().order_by().values("site")
