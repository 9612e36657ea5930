"""Units, the models they are built to, why they fall due and what happened to them."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import Exists, OuterRef, QuerySet
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.register.aliases import known_as
from inventory.register.models import (
    AGENT_CHOICES,
    CONSTRUCTION_CHOICES,
    SHELL_CHOICES,
    Unit,
    UnitModel,
)
from schedules.due.models import Obligation
from schedules.due.queries import attach_why
from schedules.rulebook.queries import confirmations
from servicedesk.access import Act
from servicedesk.api.base import Shown
from servicedesk.api.corrections import UnitFactsSerializer, correct_unit
from servicedesk.api.obligations import ObligationSerializer, with_rows
from servicedesk.api.records import RECORD_ORDER, RecordSerializer, records
from servicedesk.api.references import LocationBriefSerializer, SiteBriefSerializer, StampSerializer


class UnitModelSerializer(serializers.Serializer[UnitModel]):
    """Build data shared by units. Null is unknown, never a guess."""

    id = serializers.UUIDField(source="public_id")
    kind = serializers.CharField(source="kind_text", help_text="Charge, agent and construction in words.")
    maker = serializers.CharField()
    name = serializers.CharField()
    agent = serializers.ChoiceField(choices=AGENT_CHOICES)
    construction = serializers.ChoiceField(choices=CONSTRUCTION_CHOICES)
    shell = serializers.ChoiceField(choices=SHELL_CHOICES)
    cylinder_spec = serializers.CharField(help_text="As stamped, e.g. 3AA or 4BW.")
    charge_text = serializers.CharField(help_text="Charge as printed, e.g. 10 lb.")
    charge_mass_g = serializers.IntegerField(allow_null=True)
    charge_volume_ml = serializers.IntegerField(allow_null=True)
    water_capacity_ml = serializers.IntegerField(allow_null=True)
    working_pressure_kpa = serializers.IntegerField(allow_null=True, help_text="Gauge, at 20 °C.")
    test_pressure_kpa = serializers.IntegerField(allow_null=True)
    full_mass_g = serializers.IntegerField(allow_null=True, help_text="Gross mass when full.")
    is_wheeled = serializers.BooleanField()
    is_refillable = serializers.BooleanField(allow_null=True)
    has_shutoff_hose = serializers.BooleanField(allow_null=True)


class UnitModelFilter(django_filters.FilterSet):
    """What unit models can be asked for by."""

    agent = django_filters.ChoiceFilter(choices=AGENT_CHOICES, label="Models filled with this agent.")
    construction = django_filters.ChoiceFilter(choices=CONSTRUCTION_CHOICES, label="Models driven this way.")


@extend_schema(tags=["Register"])
@extend_schema_view(
    list=extend_schema(summary="List unit models"), retrieve=extend_schema(summary="Show a unit model")
)
class UnitModelViewSet(Shown):
    """Models that units are built to. The firm sees all of them, an owner those of own units."""

    queryset = UnitModel.objects.all()
    serializer_class = UnitModelSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = UnitModelFilter
    page_order = ("agent", "maker", "name", "public_id")
    acts = {"list": (Act.SEE_REGISTER,), "retrieve": (Act.SEE_REGISTER,)}

    def visible(self, queryset: Any) -> QuerySet[Any]:
        """All models for the firm, whose technicians name replacements by them; an owner's own otherwise."""
        if self.scope.everything or self.scope.technician_id is not None:
            return queryset
        own = super().visible(Unit.objects.filter(model=OuterRef("pk")))
        return queryset.filter(Exists(own))


