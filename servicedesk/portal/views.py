"""The owner's pages: read only, own premises only; anything else is not found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any
from uuid import UUID

from django.core.paginator import Paginator
from django.db.models import Count, Exists, F, OuterRef, Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import content_disposition_header
from django.utils.text import slugify

from inventory.logbook.defects import open_defects
from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.measures.readings import QUANTITY_LABELS, Quantity
from inventory.recalls.queries import recalls_of
from inventory.register.aliases import known_as
from inventory.register.custody_queries import home_of
from inventory.register.models import Location, Placement, Site, Unit, UnitQuerySet, local_today
from inventory.register.places import Loan
from schedules.certificates.queries import Standing, certificates_for, standing_of
from schedules.due.models import Obligation
from schedules.due.queries import attach_why, status_on
from schedules.visits.ending import end_of
from schedules.visits.models import Visit
from servicedesk.access import Act
from servicedesk.defects_shown import defect_lines
from servicedesk.pages import PageView, chip, paged
from servicedesk.portal.export import register_csv
from servicedesk.portal.forms import CertificateFilter
from servicedesk.portal.glance import (
    CLASS_LABELS,
    WALKING_ORDER,
    Class,
    counts_of,
    glances,
    no_units,
    unit_standings,
)
from servicedesk.portal.glance import Standing as UnitStanding
from servicedesk.portal.papers import pdf_answer, verify_path
from servicedesk.portal.tables import table_lines, unconfirmed
from servicedesk.portal.words import say_stamp

SITES_PER_PAGE = 25
UNITS_PER_PAGE = 100
CERTIFICATES_PER_PAGE = 25
HISTORY = 200


class PortalView(PageView):
    """Base of the owner's pages."""

    acts = (Act.SEE_PORTAL,)

    def site_or_404(self, public_id: UUID) -> Site:
        """One of the owner's own sites."""
        return self.found(Site.objects.visible_to(self.scope).select_related("owner"), public_id)

    def to_come(self) -> Q:
        """Visits that are confirmed for today or later, or have begun."""
        # A day early everywhere rather than late anywhere: today may have begun already at the site.
        since = self.now.date() - timedelta(days=1)
        return Q(state=Visit.State.UNDER_WAY) | Q(state=Visit.State.CONFIRMED, planned_on__gte=since)

    def crumbs(self, *sites: Site | None) -> list[dict[str, str]]:
        """The way back up."""
        found = [{"label": "My premises", "url": reverse("portal:home")}]
        found += [
            {"label": site.name, "url": reverse("portal:site", args=[site.public_id])}
            for site in sites
            if site
        ]
        return found


class HomeView(PortalView):
    """All own sites at a glance, worst first."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the sites, coming visits and the latest certificates; with ``q`` only what it finds."""
        wanted = request.GET.get("q", "").strip()[:60]
        sites = Site.objects.visible_to(self.scope).order_by("name", "pk")
        if wanted:
            sites = sites.filter(
                Q(name__icontains=wanted)
                | Q(code__icontains=wanted)
                | Q(city__icontains=wanted)
                | Q(address_line__icontains=wanted)
            )
        lines = glances(list(sites), self.now)
        page = Paginator(lines, SITES_PER_PAGE).get_page(request.GET.get("page"))
        units: list[Unit] = []
        if wanted:
            units = list(
                Unit.objects.visible_to(self.scope)
                .on_duty()
                .filter(
                    Q(number__icontains=wanted)
                    | Q(serial__icontains=wanted)
                    | Q(location__number__iexact=wanted)
                )
                .select_related("model", "site", "location")
                .order_by("number", "pk")[:20]
            )
        counts = sum((line.counts for line in lines), no_units())
        context = {
            "wanted": wanted,
            "counts": counts,
            "site_count": len(lines),
            "defects": dict(
                Defect.objects.visible_to(self.scope)
                .open()
                .filter(site__in=[line.site.pk for line in page.object_list])
                .order_by()
                .values_list("site_id")
                .annotate(n=Count("pk"))
            ),
            "covered": self._covered(),
            "page_obj": page,
            "units": units,
            "visits": self._coming(),
            "certificates": []
            if wanted
            else _papers(certificates_for(self.scope).order_by("-issued_at", "-pk")[:5]),
        }
        return self.page("portal/home.html", context)

    def _covered(self) -> dict[int, int]:
        """How many places of each own site a loaner of ours covers now; one query."""
        rows = Loan.objects.visible_to(self.scope).open().order_by().values_list("location__site_id")
        return dict(rows.annotate(n=Count("pk")))

    def _coming(self) -> list[Visit]:
        return list(
            Visit.objects.visible_to(self.scope)
            .filter(self.to_come())
            .select_related("site", "technician")
            .order_by("planned_on", "number")[:8]
        )


