"""Tables of who can be sent, when, with what, and of what a site asks of whoever comes."""

from __future__ import annotations

import uuid
from datetime import time

from django.conf import settings
from django.db import models

from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.logbook.models import TASK_CHOICES
from inventory.register.models import AGENT_CHOICES, Depot, Site


class Skill(models.Model):
    """Something that not every technician can or may do: a trained task, a licence of a place."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=80, unique=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name


class SkillNeed(models.Model):
    """When a visit needs a skill: every part that is filled in must fit one of its jobs or its site."""

    skill = models.ForeignKey(Skill, models.CASCADE, related_name="needs")
    task = models.CharField(max_length=24, choices=TASK_CHOICES, blank=True)
    agent = models.CharField(max_length=24, choices=AGENT_CHOICES, blank=True)
    country = models.CharField(max_length=2, blank=True, help_text="ISO 3166-1 alpha-2 code.")
    region = models.CharField(max_length=100, blank=True)
    site = models.ForeignKey(Site, models.CASCADE, null=True, blank=True, related_name="skill_needs")

    class Meta:
        ordering = ["skill_id", "id"]
        constraints = [
            models.CheckConstraint(
                condition=~models.Q(task="", agent="", country="", region="", site__isnull=True),
                name="skill_need_says_when",
                violation_error_message="Say when the skill is needed: a task, an agent, a place or a site.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.skill} for {self.when}"

    @property
    def when(self) -> str:
        """The condition in words."""
        parts = [
            self.get_task_display() if self.task else "",
            self.get_agent_display() if self.agent else "",
            ", ".join(part for part in (self.region, self.country) if part),
            str(self.site) if self.site_id is not None else "",
        ]
        return "; ".join(part for part in parts if part)


class CrewMember(models.Model):
    """What planning knows of one technician."""

    class Base(models.TextChoices):
        DEPOT = "depot", "The depot"
        HOME = "home", "Home"

    technician = models.OneToOneField(settings.AUTH_USER_MODEL, models.CASCADE, related_name="crew")
    depot = models.ForeignKey(Depot, models.PROTECT, null=True, blank=True, related_name="crew")
    starts_from = models.CharField(max_length=5, choices=Base, default=Base.DEPOT)
    ends_at = models.CharField(max_length=5, choices=Base, default=Base.DEPOT)
    home_place = models.CharField(max_length=120, blank=True, help_text="Town or street, for the sheet.")
    home_latitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    home_longitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    lunch_minutes = models.PositiveSmallIntegerField(default=30)
    lunch_from = models.TimeField(default=time(11, 30))
    lunch_until = models.TimeField(default=time(13, 30), help_text="The latest time at which lunch starts.")
    overtime_minutes = models.PositiveSmallIntegerField(default=30, help_text="At most this much a day.")
    is_planned = models.BooleanField(default=True, help_text="Takes part in new plans.")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["technician_id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(home_latitude__isnull=True, home_longitude__isnull=True)
                | models.Q(
                    home_latitude__gte=-90,
                    home_latitude__lte=90,
                    home_longitude__gte=-180,
                    home_longitude__lte=180,
                ),
                name="crew_home_on_earth",
                violation_error_message="Enter latitude (-90 to 90) and longitude (-180 to 180) of the home, "
                "or neither.",
            ),
            models.CheckConstraint(
                condition=models.Q(lunch_until__gte=models.F("lunch_from")),
                name="crew_lunch_ordered",
                violation_error_message="The latest start of lunch lies before the earliest.",
            ),
            models.CheckConstraint(
                condition=models.Q(lunch_minutes__lte=180),
                name="crew_lunch_length",
                violation_error_message="Lunch takes at most 180 minutes.",
            ),
            models.CheckConstraint(
                condition=models.Q(overtime_minutes__lte=480),
                name="crew_overtime_length",
                violation_error_message="Overtime is at most 480 minutes a day.",
            ),
        ]

    def __str__(self) -> str:
        return str(self.technician)


class ShiftHours(models.Model):
    """Working hours of one weekday, wall time of the technician's depot."""

    member = models.ForeignKey(CrewMember, models.CASCADE, related_name="shifts")
    weekday = models.PositiveSmallIntegerField(help_text="0 is Monday, 6 is Sunday.")
    starts_at = models.TimeField()
    ends_at = models.TimeField()

    class Meta:
        ordering = ["member_id", "weekday"]
        constraints = [
            models.UniqueConstraint(fields=["member", "weekday"], name="shift_once_per_weekday"),
            models.CheckConstraint(
                condition=models.Q(weekday__lte=6),
                name="shift_weekday",
                violation_error_message="Weekdays run from 0 (Monday) to 6 (Sunday).",
            ),
            models.CheckConstraint(
                condition=models.Q(ends_at__gt=models.F("starts_at")),
                name="shift_ordered",
                violation_error_message="A shift ends after it starts, on the same day.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.weekday} {self.starts_at:%H:%M}-{self.ends_at:%H:%M}"


class Absence(models.Model):
    """Days on which a technician does not work, the first one perhaps only from an hour on."""

    class Kind(models.TextChoices):
        ILL = "ill", "Ill"
        LEAVE = "leave", "On leave"
        TRAINING = "training", "In training"
        OTHER = "other", "Other work"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    member = models.ForeignKey(CrewMember, models.CASCADE, related_name="absences")
    kind = models.CharField(max_length=8, choices=Kind, default=Kind.LEAVE)
    first_on = models.DateField()
    last_on = models.DateField()
    from_time = models.TimeField(null=True, blank=True, help_text="On the first day; empty means all day.")
    note = models.CharField(max_length=200, blank=True)
    is_void = models.BooleanField(default=False, help_text="Taken back; it does not count.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["first_on", "id"]
        indexes = [models.Index(fields=["member", "first_on"], name="absence_by_member")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(last_on__gte=models.F("first_on")),
                name="absence_ordered",
                violation_error_message="The last day of an absence lies before its first.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.first_on} to {self.last_on}"


class HeldSkill(models.Model):
    """A skill that a technician holds, where it counts and until when."""

    member = models.ForeignKey(CrewMember, models.CASCADE, related_name="skills")
    skill = models.ForeignKey(Skill, models.CASCADE, related_name="holders")
    country = models.CharField(max_length=2, blank=True, help_text="Counts only there; empty: everywhere.")
    region = models.CharField(max_length=100, blank=True)
    reference = models.CharField(max_length=80, blank=True, help_text="Number of the licence or certificate.")
    expires_on = models.DateField(null=True, blank=True, help_text="The last day on which it counts.")

    class Meta:
        ordering = ["member_id", "skill_id", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["member", "skill", "country", "region"],
                name="held_skill_once_per_place",
                violation_error_message="This skill is already entered for this place.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.skill}, {self.member}"


class Van(models.Model):
    """A vehicle and what fits into it."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=80, unique=True)
    depot = models.ForeignKey(Depot, models.PROTECT, null=True, blank=True, related_name="vans")
    driver = models.OneToOneField(CrewMember, models.SET_NULL, null=True, blank=True, related_name="van")
    unit_places = models.PositiveSmallIntegerField(
        default=40, help_text="Units that find a place at once: loaners going out, units coming back."
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name


class VanStock(models.Model):
    """What a van leaves with each morning of one agent: loaners in pieces, or loose agent in grams."""

    class Kind(models.TextChoices):
        LOANER = "loaner", "Loaners"
        AGENT = "agent", "Loose agent"

    van = models.ForeignKey(Van, models.CASCADE, related_name="stock")
    kind = models.CharField(max_length=6, choices=Kind)
    agent = models.CharField(max_length=24, choices=AGENT_CHOICES)
    amount = models.PositiveIntegerField(help_text="Pieces of loaners, grams of loose agent.")

    class Meta:
        ordering = ["van_id", "kind", "agent", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["van", "kind", "agent"],
                name="van_stock_once",
                violation_error_message="This van already has a line for that.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.get_agent_display()}: {self.amount}"


class SiteCall(models.Model):
    """What a site asks of whoever comes, beyond its hours of access."""

    site = models.OneToOneField(Site, models.CASCADE, related_name="call")
    needs_escort = models.BooleanField(default=False, help_text="Somebody of the site walks along.")
    extra_minutes = models.PositiveSmallIntegerField(
        default=0, help_text="On top of the work: gate, safety talk, long ways."
    )
    preferred_technician = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["site_id"]

    def __str__(self) -> str:
        return str(self.site)


class PlanningRulesQuerySet(AppendOnlyQuerySet["PlanningRules"]):
    pass


class PlanningRules(AppendOnly):
    """Prices and times by which plans are made; the last row stands, the earlier ones remain readable."""

    values = models.JSONField(help_text="What differs from the defaults, by name.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()

    objects = PlanningRulesQuerySet.as_manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"Rules of {self.made_at:%Y-%m-%d %H:%M}"
