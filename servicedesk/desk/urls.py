"""Addresses under /desk/."""

from __future__ import annotations

from django.urls import path

from servicedesk.desk import (
    certificates,
    changes,
    comparing,
    due,
    find,
    findings,
    forecast,
    imports,
    overview,
    sites,
    tables,
    tryout,
    units,
    visits,
)
from servicedesk.documents import views as documents
from servicedesk.notices import views as notices

app_name = "desk"

urlpatterns = [
    path("", overview.OverviewView.as_view(), name="overview"),
    path("due/", due.DueView.as_view(), name="due"),
    path("due.csv", due.DueExportView.as_view(), name="due-export"),
    path("sites/", sites.SitesView.as_view(), name="sites"),
    path("sites/<uuid:site_id>/", sites.SiteView.as_view(), name="site"),
    path("sites/<uuid:site_id>/labels/", documents.LabelsView.as_view(), name="labels"),
    path("units/", units.UnitsView.as_view(), name="units"),
    path("units/<uuid:unit_id>/", units.UnitView.as_view(), name="unit"),
    path("units/<uuid:unit_id>/records/<uuid:record_id>/", units.CorrectView.as_view(), name="correct"),
    path("visits/", visits.VisitsView.as_view(), name="visits"),
    path("visits/<uuid:visit_id>/", visits.VisitView.as_view(), name="visit"),
    path("certificates/", certificates.CertificatesView.as_view(), name="certificates"),
    path("certificates/<uuid:certificate_id>/", certificates.CertificateView.as_view(), name="certificate"),
    path(
        "certificates/<uuid:certificate_id>.pdf",
        certificates.CertificateFileView.as_view(),
        name="certificate-file",
    ),
    path("tables/", tables.TablesView.as_view(), name="tables"),
    path("tables/adopt/", changes.AdoptView.as_view(), name="table-adopt"),
    path("tables/vary/", changes.VaryView.as_view(), name="table-vary"),
    path("tables/withdraw/", changes.WithdrawView.as_view(), name="table-withdraw"),
    path("tables/compare/", comparing.CompareView.as_view(), name="table-compare"),
    path("tables/history/", comparing.HistoryView.as_view(), name="table-history"),
    path("tables/try/", tryout.TryView.as_view(), name="table-try"),
    path("forecast/", forecast.ForecastView.as_view(), name="forecast"),
    path("find/<str:kind>/", find.FindView.as_view(), name="find"),
    path("findings/", findings.FindingsView.as_view(), name="findings"),
    path("tables/<slug:key>/<str:version>/", tables.TableView.as_view(), name="table"),
    path("exceptions/", notices.ExceptionsView.as_view(), name="exceptions"),
    path("deadlines/", notices.DeadlinesView.as_view(), name="deadlines"),
    path("mails/", notices.MailsView.as_view(), name="mails"),
    path("mails/<uuid:notice_id>/", notices.MailView.as_view(), name="mail"),
    path("import/", imports.ImportView.as_view(), name="import"),
]
