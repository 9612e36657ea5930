"""What is handed over: every table, its columns, and which rows belong to a site, an owner or the firm.

Columns follow the models by themselves: a field that is added to a model is handed over from then on,
and a new model has to be named here, as a table or as left out (a test asks). A *live* table becomes rows
of ours when it is taken over; of the others (*kept* tables) the next house keeps every row word for word.
"""

# ruff: noqa: E501 - one table a line

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cache, lru_cache
from typing import Any

from django.apps import apps
from django.db import models
from django.db.models import Q, QuerySet

from inventory.register.models import Location, Owner, Site, Unit
from servicedesk.accounts.models import User

FORMAT = "extinguisher-service-register"
VERSION = 1


@dataclass(frozen=True, slots=True)
class Cover:
    """What a handover covers: one site, one owner, or (with neither) the whole firm."""

    site: Site | None = None
    owner: Owner | None = None

    @property
    def is_firm(self) -> bool:
        """Whether everything is covered."""
        return self.site is None and self.owner is None

    @property
    def level(self) -> str:
        """A code of ``HandoverRun.Level``."""
        return "site" if self.site else "owner" if self.owner else "firm"

    @property
    def name(self) -> str:
        """What it is called in a file name and in words."""
        if self.site is not None:
            return self.site.code
        return self.owner.name if self.owner is not None else "firm"

    def sites(self) -> QuerySet[Site]:
        """The premises that are covered."""
        if self.site is not None:
            return Site.objects.filter(pk=self.site.pk)
        return Site.objects.filter(owner=self.owner) if self.owner is not None else Site.objects.all()

    def owners(self) -> QuerySet[Owner]:
        """Whose they are."""
        if self.is_firm:
            return Owner.objects.all()
        return Owner.objects.filter(pk=self.owner.pk if self.owner else self.site.owner_id)  # type: ignore[union-attr]

    def units(self) -> QuerySet[Unit]:
        """Units of the premises, and those that hung there last and hang nowhere now.

        A unit that went to other premises is not covered: where it is now is no business of these owners.
        """
        if self.is_firm:
            return Unit.objects.all()
        sites = self.sites().order_by().values("pk")
        places = Location.objects.filter(site__in=sites).order_by().values("pk")
        left = Unit.objects.filter(site__isnull=True, is_loaner=False, placements__location__in=places)
        return Unit.objects.filter(Q(site__in=sites) | Q(pk__in=left.order_by().values("pk")))


Where = Callable[[Cover], Q]


def by_site(path: str) -> Where:
    """Rows whose ``path`` is one of the sites; all of the firm."""
    return lambda cover: Q() if cover.is_firm else Q(**{f"{path}__in": cover.sites().order_by().values("pk")})


def by_owner(path: str) -> Where:
    """Rows whose ``path`` is one of the owners."""
    return lambda cover: (
        Q() if cover.is_firm else Q(**{f"{path}__in": cover.owners().order_by().values("pk")})
    )


def by_unit(path: str, site: str = "") -> Where:
    """Rows of covered units; with ``site`` only those made at covered premises."""

    def where(cover: Cover) -> Q:
        if cover.is_firm:
            return Q()
        found = Q(**{f"{path}__in": cover.units().order_by().values("pk")})
        return found & by_site(site)(cover) if site else found

    return where


def either(*wheres: Where) -> Where:
    """Rows that one of ``wheres`` finds."""

    def where(cover: Cover) -> Q:
        if cover.is_firm:
            return Q()
        found = Q()
        for one in wheres:
            found |= one(cover)
        return found

    return where


