"""Tables of what falls due."""

from __future__ import annotations

import uuid
from collections.abc import Sequence

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.logbook.models import TASK_CHOICES
from inventory.register.models import Site, Unit


class ObligationQuerySet(models.QuerySet["Obligation"]):
    def visible_to(self, scope: Scope) -> ObligationQuerySet:
        """Obligations of units on sites that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(models.Q(site__owner__in=scope.owner_ids) | models.Q(site__in=scope.site_ids))

    def ours(self) -> ObligationQuerySet:
        """Obligations that the firm serves: not the monthly look of the owner's own people."""
        # The sites as a list of their own, not as a join that every row would have to make.
        by_owners = Site.objects.filter(monthly_checks_by=Site.MonthlyChecks.OWNER).order_by().values("pk")
        # The task first: of no other has the site to be looked up.
        return self.exclude(models.Q(task="visual_inspection") & models.Q(site__in=by_owners))


class Obligation(models.Model):
    """What one rule of one table demands of one unit next; rewritten whenever its inputs change.

    ``latest_on`` is empty only where no date exists: a task that an event triggers, an end, or a
    unit that no rule covers (``knowledge`` says which). "Due" and "overdue" are read off the dates
    on the day in question and never stored. Nor are the reasons: the engine tells them again when
    somebody asks (``schedules.due.queries.attach_why``), because a sweep of a million units would
    otherwise write mostly words that nobody reads.
    """

    # Both keys lead an index below, so they need none of their own.
    unit = models.ForeignKey(Unit, models.CASCADE, related_name="obligations", db_index=False)
    site = models.ForeignKey(Site, models.CASCADE, null=True, related_name="obligations", db_index=False)
    table_key = models.CharField(max_length=60)
    table_version = models.CharField(max_length=20)
    task = models.CharField(max_length=24, choices=TASK_CHOICES)
    rule_id = models.CharField(max_length=80)
    earliest_on = models.DateField(null=True)
    target_on = models.DateField(null=True)
    latest_on = models.DateField(null=True)
    knowledge = models.CharField(max_length=24, help_text="A code of schedules.engine.Knowledge.")
    is_deferred = models.BooleanField(
        default=False, help_text="A full unit may stay as it is past the date, but must not be filled again."
    )
    is_binding = models.BooleanField(default=True, help_text="Earliest latest date among the unit's tables.")
    computed_at = models.DateTimeField()

    objects = ObligationQuerySet.as_manager()

    basis_text: str = ""
    """What the date counts from; empty until ``attach_why`` fills it."""
    why: Sequence[str] = ()
    """Plain-word lines: table, clause, basis, arithmetic; empty until ``attach_why`` fills it."""

    class Meta:
        ordering = ["latest_on", "unit_id", "id"]
        indexes = [
            models.Index(fields=["site", "latest_on"], name="obligation_by_site"),
            models.Index(fields=["latest_on", "id"], name="obligation_by_latest"),
            models.Index(fields=["task", "latest_on"], name="obligation_by_task"),
            # Few rows each: a full index on this column would be written for every obligation.
            models.Index(
                fields=["latest_on", "id"],
                condition=models.Q(knowledge="unknown_basis"),
                name="obligation_unknown",
            ),
            models.Index(
                fields=["site", "unit"],
                condition=models.Q(knowledge="uncovered"),
                name="obligation_uncovered",
            ),
            models.Index(
                fields=["latest_on"], condition=models.Q(is_deferred=True), name="obligation_deferred"
            ),
        ]
        constraints = [
            models.UniqueConstraint(fields=["unit", "table_key", "task"], name="obligation_once"),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.get_task_display()} by {self.latest_on}"


class Freshness(models.Model):
    """Which inputs the stored obligations of a unit were computed from.

    A unit is stale when it has no row, when its ``facts_revision`` moved on, when the tables that
    apply to it changed (``rulebook_digest``), or when ``recheck_on`` has come. No flag is set or
    cleared, so a crashed job leaves nothing behind.
    """

    unit = models.OneToOneField(Unit, models.CASCADE, primary_key=True, related_name="freshness")
    facts_revision = models.PositiveIntegerField()
    rulebook_digest = models.CharField(max_length=64)
    recheck_on = models.DateField(null=True)
    doubt_until = models.DateField(
        null=True, help_text="The last day on which facts and records cannot all be right; empty if they can."
    )
    is_unspoken = models.BooleanField(default=False, help_text="No interval table speaks of the unit at all.")
    computed_at = models.DateTimeField()

    class Meta:
        indexes = [
            # Few rows each.
            models.Index(
                fields=["doubt_until"],
                condition=models.Q(doubt_until__isnull=False),
                name="freshness_in_doubt",
            ),
            models.Index(fields=["unit"], condition=models.Q(is_unspoken=True), name="freshness_unspoken"),
        ]

    def __str__(self) -> str:
        return f"{self.unit_id} at revision {self.facts_revision}"


