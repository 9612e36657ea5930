"""Issuing once, making the paper once, withdrawing and reissuing; nothing altered is handed out."""

from __future__ import annotations

import hashlib
import io
import threading
from datetime import UTC, datetime, timedelta

import kombu.exceptions
import pypdf
import pytest
from celery import current_app
from django.core.exceptions import ValidationError
from django.core.files.storage import default_storage
from django.db import connection

from inventory.access import EVERYTHING, NOTHING, Scope
from inventory.appendonly import HistoryIsAppendOnly
from inventory.errors import Conflict
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import correct_record
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.models import NumberSeries
from schedules.certificates import services
from schedules.certificates.content import digest_of
from schedules.certificates.models import Certificate, CertificateFile, Withdrawal
from schedules.certificates.queries import (
    CODE_ALPHABET,
    Standing,
    certificate_by_code,
    certificates_for,
    corrections_since,
    read_code,
    standing_of,
    waiting_certificates,
)
from schedules.certificates.services import (
    CertificateDamaged,
    close_with_certificate,
    issue_certificate,
    new_verify_code,
    pdf_bytes,
    reissue_certificate,
    render_pdf,
    render_waiting,
    withdraw_certificate,
)
from schedules.tasks import render_waiting_certificates
from schedules.visits.closing import close_visit
from schedules.visits.models import Visit
from tests.factories import NOW, make_record, make_unit, make_user
from tests.schedules.certificates.scenario import full_day, small_day

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(days=2)


@pytest.fixture(autouse=True)
def own_files(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"
    return settings.MEDIA_ROOT


@pytest.fixture
def no_paper(monkeypatch):
    """Papers of one line instead of laid-out ones, and how many were made."""
    made = []

    def make(content, *, digest):
        made.append(content["number"])
        return f"%PDF {content['number']} {digest}".encode(), 1

    monkeypatch.setattr(services, "make_pdf", make)
    monkeypatch.setattr(services, "sign_pdf", lambda data, **_: data)
    return made


def issued(day=None):
    day = day or small_day()
    return close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)[1]


def stored_files(root):
    return sorted(path.name for path in root.rglob("*") if path.is_file())


# --- issuing ----------------------------------------------------------------------------------


def test_closing_issues_a_numbered_certificate():
    day = small_day()
    visit, certificate = close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)
    assert visit.state == Visit.State.CLOSED
    assert certificate.number == "C-2026-000001"
    assert (certificate.owner, certificate.site, certificate.issued_on.isoformat()) == (
        day.site.owner,
        day.site,
        "2026-11-25",
    )
    assert certificate.content["number"] == certificate.number
    stored = Certificate.objects.get(pk=certificate.pk)
    assert stored.content_digest == digest_of(stored.content)


def test_numbers_have_no_gap_when_one_is_refused():
    first = issued()
    broken = small_day()
    broken.visit = close_visit(broken.visit, broken.closing(), by=broken.technician, now=NOW)
    Visit.objects.filter(pk=broken.visit.pk).update(counts={})
    with pytest.raises(Conflict):
        issue_certificate(broken.visit, by=broken.technician, now=NOW)
    second = issued()
    assert (first.number, second.number) == ("C-2026-000001", "C-2026-000002")


def test_each_year_counts_for_itself():
    issued()
    day = small_day()
    certificate = close_with_certificate(
        day.visit, day.closing(), by=day.technician, now=datetime(2027, 1, 4, 12, tzinfo=UTC)
    )[1]
    assert certificate.number == "C-2027-000001"


def test_a_certificate_that_cannot_be_issued_leaves_the_visit_open(monkeypatch):
    day = small_day()
    monkeypatch.setattr(
        services, "visit_content", lambda *_: (_ for _ in ()).throw(services.DoesNotReconcile("They differ."))
    )
    with pytest.raises(Conflict, match=r"They differ\. No certificate was issued"):
        close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)
    day.visit.refresh_from_db()
    assert day.visit.state == Visit.State.UNDER_WAY
    assert not ServiceRecord.objects.filter(visit_ref=day.visit.public_id).exists()


def test_an_open_visit_has_no_certificate():
    day = small_day()
    with pytest.raises(Conflict, match="issued for a closed visit") as refused:
        issue_certificate(day.visit, by=day.technician, now=NOW)
    assert refused.value.code == "visit_not_closed"


def test_issuing_twice_gives_the_same_certificate():
    day = small_day()
    certificate = issued(day)
    assert issue_certificate(day.visit, by=day.technician, now=LATER) == certificate
    assert Certificate.objects.count() == 1


