"""Photos from site, sent in pieces that can be taken up again (IETF draft: resumable uploads for HTTP)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import IO, Any
from uuid import UUID

from django.core.exceptions import ValidationError as DomainError
from django.db import transaction
from django.http import Http404, HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ValidationError
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.reverse import reverse

from inventory.errors import Conflict
from inventory.logbook.models import Photo
from inventory.logbook.photos import (
    MAX_BYTES,
    MAX_PIECE,
    TYPES,
    NewPhoto,
    announce_photo,
    append_piece,
    photo_bytes,
)
from servicedesk.access import Act, visits_to_record_on
from servicedesk.api.base import LimitedJson, ScopedViewSet
from servicedesk.api.days import CLOCK
from servicedesk.api.errors import CONTENT_TYPE, item_problem
from servicedesk.api.field_contents import StrictSerializer

OFFSET, COMPLETE = "Upload-Offset", "Upload-Complete"


class PieceParser(BaseParser):
    """Reads the bytes of a piece."""

    media_type = "application/partial-upload"

    def parse(
        self, stream: IO[Any], media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> Any:
        """The bytes; one more than is allowed tells that there are too many."""
        return stream.read(MAX_PIECE + 1)


class AnnouncedSerializer(StrictSerializer):
    """A photo that is about to be sent."""

    id = serializers.UUIDField(help_text="Made by the client.")
    visit = serializers.UUIDField()
    act = serializers.UUIDField(required=False, allow_null=True, help_text="The act it belongs to.")
    media_type = serializers.ChoiceField(choices=list(TYPES))
    length = serializers.IntegerField(min_value=1, max_value=MAX_BYTES, help_text="Bytes.")
    sha256 = serializers.RegexField(r"^[0-9a-f]{64}$")
    taken_at = serializers.DateTimeField(required=False, allow_null=True, validators=CLOCK)


class ProgressSerializer(serializers.Serializer[Photo]):
    """How far a photo has come."""

    id = serializers.UUIDField(source="public_id")
    offset = serializers.IntegerField(source="received", help_text="Bytes that are here.")
    complete = serializers.SerializerMethodField()

    def get_complete(self, photo: Photo) -> bool:
        """Whether it is whole."""
        return photo.completed_at is not None


@extend_schema(tags=["On site"])
class FieldPhotoViewSet(ScopedViewSet):
    """Photos from site."""

    queryset = Photo.objects.select_related("site")
    serializer_class = ProgressSerializer
    lookup_field = "public_id"
    filter_backends: list[Any] = []
    pagination_class = None  # type: ignore[assignment]
    parser_classes = [LimitedJson, PieceParser]
    acts = {
        "announce": (Act.RECORD_VISITS,),
        "append": (Act.RECORD_VISITS,),
        "progress": (Act.RECORD_VISITS,),
        "picture": (Act.RECORD_VISITS, Act.SEE_DESK, Act.SEE_PORTAL, Act.SEE_BENCH),
    }

    @extend_schema(
        summary="Announce a photo",
        description="Sent again, it says how far the photo has come. The same bytes sent before by the same "
        "person are not sent again: the photo is whole at once.",
        request=AnnouncedSerializer,
        responses={201: ProgressSerializer, 200: ProgressSerializer},
    )
    def announce(self, request: Request) -> Response:
        """Say that a photo is coming."""
        given = self.input(AnnouncedSerializer)
        visit = visits_to_record_on(self.person, [given["visit"]]).first()
        if visit is None:
            raise ValidationError({"visit": "There is no such visit of yours."})
        photo, is_new = announce_photo(
            NewPhoto(
                public_id=given["id"],
                site_id=visit.site_id,
                visit_ref=visit.public_id,
                act_ref=given.get("act"),
                media_type=given["media_type"],
                length=given["length"],
                sha256=given["sha256"],
                taken_at=given.get("taken_at"),
            ),
            by=self.person,
            now=self.now,
        )
        where = reverse("v1:field-photo", args=[photo.public_id], request=request)
        return Response(
            ProgressSerializer(photo).data,
            status=201 if is_new else 200,
            headers={"Location": where, **_progress(photo)},
        )

    @extend_schema(
        summary="Send a piece of a photo",
        description=f"At most {MAX_PIECE} bytes that begin at `{OFFSET}`. With `{COMPLETE}: ?1`, or once all "
        "announced bytes are here, the photo is checked: it must be the announced bytes and a picture.",
        request={"application/partial-upload": OpenApiTypes.BINARY},
        parameters=[
            OpenApiParameter(OFFSET, int, OpenApiParameter.HEADER, required=True),
            OpenApiParameter(COMPLETE, str, OpenApiParameter.HEADER, description="`?1` on the last piece."),
        ],
        responses={204: OpenApiResponse(description="Taken in; the headers say how far it has come.")},
    )
    def append(self, request: Request, public_id: UUID) -> HttpResponse:
        """Take in a piece."""
        photo = self._own(public_id)
        piece: Any = request.data
        if not isinstance(piece, bytes):
            raise ValidationError({"Content-Type": "Send bytes as application/partial-upload."})
        if len(piece) > MAX_PIECE:
            raise ValidationError({"length": f"Send at most {MAX_PIECE} bytes in one piece."})
        raw = request.headers.get(OFFSET, "")
        if not re.fullmatch(r"\d{1,12}", raw):
            raise ValidationError({OFFSET: "Say in this header where the piece begins, in bytes."})
        is_last = request.headers.get(COMPLETE, "").strip() == "?1"
        try:
            with transaction.atomic():
                append_piece(photo, piece, offset=int(raw), is_last=is_last, now=self.now)
        except (Conflict, DomainError) as refusal:
            # Not raised: that the photo starts again at 0 has to be kept.
            photo.refresh_from_db()
            if isinstance(refusal, DomainError):
                Photo.objects.filter(pk=photo.pk, completed_at__isnull=True).update(received=0)
                photo.refresh_from_db()
            problem = item_problem(refusal)
            return Response(
                problem, status=problem["status"], headers=_progress(photo), content_type=CONTENT_TYPE
            )
        return Response(status=204, headers=_progress(photo))

    @extend_schema(exclude=True)
    def progress(self, request: Request, public_id: UUID) -> HttpResponse:
        """How far the photo has come, in the headers alone."""
        return HttpResponse(
            status=204, headers={**_progress(self._own(public_id)), "Cache-Control": "no-store"}
        )

    @extend_schema(
        summary="Show a photo",
        description=f"The picture, for those who may see the site. `HEAD` answers with `{OFFSET}` how far a "
        "photo of one's own has come.",
        responses={(200, "image/jpeg"): OpenApiTypes.BINARY},
    )
    def picture(self, request: Request, public_id: UUID) -> HttpResponse:
        """The picture."""
        photo = self.get_object()
        data = photo_bytes(photo)
        if data is None:
            raise Http404
        return HttpResponse(
            data,
            content_type=photo.media_type,
            headers={
                "Cache-Control": "private, max-age=86400, immutable",
                "X-Content-Type-Options": "nosniff",
                "Content-Security-Policy": "default-src 'none'; sandbox",
            },
        )

    def _own(self, public_id: UUID) -> Photo:
        """A photo that the person announced; anybody else's is not found."""
        photo = Photo.objects.filter(public_id=public_id, made_by=self.person.pk).first()
        if photo is None:
            raise Http404
        return photo


def _progress(photo: Photo) -> dict[str, str]:
    return {OFFSET: str(photo.received), COMPLETE: "?1" if photo.completed_at is not None else "?0"}
