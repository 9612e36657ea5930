"""Tables of condition: one estimate per unit, and one line per group of peers.

Estimates are derived and may be thrown away; the readings they rest on stand in the logbook. Levels
and losses are shares of the full value: of the working pressure for a gauge, of the charge for a mass.
"""

from __future__ import annotations

from django.db import models

from inventory.access import Scope
from inventory.measures.kinds import Agent
from inventory.register.models import AGENT_CHOICES, Unit, UnitModel
from inventory.stock.models import Lot

MEASURES = [("pressure", "Gauge pressure at 20 °C"), ("mass", "Mass of the charge")]


class LeakEstimateQuerySet(models.QuerySet["LeakEstimate"]):
    def visible_to(self, scope: Scope) -> LeakEstimateQuerySet:
        """Estimates of units that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(
            models.Q(unit__site__owner__in=scope.owner_ids) | models.Q(unit__site__in=scope.site_ids)
        )


class LeakEstimate(models.Model):
    """What the readings of one unit since its last recharge say, alone and together with its peers."""

    unit = models.OneToOneField(Unit, models.CASCADE, primary_key=True, related_name="leak")
    model = models.ForeignKey(UnitModel, models.PROTECT, related_name="+")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, related_name="+")
    measure = models.CharField(max_length=8, choices=MEASURES)
    since_on = models.DateField(null=True, help_text="Day of the last recharge that the readings follow.")
    # What the unit's own readings say: the sums that a least-squares line needs, times in years.
    readings = models.PositiveSmallIntegerField()
    middle_on = models.DateField(help_text="Mean day of the readings.")
    middle_offset_years = models.FloatField(help_text="Rest of the mean beyond the whole day.")
    mean_level = models.FloatField()
    spread = models.FloatField(help_text="Sum of squared distances in time, square years.")
    own_loss = models.FloatField(null=True, help_text="Share per year by its own readings alone.")
    rest = models.FloatField(default=0, help_text="Sum of squared residuals.")
    last_on = models.DateField()
    last_level = models.FloatField()
    # Together with its peers.
    loss = models.FloatField(null=True, help_text="Share per year, expected.")
    loss_low = models.FloatField(null=True, help_text="Lower end of the 90 % interval.")
    loss_high = models.FloatField(null=True, help_text="Upper end of the 90 % interval.")
    leaker_share = models.FloatField(null=True, help_text="Probability that it is no sound unit.")
    limit = models.FloatField(help_text="Level below which it must not fall.")
    limit_on = models.DateField(null=True, help_text="Expected day; empty when beyond the horizon.")
    limit_early_on = models.DateField(null=True, help_text="With 98 % certainty not before this day.")
    facts_revision = models.PositiveIntegerField(help_text="Of the unit when its readings were taken up.")
    computed_at = models.DateTimeField()

    objects = LeakEstimateQuerySet.as_manager()

    class Meta:
        ordering = ["unit_id"]
        indexes = [
            models.Index(fields=["limit_early_on"], name="leak_by_early_limit"),
            models.Index(fields=["model", "measure"], name="leak_by_model"),
            models.Index(fields=["lot"], name="leak_by_lot"),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.loss}"


class LeakPeers(models.Model):
    """How a model, or a lot, leaks compared with all others of its kind."""

    agent = models.CharField(max_length=24, choices=AGENT_CHOICES, default=Agent.UNKNOWN.value)
    model = models.ForeignKey(UnitModel, models.CASCADE, null=True, related_name="+")
    lot = models.ForeignKey(Lot, models.CASCADE, null=True, related_name="+")
    measure = models.CharField(max_length=8, choices=MEASURES)
    units = models.PositiveIntegerField()
    loss = models.FloatField(help_text="Share per year of a typical unit of the group.")
    loss_error = models.FloatField()
    peers_loss = models.FloatField(help_text="The same for all others of the kind.")
    leakers = models.FloatField(help_text="Expected number of units that are not sound.")
    is_flagged = models.BooleanField(default=False)
    why = models.CharField(max_length=300, blank=True)
    computed_at = models.DateTimeField()

    class Meta:
        ordering = ["-is_flagged", "-loss", "id"]

    def __str__(self) -> str:
        return f"{self.lot or self.model}: {self.loss}"
