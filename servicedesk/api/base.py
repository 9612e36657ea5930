"""What every endpoint shares: who may call it, which rows it sees, how it pages, how it answers a repeat.

``ScopedViewSet`` is the base of every resource. Its ``get_queryset`` is the one place where a reader's
scope meets the rows; what is outside the scope is *not found*, never *forbidden*.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from functools import cached_property, partial
from typing import IO, Any, ClassVar
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.db.models import Model, QuerySet
from django.http import Http404
from django.utils import timezone
from rest_framework import serializers
from rest_framework.exceptions import ParseError, ValidationError
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.parsers import BaseParser, JSONParser
from rest_framework.permissions import BasePermission
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.throttling import AnonRateThrottle, UserRateThrottle
from rest_framework.views import APIView
from rest_framework.viewsets import GenericViewSet

from inventory.access import Scope
from servicedesk.access import Act, may, scope_of
from servicedesk.accounts.models import User
from servicedesk.api.idempotency import answer_once
from servicedesk.api.paging import KeysetPagination

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


class AlwaysJson(BaseContentNegotiation):
    """Answers in JSON whatever is asked for: a refused ``Accept`` header helps nobody."""

    def select_parser(self, request: Request, parsers: Iterable[BaseParser]) -> Any:
        """The parser of the content type, or None, which becomes a 415."""
        wanted = (request.content_type or "").split(";")[0].strip().lower()
        return next((parser for parser in parsers if parser.media_type == wanted), None)

    def select_renderer(
        self, request: Request, renderers: Iterable[BaseRenderer], format_suffix: str | None = None
    ) -> tuple[BaseRenderer, str]:
        """The only renderer."""
        renderer = next(iter(renderers))
        return renderer, renderer.media_type


class LimitedJson(JSONParser):
    """Reads a JSON body of a length that is known and bearable."""

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        """The parsed body. Django's own limit holds only for bodies that it reads itself."""
        request = (parser_context or {})["request"]
        limit = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
        if limit is not None and int(request.META.get("CONTENT_LENGTH") or 0) > limit:
            raise RequestDataTooBig
        try:
            return super().parse(stream, media_type, parser_context)
        except RecursionError as error:
            raise ParseError("It is nested too deeply.") from error


class MayAct(BasePermission):
    """Signed in, and allowed one of the acts that the view names for the action."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        """Whether the reader may call this action at all; which rows it reaches is the queryset's matter."""
        if not request.user or not request.user.is_authenticated:
            return False
        action = getattr(view, "action", None)
        if action is None:
            return True  # no such method here: answered with a 405
        acts: Mapping[str, tuple[Act, ...]] = view.acts  # type: ignore[attr-defined]
        return any(may(request.user, act) for act in acts.get(action, ()))


