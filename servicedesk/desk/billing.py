"""Billing runs: what was done and is not billed yet, as lines for the firm's own bookkeeping."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from decimal import Decimal
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Count, Q, Sum
from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import content_disposition_header

from inventory.errors import Conflict
from inventory.register.models import Owner
from schedules.billing.models import BillingLine, BillingRun
from schedules.billing.services import first_day, lines_to_bill, make_run, take_back
from servicedesk.access import Act
from servicedesk.desk.fields import day_field, pick_field
from servicedesk.exchange.billing import COLUMNS, KINDS, as_csv, as_json, as_xlsx, lines_of
from servicedesk.pages import PageView, paged, place_errors

SHOWN_LINES = 200


def sums_of(lines: Iterable[BillingLine]) -> list[tuple[str, Decimal]]:
    """Amounts by currency."""
    found: dict[str, Decimal] = defaultdict(Decimal)
    for line in lines:
        if line.amount is not None:
            found[line.currency] += line.amount
    return sorted(found.items())


class RunForm(forms.Form):
    """What a run is about."""

    first_on = day_field("From")
    until_on = day_field("Up to")
    note = forms.CharField(label="Note", required=False, max_length=200)

    def __init__(self, *args: Any, owners: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["owner"] = pick_field(owners, label="Owner", empty_label="All owners")
        self.fields["first_on"].required = self.fields["until_on"].required = True
        self.fields["first_on"].help_text = "The first of a month. What was done before is not looked at."
        self.order_fields(["owner", "first_on", "until_on", "note"])


class RunsView(PageView):
    """All runs, newest first."""

    acts = (Act.MAKE_BILLING,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of them."""
        rows = BillingRun.objects.select_related("made_by").annotate(
            line_count=Count("lines", distinct=True),
            no_price=Count(
                "lines",
                filter=Q(lines__price__isnull=True, lines__is_included=False),
                distinct=True,
            ),
        )
        page = paged(request, rows.order_by("-pk"))
        runs = list(page.object_list)
        sums: dict[int, list[tuple[str, Decimal]]] = defaultdict(list)
        for row in (
            BillingLine.objects.filter(run__in=[run.pk for run in runs], amount__isnull=False)
            .order_by()
            .values("run_id", "currency")
            .annotate(total=Sum("amount"))
        ):
            sums[row["run_id"]].append((row["currency"], row["total"].quantize(Decimal("0.01"))))
        context = {
            "page_obj": page,
            "lines": [{"run": run, "sums": sorted(sums[run.pk])} for run in runs],
        }
        return self.page("desk/billing.html", context)


