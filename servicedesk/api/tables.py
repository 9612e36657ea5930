"""Interval tables: the rules that dates come from, and who has confirmed them against local code."""

from __future__ import annotations

from typing import Any

from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.errors import Conflict
from inventory.logbook.models import TASK_CHOICES
from schedules.rulebook.models import Confirmation
from schedules.rulebook.queries import TableState, all_table_states, table_state, table_version
from schedules.rulebook.services import confirm_table, withdraw_confirmation
from schedules.rules import STATUS_WORDS, IntervalTable, Rule
from servicedesk.access import Act
from servicedesk.api.base import Shown
from servicedesk.api.references import table_id

SOURCE_CHOICES = [(status.value, words) for status, words in STATUS_WORDS.items()]


class RuleSerializer(serializers.Serializer[Rule]):
    """One row of an interval table and where it is written."""

    id = serializers.CharField()
    task = serializers.ChoiceField(choices=TASK_CHOICES, source="task.value")
    called = serializers.CharField(help_text="What the document calls it.")
    interval_text = serializers.CharField(source="interval_words")
    clause = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    source_status = serializers.ChoiceField(choices=SOURCE_CHOICES, source="source_status.value")
    source_note = serializers.CharField()
    notes = serializers.ListField(child=serializers.CharField())
    assumed = serializers.CharField(help_text="What the document leaves open and this row assumes.")


class TableSerializer(serializers.Serializer[TableState]):
    """An interval table in one version: a default to confirm against local code."""

    id = serializers.SerializerMethodField(help_text="Key and version, joined by `@`.")
    key = serializers.CharField(source="table.key")
    version = serializers.CharField(source="table.version")
    title = serializers.CharField(source="table.title")
    jurisdiction = serializers.CharField(source="table.jurisdiction")
    document = serializers.CharField(source="table.document")
    edition = serializers.CharField(source="table.edition")
    valid_from = serializers.DateField(source="table.valid_from")
    valid_until = serializers.DateField(source="table.valid_until", allow_null=True)
    digest = serializers.CharField(source="table.digest", help_text="SHA-256 of the content.")
    statement = serializers.CharField(
        source="table.statement", help_text="To be shown wherever the table is used."
    )
    is_confirmed = serializers.BooleanField()
    confirmation = serializers.CharField(source="sentence", help_text="The state in one sentence.")
    confirmed_name = serializers.CharField()
    confirmed_at = serializers.DateTimeField(allow_null=True)
    local_code = serializers.CharField(help_text="What it was checked against.")

    def get_id(self, state: TableState) -> str:
        """The name of the table version in addresses."""
        return table_id(state.table.key, state.table.version)


class TableDetailSerializer(TableSerializer):
    """An interval table with its rules."""

    notes = serializers.ListField(source="table.notes", child=serializers.CharField())
    rules = RuleSerializer(source="table.rules", many=True)


class ConfirmSerializer(serializers.Serializer[Any]):
    """A manager's statement, by name, that a table version was checked against local code."""

    name = serializers.CharField(max_length=150, help_text="Your name, typed by yourself.")
    local_code = serializers.CharField(
        max_length=300, help_text="The local code or authority that you checked the table against."
    )


class WithdrawSerializer(serializers.Serializer[Any]):
    """Why a statement no longer stands."""

    reason = serializers.CharField(max_length=300)


_ID = OpenApiParameter("table", OpenApiTypes.STR, "path", description="Key and version, joined by `@`.")


@extend_schema(tags=["Interval tables"])
@extend_schema_view(
    list=extend_schema(summary="List interval tables", responses=TableSerializer(many=True)),
    retrieve=extend_schema(
        summary="Show an interval table", parameters=[_ID], responses=TableDetailSerializer
    ),
)
class TableViewSet(Shown):
    """Interval tables as shipped. They are documents, the same for every reader, and belong to no owner."""

    queryset = Confirmation.objects.none()
    serializer_class = TableSerializer
    filter_backends: list[Any] = []
    lookup_field = "table"
    lookup_value_regex = r"[A-Za-z0-9_.-]+@[A-Za-z0-9_.-]+"
    acts = {
        "list": (Act.SEE_RULEBOOK,),
        "retrieve": (Act.SEE_RULEBOOK,),
        "confirm": (Act.CONFIRM_TABLES,),
        "withdraw": (Act.CONFIRM_TABLES,),
    }

    def visible(self, queryset: Any) -> Any:
        """Confirmations are the firm's statements to everybody."""
        return queryset

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Every shipped table version, all on one page."""
        self.filter_queryset(self.get_queryset())
        found: Any = all_table_states()
        return Response({"next": None, "results": TableSerializer(found, many=True).data})

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """One table version with its rules."""
        return self._answer(self._table())

    @extend_schema(
        summary="Confirm a table",
        description="A named person's statement. A table whose content changes later is unconfirmed again.",
        parameters=[_ID],
        request=ConfirmSerializer,
        responses=TableDetailSerializer,
    )
    @action(detail=True, methods=["post"])
    def confirm(self, request: Request, table: str) -> Response:
        """State by name that this table version was checked against local code."""
        found = self._table()
        given = self.input(ConfirmSerializer)
        if table_state(found).is_confirmed:
            raise Conflict(
                "already_confirmed",
                "This table version is already confirmed. Withdraw that confirmation first.",
            )
        confirm_table(
            found.key,
            found.version,
            by=self.person,
            name=given["name"],
            local_code=given["local_code"],
            at=self.now,
        )
        return self._answer(found)

    @extend_schema(
        summary="Withdraw a confirmation",
        parameters=[_ID],
        request=WithdrawSerializer,
        responses=TableDetailSerializer,
    )
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, table: str) -> Response:
        """State that the confirmation of this table version no longer stands."""
        found = self._table()
        given = self.input(WithdrawSerializer)
        standing = (
            Confirmation.objects.standing().filter(table_key=found.key, table_version=found.version).first()
        )
        if standing is None or not withdraw_confirmation(
            standing.pk, by=self.person, reason=given["reason"], at=self.now
        ):
            raise Conflict(
                "not_confirmed", "This table version is not confirmed, so there is nothing to withdraw."
            )
        return self._answer(found)

    def _table(self) -> IntervalTable:
        key, _, version = self.kwargs["table"].partition("@")
        table = table_version(key, version)
        if table is None:
            raise Http404
        return table

    def _answer(self, table: IntervalTable) -> Response:
        return Response(TableDetailSerializer(table_state(table)).data)
