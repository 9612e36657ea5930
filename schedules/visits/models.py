"""Tables of visits."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope, on_premises
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
            shared = Visit.companions.through.objects.filter(user=scope.technician_id).values("visit")
            return confirmed.filter(models.Q(technician=scope.technician_id) | models.Q(pk__in=shared))
        return confirmed.filter(on_premises(scope, day="planned_on"))


class Visit(models.Model):
    """One trip to one site by one technician on one day."""

    class State(models.TextChoices):
        PROPOSED = "proposed", "Proposed"
        CONFIRMED = "confirmed", "Confirmed"
        UNDER_WAY = "under_way", "Under way"
        CLOSED = "closed", "Closed"
        CANCELLED = "cancelled", "Cancelled"

    class Kind(models.TextChoices):
        SERVICE = "service", "Service"
        SURVEY = "survey", "Survey"

    OPEN = (State.PROPOSED, State.CONFIRMED, State.UNDER_WAY)

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.CharField(max_length=20, unique=True)
    site = models.ForeignKey(Site, models.PROTECT, related_name="visits")
    kind = models.CharField(
        max_length=10,
        choices=Kind,
        default=Kind.SERVICE,
        db_default=Kind.SERVICE,
        help_text="A survey reads what hangs there; it holds no jobs and gives no certificate.",
    )
    state = models.CharField(max_length=10, choices=State, default=State.PROPOSED)
    planned_on = models.DateField(help_text="Civil date at the site.")
    planned_minutes = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Minutes on site beyond what its jobs take."
    )
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
    signature = models.JSONField(
        null=True, blank=True, help_text="Strokes drawn on glass: width, height, lines."
    )
    companions = models.ManyToManyField(
        settings.AUTH_USER_MODEL,
        related_name="shared_visits",
        blank=True,
        help_text="Technicians who go along and record on the same visit.",
    )
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


class FieldActQuerySet(AppendOnlyQuerySet["FieldAct"]):
    def effective(self) -> FieldActQuerySet:
        """Acts that count: not taken back by another act, and not waiting for one."""
        undone = FieldAct.objects.filter(kind=FieldAct.Kind.UNDO, undoes_ref=models.OuterRef("act_id"))
        waiting = WaitingAct.objects.filter(act=models.OuterRef("pk"))
        return self.exclude(models.Exists(undone)).exclude(models.Exists(waiting))


class FieldAct(AppendOnly):
    """One thing that a person did on site, as the phone stated it: the source of all that follows from it.

    Acts come late, repeated and out of order; nothing of what they mean may depend on that. Each has an
    id of its own and, from a phone, the phone's id and a sequence that rises by one with every act.
    ``counts_at`` is the instant by the server's clock: the device's own, put right by how far that
    clock was off when the act arrived. See ``schedules.visits.order`` for what comes after what.
    """

    class Kind(models.TextChoices):
        START = "start", "Began the visit"
        RESULT = "result", "Worked on a unit"
        NOT_FOUND = "not_found", "Unit not found"
        NO_ACCESS = "no_access", "No access"
        ADD_UNIT = "add_unit", "Added a unit"
        MOVE_UNIT = "move_unit", "Moved a unit"
        SWAP_UNITS = "swap_units", "Changed two units' places"
        EXCHANGE = "exchange", "Exchanged a unit"
        LEND = "lend", "Lent a unit"
        GIVE_BACK = "give_back", "Brought a unit back"
        CONDEMN = "condemn", "Condemned a unit"
        USED = "used", "Found a unit used"
        TO_WORKSHOP = "to_workshop", "Took a unit to the workshop"
        DEFECT = "defect", "Found a defect"
        LOCATION_PROBLEM = "location_problem", "Found a place wrong"
        SETTLE_DEFECT = "settle_defect", "Settled a defect"
        SURVEY_PLACE = "survey_place", "Fixed a place"
        SURVEY_UNIT = "survey_unit", "Read a unit"
        SURVEY_MISSING = "survey_missing", "Looked for a unit"
        SURVEY_REMARK = "survey_remark", "Remarked on a place"
        UNDO = "undo", "Took an act back"
        CLOSE = "close", "Closed the visit"

    act_id = models.UUIDField(unique=True, help_text="Made by the client; a resend meets it.")
    content_digest = models.CharField(max_length=64)
    visit = models.ForeignKey("schedules.Visit", models.PROTECT, related_name="acts")
    kind = models.CharField(max_length=20, choices=Kind)
    unit_ref = models.UUIDField(null=True, blank=True, help_text="May name a unit that has yet to arrive.")
    location_ref = models.UUIDField(null=True, blank=True)
    undoes_ref = models.UUIDField(null=True, blank=True, db_index=True)
    content = models.JSONField(default=dict)
    device_ref = models.UUIDField(null=True, blank=True, help_text="The phone; empty for the web pages.")
    sequence = models.PositiveIntegerField(
        null=True, blank=True, help_text="Position among the phone's acts."
    )
    device_at = models.DateTimeField(null=True, blank=True, help_text="The device's clock, as it stood.")
    drift_s = models.FloatField(null=True, blank=True, help_text="Server's clock less the device's, seconds.")
    counts_at = models.DateTimeField(help_text="Server instant at which it was done, as near as is known.")
    received_at = models.DateTimeField()
    app_version = models.CharField(max_length=40, blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    objects = FieldActQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [
            models.Index(fields=["visit", "kind"], name="act_by_visit"),
            models.Index(fields=["visit", "device_ref"], name="act_by_visit_device"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} ({self.act_id})"


SURVEY_KINDS = frozenset(
    {
        FieldAct.Kind.SURVEY_PLACE,
        FieldAct.Kind.SURVEY_UNIT,
        FieldAct.Kind.SURVEY_MISSING,
        FieldAct.Kind.SURVEY_REMARK,
    }
)
"""What is stated on a survey; it changes nothing before the desk has settled and finished it."""


class WaitingAct(models.Model):
    """An act that was taken in but cannot take effect yet, and what it waits for.

    ``is_refused`` where what it waited for has come and the act does not fit it: then a person decides.
    """

    act = models.OneToOneField(FieldAct, models.CASCADE, primary_key=True, related_name="waiting")
    problem = models.JSONField(default=dict)
    is_refused = models.BooleanField(default=False)
    since = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.act} waits"


class HeldVisit(models.Model):
    """Who carries a visit on a phone, since when; what was recorded there is taken even if plans changed."""

    visit = models.ForeignKey(Visit, models.CASCADE, related_name="held_by")
    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    fetched_at = models.DateTimeField()

    class Meta:
        ordering = ["visit_id", "id"]
        constraints = [models.UniqueConstraint(fields=["visit", "person"], name="held_visit_once")]

    def __str__(self) -> str:
        return f"{self.visit} with {self.person}"


class VisitEntryQuerySet(AppendOnlyQuerySet["VisitEntry"]):
    def effective(self) -> VisitEntryQuerySet:
        """Entries that nobody took back."""
        undone = FieldAct.objects.filter(kind=FieldAct.Kind.UNDO, undoes_ref=models.OuterRef("client_ref"))
        return self.exclude(models.Exists(undone))


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

    class Disposition(models.TextChoices):
        """Where the result leaves the unit, when the result alone does not say it."""

        USUAL = "", "As the result says"
        LOANER = "loaner", "In the workshop, a loaner hangs"
        CONDEMNED = "condemned", "Condemned"
        RECHARGE = "recharge", "Taken along for recharge"

    client_ref = models.UUIDField(unique=True)
    act = models.OneToOneField(
        FieldAct, models.PROTECT, null=True, blank=True, related_name="entry", help_text="The act behind it."
    )
    content_digest = models.CharField(max_length=64)
    visit = models.ForeignKey(Visit, models.PROTECT, related_name="entries")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="entries")
    result = models.CharField(max_length=10, choices=Result)
    tasks = models.JSONField(default=list, help_text="Task codes done, for a serviced unit.")
    readings = models.JSONField(default=list, help_text="Quantity, value and unit as entered.")
    method = models.CharField(max_length=20, blank=True)
    replacement = models.JSONField(null=True, blank=True, help_text="The unit that now hangs there.")
    disposition = models.CharField(max_length=12, choices=Disposition, blank=True)
    checks = models.JSONField(default=list, help_text="Answers to the checks, by code.")
    parts = models.JSONField(default=list, help_text="Parts fitted: code or text, and count.")
    marks = models.JSONField(default=list, help_text="Marks read off the shell: what, and the mark.")
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


class DoubtQuerySet(models.QuerySet["Doubt"]):
    def open(self) -> DoubtQuerySet:
        """Doubts that nobody has looked at."""
        return self.filter(settled_at__isnull=True)


class Doubt(models.Model):
    """Something about a visit's records that a rule found unlikely; a person looks and says what it was."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    visit = models.ForeignKey(Visit, models.PROTECT, related_name="doubts")
    kind = models.CharField(max_length=30, help_text="A code of inventory.measures.plausibility.")
    subject = models.CharField(max_length=80, help_text="What it is about, so that a second look meets it.")
    sentence = models.CharField(max_length=400)
    evidence = models.JSONField(default=list, help_text="Lines of what was seen.")
    found_at = models.DateTimeField()
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    settled_note = models.CharField(max_length=300, blank=True)

    objects = DoubtQuerySet.as_manager()

    class Meta:
        ordering = ["-found_at", "id"]
        indexes = [models.Index(fields=["settled_at", "found_at"], name="doubt_by_state")]
        constraints = [
            models.UniqueConstraint(fields=["visit", "kind", "subject"], name="doubt_once"),
            models.CheckConstraint(
                condition=models.Q(settled_at__isnull=True) | ~models.Q(settled_note=""),
                name="doubt_settled_says_why",
                violation_error_message="Say what you found when you looked.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} on {self.visit}"


class DoubtLimit(models.Model):
    """A threshold of the office check that a manager changed; the others are as shipped."""

    name = models.CharField(max_length=40, unique=True)
    value = models.FloatField()
    changed_at = models.DateTimeField()
    changed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")

    def __str__(self) -> str:
        return f"{self.name}: {self.value:g}"