def test_dates_that_the_nightly_sweep_has_not_reached_are_brought_up_to_date_first():
    day = small_day()
    # Neither on the list nor seen by any sweep: without one the certificate would know no date of it.
    unit = make_unit(day.site, refresh=False)
    make_record(unit, Task.MAINTENANCE, Stamp.of(2020, 5, 4), refresh=False)
    found = {(e["kind"], e["number"]): e["text"] for e in issued(day).content["exceptions"]}
    # Source: 29 CFR 1910.157(e)(3): a year after 4 May 2020.
    assert found["overdue", unit.number].startswith("Maintenance overdue since 4 May 2021")


@pytest.mark.django_db(transaction=True)
def test_two_people_at_once_issue_one_certificate(no_paper):
    day = small_day()
    close_visit(day.visit, day.closing(), by=day.technician, now=NOW)
    gate = threading.Barrier(2, timeout=60)
    found: list[object] = []

    def issue():
        try:
            gate.wait()
            found.append(issue_certificate(day.visit, by=day.technician, now=NOW).number)
        except Exception as error:
            found.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=issue) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert found == ["C-2026-000001", "C-2026-000001"]
    assert NumberSeries.objects.get(name="certificate-2026").last == 1


def test_codes_are_long_random_and_readable():
    codes = {new_verify_code() for _ in range(200)}
    assert len(codes) == 200
    assert {len(code) for code in codes} == {16}
    assert set("".join(codes)) == set(CODE_ALPHABET)
    assert not set("ILOU") & set(CODE_ALPHABET)
    # Five bits a letter: 80, well above the 60 below which guessing would need to be slowed down.
    assert len(CODE_ALPHABET) == 32


@pytest.mark.parametrize(
    "typed",
    [
        "7K3M-Q2ZD-9XWA-40TF",
        "7k3mq2zd9xwa40tf",
        " 7k3m q2zd 9xwa 4otf ",
        "7K3M–Q2ZD-9XWA-40TF".replace("–", "-"),
    ],
)
def test_a_typed_code_is_read_with_tolerance(typed):
    assert read_code(typed) == "7K3MQ2ZD9XWA40TF"


def test_letters_left_out_are_read_as_what_they_look_like():
    assert read_code("IL0o-UUUU-0000-0000") == "1100VVVV00000000"


@pytest.mark.parametrize("typed", ["", "7K3M", "7K3M-Q2ZD-9XWA-40TF-0", "7K3M-Q2ZD-9XWA-40T!", "ß" * 16])
def test_what_cannot_be_a_code_is_none(typed):
    assert read_code(typed) == ""
    assert certificate_by_code(typed) is None


# --- making the paper -------------------------------------------------------------------------


def test_the_paper_is_made_stored_and_handed_out(own_files):
    certificate = issued(full_day())
    assert list(waiting_certificates()) == [certificate]
    file = render_pdf(certificate)
    assert not waiting_certificates().exists()
    data = pdf_bytes(certificate)
    assert hashlib.sha256(data).hexdigest() == file.sha256
    reader = pypdf.PdfReader(io.BytesIO(data))
    assert len(reader.pages) == file.page_count
    text = " ".join(page.extract_text() for page in reader.pages)
    for line in certificate.content["units"]:
        assert line["number"] in text
    for entry in certificate.content["exceptions"]:
        assert entry["number"] in text
        assert entry["label"] in text or entry["kind"] == "not_on_list"
    assert certificate.content["verify"]["code"] in text
    assert stored_files(own_files) == ["C-2026-000001.pdf"]


def test_making_it_again_changes_nothing(no_paper, own_files):
    certificate = issued()
    assert render_pdf(certificate) == render_pdf(certificate)
    pdf_bytes(certificate)
    assert no_paper == [certificate.number]
    assert stored_files(own_files) == ["C-2026-000001.pdf"]


def test_handing_out_makes_a_paper_that_waits(no_paper):
    certificate = issued()
    assert pdf_bytes(certificate).startswith(b"%PDF C-2026-000001")
    assert no_paper == [certificate.number]


def test_of_two_workers_the_second_leaves_nothing_behind(monkeypatch, no_paper, own_files):
    certificate = issued()
    make = services.make_pdf
    rivals: list[CertificateFile] = []

    def overtaken(content, *, digest):
        if not rivals:
            rivals.append(None)
            rivals[0] = render_pdf(certificate)
        return make(content, digest=digest)

    monkeypatch.setattr(services, "make_pdf", overtaken)
    assert render_pdf(certificate) == rivals[0]
    assert CertificateFile.objects.count() == 1
    assert stored_files(own_files) == ["C-2026-000001.pdf"]
    assert pdf_bytes(certificate)


