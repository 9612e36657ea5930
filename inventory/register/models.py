"""Tables of the register.

A unit has an identity of its own; its serial is only an attribute that can be unreadable,
repeated or corrected. Where a unit hangs is a placement over time; ``Unit.site`` and
``Unit.location`` mirror the open placement so that lists need no join through history, and are
written only together with it (``inventory.register.services``).
"""

from __future__ import annotations

import uuid
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import models

from inventory.access import Scope
from inventory.measures import kinds
from inventory.measures.stamps import Precision, Stamp
from inventory.measures.terms import LANGUAGES


def _choices(labels: dict[Any, str]) -> list[tuple[str, str]]:
    return [(code.value, label) for code, label in labels.items()]


AGENT_CHOICES = _choices(kinds.AGENT_LABELS)
CONSTRUCTION_CHOICES = _choices(kinds.CONSTRUCTION_LABELS)
SHELL_CHOICES = _choices(kinds.SHELL_LABELS)
ENVIRONMENT_CHOICES = _choices(kinds.ENVIRONMENT_LABELS)
# A language is added here when all notices to owners are written in it.
LANGUAGE_CHOICES = list(LANGUAGES)
PRECISION_CHOICES = [(p.value, p.value.capitalize()) for p in Precision]


class FactRank(models.IntegerChoices):
    """Who says a fact of a unit; the smaller number weighs more (common practice, no source)."""

    DECIDED = 5, "Settled by a person here"
    SHELL_STAMP = 10, "Stamp on the shell"
    NAMEPLATE = 20, "Nameplate"
    WORKSHOP = 30, "Workshop record"
    LABEL = 40, "Test label, collar or tag"
    OWNER_LIST = 60, "Owner's list or papers"
    WORD = 70, "Word of mouth"


class OwnerQuerySet(models.QuerySet["Owner"]):
    def visible_to(self, scope: Scope) -> OwnerQuerySet:
        """Owners that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(models.Q(pk__in=scope.owner_ids) | models.Q(sites__in=scope.site_ids)).distinct()


class Owner(models.Model):
    """An organisation that owns or occupies premises: the responsible entity."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=200, unique=True)
    contact_name = models.CharField(max_length=120, blank=True)
    contact_email = models.EmailField(blank=True)
    contact_phone = models.CharField(max_length=40, blank=True)
    notes = models.TextField(blank=True, help_text="For the firm's own people; the owner does not see it.")
    merged_into = models.ForeignKey(
        "self",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="aliases",
        help_text="The owner that this one turned out to be.",
    )
    created_at = models.DateTimeField(auto_now_add=True)

    objects = OwnerQuerySet.as_manager()

    class Meta:
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name


class Depot(models.Model):
    """A place of the firm from which technicians start; the sites that name it are its territory."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=120, unique=True)
    address_line = models.CharField(max_length=200, blank=True)
    city = models.CharField(max_length=100, blank=True)
    region = models.CharField(max_length=100, blank=True)
    postcode = models.CharField(max_length=20, blank=True)
    country = models.CharField(max_length=2, blank=True, help_text="ISO 3166-1 alpha-2 code.")
    latitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    longitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    time_zone = models.CharField(max_length=64, help_text="IANA name; shifts are wall times of this zone.")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(latitude__isnull=True) | models.Q(latitude__gte=-90, latitude__lte=90),
                name="depot_latitude_range",
                violation_error_message="Enter a latitude from -90 to 90 degrees.",
            ),
            models.CheckConstraint(
                condition=models.Q(longitude__isnull=True)
                | models.Q(longitude__gte=-180, longitude__lte=180),
                name="depot_longitude_range",
                violation_error_message="Enter a longitude from -180 to 180 degrees.",
            ),
            models.CheckConstraint(
                condition=models.Q(latitude__isnull=True, longitude__isnull=True)
                | models.Q(latitude__isnull=False, longitude__isnull=False),
                name="depot_coordinates_together",
                violation_error_message="Enter both latitude and longitude, or neither.",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class SiteQuerySet(models.QuerySet["Site"]):
    def visible_to(self, scope: Scope) -> SiteQuerySet:
        """Sites that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(models.Q(owner__in=scope.owner_ids) | models.Q(pk__in=scope.site_ids))


