"""People who sign in."""

from __future__ import annotations

import uuid

from django.contrib.auth.models import AbstractUser
from django.db import models


class User(AbstractUser):
    """A person of the firm or of an owner. The role decides what the person may do."""

    class Role(models.TextChoices):
        MANAGER = "manager", "Manager"
        DISPATCHER = "dispatcher", "Dispatcher"
        TECHNICIAN = "technician", "Technician"
        WORKSHOP = "workshop", "Workshop"
        OWNER = "owner", "Facility owner"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    role = models.CharField(max_length=12, choices=Role)
    phone = models.CharField(max_length=40, blank=True)
    licence_number = models.CharField(
        max_length=60, blank=True, help_text="Licence, certificate or permit number, printed on certificates."
    )
    licence_expires_on = models.DateField(null=True, blank=True)

    class Meta(AbstractUser.Meta):
        ordering = ["username", "id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(role__in=["manager", "dispatcher", "technician", "workshop", "owner"]),
                name="user_role_known",
                violation_error_message="Choose one of the five roles.",
            )
        ]

    @property
    def display_name(self) -> str:
        """Full name, or the sign-in name where none was entered."""
        return self.get_full_name() or self.username

    @property
    def is_desk(self) -> bool:
        """True for those who plan and confirm: manager and dispatcher."""
        return self.role in (self.Role.MANAGER, self.Role.DISPATCHER)


class OwnerMembership(models.Model):
    """Ties a sign-in of role owner to one owner whose premises it may see."""

    user = models.ForeignKey(User, models.CASCADE, related_name="memberships")
    owner = models.ForeignKey("inventory.Owner", models.PROTECT, related_name="memberships")
    sites = models.ManyToManyField(
        "inventory.Site",
        blank=True,
        related_name="limited_members",
        help_text="Only these sites; none chosen: all of the owner's.",
    )
    is_limited = models.BooleanField(default=False, help_text="Whether only the chosen sites are seen.")
    may_approve = models.BooleanField(default=False, help_text="May decide on quotations.")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["user_id", "owner_id"]
        constraints = [
            models.UniqueConstraint(
                fields=["user", "owner"],
                name="owner_membership_once",
                violation_error_message="This person already belongs to this owner.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.user} for {self.owner}"

    def covers(self, site_id: int | None) -> bool:
        """Whether the person sees that site of the owner; no site at all is the owner as a whole."""
        return not self.is_limited or site_id in {site.pk for site in self.sites.all()}
