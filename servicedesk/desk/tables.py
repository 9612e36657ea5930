"""The rulebook: shipped tables as a practitioner reads them, who confirmed them, and who uses them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from django import forms
from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.measures.kinds import TASK_LABELS
from inventory.register.models import Owner, Site
from inventory.register.queries import owners_for, sites_for
from schedules.due.services import Consequence, consequences
from schedules.rulebook.models import Adoption, Confirmation
from schedules.rulebook.queries import (
    TableState,
    adoption_counts,
    adoptions_of,
    all_table_states,
    table_state,
    table_version,
)
from schedules.rulebook.services import adopt_table, confirm_table, withdraw_adoption, withdraw_confirmation
from schedules.rules import STATUS_WORDS, IntervalTable, Quota, Rule, SourceStatus, load_tables
from servicedesk.access import Act
from servicedesk.desk.fields import PickField
from servicedesk.desk.kind_words import kind_words
from servicedesk.pages import PageView, place_errors

SHOWN_SITES = 30
SOURCE_TONES = {SourceStatus.PRIMARY: "ok", SourceStatus.SECONDARY: "soon", SourceStatus.MEMORY: "unknown"}
SOURCE_SHORT = {
    SourceStatus.PRIMARY: "Document read",
    SourceStatus.SECONDARY: "At second hand",
    SourceStatus.MEMORY: "From memory",
}


class TablesView(PageView):
    """The list of shipped tables."""

    acts = (Act.SEE_RULEBOOK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show all of them, those in use first."""
        used = adoption_counts() if self.may(Act.SEE_DESK) else {}
        lines = [
            {
                "state": state,
                "url": reverse("desk:table", args=[state.table.key, state.table.version]),
                "adoptions": used.get(state.table.key, 0),
                "sources": source_counts(state.table),
                "is_over": state.table.valid_until is not None
                and state.table.valid_until < self.today_in("UTC"),
            }
            for state in all_table_states()
        ]
        in_use = [line for line in lines if line["adoptions"]]
        context = {
            "groups": [
                ("In use", in_use),
                (
                    "Shipped, not in use" if in_use else "Shipped",
                    [line for line in lines if not line["adoptions"]],
                ),
            ],
            "unconfirmed": sum(not line["state"].is_confirmed for line in in_use),  # type: ignore[attr-defined]
            "may_desk": self.may(Act.SEE_DESK),
            "may_confirm": self.may(Act.CONFIRM_TABLES),
        }
        return self.page("desk/tables.html", context)


def source_counts(table: IntervalTable) -> list[dict[str, Any]]:
    """How many rules of ``table`` were read how."""
    found = []
    for status in SourceStatus:
        number = sum(rule.source_status is status for rule in table.rules)
        if number:
            found.append(
                {
                    "word": SOURCE_SHORT[status],
                    "words": STATUS_WORDS[status],
                    "count": number,
                    "tone": SOURCE_TONES[status],
                }
            )
    return found


Common = tuple[str, str]


def common_source(table: IntervalTable) -> Common:
    """The source and its note that most rules of ``table`` share, told once instead of on every row."""
    counts = Counter((rule.source, rule.source_note) for rule in table.rules)
    return counts.most_common(1)[0][0] if counts else ("", "")


@dataclass(frozen=True, slots=True)
class RuleRow:
    """One rule as a row of the page; ``source`` is empty where it is the common one."""

    rule: Rule | Quota
    kinds: str
    interval: str
    source_short: str
    source_tone: str
    source: str
    notes: list[str]

    @property
    def is_link(self) -> bool:
        """Whether the source is an address."""
        return self.source.startswith("https://")


def rule_row(rule: Rule, common: Common) -> RuleRow:
    """``rule`` in words: for which units, how often, where it stands, how the source was read."""
    notes = [*rule.notes]
    if rule.assumed:
        notes.insert(0, f"Assumed: {rule.assumed}")
    if rule.also:
        notes.append("Comes on top of another rule for the same task.")
    return _row(rule, kind_words(rule.select), rule.interval_words, notes, common)


