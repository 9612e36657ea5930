"""Quotations at the desk: from open defects to a sent paper, and what the owner decided."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.logbook.defects import open_defects
from inventory.logbook.models import Defect
from inventory.measures.checks import defect_kinds
from inventory.register.agreed import agreed_for
from inventory.register.models import AGENT_CHOICES, Site
from inventory.stock.models import Item
from schedules.billing.queries import CODE_LABELS
from schedules.quotations.models import PriceItem, Quotation
from schedules.quotations.queries import lines_of, quotations_for, totals_of
from schedules.quotations.services import (
    NewLine,
    change_draft,
    quote_defects,
    save_price,
    send_quotation,
    withdraw_quotation,
)
from servicedesk.access import Act
from servicedesk.defects_shown import defect_lines
from servicedesk.desk.fields import day_field
from servicedesk.documents.builders import quotation_paper
from servicedesk.documents.paper import pdf_response
from servicedesk.exchange.prices import MOST_BYTES, TAKEN, read_prices
from servicedesk.pages import PageView, paged, place_errors

MORE_LINES = 3
"""Empty lines at the end of a draft, to type what no defect stands for."""


class LineForm(forms.Form):
    """One line of a draft; an empty text takes it out."""

    text = forms.CharField(label="What is to be done", required=False, max_length=300)
    quantity = forms.DecimalField(
        label="Quantity", required=False, min_value=Decimal("0.01"), max_digits=9, decimal_places=2
    )
    unit_word = forms.CharField(label="Of", required=False, max_length=20)
    price = forms.DecimalField(
        label="Price of one", required=False, min_value=Decimal(0), max_digits=12, decimal_places=2
    )
    defect = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def line(self) -> NewLine:
        """What was typed."""
        given = self.cleaned_data
        return NewLine(
            given["text"],
            given["quantity"] or Decimal(1),
            given["unit_word"],
            given["price"],
            given["defect"],
        )


LineForms = forms.formset_factory(LineForm, extra=MORE_LINES, max_num=203, validate_max=True)


class DraftForm(forms.Form):
    """What a draft says beside its lines."""

    note = forms.CharField(
        label="Note to the owner", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )
    valid_until = forms.DateField(
        label="Valid until",
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"invalid": "Enter a day that exists, for instance 2026-03-31."},
    )
    version = forms.IntegerField(widget=forms.HiddenInput)


class QuotationsView(PageView):
    """All quotations, newest first."""

    acts = (Act.MAKE_QUOTATIONS,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        page = paged(request, quotations_for(self.scope))
        rows = list(page.object_list)
        context = {"page_obj": page, "quotations": rows, "may_price": self.may(Act.SET_PRICES)}
        return self.page("desk/quotations.html", context)


class NewQuotationView(PageView):
    """Choosing the open defects of a site that are quoted."""

    acts = (Act.MAKE_QUOTATIONS,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show the open defects."""
        return self.show(self.site(site_id))

    def post(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Begin the quotation."""
        site = self.site(site_id)
        chosen = request.POST.getlist("defect")
        defects = list(
            open_defects(self.scope).filter(site=site, public_id__in=[ref for ref in chosen if _is_uuid(ref)])
        )
        try:
            quotation = quote_defects(
                site, defects, currency=request.POST.get("currency", ""), by=self.person, now=self.now
            )
        except ValidationError as problem:
            return self.show(site, problem=" ".join(problem.messages), status=400)
        return redirect("desk:quotation", quotation.public_id)

    def site(self, site_id: UUID) -> Site:
        """The site, or 404."""
        return self.found(Site.objects.visible_to(self.scope).select_related("owner"), site_id)

    def show(self, site: Site, problem: str = "", status: int = 200) -> HttpResponse:
        """The page."""
        last = Quotation.objects.order_by("-pk").values_list("currency", flat=True).first()
        context = {
            "crumbs": [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": site.name, "url": reverse("desk:site", args=[site.public_id])},
            ],
            "site": site,
            "lines": defect_lines(open_defects(self.scope).filter(site=site)),
            "currency": self.request.POST.get("currency", last or ""),
            "problem": problem,
            "agreed": agreed_for([site], self.now)[site.pk],
        }
        return self.page("desk/quotation_new.html", context, status=status)


class QuotationView(PageView):
    """One quotation: its lines while it is a draft, the owner's decisions once it is sent."""

    acts = (Act.MAKE_QUOTATIONS,)

    def get(self, request: HttpRequest, quotation_id: UUID) -> HttpResponse:
        """Show it."""
        quotation = self.quotation(quotation_id)
        first = {
            "note": quotation.note,
            "valid_until": quotation.valid_until,
            "version": quotation.version,
        }
        lines = [
            {
                "text": line.text,
                "quantity": line.quantity,
                "unit_word": line.unit_word,
                "price": line.price,
                "defect": line.defect_id,
            }
            for line in lines_of(quotation)
        ]
        return self.show(quotation, DraftForm(initial=first), LineForms(initial=lines, prefix="lines"))

    def post(self, request: HttpRequest, quotation_id: UUID) -> HttpResponse:
        """Save the draft, send it, or withdraw it."""
        do = self.pressed("save", "send", "withdraw")
        quotation = self.quotation(quotation_id)
        if do == "withdraw":
            return self.withdraw(quotation)
        draft, lines = DraftForm(request.POST), LineForms(request.POST, prefix="lines")
        if not draft.is_valid() or not lines.is_valid():
            return self.show(quotation, draft, lines, status=400)
        own = set(Defect.objects.filter(site=quotation.site_id).values_list("pk", flat=True))
        kept = [form.line() for form in lines if form.cleaned_data.get("text", "").strip()]
        if any(line.defect_id is not None and line.defect_id not in own for line in kept):
            draft.add_error(None, "A line names a defect of another site. Open the page again.")
            return self.show(quotation, draft, lines, status=400)
        given = draft.cleaned_data
        try:
            change_draft(
                quotation,
                kept,
                version=given["version"],
                note=given["note"],
                valid_until=given["valid_until"],
            )
            if do == "send":
                send_quotation(quotation, version=quotation.version, by=self.person, now=self.now)
        except (ValidationError, Conflict) as problem:
            self.refused(problem)
            return redirect("desk:quotation", quotation.public_id)
        self.told("Sent: the owner sees it now." if do == "send" else "Kept as a draft.")
        return redirect("desk:quotation", quotation.public_id)

    def withdraw(self, quotation: Quotation) -> HttpResponse:
        """Take it back."""
        try:
            version = int(self.request.POST.get("version", "0"))
            withdraw_quotation(quotation, self.request.POST.get("reason", ""), version=version)
        except (ValidationError, Conflict) as problem:
            self.refused(problem)
        except ValueError:
            self.warn("Open the page again: it was not understood.")
        else:
            self.told("Withdrawn. The owner reads why.")
        return redirect("desk:quotation", quotation.public_id)

    def quotation(self, quotation_id: UUID) -> Quotation:
        """The quotation, or 404."""
        rows = Quotation.objects.visible_to(self.scope).select_related("site__owner", "made_by", "sent_by")
        return self.found(rows, quotation_id)

    def show(self, quotation: Quotation, draft: DraftForm, forms_: Any, status: int = 200) -> HttpResponse:
        """The page."""
        lines = lines_of(quotation)
        totals = totals_of(lines)
        limit = agreed_for([quotation.site], self.now)[quotation.site_id].approval_limit
        context = {
            "crumbs": [{"label": "Quotations", "url": reverse("desk:quotations")}],
            "quotation": quotation,
            "lines": lines,
            "totals": totals,
            "limit": limit,
            "is_within": limit is not None
            and totals.is_whole
            and limit.currency == quotation.currency
            and totals.all <= limit.amount,
            "draft": draft,
            "line_forms": forms_,
            "is_draft": quotation.state == Quotation.State.DRAFT,
            "is_sent": quotation.state == Quotation.State.SENT,
        }
        return self.page("desk/quotation.html", context, status=status)


class QuotationPaperView(PageView):
    """The quotation as a paper."""

    acts = (Act.MAKE_QUOTATIONS,)

    def get(self, request: HttpRequest, quotation_id: UUID) -> HttpResponse:
        """Hand out the PDF."""
        rows = Quotation.objects.visible_to(self.scope).select_related("site__owner", "made_by")
        quotation = self.found(rows, quotation_id)
        return pdf_response(quotation_paper(quotation, now=self.now), f"{quotation.number}.pdf")


class PriceForm(forms.Form):
    """One line of the firm's own price list."""

    code = forms.CharField(label="Code", max_length=30)
    text = forms.CharField(label="What", max_length=200)
    unit_word = forms.CharField(label="Price for one", max_length=20, initial="piece")
    price = forms.DecimalField(label="Price", min_value=Decimal(0), max_digits=12, decimal_places=2)
    currency = forms.CharField(label="Currency", max_length=3, help_text="ISO 4217, for instance EUR.")
    defect_code = forms.ChoiceField(label="Proposed for", required=False)
    bills = forms.ChoiceField(
        label="Prices in billing", required=False, help_text="What of a billing run it is the price of."
    )
    agent = forms.ChoiceField(label="Only for units of", required=False)
    from_on = day_field("Price valid from")
    is_active = forms.BooleanField(label="In use", required=False, initial=True)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        found = [(code, kind.text) for code, kind in defect_kinds().items()]
        self.fields["defect_code"].choices = [("", "no defect"), *found]  # type: ignore[attr-defined]
        self.fields["bills"].choices = bill_choices()  # type: ignore[attr-defined]
        self.fields["agent"].choices = [("", "any agent"), *AGENT_CHOICES]  # type: ignore[attr-defined]
        self.fields["from_on"].help_text = "Empty: today. What was done earlier keeps the price of its day."


def bill_choices() -> list[tuple[str, str]]:
    """What of a billing run a price can be for: work, loans, and the parts of the catalogue."""
    parts = (
        Item.objects.filter(kind__in=(Item.Kind.PART, Item.Kind.CARTRIDGE))
        .order_by("name", "pk")
        .values_list("code", "name")
    )
    return [
        ("", "nothing by itself"),
        *CODE_LABELS.items(),
        *((f"part:{code}", f"Part: {name} ({code})") for code, name in parts),
    ]


class PricesView(PageView):
    """The firm's own price list. It is empty until somebody of the firm fills it."""

    acts = (Act.SET_PRICES,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the list, and the form for a new line or the one that is changed."""
        item = self.item()
        first = (
            {name: getattr(item, name) for name in PriceForm.base_fields if name != "from_on"}
            if item
            else None
        )
        return self.show(PriceForm(initial=first), item)

    def post(self, request: HttpRequest) -> HttpResponse:
        """Keep a line, or take a list in."""
        if "file" in request.FILES:
            return self.take_in(request.FILES["file"])
        form, item = PriceForm(request.POST), self.item()
        if not form.is_valid():
            return self.show(form, item, status=400)
        try:
            version = int(request.POST.get("version") or 0)
            save_price(**form.cleaned_data, by=self.person, now=self.now, item=item, version=version)
        except (ValidationError, ValueError) as problem:
            place_errors(
                form, problem if isinstance(problem, ValidationError) else ValidationError("Open it again.")
            )
            return self.show(form, item, status=400)
        except Conflict as problem:
            self.refused(problem)
        else:
            self.told("Kept. Quotations that were made before keep their prices.")
        return redirect("desk:prices")

    def take_in(self, file: Any) -> HttpResponse:
        """Take a CSV file in, all of it or nothing."""
        codes = {code for code, _ in bill_choices() if code}
        try:
            count = read_prices(file.read(MOST_BYTES + 1), bills=codes, by=self.person, now=self.now)
        except ValidationError as problem:
            return self.show(PriceForm(), None, status=400, problems=problem.messages)
        self.told(f"{count} price{'' if count == 1 else 's'} taken in.")
        return redirect("desk:prices")

    def item(self) -> PriceItem | None:
        """The line that is changed, if the address names one."""
        ref = self.request.GET.get("item", "")
        return PriceItem.objects.filter(public_id=ref).first() if _is_uuid(ref) else None

    def show(
        self, form: PriceForm, item: PriceItem | None, status: int = 200, problems: Sequence[str] = ()
    ) -> HttpResponse:
        """The page."""
        kinds = defect_kinds()
        rows = list(PriceItem.objects.select_related("changed_by").prefetch_related("steps"))
        words, today = dict(bill_choices()), self.now.date()
        for row in rows:
            row.proposed_for = kinds[row.defect_code].text if row.defect_code in kinds else ""  # type: ignore[attr-defined]
            row.bills_word = words.get(row.bills, row.bills) if row.bills else ""  # type: ignore[attr-defined]
            row.agent_word = dict(AGENT_CHOICES).get(row.agent, "")  # type: ignore[attr-defined]
            row.coming = [step for step in row.steps.all() if step.from_on > today]  # type: ignore[attr-defined]
        context = {
            "crumbs": [{"label": "Quotations", "url": reverse("desk:quotations")}],
            "items": rows,
            "form": form,
            "item": item,
            "problems": problems,
            "columns": TAKEN,
            "codes": [(code, label) for code, label in words.items() if code],
        }
        return self.page("desk/prices.html", context, status=status)


def _is_uuid(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True
