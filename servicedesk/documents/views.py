"""Pages on which papers are chosen, and the addresses that labels open."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.text import slugify

from inventory.errors import Conflict
from inventory.logbook.models import Defect
from inventory.register.models import Location, Site, Unit, local_today
from inventory.register.places import Move
from schedules.certificates.models import Certificate
from schedules.certificates.queries import certificates_for
from schedules.certificates.services import issue_period_certificate
from schedules.surveys.queries import surveys_for
from schedules.visits.models import Visit
from servicedesk.access import Act
from servicedesk.documents.builders import defect_notice, removal_receipt, site_register
from servicedesk.documents.data import DataError, stocks, tag_for
from servicedesk.documents.labels import (
    MOST,
    labels_pdf,
    location_labels,
    note_printing,
    tags_pdf,
    unit_labels,
)
from servicedesk.documents.models import LabelPrint
from servicedesk.documents.paper import pdf_response
from servicedesk.documents.takeover import takeover_report
from servicedesk.pages import PageView, place_errors

LOG_SHOWN = 20


class LabelForm(forms.Form):
    """Which labels of a site are printed, on what."""

    sort = forms.ChoiceField(label="What", choices=LabelPrint.Sort.choices)
    which = forms.ChoiceField(
        label="Which",
        choices=[
            ("new", "Those never printed"),
            ("all", "All of the site"),
            ("listed", "Those listed below"),
        ],
    )
    numbers = forms.CharField(
        label="Numbers",
        required=False,
        max_length=20_000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Of units or locations, apart by blanks, commas or lines.",
    )
    stock = forms.ChoiceField(label="Label stock", required=False, help_text="Service tags come one a page.")
    skip = forms.IntegerField(
        label="Places already used on the first sheet", required=False, min_value=0, max_value=200
    )
    reason = forms.CharField(
        label="Why again",
        required=False,
        max_length=200,
        help_text="Needed where an identity label was printed before.",
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.stocks = stocks()
        self.fields["stock"].choices = [(s.code, s.name) for s in self.stocks.values()]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Places used cannot be more than the sheet has."""
        given = super().clean() or {}
        stock = self.stocks.get(given.get("stock", ""))
        if stock is None and given.get("sort") != LabelPrint.Sort.TAG:
            self.add_error("stock", "Choose the label stock.")
        elif stock is not None and (given.get("skip") or 0) >= stock.per_page:
            self.add_error("skip", f"This sheet has {stock.per_page} places; at least one must be free.")
        if given.get("which") == "listed" and not given.get("numbers", "").strip():
            self.add_error("numbers", "List the numbers, or choose another set above.")
        return given