class ScopedViewSet(GenericViewSet[Any]):
    """Base of every resource: rows in scope only, one act per action, repeats answered alike."""

    permission_classes = [MayAct]
    parser_classes = [LimitedJson]
    pagination_class = KeysetPagination
    throttle_classes = [AnonRateThrottle, UserRateThrottle]
    content_negotiation_class = AlwaysJson
    lookup_field = "public_id"
    lookup_value_regex = "[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"

    acts: ClassVar[Mapping[str, tuple[Act, ...]]] = {}
    """For each action the acts of which one is needed; an action that is not named is refused to all."""
    page_order: ClassVar[Sequence[str]] = ()
    page_nulls_last: ClassVar[bool] = False
    search_fields: ClassVar[Sequence[str]] = ()
    key_required: ClassVar[frozenset[str]] = frozenset()
    """Actions that refuse a call without an idempotency key."""

    # --- who and when -----------------------------------------------------------------------------

    @cached_property
    def scope(self) -> Scope:
        """What the reader may see, built once per request."""
        return scope_of(self.request.user)

    @cached_property
    def now(self) -> datetime:
        """The instant of the request; everything in one answer is judged at it."""
        return timezone.now()

    @property
    def person(self) -> User:
        """The signed-in person."""
        user = self.request.user
        if not isinstance(user, User):
            raise Http404
        return user

    @property
    def is_firm(self) -> bool:
        """Whether the reader is of the firm; owners do not get the firm's internal fields."""
        return getattr(self.request.user, "role", User.Role.OWNER) != User.Role.OWNER

    def today_in(self, zone: str) -> date:
        """The civil date in the time zone ``zone`` at the instant of the request."""
        return self.now.astimezone(ZoneInfo(zone)).date()

    # --- rows in scope ----------------------------------------------------------------------------

    def get_queryset(self) -> QuerySet[Any]:
        """The rows that the reader may see."""
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset.none()
        return self.visible(queryset)

    def visible(self, queryset: Any) -> QuerySet[Any]:
        """Those of ``queryset`` that the reader may see; tables with no scope of their own say how."""
        found: QuerySet[Any] = queryset.visible_to(self.scope)
        return found

    def found(self, queryset: Any, public_id: object, field: str, sentence: str) -> Any:
        """The row in scope that a request names in ``field``; else ``ValidationError`` with ``sentence``."""
        row = self.visible(queryset).filter(public_id=public_id).first()
        if row is None:
            raise ValidationError({field: sentence})
        return row

    # --- reading ----------------------------------------------------------------------------------

    def facts_about(self, rows: Sequence[Any]) -> dict[str, Any]:
        """Context that the serializer needs for ``rows``, fetched for all of them at once."""
        return {}

    def serialized(self, rows: Sequence[Any]) -> Any:
        """``rows`` as plain values."""
        serializer = self.get_serializer(
            rows, many=True, context={**self.get_serializer_context(), **self.facts_about(rows)}
        )
        return serializer.data

    def page_of(self, queryset: QuerySet[Any]) -> Response:
        """One page of ``queryset``."""
        rows = self.paginate_queryset(queryset)
        return self.get_paginated_response(self.serialized(rows or []))

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        """Apply the query parameters; an unknown one is refused, for a misspelt filter shows too much."""
        if self.action != "retrieve" and self.request.method in SAFE:
            known = {"cursor", "page_size", *(("search",) if self.search_fields else ())}
            filterset = getattr(self, "filterset_class", None)
            if filterset is not None:
                known |= set(filterset.base_filters)
            for name in self.request.query_params:
                if name not in known:
                    raise ValidationError(
                        {name: f"There is no such query parameter. Known are {', '.join(sorted(known))}."}
                    )
        return super().filter_queryset(queryset) if self.action == "list" else queryset

    # --- writing ----------------------------------------------------------------------------------

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Check the caller, then make the handler of an unsafe call answer repeats alike."""
        super().initial(request, *args, **kwargs)
        method = str(request.method)
        handler = getattr(self, method.lower(), None)
        if method not in SAFE and self.action is not None and handler is not None:
            # Set on the instance: dispatch looks the handler up right after this.
            setattr(self, method.lower(), partial(self._once, handler))

    def _once(
        self, handler: Callable[..., Response], request: Request, *args: Any, **kwargs: Any
    ) -> Response:
        required = self.action in self.key_required
        return answer_once(request, partial(handler, request, *args, **kwargs), required=required)

    def input(self, serializer_class: type[serializers.BaseSerializer[Any]]) -> dict[str, Any]:
        """The checked values of the request's body; ``ValidationError`` names what cannot be."""
        serializer = serializer_class(data=self.request.data, context=self.get_serializer_context())
        serializer.is_valid(raise_exception=True)
        values: dict[str, Any] = serializer.validated_data
        return values

    def after_write(self, row: Model, *, status: int = 200) -> Response:
        """Answer with ``row`` as it now is; where it left the reader's scope, everything rolls back."""
        return Response(self.read_again(row), status=status)

    def read_again(self, row: Model) -> Any:
        """``row`` read in scope once more, as plain values."""
        fresh = self.get_queryset().filter(pk=row.pk).first()
        if fresh is None:
            raise Http404
        return self.serialized([fresh])[0]


class Listed(ScopedViewSet):
    """A resource that is listed."""

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """One page of the rows in scope."""
        return self.page_of(self.filter_queryset(self.get_queryset()))


class Shown(Listed):
    """A resource that is listed and shown one by one."""

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """One row in scope."""
        return Response(self.serialized([self.get_object()])[0])


class PageSerializer(serializers.Serializer[Any]):
    """A serializer whose fields are for reading only and may differ between the firm and an owner.

    ``Meta.internal`` names fields that only people of the firm get; an owner's answer leaves them out.
    """

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """The fields for this reader."""
        fields = super().get_fields()
        view = self.context.get("view")
        if view is not None and not getattr(view, "swagger_fake_view", False) and not view.is_firm:
            for name in internal_fields(type(self)):
                fields.pop(name, None)
        return fields


def internal_fields(serializer_class: type[Any]) -> tuple[str, ...]:
    """The fields of ``serializer_class`` that owners do not get."""
    return tuple(getattr(getattr(serializer_class, "Meta", None), "internal", ()))