class UnitSerializer(serializers.Serializer[Unit]):
    """One extinguisher, from first sight to scrap."""

    id = serializers.UUIDField(source="public_id")
    number = serializers.CharField(help_text="Our own number, on the identity label.")
    serial = serializers.CharField(help_text="As read; empty when none is readable. Not unique.")
    state = serializers.ChoiceField(choices=Unit.State.choices)
    state_text = serializers.CharField(source="get_state_display")
    model = UnitModelSerializer()
    site = SiteBriefSerializer(allow_null=True)
    location = LocationBriefSerializer(allow_null=True)
    made = StampSerializer()
    commissioned_on = serializers.DateField(allow_null=True)
    merged_into = serializers.UUIDField(
        source="merged_into.public_id",
        default=None,
        allow_null=True,
        help_text="The unit that this one turned out to be; its history is read there.",
    )
    doubts = serializers.ListField(
        child=serializers.CharField(), help_text="What the register could not be sure of."
    )


class UnitFilter(django_filters.FilterSet):
    """What units can be asked for by."""

    site = django_filters.UUIDFilter(field_name="site__public_id", label="Units on this site.")
    owner = django_filters.UUIDFilter(field_name="site__owner__public_id", label="Units of this owner.")
    location = django_filters.UUIDFilter(field_name="location__public_id", label="The unit at this location.")
    model = django_filters.UUIDFilter(field_name="model__public_id", label="Units of this model.")
    state = django_filters.ChoiceFilter(choices=Unit.State.choices, label="Units in this state.")
    number = django_filters.CharFilter(label="The unit with exactly this number on its label.")
    serial = django_filters.CharFilter(label="Units with exactly this serial.")


class WhySerializer(serializers.Serializer[Any]):
    """Everything that the tables demand of one unit, with the reason for each date."""

    unit = UnitSerializer()
    as_of_on = serializers.DateField(help_text="The civil date at the site on which this was judged.")
    obligations = ObligationSerializer(many=True)


@extend_schema(tags=["Register"])
@extend_schema_view(list=extend_schema(summary="List units"), retrieve=extend_schema(summary="Show a unit"))
class UnitViewSet(Shown):
    """Extinguishers."""

    queryset = Unit.objects.select_related("model", "site", "location", "merged_into")
    serializer_class = UnitSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = UnitFilter
    page_order = ("number",)
    acts = {
        "list": (Act.SEE_REGISTER,),
        "retrieve": (Act.SEE_REGISTER,),
        "why": (Act.SEE_REGISTER,),
        "records": (Act.SEE_REGISTER,),
        "correct": (Act.CHANGE_REGISTER,),
    }

    @extend_schema(summary="Say why a unit falls due", responses=WhySerializer, filters=False)
    @action(detail=True)
    def why(self, request: Request, public_id: str) -> Response:
        """Every obligation of the unit, earliest first, each with its explanation line by line."""
        unit = self.get_object()
        found = self.visible(with_rows(Obligation.objects.filter(unit=unit)))
        rows = sorted(
            found,
            key=lambda row: (row.latest_on is None, row.latest_on, row.task, row.table_key, row.rule_id),
        )
        attach_why(rows, self.now)
        context = {**self.get_serializer_context(), "standing": confirmations()}
        day = self.today_in(unit.site.time_zone if unit.site else "UTC")
        answer = {"unit": unit, "as_of_on": day, "obligations": rows}
        return Response(WhySerializer(answer, context=context).data)

    @extend_schema(summary="List a unit's records", responses=RecordSerializer(many=True), filters=False)
    @action(detail=True, serializer_class=RecordSerializer, page_order=RECORD_ORDER)
    def records(self, request: Request, public_id: str) -> Response:
        """What happened to the unit, latest first. Corrected records stay in the list."""
        unit = self.get_object()
        return self.page_of(self.visible(records().filter(unit__in=known_as([unit.pk]))))

    @extend_schema(
        summary="Correct a unit's facts",
        description="Writes down each fact that differs, old and new, moves the dates at once and flags "
        "certificates that state what was wrong.",
        request=UnitFactsSerializer,
        filters=False,
    )
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, public_id: str) -> Response:
        """Correct or change facts."""
        row = self.get_object()
        correct_unit(self, row, self.input(UnitFactsSerializer))
        return self.after_write(row)
