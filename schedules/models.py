"""Gathers the tables of this package for Django; import the slices elsewhere."""

from schedules.billing.models import BillingLine, BillingRun
from schedules.bundles.models import BundlingFigures
from schedules.certificates.models import Certificate, CertificateFile, CertificateFlag, Withdrawal
from schedules.crew.models import (
    Absence,
    CrewMember,
    HeldSkill,
    PlanningRules,
    ShiftHours,
    SiteCall,
    Skill,
    SkillNeed,
    Van,
    VanStock,
)
from schedules.due.models import ForecastRun, Freshness, Obligation, SiteMonth, SiteTally
from schedules.outlook.models import Outlook, OutlookSite, OutlookTrip
from schedules.quotations.models import LineDecision, PriceItem, PriceStep, Quotation, QuotationLine
from schedules.routes.models import PlanChange, PlanDay, PlanRun, PlanStop, RoutePlan, VisitNotice
from schedules.rulebook.models import Adoption, Confirmation, Variation
from schedules.surveys.models import Survey, SurveyDecision
from schedules.travel.models import TravelLeg
from schedules.visits.models import (
    Doubt,
    DoubtLimit,
    FieldAct,
    HeldVisit,
    Job,
    Visit,
    VisitEntry,
    WaitingAct,
)

__all__ = [
    "Absence",
    "Adoption",
    "BillingLine",
    "BillingRun",
    "BundlingFigures",
    "Certificate",
    "CertificateFile",
    "CertificateFlag",
    "Confirmation",
    "CrewMember",
    "Doubt",
    "DoubtLimit",
    "FieldAct",
    "ForecastRun",
    "Freshness",
    "HeldSkill",
    "HeldVisit",
    "Job",
    "LineDecision",
    "Obligation",
    "Outlook",
    "OutlookSite",
    "OutlookTrip",
    "PlanChange",
    "PlanDay",
    "PlanRun",
    "PlanStop",
    "PlanningRules",
    "PriceItem",
    "PriceStep",
    "Quotation",
    "QuotationLine",
    "RoutePlan",
    "ShiftHours",
    "SiteCall",
    "SiteMonth",
    "SiteTally",
    "Skill",
    "SkillNeed",
    "Survey",
    "SurveyDecision",
    "TravelLeg",
    "Van",
    "VanStock",
    "Variation",
    "Visit",
    "VisitEntry",
    "VisitNotice",
    "WaitingAct",
    "Withdrawal",
]
