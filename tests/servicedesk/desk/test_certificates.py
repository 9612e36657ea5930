"""Certificates at the desk: list, page, file, withdrawing and issuing again."""

from __future__ import annotations

import uuid
from datetime import timedelta
from io import BytesIO
from typing import Any

import pytest
from pypdf import PdfReader
from pytest_django.fixtures import DjangoAssertNumQueries

from schedules.certificates.models import Certificate, Withdrawal
from schedules.certificates.services import close_with_certificate, withdraw_certificate
from schedules.visits.closing import Closing
from schedules.visits.recording import EntryInput, add_entry
from tests.factories import NOW, make_visit
from tests.servicedesk.page_cast import Cast, make_serviced_unit, text_of

pytestmark = pytest.mark.django_db


def issue(cast: Cast, site: Any) -> Certificate:
    unit = make_serviced_unit(site)
    technician = cast.people["technician"]
    visit = make_visit(site, [unit], technician=technician)
    entry = EntryInput(uuid.uuid4(), unit, "failed", tasks=("maintenance",), remarks="Seal broken")
    add_entry(visit, entry, by=technician, now=NOW)
    visit.refresh_from_db()
    closing = Closing(counts={"failed": 1}, contact_name="R. Okafor")
    return close_with_certificate(visit, closing, by=technician, now=NOW)[1]


@pytest.fixture
def paper(cast: Cast) -> Certificate:
    return issue(cast, cast.site)


def send(cast: Cast, paper: Certificate, role: str = "manager", **data: str) -> Any:
    return cast.client(role).post(f"/desk/certificates/{paper.public_id}/", data, follow=True)


@pytest.mark.parametrize("role", ["manager", "dispatcher"])
def test_the_desk_reads_certificates(cast: Cast, paper: Certificate, role: str) -> None:
    page = text_of(cast.get(role, "desk:certificate", paper.public_id))
    assert f"Certificate {paper.number}" in page
    assert "This certificate stands as issued." in page
    assert "/verify/" in page


@pytest.mark.parametrize("role", ["technician", "workshop", "owner", "other_owner"])
def test_nobody_else_reads_them_here(cast: Cast, paper: Certificate, role: str) -> None:
    for name in ("desk:certificate", "desk:certificate-file"):
        assert cast.get(role, name, paper.public_id).status_code == 403


def test_the_file_is_the_certificate(cast: Cast, paper: Certificate) -> None:
    answer = cast.get("dispatcher", "desk:certificate-file", paper.public_id)
    assert answer.headers["Content-Type"] == "application/pdf"
    text = "".join(page.extract_text() for page in PdfReader(BytesIO(answer.content)).pages)
    assert paper.number in text


@pytest.mark.parametrize(
    ("query", "is_found"),
    [
        ({"q": "mill"}, True),
        ({"q": "quay"}, False),
        ({"standing": "stands"}, True),
        ({"standing": "withdrawn"}, False),
        ({"standing": "replaced"}, False),
        ({"issued_from": "2026-11-25", "issued_to": "2026-11-25"}, True),
        ({"issued_from": "2026-11-26"}, False),
        ({"issued_to": "2026-11-24"}, False),
    ],
)
def test_the_list_is_searched_and_filtered(
    cast: Cast, paper: Certificate, query: dict[str, str], is_found: bool
) -> None:
    answer = cast.get("dispatcher", "desk:certificates", **query)
    assert [line["certificate"] for line in answer.context["lines"]] == ([paper] if is_found else [])


def test_withdrawn_and_replaced_are_told_apart(cast: Cast, paper: Certificate) -> None:
    withdraw_certificate(paper, "Wrong unit", by=cast.people["manager"], now=NOW)
    found = cast.get("dispatcher", "desk:certificates", standing="withdrawn").context["lines"]
    assert [(line["certificate"], line["word"]) for line in found] == [(paper, "Withdrawn")]
    send(cast, paper, do="reissue", reason="Corrected")
    found = cast.get("dispatcher", "desk:certificates", standing="replaced").context["lines"]
    assert [(line["certificate"], line["word"]) for line in found] == [(paper, "Replaced")]
    assert cast.get("dispatcher", "desk:certificates", standing="withdrawn").context["lines"] == []