class Site(models.Model):
    """Premises with an address, coordinates, a time zone and hours of access."""

    class MonthlyChecks(models.TextChoices):
        OWNER = "owner", "The owner's own people"
        FIRM = "firm", "The service firm"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    owner = models.ForeignKey(Owner, models.PROTECT, related_name="sites")
    code = models.CharField(max_length=30, unique=True, help_text="Short code used on sheets and labels.")
    name = models.CharField(max_length=200)
    address_line = models.CharField(max_length=200, blank=True)
    city = models.CharField(max_length=100, blank=True)
    region = models.CharField(max_length=100, blank=True)
    postcode = models.CharField(max_length=20, blank=True)
    country = models.CharField(max_length=2, blank=True, help_text="ISO 3166-1 alpha-2 code.")
    latitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    longitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    time_zone = models.CharField(
        max_length=64, help_text="IANA name; due dates are civil dates of this zone."
    )
    language = models.CharField(
        max_length=8,
        choices=LANGUAGE_CHOICES,
        default="en",
        help_text="In which the owner's people there are written to.",
    )
    access_notes = models.TextField(blank=True)
    depot = models.ForeignKey(
        Depot,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="sites",
        help_text="Whose territory it is; its technicians are preferred.",
    )
    monthly_checks_by = models.CharField(
        max_length=5,
        choices=MonthlyChecks,
        default=MonthlyChecks.OWNER,
        help_text="Who makes the monthly look-over. Those of the owner's people start no visit of ours.",
    )
    owner_since = models.DateField(
        null=True,
        blank=True,
        help_text="First day of the present owner; what was recorded before is not theirs to see. "
        "Empty: from the beginning.",
    )
    merged_into = models.ForeignKey(
        "self",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="aliases",
        help_text="The site that took over all its places.",
    )
    created_at = models.DateTimeField(auto_now_add=True)

    objects = SiteQuerySet.as_manager()

    class Meta:
        ordering = ["name", "id"]
        indexes = [
            models.Index(fields=["owner", "name"], name="site_by_owner"),
            # Sites that are still there, by name: the order of every list of them.
            models.Index(fields=["merged_into", "name", "id"], name="site_by_name"),
            # What is asked of every site at once, so that its wide rows are not read for it. With the zone
            # first, SQLite would go from each site to its visits and tallies, thousands of times a page.
            models.Index(fields=["monthly_checks_by", "time_zone"], name="site_by_looks_and_zone"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(latitude__isnull=True) | models.Q(latitude__gte=-90, latitude__lte=90),
                name="site_latitude_range",
                violation_error_message="Enter a latitude from -90 to 90 degrees.",
            ),
            models.CheckConstraint(
                condition=models.Q(longitude__isnull=True)
                | models.Q(longitude__gte=-180, longitude__lte=180),
                name="site_longitude_range",
                violation_error_message="Enter a longitude from -180 to 180 degrees.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def address(self) -> str:
        """One line: street, postcode and town, region, country."""
        town = " ".join(part for part in (self.postcode, self.city) if part)
        return ", ".join(part for part in (self.address_line, town, self.region, self.country) if part)


class AccessWindow(models.Model):
    """Hours of one weekday in which the premises let a technician in."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="access_windows")
    weekday = models.PositiveSmallIntegerField(help_text="0 is Monday, 6 is Sunday.")
    opens_at = models.TimeField()
    closes_at = models.TimeField()

    class Meta:
        ordering = ["site_id", "weekday", "opens_at"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(weekday__lte=6),
                name="access_window_weekday",
                violation_error_message="Weekdays run from 0 (Monday) to 6 (Sunday).",
            ),
            models.CheckConstraint(
                condition=models.Q(closes_at__gt=models.F("opens_at")),
                name="access_window_ordered",
                violation_error_message="The closing time must be later than the opening time.",
            ),
            models.UniqueConstraint(fields=["site", "weekday", "opens_at"], name="access_window_once"),
        ]

    def __str__(self) -> str:
        return f"{self.weekday} {self.opens_at:%H:%M}-{self.closes_at:%H:%M}"


class BlackoutPeriod(models.Model):
    """Days on which nobody is sent: of one site, one owner, one region or country, or everywhere."""

    class Kind(models.TextChoices):
        SHUTDOWN = "shutdown", "Shutdown"
        SCHOOL = "school", "School holidays or examinations"
        HARVEST = "harvest", "Harvest"
        RELIGIOUS = "religious", "Religious holidays"
        OTHER = "other", "Other"

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=9, choices=Kind, default=Kind.OTHER)
    label = models.CharField(max_length=80)
    first_on = models.DateField()
    last_on = models.DateField()
    is_yearly = models.BooleanField(default=False, help_text="Comes again on these days every year.")
    site = models.ForeignKey(Site, models.CASCADE, null=True, blank=True, related_name="blackouts")
    owner = models.ForeignKey(Owner, models.CASCADE, null=True, blank=True, related_name="blackouts")
    country = models.CharField(max_length=2, blank=True, help_text="ISO 3166-1 alpha-2 code.")
    region = models.CharField(max_length=100, blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["first_on", "id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(last_on__gte=models.F("first_on")),
                name="blackout_ordered",
                violation_error_message="The last day lies before the first.",
            ),
            models.CheckConstraint(
                condition=models.Q(site__isnull=True) | models.Q(owner__isnull=True, country="", region=""),
                name="blackout_one_place",
                violation_error_message="Name a site, or an owner, or a country and region: one of them.",
            ),
            models.CheckConstraint(
                condition=models.Q(owner__isnull=True) | models.Q(country="", region=""),
                name="blackout_owner_alone",
                violation_error_message="Name an owner, or a country and region, not both.",
            ),
            models.CheckConstraint(
                condition=models.Q(region="") | ~models.Q(country=""),
                name="blackout_region_has_country",
                violation_error_message="Name the country of the region.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.label}, {self.first_on} to {self.last_on}"


class Location(models.Model):
    """A numbered place where a unit must hang; keeps its number whichever unit hangs there."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    site = models.ForeignKey(Site, models.PROTECT, related_name="locations")
    number = models.CharField(max_length=30)
    building = models.CharField(max_length=80, blank=True)
    floor = models.CharField(max_length=40, blank=True)
    description = models.CharField(max_length=200, blank=True)
    hazard = models.CharField(max_length=80, blank=True)
    environment = models.CharField(
        max_length=12, choices=ENVIRONMENT_CHOICES, default=kinds.Environment.NORMAL.value
    )
    walking_order = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["site_id", "walking_order", "number", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "number"],
                name="location_number_once_per_site",
                violation_error_message="Another location of this site already has this number.",
            )
        ]

    def __str__(self) -> str:
        return self.number

    @property
    def place(self) -> str:
        """Where to look: building, floor, description."""
        return ", ".join(part for part in (self.building, self.floor, self.description) if part)


