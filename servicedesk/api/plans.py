"""Plans of routes: who drives where on some days running, and the dispatcher's hand on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import django_filters
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import extend_schema, extend_schema_field, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.errors import Conflict
from inventory.register.models import Depot
from schedules.routes import services, turning
from schedules.routes.models import PlanStop, RoutePlan
from schedules.routes.queries import Lane, board_of, history_of, plan_days
from schedules.visits.models import Visit
from servicedesk.access import Act
from servicedesk.api.base import Shown
from servicedesk.api.days import FIRST_DAY, LAST_DAY
from servicedesk.api.people import TechnicianViewSet
from servicedesk.api.references import PersonBriefSerializer, SiteBriefSerializer

ONE_VISIT = {
    "pin": services.pin_here,
    "release": services.release,
    "exclude": services.exclude,
    "include": services.include,
}
TURNS = {"undo": turning.undo, "redo": turning.redo}
STATES = [(state.value, state.label) for state in RoutePlan.State]


class PlanTotalsSerializer(serializers.Serializer[Any]):
    """Sums of a plan. Lengths in seconds and metres; the cost in sixtieths of the unit of the prices."""

    planned = serializers.IntegerField()
    left_out = serializers.IntegerField()
    left_out_due = serializers.IntegerField(help_text="Left out though overdue or due within the plan.")
    late = serializers.IntegerField(help_text="Planned after the latest date of their work.")
    late_before = serializers.IntegerField(default=0, help_text="Of these, late before the plan begins.")
    drive_s = serializers.IntegerField()
    drive_m = serializers.IntegerField()
    work_s = serializers.IntegerField()
    wait_s = serializers.IntegerField()
    overtime_s = serializers.IntegerField()
    days_used = serializers.IntegerField()
    cost_60 = serializers.IntegerField(allow_null=True)


class PlanSerializer(serializers.Serializer[RoutePlan]):
    """A plan, as lists show it."""

    id = serializers.UUIDField(source="public_id")
    number = serializers.CharField()
    depot = serializers.CharField(source="depot.name", default="")
    time_zone = serializers.CharField(
        source="depot.time_zone", default="UTC", help_text="All clock times of the plan are of this zone."
    )
    first_on = serializers.DateField()
    days = serializers.IntegerField()
    state = serializers.ChoiceField(choices=STATES)
    version = serializers.IntegerField(help_text="Send it with a change; it tells two people apart.")
    problems = serializers.ListField(
        child=serializers.CharField(), help_text="Rules that it breaks; empty is sound."
    )
    totals = PlanTotalsSerializer()
    travel_note = serializers.CharField(help_text="Where the driving times come from.")


class PlanStopSerializer(serializers.Serializer[PlanStop]):
    """A visit in a plan; seconds count from midnight of its day."""

    visit = serializers.UUIDField(source="visit.public_id")
    number = serializers.CharField(source="visit.number")
    site = SiteBriefSerializer(source="visit.site")
    starts_s = serializers.IntegerField(allow_null=True)
    ends_s = serializers.IntegerField(allow_null=True)
    drive_s = serializers.IntegerField(help_text="To here from the stop before.")
    is_pinned = serializers.SerializerMethodField()
    is_excluded = serializers.BooleanField()
    why_out = serializers.ListField(child=serializers.DictField(child=serializers.CharField()))

    def get_is_pinned(self, stop: PlanStop) -> bool:
        """Whether the hand has fixed technician, day or time."""
        held = (stop.pin_technician_id, stop.pin_on, stop.pin_from_s)
        return any(value is not None for value in held)


class LaneSerializer(serializers.Serializer[Lane]):
    """One technician's day in driving order."""

    technician = PersonBriefSerializer(source="day.technician")
    on = serializers.DateField(source="day.on")
    leaves_s = serializers.IntegerField(source="day.leaves_s", allow_null=True)
    returns_s = serializers.IntegerField(source="day.returns_s", allow_null=True)
    drive_s = serializers.IntegerField(source="day.drive_s")
    work_s = serializers.IntegerField(source="day.work_s")
    overtime_s = serializers.IntegerField(source="day.overtime_s")
    stops = serializers.SerializerMethodField()

    @extend_schema_field(PlanStopSerializer(many=True))
    def get_stops(self, lane: Lane) -> Any:
        """The stops of the day."""
        return PlanStopSerializer([shown.stop for shown in lane.stops], many=True).data  # type: ignore[arg-type]


