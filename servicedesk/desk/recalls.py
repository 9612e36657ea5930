"""Recalls of units: the list, a new one with its matches, following one up, and its file."""

from __future__ import annotations

import dataclasses
import uuid
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.recalls.models import Recall, RecallUnit
from inventory.recalls.queries import Counts, Wanted, counted, lines_of, matches, progress
from inventory.recalls.services import (
    add_matches,
    check_wanted,
    close_recall,
    follow_up,
    open_recall,
    reopen_recall,
)
from inventory.register.facts import as_seen
from inventory.register.models import AGENT_CHOICES, Site
from inventory.stock.models import Lot
from schedules.visits.recalls import recall_units_to_work
from servicedesk.access import Act
from servicedesk.desk.fields import day_field
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import PageView, paged, place_errors, read_uuid, refusal

STATE_TONES = {
    "open": "unknown",
    "found": "soon",
    "done": "ok",
    "gone": "away",
    "not_found": "overdue",
    "cleared": "none",
}
SHOWN_SITES = 40
NOT_AS_SHOWN = (
    "What you ask for, or the units that it concerns, changed since they were shown. "
    "Look at the units concerned now, then open the recall."
)
HEADINGS = (
    "recall", "unit", "serial", "maker", "model", "made", "owner", "site_code", "site", "place",
    "certainty", "why", "stands", "state_of_unit",
)  # fmt: skip


class RecallsView(PageView):
    """The list of recalls."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of it, open ones first."""
        settled = Count("units", filter=Q(units__state__in=RecallUnit.SETTLED))
        rows = Recall.objects.annotate(unit_count=Count("units"), settled=settled)
        page = paged(request, rows.order_by("-state", "-opened_at", "-pk"))
        context = {
            "page_obj": page,
            "recalls": list(page.object_list),
            "may_change": self.may(Act.CHANGE_REGISTER),
        }
        return self.page("desk/recalls.html", context)


class LotField(forms.CharField):
    """A lot by its number; None for nothing."""

    def clean(self, value: Any) -> Any:
        """The lot; one that several items have is asked for again."""
        text = super().clean(value)
        if not text:
            return None
        found = list(Lot.objects.filter(lot_no__iexact=text.strip()).select_related("item")[:2])
        if not found:
            raise ValidationError("No lot has this number. Look it up under Goods.")
        if len(found) > 1:
            raise ValidationError("Two goods have a lot of this number. Recall it on the page of the lot.")
        return found[0]


class RecallForm(forms.Form):
    """What is recalled, and what is to be said of it."""

    title = forms.CharField(label="Title", max_length=120, help_text="E.g. Valve stem may break.")
    notice = forms.CharField(
        label="Notice",
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="What is wrong and what is to be done. Technicians and owners read it.",
    )
    source = forms.CharField(
        label="Who gave notice",
        required=False,
        max_length=200,
        help_text="Maker or authority, number and day of the letter.",
    )
    maker = forms.CharField(label="Maker", required=False, max_length=100)
    model_name = forms.CharField(label="Model", required=False, max_length=120)
    agent = forms.ChoiceField(label="Agent", required=False, choices=[("", "Any agent"), *AGENT_CHOICES])
    lot_no = LotField(label="Lot of agent or part", required=False, max_length=60)
    made_from = day_field("Built from")
    made_to = day_field("Built until")
    serial_from = forms.CharField(label="First serial", required=False, max_length=60)
    serial_to = forms.CharField(label="Last serial", required=False, max_length=60)
    ref = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["ref"].initial = uuid.uuid4()

    def wanted(self) -> Wanted:
        """What a valid form looks for."""
        given = self.cleaned_data
        return Wanted(
            given["maker"],
            given["model_name"],
            given["agent"],
            given["made_from"],
            given["made_to"],
            given["serial_from"],
            given["serial_to"],
            given["lot_no"],
        )


GROUPS = (
    ("The notice", ("title", "source", "notice")),
    ("What it names", ("maker", "model_name", "agent", "lot_no")),
    ("Build dates and serials", ("made_from", "made_to", "serial_from", "serial_to")),
)


