"""Tables of the outlook: what the months ahead look like, site by site and week by week."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.register.models import Site
from schedules.visits.models import Visit


class OutlookQuerySet(models.QuerySet["Outlook"]):
    def visible_to(self, scope: Scope) -> OutlookQuerySet:
        """Outlooks are the desk's own matter."""
        return self if scope.everything else self.none()


class Outlook(models.Model):
    """One look ahead over all sites, worked out in the background and kept until the next is done."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting for a worker"
        RUNNING = "running", "Being worked out"
        DONE = "done", "Done"
        STOPPED = "stopped", "Stopped"
        FAILED = "failed", "Failed"

    OPEN = (State.WAITING, State.RUNNING)

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    state = models.CharField(max_length=8, choices=State, default=State.WAITING)
    first_on = models.DateField()
    last_on = models.DateField()
    sites_total = models.PositiveIntegerField(default=0)
    sites_done = models.PositiveIntegerField(default=0)
    figures = models.JSONField(default=dict, help_text="Caps and weights as they stood, by name.")
    totals = models.JSONField(default=dict, help_text="Trips, habit, life lost, over all sites.")
    level = models.JSONField(default=dict, help_text="Load by week before and after, and the proved bound.")
    is_stop_asked = models.BooleanField(default=False)
    # A worker that dies leaves its claim behind; one that has been silent for a while is taken over.
    claim = models.UUIDField(null=True, blank=True)
    heard_at = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveSmallIntegerField(default=0)
    error = models.CharField(max_length=300, blank=True)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    objects = OutlookQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["state"],
                condition=models.Q(state="running"),
                name="outlook_one_running",
                violation_error_message="The outlook is already being worked out.",
            ),
        ]

    def __str__(self) -> str:
        return f"Outlook of {self.created_at:%Y-%m-%d %H:%M}"


class OutlookSite(models.Model):
    """What bundling does for one site: trips against the habit of going to each task on its own date."""

    outlook = models.ForeignKey(Outlook, models.CASCADE, related_name="sites")
    site = models.ForeignKey(Site, models.CASCADE, related_name="+")
    trips = models.PositiveSmallIntegerField()
    habit_trips = models.PositiveSmallIntegerField()
    lost_permille = models.PositiveIntegerField(help_text="Thrown away of all intervals, thousandths.")
    margin_days = models.IntegerField(null=True)
    proof = models.CharField(max_length=40)
    problems = models.JSONField(default=list)
    ways = models.JSONField(default=list, help_text="Days on which its trips could lie too, and the price.")

    class Meta:
        ordering = ["outlook_id", "site_id"]
        constraints = [
            models.UniqueConstraint(fields=["outlook", "site"], name="outlook_site_once"),
        ]

    def __str__(self) -> str:
        return f"{self.site}: {self.trips} trips"


class OutlookTrip(models.Model):
    """One trip ahead. ``on`` is the day of the bundle, ``level_on`` that after levelling.

    A trip that joins a visit on the books keeps its day; of one that was promised, levelling only asks.
    """

    outlook = models.ForeignKey(Outlook, models.CASCADE, related_name="trips")
    site = models.ForeignKey(Site, models.CASCADE, related_name="+")
    on = models.DateField()
    level_on = models.DateField()
    first_on = models.DateField(help_text="The earliest day it could move to.")
    last_on = models.DateField(help_text="The latest day it could move to.")
    latest_on = models.DateField(help_text="The first latest date among its work.")
    units = models.PositiveIntegerField()
    works = models.JSONField(default=dict, help_text="Number of units by task.")
    pairs = models.JSONField(default=list, help_text="Unit and task of everything done on it.")
    work_minutes = models.PositiveIntegerField(help_text="Of a technician, the site's overhead included.")
    workshop_minutes = models.PositiveIntegerField(default=0)
    workshop_units = models.PositiveIntegerField(default=0)
    agent_mass_g = models.PositiveIntegerField(default=0)
    booked_visit = models.ForeignKey(
        Visit, models.SET_NULL, null=True, related_name="+", help_text="The visit on the books that it joins."
    )
    ask_on = models.DateField(null=True, help_text="A better day to ask the owner about.")
    taken = models.UUIDField(null=True, blank=True, help_text="Which act made it a visit.")
    visit = models.ForeignKey(Visit, models.SET_NULL, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["level_on", "id"]
        indexes = [
            models.Index(fields=["outlook", "level_on"], name="outlook_trip_by_day"),
            models.Index(fields=["outlook", "site"], name="outlook_trip_by_site"),
        ]

    def __str__(self) -> str:
        return f"{self.site} on {self.level_on}"
