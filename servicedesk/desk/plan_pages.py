"""Pages around the board: the search, the map, route sheets, and comparing two plans."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any
from urllib.parse import urlencode, urlsplit
from uuid import UUID

from django.conf import settings
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.template.loader import render_to_string
from django.urls import reverse

from inventory.errors import Conflict
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.models import Site
from schedules.crew.models import CrewMember
from schedules.planning.model import Plan
from schedules.routes import runs
from schedules.routes.models import PlanRun, PlanStop, RoutePlan
from schedules.routes.queries import (
    Board,
    board_of,
    differences,
    last_run,
    places_of,
    plan_days,
    plans_for,
    stops_of,
)
from schedules.visits.models import Job, Visit
from servicedesk.accounts.models import User
from servicedesk.desk.plan_words import said_of, totals_shown
from servicedesk.desk.plans import PlanPage, read_day
from servicedesk.documents.paper import document_pdf, pdf_response

SECONDS = (20, 60, 180, 300)
LINE_STYLES = 6


class SearchView(PlanPage):
    """The search for a better plan: how it stands, starting, stopping and using it."""

    def get(self, request: HttpRequest, plan_id: UUID) -> JsonResponse:
        """How it stands, for the script that follows it."""
        plan = self.plan(plan_id)
        run = last_run(plan)
        context = {"plan": plan, "run": run}
        return JsonResponse(
            {
                "is_open": run is not None and run.is_open,
                "said": run.sentence if run is not None else "No search was started.",
                "elapsed_s": run.elapsed_s if run is not None else 0,
                "offers": run.offers_60 if run is not None else None,
                "html": render_to_string("desk/_search.html", context, request=request),
            }
        )

    def post(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Start it, stop it, or put its find in the place of the plan."""
        plan = self.plan(plan_id)
        do = self.pressed("start", "stop", "use")
        try:
            if do == "start":
                asked = request.POST.get("seconds", "60")
                seconds = int(asked) if asked.isdigit() and int(asked) in SECONDS else 60
                runs.start_run(plan, seconds=seconds, by=self.person)
            elif do == "stop":
                runs.stop_run(plan)
            elif do == "use":
                run = last_run(plan)
                if run is None:
                    raise ValidationError("No search was started.")
                version = request.POST.get("version", "")
                done = runs.use_run(
                    run, version=int(version) if version.isdigit() else 0, by=self.person, now=self.now
                )
                self.told(said_of(done))
        except (Conflict, ValidationError) as problem:
            self.refused(problem)
        return redirect("desk:plan", plan_id)