def both(*wheres: Where) -> Where:
    """Rows that all ``wheres`` find."""

    def where(cover: Cover) -> Q:
        found = Q()
        for one in wheres:
            found &= one(cover)
        return found

    return where


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the format."""

    name: str
    label: str
    """The model, as Django names it."""
    where: Where
    about: str
    ident: str = ""
    """The field by which other tables name a row; empty: no other names one."""
    is_live: bool = False
    parent: str = ""
    """Of a live table without an identity: the column whose row it belongs to."""
    order: tuple[str, ...] = ("pk",)
    left_out: tuple[str, ...] = ()
    """Fields that are not handed over: derived, or of this house only."""

    @property
    def model(self) -> type[models.Model]:
        """The model."""
        return apps.get_model(self.label)


def _of_somebody(cover: Cover) -> Q:
    # What holds for the whole firm, or a whole country, is this house's own.
    return Q(site__isnull=False) | Q(owner__isnull=False)


# Counters of this house and what is worked out from the rest.
_OURS = ("id", "facts_revision", "version")

TABLES: tuple[Table, ...] = (
    Table("owners", "inventory.Owner", by_owner("pk"), "Responsible entities and whom to ask there.", "public_id", True),
    Table("sites", "inventory.Site", by_site("pk"), "Premises.", "public_id", True),
    Table("access_hours", "inventory.AccessWindow", by_site("site"), "When premises let somebody in.", is_live=True, parent="site"),
    Table(
        "blackouts",
        "inventory.BlackoutPeriod",
        both(either(by_site("site"), by_owner("owner")), _of_somebody),
        "Days on which nobody is to come.",
        "public_id",
        True,
    ),
    Table("locations", "inventory.Location", by_site("site"), "Numbered places, in walking order.", "public_id", True),
    Table("location_aliases", "inventory.LocationAlias", by_site("site"), "Numbers that places had before.", is_live=True, parent="location"),
    Table("unit_models", "inventory.UnitModel", lambda cover: Q() if cover.is_firm else Q(pk__in=cover.units().order_by().values("model")), "Build data shared by units.", "public_id", True),
    Table("units", "inventory.Unit", by_unit("pk"), "Extinguishers; a mark is kept as read, with its first and last possible day.", "public_id", True),
    Table("placements", "inventory.Placement", by_unit("unit", "location__site"), "Where a unit hung, from when to when.", is_live=True, parent="unit"),
    Table(
        "records",
        "inventory.ServiceRecord",
        by_unit("unit", "site"),
        "What happened to each unit; each carries the digest of the link before it.",
        "client_ref",
        True,
        order=("unit_id", "sequence"),
        left_out=("performed_by",),
    ),
    Table(
        "readings",
        "inventory.Reading",
        by_unit("record__unit", "record__site"),
        "Measured values as entered.",
        is_live=True,
        parent="record",
        order=("record__unit_id", "record__sequence", "pk"),
    ),
    Table(
        "erased_records",
        "inventory.ErasedRecord",
        by_unit("unit", "record__site"),
        "Links of the chain that say which record lost words by an erasure of personal data.",
        "public_id",
        True,
        order=("unit_id", "after_sequence", "position"),
        left_out=("erasure",),
    ),
    Table("defects", "inventory.Defect", by_site("site"), "What was found wrong, and how it was settled.", "public_id", True),
    Table("adoptions", "schedules.Adoption", both(either(by_site("site"), by_owner("owner")), _of_somebody), "Interval tables that a site or owner goes by.", is_live=True, parent="site"),
    Table("variations", "schedules.Variation", both(either(by_site("site"), by_owner("owner")), _of_somebody), "Rules varied by the local authority.", is_live=True, parent="site"),
    # --- kept word for word ---------------------------------------------------------------------
    Table("owner_people", "servicedesk.OwnerMembership", by_owner("owner"), "People of the owner who could sign in."),
    Table("claims", "inventory.Claim", by_unit("unit"), "What sources say of a unit where they do not agree.", "public_id"),
    Table("terms", "inventory.TermsVersion", both(by_owner("owner"), lambda cover: Q() if cover.site is None else Q(site__isnull=True) | Q(site=cover.site)), "What was agreed, version by version.", "public_id"),
    Table("terms_marks", "inventory.ContractMark", both(by_owner("version__owner"), lambda cover: Q() if cover.site is None else Q(version__site__isnull=True) | Q(version__site=cover.site)), "Notice given, renewals and ends."),
    Table("call_offs", "inventory.CallOff", by_site("site"), "Tasks that the owner ordered one by one.", "public_id"),
    Table("moves", "inventory.Move", by_unit("unit", "site"), "Custody: from where to where a unit went.", "client_ref"),
    Table("loans", "inventory.Loan", by_site("location__site"), "Loaners that hung in the place of a unit.", "public_id"),
    Table("fact_changes", "inventory.FactChange", either(by_unit("unit"), by_site("site"), by_owner("owner"), by_site("location__site")), "Facts that were corrected, before and after."),
    Table("same_unit_decisions", "inventory.SameUnitDecision", both(by_unit("alias"), by_unit("survivor")), "Units found to be one.", "public_id"),
    Table("owner_changes", "inventory.OwnerChange", both(by_owner("from_owner"), by_owner("to_owner")), "Premises that changed hands.", "public_id"),
    Table("recalled_units", "inventory.RecallUnit", by_unit("unit"), "Units that a maker's recall touches."),
    Table("visits", "schedules.Visit", both(by_site("site"), lambda cover: ~Q(state="proposed")), "Trips that were confirmed.", "public_id"),
    Table("visit_jobs", "schedules.Job", both(by_site("visit__site"), lambda cover: ~Q(visit__state="proposed")), "Which task on which unit a trip was for."),
    Table("acts", "schedules.FieldAct", by_site("visit__site"), "What was done on site, as the phone stated it.", "act_id"),
    Table("visit_entries", "schedules.VisitEntry", by_site("visit__site"), "What was stated of each unit on a trip, with checks and parts.", "client_ref"),
    Table("visit_doubts", "schedules.Doubt", by_site("visit__site"), "What the office check found unlikely.", "public_id"),
    Table("surveys", "schedules.Survey", by_site("visit__site"), "Visits at which the register itself was checked.", "public_id"),
    Table("survey_decisions", "schedules.SurveyDecision", by_site("survey__visit__site"), "What was decided on a finding of a survey.", "public_id"),
    Table("certificates", "schedules.Certificate", by_site("site"), "Certificates with digest and verification code, withdrawn ones too.", "public_id"),
    Table("certificate_files", "schedules.CertificateFile", by_site("certificate__site"), "Their signed PDFs."),
    Table("withdrawals", "schedules.Withdrawal", by_site("certificate__site"), "Certificates that no longer stand, and why."),
    Table("certificate_flags", "schedules.CertificateFlag", by_site("certificate__site"), "Certificates that a later correction touches."),
    Table("job_cards", "inventory.JobCard", by_unit("unit", "site"), "Passages through the workshop.", "public_id"),
    Table("card_entries", "inventory.CardEntry", by_unit("card__unit", "card__site"), "What was stated at each step.", "client_ref"),
    Table("card_instruments", "inventory.CardInstrument", by_unit("entry__card__unit", "entry__card__site"), "With which instrument, and whether it was in calibration."),
    Table("test_house_stays", "inventory.HouseStay", by_unit("card__unit", "card__site"), "Stays at an outside test house, with its certificate.", "public_id"),
    Table("quotations", "schedules.Quotation", both(by_site("site"), lambda cover: ~Q(state="draft")), "What mending was offered for.", "public_id"),
    Table("quotation_lines", "schedules.QuotationLine", both(by_site("quotation__site"), lambda cover: ~Q(quotation__state="draft")), "Its lines.", "public_id"),
    Table("line_decisions", "schedules.LineDecision", by_site("line__quotation__site"), "What the owner decided on a line."),
    Table("deadlines", "servicedesk.Deadline", by_site("site"), "Legal clocks.", "public_id"),
    Table("months", "schedules.SiteMonth", by_site("site"), "How the units stood at the end of each month."),
    Table("photos", "inventory.Photo", both(by_site("site"), lambda cover: Q(completed_at__isnull=False)), "Photos made on site.", "public_id"),
    Table("service_ends", "inventory.ServiceEnd", by_site("site"), "When the service ended, and when it was taken up again.", "public_id"),
)  # fmt: skip

LEFT_OUT: Mapping[str, str] = {
    **dict.fromkeys(
        (
            "schedules.Obligation",
            "schedules.Freshness",
            "schedules.SiteTally",
            "inventory.LeakEstimate",
            "inventory.LeakPeers",
            "schedules.ForecastRun",
            "schedules.Outlook",
            "schedules.OutlookSite",
            "schedules.OutlookTrip",
            "schedules.TravelLeg",
        ),
        "worked out from the rest",
    ),
    **dict.fromkeys(
        (
            "inventory.Depot",
            "inventory.Store",
            "inventory.NumberSeries",
            "inventory.Item",
            "inventory.PartFit",
            "inventory.Lot",
            "inventory.GasCylinder",
            "inventory.WasteDrum",
            "inventory.StockMove",
            "inventory.StockBalance",
            "inventory.LotSample",
            "inventory.LotDecision",
            "inventory.Recall",
            "inventory.RecallStep",
            "inventory.Instrument",
            "inventory.Calibration",
            "inventory.WorkshopDefault",
            "schedules.BundlingFigures",
            "schedules.DoubtLimit",
            "schedules.Skill",
            "schedules.SkillNeed",
            "schedules.CrewMember",
            "schedules.ShiftHours",
            "schedules.Absence",
            "schedules.HeldSkill",
            "schedules.Van",
            "schedules.VanStock",
            "schedules.PlanningRules",
            "schedules.PriceItem",
            "schedules.PriceStep",
            "schedules.BillingRun",
            "schedules.BillingLine",
            "schedules.RoutePlan",
            "schedules.PlanDay",
            "schedules.PlanStop",
            "schedules.PlanChange",
            "schedules.PlanRun",
            "schedules.Confirmation",
            "servicedesk.User",
            "servicedesk.LabelPrint",
        ),
        "the firm's own house, crew, goods and plans",
    ),
    **dict.fromkeys(
        (
            "schedules.WaitingAct",
            "schedules.HeldVisit",
            "schedules.SiteCall",
            "schedules.VisitNotice",
            "servicedesk.Notice",
            "servicedesk.NoticeChoice",
            "servicedesk.CalendarAddress",
            "servicedesk.IdempotentAnswer",
            "servicedesk.RegisterSource",
            "servicedesk.SourceLayout",
            "servicedesk.RegisterImport",
            "servicedesk.ImportFinding",
            "servicedesk.ImportLine",
            "servicedesk.ImportEffect",
            "servicedesk.ManyAct",
            "servicedesk.SavedFilter",
            "servicedesk.House",
            "servicedesk.HandoverRun",
            "servicedesk.TakeOver",
            "servicedesk.HandedRow",
            "inventory.RecordOrigin",
            "inventory.Erasure",
            "inventory.ErasedField",
        ),
        "how this installation runs; what of it matters stands in other tables",
    ),
}
"""Models that are not handed over, and why."""

# How a row that is not handed over is named where a handed-over row points at it.
_WORDS = {
    "inventory.Depot": "name",
    "inventory.Store": "name",
    "inventory.Instrument": "code",
    "inventory.Recall": "number",
    "schedules.PriceItem": "code",
}


class Kind(StrEnum):
    """Sorts of values."""

    TEXT = "text"
    INTEGER = "integer"
    NUMBER = "number"
    BOOLEAN = "boolean"
    DATE = "date"
    TIME = "time"
    INSTANT = "instant"
    DECIMAL = "decimal"
    UUID = "uuid"
    JSON = "json"
    REF = "ref"
    PERSON = "person"
    WORDS = "words"
    PAPER = "paper"
    NUMBERS = "numbers"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: where its value is read and how it is written."""

    name: str
    kind: Kind
    paths: tuple[str, ...]
    is_nullable: bool
    refers_to: str = ""
    """The table that a reference points at."""
    field: Any = field(default=None, compare=False)
    """The model's field, of a live table: what it takes is held to it."""
    about: str = ""

    @property
    def is_foreign(self) -> bool:
        """Whether a live row here cannot hold it: people and places of the earlier house."""
        return self.kind in (Kind.PERSON, Kind.WORDS)


