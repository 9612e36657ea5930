"""Lists in pages that neither repeat nor lose a row while others write.

A page starts after the last row of the one before, by the values of that row (its *key*), not by a
count: so the hundredth page costs as much as the first. A view names its total order in ``page_order``;
the columns are public ones, so that a cursor carries no internal number. Where ``page_nulls_last`` is
set, the first column may be empty, and those rows come last, on both databases alike.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from typing import Any

from django.core.exceptions import FieldDoesNotExist
from django.core.exceptions import ValidationError as DomainError
from django.core.serializers.json import DjangoJSONEncoder
from django.db.models import Field, ForeignKey, Model, Q, QuerySet
from django.db.models.constants import LOOKUP_SEP
from rest_framework.exceptions import ValidationError
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.urls import replace_query_param
from rest_framework.views import APIView


class KeysetPagination(BasePagination):
    """Pages by key: ``{"next": address or null, "results": [...]}``."""

    page_size = 50
    max_page_size = 200
    cursor_param = "cursor"
    size_param = "page_size"

    def paginate_queryset(self, queryset: Any, request: Request, view: APIView | None = None) -> list[Any]:
        """The rows of the page that ``request`` asks for."""
        order: Sequence[str] = view.page_order  # type: ignore[union-attr]
        nulls_last: bool = getattr(view, "page_nulls_last", False)
        self.request = request
        size = self._size(request)
        after = self._after(request, queryset.model, order, nulls_last=nulls_last)
        if nulls_last:
            rows = _nulls_last(queryset, order, after, size + 1)
        else:
            rows = list(_keyset(queryset, order, after)[: size + 1])
        self.next_cursor = None
        if len(rows) > size:
            rows = rows[:size]
            self.next_cursor = _encode([_value(rows[-1], name) for name in order])
        return rows

    def get_paginated_response(self, data: Any) -> Response:
        """The page and where the next one is."""
        return Response({"next": self._next(), "results": data})

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        """The shape of a page, for the OpenAPI document."""
        return {
            "type": "object",
            "required": ["next", "results"],
            "properties": {
                "next": {
                    "type": ["string", "null"],
                    "format": "uri",
                    "description": "Address of the next page, or null on the last.",
                },
                "results": schema,
            },
        }

    def get_schema_operation_parameters(self, view: APIView) -> list[dict[str, Any]]:
        """The two query parameters, for the OpenAPI document."""
        return [
            {
                "name": self.cursor_param,
                "in": "query",
                "required": False,
                "description": "Where the page begins; taken from `next`, never made up.",
                "schema": {"type": "string"},
            },
            {
                "name": self.size_param,
                "in": "query",
                "required": False,
                "description": "Rows per page.",
                "schema": {
                    "type": "integer",
                    "minimum": 1,
                    "maximum": self.max_page_size,
                    "default": self.page_size,
                },
            },
        ]

    def _size(self, request: Request) -> int:
        text = request.query_params.get(self.size_param)
        if text is None:
            return self.page_size
        if not text.isascii() or not text.isdigit() or not 1 <= int(text[:9]) <= self.max_page_size:
            raise ValidationError({self.size_param: f"Enter a whole number from 1 to {self.max_page_size}."})
        return int(text)

    def _after(
        self, request: Request, model: type[Model], order: Sequence[str], *, nulls_last: bool
    ) -> list[Any] | None:
        text = request.query_params.get(self.cursor_param)
        if text is None:
            return None
        try:
            values = json.loads(base64.urlsafe_b64decode(text.encode("ascii") + b"=" * (-len(text) % 4)))
            if not isinstance(values, list) or len(values) != len(order):
                raise ValueError("a cursor of another list")
            if None in values[1:] or (values[0] is None and not nulls_last):
                raise ValueError("an empty value where the list has none")
            return [
                None if value is None else _field(model, name).to_python(value)
                for name, value in zip(order, values, strict=True)
            ]
        except (ValueError, TypeError, OverflowError, RecursionError, DomainError) as error:
            raise ValidationError(
                {self.cursor_param: "This cursor cannot be read. Start again without it, or follow `next`."}
            ) from error

    def _next(self) -> str | None:
        if self.next_cursor is None:
            return None
        return replace_query_param(self.request.build_absolute_uri(), self.cursor_param, self.next_cursor)


def _keyset(queryset: QuerySet[Any], order: Sequence[str], after: Sequence[Any] | None) -> QuerySet[Any]:
    queryset = queryset.order_by(*order)
    if after is None:
        return queryset
    condition = Q(pk__in=[])
    same: dict[str, Any] = {}
    for name, value in zip(order, after, strict=True):
        field, beyond = name.removeprefix("-"), "lt" if name.startswith("-") else "gt"
        condition |= Q(**same, **{f"{field}__{beyond}": value})
        same[field] = value
    # Implied by the condition; alone it lets the database start in the middle of its index.
    first, bound = order[0].removeprefix("-"), "lte" if order[0].startswith("-") else "gte"
    return queryset.filter(Q(**{f"{first}__{bound}": after[0]}), condition)


def _nulls_last(
    queryset: QuerySet[Any], order: Sequence[str], after: Sequence[Any] | None, limit: int
) -> list[Any]:
    # Two ranges of the index instead of NULLS LAST, which would sort the whole table for every page.
    first = order[0].removeprefix("-")
    rows: list[Any] = []
    in_nulls = after is not None and after[0] is None
    if not in_nulls:
        rows = list(_keyset(queryset.filter(**{f"{first}__isnull": False}), order, after)[:limit])
    if len(rows) < limit:
        rest = queryset.filter(**{f"{first}__isnull": True})
        tail = after[1:] if in_nulls and after is not None else None
        rows += _keyset(rest, order[1:], tail)[: limit - len(rows)]
    return rows


def _field(model: type[Model], name: str) -> Field[Any, Any]:
    *way, last = name.removeprefix("-").split(LOOKUP_SEP)
    for step in way:
        relation = model._meta.get_field(step)
        if not isinstance(relation, ForeignKey):
            raise FieldDoesNotExist(f"{step} of {model.__name__} leads to no single row")
        model = relation.related_model
    field = model._meta.get_field(last)
    if not isinstance(field, Field):
        raise FieldDoesNotExist(f"{last} of {model.__name__} is no column")
    return field


def _value(row: Any, name: str) -> Any:
    for step in name.removeprefix("-").split(LOOKUP_SEP):
        row = getattr(row, step)
    return row


def _encode(values: Sequence[Any]) -> str:
    # Full precision: the usual JSON encoder cuts instants to milliseconds, and a page would repeat rows.
    plain = [v.isoformat() if hasattr(v, "isoformat") else v for v in values]
    text = json.dumps(plain, cls=DjangoJSONEncoder, separators=(",", ":"))
    return base64.urlsafe_b64encode(text.encode()).rstrip(b"=").decode()
