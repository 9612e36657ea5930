"""Tables of surveys."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from schedules.visits.models import Visit


class SurveyQuerySet(models.QuerySet["Survey"]):
    def visible_to(self, scope: Scope) -> SurveyQuerySet:
        """Surveys whose visits ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(visit__in=Visit.objects.visible_to(scope).order_by().values("pk"))


class Survey(models.Model):
    """What goes beyond its visit: what was expected, what was signed for, and what it came to.

    Everything seen on site stands in the visit's acts. ``outcome`` is what finishing wrote and the
    takeover report prints, frozen; before that all is worked out from the acts and the register anew.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    visit = models.OneToOneField(Visit, models.PROTECT, related_name="survey")
    expected_units = models.PositiveIntegerField(default=0, help_text="How many the customer or we expect.")
    note = models.TextField(blank=True, help_text="For those who walk: where to begin, whom to ask.")
    planned_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    planned_at = models.DateTimeField()
    counts_stated = models.JSONField(default=dict, blank=True, help_text="Counts that were signed for.")
    finished_at = models.DateTimeField(null=True, blank=True)
    finished_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    outcome = models.JSONField(null=True, blank=True, help_text="Frozen when it was finished.")
    outcome_digest = models.CharField(max_length=64, blank=True)

    objects = SurveyQuerySet.as_manager()

    class Meta:
        ordering = ["-planned_at", "-id"]
        indexes = [models.Index(fields=["finished_at", "planned_at"], name="survey_by_state")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(finished_at__isnull=True, outcome__isnull=True)
                | models.Q(finished_at__isnull=False, outcome__isnull=False, finished_by__isnull=False),
                name="survey_finished_is_whole",
                violation_error_message="A finished survey says when, by whom and with what outcome.",
            )
        ]

    def __str__(self) -> str:
        return f"Survey {self.visit}"


class SurveyDecisionQuerySet(AppendOnlyQuerySet["SurveyDecision"]):
    pass


class SurveyDecision(AppendOnly):
    """What a person decided about one difference, as it stood then; the last one on a key counts.

    It holds while the difference is the one that was looked at (``seen_digest``): what comes in later
    and says something else opens it again.
    """

    class Choice(models.TextChoices):
        TAKE = "take", "Take what was found"
        KEEP = "keep", "Keep the register"
        ASK = "ask", "Ask again"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    survey = models.ForeignKey(Survey, models.PROTECT, related_name="decisions")
    key = models.CharField(max_length=120, help_text="Which difference: thing and what about it.")
    choice = models.CharField(max_length=4, choices=Choice)
    reason = models.CharField(max_length=300, blank=True)
    seen_digest = models.CharField(max_length=64)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    made_at = models.DateTimeField()

    objects = SurveyDecisionQuerySet.as_manager()

    class Meta:
        ordering = ["survey_id", "id"]
        indexes = [models.Index(fields=["survey", "key"], name="survey_decision_by_key")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(choice="take") | ~models.Q(reason=""),
                name="survey_decision_says_why",
                violation_error_message="Say why, or what is to be asked.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.key}: {self.get_choice_display()}"
