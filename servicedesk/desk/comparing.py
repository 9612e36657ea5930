"""Two tables side by side, and who adopted, varied, confirmed and withdrew what."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from inventory.measures.kinds import TASK_LABELS
from inventory.register.models import Site
from inventory.register.queries import sites_for
from schedules.rulebook.books import rulebooks, standing
from schedules.rulebook.compare import FIELD_WORDS, compare, said
from schedules.rulebook.models import Adoption, Confirmation, Variation
from schedules.rules import IntervalTable, Rule, load_tables
from servicedesk.access import Act
from servicedesk.desk.changes import chosen_table, table_choices, whose
from servicedesk.desk.fields import pick_field
from servicedesk.desk.kind_words import kind_words
from servicedesk.desk.tables_shown import TableBook
from servicedesk.pages import PageView

MOST_LINES = 500


class CompareForm(forms.Form):
    """Which two tables are laid side by side."""

    old = forms.ChoiceField(label="This table")
    new = forms.ChoiceField(label="with this one", required=False)
    site = forms.Field(required=False)

    def __init__(self, *args: Any, sites: QuerySet[Site], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = table_choices()
        self.fields["old"].choices = choices  # type: ignore[attr-defined]
        self.fields["new"].choices = [("", "The same table"), *choices]  # type: ignore[attr-defined]
        self.fields["site"] = pick_field(sites, label="as varied at this site", empty_label="As printed")

    def clean(self) -> dict[str, Any]:
        """Two things that can differ."""
        given = super().clean() or {}
        if not self.errors and given["new"] in ("", given["old"]) and not given["site"]:
            raise forms.ValidationError("Choose another table, or a site whose variations are to be seen.")
        return given


class CompareView(PageView):
    """What differs between two editions, or between a table and how a site varies it."""

    acts = (Act.SEE_RULEBOOK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the choice, and the differences once it is made."""
        sites = sites_for(self.scope).select_related(None)
        if not {"new", "site"} & request.GET.keys():
            # A table's own page fills in that table; with what it is compared is still to be chosen.
            return self.show(CompareForm(initial={"old": request.GET.get("old", "")}, sites=sites))
        form = CompareForm(request.GET, sites=sites)
        if not form.is_valid():
            return self.show(form, status=400)
        given = form.cleaned_data
        old = chosen_table(given["old"])
        new = chosen_table(given["new"] or given["old"])
        site: Site | None = given["site"]
        if site is not None:
            new = rulebooks([site.pk])[site.pk].as_varied(new)
        return self.show(form, self.differences(old, new, site))

    def differences(self, old: IntervalTable, new: IntervalTable, site: Site | None) -> dict[str, Any]:
        """What the page shows of the two tables."""
        found = compare(old, new)
        used = {(table.key, table.version) for table in (old, new)}
        return {
            "found": found,
            "site": site,
            "added": [rule_line(rule) for rule in found.added],
            "removed": [rule_line(rule) for rule in found.removed],
            "changed": [{**rule_line(c.new), "fields": c.fields} for c in found.changed],
            "confirm": TableBook(may_confirm=self.may(Act.CONFIRM_TABLES)).notice(used),
        }

    def show(self, form: CompareForm, found: dict[str, Any] | None = None, status: int = 200) -> HttpResponse:
        """The page."""
        context = {
            "crumbs": [{"label": "Tables", "url": reverse("desk:tables")}],
            "form": form,
            "several": [
                {"old": f"{a.key}@{a.version}", "new": f"{b.key}@{b.version}", "title": a.title}
                for versions in load_tables().values()
                for a, b in pairwise(versions)
            ],
            **(found or {}),
        }
        return self.page("desk/compare.html", context, status=status)


def rule_line(rule: Rule) -> dict[str, Any]:
    """A rule in a line: task, units, interval, clause."""
    return {
        "rule": rule,
        "task": TASK_LABELS[rule.task],
        "kinds": kind_words(rule.select),
        "interval": rule.interval_words,
    }


# --- who did what ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Line:
    """One act on the rulebook."""

    at: datetime
    word: str
    tone: str
    table: str
    url: str
    where: str
    who: str
    note: str