class PlanDetailSerializer(PlanSerializer):
    """A plan with its lanes and what is left out."""

    lanes = serializers.SerializerMethodField()
    left_out = serializers.SerializerMethodField()

    @extend_schema_field(LaneSerializer(many=True))
    def get_lanes(self, plan: RoutePlan) -> Any:
        """Every technician's day."""
        rows = self.context["board"].rows
        lanes = [lane for _, lanes in rows for lane in lanes if lane is not None]
        return LaneSerializer(lanes, many=True).data  # type: ignore[arg-type]

    @extend_schema_field(PlanStopSerializer(many=True))
    def get_left_out(self, plan: RoutePlan) -> Any:
        """Visits without a place, with the reason."""
        stops = [shown.stop for shown in self.context["board"].left_out]
        return PlanStopSerializer(stops, many=True).data  # type: ignore[arg-type]


class MakePlanSerializer(serializers.Serializer[Any]):
    """For whom and for which days."""

    depot = serializers.UUIDField()
    first_on = serializers.DateField(validators=[FIRST_DAY, LAST_DAY])
    days = serializers.IntegerField(min_value=1, max_value=14, default=7)
    propose = serializers.BooleanField(
        default=True, help_text="First propose visits for what falls due by then."
    )


class PlanChangeSerializer(serializers.Serializer[Any]):
    """One act of the hand. ``move`` takes technician, day, start or position; the others the visit alone."""

    act = serializers.ChoiceField(choices=["move", *ONE_VISIT, *TURNS])
    version = serializers.IntegerField(min_value=1)
    visit = serializers.UUIDField(required=False, help_text="For every act but undo and redo.")
    technician = serializers.UUIDField(required=False, allow_null=True, default=None)
    on = serializers.DateField(required=False, allow_null=True, default=None)
    starts_s = serializers.IntegerField(
        required=False, allow_null=True, default=None, min_value=0, max_value=86_399
    )
    position = serializers.IntegerField(
        required=False, allow_null=True, default=None, min_value=0, max_value=500
    )


class MovedSerializer(serializers.Serializer[Any]):
    """A visit that a change moved."""

    visit = serializers.UUIDField(source="visit.public_id")
    number = serializers.CharField(source="visit.number")
    from_on = serializers.SerializerMethodField()
    from_starts_s = serializers.SerializerMethodField()
    to_on = serializers.SerializerMethodField()
    to_starts_s = serializers.SerializerMethodField()

    def get_from_on(self, item: services.Shifted) -> str | None:
        """The day on which it was; null where it was left out."""
        return item.was[1].isoformat() if item.was else None

    def get_from_starts_s(self, item: services.Shifted) -> int | None:
        """When it would have started."""
        return item.was[2] if item.was else None

    def get_to_on(self, item: services.Shifted) -> str | None:
        """The day on which it is; null where it is left out."""
        return item.now[1].isoformat() if item.now else None

    def get_to_starts_s(self, item: services.Shifted) -> int | None:
        """When it starts now."""
        return item.now[2] if item.now else None


class ChangedSerializer(serializers.Serializer[Any]):
    """What a change came to."""

    sentence = serializers.CharField()
    moved = MovedSerializer(many=True)
    cost_before_60 = serializers.IntegerField(allow_null=True)
    cost_60 = serializers.IntegerField(allow_null=True)
    plan = PlanSerializer()


class TakeSerializer(serializers.Serializer[Any]):
    """Taking a plan into its visits."""

    version = serializers.IntegerField(min_value=1)
    confirm = serializers.BooleanField(default=False, help_text="Confirm the proposed visits too.")


class PlanTakenSerializer(serializers.Serializer[Any]):
    """What taking a plan wrote."""

    changed = serializers.IntegerField()
    confirmed = serializers.IntegerField()
    kept = serializers.ListField(child=serializers.CharField(), help_text="Visits left as they are, and why.")
    plan = PlanSerializer()


class HistoryLineSerializer(serializers.Serializer[Any]):
    """One change that somebody made."""

    version = serializers.IntegerField()
    kind = serializers.CharField()
    sentence = serializers.CharField()
    made_by = serializers.CharField(source="made_by.display_name", default="")
    made_at = serializers.DateTimeField()


class PlanFilter(django_filters.FilterSet):
    """What plans can be asked for by."""

    state = django_filters.ChoiceFilter(choices=STATES, label="Plans in this state.")
    first_on = django_filters.DateFilter(label="Plans that begin on this day.")


