"""Tables of visits."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.logbook.models import TASK_CHOICES, ServiceRecord
from inventory.register.models import Location, Site, Unit


class VisitQuerySet(models.QuerySet["Visit"]):
    def visible_to(self, scope: Scope) -> VisitQuerySet:
        """The desk sees all; once confirmed, a technician own visits and an owner those to own sites."""
        if scope.everything:
            return self
        confirmed = self.exclude(state=Visit.State.PROPOSED).exclude(
            state=Visit.State.CANCELLED, confirmed_at__isnull=True
        )
        if scope.technician_id is not None:
            return confirmed.filter(technician=scope.technician_id)
        return confirmed.filter(site__owner__in=scope.owner_ids)


class Visit(models.Model):
    """One trip to one site by one technician on one day."""

    class State(models.TextChoices):
        PROPOSED = "proposed", "Proposed"
        CONFIRMED = "confirmed", "Confirmed"
        UNDER_WAY = "under_way", "Under way"
        CLOSED = "closed", "Closed"
        CANCELLED = "cancelled", "Cancelled"

    OPEN = (State.PROPOSED, State.CONFIRMED, State.UNDER_WAY)

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.CharField(max_length=20, unique=True)
    site = models.ForeignKey(Site, models.PROTECT, related_name="visits")
    state = models.CharField(max_length=10, choices=State, default=State.PROPOSED)
    planned_on = models.DateField(help_text="Civil date at the site.")
    latest_on = models.DateField(null=True, blank=True, help_text="Latest date among its jobs when proposed.")
    technician = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="visits"
    )
    # Written by taking a plan or by hand; wall times at the site.
    window_from = models.TimeField(null=True, blank=True, help_text="The technician comes from then on.")
    window_until = models.TimeField(null=True, blank=True, help_text="The technician has come by then.")
    planned_start = models.TimeField(null=True, blank=True, help_text="When work starts by the plan.")
    promised_at = models.DateTimeField(
        null=True, blank=True, help_text="When day and window were promised; planning keeps them."
    )
    is_urgent = models.BooleanField(default=False, help_text="Called in; goes before everything else.")
    call_reason = models.CharField(max_length=200, blank=True, help_text="Why the owner called.")
    proposed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    confirmed_at = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    done_on = models.DateField(
        null=True, blank=True, help_text="Civil date at the site on which it was closed."
    )
    counts = models.JSONField(default=dict, blank=True, help_text="Reconciled counts of the closed visit.")
    contact_name = models.CharField(max_length=120, blank=True, help_text="Who was told, printed name.")
    no_signature_reason = models.CharField(max_length=200, blank=True)
    cancelled_reason = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1, help_text="Rises with every change at the desk.")

    objects = VisitQuerySet.as_manager()

    class Meta:
        ordering = ["planned_on", "number", "id"]
        indexes = [
            models.Index(fields=["technician", "planned_on"], name="visit_by_technician"),
            models.Index(fields=["site", "state"], name="visit_by_site"),
            models.Index(fields=["state", "planned_on"], name="visit_by_state"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=~models.Q(state="confirmed") | models.Q(technician__isnull=False),
                name="visit_confirmed_has_technician",
                violation_error_message="Choose a technician before you confirm the visit.",
            ),
            models.CheckConstraint(
                condition=~models.Q(state="closed")
                | models.Q(closed_at__isnull=False, closed_by__isnull=False, done_on__isnull=False),
                name="visit_closed_is_complete",
                violation_error_message="A closed visit says when and by whom.",
            ),
            models.CheckConstraint(
                condition=models.Q(window_from__isnull=True, window_until__isnull=True)
                | models.Q(window_from__isnull=False, window_until__gte=models.F("window_from")),
                name="visit_window_ordered",
                violation_error_message="Give both ends of the window, the later one last.",
            ),
        ]

    def __str__(self) -> str:
        return self.number


class Job(models.Model):
    """One task on one unit, to be done on a visit; remembers the dates it was proposed for."""

    visit = models.ForeignKey(Visit, models.CASCADE, related_name="jobs")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="jobs")
    location = models.ForeignKey(Location, models.PROTECT, null=True, related_name="+")
    task = models.CharField(max_length=24, choices=TASK_CHOICES)
    table_key = models.CharField(max_length=60)
    table_version = models.CharField(max_length=20)
    rule_id = models.CharField(max_length=80)
    target_on = models.DateField(null=True)
    latest_on = models.DateField(null=True)
    record = models.OneToOneField(ServiceRecord, models.PROTECT, null=True, blank=True, related_name="job")

    class Meta:
        ordering = ["visit_id", "id"]
        constraints = [
            models.UniqueConstraint(fields=["visit", "unit", "task"], name="job_once_per_visit"),
        ]

    def __str__(self) -> str:
        return f"{self.get_task_display()} on {self.unit}"


class VisitEntryQuerySet(AppendOnlyQuerySet["VisitEntry"]):
    pass


class VisitEntry(AppendOnly):
    """What the technician stated about one unit during a visit.

    Entries are added as they come, with the client's own reference; the last one for a unit
    counts when the visit is closed, and only closing turns entries into service records.
    """

    class Result(models.TextChoices):
        SERVICED = "serviced", "Serviced"
        FAILED = "failed", "Failed"
        REPLACED = "replaced", "Replaced"
        REMOVED = "removed", "Removed"
        NOT_FOUND = "not_found", "Not found"
        NO_ACCESS = "no_access", "No access"

    client_ref = models.UUIDField(unique=True)
    content_digest = models.CharField(max_length=64)
    visit = models.ForeignKey(Visit, models.PROTECT, related_name="entries")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="entries")
    result = models.CharField(max_length=10, choices=Result)
    tasks = models.JSONField(default=list, help_text="Task codes done, for a serviced unit.")
    readings = models.JSONField(default=list, help_text="Quantity, value and unit as entered.")
    method = models.CharField(max_length=20, blank=True)
    replacement = models.JSONField(null=True, blank=True, help_text="The unit that now hangs there.")
    remarks = models.TextField(blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    device_at = models.DateTimeField(null=True, blank=True)
    received_at = models.DateTimeField()

    objects = VisitEntryQuerySet.as_manager()

    class Meta:
        ordering = ["visit_id", "id"]
        indexes = [models.Index(fields=["visit", "unit"], name="entry_by_visit_unit")]

    def __str__(self) -> str:
        return f"{self.unit}: {self.get_result_display()}"
