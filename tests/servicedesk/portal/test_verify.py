"""The public page: what was issued and whether it stands, nothing beyond, to anybody with the code."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from inventory.register.models import Site
from schedules.certificates import services
from schedules.certificates.content import group_code, qr_text, verify_url
from schedules.certificates.services import (
    close_with_certificate,
    pdf_bytes,
    reissue_certificate,
    render_pdf,
    withdraw_certificate,
)
from schedules.certificates.signing import SignatureState
from schedules.rulebook.services import confirm_table, vary_rule
from schedules.rules import load_tables
from servicedesk.portal import verify
from tests.factories import NOW, make_user
from tests.schedules.certificates.scenario import full_day

pytestmark = [pytest.mark.django_db, pytest.mark.either_home]
LATER = NOW + timedelta(days=2)


@pytest.fixture(autouse=True)
def own_files(settings, tmp_path, monkeypatch):
    settings.MEDIA_ROOT = tmp_path / "media"
    monkeypatch.setattr(
        services, "make_pdf", lambda content, *, digest: (f"%PDF {content['number']}".encode(), 1)
    )
    monkeypatch.setattr(services, "sign_pdf", lambda data, **_: data)


@pytest.fixture
def day():
    return full_day()


@pytest.fixture
def certificate(day):
    return close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)[1]


@pytest.fixture
def address(certificate):
    return f"/verify/{group_code(certificate.verify_code)}/"


@pytest.fixture
def stranger():
    # With the check for forged requests on, as in real life.
    return Client(enforce_csrf_checks=True)


def shown(answer):
    return " ".join(answer.content.decode().split())


def test_anybody_sees_what_was_issued(stranger, address, certificate):
    answer = stranger.get(address)
    assert answer.status_code == 200
    page = shown(answer)
    for told in (
        certificate.number,
        "25 Nov 2026",
        "Tarn &amp; Alder Extinguisher Service",
        "Calder Valley Hospitals",
        "Nordwall Clinic",
        "<dt>Passed</dt><dd>3</dd>",
        "<dt>Failed</dt><dd>1</dd>",
        "<dt>Recorded on the visit</dt><dd>8</dd>",
        "29 CFR 1910.157",
        "Unconfirmed",
        "This certificate stands as issued.",
        "Interval tables are defaults to confirm against local code.",
        certificate.content_digest,
    ):
        assert told in page, told


def test_nothing_private_is_shown(stranger, address, day):
    page = shown(stranger.get(address))
    for unit in day.units.values():
        assert unit.number not in page
        assert not unit.serial or unit.serial not in page
    for private in ("R. Example", "Okoro", "EX-20931", "Quay Street", "Room locked", day.visit.number):
        assert private not in page, private


def test_who_confirmed_or_varied_a_table_and_why_stays_on_the_paper(stranger, day):
    site, manager = day.visit.site, make_user("manager", first_name="Maren", last_name="Holt")
    vary_rule(
        "us-osha-1910-157",
        "maintenance",
        {"every": "P6M"},
        site=site,
        by=manager,
        at=NOW,
        reason="Plating shop",
        reference="Letter FM-17",
    )
    version = load_tables()["us-osha-1910-157"][0].version
    confirm_table("us-osha-1910-157", version, by=manager, name="Maren Holt", local_code="Fire code", at=NOW)
    certificate = close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)[1]
    assert "Maren Holt" in str(certificate.content["tables"])
    page = shown(stranger.get(f"/verify/{group_code(certificate.verify_code)}/"))
    assert "Confirmed against local code. Some of its rules were varied" in page
    for private in ("Holt", "Plating shop", "FM-17"):
        assert private not in page, private


def test_it_is_kept_from_caches_search_engines_and_other_sites(stranger, address):
    answer = stranger.get(address)
    assert "no-store" in answer["Cache-Control"]
    assert answer["X-Robots-Tag"] == "noindex"
    assert answer["Referrer-Policy"] == "no-referrer"
    assert not answer.cookies


def test_the_address_in_the_qr_symbol_leads_there(stranger, certificate, address, settings):
    url = qr_text(verify_url(certificate.verify_code))
    path = url.removeprefix(settings.PUBLIC_URL.upper())
    assert path == path.upper()
    answer = stranger.get(path)
    assert (answer.status_code, answer["Location"]) == (302, address)


@pytest.mark.parametrize(
    "typed",
    [str.lower, lambda code: code.replace("-", " "), lambda code: code.replace("0", "o").replace("1", "l")],
    ids=["small letters", "blanks", "look-alikes"],
)
def test_a_typed_code_leads_to_the_page(stranger, certificate, address, typed):
    answer = stranger.get("/verify/", {"code": typed(group_code(certificate.verify_code))})
    assert (answer.status_code, answer["Location"]) == (302, address)


def test_the_start_page_asks_for_a_code(stranger):
    answer = stranger.get("/verify/")
    assert answer.status_code == 200
    assert 'name="code"' in shown(answer)
    assert "Type the code from the paper." not in shown(answer)
    assert "Type the code from the paper." in shown(stranger.get("/verify/", {"code": " "}))


@pytest.mark.parametrize(
    "path", ["/verify/0000-0000-0000-0000/", "/verify/nonsense/", "/verify/?code=<b>x</b>"]
)
def test_an_unknown_code_says_what_to_do(stranger, certificate, path):
    answer = stranger.get(path)
    assert answer.status_code == 404
    page = shown(answer)
    assert "No certificate under this code" in page
    assert "Compare the code with the paper" in page
    assert "<b>x</b>" not in page
    assert answer["X-Robots-Tag"] == "noindex"


def test_a_withdrawn_certificate_says_so_and_why(stranger, certificate, address):
    withdraw_certificate(certificate, "Issued for the wrong wing.", by=make_user("manager"), now=LATER)
    page = shown(stranger.get(address))
    assert "This certificate was withdrawn and no longer stands." in page
    assert "Reason: <bdi>Issued for the wrong wing.</bdi> (27 Nov 2026)" in page
    assert "stands as issued" not in page


def test_a_replaced_certificate_names_its_successor(stranger, certificate, address):
    second = reissue_certificate(certificate, "Name was wrong.", by=make_user("manager"), now=LATER)
    page = shown(stranger.get(address))
    assert f"It was replaced by {second.number}." in page
    # The number, not the code: the old paper opens nothing but itself.
    assert group_code(second.verify_code) not in page
    assert second.verify_code not in page
    assert f"in place of {certificate.number}" in shown(
        stranger.get(f"/verify/{group_code(second.verify_code)}/")
    )


# --- comparing a file -------------------------------------------------------------------------


def upload(client, address, data, name="certificate.pdf"):
    return client.post(address, {"file": SimpleUploadedFile(name, data, "application/pdf")})


def test_the_issued_file_is_recognised_without_sign_in(stranger, certificate, address, tmp_path):
    data = pdf_bytes(certificate)
    answer = upload(stranger, address, data)
    assert answer.status_code == 200
    assert "This is the file that was issued" in shown(answer)
    assert [path.name for path in (tmp_path / "media").rglob("*.pdf")] == [f"{certificate.number}.pdf"]


def test_one_changed_byte_is_noticed(stranger, certificate, address):
    data = bytearray(pdf_bytes(certificate))
    data[3] ^= 1
    page = shown(upload(stranger, address, bytes(data)))
    assert "This is not the file that was issued" in page
    assert "This is the file that was issued" not in page


def test_the_day_of_a_withdrawal_is_the_one_at_the_site(stranger, day, certificate, address):
    Site.objects.filter(pk=day.visit.site_id).update(time_zone="America/Chicago")
    evening = datetime(2026, 12, 1, 2, 30, tzinfo=UTC)  # half past eight on 30 November there
    withdraw_certificate(certificate, "Wrong wing.", by=make_user("manager"), now=evening)
    assert "Reason: <bdi>Wrong wing.</bdi> (30 Nov 2026)" in shown(stranger.get(address))


def test_the_right_file_of_a_withdrawn_certificate_does_not_look_well(stranger, certificate, address):
    data = pdf_bytes(certificate)
    withdraw_certificate(certificate, "Wrong wing.", by=make_user("manager"), now=LATER)
    page = shown(upload(stranger, address, data))
    assert "This is the file that was issued" in page
    assert page.count("no longer stands") == 2
    assert '<div class="notice" data-tone="ok"' not in page


def test_before_the_paper_is_made_it_cannot_tell(stranger, certificate, address):
    page = shown(upload(stranger, address, b"%PDF something"))
    assert "Cannot tell yet" in page
    assert "is the file that was issued" not in page


def test_no_file_is_asked_for_again(stranger, certificate, address):
    render_pdf(certificate)
    for answer in (stranger.post(address), upload(stranger, address, b"")):
        assert answer.status_code == 400
        assert "No file was compared" in shown(answer)


def test_a_file_that_is_too_large_is_refused_before_it_is_read(stranger, certificate, address, monkeypatch):
    render_pdf(certificate)
    monkeypatch.setattr(verify, "UPLOAD_LIMIT_BYTES", 1000)
    answer = upload(stranger, address, b"x" * 5000)
    assert answer.status_code == 413
    assert "too large" in shown(answer)
    assert answer.wsgi_request._read_started is False
    # Just above the limit the form around it hides the excess, and the file's own size tells.
    assert upload(stranger, address, b"x" * 1001).status_code == 413
    assert upload(stranger, address, b"x" * 1000).status_code == 200


def test_a_file_under_an_unknown_code_is_not_looked_at(stranger):
    assert upload(stranger, "/verify/0000-0000-0000-0000/", b"%PDF").status_code == 404


@pytest.mark.parametrize("method", ["put", "delete", "patch"])
def test_other_methods_are_refused(stranger, certificate, address, method):
    assert getattr(stranger, method)(address).status_code == 405


def test_the_page_costs_one_query(stranger, address, django_assert_num_queries):
    # The one query: the certificate with withdrawal, successor and file.
    with django_assert_num_queries(1):
        stranger.get(address)


@pytest.mark.parametrize(
    ("state", "told"),
    [
        (
            SignatureState(is_signed=True, is_intact=True, covers_all=True, is_trusted=True),
            "another certificate",
        ),
        (SignatureState(is_signed=True, covers_all=True, is_trusted=True), "changed after it was signed"),
        (
            SignatureState(is_signed=True, is_intact=True, is_trusted=True),
            "added behind its digital signature",
        ),
        (SignatureState(is_signed=True, is_intact=True, covers_all=True), "signed by somebody else"),
        (SignatureState(is_signed=False), "carries no digital signature"),
    ],
)
def test_a_wrong_file_is_told_by_what_its_signature_says(
    stranger, address, certificate, monkeypatch, state, told
):
    pdf_bytes(certificate)
    monkeypatch.setattr(verify, "read_signature", lambda data: state)
    answer = stranger.post(address, {"file": SimpleUploadedFile("c.pdf", b"%PDF other")})
    assert "This is not the file that was issued" in shown(answer)
    assert told in shown(answer)


def test_a_whole_signature_of_the_right_file_is_named(stranger, address, certificate, monkeypatch):
    whole = SignatureState(
        is_signed=True, is_intact=True, covers_all=True, is_trusted=True, signer="The firm"
    )
    monkeypatch.setattr(verify, "read_signature", lambda data: whole)
    answer = stranger.post(address, {"file": SimpleUploadedFile("c.pdf", pdf_bytes(certificate))})
    assert "The digital signature inside is whole: The firm." in shown(answer)


def test_anybody_may_have_the_signing_certificates(stranger):
    answer = stranger.get("/verify/signing-certificates.pem")
    assert answer.status_code == 200
    assert answer.content.count(b"BEGIN CERTIFICATE") == 2
    assert b"PRIVATE" not in answer.content