def table_of(name: str) -> Table:
    """The table of that name."""
    return _by_name()[name]


@lru_cache(maxsize=1)
def _by_name() -> dict[str, Table]:
    return {table.name: table for table in TABLES}


@lru_cache(maxsize=1)
def _by_label() -> dict[str, Table]:
    return {table.label: table for table in TABLES}


@cache
def columns_of(name: str) -> tuple[Column, ...]:
    """The columns of a table, identity first, then as the model has them."""
    table = table_of(name)
    found: list[Column] = []
    for one in table.model._meta.concrete_fields:
        if one.name in table.left_out or one.name in _OURS:
            continue
        column = replace(_column(one), about=str(one.help_text))
        # A kept row is kept as it was said, whatever this house would call it.
        found.append(column if table.is_live else replace(column, field=None))
    found.sort(key=lambda column: column.name != table.ident)
    if name == "records":
        found.append(
            Column(
                "row_numbers",
                Kind.NUMBERS,
                (
                    "origin__house",
                    "origin__unit",
                    "origin__site",
                    "origin__location",
                    "origin__by",
                    "origin__corrects",
                    "unit_id",
                    "site_id",
                    "location_id",
                    "performed_by_id",
                    "corrects_id",
                ),
                False,
            )
        )
    if name == "owner_people":
        found += [Column(part, Kind.TEXT, (f"user__{part}",), False) for part in ("email", "phone")]
    if name == "photos":
        found.append(Column("paper", Kind.PAPER, ("file_name", "sha256"), True))
        found = [column for column in found if column.name not in ("file_name", "received")]
    return tuple(found)


