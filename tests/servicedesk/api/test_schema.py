"""The OpenAPI document is complete and true, and the page for people lists every operation."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client
from drf_spectacular.generators import SchemaGenerator

from servicedesk.api import docs, errors
from tests.servicedesk.api.cast import Premises, client_of

DOCUMENTED = {"400", "401", "403", "404", "405", "409", "415", "429"}


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    found: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)
    return found


def operations(document: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [(path, method, op) for path, ops in document["paths"].items() for method, op in ops.items()]


def test_the_document_is_valid_and_no_warning_is_hidden(tmp_path: Any) -> None:
    target = tmp_path / "schema.yml"
    call_command("spectacular", validate=True, fail_on_warn=True, file=str(target))
    assert target.read_text("utf-8").startswith("openapi: 3.1.0")


def test_it_is_served(client: Client, db: None) -> None:
    answer = client.get("/api/v1/schema/?format=json")
    assert answer.status_code == 200
    assert answer.json()["openapi"] == "3.1.0"


def test_every_operation_documents_its_refusals(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        missing = DOCUMENTED - set(operation["responses"])
        assert missing == set(), (method, path)
        for status in DOCUMENTED:
            name = operation["responses"][status]["$ref"].rsplit("/", 1)[1]
            shape = document["components"]["responses"][name]["content"]
            assert list(shape) == ["application/problem+json"]


def test_every_operation_has_a_summary_and_one_known_tag(document: dict[str, Any]) -> None:
    tags = {tag["name"] for tag in document["tags"]}
    for path, method, operation in operations(document):
        assert operation["summary"], (method, path)
        assert set(operation["tags"]) <= tags, (method, path)
        assert len(operation["tags"]) == 1, (method, path)


def test_every_unsafe_operation_takes_a_key_and_closing_demands_it(document: dict[str, Any]) -> None:
    required = {}
    for path, method, operation in operations(document):
        keys = [p for p in operation.get("parameters", ()) if p["name"] == "Idempotency-Key"]
        wanted = method != "get" and not path.endswith("/token/")
        assert bool(keys) == wanted, (method, path)
        assert ("422" in operation["responses"]) == wanted, (method, path)
        if keys:
            required[path] = keys[0]["required"]
    assert [path for path, is_required in required.items() if is_required] == [
        "/api/v1/visits/{public_id}/close/"
    ]


def test_visits_come_with_examples(document: dict[str, Any]) -> None:
    for path in (
        "",
        "{public_id}/assign/",
        "{public_id}/confirm/",
        "{public_id}/entries/",
        "{public_id}/close/",
    ):
        body = document["paths"][f"/api/v1/visits/{path}"]["post"]["requestBody"]
        assert body["content"]["application/json"]["examples"], path


def test_fields_that_owners_do_not_get_are_not_promised(document: dict[str, Any]) -> None:
    site = document["components"]["schemas"]["Site"]
    assert "access_notes" in site["properties"]
    assert "access_notes" not in site["required"]
    assert "Owners do not get this field." in site["properties"]["access_notes"]["description"]


def test_an_answer_holds_what_the_document_promises(document: dict[str, Any], alder: Premises) -> None:
    schemas = document["components"]["schemas"]
    client = client_of(alder.technician)
    detail = client.get(f"/api/v1/visits/{alder.visit.public_id}/").json()
    assert set(detail) == set(schemas["VisitDetail"]["properties"])
    unit = client.get(f"/api/v1/units/{alder.units[0].public_id}/").json()
    assert set(unit) == set(schemas["Unit"]["properties"])
    problem = client.get("/api/v1/technicians/").json()
    assert set(schemas["Problem"]["required"]) <= set(problem)


def test_the_page_lists_every_operation_and_problem(
    client: Client, db: None, document: dict[str, Any]
) -> None:
    docs.groups.cache_clear()
    page = client.get("/api/")
    text = page.content.decode()
    assert page.status_code == 200
    for path, method, operation in operations(document):
        assert f'id="{operation["operationId"]}"' in text, (method, path)
    for kind in errors.KINDS:
        assert f'href="{kind.uri}"' in text
    assert "defaults to confirm against local code" in text
    assert "http://" not in text.replace("http://testserver", "")
    assert "<script>" not in text


def test_a_second_look_costs_no_second_document(client: Client, db: None) -> None:
    client.get("/api/")
    before = docs.groups.cache_info().hits
    client.get("/api/")
    assert docs.groups.cache_info().hits == before + 1