class HistoryView(PageView):
    """Who adopted, varied, confirmed and withdrew what, newest first, and the variations that stand."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show it."""
        self.book = TableBook()
        lines = sorted(
            [*self.adoptions(), *self.confirmations(), *self.variations()],
            key=lambda line: (line.at, line.word, line.table, line.where),
            reverse=True,
        )
        unfit = self.unfit()
        context = {
            "crumbs": [{"label": "Tables", "url": reverse("desk:tables")}],
            "lines": lines[:MOST_LINES],
            "more": max(len(lines) - MOST_LINES, 0),
            "standing": [
                {
                    "row": row,
                    "table": self.named(row.table_key, row.table_version),
                    "where": whose(row.site, row.owner),
                    "changes": [
                        f"{FIELD_WORDS.get(name, 'Does not apply')}: {said(value)}"
                        if name != "off"
                        else "Does not apply"
                        for name, value in row.changes.items()
                    ],
                    "is_unfit": row.pk in unfit,
                }
                for row in Variation.objects.standing().select_related("site", "owner")
            ],
            "may_confirm": self.may(Act.CONFIRM_TABLES),
        }
        return self.page("desk/table_history.html", context)

    def unfit(self) -> set[int]:
        """Ids of variations that no table in use can take any more."""
        now = standing()
        if not now.varied:
            return set()
        owner_of = dict(Site.objects.values_list("pk", "owner_id"))
        return {row.id for book in set(now.books(owner_of).values()) for row in book.unfit}

    def named(self, key: str, version: str) -> Any:
        """The table, in the version that was named or the last one shipped."""
        last = load_tables().get(key, ())
        return self.book.get(key, version or (last[-1].version if last else ""))

    def line(
        self, at: datetime, word: str, tone: str, key: str, version: str, where: str, who: Any, note: str
    ) -> Line:
        """One act."""
        table = self.named(key, version)
        title = f"{table.title}, version {version}" if version else f"{table.title}, every edition"
        name = who if isinstance(who, str) else who.display_name if who is not None else "the system"
        return Line(at, word, tone, title, table.url, where, name, note)

    def adoptions(self) -> Iterator[Line]:
        """Adoptions and their ends."""
        rows = Adoption.objects.select_related("site", "owner", "adopted_by", "withdrawn_by")
        for row in rows.order_by("-pk")[:MOST_LINES]:
            where, named = whose(row.site, row.owner), (row.table_key, row.table_version)
            yield self.line(row.adopted_at, "Adopted", "ok", *named, where, row.adopted_by, row.reason)
            if row.withdrawn_at:
                yield self.line(
                    row.withdrawn_at, "No longer used", "away", *named, where, row.withdrawn_by, ""
                )

    def confirmations(self) -> Iterator[Line]:
        """Confirmations by name, and their ends."""
        rows = Confirmation.objects.select_related("withdrawn_by")
        for row in rows.order_by("-pk")[:MOST_LINES]:
            named, where = (row.table_key, row.table_version), "everywhere"
            against = f"Against {row.local_code}"
            yield self.line(row.confirmed_at, "Confirmed", "ok", *named, where, row.confirmed_name, against)
            if row.withdrawn_at:
                yield self.line(
                    row.withdrawn_at,
                    "Confirmation withdrawn",
                    "soon",
                    *named,
                    where,
                    row.withdrawn_by,
                    row.withdrawn_reason,
                )

    def variations(self) -> Iterator[Line]:
        """Variations and their ends."""
        rows = Variation.objects.select_related("site", "owner", "withdrawn_by")
        for row in rows.order_by("-pk")[:MOST_LINES]:
            where, named = whose(row.site, row.owner), (row.table_key, row.table_version)
            note = f"Rule {row.rule_id}. {row.reason}. Authority: {row.reference}"
            yield self.line(row.varied_at, "Varied", "soon", *named, where, row.varied_name, note)
            if row.withdrawn_at:
                yield self.line(
                    row.withdrawn_at,
                    "Variation withdrawn",
                    "away",
                    *named,
                    where,
                    row.withdrawn_by,
                    f"Rule {row.rule_id}. {row.withdrawn_reason}",
                )
