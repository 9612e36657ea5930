"""Changing the rulebook: adopt, vary and withdraw, each with its consequences shown before it is done."""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode

from inventory.measures.kinds import TASK_LABELS
from inventory.register.models import Owner, Site
from inventory.register.queries import owners_for, sites_for
from schedules.due.inmemory import units_at
from schedules.due.preview import CHANGE_LABELS, moves, preview
from schedules.due.services import refresh_units
from schedules.rulebook.books import Standing, standing, varied_rule
from schedules.rulebook.compare import FIELD_WORDS, said
from schedules.rulebook.models import Adoption, Variation
from schedules.rulebook.queries import all_table_states, table_version
from schedules.rulebook.services import (
    adopt_table,
    proposed_variation,
    vary_rule,
    withdraw_adoption,
    withdraw_variation,
)
from schedules.rules import IntervalTable, Rule
from servicedesk.access import Act
from servicedesk.desk.fields import pick_field
from servicedesk.desk.kind_words import kind_words
from servicedesk.desk.periods import period_text
from servicedesk.desk.tables_shown import TableBook
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import STANDING_LINE, PageView, place_errors

FIRM, OWNER, SITE = "firm", "owner", "site"

SHOWN_SITES = 30
SHOWN_MOVES = 50

HEADINGS = (
    "unit",
    "owner",
    "site_code",
    "site",
    "task",
    "change",
    "latest_now",
    "latest_then",
    "newly_overdue",
    "table_now",
    "table_then",
    "table_confirmation",
    "judged_on",
    "note",
)


@dataclass(frozen=True, slots=True)
class Proposal:
    """A change that has not been made: in words, as the rulebook would then stand, and where."""

    words: str
    proposed: Standing
    sites: QuerySet[Site]
    tables: tuple[IntervalTable, ...]


