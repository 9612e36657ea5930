"""Monthly looks by the owner's own people, and reporting a used or damaged unit; made for a phone."""

from __future__ import annotations

import uuid
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Count, Exists, OuterRef, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.measures.looks import QUESTIONS, SOURCE, Wrong
from inventory.register.models import Site, Unit, local_today
from schedules.due.looks import (
    Look,
    look_months,
    looks_in,
    month_of,
    record_look,
    report_unit,
    to_look_at,
)
from servicedesk.access import Act
from servicedesk.pages import paged, place_errors
from servicedesk.photos import keep_photos, plain_picture
from servicedesk.portal.glance import WALKING_ORDER
from servicedesk.portal.views import UNITS_PER_PAGE, PortalView

# What is reported, in the reporter's words; the code is that of the list of defects.
REPORTS = {
    "used": ("It was used, even briefly", Wrong("used", False)),
    "pressure_low": ("The needle is below its zone", Wrong("pressure_low", False)),
    "seal_broken": ("Pin or seal is broken or gone", Wrong("seal_broken", False)),
    "damaged": ("It is damaged", Wrong("other_unit", False)),
    "missing": ("It is not in its place", Wrong("missing", True)),
    "blocked": ("The way to it is blocked", Wrong("blocked", True)),
}


class LookForm(forms.Form):
    """Five answers about one unit."""

    client_ref = forms.UUIDField(widget=forms.HiddenInput)
    remarks = forms.CharField(
        label="What is wrong",
        required=False,
        max_length=500,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Needed when it is damaged.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        asked = {
            question.code: forms.ChoiceField(
                label=question.text,
                # A unit that is not there is asked nothing more.
                required=question.code == "in_place",
                choices=[(reply.code, reply.text) for reply in question.replies],
                widget=forms.RadioSelect,
                error_messages={"required": "Answer this question."},
            )
            for question in QUESTIONS
        }
        self.fields = {**asked, **self.fields}

    @property
    def questions(self) -> list[forms.BoundField]:
        """The five questions in their order."""
        return [self[question.code] for question in QUESTIONS]


class ReportForm(forms.Form):
    """What somebody saw on a unit."""

    client_ref = forms.UUIDField(widget=forms.HiddenInput)
    what = forms.ChoiceField(
        label="What is wrong?",
        choices=[(code, text) for code, (text, _) in REPORTS.items()],
        widget=forms.RadioSelect,
        error_messages={"required": "Say what is wrong."},
    )
    remarks = forms.CharField(
        label="In your own words",
        required=False,
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Needed when it is damaged.",
    )
    photo = forms.FileField(
        label="Photo",
        required=False,
        widget=forms.ClearableFileInput(attrs={"accept": "image/*", "capture": "environment"}),
        help_text="JPEG, PNG or WebP up to 20 MB. It is made smaller, and what it tells of place "
        "and camera is taken out.",
    )

    def clean_photo(self) -> bytes | None:
        """The picture as a plain JPEG, or nothing."""
        given = self.cleaned_data.get("photo")
        return plain_picture(given) if given else None


class UnitActView(PortalView):
    """Base of pages on which something is stated of one unit."""

    def unit(self, unit_id: UUID) -> Unit:
        """One of the owner's own units that is on duty at a site."""
        units = Unit.objects.visible_to(self.scope).on_duty().filter(site__isnull=False)
        return self.found(units.select_related("model", "site__owner", "location"), unit_id)

    def above(self, unit: Unit) -> list[dict[str, str]]:
        """The way back up to the unit."""
        return [
            *self.crumbs(unit.site),
            {"label": unit.number, "url": reverse("portal:unit", args=[unit.public_id])},
        ]


class ReportView(UnitActView):
    """Reporting a unit that was used, is damaged or gone."""

    acts = (Act.REPORT_UNITS,)

    def get(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Show the form."""
        return self.show(self.unit(unit_id), ReportForm(initial={"client_ref": uuid.uuid4()}))

    def post(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Keep the report; sent twice it counts once."""
        unit = self.unit(unit_id)
        form = ReportForm(request.POST, request.FILES)
        if not form.is_valid():
            return self.show(unit, form, status=400)
        given = form.cleaned_data
        wrong = REPORTS[given["what"]][1]
        try:
            if wrong.code == "other_unit" and not given["remarks"].strip():
                raise ValidationError(
                    {"remarks": "Say what is damaged: whoever comes brings the right parts."}
                )
            assert unit.site_id is not None
            photos = keep_photos(
                [given["photo"]] if given["photo"] else [],
                site_id=unit.site_id,
                ref=given["client_ref"],
                by=self.person,
                now=self.now,
            )
            report_unit(
                unit,
                wrong,
                given["remarks"],
                client_ref=given["client_ref"],
                photos=photos,
                by=self.person,
                now=self.now,
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(unit, form, status=400)
        except Conflict as problem:
            form.add_error(None, problem.sentence)
            return self.show(unit, form, status=409)
        self.told("Reported. The service company sees it now; the defect stays open until it is put right.")
        return redirect("portal:unit", unit.public_id)

    def show(self, unit: Unit, form: ReportForm, status: int = 200) -> HttpResponse:
        """The page."""
        context = {"crumbs": self.above(unit), "unit": unit, "site": unit.site, "form": form}
        return self.page("portal/report.html", context, status=status)


class LookView(UnitActView):
    """The monthly look at one unit."""

    acts = (Act.CHECK_UNITS,)

    def get(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Ask the five questions."""
        return self.show(self.unit(unit_id), LookForm(initial={"client_ref": uuid.uuid4()}))

    def post(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Keep the look and go on to the next unit that wants one."""
        unit = self.unit(unit_id)
        form = LookForm(request.POST)
        if not form.is_valid():
            return self.show(unit, form, status=400)
        given = dict(form.cleaned_data)
        look = Look(given.pop("client_ref"), {q.code: given[q.code] for q in QUESTIONS}, given["remarks"])
        try:
            record, is_new = record_look(unit, look, by=self.person, now=self.now)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(unit, form, status=400)
        except Conflict as problem:
            form.add_error(None, problem.sentence)
            return self.show(unit, form, status=409)
        word = "all is well" if record.outcome == record.Outcome.PASSED else "reported to the service company"
        self.told(f"{unit.number}: {word}." if is_new else f"{unit.number} was kept already.")
        assert unit.site is not None
        following = self.next_after(unit)
        if following is None:
            return redirect("portal:site-looks", unit.site.public_id)
        return redirect("portal:look", following.public_id)

    def next_after(self, unit: Unit) -> Unit | None:
        """The next unit of the walk that nobody looked at this month; from the end back to the start."""
        assert unit.site is not None
        left = list(
            to_look_at(self.scope, unit.site, self.now)[0].order_by(*WALKING_ORDER).select_related("location")
        )
        left = [one for one in left if one.pk != unit.pk]
        here = _walk(unit)
        return next((one for one in left if _walk(one) > here), left[0] if left else None)

    def show(self, unit: Unit, form: LookForm, status: int = 200) -> HttpResponse:
        """The page."""
        assert unit.site is not None
        wanted, seen = to_look_at(self.scope, unit.site, self.now)
        left, done = wanted.count(), seen.count()
        context = {
            "crumbs": [
                *self.crumbs(unit.site),
                {"label": "Monthly looks", "url": reverse("portal:site-looks", args=[unit.site.public_id])},
            ],
            "unit": unit,
            "site": unit.site,
            "form": form,
            "left": left,
            "done": done,
            "was_seen": seen.filter(pk=unit.pk).exists(),
            "source": SOURCE,
        }
        return self.page("portal/look.html", context, status=status)


def _walk(unit: Unit) -> tuple[Any, ...]:
    place = unit.location
    return (place is None, place.walking_order if place else 0, place.number if place else "", unit.number)


class LooksView(PortalView):
    """All own sites: how many units were looked at in the running calendar month."""

    acts = (Act.CHECK_UNITS,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        page = paged(request, Site.objects.visible_to(self.scope).order_by("name", "pk"), 50)
        sites = list(page.object_list)
        counts = self.counts(sites)
        lines = []
        for site in sites:
            units, seen = counts.get(site.pk, (0, 0))
            lines.append({"site": site, "units": units, "seen": seen, "left": units - seen})
        context = {"crumbs": self.crumbs(), "page_obj": page, "lines": lines, "month": self.now}
        return self.page("portal/looks.html", context)

    def counts(self, sites: list[Site]) -> dict[int, tuple[int, int]]:
        """Units hanging and units looked at this month, by site; one query for each civil month."""
        found: dict[int, tuple[int, int]] = {}
        spans = {site.pk: month_of(local_today(site, self.now)) for site in sites}
        for span in set(spans.values()):
            ids = [pk for pk, one in spans.items() if one == span]
            seen = Exists(looks_in(*span).filter(unit=OuterRef("pk"), site=OuterRef("site")))
            rows = (
                Unit.objects.visible_to(self.scope)
                .filter(site__in=ids, state__in=Unit.HANGING)
                .order_by()
                .annotate(is_seen=seen)
                .values("site_id")
                .annotate(units=Count("pk"), seen=Count("pk", filter=Q(is_seen=True)))
            )
            found |= {row["site_id"]: (row["units"], row["seen"]) for row in rows}
        return found


class SiteLooksView(PortalView):
    """One site: which units nobody looked at this month, and the count of each month."""

    acts = (Act.CHECK_UNITS,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show it."""
        site = self.site_or_404(site_id)
        left, seen = to_look_at(self.scope, site, self.now)
        page = paged(
            request, left.select_related("model", "location").order_by(*WALKING_ORDER), UNITS_PER_PAGE
        )
        context = {
            "crumbs": [*self.crumbs(site), {"label": "Monthly looks", "url": reverse("portal:looks")}],
            "site": site,
            "page_obj": page,
            "units": list(page.object_list),
            "left": page.paginator.count,
            "done": seen.count(),
            "months": look_months(site, self.now),
            "by_owner": site.monthly_checks_by == Site.MonthlyChecks.OWNER,
            "source": SOURCE,
        }
        return self.page("portal/site_looks.html", context)