class SiteView(PortalView):
    """One site: its units by place, what the dates rest on, visits and certificates."""

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show the site; ``class`` narrows the units, ``q`` finds one."""
        site = self.site_or_404(site_id)
        units = Unit.objects.on_duty().filter(site=site)
        found = unit_standings(list(units.values_list("pk", "state")), site, self.now)
        counts = counts_of(found.values())
        wanted = request.GET.get("q", "").strip()[:60]
        chosen = request.GET.get("class", "")
        shown = units.select_related("model", "location").order_by(*WALKING_ORDER)
        if chosen in Class.__members__.values():
            shown = shown.filter(
                pk__in=[pk for pk, standing in found.items() if standing.unit_class == chosen]
            )
        if wanted:
            shown = shown.filter(
                Q(number__icontains=wanted)
                | Q(serial__icontains=wanted)
                | Q(location__number__icontains=wanted)
                | Q(location__description__icontains=wanted)
            )
        page = paged(request, shown, UNITS_PER_PAGE)
        today = local_today(site, self.now)
        tables = table_lines(site.pk, today)
        visits = Visit.objects.visible_to(self.scope).filter(site=site).select_related("technician")
        context = {
            "crumbs": self.crumbs(),
            "site": site,
            "today": today,
            "counts": counts,
            "chosen": chosen,
            "wanted": wanted,
            "classes": [
                ("", "All", counts.total),
                *((c.value, CLASS_LABELS[c], counts.of[c]) for c in Class),
            ],
            "page_obj": page,
            "rows": [(unit, found[unit.pk]) for unit in page.object_list],
            "tables": tables,
            "unconfirmed_count": unconfirmed(tables),
            "service_end": end_of(site),
            "defects": defect_lines(open_defects(self.scope).filter(site=site)),
            "away": self._away(site, found),
            "coming": list(visits.filter(self.to_come()).order_by("planned_on", "number")),
            "past": list(visits.filter(state=Visit.State.CLOSED).order_by("-done_on", "-pk")[:6]),
            "certificates": _papers(
                certificates_for(self.scope).filter(site=site).order_by("-issued_at", "-pk")[:6]
            ),
        }
        return self.page("portal/site.html", context)

    def _away(self, site: Site, found: Mapping[int, UnitStanding]) -> list[dict[str, Any]]:
        """Units that are away from ``site``, and what hangs in the place of each; three queries."""
        ids = [pk for pk, standing in found.items() if standing.unit_class == Class.AWAY]
        if not ids:
            return []
        covers = {
            loan.in_place_of_id: loan
            for loan in Loan.objects.visible_to(self.scope)
            .open()
            .filter(in_place_of__in=ids)
            .select_related("loaner__model", "location")
        }
        homes = home_of(ids)
        units = Unit.objects.filter(pk__in=ids).select_related("model").order_by("number", "pk")
        return [
            {
                "unit": unit,
                "place": homes.get(unit.pk) if self._is_here(homes.get(unit.pk), site) else None,
                "loan": covers.get(unit.pk),
            }
            for unit in units
        ]

    @staticmethod
    def _is_here(place: Location | None, site: Site) -> bool:
        return place is not None and place.site_id == site.pk


class RegisterFileView(PortalView):
    """The register of one site as a file."""

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Hand out the CSV."""
        site = self.site_or_404(site_id)
        name = (
            f"register-{slugify(site.code) or site.public_id}-{local_today(site, self.now).isoformat()}.csv"
        )
        response = HttpResponse(register_csv(site, self.now), content_type="text/csv; charset=utf-8")
        response["Content-Disposition"] = content_disposition_header(True, name) or ""
        response["Cache-Control"] = "private, no-store"
        return response


