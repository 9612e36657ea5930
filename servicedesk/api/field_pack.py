"""The pack: all that a technician's phone needs for some days without signal, in one call."""

from __future__ import annotations

import gzip
import hashlib
import json
from typing import Any

from django.http import HttpResponse
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request

from schedules.visits.models import Visit
from servicedesk.access import Act
from servicedesk.api.base import ScopedViewSet
from servicedesk.api.days import FIRST_DAY, LAST_DAY
from servicedesk.field import pack

MAX_DAYS = 14


class AskedSerializer(serializers.Serializer[Any]):
    """Which days are wanted."""

    days = serializers.IntegerField(min_value=1, max_value=MAX_DAYS, default=3)

    def get_fields(self) -> dict[str, Any]:
        """``from`` is a word of the language and cannot be an attribute."""
        return {
            "from": serializers.DateField(required=False, validators=[FIRST_DAY, LAST_DAY]),
            **super().get_fields(),
        }


class PackSerializer(serializers.Serializer[Any]):
    """Everything for some days on site. Ids are UUIDs, days ISO dates, masses g, pressures kPa gauge."""

    pack_version = serializers.IntegerField()
    data_version = serializers.CharField(help_text="Digest of everything below, as in `ETag`.")
    made_at = serializers.DateTimeField()
    days = serializers.IntegerField()
    from_on = serializers.DateField(allow_null=True)
    person = serializers.DictField()
    visits = serializers.ListField(child=serializers.DictField(), help_text="In the order of the route.")
    sites = serializers.ListField(
        child=serializers.DictField(),
        help_text="With locations and units in walking order, access notes and cautions.",
    )
    locations = serializers.ListField(child=serializers.DictField())
    units = serializers.ListField(
        child=serializers.DictField(),
        help_text="With what is due and why, last records and readings, open defects, and what was stated "
        "last on the visit.",
    )
    models = serializers.ListField(child=serializers.DictField())
    defects = serializers.ListField(child=serializers.DictField(), help_text="Open ones.")
    tables = serializers.ListField(
        child=serializers.DictField(), help_text="With their state of confirmation: show it beside any date."
    )
    tasks = serializers.ListField(child=serializers.DictField())
    checks = serializers.ListField(child=serializers.DictField())
    kinds_of_model = serializers.DictField(help_text="Which checks and defects a model takes.")
    defect_codes = serializers.ListField(child=serializers.DictField())
    cautions = serializers.ListField(child=serializers.DictField())
    judging = serializers.DictField(
        help_text="Demanded values and limits as exact figures: a phone judges by them as the server does."
    )
    reasons = serializers.DictField()
    van = serializers.DictField(help_text="Loaners, agent and parts to load.")
    parts = serializers.ListField(child=serializers.DictField())
    people = serializers.ListField(child=serializers.DictField())
    labels = serializers.DictField()


@extend_schema(tags=["On site"])
class FieldPackViewSet(ScopedViewSet):
    """The pack of the technician who is signed in."""

    queryset = Visit.objects.all()
    serializer_class = PackSerializer
    filter_backends: list[Any] = []
    pagination_class = None  # type: ignore[assignment]
    acts = {"show": (Act.RECORD_VISITS,)}

    @extend_schema(
        summary="Fetch the pack",
        description="Own and shared visits of some days and everything needed for them without signal. Send "
        "the `ETag` of the last one as `If-None-Match`: unchanged, the answer is 304 without a body. "
        "Interval tables are defaults to confirm against local code; each says how it stands.",
        parameters=[
            AskedSerializer,
            OpenApiParameter("If-None-Match", str, OpenApiParameter.HEADER, description="The last `ETag`."),
        ],
        responses={200: PackSerializer, 304: None},
    )
    def show(self, request: Request) -> HttpResponse:
        """The pack, packed."""
        asked = AskedSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        first_on, days = asked.validated_data.get("from"), asked.validated_data["days"]
        visits = pack.visits_between(self.scope, self.now, first_on=first_on, days=days)
        pack.hold(visits, self.person, now=self.now)
        content = pack.build(self.scope, self.person, visits, self.now)
        content |= {"from_on": first_on.isoformat() if first_on else None, "days": days}
        body = json.dumps(content, ensure_ascii=False, separators=(",", ":"))
        version = hashlib.sha256(body.encode()).hexdigest()
        etag = f'"{version}"'
        headers = {"ETag": etag, "Cache-Control": "private, no-cache", "Vary": "Accept-Encoding, Cookie"}
        if etag in request.headers.get("If-None-Match", ""):
            return HttpResponse(status=304, headers=headers)
        head = {"data_version": version, "made_at": self.now.isoformat()}
        data = (json.dumps(head)[:-1] + "," + body[1:]).encode()
        if "gzip" in request.headers.get("Accept-Encoding", ""):
            data = gzip.compress(data, compresslevel=5, mtime=0)
            headers["Content-Encoding"] = "gzip"
        return HttpResponse(data, content_type="application/json", headers=headers)
