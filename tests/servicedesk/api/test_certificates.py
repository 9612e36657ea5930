"""Certificates over the API: read, downloaded, withdrawn and reissued."""

from __future__ import annotations

import io
import json
from typing import Any

import pypdf
import pytest
from rest_framework.test import APIClient

from schedules.certificates.models import Certificate
from schedules.certificates.services import CertificateDamaged
from servicedesk.api import certificates
from tests.factories import make_user
from tests.servicedesk.api.cast import Premises, client_of


@pytest.fixture
def manager(db: None) -> APIClient:
    return client_of(make_user("manager"))


def url_of(certificate: Certificate) -> str:
    return f"/api/v1/certificates/{certificate.public_id}/"


@pytest.mark.filterwarnings("ignore:.*sRGB2014.icc:pytest.PytestUnraisableExceptionWarning")
def test_an_owner_downloads_the_paper(alder: Premises) -> None:
    client = client_of(alder.member)
    shown = client.get(url_of(alder.certificate)).json()
    answer = client.get(shown["pdf_url"])
    assert answer.status_code == 200
    assert answer["Content-Type"] == "application/pdf"
    assert answer["Content-Disposition"] == f'attachment; filename="{alder.certificate.number}.pdf"'
    pages = pypdf.PdfReader(io.BytesIO(answer.content)).pages
    text = pages[0].extract_text()
    assert alder.certificate.number in text
    assert alder.site.name in text
    assert client.get(shown["pdf_url"]).content == answer.content


def test_paper_that_was_altered_is_not_handed_out(alder: Premises, monkeypatch: pytest.MonkeyPatch) -> None:
    def damaged(certificate: Certificate) -> bytes:
        raise CertificateDamaged("The stored file was altered. Bring it back from a backup.")

    monkeypatch.setattr(certificates, "pdf_bytes", damaged)
    answer = client_of(alder.member).get(f"{url_of(alder.certificate)}pdf/")
    assert (answer.status_code, answer.json()["code"]) == (409, "certificate_damaged")
    assert "backup" in answer.json()["detail"]


def test_a_list_leaves_the_content_out(alder: Premises) -> None:
    client = client_of(alder.member)
    row = client.get("/api/v1/certificates/").json()["results"][0]
    assert "content" not in row
    assert (row["standing"], row["standing_text"]) == ("stands", "This certificate stands as issued.")
    assert row["visit"] == {
        "id": str(alder.closed.public_id),
        "number": alder.closed.number,
        "done_on": "2026-11-25",
    }
    shown = client.get(url_of(alder.certificate)).json()
    assert shown["content"] == alder.certificate.content


def _whole_numbers_named(values: Any, name: str) -> list[int]:
    if isinstance(values, dict):
        own = [v for k, v in values.items() if k == name and isinstance(v, int)]
        return own + [n for v in values.values() for n in _whole_numbers_named(v, name)]
    if isinstance(values, list):
        return [n for v in values for n in _whole_numbers_named(v, name)]
    return []


def test_no_answer_holds_an_internal_number(manager: APIClient, alder: Premises) -> None:
    for path in ("owners", "sites", "locations", "unit-models", "units", "obligations", "records", "visits"):
        for row in manager.get(f"/api/v1/{path}/").json()["results"]:
            found = _whole_numbers_named(row, "id") + _whole_numbers_named(row, "pk")
            assert found == [], (path, json.dumps(row))
    detail = manager.get(f"/api/v1/visits/{alder.visit.public_id}/").json()
    content = manager.get(url_of(alder.certificate)).json()
    assert _whole_numbers_named([detail, content], "id") == []


def test_a_withdrawn_certificate_says_so_to_its_owner(manager: APIClient, alder: Premises) -> None:
    answer = manager.post(f"{url_of(alder.certificate)}withdraw/", {"reason": "A unit was missed."})
    assert answer.json()["standing"] == "withdrawn"
    seen = client_of(alder.member).get(url_of(alder.certificate)).json()
    assert (seen["standing"], seen["withdrawn_reason"]) == ("withdrawn", "A unit was missed.")
    assert seen["withdrawn_at"] == "2026-11-25T09:00:00Z"
    twice = manager.post(f"{url_of(alder.certificate)}withdraw/", {"reason": "A unit was missed."})
    assert (twice.status_code, twice.json()["code"]) == (409, "certificate_withdrawn")
    standing = client_of(alder.member).get("/api/v1/certificates/", {"is_standing": "true"}).json()
    assert standing["results"] == []


def test_a_reissued_certificate_names_the_one_before(manager: APIClient, alder: Premises) -> None:
    new = manager.post(f"{url_of(alder.certificate)}reissue/", {"reason": "Name corrected."})
    assert new.status_code == 201
    assert new.json()["replaces"] == str(alder.certificate.public_id)
    old = manager.get(url_of(alder.certificate)).json()
    assert (old["standing"], old["replaced_by"]) == ("replaced", new.json()["id"])
    rows = manager.get("/api/v1/certificates/", {"site": alder.site.public_id}).json()["results"]
    assert [row["standing"] for row in rows] == ["replaced", "stands"]
    fallen = manager.get("/api/v1/certificates/", {"is_standing": "false"}).json()["results"]
    assert [row["id"] for row in fallen] == [str(alder.certificate.public_id)]


@pytest.mark.parametrize("act", ["withdraw", "reissue"])
def test_a_reason_is_given(manager: APIClient, alder: Premises, act: str) -> None:
    answer = manager.post(f"{url_of(alder.certificate)}{act}/", {"reason": " "})
    assert answer.status_code == 400
    assert [item["field"] for item in answer.json()["errors"]] == ["reason"]
    assert Certificate.objects.count() == 1
