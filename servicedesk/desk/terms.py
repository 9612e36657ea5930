"""What was agreed with owners: contracts, the terms of an owner or site, their history, tasks called off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Exists, F, OuterRef, Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.measures import terms as catalogue
from inventory.measures.kinds import TASK_LABELS
from inventory.measures.terms import GROUPS, NOT_AGREED, TERM, TERMS, Agreed, Sort, Term, say
from inventory.register.agreed import (
    TermsBook,
    agree,
    agreed_for,
    call_off,
    contracts,
    take_back_call_off,
    waiting_tasks,
)
from inventory.register.models import Owner, Site
from inventory.register.queries import words_condition
from inventory.register.terms import CallOff, ContractMark, TermsVersion
from schedules.due.models import Obligation
from servicedesk.access import Act
from servicedesk.desk.fields import day_field
from servicedesk.pages import PageView, paged, place_errors, read_uuid

SOON_DAYS = 90
SHOWN_VERSIONS = 20


# --- showing terms ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TermLine:
    """One term as a page shows it."""

    term: Term
    text: str
    is_agreed: bool
    is_own: bool


def grouped(agreed: Agreed, *, for_owner: bool = False) -> list[tuple[str, list[TermLine]]]:
    """All terms by group, in reading order."""
    lines = [
        TermLine(term, text, agreed.get(term.code) is not None, is_own)
        for term, text, is_own in agreed.lines(for_owner=for_owner)
    ]
    return [
        (group, found) for group in GROUPS if (found := [line for line in lines if line.term.group == group])
    ]


def changes(before: Mapping[str, Any], after: Mapping[str, Any], *, absent: str) -> list[str]:
    """What differs between two versions, a line each."""

    def told(term: Term, values: Mapping[str, Any]) -> str:
        return say(term, values[term.code]) if term.code in values else absent

    return [
        f"{term.label}: {told(term, before)} → {told(term, after)}"
        for term in TERMS
        if before.get(term.code, absent) != after.get(term.code, absent)
    ]


def history(versions: list[TermsVersion], *, absent: str) -> list[dict[str, Any]]:
    """Versions, the one written last first, each with what it changed."""
    by_number = sorted(versions, key=lambda row: row.number)
    told = []
    before: Mapping[str, Any] = {}
    for row in by_number:
        told.append({"version": row, "changes": changes(before, row.values, absent=absent)})
        before = row.values
    return told[::-1]


def terms_brief(site: Site, now: datetime) -> dict[str, Any]:
    """What the page of a site says about its terms."""
    agreed = agreed_for([site], now)[site.pk]
    return {
        "open": sum(term.code not in agreed.values for term in TERMS if not term.is_internal),
        "contract": agreed.get("contract_number"),
        "ends_on": agreed.day("ends_on"),
        "waiting": [TASK_LABELS[code] for code in TASK_LABELS if code in waiting_tasks(agreed)],
    }


def mark_waiting(rows: Sequence[Obligation], now: datetime) -> None:
    """Say of each obligation whether its task must be called off first: ``awaits_call_off``.

    At most two queries for all of them.
    """
    sites = {row.site.pk: row.site for row in rows if row.site is not None}
    agreed = agreed_for(list(sites.values()), now)
    for row in rows:
        found = agreed.get(row.site_id or 0)
        row.awaits_call_off = found is not None and found.awaits_call_off(row.task)  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class Holder:
    """Whose terms a page is about."""

    owner: Owner
    site: Site | None

    @property
    def name(self) -> str:
        return self.site.name if self.site else self.owner.name

    @property
    def absent(self) -> str:
        return "as with the owner" if self.site else NOT_AGREED

    def address(self, page: str) -> str:
        """The address of the page ``terms`` or ``terms-edit``."""
        if self.site is not None:
            return reverse(f"desk:site-{page}", args=[self.site.public_id])
        return reverse(f"desk:owner-{page}", args=[self.owner.public_id])


class HolderView(PageView):
    """Base of pages about the terms of an owner or a site."""

    def holder(self, kind: str, public_id: UUID) -> Holder:
        """Owner and site of the address, or 404."""
        if kind == "site":
            site = self.found(Site.objects.visible_to(self.scope).select_related("owner"), public_id)
            return Holder(site.owner, site)
        return Holder(self.found(Owner.objects.visible_to(self.scope), public_id), None)

    def crumbs(self, holder: Holder, *, with_page: bool = False) -> list[dict[str, str]]:
        """The way back."""
        found = [{"label": "Contracts", "url": reverse("desk:terms")}]
        if holder.site is not None:
            found.append({"label": holder.owner.name, "url": Holder(holder.owner, None).address("terms")})
        if with_page:
            found.append({"label": holder.name, "url": holder.address("terms")})
        return found


class CallOffForm(forms.Form):
    """A task that the owner orders for a site."""

    task = forms.ChoiceField(label="Task")
    from_on = day_field("From")
    until_on = day_field("Until")
    ordered_by = forms.CharField(label="Ordered by", max_length=120, help_text="Who of the owner, and how.")
    reference = forms.CharField(label="Order number", required=False, max_length=60)

    def __init__(self, *args: Any, waiting: list[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        first = [(code, f"{label} (waits)") for code, label in TASK_LABELS.items() if code in waiting]
        rest = [(code, label) for code, label in TASK_LABELS.items() if code not in waiting]
        self.fields["task"].choices = [*first, *rest]  # type: ignore[attr-defined]
        for name in ("from_on", "until_on"):
            self.fields[name].required = True


class TermsOfView(HolderView):
    """The terms of an owner, or of one site with those of the owner behind them."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, kind: str, public_id: UUID) -> HttpResponse:
        """Show what is agreed, what is open, and every version."""
        return self.show(self.holder(kind, public_id))

    def post(self, request: HttpRequest, kind: str, public_id: UUID) -> HttpResponse:
        """Keep that a task was called off, or that it no longer stands."""
        self.demand(Act.PLAN_VISITS)
        holder = self.holder(kind, public_id)
        if holder.site is None:
            raise Http404
        if self.pressed("take-back", "") == "take-back":
            row = self.found(CallOff.objects.filter(site=holder.site), read_uuid(request.POST.get("row", "")))
            try:
                take_back_call_off(row, request.POST.get("reason", ""), now=self.now)
            except ValidationError as problem:
                self.refused(problem)
            else:
                self.told("Taken back. No new trip is planned for it.")
            return redirect(holder.address("terms"))
        form = CallOffForm(request.POST, waiting=[])
        if form.is_valid():
            try:
                call_off(holder.site, **form.cleaned_data, by=self.person, now=self.now)
            except ValidationError as problem:
                place_errors(form, problem)
            else:
                self.told("Called off. The next trips take it in.")
                return redirect(holder.address("terms"))
        return self.show(holder, form, status=400)

    def show(self, holder: Holder, form: CallOffForm | None = None, status: int = 200) -> HttpResponse:
        """The page."""
        owner, site = holder.owner, holder.site
        book = TermsBook([owner.pk])
        today = self.today_in(site.time_zone) if site else self.now.date()
        held = book.version(owner.pk, site.pk if site else None, today)
        if site is not None:
            agreed = book.at(owner.pk, site.pk, today)
        else:
            agreed = Agreed(held.values if held else {})
        versions = book.versions(owner.pk, site.pk if site else None)
        told = history(versions, absent=holder.absent)
        orders = list(site.call_offs.select_related("made_by")[:20]) if site else []
        own = []
        if site is None:
            rows = (
                Site.objects.filter(owner=owner)
                .order_by("name", "pk")
                .annotate(has_terms=Exists(TermsVersion.objects.filter(site=OuterRef("pk"), owner=owner)))
            )
            own = list(rows[:100])
        today_month_end = today + timedelta(days=92)
        context = {
            "crumbs": self.crumbs(holder),
            "holder": holder,
            "owner": owner,
            "site": site,
            "groups": grouped(agreed),
            "open_count": sum(term.code not in agreed.values for term in TERMS if not term.is_internal),
            "version": held,
            "coming": [row for row in versions if row.from_on > today],
            "history": told[:SHOWN_VERSIONS],
            "more_versions": max(len(told) - SHOWN_VERSIONS, 0),
            "waiting": [TASK_LABELS[code] for code in TASK_LABELS if code in waiting_tasks(agreed)],
            "orders": [
                {"row": row, "is_live": row.withdrawn_at is None and row.until_on >= today} for row in orders
            ],
            "form": form
            or CallOffForm(
                initial={"from_on": today, "until_on": today_month_end}, waiting=waiting_tasks(agreed)
            ),
            "own_sites": own,
            "marks": list(
                ContractMark.objects.filter(version__owner=owner, version__site=site)
                .select_related("version")
                .order_by("-pk")[:10]
            ),
            "edit_url": holder.address("terms-edit"),
            "may_set": self.may(Act.SET_TERMS),
            "may_call_off": self.may(Act.PLAN_VISITS),
            "today": today,
        }
        return self.page("desk/terms_of.html", context, status=status)