def quota_row(quota: Quota, common: Common) -> RuleRow:
    """A demand on a group of units in words."""
    amount = f"{quota.share} of them" if quota.share else f"{quota.at_least}"
    if quota.share and quota.at_least:
        amount += f", at least {quota.at_least}"
    groups = " and ".join(word.replace("_", " ") for word in quota.group_by)
    notes = [*quota.notes]
    if quota.failure_takes_all:
        notes.append("When one fails, all of its group are done.")
    interval = f"{amount} every {quota.per}, counted per {groups}"
    return _row(quota, kind_words(quota.select), interval, notes, common)


def _row(rule: Rule | Quota, kinds: str, interval: str, notes: list[str], common: Common) -> RuleRow:
    if rule.source_note and (rule.source, rule.source_note) != common:
        notes.append(f"Source: {rule.source_note}")
    return RuleRow(
        rule=rule,
        kinds=kinds,
        interval=interval,
        source_short=SOURCE_SHORT[rule.source_status],
        source_tone=SOURCE_TONES[rule.source_status],
        source="" if rule.source == common[0] else rule.source,
        notes=notes,
    )


class ConfirmForm(forms.Form):
    """A manager's statement by name."""

    name = forms.CharField(
        label="Your name, typed by yourself",
        max_length=150,
        error_messages={"required": "Type your name: a confirmation is a statement of a person."},
    )
    local_code = forms.CharField(
        label="Local code or authority it was checked against",
        max_length=300,
        error_messages={"required": "Name the local code or authority that you checked the table against."},
    )


class WithdrawForm(forms.Form):
    """Why a statement no longer stands."""

    reason = forms.CharField(
        label="Why it no longer stands",
        max_length=300,
        error_messages={"required": "Say why the confirmation is withdrawn."},
    )


FIRM, OWNER, SITE = "firm", "owner", "site"


class AdoptForm(forms.Form):
    """For whom a table is to apply."""

    level = forms.ChoiceField(
        label="For",
        choices=[(SITE, "One site"), (OWNER, "All sites of one owner"), (FIRM, "All sites of the firm")],
        initial=SITE,
    )
    site = PickField(label="Site", queryset=Site.objects.none(), required=False, empty_label="Choose a site")
    owner = PickField(
        label="Owner", queryset=Owner.objects.none(), required=False, empty_label="Choose an owner"
    )
    is_pinned = forms.BooleanField(
        label="Stay with this edition",
        required=False,
        help_text="Otherwise the edition in force on the day in question counts.",
    )
    reason = forms.CharField(label="Why", max_length=300, required=False)

    def clean(self) -> dict[str, Any]:
        """The place that the level asks for."""
        given = super().clean() or {}
        if given.get("level") == SITE and not given.get("site") and "site" not in self.errors:
            self.add_error("site", "Choose the site that is to use the table.")
        if given.get("level") == OWNER and not given.get("owner") and "owner" not in self.errors:
            self.add_error("owner", "Choose the owner whose sites are to use the table.")
        return given


