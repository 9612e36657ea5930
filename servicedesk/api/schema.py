"""What the OpenAPI document says beside the views: problems, idempotency, fields that owners do not get."""

from __future__ import annotations

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension, OpenApiSerializerExtension

from servicedesk.api import errors, idempotency
from servicedesk.api.base import internal_fields

UNSAFE = ("post", "put", "patch", "delete")

_PROBLEM: dict[str, Any] = {
    "type": "object",
    "description": "A refusal (RFC 9457). Nothing was changed.",
    "required": ["type", "title", "status", "code", "detail"],
    "properties": {
        "type": {
            "type": "string",
            "format": "uri-reference",
            "description": "The kind of problem; its address explains it.",
            "examples": [errors.INVALID.uri],
        },
        "title": {"type": "string", "description": "The kind in words, the same every time."},
        "status": {"type": "integer", "description": "The HTTP status, for readers of stored answers."},
        "code": {"type": "string", "description": "What exactly, for machines."},
        "detail": {"type": "string", "description": "What happened and what to do, for people."},
        "instance": {
            "type": "string",
            "format": "uri-reference",
            "description": "The address that was called.",
        },
        "errors": {
            "type": "array",
            "description": "The fields that cannot be, where fields are the matter.",
            "items": {
                "type": "object",
                "required": ["field", "detail"],
                "properties": {
                    "field": {
                        "type": ["string", "null"],
                        "description": "Name of the field, nested ones with dots (`readings.0.value`); "
                        "null for the whole request.",
                    },
                    "detail": {"type": "string"},
                },
            },
        },
    },
    "additionalProperties": True,
}


class BearerTokenScheme(OpenApiAuthenticationExtension):
    """How the OpenAPI document states the token."""

    target_class = "servicedesk.api.tokens.BearerToken"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        """A bearer token in the Authorization header."""
        return {"type": "http", "scheme": "bearer", "description": "From `POST /api/v1/token/`."}


class InternalFields(OpenApiSerializerExtension):
    """Fields that owners do not get are not promised to everybody."""

    target_class = "servicedesk.api.base.PageSerializer"
    match_subclasses = True

    def map_serializer(self, auto_schema: Any, direction: Any) -> dict[str, Any]:
        """The serializer's schema with its internal fields optional."""
        schema: dict[str, Any] = auto_schema._map_serializer(self.target, direction, bypass_extensions=True)
        hidden = internal_fields(type(self.target))
        for name in hidden:
            field = schema.get("properties", {}).get(name)
            if field is not None and "$ref" not in field:
                said = field.get("description", "")
                field["description"] = f"{said} Owners do not get this field.".strip()
        schema["required"] = [name for name in schema.get("required", ()) if name not in hidden]
        if not schema["required"]:
            del schema["required"]
        return schema


def add_problems(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Document the refusals of every operation, and the idempotency key of every unsafe one."""
    components = result.setdefault("components", {})
    components.setdefault("schemas", {})["Problem"] = _PROBLEM
    responses = components.setdefault("responses", {})
    for kind in errors.KINDS:
        responses[_name(kind)] = _response(kind)
    for path, operations in result["paths"].items():
        for method, operation in operations.items():
            _complete(path, method, operation)
    result["servers"] = [{"url": "/", "description": "This installation."}]
    return result


def _complete(path: str, method: str, operation: dict[str, Any]) -> None:
    is_sign_in = operation["operationId"] == "token_create"
    kinds = [
        errors.INVALID,
        errors.SIGN_IN,
        errors.NOT_ALLOWED,
        errors.NOT_FOUND,
        errors.NO_SUCH_METHOD,
        errors.CONFLICT,
        errors.WRONG_FORMAT,
        errors.TOO_MANY,
        errors.FAULT,
        errors.BUSY,
    ]
    if method in UNSAFE and not path.endswith("/token/"):
        kinds += [errors.TOO_LARGE, errors.KEY_REUSED]
        operation.setdefault("parameters", []).append(
            {
                "name": idempotency.HEADER,
                "in": "header",
                "required": path.endswith("/close/"),
                "description": "A UUID of your own. The same key with the same request gives the first "
                f"answer again, marked `{idempotency.REPLAYED}: true`; with another request it is refused.",
                "schema": {"type": "string", "maxLength": idempotency.MAX_LENGTH},
            }
        )
        for status, answer in operation["responses"].items():
            if status.startswith("2"):
                answer.setdefault("headers", {})[idempotency.REPLAYED] = {
                    "description": "`true` where this is the first answer, given again.",
                    "schema": {"type": "string"},
                }
    for kind in kinds:
        operation["responses"].setdefault(str(kind.status), {"$ref": f"#/components/responses/{_name(kind)}"})
    operation["responses"] = dict(sorted(operation["responses"].items()))
    if is_sign_in:
        operation["security"] = [{}]


def _name(kind: errors.Kind) -> str:
    return "".join(part.capitalize() for part in kind.slug.split("-"))


def _response(kind: errors.Kind) -> dict[str, Any]:
    return {
        "description": f"{kind.title}. {kind.remedy}",
        "content": {errors.CONTENT_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }
