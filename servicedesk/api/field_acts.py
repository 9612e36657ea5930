"""Acts on site: a phone sends what it recorded in batches, and reads what others recorded meanwhile."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError as DomainError
from django.db.models import Q, QuerySet
from drf_spectacular.utils import PolymorphicProxySerializer, extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from schedules.certificates.models import Certificate
from schedules.surveys.models import Survey
from schedules.surveys.queries import asked_of
from schedules.surveys.services import close_any
from schedules.visits.acts import MAX_ACTS, NewAct, Sender, Taken, acts_of, take_acts
from schedules.visits.models import FieldAct, Visit
from servicedesk.access import Act, visits_to_record_on
from servicedesk.api import examples
from servicedesk.api.base import ScopedViewSet
from servicedesk.api.certificates import CertificateBriefSerializer
from servicedesk.api.days import CLOCK
from servicedesk.api.errors import item_problem
from servicedesk.api.field_contents import CONTENTS, StrictSerializer

# Acts of a transaction that is still under way get their number before they can be read. What is this
# young is given out again with the next call, so that none slips past a reader's cursor.
OVERLAP_S = 60
CLOSED_DAYS = 3
DEFAULT_PAGE, MAX_PAGE = 500, 1000


class DeviceSerializer(StrictSerializer):
    """The phone that sends."""

    id = serializers.UUIDField(help_text="Made once by the client and kept.")
    label = serializers.CharField(  # type: ignore[assignment]
        max_length=200, required=False, allow_blank=True
    )
    app_version = serializers.CharField(max_length=40, required=False, allow_blank=True)


class ScanSerializer(StrictSerializer):
    """How the unit was recognised, and where the phone was, if it knew."""

    by = serializers.ChoiceField(choices=["camera", "scanner", "typed", "picked"])
    read = serializers.CharField(max_length=200, required=False, allow_blank=True)
    latitude_deg = serializers.FloatField(min_value=-90, max_value=90, required=False, allow_null=True)
    longitude_deg = serializers.FloatField(min_value=-180, max_value=180, required=False, allow_null=True)
    accuracy_m = serializers.FloatField(min_value=0, required=False, allow_null=True)


class EnvelopeSerializer(StrictSerializer):
    """One thing done on site. Sent again, it is answered alike and changes nothing."""

    id = serializers.UUIDField(help_text="Made by the client; the same one on every repeat.")
    visit = serializers.UUIDField()
    kind = serializers.ChoiceField(choices=FieldAct.Kind.choices)
    seq = serializers.IntegerField(
        min_value=1,
        max_value=2_147_483_647,
        help_text="Rises by one with every act of the phone and is never used again.",
    )
    device_at = serializers.DateTimeField(
        validators=CLOCK, help_text="The phone's clock as it stood, never put right."
    )
    unit = serializers.UUIDField(required=False, allow_null=True)
    location = serializers.UUIDField(required=False, allow_null=True)
    scan = ScanSerializer(required=False, allow_null=True)
    photos = serializers.ListField(
        child=serializers.UUIDField(),
        required=False,
        max_length=12,
        help_text="Photos that belong to it; they may follow later.",
    )
    content = serializers.DictField(required=False, help_text="What it states; see the kinds.")


@extend_schema_field(
    PolymorphicProxySerializer(
        component_name="ActContent",
        serializers=list(dict.fromkeys(CONTENTS.values())),
        resource_type_field_name=None,
    )
)
class ContentField(serializers.DictField):
    """Documents the content of an act."""


class ActSerializer(EnvelopeSerializer):
    """One thing done on site, with what it states."""

    content = ContentField(required=False)


class BatchSerializer(StrictSerializer):
    """What one phone sends at once."""

    device = DeviceSerializer()
    sent_at = serializers.DateTimeField(
        required=False,
        allow_null=True,
        validators=CLOCK,
        help_text="The phone's clock when it sends: tells how far it is off.",
    )
    acts = ActSerializer(many=True, help_text=f"1 to {MAX_ACTS}, in any order.")


class WarnedSerializer(serializers.Serializer[Any]):
    """Something to tell about an act that was taken in."""

    code = serializers.CharField()
    detail = serializers.CharField()
    field = serializers.CharField(required=False)


class TakenSerializer(serializers.Serializer[Any]):
    """What became of one act."""

    index = serializers.IntegerField(help_text="Position in the batch, from 0.")
    id = serializers.CharField(allow_null=True)
    status = serializers.ChoiceField(choices=["accepted", "repeated", "waiting", "refused"])
    warnings = WarnedSerializer(many=True)
    problem = serializers.DictField(required=False, help_text="Why it waits or is refused (RFC 9457).")
    visit_state = serializers.ChoiceField(choices=Visit.State.choices, required=False)
    certificate = CertificateBriefSerializer(
        required=False, allow_null=True, help_text="Beside the act that closed the visit."
    )


class TakenInSerializer(serializers.Serializer[Any]):
    """The answers to a batch, in its order."""

    received_at = serializers.DateTimeField()
    drift_s = serializers.FloatField(allow_null=True, help_text="Server's clock less the phone's, seconds.")
    results = TakenSerializer(many=True)


class KeptActSerializer(serializers.Serializer[FieldAct]):
    """An act as it is kept."""

    id = serializers.UUIDField(source="act_id")
    visit = serializers.UUIDField(source="visit.public_id")
    site = serializers.UUIDField(source="visit.site.public_id")
    kind = serializers.ChoiceField(choices=FieldAct.Kind.choices)
    unit = serializers.UUIDField(source="unit_ref", allow_null=True)
    location = serializers.UUIDField(source="location_ref", allow_null=True)
    content = serializers.DictField()
    seq = serializers.IntegerField(source="sequence", allow_null=True)
    device = serializers.UUIDField(source="device_ref", allow_null=True)
    device_at = serializers.DateTimeField(allow_null=True)
    at = serializers.DateTimeField(source="counts_at", help_text="When it was done by the server's clock.")
    received_at = serializers.DateTimeField()
    by = serializers.SerializerMethodField()
    undone = serializers.SerializerMethodField()

    def get_by(self, act: FieldAct) -> dict[str, str]:
        """Who did it."""
        return {"id": str(act.made_by.public_id), "name": act.made_by.display_name}

    def get_undone(self, act: FieldAct) -> bool:
        """Whether it was taken back."""
        return act.act_id in self.context["undone"]


class QuestionSerializer(serializers.Serializer[Any]):
    """What the office asks of those who walk: of a unit or of a place."""

    unit = serializers.CharField(help_text="Empty when it is about a place.")
    place = serializers.CharField(help_text="Empty when it is about a unit.")
    subject = serializers.CharField()
    title = serializers.CharField()
    question = serializers.CharField()


class AskedSerializer(serializers.Serializer[Any]):
    """All questions of one survey that wait for an answer; none once all are answered."""

    visit = serializers.UUIDField()
    asked = QuestionSerializer(many=True)


class KeptActsSerializer(serializers.Serializer[Any]):
    """Acts since the cursor. Young ones may come twice: tell them apart by their ids."""

    cursor = serializers.CharField()
    more = serializers.BooleanField()
    acts = KeptActSerializer(many=True)
    surveys = AskedSerializer(
        many=True,
        required=False,
        help_text="With the last page: each open survey with its questions, in the place of those that came "
        "with the day.",
    )


class SinceSerializer(serializers.Serializer[Any]):
    """From where on acts are wanted."""

    after = serializers.IntegerField(min_value=0, default=0)
    limit = serializers.IntegerField(min_value=1, max_value=MAX_PAGE, default=DEFAULT_PAGE)


@extend_schema(tags=["On site"])
class FieldActViewSet(ScopedViewSet):
    """What was done on site, act by act."""

    queryset = Visit.objects.all()
    serializer_class = KeptActsSerializer
    filter_backends: list[Any] = []
    pagination_class = None  # type: ignore[assignment]
    acts = {"take": (Act.RECORD_VISITS,), "since": (Act.RECORD_VISITS,)}

    @extend_schema(
        summary="Send acts",
        description="Up to 200 acts of one phone, answered one by one: `accepted`, `repeated` (stored "
        "before; nothing changed), `waiting` (stored, but names something that has not arrived; keep it and "
        "send it again after the others) or `refused` (stored nowhere; correct it and send it as a new "
        "act). They may come late, repeatedly, in any order and after a new sign-in. What counts for a unit "
        "is the last act about it: among a phone's acts by `seq`, between phones by the corrected clock. "
        "Only `add_unit`, `start` and defects take effect before the visit is closed.",
        request=BatchSerializer,
        responses=TakenInSerializer,
        examples=examples.ACTS,
    )
    def take(self, request: Request) -> Response:
        """Take in a batch of acts."""
        data = request.data if isinstance(request.data, Mapping) else {}
        raw = data.get("acts")
        if not isinstance(raw, list) or not 1 <= len(raw) <= MAX_ACTS:
            raise ValidationError({"acts": f"Send a list of 1 to {MAX_ACTS} acts."})
        head = _HeadSerializer(data={k: v for k, v in data.items() if k != "acts"})
        head.is_valid(raise_exception=True)
        device = head.validated_data["device"]
        sent_at: datetime | None = head.validated_data.get("sent_at")
        drift_s = None if sent_at is None else (self.now - sent_at).total_seconds()
        answers: dict[int, dict[str, Any]] = {}
        acts: dict[int, NewAct] = {}
        for index, item in enumerate(raw):
            try:
                acts[index] = _read(item)
            except ValidationError as refusal:
                ref = item.get("id") if isinstance(item, Mapping) else None
                answers[index] = {
                    "index": index,
                    "id": ref if isinstance(ref, str) else None,
                    "status": "refused",
                    "warnings": [],
                    "problem": item_problem(refusal),
                }
        visits = visits_to_record_on(self.person, {act.visit_ref for act in acts.values()})
        taken = take_acts(
            list(acts.values()),
            sender=Sender(device["id"], device.get("app_version", ""), drift_s),
            by=self.person,
            now=self.now,
            visits={visit.public_id: visit for visit in visits.select_related("site")},
            close=close_any,
        )
        certificates = self._certificates(zip(acts.values(), taken, strict=True))
        for (index, act), one in zip(acts.items(), taken, strict=True):
            answers[index] = {"index": index, **_answer(one)}
            if act.kind == FieldAct.Kind.CLOSE:
                answers[index]["certificate"] = certificates.get(act.visit_ref)
        return Response(
            {
                "received_at": self.now,
                "drift_s": drift_s,
                "results": [answers[index] for index in range(len(raw))],
            }
        )

    @extend_schema(
        summary="Read acts",
        description="What was recorded on the visits to the sites of the reader, by every phone, since a "
        "cursor: so that two technicians at one site see each other's work; and what the office asks of "
        "those who walk a survey.",
        parameters=[SinceSerializer],
        responses=KeptActsSerializer,
    )
    def since(self, request: Request) -> Response:
        """Acts since a cursor."""
        asked = SinceSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        after, limit = asked.validated_data["after"], asked.validated_data["limit"]
        rows = list(acts_of(self._visits().values_list("pk", flat=True)).filter(pk__gt=after)[: limit + 1])
        more, rows = len(rows) > limit, rows[:limit]
        settled = [row.pk for row in rows if row.received_at < self.now - timedelta(seconds=OVERLAP_S)]
        cursor = rows[-1].pk if more else max(settled, default=after)
        undone = set(
            FieldAct.objects.filter(
                kind=FieldAct.Kind.UNDO, undoes_ref__in=[row.act_id for row in rows]
            ).values_list("undoes_ref", flat=True)
        )
        acts = [KeptActSerializer(row, context={"undone": undone}).data for row in rows]
        body: dict[str, Any] = {"cursor": str(cursor), "more": more, "acts": acts}
        if not more:
            body["surveys"] = self._questions()
        return Response(body)

    def _questions(self) -> list[dict[str, Any]]:
        """What is asked on each open survey; one query where there is none, two where nothing is asked."""
        walked = self._visits().filter(kind=Visit.Kind.SURVEY, state__in=Visit.OPEN)
        surveys = list(Survey.objects.filter(visit__in=walked).select_related("visit__site").order_by("pk"))
        asked = asked_of(surveys, now=self.now) if surveys else {}
        return [{"visit": row.visit.public_id, "asked": asked.get(row.visit_id, [])} for row in surveys]

    def _visits(self) -> QuerySet[Visit]:
        """Visits to the sites in scope that are open or were closed lately, whoever drives there."""
        recent = self.now - timedelta(days=CLOSED_DAYS)
        return Visit.objects.filter(
            Q(state__in=Visit.OPEN) | Q(closed_at__gte=recent), site__in=self.scope.site_ids
        )

    def _certificates(self, taken: Any) -> dict[UUID, Any]:
        """The certificate of each visit that an act of the batch closed."""
        closed = {
            act.visit_ref
            for act, one in taken
            if act.kind == FieldAct.Kind.CLOSE and one.status in ("accepted", "repeated")
        }
        if not closed:
            return {}
        rows = Certificate.objects.filter(visit__public_id__in=closed, replaced_by__isnull=True)
        context = self.get_serializer_context()
        return {
            row.visit.public_id: CertificateBriefSerializer(row, context=context).data
            for row in rows.select_related("visit")
            if row.visit is not None
        }


class _HeadSerializer(StrictSerializer):
    device = DeviceSerializer()
    sent_at = serializers.DateTimeField(required=False, allow_null=True, validators=CLOCK)


def _read(item: Any) -> NewAct:
    """One act of a batch, checked for its form; ``ValidationError`` names what cannot be."""
    envelope = EnvelopeSerializer(data=item)
    envelope.is_valid(raise_exception=True)
    given = envelope.validated_data
    content = CONTENTS[given["kind"]](data=given.get("content") or {})
    if not content.is_valid():
        raise ValidationError({"content": content.errors})
    more = {name: given[name] for name in ("scan", "photos") if given.get(name)}
    return NewAct(
        act_id=given["id"],
        visit_ref=given["visit"],
        kind=given["kind"],
        sequence=given["seq"],
        device_at=given["device_at"],
        # As plain JSON values, so that the same act always has the same digest.
        content=json.loads(json.dumps({**content.validated_data, **more}, default=str)),
        unit_ref=given.get("unit"),
        location_ref=given.get("location"),
    )


def _answer(taken: Taken) -> dict[str, Any]:
    answer: dict[str, Any] = {
        "id": str(taken.act_id),
        "status": taken.status,
        "warnings": [
            {"code": one.code, "detail": one.detail, **({"field": one.field} if one.field else {})}
            for one in taken.warnings
        ],
    }
    if taken.visit is not None:
        answer["visit_state"] = taken.visit.state
    if taken.refusal is not None:
        answer["problem"] = item_problem(_placed(taken.refusal))
    return answer


_OF_ENVELOPE = ("visit", "unit", "location", "content", "seq", "device_at")


def _placed(refusal: Exception) -> Exception:
    """``refusal`` with its fields named as the act names them: what is stated lies in ``content``."""
    if not isinstance(refusal, DomainError) or not hasattr(refusal, "error_dict"):
        return refusal
    found: dict[str, Sequence[str]] = {}
    for name, messages in refusal.message_dict.items():
        own = name.split(".")[0] in _OF_ENVELOPE or name == "__all__"
        found[name if own else f"content.{name}"] = messages
    return DomainError(found)