class TableView(PageView):
    """One table version."""

    acts = (Act.SEE_RULEBOOK,)

    def get(self, request: HttpRequest, key: str, version: str) -> HttpResponse:
        """Show it."""
        return self.show(self.table(key, version))

    def post(self, request: HttpRequest, key: str, version: str) -> HttpResponse:
        """Do what the pressed button says."""
        table = self.table(key, version)
        do = request.POST.get("do", "")
        if do == "confirm":
            return self.confirm(table)
        if do == "withdraw":
            return self.withdraw(table)
        if do in ("preview", "adopt"):
            return self.adopt(table, keep=do == "adopt")
        if do in ("preview_drop", "drop"):
            return self.drop(table, keep=do == "drop")
        return self.show(table, status=400)

    # --- confirming -------------------------------------------------------------------------------

    def confirm(self, table: IntervalTable) -> HttpResponse:
        """State by name that the table was checked."""
        self.demand(Act.CONFIRM_TABLES)
        form = ConfirmForm(self.request.POST, prefix="confirm")
        if form.is_valid():
            try:
                confirm_table(table.key, table.version, by=self.person, at=self.now, **form.cleaned_data)
            except ValidationError as problem:
                place_errors(form, problem)
            except IntegrityError:
                form.add_error(None, "Somebody confirmed this version a moment ago.")
            else:
                self.told(f"{table.title}, version {table.version}, is confirmed in your name.")
                return self.back(table)
        return self.show(table, confirm_form=form, status=400)

    def withdraw(self, table: IntervalTable) -> HttpResponse:
        """State that the confirmation no longer stands."""
        self.demand(Act.CONFIRM_TABLES)
        form = WithdrawForm(self.request.POST, prefix="withdraw")
        standing = (
            Confirmation.objects.standing().filter(table_key=table.key, table_version=table.version).first()
        )
        if form.is_valid():
            reason = form.cleaned_data["reason"]
            if standing is not None and withdraw_confirmation(
                standing.pk, by=self.person, reason=reason, at=self.now
            ):
                self.told(f"The confirmation of {table.title}, version {table.version}, is withdrawn.")
            else:
                self.warn("This version is not confirmed, so there was nothing to withdraw.")
            return self.back(table)
        return self.show(table, withdraw_form=form, status=400)

    # --- using ------------------------------------------------------------------------------------

    def adopt(self, table: IntervalTable, *, keep: bool) -> HttpResponse:
        """Adopt the table, dates and all, or only show what would move."""
        self.demand(Act.PLAN_VISITS)
        form = self.adopt_form(self.request.POST)
        if not form.is_valid():
            return self.show(table, adopt_form=form, status=400)
        given = form.cleaned_data
        level = given["level"]
        site = given["site"] if level == SITE else None
        owner = given["owner"] if level == OWNER else None

        def change() -> Adoption:
            return adopt_table(
                table.key,
                at=self.now,
                by=self.person,
                site=site,
                owner=owner,
                version=table.version if given["is_pinned"] else "",
                reason=given["reason"],
            )

        whose = site.name if site else f"all sites of {owner.name}" if owner else "all sites of the firm"
        return self.carry_out(
            table, change, site, owner, keep=keep, whose=whose, done="adopted for", form=form
        )

    def drop(self, table: IntervalTable, *, keep: bool) -> HttpResponse:
        """Stop using the table where an adoption says so, or only show what would move."""
        self.demand(Act.PLAN_VISITS)
        adoption = (
            adoptions_of(table.key, self.scope).filter(pk=_int(self.request.POST.get("adoption"))).first()
        )
        if adoption is None:
            self.warn("That use of the table has ended already.")
            return self.back(table)

        def change() -> bool:
            return withdraw_adoption(adoption.pk, by=self.person, at=self.now)

        site, owner = adoption.site, adoption.owner
        whose = site.name if site else f"all sites of {owner.name}" if owner else "all sites of the firm"
        return self.carry_out(
            table, change, site, owner, keep=keep, whose=whose, done="no longer used for", dropped=adoption
        )

    def carry_out(
        self,
        table: IntervalTable,
        change: Callable[[], object],
        site: Site | None,
        owner: Owner | None,
        *,
        keep: bool,
        whose: str,
        done: str,
        form: AdoptForm | None = None,
        dropped: Adoption | None = None,
    ) -> HttpResponse:
        """Make the change with the dates it moves, or show them and ask."""
        sites = sites_for(self.scope).order_by()
        if site is not None:
            sites = sites.filter(pk=site.pk)
        elif owner is not None:
            sites = sites.filter(owner=owner)
        ids = list(sites.values_list("pk", flat=True))
        try:
            moved = consequences(change, site_ids=ids, now=self.now, keep=keep)
        except ValidationError as problem:
            if form is None:
                self.refused(problem)
                return self.back(table)
            place_errors(form, problem)
            return self.show(table, adopt_form=form, status=400)
        if keep:
            self.told(f"{table.title} is {done} {whose}. {_moved_words(moved)}")
            return self.back(table)
        return self.show(table, adopt_form=form, preview=_preview(moved, whose, done, dropped))

    def adopt_form(self, data: Any = None) -> AdoptForm:
        """The form with the sites and owners in scope."""
        form = AdoptForm(data, prefix="adopt")
        site, owner = form.fields["site"], form.fields["owner"]
        assert isinstance(site, forms.ModelChoiceField)
        assert isinstance(owner, forms.ModelChoiceField)
        site.queryset, owner.queryset = sites_for(self.scope), owners_for(self.scope)
        return form

    # --- showing ----------------------------------------------------------------------------------

    def table(self, key: str, version: str) -> IntervalTable:
        """The shipped table."""
        found = table_version(key, version)
        if found is None:
            raise Http404
        return found

    def back(self, table: IntervalTable) -> HttpResponse:
        """To the table's page."""
        return redirect("desk:table", table.key, table.version)

    def show(
        self,
        table: IntervalTable,
        *,
        confirm_form: ConfirmForm | None = None,
        withdraw_form: WithdrawForm | None = None,
        adopt_form: AdoptForm | None = None,
        preview: dict[str, Any] | None = None,
        status: int = 200,
    ) -> HttpResponse:
        """The page."""
        may_adopt = self.may(Act.PLAN_VISITS)
        state = table_state(table)
        context = {
            "crumbs": [{"label": "Tables", "url": reverse("desk:tables")}],
            "table": table,
            "state": state,
            "notice": _notice(state),
            "tasks": _tasks(table),
            "sources": source_counts(table),
            "common": _common_words(table),
            "resets": _resets(table),
            "editions": [edition for edition in load_tables()[table.key] if edition.version != table.version],
            "adoptions": list(adoptions_of(table.key, self.scope)),
            "may_confirm": self.may(Act.CONFIRM_TABLES),
            "may_adopt": may_adopt,
            "confirm_form": confirm_form or ConfirmForm(prefix="confirm"),
            "withdraw_form": withdraw_form or WithdrawForm(prefix="withdraw"),
            "adopt_form": (adopt_form or self.adopt_form()) if may_adopt else None,
            "preview": preview,
        }
        return self.page("desk/table.html", context, status=status)