class LabelsView(PageView):
    """Labels and service tags of one site as a PDF; what was printed is kept."""

    acts = (Act.CHANGE_REGISTER,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show the form."""
        site = self.site(site_id)
        first = {
            "sort": LabelPrint.Sort.UNIT,
            "which": "listed" if request.GET.get("number") else "new",
            "numbers": request.GET.get("number", "")[:60],
        }
        return self.show(site, LabelForm(initial=first))

    def post(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Hand out the PDF and keep what was printed; what is wrong stands beside its field."""
        site = self.site(site_id)
        form = LabelForm(request.POST)
        if not form.is_valid():
            return self.show(site, form, status=400)
        given = form.cleaned_data
        sort = given["sort"]
        try:
            subjects = self.chosen(site, sort, given["which"], given["numbers"])
            note_printing(
                sort, subjects, stock=given["stock"], reason=given["reason"], by=self.person, now=self.now
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(site, form, status=400)
        if sort == LabelPrint.Sort.TAG:
            data = tags_pdf(subjects, tag_for(site.country, site.region), by=self.person, now=self.now)
        else:
            make = location_labels if sort == LabelPrint.Sort.LOCATION else unit_labels
            data = labels_pdf(make(subjects), form.stocks[given["stock"]], skip=given["skip"] or 0)
        return pdf_response(data, f"labels-{site.code}-{self.now:%Y%m%d-%H%M}.pdf")

    def site(self, site_id: UUID) -> Site:
        """The site, or 404."""
        return self.found(Site.objects.visible_to(self.scope).select_related("owner"), site_id)

    def chosen(self, site: Site, sort: str, which: str, numbers: str) -> list[Any]:
        """The units or locations asked for; raises ``ValidationError`` naming what is not there."""
        rows: QuerySet[Any]
        if sort == LabelPrint.Sort.LOCATION:
            rows = (
                Location.objects.filter(site=site).select_related("site").order_by("walking_order", "number")
            )
        else:
            rows = (
                Unit.objects.on_duty()
                .filter(site=site)
                .select_related("model", "location", "site__owner")
                .order_by("location__walking_order", "number")
            )
        if which == "listed":
            wanted = list(dict.fromkeys(numbers.replace(",", " ").replace(";", " ").split()))
            rows = rows.filter(number__in=wanted)
            if missing := set(wanted) - set(rows.values_list("number", flat=True)):
                told = ", ".join(sorted(missing)[:10])
                raise ValidationError({"numbers": f"Not at this site: {told}. Correct or remove them."})
        elif which == "new":
            rows = rows.exclude(labels__sort=sort)
        found = list(rows[: MOST + 1])
        if not found:
            raise ValidationError({"which": "There is none of these at the site. Choose another set."})
        if len(found) > MOST:
            raise ValidationError({"which": f"More than {MOST} at once; list them in parts."})
        return found

    def show(self, site: Site, form: LabelForm, status: int = 200) -> HttpResponse:
        """The page."""
        try:
            tag = tag_for(site.country, site.region)
        except DataError:
            tag = None
        units = Unit.objects.on_duty().filter(site=site)
        places = Location.objects.filter(site=site)
        context = {
            "site": site,
            "form": form,
            "tag": tag,
            "counts": {
                "units": units.count(),
                "new_units": units.exclude(labels__sort=LabelPrint.Sort.UNIT).count(),
                "locations": places.count(),
                "new_locations": places.exclude(labels__sort=LabelPrint.Sort.LOCATION).count(),
            },
            "log": list(
                LabelPrint.objects.filter(unit__site=site).select_related("unit", "printed_by")[:LOG_SHOWN]
            ),
            "crumbs": [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": site.name, "url": reverse("desk:site", args=[site.public_id])},
            ],
        }
        return self.page("documents/labels.html", context, status=status)


class ScanUnitView(PageView):
    """What the label of a unit opens: the unit's page of whoever scanned it."""

    acts = (Act.SEE_REGISTER,)

    def get(self, request: HttpRequest, number: str) -> HttpResponse:
        """Lead there; outside the scope there is no such unit."""
        unit = Unit.objects.visible_to(self.scope).filter(number__iexact=number).first()
        if unit is None:
            raise Http404
        if self.may(Act.SEE_PORTAL):
            return redirect("portal:unit", unit.public_id)
        if self.may(Act.RECORD_VISITS):
            return redirect(f"{reverse('field:home')}?{urlencode({'unit': unit.number})}")
        return redirect("desk:unit", unit.public_id)


class ScanLocationView(PageView):
    """What the label of a location opens."""

    acts = (Act.SEE_REGISTER,)

    def get(self, request: HttpRequest, code: str, number: str) -> HttpResponse:
        """Lead to the unit that hangs there, else to the site."""
        place = (
            Location.objects.filter(
                site__in=Site.objects.visible_to(self.scope), site__code__iexact=code, number__iexact=number
            )
            .select_related("site")
            .first()
        )
        if place is None:
            raise Http404
        unit = Unit.objects.on_duty().filter(location=place).order_by("pk").first()
        if unit is not None:
            return redirect("scan-unit", unit.number)
        name = "portal:site" if self.may(Act.SEE_PORTAL) else "desk:site"
        return redirect(name, place.site.public_id)


class PaperView(PageView):
    """Base of papers made on demand: whoever may see the premises may print what is recorded of them."""

    acts = (Act.SEE_REGISTER,)

    def site(self, site_id: UUID) -> Site:
        """The site, or 404."""
        return self.found(Site.objects.visible_to(self.scope).select_related("owner"), site_id)

    def day(self, name: str) -> date | None:
        """A day of the address, or None; one that cannot be read is a 404."""
        text = self.request.GET.get(name, "")
        try:
            return date.fromisoformat(text) if text else None
        except ValueError as error:
            raise Http404 from error


class RegisterPaperView(PaperView):
    """The site register with the history of each unit."""

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Hand out the PDF; a register too long for one paper is to be taken as a file."""
        site = self.site(site_id)
        if Unit.objects.on_duty().filter(site=site).count() > MOST:
            return self.page("documents/too_long.html", {"site": site, "most": MOST}, status=413)
        data = site_register(site, now=self.now, since=self.day("since"))
        return pdf_response(data, f"register-{slugify(site.code)}-{self.now:%Y%m%d}.pdf")


class DefectsPaperView(PaperView):
    """Written notice of the open defects of a site."""

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Hand out the PDF; without an open defect there is none."""
        site = self.site(site_id)
        defects = list(
            Defect.objects.visible_to(self.scope)
            .open()
            .filter(site=site)
            .select_related("unit__model", "unit__location", "location", "opened_by")
        )
        if not defects:
            raise Http404
        return pdf_response(
            defect_notice(site, defects, now=self.now), f"defects-{slugify(site.code)}-{self.now:%Y%m%d}.pdf"
        )


class ReceiptPaperView(PaperView):
    """Receipt for units taken and left on a visit."""

    def get(self, request: HttpRequest, visit_id: UUID) -> HttpResponse:
        """Hand out the PDF; where nothing was moved there is none."""
        visits = Visit.objects.visible_to(self.scope).select_related("site__owner", "technician")
        visit = self.found(visits, visit_id)
        data = removal_receipt(visit, self.scope, now=self.now)
        if data is None:
            raise Http404
        return pdf_response(data, f"receipt-{visit.number}.pdf")


class TakeoverPaperView(PaperView):
    """The takeover report of a survey; before it is finished a draft, for the desk alone."""

    def get(self, request: HttpRequest, survey_id: UUID) -> HttpResponse:
        """Hand out the PDF."""
        surveys = surveys_for(self.scope)
        if not self.may(Act.SEE_DESK):
            surveys = surveys.filter(finished_at__isnull=False)
        survey = self.found(surveys, survey_id)
        return pdf_response(takeover_report(survey, now=self.now), f"takeover-{survey.visit.number}.pdf")


class PeriodForm(forms.Form):
    """A certificate of a period, or the yearly condition statement."""

    kind = forms.ChoiceField(
        label="What",
        choices=[
            (Certificate.Kind.PERIOD.value, Certificate.Kind.PERIOD.label),
            (Certificate.Kind.CONDITION.value, Certificate.Kind.CONDITION.label),
        ],
    )
    first_on = forms.DateField(
        label="From", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    last_on = forms.DateField(
        label="Until", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )


class SitePapersView(PageView):
    """Everything on paper about one site: what was issued, what can be printed, what can be issued now."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show it."""
        site = self.site(site_id)
        last = local_today(site, self.now)
        first = (
            last.replace(year=last.year - 1)
            if (last.month, last.day) != (2, 29)
            else date(last.year - 1, 3, 1)
        )
        return self.show(site, PeriodForm(initial={"first_on": first + timedelta(days=1), "last_on": last}))

    def post(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Issue the paper of a period."""
        self.demand(Act.PLAN_VISITS)
        site = self.site(site_id)
        form = PeriodForm(request.POST)
        if not form.is_valid():
            return self.show(site, form, status=400)
        given = form.cleaned_data
        try:
            paper = issue_period_certificate(
                site, given["first_on"], given["last_on"], given["kind"], by=self.person, now=self.now
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(site, form, status=400)
        except Conflict as problem:
            form.add_error(None, str(problem))
            return self.show(site, form, status=409)
        return redirect("desk:certificate", paper.public_id)

    def site(self, site_id: UUID) -> Site:
        """The site, or 404."""
        return self.found(Site.objects.visible_to(self.scope).select_related("owner"), site_id)

    def show(self, site: Site, form: PeriodForm, status: int = 200) -> HttpResponse:
        """The page."""
        moved = Move.objects.filter(site=site, ref__isnull=False).values("ref")
        context = {
            "site": site,
            "form": form,
            "may_issue": self.may(Act.PLAN_VISITS),
            "may_print": self.may(Act.CHANGE_REGISTER),
            "defect_count": Defect.objects.open().filter(site=site).count(),
            "issued": list(certificates_for(self.scope).filter(site=site).order_by("-issued_at", "-pk")[:20]),
            "surveys": list(
                surveys_for(self.scope).filter(visit__site=site, visit__closed_at__isnull=False)[:5]
            ),
            "moved": list(
                Visit.objects.filter(site=site, public_id__in=moved).order_by("-planned_on", "-pk")[:10]
            ),
            "crumbs": [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": site.name, "url": reverse("desk:site", args=[site.public_id])},
            ],
        }
        return self.page("documents/site_papers.html", context, status=status)
