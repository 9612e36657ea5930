"""Addresses under /portal/."""

from __future__ import annotations

from django.urls import path

from servicedesk.portal import calendar, everything, looks, paper_views, plots, quotations, terms, views

app_name = "portal"

urlpatterns = [
    path("", views.HomeView.as_view(), name="home"),
    path("sites/<uuid:site_id>/", views.SiteView.as_view(), name="site"),
    path("sites/<uuid:site_id>/register.csv", views.RegisterFileView.as_view(), name="register"),
    path("units/<uuid:unit_id>/", views.UnitView.as_view(), name="unit"),
    path("units/<uuid:unit_id>/report/", looks.ReportView.as_view(), name="report"),
    path("units/<uuid:unit_id>/look/", looks.LookView.as_view(), name="look"),
    path("looks/", looks.LooksView.as_view(), name="looks"),
    path("sites/<uuid:site_id>/looks/", looks.SiteLooksView.as_view(), name="site-looks"),
    path("visits/", calendar.VisitsView.as_view(), name="visits"),
    path("figures/", plots.FiguresView.as_view(), name="figures"),
    path("papers/", paper_views.PapersView.as_view(), name="papers"),
    path("papers/papers.zip", paper_views.PapersZipView.as_view(), name="papers-zip"),
    path("papers/earlier/<int:row_id>.pdf", paper_views.EarlierPaperView.as_view(), name="paper-earlier"),
    path("papers/tests/<uuid:entry_ref>.pdf", paper_views.TestPaperView.as_view(), name="paper-test"),
    path("papers/houses/<uuid:stay_id>.pdf", paper_views.HousePaperView.as_view(), name="paper-house"),
    path("quotations/", quotations.QuotationsView.as_view(), name="quotations"),
    path("quotations/<uuid:quotation_id>/", quotations.QuotationView.as_view(), name="quotation"),
    path("quotations/<uuid:quotation_id>.pdf", quotations.QuotationPaperView.as_view(), name="quotation-pdf"),
    path("terms/", terms.TermsView.as_view(), name="terms"),
    path("data/", everything.ExportView.as_view(), name="export"),
    path("data/everything.<str:form>", everything.ExportFileView.as_view(), name="export-file"),
    path("certificates/", views.CertificatesView.as_view(), name="certificates"),
    path("certificates/<uuid:certificate_id>.pdf", views.CertificateFileView.as_view(), name="certificate"),
]