def _notice(state: TableState) -> dict[str, Any]:
    return {
        "title": state.table.title,
        "version": state.table.version,
        "confirmed_by": state.confirmed_name if state.is_confirmed else "",
        "confirmed_on": state.confirmed_at.date() if state.is_confirmed and state.confirmed_at else None,
    }


def _tasks(table: IntervalTable) -> list[dict[str, Any]]:
    """The rules of each task in the order of the document, then demands on groups of units."""
    common = common_source(table)
    groups = [
        {"label": TASK_LABELS[task], "rows": [rule_row(rule, common) for rule in rules]}
        for task, rules in table.by_task.items()
    ]
    if table.quotas:
        rows = [quota_row(quota, common) for quota in table.quotas]
        groups.append({"label": "Demands on a group of units", "rows": rows})
    return groups


def _common_words(table: IntervalTable) -> dict[str, Any]:
    source, note = common_source(table)
    return {
        "source": source,
        "note": note,
        "is_link": source.startswith("https://"),
        "host": urlsplit(source).hostname or source,
    }


def _resets(table: IntervalTable) -> list[dict[str, str]]:
    return [
        {
            "done": TASK_LABELS[reset.done]
            + (
                f" ({', '.join(sorted(m.replace('_', ' ') for m in reset.methods))})" if reset.methods else ""
            ),
            "restarts": ", ".join(TASK_LABELS[task].lower() for task in reset.restarts),
            "clause": reset.clause,
        }
        for reset in table.resets
    ]


def _moved_words(moved: Iterable[Consequence]) -> str:
    found = list(moved)
    if not found:
        return "No date moves."
    total = _total(found)
    parts = [
        f"{total[name]} {word}"
        for name, word in (
            ("added", "new"),
            ("sooner", "sooner"),
            ("later", "later"),
            ("dropped", "gone"),
            ("newly_overdue", "newly overdue"),
        )
        if total[name]
    ]
    return f"Dates that move: {', '.join(parts)}."


def _total(moved: Iterable[Consequence]) -> dict[str, int]:
    names = ("sooner", "later", "added", "dropped", "newly_overdue")
    total = dict.fromkeys(names, 0)
    for item in moved:
        for name in names:
            total[name] += getattr(item, name)
    return total


def _preview(moved: list[Consequence], whose: str, done: str, dropped: Adoption | None) -> dict[str, Any]:
    """What would move, the sites with most newly overdue work first."""
    worst = sorted(moved, key=lambda item: (-item.newly_overdue, -item.sooner - item.added, item.site_id))
    sites = Site.objects.in_bulk([item.site_id for item in worst[:SHOWN_SITES]])
    return {
        "whose": whose,
        "done": done,
        "dropped": dropped,
        "words": _moved_words(moved),
        "total": _total(moved),
        "site_count": len(moved),
        "more": max(len(moved) - SHOWN_SITES, 0),
        "lines": [{"site": sites[item.site_id], "moved": item} for item in worst[:SHOWN_SITES]],
    }


def _int(text: str | None) -> int:
    return int(text) if text and text.isdecimal() and len(text) < 18 else 0
