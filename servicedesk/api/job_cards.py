"""Job cards of the workshop: received, worked step by step, read by whoever sees the bench."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import django_filters
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import extend_schema, extend_schema_field, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.logbook.models import TASK_CHOICES
from inventory.register.models import Unit
from inventory.workshop.models import CardEntry, JobCard
from inventory.workshop.queries import CardBoard, board_of, entries_of
from schedules.visits import workshop
from servicedesk.access import Act
from servicedesk.api.base import Shown
from servicedesk.api.references import LocationBriefSerializer, SiteBriefSerializer, UnitBriefSerializer

SEEING, WORKING = (Act.SEE_BENCH,), (Act.WORK_BENCH,)


class CardEntrySerializer(serializers.Serializer[CardEntry]):
    """What one person stated about one step, and how it was judged."""

    id = serializers.UUIDField(source="client_ref")
    sequence = serializers.IntegerField()
    step = serializers.CharField(help_text="Code of the step.")
    done_on = serializers.DateField()
    values = serializers.JSONField(help_text="By field: the value as entered, with its unit of measure.")
    verdict = serializers.ChoiceField(choices=CardEntry.Verdict.choices)
    sentences = serializers.ListField(child=serializers.CharField(), help_text="Why it was judged so.")
    flags = serializers.ListField(child=serializers.CharField(), help_text="To know beside the verdict.")
    remarks = serializers.CharField()
    made_by_name = serializers.CharField()
    made_at = serializers.DateTimeField()
    corrects = serializers.UUIDField(source="corrects.client_ref", default=None, allow_null=True)


class CardFieldSerializer(serializers.Serializer[Any]):
    """One thing that a step asks for."""

    code = serializers.CharField()
    kind = serializers.CharField(
        help_text="check, number, text, choice, many, all, date, instrument, lot, drum."
    )
    is_required = serializers.BooleanField(source="required")
    units = serializers.ListField(child=serializers.CharField(), help_text="For a number.")
    choices = serializers.SerializerMethodField(help_text="Codes to choose from.")

    def get_choices(self, spec: Any) -> list[str]:
        """The codes."""
        return [code for code, _ in spec.choices]


class CardStepSerializer(serializers.Serializer[Any]):
    """One step that the unit needs."""

    code = serializers.CharField(source="step.code")
    stage = serializers.CharField(source="step.stage")
    title = serializers.CharField(source="step.title")
    is_done = serializers.BooleanField()
    is_next = serializers.BooleanField()
    asks = CardFieldSerializer(source="step.fields", many=True, help_text="What the step asks for.")


class JobCardSerializer(serializers.Serializer[JobCard]):
    """A job card in a list."""

    id = serializers.UUIDField(source="public_id")
    number = serializers.CharField()
    unit = UnitBriefSerializer()
    site = SiteBriefSerializer(allow_null=True)
    home = LocationBriefSerializer(allow_null=True, help_text="Where the unit hung last.")
    state = serializers.ChoiceField(choices=JobCard.State.choices)
    reason = serializers.ChoiceField(choices=JobCard.Reason.choices)
    works = serializers.ListField(child=serializers.CharField(), help_text="Tasks that the card is for.")
    decision = serializers.ChoiceField(choices=JobCard.Decision.choices)
    received_on = serializers.DateField()
    promised_on = serializers.DateField(allow_null=True)
    return_by_on = serializers.DateField(allow_null=True, help_text="Last day by the rule of the place.")
    return_rule = serializers.CharField()
    version = serializers.IntegerField()


class JobCardDetailSerializer(JobCardSerializer):
    """A job card with its steps and entries."""

    accessories = serializers.CharField()
    remarks = serializers.CharField()
    must_test = serializers.SerializerMethodField(help_text="Not to be charged before a passed test.")
    charging = serializers.SerializerMethodField(help_text="Why it must not be charged; empty when it may.")
    steps = serializers.SerializerMethodField()
    entries = serializers.SerializerMethodField()

    def _board(self, card: JobCard) -> CardBoard:
        board: CardBoard = self.context["boards"][card.pk]
        return board

    def get_must_test(self, card: JobCard) -> bool:
        """Whether a pressure test is owed."""
        return self._board(card).must_test

    def get_charging(self, card: JobCard) -> str:
        """The due engine's sentence."""
        return self._board(card).charging.sentence

    @extend_schema_field(CardStepSerializer(many=True))
    def get_steps(self, card: JobCard) -> Any:
        """The steps in their order."""
        return CardStepSerializer(self._board(card).lines, many=True).data

    @extend_schema_field(CardEntrySerializer(many=True))
    def get_entries(self, card: JobCard) -> Any:
        """The entries that count."""
        return CardEntrySerializer(self.context["entries"][card.pk], many=True).data


