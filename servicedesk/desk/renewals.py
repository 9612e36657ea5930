"""Contracts that end soon: the list, what is brought to the talk, and what became of it."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import content_disposition_header

from inventory.errors import Conflict
from inventory.register.agreed import contracts, mark_contract
from inventory.register.terms import ContractMark, TermsVersion
from schedules.renewals.queries import DEFAULT_DAYS, dossier, ending, facts_of
from servicedesk.access import Act
from servicedesk.desk.fields import day_field
from servicedesk.desk.terms import Holder, contract_line
from servicedesk.documents.builders import renewal_paper
from servicedesk.documents.paper import pdf_response
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import PageView, paged, place_errors

HEADINGS = (
    "owner",
    "site",
    "contract_number",
    "begins_on",
    "ends_on",
    "renews_by_itself",
    "state",
    "units",
    "tasks_on_time",
    "tasks_late",
    "tasks_overdue",
    "on_time_percent",
    "open_defects",
    "oldest_defect_on",
    "units_not_found",
    "units_no_access",
)


class DaysForm(forms.Form):
    """How far ahead is looked."""

    days = forms.IntegerField(
        label="Ending within how many days", min_value=1, max_value=1100, required=False
    )

    def days_ahead(self) -> int:
        """The number asked for, else the usual one."""
        return (self.cleaned_data.get("days") if self.is_valid() else None) or DEFAULT_DAYS


class RenewalsView(PageView):
    """Contracts that end within some days, with what speaks for them and against."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of them."""
        form = DaysForm(request.GET or {"days": DEFAULT_DAYS})
        is_valid = form.is_valid()
        days, today = form.days_ahead(), self.now.date()
        page = paged(request, ending(self.scope, today, days) if is_valid else TermsVersion.objects.none())
        rows = list(page.object_list)
        facts = facts_of(rows, self.now) if rows else {}
        context = {
            "form": form,
            "days": days,
            "lines": [
                contract_line(row, today)
                | {"facts": facts[row.pk], "left": (row.ends_on - today).days if row.ends_on else 0}
                for row in rows
            ],
            "page_obj": page,
            "query": f"days={days}",
        }
        return self.page("desk/renewals.html", context, status=200 if is_valid else 400)


class RenewalsExportView(PageView):
    """The same list as a file."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> StreamingHttpResponse:
        """Hand it out."""
        days, today = DaysForm(request.GET).days_ahead(), self.now.date()
        rows = list(ending(self.scope, today, days))
        facts = facts_of(rows, self.now) if rows else {}
        answer = StreamingHttpResponse(
            csv_lines(HEADINGS, (export_row(row, facts[row.pk], today) for row in rows)),
            content_type="text/csv; charset=utf-8",
        )
        answer["Content-Disposition"] = content_disposition_header(True, f"renewals-{today}.csv") or ""
        return answer


def export_row(row: Any, facts: Any, today: Any) -> list[Any]:
    """One contract in the order of ``HEADINGS``."""
    line = contract_line(row, today)
    percent = facts.kept.percent
    return [
        row.owner.name,
        row.site.name if row.site else "",
        row.contract_number,
        row.begins_on,
        row.ends_on,
        line["renews"],
        line["word"],
        facts.units,
        facts.kept.on_time,
        facts.kept.late,
        facts.kept.overdue,
        "" if percent is None else f"{percent:.1f}",
        facts.defects,
        facts.oldest_defect_on,
        facts.not_found,
        facts.no_access,
    ]


class MarkForm(forms.Form):
    """What became of the contract."""

    kind = forms.ChoiceField(label="What became of it", choices=ContractMark.Kind.choices)
    ends_on = day_field("New last day")
    note = forms.CharField(label="Note", required=False, max_length=300)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["ends_on"].help_text = "Only when it is renewed: the same terms go on until then."


class RenewalView(PageView):
    """One contract: how it was kept, what is open, what comes, what became of it."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, version_id: UUID) -> HttpResponse:
        """Show it."""
        return self.show(self.contract(version_id), MarkForm())

    def post(self, request: HttpRequest, version_id: UUID) -> HttpResponse:
        """Mark it offered, renewed or ended."""
        self.demand(Act.SET_TERMS)
        row = self.contract(version_id)
        form = MarkForm(request.POST)
        if not form.is_valid():
            return self.show(row, form, status=400)
        try:
            mark = mark_contract(row, **form.cleaned_data, on=self.now.date(), by=self.person, now=self.now)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(row, form, status=400)
        except Conflict as problem:
            self.refused(problem)
        else:
            self.told(f"Marked: {mark.get_kind_display().lower()}.")
        return redirect("desk:renewal", row.public_id)

    def contract(self, version_id: UUID) -> TermsVersion:
        """The version, or 404."""
        rows = TermsVersion.objects.visible_to(self.scope).select_related("owner", "site")
        return self.found(rows, version_id)

    def show(self, row: TermsVersion, form: MarkForm, status: int = 200) -> HttpResponse:
        """The page."""
        years = years_of(self.request)
        found = dossier(row, now=self.now, years=years)
        marks = list(row.marks.select_related("successor"))
        holder = Holder(row.owner, row.site)
        context = {
            "crumbs": [{"label": "Renewals", "url": reverse("desk:renewals")}],
            "row": row,
            "holder": holder,
            "terms_url": holder.address("terms"),
            "found": found,
            "facts": found.facts,
            "years": years,
            "marks": marks,
            "is_closed": any(mark.kind != ContractMark.Kind.OFFERED for mark in marks),
            "is_ended": any(mark.kind == ContractMark.Kind.ENDED for mark in marks),
            "is_current": contracts(self.scope, self.now.date()).filter(pk=row.pk).exists(),
            "form": form,
            "may_set": self.may(Act.SET_TERMS),
        }
        return self.page("desk/renewal.html", context, status=status)


def years_of(request: HttpRequest) -> int:
    """How many years ahead the address asks for: 1 to 3."""
    text = request.GET.get("years", "3")
    return int(text) if text in ("1", "2", "3") else 3


class RenewalPaperView(RenewalView):
    """The same on paper."""

    def get(self, request: HttpRequest, version_id: UUID) -> HttpResponse:
        """Hand out the PDF."""
        row = self.contract(version_id)
        found = dossier(row, now=self.now, years=years_of(request))
        name = f"renewal-{row.contract_number or row.owner.name}.pdf"
        return pdf_response(renewal_paper(found, now=self.now), name)