class UnitModel(models.Model):
    """Build data shared by units. Unknown is a value of its own, never a guess."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    maker = models.CharField(max_length=100, blank=True)
    name = models.CharField(max_length=120, blank=True)
    agent = models.CharField(max_length=24, choices=AGENT_CHOICES)
    construction = models.CharField(max_length=24, choices=CONSTRUCTION_CHOICES)
    shell = models.CharField(max_length=24, choices=SHELL_CHOICES)
    cylinder_spec = models.CharField(max_length=20, blank=True, help_text="As stamped, e.g. 3AA or 4BW.")
    charge_mass_g = models.PositiveIntegerField(null=True, blank=True, help_text="Agent mass, grams.")
    charge_volume_ml = models.PositiveIntegerField(
        null=True, blank=True, help_text="Agent volume, millilitres."
    )
    charge_text = models.CharField(max_length=30, blank=True, help_text="Charge as printed, e.g. 10 lb.")
    water_capacity_ml = models.PositiveIntegerField(null=True, blank=True)
    working_pressure_kpa = models.PositiveIntegerField(null=True, blank=True, help_text="Gauge, at 20 °C.")
    test_pressure_kpa = models.PositiveIntegerField(null=True, blank=True)
    full_mass_g = models.PositiveIntegerField(null=True, blank=True, help_text="Gross mass when full.")
    is_wheeled = models.BooleanField(default=False)
    is_refillable = models.BooleanField(null=True, default=None)
    has_shutoff_hose = models.BooleanField(null=True, default=None)
    build_key = models.CharField(
        max_length=64,
        unique=True,
        editable=False,
        help_text="Digest of all build data, so that an import meets the model it made before.",
    )

    class Meta:
        ordering = ["agent", "charge_mass_g", "charge_volume_ml", "maker", "id"]

    def __str__(self) -> str:
        return self.kind_text

    @property
    def kind_text(self) -> str:
        """Charge, agent and construction in plain words, e.g. "10 lb Dry chemical ABC, stored pressure"."""
        parts = [self.get_agent_display()]
        if self.charge_text:
            parts.insert(0, self.charge_text)
        text = " ".join(parts)
        if self.construction not in (kinds.Construction.UNKNOWN, kinds.Construction.SELF_EXPELLING):
            text += f", {self.get_construction_display().lower()}"
        if self.is_wheeled:
            text += ", wheeled"
        return text


class UnitQuerySet(models.QuerySet["Unit"]):
    def visible_to(self, scope: Scope) -> UnitQuerySet:
        """Units on sites that ``scope`` may see; units on no site belong to the firm."""
        if scope.everything:
            return self
        return self.filter(models.Q(site__owner__in=scope.owner_ids) | models.Q(site__in=scope.site_ids))

    def on_duty(self) -> UnitQuerySet:
        """Units that must be kept in working order: not gone for good."""
        return self.exclude(state__in=Unit.GONE)


class Unit(models.Model):
    """One extinguisher, with its own identity from first sight to scrap."""

    class State(models.TextChoices):
        IN_SERVICE = "in_service", "In service"
        AWAITING_RECHARGE = "awaiting_recharge", "Used or failed, awaiting recharge"
        IN_WORKSHOP = "in_workshop", "In the workshop"
        AT_TEST_HOUSE = "at_test_house", "At an outside test house"
        READY_TO_RETURN = "ready_to_return", "Ready to return"
        LOANER_FREE = "loaner_free", "Loaner, free"
        LOANER_OUT = "loaner_out", "Loaner, out"
        NOT_FOUND = "not_found", "Not found"
        IN_STOCK = "in_stock", "In stock"
        WITHDRAWN = "withdrawn", "Withdrawn"
        CONDEMNED = "condemned", "Condemned"
        DISPOSED = "disposed", "Disposed"
        MERGED = "merged", "The same as another unit"

    GONE = (State.WITHDRAWN, State.CONDEMNED, State.DISPOSED, State.MERGED)
    HANGING = (State.IN_SERVICE, State.LOANER_OUT)
    AWAY = (State.IN_WORKSHOP, State.AT_TEST_HOUSE, State.READY_TO_RETURN, State.IN_STOCK, State.LOANER_FREE)

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    number = models.CharField(max_length=30, unique=True, help_text="Our own number, on the identity label.")
    model = models.ForeignKey(UnitModel, models.PROTECT, related_name="units")
    site = models.ForeignKey(Site, models.PROTECT, null=True, blank=True, related_name="units")
    location = models.ForeignKey(Location, models.PROTECT, null=True, blank=True, related_name="units")
    store = models.ForeignKey(
        "inventory.Store",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="units",
        help_text="The firm's place it stands in while it hangs nowhere.",
    )
    merged_into = models.ForeignKey(
        "self",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="aliases",
        help_text="The unit that this one turned out to be; its records count there.",
    )
    is_loaner = models.BooleanField(default=False, help_text="Ours, kept to hang where a unit is away.")
    serial = models.CharField(max_length=60, blank=True, help_text="As read; empty when none is readable.")
    state = models.CharField(max_length=20, choices=State, default=State.IN_SERVICE)
    made_first = models.DateField(null=True, blank=True, help_text="First day the manufacture mark can mean.")
    made_last = models.DateField(null=True, blank=True, help_text="Last day the manufacture mark can mean.")
    made_precision = models.CharField(
        max_length=8, choices=PRECISION_CHOICES, default=Precision.UNKNOWN.value
    )
    made_raw = models.CharField(max_length=60, blank=True, help_text="The mark as read.")
    commissioned_on = models.DateField(null=True, blank=True)
    import_key = models.CharField(
        max_length=64,
        unique=True,
        null=True,
        blank=True,
        editable=False,
        help_text="Identity of the register row this unit came from; a repeat of the import meets it.",
    )
    doubts = models.JSONField(default=list, blank=True, help_text="What the register could not be sure of.")
    facts_revision = models.PositiveIntegerField(
        default=1, help_text="Rises with every fact that moves dates."
    )
    facts_rank = models.PositiveSmallIntegerField(
        choices=FactRank,
        null=True,
        blank=True,
        help_text="How good the source is of facts on which no claim says more; empty: an owner's list.",
    )
    created_at = models.DateTimeField(auto_now_add=True)

    objects = UnitQuerySet.as_manager()

    class Meta:
        ordering = ["number", "id"]
        indexes = [
            models.Index(fields=["site", "state", "number"], name="unit_by_site_state"),
            models.Index(fields=["location"], name="unit_by_location"),
            models.Index(fields=["serial"], name="unit_by_serial"),
            models.Index(fields=["state"], name="unit_by_state"),
            # Few rows: those of which a manager must find the date.
            models.Index(
                fields=["number", "id"],
                condition=models.Q(made_precision="unknown"),
                name="unit_made_unknown",
            ),
        ]
        constraints = [
            models.CheckConstraint(
                condition=(
                    models.Q(made_precision="unknown", made_first__isnull=True, made_last__isnull=True)
                    | (
                        ~models.Q(made_precision="unknown")
                        & models.Q(made_first__isnull=False, made_last__gte=models.F("made_first"))
                    )
                ),
                name="unit_made_consistent",
                violation_error_message="A known manufacture date needs its first and last possible day.",
            ),
            models.CheckConstraint(
                condition=models.Q(location__isnull=True) | models.Q(site__isnull=False),
                name="unit_location_has_site",
                violation_error_message="A unit at a location must also be at that location's site.",
            ),
            models.CheckConstraint(
                condition=models.Q(location__isnull=True) | models.Q(store__isnull=True),
                name="unit_hangs_or_stands",
                violation_error_message="A unit hangs at a location or stands in a store, not both.",
            ),
        ]

    def __str__(self) -> str:
        return self.number

    @property
    def state_when_hanging(self) -> Unit.State:
        """The state that it has when it hangs and nothing is wrong with it."""
        return self.State.LOANER_OUT if self.is_loaner else self.State.IN_SERVICE

    @property
    def made(self) -> Stamp:
        """The manufacture mark as a stamp."""
        return Stamp.from_stored(self.made_first, self.made_last, self.made_precision, self.made_raw)

    @made.setter
    def made(self, stamp: Stamp) -> None:
        self.made_first, self.made_last = stamp.first, stamp.last
        self.made_precision, self.made_raw = stamp.precision.value, stamp.raw


class Placement(models.Model):
    """Where a unit is, since when; exactly one open placement per unit that is on a site."""

    unit = models.ForeignKey(Unit, models.PROTECT, related_name="placements")
    location = models.ForeignKey(Location, models.PROTECT, related_name="placements")
    from_on = models.DateField(
        null=True, blank=True, help_text="Empty when the register does not say since when."
    )
    until_on = models.DateField(null=True, blank=True)
    is_open = models.BooleanField(default=True)
    reason = models.CharField(max_length=120, blank=True)
    opened_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["unit_id", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit"],
                condition=models.Q(is_open=True),
                name="placement_open_once_per_unit",
                violation_error_message="This unit already hangs somewhere else; close that placement first.",
            ),
            models.CheckConstraint(
                condition=models.Q(is_open=True, until_on__isnull=True) | models.Q(is_open=False),
                name="placement_open_has_no_end",
                violation_error_message="A placement with an end is not open.",
            ),
            models.CheckConstraint(
                condition=models.Q(until_on__isnull=True)
                | models.Q(from_on__isnull=True)
                | models.Q(until_on__gte=models.F("from_on")),
                name="placement_ordered",
                violation_error_message="A placement cannot end before it began.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit} at {self.location} from {self.from_on or 'an unknown day'}"


class NumberSeries(models.Model):
    """The last number given out in a series; drawn inside the transaction that uses it."""

    name = models.CharField(max_length=40, unique=True)
    last = models.PositiveBigIntegerField(default=0)

    def __str__(self) -> str:
        return f"{self.name}: {self.last}"


def local_today(site: Site, now: datetime) -> date:
    """The civil date at ``site`` at the aware instant ``now``."""
    return now.astimezone(ZoneInfo(site.time_zone)).date()