class SiteTally(models.Model):
    """How many binding obligations of a site stand how on the civil day ``counted_on`` at the site.

    Kept in the transaction that writes the obligations (``schedules.due.tallies``), so that a page
    need not count millions of rows. Monthly looks are counted apart, because whose work they are is
    a setting of the site. A site without a row is counted row by row.

    ``unit_…`` counts units instead, each once by the gravest of its tasks, those without a task left
    out: with the looks passed over, ``whole_…`` with them. Where a unit is does not matter here: a
    reader who wants those that hang takes off the few that do not.
    """

    site = models.OneToOneField(Site, models.CASCADE, primary_key=True, related_name="tally")
    counted_on = models.DateField()
    recount_on = models.DateField(
        null=True, help_text="From this day the passing of days alone cannot tell the counts."
    )
    overdue = models.PositiveIntegerField(default=0)
    due = models.PositiveIntegerField(default=0)
    in_date = models.PositiveIntegerField(default=0)
    unknown = models.PositiveIntegerField(default=0)
    uncovered = models.PositiveIntegerField(default=0)
    no_date = models.PositiveIntegerField(default=0)
    look_overdue = models.PositiveIntegerField(default=0)
    look_due = models.PositiveIntegerField(default=0)
    look_in_date = models.PositiveIntegerField(default=0)
    look_unknown = models.PositiveIntegerField(default=0)
    look_uncovered = models.PositiveIntegerField(default=0)
    look_no_date = models.PositiveIntegerField(default=0)
    unit_overdue = models.PositiveIntegerField(default=0)
    unit_unknown = models.PositiveIntegerField(default=0)
    unit_due = models.PositiveIntegerField(default=0)
    unit_in_date = models.PositiveIntegerField(default=0)
    whole_overdue = models.PositiveIntegerField(default=0)
    whole_unknown = models.PositiveIntegerField(default=0)
    whole_due = models.PositiveIntegerField(default=0)
    whole_in_date = models.PositiveIntegerField(default=0)
    coming = models.JSONField(
        default=list,
        help_text="By month of the latest date, as 12 × year + month − 1: [month, tasks but looks, looks].",
    )
    coming_until = models.PositiveIntegerField(default=0, help_text="The first month that is not kept.")

    def __str__(self) -> str:
        return f"{self.site_id} as counted on {self.counted_on}"


class SiteMonth(models.Model):
    """How the units of a site stood at the end of a calendar month, each unit counted once.

    The running month is written again every night until it is over; a past month stays as it was.
    ``is_worked_out`` marks a month that was worked out later, for the units of that later day, from the
    records that had been made by the month's end.
    """

    site = models.ForeignKey(Site, models.CASCADE, related_name="months")
    month = models.DateField(help_text="Its first day.")
    counted_on = models.DateField(help_text="Civil date at the site of which the counts speak.")
    units = models.PositiveIntegerField()
    in_date = models.PositiveIntegerField()
    due = models.PositiveIntegerField()
    overdue = models.PositiveIntegerField()
    unknown = models.PositiveIntegerField(help_text="A date or rule was missing.")
    is_worked_out = models.BooleanField(default=False)

    class Meta:
        ordering = ["site_id", "month"]
        constraints = [
            models.UniqueConstraint(fields=["site", "month"], name="site_month_once"),
            models.CheckConstraint(
                condition=models.Q(
                    units=models.F("in_date") + models.F("due") + models.F("overdue") + models.F("unknown")
                ),
                name="site_month_adds_up",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site_id} in {self.month:%Y-%m}"


class ForecastRun(models.Model):
    """A forecast rolled in the background: what was wanted, how far it is, and the counts so far."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    key = models.CharField(max_length=64, unique=True, help_text="Digest of what is wanted and the day.")
    wanted = models.JSONField()
    first_on = models.DateField()
    last_on = models.DateField()
    units_total = models.PositiveIntegerField()
    units_done = models.PositiveIntegerField(default=0)
    last_unit = models.PositiveBigIntegerField(default=0, help_text="Id of the last unit that is counted.")
    counts = models.JSONField(default=dict)
    is_stopped = models.BooleanField(default=False)
    # A worker that dies leaves its claim behind; it runs out.
    claimed_until = models.DateTimeField(null=True, blank=True)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.units_done} of {self.units_total} units"
