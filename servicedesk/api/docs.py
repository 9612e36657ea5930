"""Pages about the API for people: its operations, and what each kind of problem means."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe
from drf_spectacular.generators import SchemaGenerator
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.throttling import AnonRateThrottle
from rest_framework.views import APIView

from servicedesk.api.base import AlwaysJson
from servicedesk.api.errors import KINDS

_METHODS = ("get", "post", "put", "patch", "delete")


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of a sentence: words, or a name from the code."""

    text: str
    is_code: bool


@dataclass(frozen=True, slots=True)
class Parameter:
    """A query parameter or header as the page shows it."""

    name: str
    is_required: bool
    said: tuple[Piece, ...]
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation as the page shows it."""

    id: str
    method: str
    path: str
    summary: str
    said: tuple[Piece, ...]
    parameters: tuple[Parameter, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """Operations on one matter."""

    name: str
    text: str
    operations: tuple[Operation, ...]


@lru_cache(maxsize=1)
def groups() -> tuple[Group, ...]:
    """All operations by matter, read from the OpenAPI document once per process."""
    document = SchemaGenerator().get_schema(request=None, public=True)
    found: dict[str, list[Operation]] = {tag["name"]: [] for tag in document["tags"]}
    for path, operations in document["paths"].items():
        for method in _METHODS:
            if method in operations:
                found[operations[method]["tags"][0]].append(_operation(path, method, operations[method]))
    texts = {tag["name"]: tag["description"] for tag in document["tags"]}
    return tuple(Group(name, texts[name], tuple(own)) for name, own in found.items())


def _operation(path: str, method: str, operation: dict[str, Any]) -> Operation:
    return Operation(
        id=operation["operationId"],
        method=method.upper(),
        path=path,
        summary=operation["summary"],
        said=_pieces(operation.get("description", "")),
        parameters=tuple(
            Parameter(
                name=found["name"],
                is_required=found.get("required", False),
                said=_pieces(found.get("description", "")),
                values=tuple(str(value) for value in found["schema"].get("enum", ())),
            )
            for found in operation.get("parameters", ())
            if found["in"] in ("query", "header")
        ),
    )


def _pieces(text: str) -> tuple[Piece, ...]:
    """``text`` with what stands between backticks told apart; a list of values after it is left out."""
    sentence = text.partition("\n\n* ")[0]
    parts = enumerate(sentence.split("`"))
    return tuple(Piece(part, is_code=place % 2 == 1) for place, part in parts if part)


@require_safe
def index(request: HttpRequest) -> HttpResponse:
    """The operations of the API, by matter."""
    kinds = [{"kind": kind, "said": _pieces(kind.remedy)} for kind in KINDS]
    return render(request, "api/index.html", {"groups": groups(), "kinds": kinds})


@require_safe
def problem_page(request: HttpRequest, slug: str) -> HttpResponse:
    """What one kind of problem means and what to do about it."""
    kind = next((kind for kind in KINDS if kind.slug == slug), None)
    if kind is None:
        raise Http404
    return render(request, "api/problem.html", {"kind": kind, "said": _pieces(kind.remedy)})


class NoSuchAddress(APIView):
    """Answers what no other address does, as a problem and not as a page."""

    authentication_classes: list[Any] = []
    permission_classes: list[Any] = []
    throttle_classes = [AnonRateThrottle]
    content_negotiation_class = AlwaysJson
    schema = None

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """Whatever the method, there is nothing here."""
        super().initial(request, *args, **kwargs)
        raise NotFound("There is nothing at this address. Addresses end with a slash; /api/ lists them all.")
