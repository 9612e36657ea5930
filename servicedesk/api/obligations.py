"""The due list: what each rule of each adopted table demands of each unit next."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import django_filters
from django.db.models import QuerySet
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import extend_schema, extend_schema_field, extend_schema_view
from rest_framework import serializers

from inventory.logbook.models import TASK_CHOICES
from schedules.due.models import Obligation
from schedules.due.queries import STATUS_LABELS, Status, attach_why, status_on, with_status
from schedules.engine import KNOWLEDGE_LABELS
from schedules.rulebook.queries import confirmations
from servicedesk.access import Act
from servicedesk.api.base import Listed
from servicedesk.api.references import (
    SiteBriefSerializer,
    TableBriefSerializer,
    UnitBriefSerializer,
    table_brief,
)

STATUS_CHOICES = [(status.value, STATUS_LABELS[status]) for status in Status]
KNOWLEDGE_CHOICES = [(code.value, label) for code, label in KNOWLEDGE_LABELS.items()]


def with_rows(queryset: QuerySet[Obligation]) -> QuerySet[Obligation]:
    """``queryset`` with what the serializer reads of each row."""
    return queryset.select_related("unit__model", "unit__location", "site")


class ObligationSerializer(serializers.Serializer[Obligation]):
    """What one rule of one table demands of one unit next, and why."""

    unit = UnitBriefSerializer()
    site = SiteBriefSerializer(allow_null=True)
    location_number = serializers.CharField(
        source="unit.location.number", default="", help_text="Where it hangs."
    )
    task = serializers.ChoiceField(choices=TASK_CHOICES)
    task_text = serializers.CharField(source="get_task_display")
    table = serializers.SerializerMethodField()
    rule = serializers.CharField(source="rule_id", help_text="The rule's name in its table.")
    earliest_on = serializers.DateField(allow_null=True)
    target_on = serializers.DateField(allow_null=True)
    latest_on = serializers.DateField(
        allow_null=True, help_text="Last civil day at the site; null where no date exists (see `knowledge`)."
    )
    status = serializers.SerializerMethodField(help_text="How it stands on the site's own today.")
    status_text = serializers.SerializerMethodField()
    knowledge = serializers.ChoiceField(
        choices=KNOWLEDGE_CHOICES, help_text="How well the date is known. Unknown is never fine."
    )
    basis_text = serializers.CharField(help_text="What the date counts from.")
    why = serializers.ListField(
        child=serializers.CharField(), help_text="Table, clause, basis and arithmetic, line by line."
    )
    is_binding = serializers.BooleanField(
        help_text="Whether this row sets the date of its task: the earliest among the tables that apply."
    )
    computed_at = serializers.DateTimeField()

    @extend_schema_field(TableBriefSerializer)
    def get_table(self, row: Obligation) -> dict[str, Any]:
        """The table that demands it and its state of confirmation."""
        return table_brief(row.table_key, row.table_version, self.context["standing"])

    @extend_schema_field(serializers.ChoiceField(choices=STATUS_CHOICES))
    def get_status(self, row: Obligation) -> str:
        """The status code."""
        return self._status(row).value

    def get_status_text(self, row: Obligation) -> str:
        """The status in words."""
        return STATUS_LABELS[self._status(row)]

    def _status(self, row: Obligation) -> Status:
        today = self.context["view"].today_in(row.site.time_zone if row.site else "UTC")
        return status_on(
            knowledge=row.knowledge,
            is_deferred=row.is_deferred,
            latest_on=row.latest_on,
            target_on=row.target_on,
            today=today,
        )


class ObligationFilter(django_filters.FilterSet):
    """What the due list can be asked for by."""

    site = django_filters.UUIDFilter(field_name="site__public_id", label="Due on this site.")
    owner = django_filters.UUIDFilter(
        field_name="site__owner__public_id", label="Due on sites of this owner."
    )
    unit = django_filters.UUIDFilter(field_name="unit__public_id", label="Demanded of this unit.")
    task = django_filters.ChoiceFilter(choices=TASK_CHOICES, label="Of this task.")
    table = django_filters.CharFilter(field_name="table_key", label="Demanded by the table with this key.")
    latest_on_before = django_filters.DateFilter(
        field_name="latest_on", lookup_expr="lte", label="With a latest date on or before this day."
    )
    latest_on_after = django_filters.DateFilter(
        field_name="latest_on", lookup_expr="gte", label="With a latest date on or after this day."
    )
    status = django_filters.ChoiceFilter(
        choices=STATUS_CHOICES, method="by_status", label="Standing so on each site's own today."
    )
    is_binding = django_filters.BooleanFilter(
        label="Only the row that sets the date of its task, or only the others."
    )
    ours = django_filters.BooleanFilter(
        method="by_ours", label="true leaves out the monthly look of the owner's own people."
    )

    def by_status(self, queryset: QuerySet[Obligation], name: str, value: str) -> QuerySet[Obligation]:
        """Rows with the status ``value`` at the instant of the request."""
        return queryset.filter(with_status(Status(value), self.request.parser_context["view"].now))

    def by_ours(self, queryset: Any, name: str, value: bool) -> QuerySet[Obligation]:
        """Rows that the firm serves."""
        return queryset.ours() if value else queryset


@extend_schema(tags=["Due"])
@extend_schema_view(
    list=extend_schema(
        summary="List what falls due",
        description="Ordered by latest date; rows without a date come last. Dates come from interval tables: "
        "unconfirmed ones are shipped defaults to confirm against local code, and each row says so.",
    )
)
class ObligationViewSet(Listed):
    """The due list."""

    queryset = with_rows(Obligation.objects.all())
    serializer_class = ObligationSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = ObligationFilter
    page_order = ("latest_on", "unit__number", "task", "table_key")
    page_nulls_last = True
    acts = {"list": (Act.SEE_REGISTER,)}

    def facts_about(self, rows: Sequence[Obligation]) -> dict[str, Any]:
        """The standing confirmations; the reasons of each row are attached to it."""
        attach_why(rows, self.now)
        return {"standing": confirmations()}
