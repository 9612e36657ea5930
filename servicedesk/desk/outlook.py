"""The months ahead: of the whole firm with its weeks before and after levelling, and of one site."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Count, F, Sum
from django.db.models.functions import TruncMonth
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode

from inventory.errors import Conflict
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.agreed import TermsBook, change_some
from inventory.register.models import Depot, Site
from inventory.register.queries import sites_for
from schedules.bundles.calendar import blackouts_of
from schedules.bundles.queries import bundles_of, figures_in_force
from schedules.outlook import services
from schedules.outlook.even import AGENT, WORKSHOP
from schedules.outlook.models import Outlook, OutlookTrip
from schedules.visits.models import Visit
from schedules.visits.proposing import on_the_books, propose_visit
from servicedesk.access import Act
from servicedesk.desk.fields import day_field
from servicedesk.desk.outlook_charts import weeks_chart
from servicedesk.pages import PageView, paged, place_errors

SHOWN_WEEKS = 12
TAKE_DAYS = 92
"""Trips so far ahead are offered to be proposed: drafts of rounds reach a quarter of a year."""
MONTHS = [(n, date(2000, n, 1).strftime("%B")) for n in range(1, 13)]


class OutlookView(PageView):
    """The firm's months ahead."""

    acts = (Act.PLAN_VISITS,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the newest outlook that is done, and how far the one under way has come."""
        return self.show(TakeForm(initial={"until": self._until()}))

    def post(self, request: HttpRequest) -> HttpResponse:
        """Start, stop, take or take back."""
        try:
            match request.POST.get("do"):
                case "start":
                    services.start_outlook(by=self.person, now=self.now)
                    self.told("The outlook is being worked out. This page shows how far it is.")
                case "stop":
                    stopped = any(
                        services.stop_outlook(row, now=self.now)
                        for row in Outlook.objects.visible_to(self.scope).filter(state__in=Outlook.OPEN)
                    )
                    self.told("It stops." if stopped else "It had ended already.")
                case "take":
                    return self._take(request)
                case "undo":
                    self._undo(request)
                case _:
                    raise Http404
        except Conflict as problem:
            self.refused(problem)
        return redirect("desk:outlook")

    def _take(self, request: HttpRequest) -> HttpResponse:
        form = TakeForm(request.POST)
        if not form.is_valid():
            return self.show(form, status=400)
        outlook = self._outlook(request.POST.get("outlook", ""))
        _, made, joined = services.take_trips(
            outlook, until=form.cleaned_data["until"], by=self.person, now=self.now
        )
        joins = f" Work joins {joined} visit{'s' if joined != 1 else ''} on the books." if joined else ""
        self.told(f"{made} visit{'s are' if made != 1 else ' is'} proposed.{joins}")
        return redirect("desk:outlook")

    def _undo(self, request: HttpRequest) -> None:
        try:
            act = UUID(request.POST.get("act", ""))
        except ValueError as error:
            raise Http404 from error
        undone, kept = services.undo_take(self._outlook(request.POST.get("outlook", "")), act)
        self.told(f"{undone} visit{'s are' if undone != 1 else ' is'} taken back.")
        if kept:
            self.warn(f"Changed meanwhile, so they stay: {', '.join(kept[:20])}.")

    def _outlook(self, public_id: str) -> Outlook:
        try:
            wanted = UUID(public_id)
        except ValueError as error:
            raise Http404 from error
        return self.found(Outlook.objects.visible_to(self.scope), wanted)

    def _until(self) -> date:
        return self.now.date() + timedelta(days=TAKE_DAYS)

    def show(self, form: TakeForm, status: int = 200) -> HttpResponse:
        """The page."""
        rows = Outlook.objects.visible_to(self.scope)
        newest = rows.first()
        done = newest if newest and newest.state == Outlook.State.DONE else None
        if newest is not None and done is None:
            done = rows.filter(state=Outlook.State.DONE).first()
        context: dict[str, Any] = {
            "newest": newest,
            "is_open": newest is not None and newest.state in Outlook.OPEN,
            "outlook": done,
            "form": form,
        }
        if done is not None:
            context |= self._shown(done)
        return self.page("desk/outlook.html", context, status=status)

    def _shown(self, outlook: Outlook) -> dict[str, Any]:
        level = outlook.level
        weeks = [date.fromisoformat(day) for day in level.get("weeks", ())]
        resources = _resources(level)
        wanted = self.request.GET.get("of", "")
        chosen = next((r for r in resources if r["name"] == wanted), resources[0] if resources else None)
        trips = OutlookTrip.objects.filter(outlook=outlook)
        months = [
            {
                "month": row["month"],
                "trips": row["trips"],
                "units": row["units"],
                "hours": (row["minutes"] or 0) / 60,
                "bench": row["bench"],
                "kg": (row["mass"] or 0) / 1000,
            }
            for row in trips.annotate(month=TruncMonth("level_on"))
            .values("month")
            .annotate(
                trips=Count("pk"),
                units=Sum("units"),
                minutes=Sum("work_minutes"),
                bench=Sum("workshop_units"),
                mass=Sum("agent_mass_g"),
            )
            .order_by("month")
        ]
        problems = paged(
            self.request,
            outlook.sites.exclude(problems=[]).select_related("site").order_by("site__name", "pk"),
        )
        taken = (
            trips.filter(taken__isnull=False)
            .values("taken")
            .annotate(number=Count("pk"))
            .order_by("-number")[:5]
        )
        context: dict[str, Any] = {
            "resources": resources,
            "chosen": chosen,
            "months": months,
            "page_obj": problems,
            "asks": list(
                trips.filter(ask_on__isnull=False)
                .select_related("site__owner", "booked_visit")
                .order_by("on", "pk")[:50]
            ),
            "takable": trips.filter(
                taken__isnull=True, level_on__lte=self._until(), level_on__gte=self.now.date()
            )
            .exclude(pairs=[])
            .count(),
            "moved": trips.exclude(on=F("level_on")).count(),
            "taken": list(taken),
            "gap_percent": 100 * level.get("gap", 0),
        }
        if chosen is not None:
            name, scale = chosen["name"], chosen["scale"]
            context["chart"] = weeks_chart(
                weeks,
                [amount / scale for amount in level["after"][name]],
                [amount / scale for amount in level["before"][name]],
                unit=chosen["unit"],
                bar_word="After levelling",
                line_word="Before",
            )
            context["weeks"] = [
                {"week": week, "before": before / scale, "after": after / scale}
                for week, before, after in zip(
                    weeks, level["before"][name], level["after"][name], strict=True
                )
            ]
        return context


class TakeForm(forms.Form):
    """How far ahead trips become visits."""

    until = day_field("Up to")


def _resources(level: dict[str, Any]) -> list[dict[str, Any]]:
    """Return what was levelled, in words, technicians first."""
    names = list(level.get("after", ()))
    depots = {f"technicians {depot.pk}": depot.name for depot in Depot.objects.order_by("name")}
    found = []
    for name in sorted(names, key=lambda n: (n in (WORKSHOP, AGENT), n == AGENT, depots.get(n, ""))):
        if name == WORKSHOP:
            found.append({"name": name, "label": "Workshop", "unit": "hours", "scale": 60})
        elif name == AGENT:
            found.append({"name": name, "label": "Agent to fill", "unit": "kg", "scale": 1000})
        else:
            label = f"Technicians of {depots[name]}" if name in depots else "Technicians"
            found.append({"name": name, "label": label, "unit": "hours", "scale": 60})
    return found


# --- one site -----------------------------------------------------------------------------------------


class TermsForm(forms.Form):
    """What was agreed about when the site is served."""

    service_month = forms.TypedChoiceField(
        label="Agreed service month",
        required=False,
        coerce=int,
        empty_value=None,
        choices=[("", "Any month"), *MONTHS],
    )
    tolerance_days = forms.IntegerField(
        label="Days before and after that keep to it", min_value=0, max_value=150, initial=31
    )
    version = forms.IntegerField(widget=forms.HiddenInput, min_value=0)


class SiteOutlookView(PageView):
    """The months ahead of one site, worked out while one waits."""

    acts = (Act.PLAN_VISITS,)

    def get(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Show its trips against the habit of going to each task on its own date."""
        return self.show(self.found(sites_for(self.scope), site_id))

    def post(self, request: HttpRequest, site_id: UUID) -> HttpResponse:
        """Keep what was agreed, or propose the first trip."""
        site = self.found(sites_for(self.scope), site_id)
        if self.pressed("propose", "") == "propose":
            return self._propose(site)
        form = TermsForm(request.POST)
        if not form.is_valid():
            return self.show(site, form, status=400)
        try:
            self._agree(site, form.cleaned_data)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(site, form, status=400)
        except Conflict as problem:
            self.refused(problem)
        else:
            self.told("Kept. The trips below follow it.")
        return redirect("desk:site-outlook", site.public_id)

    def _agree(self, site: Site, given: dict[str, Any]) -> None:
        month = given["service_month"]
        change_some(
            site.owner,
            site,
            {"service_month": month, "tolerance_days": given["tolerance_days"] if month else None},
            reason="Agreed month set with the months ahead",
            seen=given["version"],
            by=self.person,
            now=self.now,
        )

    def _propose(self, site: Site) -> HttpResponse:
        made = propose_visit(site, by=self.person, now=self.now, horizon_days=TAKE_DAYS)
        if made is None:
            self.warn(f"Nothing at {site.name} is due within {TAKE_DAYS} days that no visit has yet.")
            return redirect("desk:site-outlook", site.public_id)
        self.told(f"{made.number} is proposed for {made.planned_on:%-d %b %Y}.")
        return redirect("desk:visit", made.public_id)

    def show(self, site: Site, form: TermsForm | None = None, status: int = 200) -> HttpResponse:
        """The page."""
        book = TermsBook([site.owner_id])
        terms = book.at(site.owner_id, site.pk, self.today_in(site.time_zone))
        newest = book.newest(site.owner_id, site.pk)
        if form is None:
            form = TermsForm(
                initial={
                    "service_month": terms.service_month,
                    "tolerance_days": terms.tolerance_days,
                    "version": newest.number if newest else 0,
                }
            )
        figures = figures_in_force()
        found = next(bundles_of([site], now=self.now, figures=figures, fixed=on_the_books([site])))
        numbers = dict(Visit.objects.filter(site=site, state__in=Visit.OPEN).values_list("pk", "number"))
        booked = {visit.on: numbers.get(visit.visit_id, "") for visit in found.fixed}
        trips: list[dict[str, Any]] = []
        for trip in found.bundle.trips:
            works: Counter[Task] = Counter()
            pulled = 0
            for work in trip.works:
                works[work.clock.task] += work.clock.units
                pulled = max(pulled, work.lost_days)
            trips.append(
                {
                    "on": trip.on,
                    "works": [f"{TASK_LABELS[task]} {number}" for task, number in sorted(works.items())],
                    "latest": min(work.span.latest for work in trip.works),
                    "margin": trip.margin_days,
                    "pulled": pulled,
                    "joins": booked.get(trip.on, ""),
                }
            )
        context = {
            "crumbs": [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": site.name, "url": reverse("desk:site", args=[site.public_id])},
            ],
            "site": site,
            "form": form,
            "trips": trips,
            "bundle": found.bundle,
            "lost_percent": 100 * found.bundle.lost_share,
            "problems": found.problems,
            "fixed": [
                {"on": visit.on, "number": booked[visit.on], "is_promised": visit.is_promised}
                for visit in found.fixed
            ],
            "blackouts": blackouts_of([site]).get(site.pk, []),
            "blackout_query": urlencode({"site": str(site.public_id)}),
            "end": found.end,
            "can_propose": any(
                trip["latest"] <= found.today + timedelta(days=TAKE_DAYS) and not trip["joins"]
                for trip in trips
            ),
        }
        return self.page("desk/site_outlook.html", context, status=status)