def test_a_filter_that_cannot_be_shows_nothing(cast: Cast, paper: Certificate) -> None:
    answer = cast.get("dispatcher", "desk:certificates", issued_from="31/02/2026")
    assert (answer.status_code, answer.context["lines"]) == (400, [])


@pytest.mark.parametrize("count", [1, 3])
def test_the_list_costs_the_same_queries_however_long(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(count):
        issue(cast, cast.site)
    client = cast.client("dispatcher")
    # session, user; number of certificates, certificates; saved filters
    with django_assert_num_queries(5):
        answer = client.get("/desk/certificates/")
    assert len(answer.context["lines"]) == count


def test_a_manager_withdraws_with_a_reason(cast: Cast, paper: Certificate) -> None:
    page = text_of(send(cast, paper, do="withdraw", reason="Wrong unit"))
    assert f"Certificate {paper.number} is withdrawn." in page
    assert "Reason: Wrong unit" in page
    assert "Only withdraw it" not in page


def test_a_manager_issues_it_again_and_both_stay(
    cast: Cast, paper: Certificate, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("servicedesk.pages.clock", lambda: NOW + timedelta(hours=1))
    answer = send(cast, paper, do="reissue", reason="Name misspelt")
    new = Certificate.objects.get(replaces=paper)
    assert answer.redirect_chain == [(f"/desk/certificates/{new.public_id}/", 302)]
    assert f"Certificate {new.number} is issued in place of {paper.number}." in text_of(answer)
    old = text_of(cast.get("dispatcher", "desk:certificate", paper.public_id))
    assert f"It was replaced by {new.number}." in old
    assert "Issue it again" not in old


@pytest.mark.parametrize("do", ["", "replace"])
def test_a_word_that_no_button_has_does_nothing(cast: Cast, paper: Certificate, do: str) -> None:
    answer = send(cast, paper, do=do, reason="Wrong unit")
    assert answer.status_code == 400
    assert "Nothing was changed." in text_of(answer)
    assert not Withdrawal.objects.exists()


@pytest.mark.parametrize("do", ["withdraw", "reissue"])
def test_without_a_reason_nothing_happens(cast: Cast, paper: Certificate, do: str) -> None:
    answer = send(cast, paper, do=do, reason=" ")
    assert answer.status_code == 400
    assert "Say why: whoever checks the certificate reads the reason." in text_of(answer)
    assert not Withdrawal.objects.exists()
    assert Certificate.objects.count() == 1


@pytest.mark.parametrize("do", ["withdraw", "reissue"])
def test_somebody_who_was_faster_is_told_of(cast: Cast, paper: Certificate, do: str) -> None:
    send(cast, paper, do="reissue", reason="First")
    answer = send(cast, paper, do=do, reason="Second")
    assert answer.status_code == 409
    assert "was already" in text_of(answer)
    assert Certificate.objects.count() == 2


@pytest.mark.parametrize("do", ["withdraw", "reissue"])
def test_a_dispatcher_neither_withdraws_nor_reissues(cast: Cast, paper: Certificate, do: str) -> None:
    assert send(cast, paper, "dispatcher", do=do, reason="Please").status_code == 403
    assert "Only withdraw it" not in text_of(cast.get("dispatcher", "desk:certificate", paper.public_id))
    assert not Withdrawal.objects.exists()


def test_the_site_and_the_visit_lead_to_the_certificate(cast: Cast, paper: Certificate) -> None:
    for name, row in (("site", paper.site), ("visit", paper.visit)):
        assert paper.number in text_of(cast.get("dispatcher", f"desk:{name}", row.public_id))