# --- changing them ------------------------------------------------------------------------------------

CURRENCY = "_currency"
NOT_HERE = "not_here"
"""The field of a site that names terms that are not agreed there, whatever its owner has agreed."""


def _field(term: Term, absent: str) -> forms.Field:
    given: dict[str, Any] = {"label": term.label, "required": False, "help_text": term.help}
    match term.sort:
        case Sort.LONG:
            return forms.CharField(max_length=term.most, widget=forms.Textarea(attrs={"rows": 3}), **given)
        case Sort.WHOLE:
            given["label"] = f"{term.label}, {term.unit}"
            return forms.IntegerField(min_value=term.least, max_value=term.most, **given)
        case Sort.DAY:
            field = day_field(term.label)
            field.help_text = term.help
            return field
        case Sort.YES_NO:
            return forms.ChoiceField(choices=[("", absent), ("yes", "yes"), ("no", "no")], **given)
        case Sort.ONE_OF:
            return forms.ChoiceField(choices=[("", absent), *term.choices], **given)
        case Sort.SOME_OF:
            return forms.MultipleChoiceField(
                choices=term.choices, widget=forms.CheckboxSelectMultiple, **given
            )
        case Sort.MONEY:
            return forms.DecimalField(min_value=0, max_digits=12, decimal_places=2, **given)
        case _:
            return forms.CharField(max_length=term.most, **given)


