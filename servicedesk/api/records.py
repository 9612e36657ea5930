"""Service records: what happened to a unit. Added and corrected, never changed."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.logbook.models import TASK_CHOICES, Reading, ServiceRecord
from inventory.logbook.services import correct_record
from inventory.measures.kinds import TestMethod
from inventory.measures.readings import QUANTITY_LABELS, Quantity, base_unit
from inventory.measures.stamps import StampError, read_stamp
from schedules.due.services import refresh_units
from servicedesk.access import Act
from servicedesk.api.base import PageSerializer, Shown
from servicedesk.api.references import (
    LocationBriefSerializer,
    SiteBriefSerializer,
    StampSerializer,
    UnitBriefSerializer,
)

RECORD_ORDER = ("-received_at", "client_ref")
QUANTITY_CHOICES = [(code.value, QUANTITY_LABELS[code]) for code in Quantity]
METHOD_CHOICES = [
    (code.value, code.value.replace("_", " ").capitalize()) for code in TestMethod if code.value
]


def records() -> QuerySet[ServiceRecord]:
    """All records with what the serializer reads of each."""
    return ServiceRecord.objects.select_related(
        "unit__model", "site", "location", "corrects", "corrected_by"
    ).prefetch_related("readings")


class ReadingSerializer(serializers.Serializer[Reading]):
    """One measured value: as entered, in its base unit, and whether it was inside its limit."""

    quantity = serializers.ChoiceField(choices=QUANTITY_CHOICES)
    quantity_text = serializers.SerializerMethodField()
    value = serializers.CharField(source="entered_value", help_text="The figures as typed, never converted.")
    unit_of_measure = serializers.CharField(source="entered_unit")
    base_value = serializers.FloatField(help_text="The value in `base_unit`.")
    base_unit = serializers.SerializerMethodField()
    verdict = serializers.ChoiceField(choices=Reading.Verdict.choices)
    verdict_reason = serializers.CharField()

    def get_quantity_text(self, row: Reading) -> str:
        """The quantity in words."""
        return QUANTITY_LABELS[Quantity(row.quantity)]

    def get_base_unit(self, row: Reading) -> str:
        """The unit of the base value."""
        return base_unit(Quantity(row.quantity)).value


class RecordSerializer(PageSerializer):
    """One thing that happened to one unit: what, when, who, with what result."""

    id = serializers.UUIDField(source="client_ref")
    unit = UnitBriefSerializer()
    sequence = serializers.IntegerField(help_text="Position in the unit's own chain, from 1.")
    task = serializers.ChoiceField(choices=TASK_CHOICES)
    task_text = serializers.CharField(source="get_task_display")
    outcome = serializers.ChoiceField(choices=ServiceRecord.Outcome.choices)
    outcome_text = serializers.CharField(source="get_outcome_display")
    done = StampSerializer()
    method = serializers.CharField(help_text="How a pressure test was made; empty for other tasks.")
    evidence = serializers.ChoiceField(choices=ServiceRecord.Evidence.choices)
    site = SiteBriefSerializer(allow_null=True)
    location = LocationBriefSerializer(allow_null=True)
    visit = serializers.UUIDField(source="visit_ref", allow_null=True, help_text="The visit it was made on.")
    performed_by_name = serializers.CharField()
    instrument = serializers.CharField()
    remarks = serializers.CharField()
    readings = ReadingSerializer(many=True)
    device_at = serializers.DateTimeField(allow_null=True, help_text="The device's clock.")
    received_at = serializers.DateTimeField()
    corrects = serializers.UUIDField(
        source="corrects.client_ref",
        allow_null=True,
        default=None,
        help_text="The record whose place it takes.",
    )
    corrected_by = serializers.UUIDField(
        source="corrected_by.client_ref",
        default=None,
        allow_null=True,
        help_text="The record that took its place.",
    )
    correction_reason = serializers.CharField(help_text="Why, and by whom.")

    class Meta:
        # The reason ends with the name of the person who corrected, which is the firm's own matter.
        internal = ("device_at", "correction_reason")


class RecordFilter(django_filters.FilterSet):
    """What records can be asked for by."""

    unit = django_filters.UUIDFilter(field_name="unit__public_id", label="Records of this unit.")
    site = django_filters.UUIDFilter(field_name="site__public_id", label="Made on this site.")
    visit = django_filters.UUIDFilter(field_name="visit_ref", label="Made on this visit.")
    task = django_filters.ChoiceFilter(choices=TASK_CHOICES, label="Of this task.")
    outcome = django_filters.ChoiceFilter(choices=ServiceRecord.Outcome.choices, label="With this outcome.")
    is_standing = django_filters.BooleanFilter(
        field_name="corrected_by", lookup_expr="isnull", label="true leaves out corrected records."
    )


class CorrectionSerializer(serializers.Serializer[Any]):
    """What is different in the record that takes the place of another; what is not named is taken over."""

    reason = serializers.CharField(max_length=150, help_text="Why the earlier record is corrected.")
    outcome = serializers.ChoiceField(choices=ServiceRecord.Outcome.choices, required=False)
    task = serializers.ChoiceField(choices=TASK_CHOICES, required=False)
    done = serializers.CharField(
        max_length=60, required=False, help_text="A day, month or year, e.g. `2026-03-14` or `2026-03`."
    )
    method = serializers.ChoiceField(choices=METHOD_CHOICES, required=False, allow_blank=True)
    remarks = serializers.CharField(required=False, allow_blank=True, max_length=2000)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """At least one change beside the reason."""
        if set(attrs) <= {"reason"}:
            raise ValidationError("Name at least one change: outcome, task, done, method or remarks.")
        return attrs


@extend_schema(tags=["Records"])
@extend_schema_view(
    list=extend_schema(
        summary="List records", description="Latest first. Corrected records stay in the list."
    ),
    retrieve=extend_schema(summary="Show a record"),
)
class RecordViewSet(Shown):
    """What happened to units."""

    queryset = records()
    serializer_class = RecordSerializer
    lookup_field = "client_ref"
    filter_backends = [DjangoFilterBackend]
    filterset_class = RecordFilter
    page_order = RECORD_ORDER
    acts = {
        "list": (Act.SEE_REGISTER,),
        "retrieve": (Act.SEE_REGISTER,),
        "correct": (Act.CORRECT_RECORDS,),
    }

    @extend_schema(
        summary="Correct a record",
        description="Adds a record that takes the place of this one and moves the unit's due dates at once. "
        "The corrected record stays as it is.",
        request=CorrectionSerializer,
        responses={201: RecordSerializer},
    )
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, client_ref: str) -> Response:
        """Add a record that takes the place of this one."""
        record = self.get_object()
        changes = self.input(CorrectionSerializer)
        reason = changes.pop("reason")
        if "done" in changes:
            today = self.today_in(record.site.time_zone if record.site else "UTC")
            try:
                changes["done"] = read_stamp(changes["done"], today=today).stamp
            except StampError as error:
                raise ValidationError({"done": error.sentence}) from error
        new = correct_record(record, reason=reason, by=self.person, at=self.now, **changes)
        refresh_units([new.unit_id], now=self.now)
        return self.after_write(new, status=201)
