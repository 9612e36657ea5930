"""Goods, custody and condition as other programs read them: lots and their units, loans, estimates."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.condition.models import MEASURES, LeakEstimate
from inventory.register.places import Loan
from inventory.stock.models import Item, Lot
from inventory.stock.queries import lots_with_stock, units_of_lot
from servicedesk.access import Act
from servicedesk.api.base import Listed, Shown
from servicedesk.api.references import LocationBriefSerializer, SiteBriefSerializer, UnitBriefSerializer


class LotSerializer(serializers.Serializer[Lot]):
    """A lot: what came in one delivery of one batch."""

    id = serializers.UUIDField(source="public_id")
    lot_no = serializers.CharField(help_text="As the maker printed it.")
    item = serializers.CharField(source="item.code")
    item_name = serializers.CharField(source="item.name")
    base_unit = serializers.ChoiceField(source="item.base_unit", choices=Item.BaseUnit.choices)
    maker = serializers.CharField()
    state = serializers.ChoiceField(choices=Lot.State.choices)
    received_on = serializers.DateField()
    expires_on = serializers.DateField(allow_null=True, help_text="Last day on which it may be used.")
    left = serializers.IntegerField(help_text="In all stores, base units.")
    unit_count = serializers.IntegerField(help_text="Units that got of it.")


class LotUnitSerializer(serializers.Serializer[Any]):
    """A unit that got of a lot, and where it is now."""

    unit = UnitBriefSerializer(source="*")
    got = serializers.IntegerField(help_text="Base units of the item.")
    got_on = serializers.DateField()
    is_refilled = serializers.BooleanField(help_text="Filled from another lot since.")
    site = SiteBriefSerializer(allow_null=True)
    location = LocationBriefSerializer(allow_null=True)
    store = serializers.CharField(allow_null=True, source="store.name", default=None)


@extend_schema(tags=["Stock"])
@extend_schema_view(list=extend_schema(summary="List lots"), retrieve=extend_schema(summary="Show a lot"))
class LotViewSet(Shown):
    """Lots of agent, gas and parts; for the firm alone."""

    queryset = lots_with_stock()
    serializer_class = LotSerializer
    filter_backends: list[Any] = []
    page_order = ("received_on", "public_id")
    acts = {"list": (Act.SEE_BENCH,), "retrieve": (Act.SEE_BENCH,), "units": (Act.SEE_BENCH,)}

    def visible(self, queryset: Any) -> QuerySet[Any]:
        """All of them for those who see the whole firm, none for anybody else."""
        return queryset if self.scope.everything else queryset.none()

    @extend_schema(summary="List the units that got of a lot", responses=LotUnitSerializer(many=True))
    @action(detail=True, pagination_class=None)
    def units(self, request: Request, public_id: str) -> Response:
        """Every unit that got of the lot, with where it hangs or stands now."""
        rows = units_of_lot(self.get_object())
        return Response(LotUnitSerializer(rows, many=True, context=self.get_serializer_context()).data)


class LoanSerializer(serializers.Serializer[Loan]):
    """A loaner that hangs in the place of a unit that is away."""

    id = serializers.UUIDField(source="public_id")
    loaner = UnitBriefSerializer()
    in_place_of = UnitBriefSerializer(allow_null=True)
    site = SiteBriefSerializer(source="location.site")
    location = LocationBriefSerializer()
    out_on = serializers.DateField()
    expected_back_on = serializers.DateField(allow_null=True)
    ended_on = serializers.DateField(allow_null=True)


@extend_schema(tags=["Stock"])
@extend_schema_view(list=extend_schema(summary="List loans"))
class LoanViewSet(Listed):
    """Loans on the premises that the reader may see, ended ones included."""

    queryset = Loan.objects.select_related("loaner__model", "in_place_of__model", "location__site")
    serializer_class = LoanSerializer
    filter_backends: list[Any] = []
    page_order = ("out_on", "public_id")
    acts = {"list": (Act.SEE_REGISTER,)}


class LeakEstimateSerializer(serializers.Serializer[LeakEstimate]):
    """How fast the charge of a unit goes, as far as its readings and those of its peers tell."""

    unit = UnitBriefSerializer()
    measure = serializers.ChoiceField(choices=MEASURES)
    readings = serializers.IntegerField()
    last_on = serializers.DateField(help_text="Day of the last reading.")
    last_level = serializers.FloatField(help_text="Share of the full value, at 20 °C.")
    loss = serializers.FloatField(allow_null=True, help_text="Share per year, expected.")
    loss_low = serializers.FloatField(allow_null=True, help_text="Lower end of the 90 % interval.")
    loss_high = serializers.FloatField(allow_null=True, help_text="Upper end of the 90 % interval.")
    limit = serializers.FloatField(help_text="Level below which it must not fall.")
    limit_on = serializers.DateField(allow_null=True, help_text="Day on which it is expected there.")
    limit_early_on = serializers.DateField(allow_null=True, help_text="Hardly before this day.")


@extend_schema(tags=["Stock"])
@extend_schema_view(list=extend_schema(summary="List leak estimates"))
class LeakEstimateViewSet(Listed):
    """Estimates for the firm alone: a forecast is no statement to an owner."""

    queryset = LeakEstimate.objects.select_related("unit__model")
    serializer_class = LeakEstimateSerializer
    filter_backends: list[Any] = []
    page_order = ("limit_early_on", "unit__public_id")
    page_nulls_last = True
    acts = {"list": (Act.SEE_DESK, Act.SEE_BENCH)}