@extend_schema(tags=["Routes"])
@extend_schema_view(list=extend_schema(summary="List plans"))
class PlanViewSet(Shown):
    """Plans of routes."""

    queryset = RoutePlan.objects.select_related("depot")
    serializer_class = PlanSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = PlanFilter
    page_order = ("first_on", "number")
    acts = {
        "list": (Act.PLAN_VISITS,),
        "retrieve": (Act.PLAN_VISITS,),
        "create": (Act.PLAN_VISITS,),
        "change": (Act.PLAN_VISITS,),
        "take": (Act.PLAN_VISITS,),
        "history": (Act.PLAN_VISITS,),
    }

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        """The long form where one plan is shown."""
        return PlanDetailSerializer if self.action in ("retrieve", "create") else PlanSerializer

    def facts_about(self, rows: Sequence[RoutePlan]) -> dict[str, Any]:
        """The lanes of the one plan that is shown."""
        if self.action in ("retrieve", "create") and rows:
            return {"board": board_of(rows[0])}
        return {}

    @extend_schema(summary="Show a plan", responses=PlanDetailSerializer)
    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """A plan with its lanes."""
        return super().retrieve(request, *args, **kwargs)

    @extend_schema(
        summary="Make a plan",
        description="The first answer takes about a second. What cannot be planned is left out with the "
        "reason; a plan is a draft until it is taken.",
        request=MakePlanSerializer,
        responses={201: PlanDetailSerializer},
    )
    def create(self, request: Request) -> Response:
        """Plan some days for the technicians and sites of a depot."""
        given = self.input(MakePlanSerializer)
        depot = Depot.objects.filter(public_id=given.pop("depot")).first()
        if depot is None:
            raise ValidationError({"depot": "There is no such depot."})
        done = services.make_plan([depot], by=self.person, now=self.now, **given)
        return self.after_write(done.plan, status=201)

    @extend_schema(
        summary="Change a plan by hand",
        description="Only what must change changes. Answers 409 `change_refused`, with what would help, "
        "where the wish cannot be kept, and 409 `plan_changed` where somebody else was faster. Both change "
        "nothing.",
        request=PlanChangeSerializer,
        responses=ChangedSerializer,
    )
    @action(detail=True, methods=["post"])
    def change(self, request: Request, public_id: str) -> Response:
        """Move, pin, release, keep out, let in, undo or redo."""
        plan = self.get_object()
        given = self.input(PlanChangeSerializer)
        common = {"version": given["version"], "by": self.person, "now": self.now}
        if given["act"] in TURNS:
            done = TURNS[given["act"]](plan, **common)
        else:
            stops = plan.stops.select_related("visit")
            visit = next((s.visit for s in stops if s.visit.public_id == given.get("visit")), None)
            if visit is None:
                raise ValidationError({"visit": "This visit is not part of the plan."})
            if given["act"] == "move":
                done = self._moved(plan, visit, given, common)
            else:
                done = ONE_VISIT[given["act"]](plan, visit.pk, **common)
        if done.refused:
            raise Conflict("change_refused", done.refused, ways=[way.text for way in done.ways])
        answer = {
            "sentence": done.sentence,
            "moved": done.moved,
            "cost_before_60": done.cost_before_60,
            "cost_60": done.cost_60,
            "plan": self.get_queryset().get(pk=plan.pk),
        }
        return Response(ChangedSerializer(answer).data)

    def _moved(
        self, plan: RoutePlan, visit: Visit, given: dict[str, Any], common: dict[str, Any]
    ) -> services.Done:
        technician = None
        if given["technician"] is not None:
            technician = TechnicianViewSet.queryset.filter(public_id=given["technician"]).first()
            if technician is None:
                raise ValidationError(
                    {"technician": "There is no such active technician. Choose one from the list."}
                )
        if given["on"] is not None and given["on"] not in plan_days(plan):
            raise ValidationError({"on": f"{given['on']} is not a day of this plan."})
        if technician is None and given["on"] is None and given["starts_s"] is None:
            raise ValidationError({"technician": "Name a technician, a day or a start."})
        return services.move(
            plan,
            visit.pk,
            technician_id=technician.pk if technician else None,
            on=given["on"],
            starts_s=given["starts_s"],
            position=given["position"],
            **common,
        )

    @extend_schema(summary="Take a plan", request=TakeSerializer, responses=PlanTakenSerializer)
    @action(detail=True, methods=["post"])
    def take(self, request: Request, public_id: str) -> Response:
        """Write technician, day and window into the visits of the plan."""
        plan = self.get_object()
        written = services.take(plan, by=self.person, now=self.now, **self.input(TakeSerializer))
        answer = {
            "changed": written.changed,
            "confirmed": written.confirmed,
            "kept": list(written.kept),
            "plan": self.get_queryset().get(pk=plan.pk),
        }
        return Response(PlanTakenSerializer(answer).data)

    @extend_schema(
        summary="What was done to a plan", responses=HistoryLineSerializer(many=True), filters=False
    )
    @action(detail=True, methods=["get"], pagination_class=None, url_path="history")
    def history(self, request: Request, public_id: str) -> Response:
        """Its last changes, newest first."""
        return Response(HistoryLineSerializer(history_of(self.get_object(), 100), many=True).data)