class TermsForm(forms.Form):
    """All terms of an owner or site; an empty field is not agreed, or as with the owner."""

    def __init__(self, *args: Any, absent: str, of_owner: Iterable[str] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for term in TERMS:
            self.fields[term.code] = _field(term, absent)
            if term.sort is Sort.MONEY:
                self.fields[term.code + CURRENCY] = forms.CharField(
                    label=f"Currency of the {term.label.lower()}",
                    required=False,
                    max_length=3,
                    help_text="ISO 4217, for instance EUR.",
                )
        self.fields["from_on"] = day_field("Holds from")
        self.fields["from_on"].required = True
        self.fields["from_on"].help_text = "Earlier versions stay readable for the days before."
        self.fields["reason"] = forms.CharField(label="Why they change", max_length=200)
        self.fields["seen"] = forms.IntegerField(widget=forms.HiddenInput, min_value=0)
        if of_owner:
            self.fields[NOT_HERE] = forms.MultipleChoiceField(
                label="Not agreed here, although with the owner",
                required=False,
                choices=[(code, TERM[code].label) for code in TERM if code in set(of_owner)],
                widget=forms.CheckboxSelectMultiple,
            )

    def clean(self) -> dict[str, Any]:
        """A term has a value or is not agreed here, not both."""
        given: dict[str, Any] = super().clean() or self.cleaned_data
        for code in given.get(NOT_HERE, ()):
            if given.get(code) not in (None, "", []):
                self.add_error(code, "Ticked below as not agreed here. Empty the field, or untick it.")
        return given

    def sections(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields by group."""
        found = []
        for group in GROUPS:
            fields = []
            for term in (term for term in TERMS if term.group == group):
                fields.append(self[term.code])
                if term.code + CURRENCY in self.fields:
                    fields.append(self[term.code + CURRENCY])
            found.append((group, fields))
        return found

    def given(self) -> dict[str, Any]:
        """The terms that were filled in."""
        found: dict[str, Any] = {}
        for term in TERMS:
            value = self.cleaned_data.get(term.code)
            if value in (None, "", []):
                continue
            if term.sort is Sort.MONEY:
                value = {"amount": str(value), "currency": self.cleaned_data.get(term.code + CURRENCY)}
            found[term.code] = value
        return found | dict.fromkeys(self.cleaned_data.get(NOT_HERE, ()))


def first_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """What the fields of the form show at first."""
    first: dict[str, Any] = {}
    for code, value in values.items():
        term = TERM.get(code)
        if term is None:
            continue
        if value is None:
            first.setdefault(NOT_HERE, []).append(code)
        elif term.sort is Sort.MONEY:
            first[code], first[code + CURRENCY] = value["amount"], value["currency"]
        elif term.sort is Sort.YES_NO:
            first[code] = "yes" if value else "no"
        else:
            first[code] = value
    return first


class TermsEditView(HolderView):
    """Writing a new version of the terms of an owner or a site."""

    acts = (Act.SET_TERMS,)

    def get(self, request: HttpRequest, kind: str, public_id: UUID) -> HttpResponse:
        """Show the newest version to be changed."""
        holder = self.holder(kind, public_id)
        newest = self.newest(holder)
        today = self.today_in(holder.site.time_zone) if holder.site else self.now.date()
        first = first_values(newest.values) if newest else {}
        first |= {"from_on": today, "seen": newest.number if newest else 0}
        return self.show(holder, self.form(holder, initial=first))

    def post(self, request: HttpRequest, kind: str, public_id: UUID) -> HttpResponse:
        """Keep it."""
        holder = self.holder(kind, public_id)
        form = self.form(holder, request.POST)
        if not form.is_valid():
            return self.show(holder, form, status=400)
        given = form.cleaned_data
        try:
            row = agree(
                holder.owner,
                holder.site,
                form.given(),
                from_on=given["from_on"],
                reason=given["reason"],
                seen=given["seen"],
                by=self.person,
                now=self.now,
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(holder, form, status=400)
        except Conflict as problem:
            self.refused(problem)
            return redirect(holder.address("terms-edit"))
        self.told(f"Kept as version {row.number}, from {row.from_on:%-d %b %Y}.")
        return redirect(holder.address("terms"))

    def form(self, holder: Holder, data: Any = None, initial: Mapping[str, Any] | None = None) -> TermsForm:
        """All terms; of a site also which of its owner's are not agreed there."""
        of_owner: set[str] = set()
        if holder.site is not None:
            book = TermsBook([holder.owner.pk])
            common = book.newest(holder.owner.pk, None)
            own = book.newest(holder.owner.pk, holder.site.pk)
            of_owner |= set(common.values) if common is not None else set()
            of_owner |= {c for c, value in own.values.items() if value is None} if own is not None else set()
        return TermsForm(data, initial=initial, absent=self.absent(holder), of_owner=of_owner)

    def newest(self, holder: Holder) -> TermsVersion | None:
        """The version written last."""
        return TermsBook([holder.owner.pk]).newest(holder.owner.pk, holder.site.pk if holder.site else None)

    def absent(self, holder: Holder) -> str:
        """What an empty choice says."""
        return holder.absent.capitalize()

    def show(self, holder: Holder, form: TermsForm, status: int = 200) -> HttpResponse:
        """The page."""
        context = {
            "crumbs": self.crumbs(holder, with_page=True),
            "holder": holder,
            "form": form,
            "sections": form.sections(),
            "usual_tolerance": catalogue.USUAL_TOLERANCE_DAYS,
        }
        return self.page("desk/terms_edit.html", context, status=status)


# --- the list of contracts ----------------------------------------------------------------------------

STATES = (
    ("", "All in force"),
    ("soon", f"Ending within {SOON_DAYS} days"),
    ("past", "Past their end"),
    ("endless", "Without an end"),
    ("none", "Owners without terms"),
)


class ContractFilterForm(forms.Form):
    """What the list is narrowed to."""

    q = forms.CharField(
        label="Owner, site or contract number",
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    state = forms.ChoiceField(label="Contract", required=False, choices=STATES)


class ContractsView(PageView):
    """The terms in force of every owner and of sites that have their own."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of them."""
        form = ContractFilterForm(request.GET)
        is_valid = form.is_valid()
        given = form.cleaned_data if is_valid else {"q": "", "state": ""}
        today = self.now.date()
        without = Owner.objects.visible_to(self.scope).filter(
            ~Exists(TermsVersion.objects.filter(owner=OuterRef("pk")))
        )
        context: dict[str, Any] = {
            "form": form,
            "is_filtered": bool(given["q"] or given["state"]),
            "may_set": self.may(Act.SET_TERMS),
        }
        if given["state"] == "none":
            found = without.filter(words_condition(given["q"], "name")).order_by("name", "pk")
            owners = paged(request, found)
            context |= {"owners": list(owners.object_list), "page_obj": owners}
            return self.page("desk/terms.html", context)
        rows = contracts(self.scope, today).filter(
            words_condition(given["q"], "owner__name", "site__name", "site__code", "contract_number")
        )
        if given["state"] == "soon":
            rows = rows.filter(ends_on__gte=today, ends_on__lte=today + timedelta(days=SOON_DAYS))
        elif given["state"] == "past":
            rows = rows.filter(ends_on__lt=today)
        elif given["state"] == "endless":
            rows = rows.filter(ends_on__isnull=True).filter(Q(site__isnull=True) | ~Q(contract_number=""))
        page = paged(
            request,
            rows.order_by("owner__name", F("site__name").asc(nulls_first=True), "pk")
            if is_valid
            else TermsVersion.objects.none(),
        )
        context |= {
            "lines": [contract_line(row, today) for row in page.object_list],
            "page_obj": page,
            "without_count": without.count(),
        }
        return self.page("desk/terms.html", context, status=200 if is_valid else 400)


def contract_line(row: Any, today: Any) -> dict[str, Any]:
    """One contract as the list shows it."""
    renews = row.values.get("renews_itself")
    tone, word = "ok", "Runs"
    if row.closed == ContractMark.Kind.ENDED:
        tone, word = "away", "Ended"
    elif row.closed == ContractMark.Kind.RENEWED:
        tone, word = "ok", "Renewed"
    elif row.ends_on is None:
        tone, word = "unknown", "No end agreed"
        if row.site is not None and not row.contract_number:
            tone, word = "none", "As with the owner"
    elif row.ends_on < today:
        tone, word = ("soon", "Renews by itself") if renews else ("overdue", "Past its end")
    elif row.ends_on <= today + timedelta(days=SOON_DAYS):
        tone, word = "soon", "Ends soon"
    elif row.begins_on and row.begins_on > today:
        tone, word = "none", "Not begun"
    return {
        "row": row,
        "url": Holder(row.owner, row.site).address("terms"),
        "name": Holder(row.owner, row.site).name,
        "tone": tone,
        "word": word,
        "renews": say(TERM["renews_itself"], renews),
        "basis": say(TERM["price_basis"], row.values.get("price_basis")),
        "open": sum(term.code not in row.values for term in TERMS if not term.is_internal),
        "agreed": len([code for code in row.values if code in TERM]),
    }
