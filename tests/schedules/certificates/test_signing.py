"""The firm's signature inside a PDF: good files, changed files, other signers, and a second reader."""

from __future__ import annotations

import io
import shutil
import subprocess
import time
from datetime import UTC, datetime, timedelta

import pikepdf
import pytest
from cryptography import x509
from django.core.exceptions import ImproperlyConfigured

from schedules.certificates.content import digest_of
from schedules.certificates.paper import make_pdf
from schedules.certificates.signing import OWN_FILE, own_certificates, read_signature, seal, sign_pdf
from tests.schedules.certificates.scenario import large_content

# The self-made certificate is as old as the test; what it signs must not be older.
AT = datetime.now(UTC).replace(microsecond=0)


@pytest.fixture(autouse=True)
def own_seal(settings, tmp_path):
    settings.SIGNING_FILE = settings.SIGNING_PASSPHRASE = ""
    settings.DATA_DIR = tmp_path
    return tmp_path / OWN_FILE


@pytest.fixture(scope="module")
def paper():
    content = large_content(2, exceptions=0)
    return make_pdf(content, digest=digest_of(content))[0]


def test_a_signed_paper_is_whole_trusted_and_dated(paper):
    state = read_signature(sign_pdf(paper, at=AT, reason="Certificate C-1"))
    assert state.is_good
    assert state.signed_at == AT
    assert "self-made" in state.signer


def test_a_paper_older_than_the_certificate_is_dated_by_the_certificate(paper):
    old = AT - timedelta(days=400)
    state = read_signature(sign_pdf(paper, at=old, reason="Certificate C-1"))
    assert state.is_good
    assert state.signed_at == seal().certificate.not_valid_before_utc
    assert sign_pdf(paper, at=old, reason="C-1") == sign_pdf(paper, at=old, reason="C-1")


def test_an_unsigned_paper_and_no_paper_at_all_are_told(paper):
    assert not read_signature(paper).is_signed
    assert not read_signature(b"hello").is_signed
    assert not read_signature(b"").is_good


def test_the_same_paper_signed_twice_has_the_same_bytes(paper):
    """Also in another second: the file is not dated by the clock of whoever makes it."""
    signed = sign_pdf(paper, at=AT, reason="C-1")
    time.sleep(1.1)
    assert sign_pdf(paper, at=AT, reason="C-1") == signed
    with pikepdf.open(io.BytesIO(signed)) as file, file.open_metadata() as facts:
        assert datetime.fromisoformat(facts["xmp:ModifyDate"]) == AT


def test_any_changed_byte_is_seen(paper):
    signed = sign_pdf(paper, at=AT, reason="C-1")
    for place in range(20, len(signed), len(signed) // 12):
        changed = bytearray(signed)
        changed[place] ^= 1
        assert not read_signature(bytes(changed)).is_good, place


def test_what_was_added_or_saved_anew_is_not_good(paper):
    signed = sign_pdf(paper, at=AT, reason="C-1")
    assert not read_signature(signed + b"\n%more\n").covers_all
    anew = io.BytesIO()
    with pikepdf.open(io.BytesIO(signed)) as document:
        document.save(anew)
    assert not read_signature(anew.getvalue()).is_good


def test_another_firms_signature_is_whole_but_not_trusted(paper, settings, tmp_path):
    signed = sign_pdf(paper, at=AT, reason="C-1")
    settings.DATA_DIR = tmp_path / "other"
    state = read_signature(signed)
    assert state.is_intact
    assert not state.is_trusted
    assert not state.is_good


def test_the_own_file_is_made_once_and_only_this_user_reads_it(own_seal):
    first = seal().certificate
    assert seal().certificate == first
    assert own_seal.stat().st_mode & 0o077 == 0
    assert seal().is_self_made
    assert "self-made" in seal().statement


def test_the_certificates_can_be_handed_out_and_hold_no_key():
    leaf, root = x509.load_pem_x509_certificates(own_certificates())
    leaf.verify_directly_issued_by(root)
    assert b"PRIVATE" not in own_certificates()


def test_the_firms_own_file_is_used_and_named(paper, settings, own_seal, tmp_path):
    seal()
    settings.SIGNING_FILE = str(own_seal)
    assert not seal().is_self_made
    assert seal().statement == f"Signed digitally inside this file by {seal().subject}."
    settings.SIGNING_FILE = str(tmp_path / "absent.p12")
    with pytest.raises(ImproperlyConfigured, match="SIGNING_FILE"):
        seal()


@pytest.mark.skipif(shutil.which("pdfsig") is None, reason="the second reader (poppler) is not installed")
def test_a_second_reader_agrees(paper, tmp_path):
    """Poppler's own reader of signatures, which shares no code with the library that signs."""
    signed = sign_pdf(paper, at=AT, reason="C-1")
    changed = bytearray(signed)
    changed[600] ^= 1
    said = []
    for name, data in (("good.pdf", signed), ("changed.pdf", bytes(changed))):
        (tmp_path / name).write_bytes(data)
        said.append(
            subprocess.run(
                ["pdfsig", tmp_path / name], capture_output=True, text=True, check=False, cwd=tmp_path
            ).stdout
        )
    assert "Signature Validation: Signature is Valid." in said[0]
    assert "Total document signed" in said[0]
    assert "ETSI.CAdES.detached" in said[0]
    assert "Signature is Valid." not in said[1]