def test_a_row_that_cannot_be_written_leaves_no_file(monkeypatch, no_paper, own_files):
    certificate = issued()

    def full_disk(self, *args, **kwargs):
        raise OSError("no space left")

    monkeypatch.setattr(CertificateFile, "save", full_disk)
    with pytest.raises(OSError, match="no space"):
        render_pdf(certificate)
    assert stored_files(own_files) == []


def test_the_job_makes_all_that_wait_and_then_nothing(no_paper):
    numbers = {issued().number for _ in range(3)}
    assert render_waiting_certificates() == 3
    assert set(no_paper) == numbers
    assert render_waiting_certificates() == 0
    assert len(no_paper) == 3


def test_one_that_cannot_be_made_does_not_hold_up_the_others(monkeypatch, no_paper, caplog):
    bad, good = issued(), issued()
    make = services.make_pdf

    def torn(content, *, digest):
        if content["number"] == bad.number:
            raise RuntimeError("torn paper")
        return make(content, digest=digest)

    monkeypatch.setattr(services, "make_pdf", torn)
    assert render_waiting() == 1
    assert list(waiting_certificates()) == [bad]
    assert CertificateFile.objects.get().certificate == good
    assert bad.number in caplog.text


def test_the_nudge_names_the_job_that_exists(monkeypatch):
    sent = []
    monkeypatch.setattr(current_app, "send_task", lambda name, **options: sent.append((name, options)))
    services.nudge_rendering()
    ((name, options),) = sent
    assert name == render_waiting_certificates.name
    assert options == {"expires": 60, "retry": False}


def test_issuing_nudges_after_the_commit_and_never_before(monkeypatch, django_capture_on_commit_callbacks):
    sent = []
    monkeypatch.setattr(current_app, "send_task", lambda name, **_: sent.append(name))
    with django_capture_on_commit_callbacks() as callbacks:
        issued()
    assert sent == []
    assert services.nudge_rendering in callbacks


def test_without_a_broker_the_certificate_is_issued_all_the_same(
    monkeypatch, django_capture_on_commit_callbacks
):
    def nobody(name, **_):
        raise kombu.exceptions.OperationalError("nobody there")

    monkeypatch.setattr(current_app, "send_task", nobody)
    with django_capture_on_commit_callbacks(execute=True):
        certificate = issued()
    assert Certificate.objects.filter(pk=certificate.pk).exists()


# --- trust ------------------------------------------------------------------------------------


def test_an_altered_file_is_not_handed_out(no_paper):
    certificate = issued()
    file = render_pdf(certificate)
    with open(default_storage.path(file.pdf.name), "r+b") as stored:
        stored.seek(6)
        stored.write(b"X")
    with pytest.raises(CertificateDamaged, match=certificate.number):
        pdf_bytes(certificate)
    with open(default_storage.path(file.pdf.name), "r+b") as stored:
        stored.truncate(0)
    with pytest.raises(CertificateDamaged, match=certificate.number):
        pdf_bytes(certificate)


def test_a_lost_file_comes_back_the_same(no_paper, own_files):
    certificate = issued()
    file = render_pdf(certificate)
    before = pdf_bytes(certificate)
    default_storage.delete(file.pdf.name)
    assert pdf_bytes(certificate) == before
    assert stored_files(own_files) == ["C-2026-000001.pdf"]


def test_a_lost_file_that_would_come_back_different_does_not(monkeypatch, no_paper, own_files):
    certificate = issued()
    default_storage.delete(render_pdf(certificate).pdf.name)
    monkeypatch.setattr(services, "make_pdf", lambda content, *, digest: (b"%PDF of a later release", 1))
    with pytest.raises(CertificateDamaged):
        pdf_bytes(certificate)
    assert stored_files(own_files) == []


def test_no_paper_is_made_from_altered_content(no_paper):
    certificate = issued()
    certificate.content["units"][0]["result_label"] = "Failed"
    with pytest.raises(CertificateDamaged, match="not what was issued"):
        render_pdf(certificate)
    assert no_paper == []
    assert not CertificateFile.objects.exists()


def test_a_certificate_is_never_changed():
    certificate = issued()
    with pytest.raises(HistoryIsAppendOnly):
        certificate.save()
    with pytest.raises(HistoryIsAppendOnly):
        Certificate.objects.update(content={})
    with pytest.raises(HistoryIsAppendOnly):
        certificate.delete()


# --- withdrawing and reissuing ----------------------------------------------------------------