class MapView(PlanPage):
    """The plan on a map, with the same as a list beside it."""

    def get(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Show one day, or all of them."""
        plan = self.plan(plan_id)
        day = read_day(request.GET.get("day", ""))
        day = day if day in plan_days(plan) else None
        board = board_of(plan, day=day)
        routes = self.routes(board)
        points = {
            "routes": [
                {name: route[name] for name in ("name", "on", "style", "points", "start", "end")}
                for route in routes
            ],
            "out": [
                _point(shown.visit.site) for shown in board.left_out if shown.visit.site.latitude is not None
            ],
        }
        context = {
            "crumbs": self.crumbs(plan),
            "plan": plan,
            "day": day,
            "days": plan_days(plan),
            "routes": routes,
            "points": points,
            "no_place": [s for s in board.left_out if s.visit.site.latitude is None],
            "tiles": tiles(),
        }
        return self.page("desk/plan_map.html", context)

    def routes(self, board: Board) -> list[dict[str, Any]]:
        """Every lane that drives, with its points in order."""
        members = {
            member.technician_id: member
            for member in CrewMember.objects.select_related("depot").filter(
                technician__in=[person.pk for person, _ in board.rows]  # type: ignore[attr-defined]
            )
        }
        found = []
        for number, (person, lanes) in enumerate(board.rows):
            for lane in lanes:
                if lane is None or not lane.stops:
                    continue
                member = members.get(lane.day.technician_id)
                ends = [_base(member, kind) for kind in ("starts_from", "ends_at")]
                found.append(
                    {
                        "name": person.display_name,  # type: ignore[attr-defined]
                        "on": lane.day.on.isoformat(),
                        "style": number % LINE_STYLES,
                        "points": [_point(shown.visit.site) for shown in lane.stops],
                        "start": ends[0],
                        "end": ends[1],
                        "lane": lane,
                    }
                )
        return found


def _point(site: Site) -> dict[str, Any]:
    return {
        "name": site.name,
        "at": [float(site.latitude), float(site.longitude)]
        if site.latitude is not None and site.longitude is not None
        else None,
    }


def _base(member: CrewMember | None, kind: str) -> dict[str, Any] | None:
    if member is None:
        return None
    if getattr(member, kind) == CrewMember.Base.HOME and member.home_latitude is not None:
        assert member.home_longitude is not None
        # A home stays on the map a kilometre wide: nobody's door is everybody's business.
        at = [round(float(member.home_latitude), 2), round(float(member.home_longitude), 2)]
        return {"name": f"Home of {member.technician.display_name}", "at": at}
    depot = member.depot
    if depot is None or depot.latitude is None or depot.longitude is None:
        return None
    return {"name": depot.name, "at": [float(depot.latitude), float(depot.longitude)]}


def tiles() -> dict[str, Any]:
    """What the map may load from elsewhere; nothing unless the installation says so."""
    address = settings.MAP_TILE_URL
    return {
        "url": address,
        "attribution": settings.MAP_TILE_ATTRIBUTION,
        "max_zoom": settings.MAP_TILE_MAX_ZOOM,
        "host": urlsplit(address).hostname or "",
    }


SHEET_STYLE = (
    ".new-page { break-before: page } .route { font-size: var(--print-text-small) }"
    " .route th:nth-child(1) { width: 5% } .route th:nth-child(2) { width: 15% }"
    " .route th:nth-child(3) { width: 28% } .route th:nth-child(4) { width: 24% }"
)


class SheetsView(PlanPage):
    """Route sheets to print: one page for each technician's day."""

    def get(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Show those of one day, or of all, or of one technician."""
        plan = self.plan(plan_id)
        return self.page("desk/plan_sheets.html", self.shown(request, plan))

    def shown(self, request: HttpRequest, plan: RoutePlan) -> dict[str, Any]:
        """The sheets that were asked for, and what else the page shows."""
        day = read_day(request.GET.get("day", ""))
        day = day if day in plan_days(plan) else None
        board = board_of(plan, day=day)
        wanted = request.GET.get("technician", "")
        work = self.work([s.visit_id for s in stops_of(plan)])
        sheets = [
            {"person": person, "lane": lane}
            for person, lanes in board.rows
            if not wanted or str(person.public_id) == wanted  # type: ignore[attr-defined]
            for lane in lanes
            if lane is not None and lane.stops
        ]
        sheets.sort(key=lambda sheet: (sheet["lane"].day.on, sheet["person"].display_name))  # type: ignore[attr-defined]
        for sheet in sheets:
            for shown in sheet["lane"].stops:  # type: ignore[attr-defined]
                shown.work = work.get(shown.stop.visit_id, [])
        return {
            "crumbs": self.crumbs(plan),
            "plan": plan,
            "day": day,
            "days": plan_days(plan),
            "people": [person for person, _ in board.rows],
            "wanted": wanted,
            "sheets": sheets,
            "is_taken": plan.state == RoutePlan.State.TAKEN and plan.version == plan.taken_version,
            "asked": urlencode(
                {name: request.GET[name] for name in ("day", "technician") if name in request.GET}
            ),
        }

    def work(self, visit_ids: list[int]) -> dict[int, list[str]]:
        """What is to be done at each visit, counted by task, in words."""
        counts: dict[int, dict[str, int]] = {}
        for visit_id, task in Job.objects.filter(visit__in=visit_ids).values_list("visit_id", "task"):
            tasks = counts.setdefault(visit_id, {})
            tasks[task] = tasks.get(task, 0) + 1
        return {
            visit_id: [f"{n} × {TASK_LABELS[Task(task)].lower()}" for task, n in tasks.items()]
            for visit_id, tasks in counts.items()
        }


class SheetsPaperView(SheetsView):
    """The same sheets as a PDF, each beginning a page."""

    def get(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Hand it out; not found where nobody drives."""
        plan = self.plan(plan_id)
        shown = self.shown(request, plan)
        if not shown["sheets"]:
            raise Http404
        data = document_pdf(
            "route_sheets",
            shown,
            title="Route sheets" if len(shown["sheets"]) > 1 else "Route sheet",
            number=plan.number,
            at=self.now,
            zone=plan.depot.time_zone if plan.depot is not None else "UTC",
            page_style=SHEET_STYLE,
        )
        return pdf_response(data, f"route-sheets-{plan.number}.pdf")


# (name of the sum, label, how it is shown, whether less is better)
COMPARED = (
    ("planned", "Visits planned", "planned", False),
    ("left_out", "Left out", "left_out", True),
    ("left_out_due", "Left out though due", "left_out_due", True),
    ("late", "After their latest date", "late", True),
    ("drive_s", "Driving", "drive", True),
    ("drive_m", "Distance, km", "km", True),
    ("wait_s", "Waiting", "wait", True),
    ("overtime_s", "Overtime", "overtime", True),
    ("days_used", "Technician-days used", "days_used", True),
    ("cost_60", "Cost by the prices set", "cost", True),
)


class CompareView(PlanPage):
    """Two plans beside each other: figures, and the visits that stand elsewhere."""

    def get(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Compare with the search's find, another plan, or the visits as they stand."""
        plan = self.plan(plan_id)
        run = last_run(plan)
        others = [
            other
            for other in plans_for(self.scope).filter(first_on__lte=plan_days(plan)[-1], depot=plan.depot)[
                :20
            ]
            if other.pk != plan.pk and plan_days(other)[-1] >= plan.first_on
        ]
        wanted = request.GET.get("with", "search" if run is not None and run.best else "visits")
        stops = stops_of(plan)
        visits = {stop.visit_id: stop.visit for stop in stops}
        here = places_of(stops)
        name, totals, there = self.other(wanted, plan, stops, run, others, visits)
        first, second = totals_shown(plan.totals), totals_shown(totals) if totals else None
        lines = [
            {
                "label": label,
                "here": first[shown],
                "there": second[shown] if second is not None else None,
                "better": _better(plan.totals.get(key), totals.get(key), less) if totals else "",
            }
            for key, label, shown, less in COMPARED
        ]
        moved = differences(visits, here, there)
        people = {
            person.pk: person.display_name
            for person in User.objects.filter(
                pk__in={spot[0] for item in moved for spot in (item.here, item.there) if spot}
            )
        }
        context = {
            "crumbs": self.crumbs(plan),
            "plan": plan,
            "others": others,
            "run": run,
            "wanted": wanted,
            "name": name,
            "lines": lines,
            "has_totals": bool(totals),
            "moved": [
                {"visit": item.visit, "here": _said(item.here, people), "there": _said(item.there, people)}
                for item in moved
            ],
            "search_address": reverse("desk:plan-search", args=[plan.public_id]),
        }
        return self.page("desk/plan_compare.html", context)

    def other(
        self,
        wanted: str,
        plan: RoutePlan,
        stops: list[PlanStop],
        run: PlanRun | None,
        others: list[RoutePlan],
        visits: dict[int, Visit],
    ) -> tuple[str, Mapping[str, Any], dict[int, tuple[int, date] | None]]:
        """Name, sums and places of what the plan is compared with."""
        if wanted == "search" and run is not None and run.best:
            found = Plan.from_json(run.best)
            days = plan_days(plan)
            there: dict[int, tuple[int, date] | None] = dict.fromkeys(visits)
            for key, stop in found.where().items():
                technician, _, day = stop.partition("-")
                there[int(key)] = (int(technician), days[int(day)])
            return "Found by the search", run.outlook.get("totals", {}), there
        other = next((row for row in others if str(row.public_id) == wanted), None)
        if other is not None:
            other_stops = stops_of(other)
            visits.update({stop.visit_id: stop.visit for stop in other_stops})
            return f"Plan {other.number}", other.totals, places_of(other_stops)
        now: dict[int, tuple[int, date] | None] = {
            stop.visit_id: (stop.visit.technician_id, stop.visit.planned_on)
            if stop.visit.technician_id is not None and stop.visit.planned_on in plan_days(plan)
            else None
            for stop in stops
        }
        return "The visits as they stand", {}, now


def _better(here: Any, there: Any, less: bool) -> str:
    if here is None or there is None or here == there:
        return ""
    return "there" if (there < here) == less else "here"


def _said(spot: tuple[int, date] | None, people: Mapping[int, str]) -> str:
    if spot is None:
        return "left out"
    return f"{people.get(spot[0], '–')}, {spot[1]:%a} {spot[1].day} {spot[1]:%b}"