@dataclass(slots=True)
class HistoryEvent:
    """One record of a unit as the timeline shows it."""

    record: ServiceRecord
    tone: str
    icon: str
    when: str
    readings: list[str] = field(default_factory=list)


_OUTCOMES = {
    ServiceRecord.Outcome.PASSED: ("ok", "done"),
    ServiceRecord.Outcome.FAILED: ("overdue", "failed"),
    ServiceRecord.Outcome.REPLACED: ("ok", "unit"),
    ServiceRecord.Outcome.REMOVED: ("away", "away"),
    ServiceRecord.Outcome.NOT_FOUND: ("unknown", "unknown"),
    ServiceRecord.Outcome.NO_ACCESS: ("unknown", "unknown"),
    ServiceRecord.Outcome.VOID: ("none", "none"),
}


class UnitView(PortalView):
    """One unit: facts, next dates with their reasons, history."""

    def get(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Show the unit."""
        units = Unit.objects.visible_to(self.scope).select_related("model", "site__owner", "location")
        unit = self.found(units, unit_id)
        if unit.merged_into_id is not None:
            # The number on an old paper; what became of the unit is read under its one number.
            return redirect("portal:unit", self.found_by_key(units, unit.merged_into_id).public_id)
        if unit.site is None:
            raise Http404
        today = local_today(unit.site, self.now)
        tables = table_lines(unit.site.pk, today)
        standing = unit_standings([(unit.pk, unit.state)], unit.site, self.now)[unit.pk]
        context = {
            "crumbs": self.crumbs(unit.site),
            "unit": unit,
            "site": unit.site,
            "standing": standing,
            "gone": Unit.GONE,
            "defects": defect_lines(open_defects(self.scope).filter(unit=unit)),
            "made": say_stamp(unit.made),
            "dues": self._dues(unit),
            "events": self._history(unit),
            "unseen": self._unseen(unit),
            "recalls": recalls_of(unit),
            "placements": self._placements(unit),
            "tables": tables,
            "unconfirmed_count": unconfirmed(tables),
        }
        return self.page("portal/unit.html", context)

    def found_by_key(self, units: UnitQuerySet, pk: int) -> Unit:
        """The unit of that key among ``units``, which are in scope; a 404 otherwise."""
        unit = units.filter(pk=pk).first()
        if unit is None:
            raise Http404
        return unit

    def _placements(self, unit: Unit) -> list[Placement]:
        """Where it hung at premises in sight, in the time of the present owner."""
        ours = Site.objects.visible_to(self.scope)
        since = F("location__site__owner_since")
        rows = Placement.objects.filter(unit__in=known_as([unit.pk]), location__site__in=ours).filter(
            Q(location__site__owner_since=None) | Q(until_on=None) | Q(until_on__gte=since)
        )
        return list(rows.select_related("location__site").order_by("-is_open", "-pk"))

    def _unseen(self, unit: Unit) -> int:
        """How many records count for it that were made elsewhere, or in an earlier owner's time."""
        all_of_it = ServiceRecord.objects.of_units([unit.pk]).filter(corrected_by=None)
        # Narrowed to the unit on both sides, or every record of the owner is gone through.
        seen = ServiceRecord.objects.visible_to(self.scope).of_units([unit.pk]).values("pk")
        return int(all_of_it.exclude(pk__in=seen).count())

    def _dues(self, unit: Unit) -> list[dict[str, Any]]:
        assert unit.site is not None
        today = local_today(unit.site, self.now)
        rows = list(
            Obligation.objects.visible_to(self.scope)
            .filter(unit=unit)
            .order_by(F("latest_on").asc(nulls_last=True), "task", "pk")
        )
        attach_why(rows, self.now)
        own = unit.site.monthly_checks_by == Site.MonthlyChecks.OWNER
        return [
            {
                "row": row,
                "label": TASK_LABELS[Task(row.task)],
                "chip": chip(
                    status_on(
                        knowledge=row.knowledge,
                        is_deferred=row.is_deferred,
                        latest_on=row.latest_on,
                        target_on=row.target_on,
                        today=today,
                    ),
                    row.latest_on,
                ),
                "why": row.why,
                "is_owners": own and row.task == Task.VISUAL_INSPECTION,
                "is_unknown": row.knowledge == "unknown_basis",
            }
            for row in rows
        ]

    def _history(self, unit: Unit) -> list[HistoryEvent]:
        records = (
            ServiceRecord.objects.visible_to(self.scope)
            .of_units([unit.pk])
            .annotate(is_corrected=Exists(ServiceRecord.objects.filter(corrects=OuterRef("pk"))))
            .prefetch_related("readings")
            .order_by("-received_at", "-sequence")[:HISTORY]
        )
        events = []
        for record in records:
            tone, icon = _OUTCOMES[ServiceRecord.Outcome(record.outcome)]
            readings = [
                f"{QUANTITY_LABELS[Quantity(r.quantity)]} {r.entered_value} {r.entered_unit}"
                for r in record.readings.all()
            ]
            events.append(HistoryEvent(record, tone, icon, say_stamp(record.done), readings))
        return events


class CertificatesView(PortalView):
    """All certificates of the owner, searched by number, site and period."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of them; a filter that cannot be read shows none and says why."""
        form = CertificateFilter(request.GET, scope=self.scope)
        found = certificates_for(self.scope).order_by("-issued_at", "-pk")
        if form.is_valid():
            chosen = form.cleaned_data
            if chosen["q"]:
                text = chosen["q"].strip()
                found = found.filter(
                    Q(number__icontains=text)
                    | Q(site__name__icontains=text)
                    | Q(site__code__icontains=text)
                    | Q(visit__number__icontains=text)
                )
            if chosen["site"]:
                found = found.filter(site=chosen["site"])
            if chosen["since"]:
                found = found.filter(issued_on__gte=chosen["since"])
            if chosen["until"]:
                found = found.filter(issued_on__lte=chosen["until"])
        else:
            found = found.none()
        page = paged(request, found, CERTIFICATES_PER_PAGE)
        context = {
            "crumbs": self.crumbs(),
            "form": form,
            "is_filtered": any(request.GET.get(name) for name in form.fields),
            "page_obj": page,
            "certificates": _papers(page.object_list),
        }
        return self.page("portal/certificates.html", context, status=200 if form.is_valid() else 400)


class CertificateFileView(PortalView):
    """One certificate as a file."""

    def get(self, request: HttpRequest, certificate_id: UUID) -> HttpResponse:
        """Hand out the PDF."""
        return pdf_answer(request, self.scope, certificate_id)


def _papers(certificates: Any) -> list[dict[str, Any]]:
    """Certificates with how they stand and where to check them; no query beyond the list's own."""
    lines = []
    for certificate in certificates:
        state = standing_of(certificate)
        lines.append(
            {
                "certificate": certificate,
                "stands": state.standing == Standing.STANDS,
                "state": state,
                "word": {Standing.WITHDRAWN: "Withdrawn", Standing.REPLACED: "Replaced"}.get(
                    state.standing, "Stands"
                ),
                "verify": verify_path(certificate.verify_code),
            }
        )
    return lines
