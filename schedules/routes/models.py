"""Tables of plans: visits in the order in which technicians drive them, and the hands that moved them."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.register.models import Depot
from schedules.visits.models import Visit


class PlanQuerySet(models.QuerySet["RoutePlan"]):
    def visible_to(self, scope: Scope) -> PlanQuerySet:
        """Plans are the desk's own matter."""
        return self if scope.everything else self.none()


class RoutePlan(models.Model):
    """Who drives where on some days running; a draft until it is taken into the visits."""

    class State(models.TextChoices):
        DRAFT = "draft", "Draft"
        TAKEN = "taken", "Taken"
        LAID_ASIDE = "laid_aside", "Laid aside"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.CharField(max_length=20, unique=True)
    depot = models.ForeignKey(Depot, models.PROTECT, null=True, blank=True, related_name="plans")
    first_on = models.DateField()
    days = models.PositiveSmallIntegerField()
    state = models.CharField(max_length=10, choices=State, default=State.DRAFT)
    version = models.PositiveIntegerField(default=1, help_text="Rises with every change.")
    seed = models.PositiveIntegerField(default=1)
    rules = models.JSONField(default=dict, help_text="Prices and times as they stood when it was made.")
    travel_note = models.CharField(max_length=300, blank=True, help_text="Where travel times came from.")
    # Of the visits as they stand now: sums, so that a list of plans needs no join.
    totals = models.JSONField(default=dict)
    problems = models.JSONField(default=list, help_text="What the independent check found; empty is sound.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    taken_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    taken_at = models.DateTimeField(null=True, blank=True)
    taken_version = models.PositiveIntegerField(null=True, blank=True)

    objects = PlanQuerySet.as_manager()

    class Meta:
        ordering = ["-first_on", "-id"]
        indexes = [models.Index(fields=["depot", "first_on"], name="plan_by_depot")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(days__gte=1, days__lte=14),
                name="plan_days_range",
                violation_error_message="Plan 1 to 14 days at once.",
            ),
            models.CheckConstraint(
                condition=~models.Q(state="taken") | models.Q(taken_at__isnull=False),
                name="plan_taken_is_complete",
                violation_error_message="A taken plan says when.",
            ),
        ]

    def __str__(self) -> str:
        return self.number


class PlanDay(models.Model):
    """One technician's day in a plan, with its times; wall seconds since midnight at the depot."""

    plan = models.ForeignKey(RoutePlan, models.CASCADE, related_name="routes")
    technician = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    on = models.DateField()
    shift_start_s = models.PositiveIntegerField()
    shift_end_s = models.PositiveIntegerField()
    leaves_s = models.PositiveIntegerField(null=True)
    returns_s = models.PositiveIntegerField(null=True)
    lunch_s = models.PositiveIntegerField(null=True)
    lunch_length_s = models.PositiveIntegerField(default=0)
    drive_s = models.PositiveIntegerField(default=0)
    drive_m = models.PositiveIntegerField(default=0)
    home_drive_s = models.PositiveIntegerField(default=0, help_text="The last stretch, back to the base.")
    work_s = models.PositiveIntegerField(default=0)
    wait_s = models.PositiveIntegerField(default=0)
    overtime_s = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["plan_id", "technician_id", "on"]
        constraints = [
            models.UniqueConstraint(fields=["plan", "technician", "on"], name="plan_day_once"),
        ]

    def __str__(self) -> str:
        return f"{self.technician} on {self.on}"