class ChangeView(PageView):
    """Base of the pages that change the rulebook: ask, show what would move, do it when confirmed."""

    acts = (Act.CONFIRM_TABLES,)
    title = ""
    button = ""
    is_removal = False

    @abstractmethod
    def form(self, data: Any = None) -> forms.Form:
        """The form of the change, bound to ``data`` when given."""

    @abstractmethod
    def proposal(self, given: Mapping[str, Any]) -> Proposal:
        """The change that a valid form asks for; raises ``ValidationError`` when it cannot be."""

    @abstractmethod
    def make(self, given: Mapping[str, Any]) -> str:
        """Make the change, and return what was done in a sentence."""

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show the form, or with ``look`` what it would do, as a page or as a file."""
        if "look" not in request.GET:
            return self.show(self.form())
        form = self.form(request.GET)
        if not form.is_valid():
            return self.show(form, status=400)
        try:
            proposal = self.proposal(form.cleaned_data)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(form, status=400)
        if request.GET.get("as") == "csv":
            return self.file(proposal)
        return self.show(form, proposal)

    def post(self, request: HttpRequest) -> HttpResponse:
        """Make the change and move the dates with it, in one transaction."""
        form = self.form(request.POST)
        if form.is_valid():
            try:
                with transaction.atomic():
                    ids = list(self.proposal(form.cleaned_data).sites.values_list("pk", flat=True))
                    sentence = self.make(form.cleaned_data)
                    refresh_units(units_at(ids), now=self.now)
            except ValidationError as problem:
                place_errors(form, problem)
            except IntegrityError:
                form.add_error(None, "Somebody changed this a moment ago. Look again before you confirm.")
            else:
                self.told(f"{sentence} The dates were worked out again.")
                return redirect("desk:table-history")
        return self.show(form, status=400)

    def show(self, form: forms.Form, proposal: Proposal | None = None, status: int = 200) -> HttpResponse:
        """The page."""
        context: dict[str, Any] = {
            "crumbs": [{"label": "Tables", "url": reverse("desk:tables")}],
            "title": self.title,
            "button": self.button,
            "is_removal": self.is_removal,
            "form": form,
            "proposal": proposal,
            "subject": self.subject(form),
        }
        if proposal is not None:
            context |= self.consequences(proposal)
        return self.page("desk/change.html", context, status=status)

    def subject(self, form: forms.Form) -> dict[str, Any]:
        """What the page says of the thing that is changed, above the form."""
        return {}

    def consequences(self, proposal: Proposal) -> dict[str, Any]:
        """What would move, the sites with most newly overdue work first."""
        found = preview(
            standing(), proposal.proposed, proposal.sites.values_list("pk", flat=True), at=self.now
        )
        sites = Site.objects.in_bulk([count.site_id for count in found.sites[:SHOWN_SITES]])
        in_moves = Site.objects.in_bulk({move.site_id for move in found.sample[:SHOWN_MOVES]})
        query = [(name, value) for name, value in self.request.GET.lists() if name != "as"]
        tables = {(t.key, t.version) for t in proposal.tables}
        return {
            "found": found,
            "lines": [{"site": sites[c.site_id], "count": c} for c in found.sites[:SHOWN_SITES]],
            "more_sites": max(len(found.sites) - SHOWN_SITES, 0),
            "gaps": [
                {
                    "table": gap.table,
                    "task": TASK_LABELS[gap.task].lower(),
                    "kind": gap.kind,
                    "units": gap.units,
                }
                for gap in found.gaps
            ],
            "moves": [
                {
                    "move": move,
                    "site": in_moves[move.site_id],
                    "task": TASK_LABELS[move.task],
                    "change": CHANGE_LABELS[move.change],
                }
                for move in found.sample[:SHOWN_MOVES]
            ],
            "more_moves": max(found.total.counts.total() - SHOWN_MOVES, 0),
            "export_query": urlencode([*query, ("as", "csv")], doseq=True),
            "confirm": TableBook(may_confirm=True).notice(tables),
        }

    def file(self, proposal: Proposal) -> StreamingHttpResponse:
        """Every move as a CSV file."""
        response = StreamingHttpResponse(
            csv_lines(HEADINGS, self.cells(proposal)), content_type="text/csv; charset=utf-8"
        )
        response["Content-Disposition"] = (
            f'attachment; filename="dates-that-would-move-{self.today_in("UTC"):%Y-%m-%d}.csv"'
        )
        return response

    def cells(self, proposal: Proposal) -> Iterator[tuple[Any, ...]]:
        """The cells of each move."""
        book = TableBook()
        sites = {site.pk: site for site in proposal.sites.select_related("owner")}
        for move in moves(standing(), proposal.proposed, list(sites), at=self.now):
            site = sites[move.site_id]
            now_by, then_by = (
                book.get(table.key, table.version) if table else None
                for table in (move.old_table, move.new_table)
            )
            shown = then_by or now_by
            yield (
                move.unit,
                site.owner.name,
                site.code,
                site.name,
                TASK_LABELS[move.task],
                CHANGE_LABELS[move.change],
                move.old_on,
                move.new_on,
                "yes" if move.is_newly_overdue else "no",
                f"{now_by.title} {now_by.version}" if now_by else "",
                f"{then_by.title} {then_by.version}" if then_by else "",
                shown.sentence if shown else "",
                self.today_in(site.time_zone),
                STANDING_LINE,
            )

    def sites_of(self, site: Site | None, owner: Owner | None) -> QuerySet[Site]:
        """The sites that a level reaches."""
        rows = Site.objects.visible_to(self.scope).order_by("pk")
        if site is not None:
            return rows.filter(pk=site.pk)
        return rows.filter(owner=owner) if owner is not None else rows


def whose(site: Site | None, owner: Owner | None) -> str:
    """A level in words."""
    return site.name if site else f"all sites of {owner.name}" if owner else "all sites of the firm"


# --- for whom --------------------------------------------------------------------------------------


class LevelForm(forms.Form):
    """For whom a change of the rulebook counts."""

    level = forms.ChoiceField(
        label="For",
        choices=[(SITE, "One site"), (OWNER, "All sites of one owner"), (FIRM, "All sites of the firm")],
        initial=SITE,
    )
    site = forms.Field(required=False)
    owner = forms.Field(required=False)

    def __init__(self, *args: Any, view: PageView, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"] = pick_field(
            sites_for(view.scope).select_related(None), label="Site", empty_label="Choose a site"
        )
        self.fields["owner"] = pick_field(
            owners_for(view.scope), label="Owner", empty_label="Choose an owner"
        )

    def clean(self) -> dict[str, Any]:
        """The place that the level asks for, and no other."""
        given = super().clean() or {}
        level = given.get("level")
        if level == SITE and not given.get("site") and "site" not in self.errors:
            self.add_error("site", "Choose the site that it is for.")
        if level == OWNER and not given.get("owner") and "owner" not in self.errors:
            self.add_error("owner", "Choose the owner whose sites it is for.")
        given["at_site"] = given.get("site") if level == SITE else None
        given["at_owner"] = given.get("owner") if level == OWNER else None
        return given


# --- adopting --------------------------------------------------------------------------------------


class AdoptForm(LevelForm):
    """Which table is to apply where."""

    table = forms.ChoiceField(label="Interval table")
    is_pinned = forms.BooleanField(
        label="Stay with this edition",
        required=False,
        help_text="Otherwise the edition in force on the day in question counts.",
    )
    reason = forms.CharField(label="Why", max_length=300, required=False)
    field_order = ("table", "level", "site", "owner", "is_pinned", "reason")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["table"].choices = table_choices()  # type: ignore[attr-defined]


def table_choices() -> list[tuple[str, str]]:
    """Every shipped table as a choice, with its state of confirmation."""
    return [
        (
            f"{state.table.key}@{state.table.version}",
            f"{state.table.title}, {state.table.edition or state.table.version}"
            + ("" if state.is_confirmed else " (unconfirmed)"),
        )
        for state in all_table_states()
    ]


def chosen_table(name: str) -> IntervalTable:
    """The table that a choice names."""
    key, _, version = name.partition("@")
    found = table_version(key, version)
    if found is None:
        raise Http404
    return found


class AdoptView(ChangeView):
    """Adopt a table for a site, an owner or the whole firm."""

    title = "Adopt a table"
    button = "Adopt it"

    def form(self, data: Any = None) -> AdoptForm:
        """The form, with the table that the address names chosen."""
        return AdoptForm(data, view=self, initial={"table": self.request.GET.get("table", "")})

    def proposal(self, given: Mapping[str, Any]) -> Proposal:
        """The table beside what applies already."""
        table = chosen_table(given["table"])
        site, owner = given["at_site"], given["at_owner"]
        proposed = standing().with_table(
            table.key,
            table.version if given["is_pinned"] else "",
            site_id=site.pk if site else None,
            owner_id=owner.pk if owner else None,
        )
        words = f"{table.title} adopted for {whose(site, owner)}"
        return Proposal(words, proposed, self.sites_of(site, owner), (table,))

    def make(self, given: Mapping[str, Any]) -> str:
        """Adopt it."""
        table = chosen_table(given["table"])
        adopt_table(
            table.key,
            at=self.now,
            by=self.person,
            site=given["at_site"],
            owner=given["at_owner"],
            version=table.version if given["is_pinned"] else "",
            reason=given["reason"],
        )
        return f"{table.title} is adopted for {whose(given['at_site'], given['at_owner'])}."


# --- varying ---------------------------------------------------------------------------------------

# Fields of a rule that are lengths of time and may be varied on the page.
PERIODS = ("every", "first", "due_within", "at_ages")


class VaryForm(LevelForm):
    """What is different in one rule, where, and on whose word."""

    table = forms.CharField(widget=forms.HiddenInput)
    rule = forms.CharField(widget=forms.HiddenInput)
    is_pinned = forms.BooleanField(
        label="For this edition only",
        required=False,
        help_text="Otherwise for every edition that has this rule.",
    )
    off = forms.BooleanField(label="The rule does not apply here", required=False)
    reason = forms.CharField(
        label="Why", max_length=300, error_messages={"required": "Give the reason for the variation."}
    )
    reference = forms.CharField(
        label="What the local authority wrote",
        max_length=300,
        help_text="For instance: letter FM-17 of the fire marshal, 2 March 2026.",
        error_messages={"required": "Name what the local authority wrote, and its date."},
    )

    def __init__(self, *args: Any, raw: Mapping[str, Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.raw = raw
        for name in PERIODS:
            if name in raw:
                self.fields[name] = forms.CharField(
                    label=FIELD_WORDS[name],
                    required=False,
                    max_length=80,
                    initial=said(raw[name]),
                    help_text=f"Printed: {said(raw[name])}. Write 6 months, 30 days or 2 years.",
                )
        self.order_fields(("table", "rule", *PERIODS, "off", "level", "site", "owner", "is_pinned"))

    def clean(self) -> dict[str, Any]:
        """The changes as the rulebook takes them."""
        given = super().clean() or {}
        changes: dict[str, Any] = {}
        for name in PERIODS:
            text = given.get(name, "")
            if name not in self.fields or not text:
                continue
            try:
                found = [period_text(part) for part in _BETWEEN.split(text)]
            except ValueError as problem:
                self.add_error(name, str(problem))
                continue
            if name != "at_ages" and len(found) > 1:
                self.add_error(name, "Write one length of time.")
                continue
            value = found if name == "at_ages" else found[0]
            # "12 months" for a printed year is the same length of time and no change.
            if said(value) != said(self.raw[name]):
                changes[name] = value
        if given.get("off"):
            changes = {"off": True}
        given["changes"] = changes
        return given


# A comma between two digits belongs to a number: what was typed is refused as it was typed.
_BETWEEN = re.compile(r"(?<!\d),|,(?!\d)")


class VaryView(ChangeView):
    """Vary one rule of a table for a site, an owner or the whole firm."""

    title = "Vary a rule"
    button = "Vary it"

    def form(self, data: Any = None) -> VaryForm:
        """The form of the rule that the address or the answer names."""
        names = data if data is not None else self.request.GET
        table, rule = self.rule(names)
        raw = next(part for part in table.raw["rule"] if part["id"] == rule.id)
        initial = {"table": f"{table.key}@{table.version}", "rule": rule.id}
        return VaryForm(data, view=self, raw=raw, initial=initial)

    def rule(self, names: Any) -> tuple[IntervalTable, Rule]:
        """The shipped rule; a 404 when there is none."""
        table = chosen_table(names.get("table", ""))
        try:
            return table, table.rule(names.get("rule", ""))
        except KeyError:
            raise Http404 from None

    def subject(self, form: forms.Form) -> dict[str, Any]:
        """The rule as printed."""
        table, rule = self.rule(form.data if form.is_bound else self.request.GET)
        return {
            "table": table,
            "rule": rule,
            "kinds": kind_words(rule.select),
            "task": TASK_LABELS[rule.task],
        }

    def arguments(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """What the service is asked for."""
        table, _ = self.rule(given)
        return {
            "key": table.key,
            "rule_id": given["rule"],
            "changes": given["changes"],
            "by": self.person,
            "at": self.now,
            "reason": given["reason"],
            "reference": given["reference"],
            "version": table.version if given["is_pinned"] else "",
            "site": given["at_site"],
            "owner": given["at_owner"],
        }

    def proposal(self, given: Mapping[str, Any]) -> Proposal:
        """The variation, checked and not stored."""
        table, rule = self.rule(given)
        row = proposed_variation(**self.arguments(given))
        changed = (
            "does not apply" if "off" in given["changes"] else ", ".join(_changed_words(given["changes"]))
        )
        called = rule.called or TASK_LABELS[rule.task]
        words = f"{called}, {rule.clause}: {changed}, for {whose(row.site, row.owner)}"
        return Proposal(
            words,
            standing().with_variation(varied_rule(row)),
            self.sites_of(row.site, row.owner),
            (table,),
        )

    def make(self, given: Mapping[str, Any]) -> str:
        """Vary it."""
        table, rule = self.rule(given)
        row = vary_rule(**self.arguments(given))
        called = rule.called or TASK_LABELS[rule.task]
        return f"{called} of {table.title} is varied for {whose(row.site, row.owner)}."


def _changed_words(changes: Mapping[str, Any]) -> list[str]:
    return [f"{FIELD_WORDS[name].lower()} {said(value)}" for name, value in changes.items()]


# --- withdrawing -----------------------------------------------------------------------------------


class WithdrawForm(forms.Form):
    """What no longer counts, and why."""

    what = forms.CharField(widget=forms.HiddenInput)
    reason = forms.CharField(
        label="Why", max_length=300, error_messages={"required": "Say why it is withdrawn."}
    )


class WithdrawView(ChangeView):
    """Withdraw an adoption or a variation."""

    title = "Withdraw"
    button = "Withdraw it"
    is_removal = True

    def form(self, data: Any = None) -> WithdrawForm:
        """The form for the row that the address names."""
        return WithdrawForm(data, initial={"what": self.request.GET.get("what", "")})

    def row(self, what: str) -> Adoption | Variation:
        """The standing row; a 404 when there is none."""
        kind, _, number = what.partition("-")
        rows: Any = {"adoption": Adoption, "variation": Variation}.get(kind)
        if rows is None or not number.isdecimal() or len(number) > 18:
            raise Http404
        found = rows.objects.standing().select_related("site", "owner").filter(pk=int(number)).first()
        if found is None:
            raise Http404
        row: Adoption | Variation = found
        return row

    def subject(self, form: forms.Form) -> dict[str, Any]:
        """What stands now."""
        row = self.row((form.data if form.is_bound else self.request.GET).get("what", ""))
        return {"standing": row, "words": self.words(row)}

    def words(self, row: Adoption | Variation) -> str:
        """The row in words."""
        title = TableBook().get(row.table_key, row.table_version or _any_version(row.table_key)).title
        place = whose(row.site, row.owner)
        if isinstance(row, Variation):
            return f"the variation of rule {row.rule_id} of {title} for {place}"
        return f"{title} for {place}"

    def proposal(self, given: Mapping[str, Any]) -> Proposal:
        """The rulebook without it."""
        row = self.row(given["what"])
        now = standing()
        proposed = now.without_variation(row.pk) if isinstance(row, Variation) else now.without_table(row.pk)
        table = table_version(row.table_key, row.table_version or _any_version(row.table_key))
        return Proposal(
            f"Without {self.words(row)}",
            proposed,
            self.sites_of(row.site, row.owner),
            (table,) if table else (),
        )

    def make(self, given: Mapping[str, Any]) -> str:
        """Withdraw it."""
        row = self.row(given["what"])
        if isinstance(row, Variation):
            moved = withdraw_variation(row.pk, by=self.person, reason=given["reason"], at=self.now)
        else:
            moved = withdraw_adoption(row.pk, by=self.person, at=self.now)
        if not moved:
            raise ValidationError("Somebody withdrew it a moment ago. Nothing was changed.")
        words = self.words(row)
        return f"{words[:1].upper()}{words[1:]} no longer counts."


def _any_version(key: str) -> str:
    return next((s.table.version for s in all_table_states() if s.table.key == key), "")