def test_withdrawing_keeps_the_paper_and_says_why(no_paper):
    certificate = issued()
    before = pdf_bytes(certificate)
    manager = make_user("manager")
    withdraw_certificate(certificate, " Wrong site ", by=manager, now=LATER)
    again = Certificate.objects.get(pk=certificate.pk)
    state = standing_of(again)
    assert (state.standing, state.reason, state.withdrawn_at) == (Standing.WITHDRAWN, "Wrong site", LATER)
    assert pdf_bytes(again) == before


@pytest.mark.parametrize("reason", ["", "   ", "x" * 301])
def test_withdrawing_needs_a_reason_that_fits(reason):
    certificate = issued()
    with pytest.raises(ValidationError):
        withdraw_certificate(certificate, reason, by=make_user("manager"), now=LATER)
    assert not Withdrawal.objects.exists()


def test_withdrawing_twice_is_a_conflict():
    certificate, manager = issued(), make_user("manager")
    withdraw_certificate(certificate, "Wrong site", by=manager, now=LATER)
    with pytest.raises(Conflict, match="already withdrawn"):
        withdraw_certificate(certificate, "Again", by=manager, now=LATER)
    assert Withdrawal.objects.get().reason == "Wrong site"


def test_a_withdrawn_certificate_is_reissued_and_not_issued_again():
    day, manager = small_day(), make_user("manager")
    certificate = issued(day)
    withdraw_certificate(certificate, "Wrong site", by=manager, now=LATER)
    with pytest.raises(Conflict, match="Reissue it"):
        issue_certificate(day.visit, by=manager, now=LATER)
    again = reissue_certificate(certificate, "Now right", by=manager, now=LATER)
    assert again.number == "C-2026-000002"
    assert Withdrawal.objects.get().reason == "Wrong site"


def test_reissuing_keeps_both_and_ties_them():
    day, manager = small_day(), make_user("manager")
    first = issued(day)
    second = reissue_certificate(first, "Name of the owner was wrong.", by=manager, now=LATER)
    first = Certificate.objects.get(pk=first.pk)
    assert (second.replaces, second.visit) == (first, first.visit)
    assert second.verify_code != first.verify_code
    assert second.content["replaces"]["number"] == first.number
    assert (standing_of(first).standing, standing_of(first).replaced_by) == (Standing.REPLACED, second.number)
    assert standing_of(second).standing is Standing.STANDS
    assert first.withdrawal.reason == "Name of the owner was wrong."
    assert issue_certificate(day.visit, by=manager, now=LATER) == second


def test_a_replaced_certificate_is_not_replaced_again():
    manager, first = make_user("manager"), issued()
    second = reissue_certificate(first, "Wrong name", by=manager, now=LATER)
    with pytest.raises(Conflict, match=f"already replaced by {second.number}"):
        reissue_certificate(first, "Once more", by=manager, now=LATER)
    assert Certificate.objects.count() == 2


def test_reissuing_without_a_reason_changes_nothing():
    certificate = issued()
    with pytest.raises(ValidationError):
        reissue_certificate(certificate, " ", by=make_user("manager"), now=LATER)
    assert (Certificate.objects.count(), Withdrawal.objects.count()) == (1, 0)


def test_a_record_corrected_later_is_a_reason_to_reissue():
    day, manager = small_day(), make_user("manager")
    certificate = issued(day)
    assert not corrections_since(certificate).exists()
    record = ServiceRecord.objects.filter(visit_ref=day.visit.public_id).first()
    new = correct_record(record, reason="Typing error", by=manager, at=LATER, remarks="other")
    assert list(corrections_since(certificate)) == [new]
    again = reissue_certificate(certificate, "Corrected", by=manager, now=LATER + timedelta(hours=1))
    assert not corrections_since(again).exists()


# --- lists ------------------------------------------------------------------------------------


def test_a_list_costs_one_query_whatever_its_length(django_assert_num_queries):
    manager = make_user("manager")
    for _ in range(3):
        reissue_certificate(issued(), "Once more", by=manager, now=LATER)
    # The one query: certificates with owner, site, visit, withdrawal, successor and file.
    for length in (1, 6):
        with django_assert_num_queries(1):
            rows = list(certificates_for(EVERYTHING)[:length])
            told = [
                (row.owner.name, row.site.name, row.visit.number, standing_of(row).sentence) for row in rows
            ]
        assert len(told) == length


def test_an_owner_sees_own_certificates_only():
    mine, other = issued(), issued()
    assert list(certificates_for(Scope(owner_ids=frozenset({mine.owner_id})))) == [mine]
    assert set(certificates_for(EVERYTHING)) == {mine, other}
    assert list(certificates_for(NOTHING)) == []