_KINDS = {
    "BooleanField": Kind.BOOLEAN,
    "DateField": Kind.DATE,
    "TimeField": Kind.TIME,
    "DateTimeField": Kind.INSTANT,
    "DecimalField": Kind.DECIMAL,
    "FloatField": Kind.NUMBER,
    "UUIDField": Kind.UUID,
    "JSONField": Kind.JSON,
}
# The column that holds the digest of a file field.
_DIGESTS = {"pdf": "sha256", "certificate": "certificate_sha256"}


def _column(one: Any) -> Column:
    if isinstance(one, models.ForeignKey):
        target = one.related_model
        if target is User:
            names = ("first_name", "last_name", "username")
            return Column(
                one.name, Kind.PERSON, tuple(f"{one.name}__{part}" for part in names), one.null, field=one
            )
        label = target._meta.label
        other = _by_label().get(label)
        if other is not None:
            if not other.ident:
                raise ValueError(f"{other.name} needs an identity: {one} points at it")
            return Column(
                one.name, Kind.REF, (f"{one.name}__{other.ident}",), one.null, other.name, field=one
            )
        # A row that has no words of its own is named by its public id.
        word = _WORDS.get(label, "public_id")
        return Column(one.name, Kind.WORDS, (f"{one.name}__{word}",), one.null, field=one)
    if isinstance(one, models.FileField):
        return Column("paper", Kind.PAPER, (one.name, _DIGESTS[one.name]), True, field=one)
    kind = _KINDS.get(one.get_internal_type())
    if kind is None:
        kind = Kind.INTEGER if isinstance(one, models.IntegerField) else Kind.TEXT
    return Column(one.name, kind, (one.name,), one.null, field=one)
