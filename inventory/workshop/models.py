"""Tables of the workshop.

A job card follows one unit from receipt to return. What is stated on it is an entry: added, never
edited; a later entry for the same step takes the place of the earlier one, which stays readable.
Instruments carry a calibration date, and every entry keeps which instrument was used and whether
its calibration had run out on that day.
"""

from __future__ import annotations

import uuid
from typing import Any

from django.conf import settings
from django.db import models

from inventory.access import Scope, on_premises
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.logbook.models import ServiceRecord
from inventory.register.models import Location, Site, Unit

VERSION_HELP = "Rises with every change; a form that saw an older one is refused."


class Instrument(models.Model):
    """A scale, gauge or rig that results are taken with."""

    class Kind(models.TextChoices):
        SCALE = "scale", "Scale"
        PRESSURE_GAUGE = "pressure_gauge", "Charging gauge or regulator"
        TEST_GAUGE = "test_gauge", "Test pump gauge"
        EXPANSION_RIG = "expansion_rig", "Water-jacket rig"
        LEAK_DETECTOR = "leak_detector", "Tracer-gas detector"
        THERMOMETER = "thermometer", "Thermometer"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    code = models.CharField(
        max_length=30, unique=True, error_messages={"unique": "Another instrument carries this number."}
    )
    kind = models.CharField(max_length=20, choices=Kind)
    description = models.CharField(max_length=120, blank=True)
    serial = models.CharField(max_length=60, blank=True)
    due_on = models.DateField(
        null=True, blank=True, help_text="Day on which its calibration runs out; empty when none is known."
    )
    is_retired = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1, help_text=VERSION_HELP)

    class Meta:
        ordering = ["kind", "code"]

    def __str__(self) -> str:
        return self.code


class CalibrationQuerySet(AppendOnlyQuerySet["Calibration"]):
    pass