class ReceiveSerializer(serializers.Serializer[Any]):
    """Receiving a unit."""

    unit = serializers.UUIDField()
    reason = serializers.ChoiceField(choices=JobCard.Reason.choices)
    works = serializers.ListField(child=serializers.ChoiceField(choices=TASK_CHOICES), default=list)
    promised_on = serializers.DateField(required=False, allow_null=True)
    accessories = serializers.CharField(required=False, allow_blank=True, max_length=200, default="")
    remarks = serializers.CharField(required=False, allow_blank=True, max_length=1000, default="")


class StateStepSerializer(serializers.Serializer[Any]):
    """Stating one step."""

    step = serializers.CharField(max_length=24)
    values = serializers.DictField(
        help_text='By field: a text, true, a list, or for a number `{"value": "4.5", "unit": "kg"}`.'
    )
    version = serializers.IntegerField(help_text="The version of the card that was seen.")
    client_ref = serializers.UUIDField(help_text="Made by the client; a resend meets the first entry.")
    confirmed = serializers.BooleanField(
        default=False, help_text="Stores figures that were refused as unlikely."
    )
    remarks = serializers.CharField(required=False, allow_blank=True, max_length=1000, default="")


class JobCardFilter(django_filters.FilterSet):
    """What job cards can be asked for by."""

    state = django_filters.ChoiceFilter(choices=JobCard.State.choices, label="In this state.")
    unit = django_filters.UUIDFilter(field_name="unit__public_id", label="Of this unit.")
    site = django_filters.UUIDFilter(field_name="site__public_id", label="Of units of this site.")


@extend_schema(tags=["Workshop"])
@extend_schema_view(
    list=extend_schema(summary="List job cards", description="Latest first.", responses=JobCardSerializer),
    retrieve=extend_schema(summary="Show a job card", responses=JobCardDetailSerializer),
)
class JobCardViewSet(Shown):
    """Units in the workshop."""

    queryset = JobCard.objects.select_related("unit__model", "site", "home")
    serializer_class = JobCardDetailSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = JobCardFilter
    page_order = ("-received_at", "number")
    acts = {"list": SEEING, "retrieve": SEEING, "create": WORKING, "steps": WORKING}

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        """The short form in lists."""
        return JobCardSerializer if self.action == "list" else JobCardDetailSerializer

    def facts_about(self, rows: Sequence[JobCard]) -> dict[str, Any]:
        """Steps and entries of the cards that are shown one by one."""
        if self.action == "list":
            return {}
        entries = {card.pk: entries_of(card) for card in rows}
        boards = {
            card.pk: board_of(card, workshop.charging_of(card.unit, self.now), entries[card.pk])
            for card in rows
        }
        return {"entries": entries, "boards": boards}

    @extend_schema(
        summary="Receive a unit",
        description="Opens the unit's job card; a unit that hangs is taken down.",
        request=ReceiveSerializer,
        responses={201: JobCardDetailSerializer},
    )
    def create(self, request: Request) -> Response:
        """Open a card."""
        given = self.input(ReceiveSerializer)
        unit = self.found(
            Unit.objects.select_related("model", "site"),
            given.pop("unit"),
            "unit",
            "There is no such unit. Check the number on its label.",
        )
        card = workshop.receive(unit, **given, by=self.person, now=self.now)
        return self.after_write(card, status=201)

    @extend_schema(
        summary="State a step",
        description="Steps are stated in the order that the card shows. Figures outside a limit are stored "
        "and leave the step open; unlikely figures are refused until `confirmed`. Answers 409 when the card "
        "moved on, an earlier step is open, or the unit may not be charged.",
        request=StateStepSerializer,
        responses={201: JobCardDetailSerializer},
    )
    @action(detail=True, methods=["post"])
    def steps(self, request: Request, public_id: str) -> Response:
        """State one step."""
        card = self.get_object()
        given = self.input(StateStepSerializer)
        workshop.take_step(
            card,
            given["step"],
            given["values"],
            by=self.person,
            now=self.now,
            version=given["version"],
            confirmed=given["confirmed"],
            remarks=given["remarks"],
            client_ref=given["client_ref"],
        )
        return self.after_write(card, status=201)
