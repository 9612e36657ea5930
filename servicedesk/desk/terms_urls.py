"""Addresses of contracts, renewals and billing, below /desk/."""

from __future__ import annotations

from django.urls import path

from servicedesk.desk import billing, renewals, terms

OWNER, SITE = {"kind": "owner"}, {"kind": "site"}

urlpatterns = [
    path("contracts/", terms.ContractsView.as_view(), name="terms"),
    path("contracts/owners/<uuid:public_id>/", terms.TermsOfView.as_view(), OWNER, name="owner-terms"),
    path("contracts/sites/<uuid:public_id>/", terms.TermsOfView.as_view(), SITE, name="site-terms"),
    path(
        "contracts/owners/<uuid:public_id>/edit/",
        terms.TermsEditView.as_view(),
        OWNER,
        name="owner-terms-edit",
    ),
    path(
        "contracts/sites/<uuid:public_id>/edit/", terms.TermsEditView.as_view(), SITE, name="site-terms-edit"
    ),
    path("renewals/", renewals.RenewalsView.as_view(), name="renewals"),
    path("renewals.csv", renewals.RenewalsExportView.as_view(), name="renewals-export"),
    path("renewals/<uuid:version_id>/", renewals.RenewalView.as_view(), name="renewal"),
    path("renewals/<uuid:version_id>.pdf", renewals.RenewalPaperView.as_view(), name="renewal-pdf"),
    path("billing/", billing.RunsView.as_view(), name="billing"),
    path("billing/new/", billing.NewRunView.as_view(), name="billing-new"),
    path("billing/<uuid:run_id>/", billing.RunView.as_view(), name="billing-run"),
    path("billing/<uuid:run_id>.<str:kind>", billing.RunFileView.as_view(), name="billing-file"),
]