class NewRunView(PageView):
    """Looking at what is to be billed, and making the run."""

    acts = (Act.MAKE_BILLING,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show what a run would hold."""
        today = self.now.date()
        first = {"until_on": today, "first_on": first_day(today)}
        asked = {name: request.GET[name] for name in ("owner", "first_on", "until_on") if name in request.GET}
        form = RunForm(first | asked, owners=self.owners())
        return self.show(form)

    def post(self, request: HttpRequest) -> HttpResponse:
        """Make the run."""
        form = RunForm(request.POST, owners=self.owners())
        if not form.is_valid():
            return self.show(form, status=400)
        given = form.cleaned_data
        try:
            run = make_run(
                self.chosen(given),
                first_on=given["first_on"],
                until_on=given["until_on"],
                note=given["note"],
                by=self.person,
                now=self.now,
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(form, status=400)
        except Conflict as problem:
            self.refused(problem)
            return redirect("desk:billing")
        if run is None:
            self.warn("Nothing is left to be billed there.")
            return redirect("desk:billing-new")
        self.told(f"Run {run.number} is made. Take its file to the bookkeeping.")
        return redirect("desk:billing-run", run.public_id)

    def owners(self) -> Any:
        """All owners."""
        return Owner.objects.visible_to(self.scope).filter(merged_into__isnull=True).order_by("name", "pk")

    def chosen(self, given: dict[str, Any]) -> list[Owner]:
        """The owners that the form means."""
        return [given["owner"]] if given["owner"] else list(self.owners())

    def show(self, form: RunForm, status: int = 200) -> HttpResponse:
        """The page."""
        lines: list[BillingLine] = []
        if form.is_valid():
            given = form.cleaned_data
            try:
                lines = lines_to_bill(
                    self.chosen(given), first_on=given["first_on"], until_on=given["until_on"]
                )
            except ValidationError as problem:
                place_errors(form, problem)
                status = 400
        else:
            status = 400
        shown = lines[:SHOWN_LINES]
        named = {owner.pk: owner for owner in Owner.objects.filter(pk__in={line.owner_id for line in shown})}
        for line in shown:
            line.owner = named[line.owner_id]
        context = {
            "crumbs": [{"label": "Billing", "url": reverse("desk:billing")}],
            "form": form,
            "lines": shown,
            "more": len(lines) - len(shown),
            "facts": _facts(lines),
        }
        return self.page("desk/billing_new.html", context, status=status)


def _facts(lines: list[BillingLine]) -> dict[str, Any]:
    """What is said above the lines."""
    return {
        "count": len(lines),
        "sums": sums_of(lines),
        "no_price": sum(line.price is None and not line.is_included for line in lines),
        "no_basis": sum(not line.basis for line in lines),
        "po": sum(bool(line.po_problem) for line in lines),
        "back": sum(line.quantity < 0 for line in lines),
    }


class RunView(PageView):
    """One run: its lines, its files, taking it back."""

    acts = (Act.MAKE_BILLING,)

    def get(self, request: HttpRequest, run_id: UUID) -> HttpResponse:
        """Show it."""
        return self.show(self.run(run_id))

    def post(self, request: HttpRequest, run_id: UUID) -> HttpResponse:
        """Take it back."""
        run = self.run(run_id)
        try:
            take_back(run, request.POST.get("reason", ""), by=self.person, now=self.now)
        except (ValidationError, Conflict) as problem:
            self.refused(problem)
        else:
            self.told("Taken back. What it held is to be billed again.")
        return redirect("desk:billing-run", run.public_id)

    def run(self, run_id: UUID) -> BillingRun:
        """The run, or 404."""
        return self.found(BillingRun.objects.select_related("made_by", "taken_back_by"), run_id)

    def show(self, run: BillingRun) -> HttpResponse:
        """The page."""
        page = paged(self.request, lines_of(run))
        context = {
            "crumbs": [{"label": "Billing", "url": reverse("desk:billing")}],
            "run": run,
            "page_obj": page,
            "lines": list(page.object_list),
            "facts": _facts(
                list(
                    run.lines.only(
                        "amount", "currency", "price", "is_included", "basis", "po_problem", "quantity"
                    )
                )
            ),
            "owners": list(run.owners.order_by("name")[:6]),
            "owner_count": run.owners.count(),
            "columns": COLUMNS,
            "kinds": list(KINDS),
        }
        return self.page("desk/billing_run.html", context)


class RunFileView(RunView):
    """A run as a file."""

    def get(self, request: HttpRequest, run_id: UUID, kind: str = "csv") -> HttpResponseBase:  # type: ignore[override]
        """Hand it out, and note that it was taken."""
        run = self.run(run_id)
        if kind not in KINDS:
            raise Http404
        answer: HttpResponseBase
        if kind == "csv":
            answer = StreamingHttpResponse(as_csv(run), content_type=KINDS[kind])
        else:
            answer = HttpResponse(as_xlsx(run) if kind == "xlsx" else as_json(run), content_type=KINDS[kind])
        answer["Content-Disposition"] = content_disposition_header(True, f"{run.number}.{kind}") or ""
        BillingRun.objects.filter(pk=run.pk).update(exported_at=self.now)
        return answer

    def post(self, request: HttpRequest, run_id: UUID, kind: str = "csv") -> HttpResponse:
        """A file takes nothing."""
        raise Http404
