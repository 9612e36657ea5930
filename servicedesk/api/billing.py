"""Billing runs for the bookkeeping that the firm has: made, read and taken back by another program."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import extend_schema, extend_schema_field, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.errors import Conflict
from inventory.register.models import Owner
from schedules.billing.models import BillingLine, BillingRun
from schedules.billing.services import make_run, take_back
from servicedesk.access import Act
from servicedesk.api.base import Listed, Shown
from servicedesk.api.references import OwnerBriefSerializer, SiteBriefSerializer


class BillingRunSerializer(serializers.Serializer[BillingRun]):
    """A run: what was done up to a day and was not billed before."""

    id = serializers.UUIDField(source="public_id")
    number = serializers.CharField()
    first_on = serializers.DateField()
    until_on = serializers.DateField()
    note = serializers.CharField()
    made_at = serializers.DateTimeField()
    taken_back_at = serializers.DateTimeField(allow_null=True)
    taken_back_reason = serializers.CharField()


class NewRunSerializer(serializers.Serializer[Any]):
    """What is to be billed."""

    owners = serializers.ListField(
        child=serializers.UUIDField(), required=False, default=list, help_text="Empty: all."
    )
    first_on = serializers.DateField(help_text="First of a month; what was done before is not looked at.")
    until_on = serializers.DateField(help_text="Today at the latest.")
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class TakeBackSerializer(serializers.Serializer[Any]):
    """Why a run is taken back."""

    reason = serializers.CharField(max_length=200)


class _FirmsOwn:
    def visible(self, queryset: Any) -> QuerySet[Any]:
        """Billing is the firm's alone."""
        found: QuerySet[Any] = queryset if self.scope.everything else queryset.none()  # type: ignore[attr-defined]
        return found


@extend_schema(tags=["Billing"])
@extend_schema_view(
    list=extend_schema(summary="List billing runs"), retrieve=extend_schema(summary="Show a billing run")
)
class BillingRunViewSet(_FirmsOwn, Shown):
    """Runs, each with the lines that no run before it held."""

    queryset = BillingRun.objects.all()
    serializer_class = BillingRunSerializer
    filter_backends: list[Any] = []
    page_order = ("made_at", "public_id")
    acts = {
        "list": (Act.MAKE_BILLING,),
        "retrieve": (Act.MAKE_BILLING,),
        "create": (Act.MAKE_BILLING,),
        "take_back": (Act.MAKE_BILLING,),
    }

    @extend_schema(
        summary="Make a billing run", request=NewRunSerializer, responses={201: BillingRunSerializer}
    )
    def create(self, request: Request) -> Response:
        """Store what is not billed yet; a 409 when nothing is left."""
        given = self.input(NewRunSerializer)
        owners = Owner.objects.order_by("pk")
        if given["owners"]:
            owners = owners.filter(public_id__in=given["owners"])
            if owners.count() != len(set(given["owners"])):
                raise serializers.ValidationError({"owners": "There is no such owner among them."})
        run = make_run(
            list(owners),
            first_on=given["first_on"],
            until_on=given["until_on"],
            note=given["note"],
            by=self.person,
            now=self.now,
        )
        if run is None:
            raise Conflict("nothing_to_bill", "Nothing is left to be billed there.")
        return self.after_write(run, status=201)

    @extend_schema(
        summary="Take a billing run back", request=TakeBackSerializer, responses=BillingRunSerializer
    )
    @action(detail=True, methods=["post"], url_path="take-back")
    def take_back(self, request: Request, public_id: str) -> Response:
        """Its lines stay to be read, and what they stand for is to be billed again."""
        run = self.get_object()
        take_back(run, self.input(TakeBackSerializer)["reason"], by=self.person, now=self.now)
        return self.after_write(run)


class BillingLineSerializer(serializers.Serializer[BillingLine]):
    """One line; amounts are texts, so that no reader rounds them."""

    id = serializers.UUIDField(source="public_id")
    run = serializers.CharField(source="run.number")
    is_live = serializers.BooleanField(help_text="No once the run was taken back.")
    corrects = serializers.UUIDField(source="corrects.public_id", allow_null=True, default=None)
    owner = OwnerBriefSerializer()
    site = SiteBriefSerializer()
    done_on = serializers.DateField(source="on")
    kind = serializers.CharField(help_text="visit, unit, task, part, loan or rental.")
    code = serializers.CharField(help_text="What is billed, as the price list names it.")
    price_code = serializers.CharField(source="item.code", allow_null=True, default=None)
    text = serializers.CharField()
    quantity = serializers.DecimalField(max_digits=12, decimal_places=2)
    unit_of_quantity = serializers.CharField(source="unit_word")
    price = serializers.DecimalField(max_digits=12, decimal_places=2, allow_null=True)
    currency = serializers.CharField(help_text="Empty without a price.")
    amount = serializers.DecimalField(max_digits=14, decimal_places=2, allow_null=True)
    is_included = serializers.BooleanField(help_text="Covered by the basis of price; nothing is charged.")
    basis_of_price = serializers.CharField(source="basis", help_text="Empty: not agreed.")
    contract_number = serializers.CharField()
    purchase_order = serializers.CharField(source="po_number")
    purchase_order_problem = serializers.CharField(source="po_problem")
    unit_number = serializers.CharField(source="unit.number", allow_null=True, default=None)
    visit_number = serializers.CharField()
    sources = serializers.SerializerMethodField(help_text="Sort and id of each record behind it.")

    @extend_schema_field(serializers.ListField(child=serializers.DictField(child=serializers.CharField())))
    def get_sources(self, line: BillingLine) -> list[dict[str, str]]:
        """What it was read off."""
        return [{"sort": sort, "id": ref} for sort, ref in line.sources]


class BillingLineFilter(django_filters.FilterSet):
    """What lines can be asked for by."""

    run = django_filters.UUIDFilter(field_name="run__public_id", label="Lines of this run.")
    owner = django_filters.UUIDFilter(field_name="owner__public_id", label="Lines of this owner.")


@extend_schema(tags=["Billing"])
@extend_schema_view(list=extend_schema(summary="List billing lines"))
class BillingLineViewSet(_FirmsOwn, Listed):
    """Lines of billing runs."""

    queryset = BillingLine.objects.select_related("run", "owner", "site", "unit", "item", "corrects")
    serializer_class = BillingLineSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = BillingLineFilter
    page_order = ("on", "public_id")
    acts = {"list": (Act.MAKE_BILLING,)}
