"""The resources of the API and their addresses below ``/api/v1/``."""

from __future__ import annotations

from rest_framework.routers import SimpleRouter

from servicedesk.api.billing import BillingLineViewSet, BillingRunViewSet
from servicedesk.api.certificates import CertificateViewSet
from servicedesk.api.job_cards import JobCardViewSet
from servicedesk.api.obligations import ObligationViewSet
from servicedesk.api.people import TechnicianViewSet
from servicedesk.api.plans import PlanViewSet
from servicedesk.api.records import RecordViewSet
from servicedesk.api.sites import LocationViewSet, OwnerViewSet, SiteViewSet
from servicedesk.api.stock import LeakEstimateViewSet, LoanViewSet, LotViewSet
from servicedesk.api.tables import TableViewSet
from servicedesk.api.terms import AgreedTermsViewSet, TermsViewSet
from servicedesk.api.units import UnitModelViewSet, UnitViewSet
from servicedesk.api.visits import VisitViewSet

router = SimpleRouter()
router.register("owners", OwnerViewSet, basename="owner")
router.register("sites", SiteViewSet, basename="site")
router.register("locations", LocationViewSet, basename="location")
router.register("unit-models", UnitModelViewSet, basename="unit-model")
router.register("units", UnitViewSet, basename="unit")
router.register("obligations", ObligationViewSet, basename="obligation")
router.register("records", RecordViewSet, basename="record")
router.register("interval-tables", TableViewSet, basename="interval-table")
router.register("visits", VisitViewSet, basename="visit")
router.register("plans", PlanViewSet, basename="plan")
router.register("certificates", CertificateViewSet, basename="certificate")
router.register("technicians", TechnicianViewSet, basename="technician")
router.register("job-cards", JobCardViewSet, basename="job-card")
router.register("lots", LotViewSet, basename="lot")
router.register("loans", LoanViewSet, basename="loan")
router.register("leak-estimates", LeakEstimateViewSet, basename="leak-estimate")
router.register("terms", TermsViewSet, basename="terms")
router.register("agreed-terms", AgreedTermsViewSet, basename="agreed-terms")
router.register("billing-runs", BillingRunViewSet, basename="billing-run")
router.register("billing-lines", BillingLineViewSet, basename="billing-line")