def _seen(wanted: Wanted, counts: Counts) -> str:
    """What was looked for and how many units that concerns, as the page showed it."""
    facts = {one.name: getattr(wanted, one.name) for one in dataclasses.fields(wanted)}
    facts["lot"] = wanted.lot.pk if wanted.lot else None
    return as_seen(facts | {"certain": counts.certain, "possible": counts.possible})


class NewRecallView(PageView):
    """A new recall: look first, then open."""

    acts = (Act.CHANGE_REGISTER,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """An empty form."""
        return self.show(RecallForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Show what it would concern, or open it."""
        form = RecallForm(request.POST)
        if not form.is_valid():
            return self.show(form, status=400)
        given = form.cleaned_data
        try:
            wanted = form.wanted()
            check_wanted(wanted)
            if request.POST.get("do") != "save":
                return self.show(form, more=self.matched(wanted))
            if not Recall.objects.filter(client_ref=given["ref"]).exists():
                more = self.matched(wanted)
                if request.POST.get("seen") != more["seen"]:
                    # Otherwise a recall opens for units that nobody looked at.
                    form.add_error(None, NOT_AS_SHOWN)
                    return self.show(form, more=more, status=409)
            recall = open_recall(
                wanted,
                title=given["title"],
                notice=given["notice"],
                source=given["source"],
                client_ref=given["ref"],
                by=self.person,
                now=self.now,
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(form, status=400)
        self.told(f"Recall {recall.number} is open.")
        return redirect("desk:recall", recall.public_id)

    def matched(self, wanted: Wanted) -> dict[str, Any]:
        """Counts of what it concerns, by site, the most first; two queries beyond the matches."""
        counts = counted(matches(wanted))
        ordered = sorted(
            ((pk, c) for pk, c in counts.by_site.items() if pk is not None),
            key=lambda item: (-item[1]["certain"], -item[1]["possible"], item[0]),
        )
        sites = Site.objects.select_related("owner").in_bulk([pk for pk, _ in ordered[:SHOWN_SITES]])
        nowhere = counts.by_site.get(None)
        return {
            "counts": counts,
            "seen": _seen(wanted, counts),
            "sites": [
                {"site": sites[pk], "certain": c["certain"], "possible": c["possible"]}
                for pk, c in ordered[:SHOWN_SITES]
            ],
            "more_sites": max(len(ordered) - SHOWN_SITES, 0),
            "nowhere": sum(nowhere.values()) if nowhere else 0,
        }

    def show(
        self, form: RecallForm, *, more: dict[str, Any] | None = None, status: int = 200
    ) -> HttpResponse:
        """The page."""
        bound = {field.name: field for field in form.visible_fields()}
        context = {
            "crumbs": [{"label": "Recalls", "url": reverse("desk:recalls")}],
            "form": form,
            "groups": [(title, [bound[name] for name in names]) for title, names in GROUPS],
            **(more or {}),
        }
        return self.page("desk/recall_new.html", context, status=status)


class RecallView(PageView):
    """One recall: its units, how far each is followed up, and turning it into work."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, recall_id: UUID) -> HttpResponseBase:
        """Show it, or hand out its file."""
        recall = self.recall(recall_id)
        return self.file(recall) if request.GET.get("as") == "csv" else self.show(recall)

    def post(self, request: HttpRequest, recall_id: UUID) -> HttpResponse:
        """Follow up one unit, look again, make visits, close or open again."""
        self.demand(Act.CHANGE_REGISTER)
        recall = self.recall(recall_id)
        doing = request.POST.get("do", "")
        note = request.POST.get("note", "")
        try:
            if doing == "line":
                self.line(recall, note)
            elif doing == "again":
                added = add_matches(recall)
                self.told(f"{added} unit{'s' if added != 1 else ''} added that fit now.")
            elif doing == "work":
                self.work(recall)
            elif doing == "close":
                close_recall(recall, note, by=self.person, now=self.now)
                self.told(f"Recall {recall.number} is closed.")
            elif doing == "reopen":
                reopen_recall(recall)
                self.told(f"Recall {recall.number} is open again.")
        except (ValidationError, Conflict) as problem:
            return self.show(
                recall, problem=refusal(problem), status=409 if isinstance(problem, Conflict) else 400
            )
        back = reverse("desk:recall", args=[recall.public_id])
        query = request.GET.urlencode()
        return redirect(f"{back}?{query}" if query else back)

    def recall(self, recall_id: UUID) -> Recall:
        """The recall."""
        return self.found(Recall.objects.select_related("lot__item", "opened_by", "closed_by"), recall_id)

    def line(self, recall: Recall, note: str) -> None:
        """Say what became of one unit."""
        line = self.found(lines_of(recall), read_uuid(self.request.POST.get("unit", "")))
        version = self.request.POST.get("version", "")
        follow_up(
            line,
            self.request.POST.get("state", ""),
            note,
            version=int(version) if version.isdigit() else 0,
            by=self.person,
            now=self.now,
        )
        self.told(f"{line.unit.number}: {line.get_state_display().lower()}.")

    def work(self, recall: Recall) -> None:
        """State defects and propose urgent visits."""
        done = recall_units_to_work(
            recall, with_possible=bool(self.request.POST.get("possible")), by=self.person, now=self.now
        )
        self.told(
            f"{done.defects} critical defect{'s' if done.defects != 1 else ''} stated, "
            f"{len(done.visits)} urgent visit{'s' if len(done.visits) != 1 else ''} proposed."
        )
        if done.on_open_visits:
            named = ", ".join(unit.number for unit in done.on_open_visits[:8])
            self.warn(
                f"On an open visit already, and shown there: {named}. Look whether it comes soon enough."
            )
        if done.by_hand:
            named = ", ".join(unit.number for unit in done.by_hand[:8])
            self.warn(f"Not hanging, or nothing is demanded of them; see to them by hand: {named}.")

    def show(self, recall: Recall, *, problem: str = "", status: int = 200) -> HttpResponse:
        """The page."""
        counts = progress(recall)
        wanted = self.request.GET.get("state", "")
        rows = lines_of(recall)
        if wanted in RecallUnit.State.values:
            rows = rows.filter(stands=wanted)
        elif wanted == "possible":
            rows = rows.filter(certainty=RecallUnit.Certainty.POSSIBLE)
        page = paged(self.request, rows)
        labels = dict(RecallUnit.State.choices)
        total = sum(counts.values())
        tabs = [{"label": "All", "count": total, "query": "?", "is_current": not wanted}]
        tabs += [
            {"label": labels[state], "count": n, "query": f"?state={state}", "is_current": wanted == state}
            for state, n in counts.items()
        ]
        settled = sum(counts[state] for state in RecallUnit.SETTLED)
        context = {
            "crumbs": [{"label": "Recalls", "url": reverse("desk:recalls")}],
            "recall": recall,
            "problem": problem,
            "tabs": tabs,
            "page_obj": page,
            "lines": [
                {
                    "line": line,
                    "unit": line.unit,
                    "word": labels[line.stands],
                    "tone": STATE_TONES[line.stands],
                }
                for line in page.object_list
            ],
            "total": total,
            "settled": settled,
            "possible": RecallUnit.objects.filter(
                recall=recall, certainty=RecallUnit.Certainty.POSSIBLE
            ).count(),
            "state_choices": RecallUnit.State.choices,
            "is_open": recall.state == Recall.State.OPEN,
            "may_change": self.may(Act.CHANGE_REGISTER),
        }
        return self.page("desk/recall.html", context, status=status)

    def file(self, recall: Recall) -> StreamingHttpResponse:
        """Every unit of the recall as a CSV file."""
        labels = dict(RecallUnit.State.choices)
        rows = (
            (
                recall.number,
                line.unit.number,
                line.unit.serial,
                line.unit.model.maker,
                line.unit.model.name,
                str(line.unit.made),
                line.unit.site.owner.name if line.unit.site else "",
                line.unit.site.code if line.unit.site else "",
                line.unit.site.name if line.unit.site else "",
                line.unit.location.number if line.unit.location else "",
                line.get_certainty_display(),
                line.why,
                labels[line.stands],
                line.unit.get_state_display(),
            )
            for line in lines_of(recall).iterator(chunk_size=1000)
        )
        response = StreamingHttpResponse(csv_lines(HEADINGS, rows), content_type="text/csv; charset=utf-8")
        response["Content-Disposition"] = f'attachment; filename="recall-{recall.number}.csv"'
        return response
