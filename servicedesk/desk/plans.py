"""Plans of routes: making one, the board with its lanes, and the dispatcher's hand on it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Count
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.template.loader import render_to_string
from django.urls import reverse

from inventory.errors import Conflict
from inventory.register.models import Depot
from inventory.register.queries import sites_for
from schedules.crew.models import Absence, CrewMember
from schedules.crew.queries import crew, expiring, gaps_of, rules_now
from schedules.routes import runs, services, turning
from schedules.routes.models import RoutePlan
from schedules.routes.queries import board_of, history_of, last_run, plan_days, plans_for
from schedules.routes.store import depots_of
from schedules.routes.ways import WayIn
from schedules.visits.models import Visit
from schedules.visits.planned import promise_window, release_promise
from schedules.visits.queries import loads, visits_for
from servicedesk.access import Act
from servicedesk.accounts.models import User
from servicedesk.desk.fields import PickField
from servicedesk.desk.plan_words import said_of, totals_shown
from servicedesk.pages import PageView, paged, place_errors, refusal

FIRST_SEARCH_S = 20
"""How long a new plan is bettered before it is left to the hand."""


class MakeForm(forms.Form):
    """For whom and for which days a plan is made."""

    depot = PickField(
        label="Depot",
        queryset=Depot.objects.none(),
        empty_label=None,
        error_messages={"required": "Choose a depot."},
    )
    first_on = forms.DateField(
        label="First day",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": "Choose a day.", "invalid": "Enter a day like 2026-11-30."},
    )
    days = forms.TypedChoiceField(
        label="Days", coerce=int, choices=[(1, "One day"), (7, "A week"), (14, "Two weeks")], initial=7
    )
    others = forms.ModelMultipleChoiceField(
        label="Together with",
        queryset=Depot.objects.none(),
        to_field_name="public_id",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Technicians may then help out in the other territory, at a price.",
    )
    propose = forms.BooleanField(
        label="First propose visits for what falls due by then", required=False, initial=True
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("depot", "others"):
            field = self.fields[name]
            assert isinstance(field, forms.ModelChoiceField)
            field.queryset = Depot.objects.order_by("name")


class PlansView(PageView):
    """The list of plans; posting makes one."""

    acts = (Act.PLAN_VISITS,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the list."""
        # The largest first: most plans are made for it.
        depots = list(Depot.objects.annotate(people=Count("crew")).order_by("-people", "name"))
        first = next_monday(self.today_in(depots[0].time_zone)) if depots else None
        initial = {"depot": depots[0].public_id if depots else None, "first_on": first}
        return self.show(MakeForm(initial=initial))

    def post(self, request: HttpRequest) -> HttpResponse:
        """Make a plan and show its board."""
        form = MakeForm(request.POST)
        if not form.is_valid():
            return self.show(form, status=400)
        given = form.cleaned_data
        depots = [given["depot"], *(depot for depot in given["others"] if depot != given["depot"])]
        try:
            done = services.make_plan(
                depots,
                first_on=given["first_on"],
                days=given["days"],
                by=self.person,
                now=self.now,
                propose=given["propose"],
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(form, status=400)
        runs.start_run(done.plan, seconds=FIRST_SEARCH_S, by=self.person, follows=True)
        self.told(f"{done.sentence} Made in {done.seconds:.1f} s.")
        for note in done.notes[:5]:
            self.warn(note.text)
        if len(done.notes) > 5:
            self.warn(f"{len(done.notes) - 5} more remarks stand below the board.")
        return redirect("desk:plan", done.plan.public_id)

    def show(self, form: MakeForm, status: int = 200) -> HttpResponse:
        """The page."""
        rows = plans_for(self.scope)
        if self.request.GET.get("all") != "yes":
            rows = rows.exclude(state=RoutePlan.State.LAID_ASIDE)
        page = paged(self.request, rows, 25)
        members = list(crew().prefetch_related("shifts"))
        gaps = gaps_of(members)
        today = self.now.date()
        no_place = sites_for(self.scope).filter(latitude__isnull=True)
        context = {
            "form": form,
            "page_obj": page,
            "plans": [{"plan": plan, "totals": totals_shown(plan.totals)} for plan in page.object_list],
            "shows_all": self.request.GET.get("all") == "yes",
            "has_depots": Depot.objects.exists(),
            "crew_count": len(members),
            "gaps": [
                {"member": member, "text": ", ".join(gaps[member.pk])}
                for member in members
                if member.pk in gaps and member.is_planned
            ],
            "technicians_outside": User.objects.filter(
                role=User.Role.TECHNICIAN, is_active=True, crew__isnull=True
            ).count(),
            "expiring": expiring(today)[:6],
            "no_place": list(no_place[:6]),
            "no_place_count": no_place.count(),
            "may_rule": self.may(Act.SET_PLANNING_RULES),
        }
        return self.page("desk/plans.html", context, status=status)


def next_monday(today: date) -> date:
    """The Monday of the next week; today's own on a Monday."""
    return today + timedelta(days=(7 - today.weekday()) % 7)


class PlanPage(PageView):
    """Base of the pages of one plan."""

    acts = (Act.PLAN_VISITS,)

    def plan(self, plan_id: UUID) -> RoutePlan:
        """The plan in scope."""
        return self.found(plans_for(self.scope), plan_id)

    def crumbs(self, plan: RoutePlan | None = None) -> list[dict[str, str]]:
        """The way back up."""
        found = [{"label": "Routes", "url": reverse("desk:plans")}]
        if plan is not None:
            found.append({"label": plan.number, "url": reverse("desk:plan", args=[plan.public_id])})
        return found


class BoardView(PlanPage):
    """The board of one plan; posting changes it."""

    def get(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Show it."""
        return self.show(self.plan(plan_id))

    def post(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Do what the button or the hand says; answer a script with the board alone."""
        plan = self.plan(plan_id)
        wants_json = request.headers.get("Accept", "").startswith("application/json")
        done: services.Done | None = None
        problem: Conflict | ValidationError | None = None
        try:
            done = self.act(plan)
        except (Conflict, ValidationError) as refused:
            problem = refused
        fresh = self.plan(plan_id)
        if wants_json:
            return self.answer(fresh, done, problem)
        if problem is not None:
            self.refused(problem)
            return self.show(fresh, status=409 if isinstance(problem, Conflict) else 400)
        assert done is not None
        if done.refused:
            self.warn(f"Nothing was changed. {done.refused}")
            for way in done.ways:
                self.warn(way.text)
        else:
            self.told(said_of(done))
        back = request.POST.get("back", "")
        day = f"?day={back}" if read_day(back) else ""
        return redirect(f"{reverse('desk:plan', args=[plan_id])}{day}")

    def answer(
        self, plan: RoutePlan, done: services.Done | None, problem: Conflict | ValidationError | None
    ) -> JsonResponse:
        """What a script needs: the board as it now is, and what to say."""
        context = self.board(plan)
        status = 200
        said = said_of(done) if done is not None else ""
        tone = "ok"
        if problem is not None:
            said, status = refusal(problem), 409 if isinstance(problem, Conflict) else 400
            tone = "overdue"
        elif done is not None and done.refused:
            said, tone = f"Nothing was changed. {done.refused}", "soon"
        context |= {
            "done": done if done and not done.refused else None,
            "refused": done,
            "said": said,
            "tone": tone,
        }
        return JsonResponse(
            {
                "board": render_to_string("desk/_board.html", context, request=self.request),
                "outcome": render_to_string("desk/_board_outcome.html", context, request=self.request),
                "said": said,
                "version": plan.version,
                "seconds": round(done.seconds, 3) if done else None,
                "is_refused": bool(problem) or bool(done and done.refused),
            },
            status=status,
        )

    def act(self, plan: RoutePlan) -> services.Done:
        """Carry out one change."""
        post = self.request.POST
        do = post.get("do", "")
        common: dict[str, Any] = {
            "version": _number(post.get("version")) or 0,
            "by": self.person,
            "now": self.now,
        }
        if do in ("undo", "redo"):
            return (turning.undo if do == "undo" else turning.redo)(plan, **common)
        if do == "better":
            return self.better(plan, common)
        if do == "urgent":
            return self.urgent(plan, common)
        if do == "away":
            return self.away(plan, common)
        if do == "add":
            visits = list(
                visits_for(self.scope)
                .filter(public_id__in=read_uuids(post.getlist("pick")), state__in=Visit.OPEN)
                .select_related("site__owner", "site__depot", "technician")
            )
            if not visits:
                raise ValidationError("Tick the visits that are to come in; nothing was changed.")
            return services.add_visits(plan, visits, **common)
        if do == "take":
            written = services.take(plan, confirm=post.get("confirm") == "yes", **common)
            for line in written.kept[:8]:
                self.warn(f"Left as it is: {line}")
            counts = f"{written.changed} visits changed, {written.confirmed} confirmed"
            return services.Done(plan, f"Plan {plan.number} is taken: {counts}.")
        if do == "aside":
            services.lay_aside(plan, version=common["version"])
            return services.Done(plan, f"Plan {plan.number} is laid aside; its visits stay as they are.")
        visit = self.visit(post.get("visit", ""))
        if do == "move":
            return self.move(plan, visit, common)
        if do == "promise":
            return self.promise(plan, visit, common)
        if do == "unpromise":
            release_promise(visit, version=visit.version)
            return services.Done(plan, f"{visit.number} is no longer promised; planning may move it.")
        acts = {
            "pin": services.pin_here,
            "release": services.release,
            "exclude": services.exclude,
            "include": services.include,
        }
        if do not in acts:
            raise ValidationError("The page asked for something unknown. Load it again.")
        return acts[do](plan, visit.pk, **common)

    def better(self, plan: RoutePlan, common: dict[str, Any]) -> services.Done:
        """Take what the search that follows a new plan has found by now."""
        run = last_run(plan)
        if run is None or not run.follows:
            raise ValidationError("No search follows this plan. Load the page again.")
        # A plan that nobody was told of moved nothing for anybody: no list of what changed.
        return replace(runs.use_run(run, **common), moved=())

    def move(self, plan: RoutePlan, visit: Visit, common: dict[str, Any]) -> services.Done:
        """Give a visit to a technician, a day, a time, or a place in the order."""
        post = self.request.POST
        technician = None
        if post.get("technician"):
            technician = User.objects.filter(
                public_id__in=read_uuids([post["technician"]]), role=User.Role.TECHNICIAN
            ).first()
            if technician is None:
                raise ValidationError("This person is not a technician. Choose another.")
        on = read_day(post.get("on", ""))
        if on is not None and on not in plan_days(plan):
            raise ValidationError(f"{on} is not a day of this plan.")
        starts = _clock(post.get("starts", ""))
        position = _number(post.get("position"))
        if technician is None and on is None and starts is None:
            raise ValidationError("Choose a technician, a day or a time.")
        return services.move(
            plan,
            visit.pk,
            technician_id=technician.pk if technician else None,
            on=on,
            starts_s=starts.hour * 3600 + starts.minute * 60 if starts else None,
            position=position,
            **common,
        )

    def promise(self, plan: RoutePlan, visit: Visit, common: dict[str, Any]) -> services.Done:
        """Note a day and window agreed with the owner, and put the visit there."""
        post = self.request.POST
        on = read_day(post.get("on", ""))
        begin, end = _clock(post.get("window_from", "")), _clock(post.get("window_until", ""))
        if on is None or on not in plan_days(plan) or begin is None or end is None:
            raise ValidationError("Give the day and both ends of the window that was agreed.")
        promise_window(
            visit, planned_on=on, window_from=begin, window_until=end, version=visit.version, now=self.now
        )
        done = services.move(plan, visit.pk, technician_id=None, on=on, **common)
        if done.refused:
            self.warn(f"{visit.number} is promised, yet this plan has no room for it: {done.refused}")
        return done

    def urgent(self, plan: RoutePlan, common: dict[str, Any]) -> services.Done:
        """An owner called: a new visit today."""
        site = sites_for(self.scope).filter(code__iexact=self.request.POST.get("site", "").strip()).first()
        if site is None:
            raise ValidationError("No site has this code. Look it up under Sites.")
        return services.urgent_call(plan, site, reason=self.request.POST.get("reason", ""), **common)

    def away(self, plan: RoutePlan, common: dict[str, Any]) -> services.Done:
        """A technician is away from now or from an hour on."""
        post = self.request.POST
        member = CrewMember.objects.filter(
            technician__public_id__in=read_uuids([post.get("technician", "")])
        ).first()
        on = read_day(post.get("on", ""))
        if member is None or on is None:
            raise ValidationError("Choose who is away, and the day.")
        return services.technician_away(
            plan,
            member,
            kind=post.get("kind", Absence.Kind.ILL),
            on=on,
            from_time=_clock(post.get("starts", "")),
            note=post.get("note", ""),
            **common,
        )

    def visit(self, text: str) -> Visit:
        """The visit that the form names."""
        visit = visits_for(self.scope).filter(public_id__in=read_uuids([text])).first()
        if visit is None:
            raise ValidationError("This visit is not found. Load the page again.")
        return visit

    # --- showing ------------------------------------------------------------------------------------

    def board(self, plan: RoutePlan) -> dict[str, Any]:
        """What the board itself needs."""
        day = read_day(self.request.POST.get("back", "") or self.request.GET.get("day", ""))
        if day is not None and day not in plan_days(plan):
            day = None
        if plan.days == 1:
            day = plan.first_on
        board = board_of(plan, day=day)
        turns = turning.steps(plan)
        return {
            "plan": plan,
            "board": board,
            "day": day,
            "days": plan_days(plan),
            "totals": totals_shown(plan.totals),
            "turns": turns,
            "is_changeable": plan.state != RoutePlan.State.LAID_ASIDE,
        }

    def show(self, plan: RoutePlan, status: int = 200) -> HttpResponse:
        """The page."""
        context = self.board(plan)
        board = context["board"]
        depot = plan.depot
        today = self.today_in(depot.time_zone if depot else "UTC")
        people = [person for person, _ in board.rows]
        run = last_run(plan)
        context |= {
            "crumbs": self.crumbs(),
            "people": people,
            "history": history_of(plan, 12),
            "run": run,
            "today": today,
            "absence_kinds": Absence.Kind.choices,
            "away_day": min(max(today, plan.first_on), plan_days(plan)[-1]),
            "is_today_in": today in plan_days(plan),
            "outside": self.outside(plan),
            "zone_city": board.zone.key.rpartition("/")[2].replace("_", " "),
        }
        return self.page("desk/plan.html", context, status=status)

    def outside(self, plan: RoutePlan) -> list[dict[str, Any]]:
        """Open visits of the territory that are not in the plan yet: they came after it was made."""
        depots = depots_of(plan)
        if not depots:
            return []
        rows = services.candidates(
            depots,
            first_on=plan.first_on,
            days=plan.days,
            rules=rules_now(),
            all_depots=list(Depot.objects.all()),
        )
        known = set(plan.stops.values_list("visit_id", flat=True))
        found = [visit for visit in rows if visit.pk not in known][:20]
        held = loads(visit.pk for visit in found)
        return [{"visit": visit, "load": held.get(visit.pk)} for visit in found]


class PlanVisitView(PlanPage):
    """One visit of a plan: where it stands, what would let it in, and the form that moves it."""

    def get(self, request: HttpRequest, plan_id: UUID, visit_id: UUID) -> HttpResponse:
        """Show it, as a page of its own or, for a script, as the part that goes beside the board."""
        plan = self.plan(plan_id)
        stop = (
            plan.stops.select_related("visit__site__owner", "visit__technician", "technician")
            .filter(visit__public_id=visit_id, visit__in=visits_for(self.scope))
            .first()
        )
        if stop is None:
            return self.page("desk/plan_visit_gone.html", {"crumbs": self.crumbs(plan)}, status=404)
        ways: tuple[WayIn, ...] = ()
        if stop.technician_id is None and not stop.is_excluded:
            ways = services.ways_in(plan, stop.visit_id, now=self.now)
        people = list(
            User.objects.filter(pk__in=plan.routes.values("technician")).order_by(
                "first_name", "last_name", "pk"
            )
        )
        names = {person.pk: person for person in people}
        context = {
            "crumbs": self.crumbs(plan),
            "plan": plan,
            "stop": stop,
            "visit": stop.visit,
            "site": stop.visit.site,
            "load": loads([stop.visit_id]).get(stop.visit_id),
            "ways": [{"way": way, "technician": names.get(way.technician_id or 0)} for way in ways],
            "people": people,
            "days": plan_days(plan),
            "back": request.GET.get("day", ""),
            "starts": _of_seconds(stop.starts_s),
            "pin_from": _of_seconds(stop.pin_from_s),
            "is_changeable": plan.state != RoutePlan.State.LAID_ASIDE,
        }
        part = request.headers.get("Accept", "").startswith("text/x-part")
        return self.page("desk/_plan_visit.html" if part else "desk/plan_visit.html", context)


def _of_seconds(seconds: int | None) -> time | None:
    return time(seconds // 3600 % 24, seconds % 3600 // 60) if seconds is not None else None


def read_day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _clock(text: str) -> time | None:
    if not text.strip():
        return None
    try:
        return time.fromisoformat(text.strip())
    except ValueError as error:
        raise ValidationError(f"{text!r} is no time of day. Enter it like 10:30.") from error


def _number(text: str | None) -> int | None:
    try:
        return int(text) if text not in (None, "") else None
    except ValueError:
        return None


def read_uuids(texts: list[str]) -> list[UUID]:
    found = []
    for text in texts:
        try:
            found.append(UUID(text))
        except ValueError:
            continue
    return found