class PlanStop(models.Model):
    """One visit in a plan: where it stands, what the hand has fixed, or why it does not fit."""

    plan = models.ForeignKey(RoutePlan, models.CASCADE, related_name="stops")
    visit = models.ForeignKey(Visit, models.CASCADE, related_name="plan_stops")
    technician = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    on = models.DateField(null=True)
    position = models.PositiveSmallIntegerField(default=0)
    arrives_s = models.PositiveIntegerField(null=True)
    starts_s = models.PositiveIntegerField(null=True)
    ends_s = models.PositiveIntegerField(null=True)
    drive_s = models.PositiveIntegerField(default=0, help_text="To here from the stop before.")
    drive_m = models.PositiveIntegerField(default=0)
    work_s = models.PositiveIntegerField(default=0)
    pin_technician = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    pin_on = models.DateField(null=True, blank=True)
    pin_from_s = models.PositiveIntegerField(null=True, blank=True)
    pin_until_s = models.PositiveIntegerField(null=True, blank=True)
    is_excluded = models.BooleanField(default=False, help_text="Kept out of this plan by hand.")
    why_out = models.JSONField(default=list, help_text="Why it is left out, and what would let it in.")

    class Meta:
        ordering = ["plan_id", "technician_id", "on", "position", "id"]
        indexes = [models.Index(fields=["plan", "technician", "on"], name="plan_stop_by_day")]
        constraints = [
            models.UniqueConstraint(fields=["plan", "visit"], name="plan_stop_once"),
            models.CheckConstraint(
                condition=models.Q(technician__isnull=True, on__isnull=True)
                | models.Q(technician__isnull=False, on__isnull=False),
                name="plan_stop_whole",
                violation_error_message="A planned visit has both a technician and a day.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.visit} in {self.plan}"


class PlanChangeQuerySet(AppendOnlyQuerySet["PlanChange"]):
    pass


class PlanChange(AppendOnly):
    """One change of a plan, with what it changed, so that it can be told, undone and done again."""

    class Kind(models.TextChoices):
        MADE = "made", "Made"
        MOVE = "move", "Moved"
        PIN = "pin", "Pinned"
        UNPIN = "unpin", "Released"
        EXCLUDE = "exclude", "Left out by hand"
        INCLUDE = "include", "Let in again"
        ADD = "add", "Added"
        ABSENCE = "absence", "Technician away"
        BETTER = "better", "Better plan taken"
        TAKEN = "taken", "Taken into the visits"
        UNDO = "undo", "Undone"
        REDO = "redo", "Done again"

    plan = models.ForeignKey(RoutePlan, models.PROTECT, related_name="changes")
    version = models.PositiveIntegerField(help_text="Of the plan after this change.")
    kind = models.CharField(max_length=8, choices=Kind)
    sentence = models.CharField(max_length=300)
    undoes = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="+")
    before = models.JSONField(default=list, help_text="The stops that changed, as they were.")
    after = models.JSONField(default=list, help_text="The same stops as they became.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()

    objects = PlanChangeQuerySet.as_manager()

    class Meta:
        ordering = ["plan_id", "id"]
        constraints = [
            models.UniqueConstraint(fields=["plan", "version"], name="plan_change_once_per_version"),
        ]

    def __str__(self) -> str:
        return f"{self.plan} {self.version}: {self.sentence}"


WORTH_SHOWING = 0.01
"""The share of its price by which a plan is to be better before a board changes under somebody's eyes."""


class PlanRun(models.Model):
    """A search for a better plan in the background; its best find so far can be looked at and taken."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting for a worker"
        RUNNING = "running", "Searching"
        DONE = "done", "Done"
        STOPPED = "stopped", "Stopped"
        FAILED = "failed", "Failed"

    OPEN = (State.WAITING, State.RUNNING)

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    plan = models.ForeignKey(RoutePlan, models.CASCADE, related_name="runs")
    plan_version = models.PositiveIntegerField(help_text="The version that it set out from.")
    state = models.CharField(max_length=8, choices=State, default=State.WAITING)
    seconds = models.PositiveSmallIntegerField()
    seed = models.PositiveIntegerField(default=1)
    is_stop_asked = models.BooleanField(default=False)
    # A worker that dies leaves its claim behind; one that has been silent for a while is taken over.
    claim = models.UUIDField(null=True, blank=True)
    heard_at = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveSmallIntegerField(default=0)
    progress = models.JSONField(default=list, help_text="Pairs of seconds and cost, one for each find.")
    best = models.JSONField(null=True, blank=True, help_text="Visits of each technician's day, in order.")
    outlook = models.JSONField(default=dict, help_text="Sums of the best find.")
    error = models.CharField(max_length=300, blank=True)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["plan_id", "id"]
        indexes = [models.Index(fields=["state", "heard_at"], name="plan_run_by_state")]
        constraints = [
            models.UniqueConstraint(
                fields=["plan"],
                condition=models.Q(state__in=["waiting", "running"]),
                name="plan_run_one_open",
                violation_error_message="A search for this plan is already under way.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.plan}: {self.get_state_display()}"

    @property
    def is_open(self) -> bool:
        """Whether it still waits or searches."""
        return self.state in self.OPEN

    @property
    def elapsed_s(self) -> float:
        """Seconds of search so far, of those asked for."""
        return float(self.outlook.get("spent_s", 0.0))

    @property
    def follows(self) -> bool:
        """Whether it goes on with a plan just made: what it finds takes the plan's place as long as no
        hand has touched it."""
        return bool(self.outlook.get("follows"))

    @property
    def gain_60(self) -> int:
        """How much cheaper the best find is than the plan that it set out from, or that it bettered last."""
        if "cost_60" not in self.outlook:
            return 0
        was = int(self.outlook.get("start_60", 0))
        if self.follows and self.plan.version == self.plan_version:
            was = int(self.plan.totals.get("cost_60") or was)
        return was - int(self.outlook["cost_60"])

    @property
    def can_be_taken(self) -> bool:
        """Whether its find is better and the plan is still the one that it set out from."""
        return (
            (self.follows or not self.is_open)
            and self.best is not None
            and self.gain_60 > 0
            and self.plan.version == self.plan_version
        )

    @property
    def offers_60(self) -> int | None:
        """The price of a find that is to take the plan's place by itself now; None without one.

        While the search goes on only what is worth drawing a board for, then whatever is better.
        """
        if not (self.follows and self.can_be_taken):
            return None
        found = int(self.outlook["cost_60"])
        return None if self.is_open and self.gain_60 < WORTH_SHOWING * found else found

    @property
    def sentence(self) -> str:
        """How it stands, for people."""
        if self.state == self.State.WAITING:
            return "Waiting for a worker."
        if self.state == self.State.FAILED:
            return self.error or "The search failed."
        if self.follows:
            return self._sentence_of_following()
        if self.best is None or self.gain_60 <= 0:
            return "Nothing better found yet." if self.is_open else "Nothing better was found."
        saved = round(self.gain_60 / 60)
        share = 100 * self.gain_60 / max(int(self.outlook.get("start_60", 0)), 1)
        moved = int(self.outlook.get("moved", 0))
        visits = "1 visit" if moved == 1 else f"{moved} visits"
        text = (
            f"Found a plan that costs {saved} less ({share:.0f} %), moving {visits} at the price set for it."
        )
        if not self.is_open and self.plan.version != self.plan_version:
            text += " The plan was changed since, so it can no longer be used; search again."
        return text

    def _sentence_of_following(self) -> str:
        saved = round((int(self.outlook.get("start_60", 0)) - int(self.outlook.get("cost_60", 0))) / 60)
        gained = f"{saved} less than the first plan" if "cost_60" in self.outlook and saved > 0 else ""
        if self.is_open:
            return (
                f"The plan is being bettered; it costs {gained} by now."
                if gained
                else ("The plan is being bettered.")
            )
        if self.plan.version != self.plan_version:
            return "The plan was changed by hand, so nothing more was tried. Search again for a better one."
        return f"The plan was bettered: it costs {gained}." if gained else "Nothing better was found."


class VisitNotice(models.Model):
    """What an owner was told about a planned visit: the day, the window, by mail or on paper."""

    class Channel(models.TextChoices):
        MAIL = "mail", "Mail"
        LETTER = "letter", "Letter"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    visit = models.ForeignKey(Visit, models.PROTECT, related_name="notices")
    channel = models.CharField(max_length=6, choices=Channel)
    planned_on = models.DateField()
    window_from = models.TimeField()
    window_until = models.TimeField()
    sent_to = models.CharField(max_length=254, blank=True)
    subject = models.CharField(max_length=200)
    body = models.TextField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    claimed_at = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    error = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["visit_id", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["visit", "channel", "planned_on", "window_from", "window_until"],
                name="visit_notice_once",
                violation_error_message="The owner was already told this day and window in this way.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.visit}: {self.subject}"
