"""Where units are when they do not hang at a location, every move they make, and loans.

A move has a *from* and a *to*, so that what left one place stands in another and the counts add
up by construction. ``Unit.location`` and ``Unit.store`` mirror the last move and are written only
together with it (``inventory.register.custody``). A unit that the register took over with its
place has no move before its first one: its opening placement stands for it.
"""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.access import Scope, on_premises
from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.register.models import Depot, Location, Site, Unit


class Store(models.Model):
    """A place of the firm that holds units and goods: a store room, the workshop, a van, a test house."""

    class Kind(models.TextChoices):
        STORE = "store", "Store"
        WORKSHOP = "workshop", "Workshop"
        VAN = "van", "Van"
        TEST_HOUSE = "test_house", "Outside test house"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=10, choices=Kind)
    name = models.CharField(
        max_length=120, unique=True, error_messages={"unique": "Another store has this name."}
    )
    depot = models.ForeignKey(Depot, models.PROTECT, null=True, blank=True, related_name="stores")
    keeper = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="stores",
        help_text="Who answers for it; the driver of a van.",
    )
    is_closed = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["kind", "name"]

    def __str__(self) -> str:
        return self.name


class MoveQuerySet(AppendOnlyQuerySet["Move"]):
    def visible_to(self, scope: Scope) -> MoveQuerySet:
        """Moves of units that hang, or belong, on premises that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(on_premises(scope, day="on"))


class Move(AppendOnly):
    """One unit going from one place to another. No place at all is the world outside our care."""

    client_ref = models.UUIDField(unique=True, default=uuid.uuid4, help_text="A resend meets it.")
    transaction = models.UUIDField(db_index=True, help_text="Moves that belong together: loan, exchange.")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="moves")
    site = models.ForeignKey(
        Site, models.PROTECT, null=True, related_name="+", help_text="The premises the unit belonged to then."
    )
    from_location = models.ForeignKey(Location, models.PROTECT, null=True, related_name="moves_out")
    from_store = models.ForeignKey(Store, models.PROTECT, null=True, related_name="moves_out")
    to_location = models.ForeignKey(Location, models.PROTECT, null=True, related_name="moves_in")
    to_store = models.ForeignKey(Store, models.PROTECT, null=True, related_name="moves_in")
    from_state = models.CharField(max_length=20, choices=Unit.State)
    to_state = models.CharField(max_length=20, choices=Unit.State)
    on = models.DateField(null=True, help_text="Civil day of the move; empty when a file did not say.")
    reason = models.CharField(max_length=200, blank=True)
    ref = models.UUIDField(null=True, blank=True, db_index=True, help_text="The visit or job card behind it.")
    moved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField(help_text="Server instant, UTC.")

    objects = MoveQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [models.Index(fields=["unit", "-id"], name="move_by_unit")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(from_location__isnull=True) | models.Q(from_store__isnull=True),
                name="move_from_one_place",
            ),
            models.CheckConstraint(
                condition=models.Q(to_location__isnull=True) | models.Q(to_store__isnull=True),
                name="move_to_one_place",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.source} to {self.destination}"

    @property
    def source(self) -> str:
        """Where it came from, in words."""
        return _place_words(self.from_location, self.from_store)

    @property
    def destination(self) -> str:
        """Where it went, in words."""
        return _place_words(self.to_location, self.to_store)


def _place_words(location: Location | None, store: Store | None) -> str:
    if location is not None:
        return f"location {location.number}"
    return store.name if store is not None else "nowhere of ours"


class LoanQuerySet(models.QuerySet["Loan"]):
    def visible_to(self, scope: Scope) -> LoanQuerySet:
        """Loans on premises that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(on_premises(scope, site="location__site", day="out_on"))

    def open(self) -> LoanQuerySet:
        """Loans whose loaner still hangs at the owner's."""
        return self.filter(ended_on__isnull=True)


class Loan(models.Model):
    """One of our units hanging at an owner's location in the place of one that is away."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    client_ref = models.UUIDField(unique=True, default=uuid.uuid4, help_text="A resend meets it.")
    loaner = models.ForeignKey(Unit, models.PROTECT, related_name="loans")
    location = models.ForeignKey(Location, models.PROTECT, related_name="loans")
    in_place_of = models.ForeignKey(
        Unit, models.PROTECT, null=True, blank=True, related_name="covered_by", help_text="The unit away."
    )
    out_on = models.DateField()
    expected_back_on = models.DateField(null=True, blank=True)
    lent_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    ended_on = models.DateField(null=True, blank=True)
    ended_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    ref = models.UUIDField(null=True, blank=True, db_index=True)

    objects = LoanQuerySet.as_manager()

    class Meta:
        ordering = ["out_on", "id"]
        indexes = [models.Index(fields=["ended_on", "expected_back_on"], name="loan_by_return")]
        constraints = [
            models.UniqueConstraint(
                fields=["loaner"],
                condition=models.Q(ended_on__isnull=True),
                name="loan_open_once_per_loaner",
                violation_error_message="This loaner is out already.",
            ),
            models.CheckConstraint(
                condition=models.Q(ended_on__isnull=True) | models.Q(ended_on__gte=models.F("out_on")),
                name="loan_ordered",
                violation_error_message="A loan cannot end before it began.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.loaner} at {self.location} since {self.out_on}"
