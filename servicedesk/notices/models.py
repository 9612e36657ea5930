"""Tables of notices: what was written to whom, who wants which, and legal deadlines."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.logbook.models import Defect, SiteRowsQuerySet
from inventory.register.models import Owner, Site, Unit
from servicedesk.notices.kinds import NoticeKind


class NoticeQuerySet(models.QuerySet["Notice"]):
    def waiting(self) -> NoticeQuerySet:
        """Notices that are neither sent nor given up."""
        return self.filter(sent_at__isnull=True, given_up_at__isnull=True)


class Notice(models.Model):
    """One mail to one address, from being written to being sent; never written twice."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=20, choices=NoticeKind)
    key = models.CharField(max_length=200, help_text="What it tells of; a second one to the address is none.")
    address = models.EmailField()
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="notices"
    )
    owner = models.ForeignKey(Owner, models.CASCADE, null=True, blank=True, related_name="+")
    site = models.ForeignKey(Site, models.CASCADE, null=True, blank=True, related_name="+")
    language = models.CharField(max_length=8)
    subject = models.CharField(max_length=200)
    text = models.TextField()
    written_at = models.DateTimeField()
    next_try_at = models.DateTimeField()
    claimed_until = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveSmallIntegerField(default=0)
    last_error = models.CharField(max_length=300, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    given_up_at = models.DateTimeField(null=True, blank=True)

    objects = NoticeQuerySet.as_manager()

    class Meta:
        ordering = ["-written_at", "-id"]
        indexes = [
            models.Index(
                fields=["next_try_at"],
                condition=models.Q(sent_at__isnull=True, given_up_at__isnull=True),
                name="notice_waiting",
            ),
            models.Index(fields=["-written_at", "-id"], name="notice_newest"),
        ]
        constraints = [models.UniqueConstraint(fields=["key", "address"], name="notice_once")]

    def __str__(self) -> str:
        return f"{self.subject} to {self.address}"


class NoticeChoice(models.Model):
    """A person's word on one kind of notice; without one the kind is sent."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="notice_choices")
    kind = models.CharField(max_length=20, choices=NoticeKind)
    is_wanted = models.BooleanField()

    class Meta:
        ordering = ["person_id", "kind"]
        constraints = [models.UniqueConstraint(fields=["person", "kind"], name="notice_choice_once")]

    def __str__(self) -> str:
        return f"{self.person}: {self.kind} {'yes' if self.is_wanted else 'no'}"


class DeadlineQuerySet(SiteRowsQuerySet["Deadline"]):
    def open(self) -> DeadlineQuerySet:
        """Deadlines that nobody has met yet."""
        return self.filter(done_at__isnull=True)


class Deadline(models.Model):
    """Something that a rule of the place wants told or given back by a set instant."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    key = models.CharField(max_length=120, unique=True, help_text="Clock and event; one of each.")
    clock = models.CharField(max_length=60, help_text="A code of servicedesk/notices/clocks.toml.")
    site = models.ForeignKey(Site, models.CASCADE, related_name="deadlines")
    unit = models.ForeignKey(Unit, models.CASCADE, null=True, blank=True, related_name="deadlines")
    defect = models.ForeignKey(Defect, models.CASCADE, null=True, blank=True, related_name="deadlines")
    started_at = models.DateTimeField()
    due_at = models.DateTimeField()
    done_at = models.DateTimeField(null=True, blank=True)
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    done_note = models.CharField(max_length=300, blank=True, help_text="To whom, how, reference.")

    objects = DeadlineQuerySet.as_manager()

    class Meta:
        ordering = ["due_at", "id"]
        indexes = [models.Index(fields=["done_at", "due_at"], name="deadline_by_state")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(done_at__isnull=True) | ~models.Q(done_note=""),
                name="deadline_done_says_how",
                violation_error_message="Say to whom it was told or given, and how.",
            )
        ]

    def __str__(self) -> str:
        return self.key
