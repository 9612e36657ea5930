"""The rulebook: shipped tables as a practitioner reads them, who confirmed them, and who uses them."""

from __future__ import annotations

from collections import Counter
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
from schedules.rulebook.models import Confirmation
from schedules.rulebook.queries import (
    TableState,
    adoption_counts,
    adoptions_of,
    all_table_states,
    table_state,
    table_version,
)
from schedules.rulebook.services import confirm_table, withdraw_confirmation
from schedules.rules import STATUS_WORDS, IntervalTable, Quota, Rule, SourceStatus, load_tables
from servicedesk.access import Act
from servicedesk.desk.kind_words import kind_words
from servicedesk.pages import PageView, place_errors

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
        status: int = 200,
    ) -> HttpResponse:
        """The page."""
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
            "may_desk": self.may(Act.SEE_DESK),
            "confirm_form": confirm_form or ConfirmForm(prefix="confirm"),
            "withdraw_form": withdraw_form or WithdrawForm(prefix="withdraw"),
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