class Calibration(AppendOnly):
    """One calibration of an instrument: when, until when, by which paper."""

    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="calibrations")
    done_on = models.DateField()
    due_on = models.DateField()
    certificate_ref = models.CharField(max_length=80, blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField(help_text="Server instant, UTC.")

    objects = CalibrationQuerySet.as_manager()

    class Meta:
        ordering = ["instrument_id", "id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(due_on__gt=models.F("done_on")),
                name="calibration_ordered",
                violation_error_message="The calibration must run out after the day it was made.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.instrument} on {self.done_on}"


class WorkshopDefaultQuerySet(AppendOnlyQuerySet["WorkshopDefault"]):
    pass


class WorkshopDefault(AppendOnly):
    """A manager's value in the place of a shipped default; the last one of a key stands."""

    key = models.CharField(max_length=60)
    value = models.CharField(max_length=24, help_text="Figures as typed; empty puts the shipped value back.")
    reason = models.CharField(max_length=200)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField(help_text="Server instant, UTC.")

    objects = WorkshopDefaultQuerySet.as_manager()

    class Meta:
        ordering = ["key", "id"]
        indexes = [models.Index(fields=["key", "-id"], name="workshop_default_by_key")]

    def __str__(self) -> str:
        return f"{self.key} = {self.value}"


class JobCardQuerySet(models.QuerySet["JobCard"]):
    def visible_to(self, scope: Scope) -> JobCardQuerySet:
        """Cards of units of sites that ``scope`` may see; those of our own units belong to the firm."""
        if scope.everything:
            return self
        return self.filter(on_premises(scope, day="received_on"))

    def open(self) -> JobCardQuerySet:
        """Cards whose unit is still in the workshop's hands."""
        return self.filter(state__in=JobCard.OPEN)


class JobCard(models.Model):
    """One unit's passage through the workshop."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        IN_WORK = "in_work", "On the bench"
        AT_TEST_HOUSE = "at_test_house", "At the test house"
        TO_RELEASE = "to_release", "Awaits release"
        TO_CONDEMN = "to_condemn", "Awaits a second opinion"
        RELEASED = "released", "Ready to return"
        RETURNED = "returned", "Returned"
        TAKEN_BACK = "taken_back", "Taken back to the bench"
        CONDEMNED = "condemned", "Condemned, to be disposed of"
        DISPOSED = "disposed", "Disposed of"
        WITHDRAWN = "withdrawn", "Withdrawn"

    class Reason(models.TextChoices):
        DUE_WORK = "due_work", "Work falls due"
        USED = "used", "Used"
        PRESSURE_LOST = "pressure_lost", "Pressure or mass lost"
        DAMAGED = "damaged", "Damaged"
        COMPLAINT = "complaint", "Complaint or claim"

    class Decision(models.TextChoices):
        OPEN = "", "Not decided"
        SERVE = "serve", "Put back into service"
        TEST = "test", "Pressure test first"
        CONDEMN = "condemn", "Condemn"

    OPEN = (
        State.WAITING,
        State.IN_WORK,
        State.AT_TEST_HOUSE,
        State.TO_RELEASE,
        State.TO_CONDEMN,
        State.RELEASED,
        State.CONDEMNED,
    )
    WORKABLE = (State.WAITING, State.IN_WORK, State.TO_RELEASE, State.TO_CONDEMN)

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.CharField(max_length=30, unique=True)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="job_cards")
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="job_cards")
    home = models.ForeignKey(
        Location, models.PROTECT, null=True, blank=True, related_name="+", help_text="Where it hung last."
    )
    state = models.CharField(max_length=14, choices=State, default=State.WAITING)
    reason = models.CharField(max_length=14, choices=Reason)
    works = models.JSONField(default=list, help_text="Codes of the tasks the card is for.")
    decision = models.CharField(max_length=8, choices=Decision, blank=True, default="")
    accessories = models.CharField(max_length=200, blank=True)
    remarks = models.TextField(blank=True)
    received_on = models.DateField(help_text="Civil day at the unit's site.")
    received_at = models.DateTimeField(help_text="Server instant, UTC.")
    received_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    away_since_on = models.DateField(null=True, blank=True, help_text="Day it was taken down.")
    promised_on = models.DateField(null=True, blank=True)
    return_by_on = models.DateField(null=True, blank=True, help_text="Last day by the rule of the place.")
    return_rule = models.CharField(max_length=200, blank=True)
    released_at = models.DateTimeField(null=True, blank=True)
    released_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    closed_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1, help_text=VERSION_HELP)

    objects = JobCardQuerySet.as_manager()

    class Meta:
        ordering = ["promised_on", "id"]
        indexes = [
            models.Index(fields=["state", "promised_on", "id"], name="job_card_queue"),
            models.Index(fields=["unit", "-id"], name="job_card_by_unit"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["unit"],
                condition=models.Q(
                    state__in=(
                        "waiting",
                        "in_work",
                        "at_test_house",
                        "to_release",
                        "to_condemn",
                        "released",
                        "condemned",
                    )
                ),
                name="job_card_open_once_per_unit",
                violation_error_message="This unit already has an open job card.",
            ),
            models.CheckConstraint(
                condition=models.Q(promised_on__isnull=True)
                | models.Q(promised_on__gte=models.F("received_on")),
                name="job_card_promise_ordered",
                violation_error_message="The promised day cannot lie before the unit was received.",
            ),
        ]

    def __str__(self) -> str:
        return self.number

    @property
    def is_open(self) -> bool:
        """Whether the unit is still in the workshop's hands."""
        return self.state in self.OPEN


class CardEntryQuerySet(AppendOnlyQuerySet["CardEntry"]):
    def visible_to(self, scope: Scope) -> CardEntryQuerySet:
        """Entries of cards that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(on_premises(scope, site="card__site", day="card__received_on"))

    def standing(self) -> CardEntryQuerySet:
        """Entries that no later one corrects."""
        return self.filter(corrected_by__isnull=True)


class CardEntry(AppendOnly):
    """What one person stated about one step of a card, and how it was judged."""

    class Verdict(models.TextChoices):
        INSIDE = "inside", "Inside the limit"
        OUTSIDE = "outside", "Outside the limit"
        UNJUDGED = "unjudged", "Not judged"
        DONE = "done", "Done"

    client_ref = models.UUIDField(unique=True, default=uuid.uuid4, help_text="A resend meets it.")
    card = models.ForeignKey(JobCard, models.PROTECT, related_name="entries")
    sequence = models.PositiveIntegerField(help_text="Position on the card, from 1.")
    step = models.CharField(max_length=24, help_text="A code of inventory/workshop/steps.toml.")
    done_on = models.DateField(help_text="Civil day at the unit's site.")
    values = models.JSONField(default=dict, help_text="By field: the value as entered, its unit of measure.")
    verdict = models.CharField(max_length=10, choices=Verdict)
    sentences = models.JSONField(default=list, help_text="Why it was judged so, with the source.")
    flags = models.JSONField(default=list, help_text="What a reader must know beside the verdict.")
    remarks = models.TextField(blank=True)
    record = models.ForeignKey(
        ServiceRecord, models.PROTECT, null=True, related_name="+", help_text="The record it made, if any."
    )
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_by_name = models.CharField(max_length=150)
    made_at = models.DateTimeField(help_text="Server instant, UTC.")
    corrects = models.OneToOneField(
        "self", models.PROTECT, null=True, blank=True, related_name="corrected_by"
    )
    correction_reason = models.CharField(max_length=200, blank=True)

    objects = CardEntryQuerySet.as_manager()

    place: int = 0
    """Its place among the steps: that of the entry it corrects; set by ``queries.entries_of``."""

    class Meta:
        ordering = ["card_id", "sequence"]
        indexes = [models.Index(fields=["step", "done_on"], name="card_entry_by_step")]
        constraints = [
            models.UniqueConstraint(fields=["card", "sequence"], name="card_entry_sequence_once"),
            models.CheckConstraint(
                condition=models.Q(corrects__isnull=True) | ~models.Q(correction_reason=""),
                name="card_entry_correction_has_reason",
                violation_error_message="Say why the earlier entry is corrected.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.card}: {self.step}"

    def entered(self, field: str) -> Any:
        """The value of ``field`` as entered; an empty text when nothing was."""
        given = self.values.get(field)
        return given.get("value", "") if isinstance(given, dict) else (given or "")


class CardInstrumentQuerySet(AppendOnlyQuerySet["CardInstrument"]):
    pass


class CardInstrument(AppendOnly):
    """Which instrument an entry was taken with, and how its calibration stood on that day."""

    entry = models.ForeignKey(CardEntry, models.PROTECT, related_name="instruments")
    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="uses")
    due_on = models.DateField(null=True)
    was_in_calibration = models.BooleanField()

    objects = CardInstrumentQuerySet.as_manager()

    class Meta:
        ordering = ["entry_id", "id"]
        constraints = [
            models.UniqueConstraint(fields=["entry", "instrument"], name="card_instrument_once"),
        ]

    def __str__(self) -> str:
        return f"{self.instrument} for {self.entry}"


class HouseStay(models.Model):
    """A unit's stay at an outside test house: sent, due back, and the certificate that came with it."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    card = models.ForeignKey(JobCard, models.PROTECT, related_name="stays")
    house = models.CharField(max_length=120)
    sent_on = models.DateField()
    due_back_on = models.DateField()
    sent_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    returned_on = models.DateField(null=True, blank=True)
    certificate_number = models.CharField(max_length=60, blank=True)
    certificate = models.FileField(upload_to="test-house/%Y/", blank=True)
    certificate_sha256 = models.CharField(max_length=64, blank=True)

    class Meta:
        ordering = ["card_id", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["card"],
                condition=models.Q(returned_on__isnull=True),
                name="house_stay_open_once_per_card",
                violation_error_message="This unit is at a test house already.",
            ),
            models.CheckConstraint(
                condition=models.Q(due_back_on__gte=models.F("sent_on")),
                name="house_stay_ordered",
                violation_error_message="It cannot be due back before it was sent.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.card} at {self.house}"
