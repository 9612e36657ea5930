"""A person is taken out everywhere; chains, papers and dates stand as they did."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.test import Client
from django.urls import reverse

from inventory.errors import Conflict
from inventory.logbook.erasures import ErasedField, ErasedRecord, Erasure
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import broken_links, correct_record, proof_of
from inventory.measures.stamps import Stamp
from schedules.certificates.content import digest_of
from schedules.certificates.models import Certificate
from schedules.certificates.services import pdf_bytes
from schedules.due.models import Obligation
from schedules.due.services import refresh_units
from schedules.surveys.models import Survey, SurveyDecision
from schedules.surveys.queries import walk_of
from schedules.surveys.report import outcome_digest
from schedules.surveys.services import finish, settle
from schedules.visits.models import FieldAct, Visit
from servicedesk.accounts.models import User
from servicedesk.documents.takeover import takeover_report
from servicedesk.erasure.places import Found, Words, all_rows, find, rule_for, searched, words_of
from servicedesk.erasure.services import erase, report_lines, tally
from tests.factories import NOW, PASSWORD, make_record, make_user
from tests.schedules.surveys.cast import LINE, make_day
from tests.servicedesk.portal.cast import Premises, make_premises

BASIS = {"legal_basis": "Art. 17 (1) (a) of the data protection law", "reason": "Left the owner's service"}
LATER = datetime(2026, 12, 3, 10, 0, tzinfo=UTC)
LONG_AFTER = datetime(2040, 1, 1, 10, 0, tzinfo=UTC)
PEGGY = "Margarete Øst"


@pytest.fixture
def own(db: None) -> Premises:
    return make_premises("Harrow Mills", site="Mill Lane works")


def erased(text: str, by: User, now: datetime = LATER) -> Erasure:
    words = words_of(text)
    return erase(words, seen=tally(find(words, today=now.date())), by=by, now=now, **BASIS)


def stands(text: str, now: datetime = LATER) -> Found:
    return find(words_of(text), today=now.date())


def everywhere() -> str:
    """All texts of all tables, as they are stored."""
    text = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            if table.startswith(("inventory_", "schedules_", "servicedesk_")):
                cursor.execute(f'SELECT * FROM "{table}"')
                text += [str(row) for row in cursor.fetchall()]
    return "\n".join(text)


def mention(own: Premises) -> ServiceRecord:
    """Let the person stand in a record, its correction, a visit with signature, a mail and the contact."""
    record = make_record(
        own.unit, done=Stamp.of(2026, 1, 5), remarks=f"{PEGGY} held the door; MARGARETE  ØST signed"
    )
    correct_record(
        record, reason=f"As {PEGGY} said", by=make_user("manager"), at=NOW, remarks=f"with {PEGGY}"
    )
    own.serve(own.unit)
    Visit.objects.filter(site=own.site).update(
        contact_name=PEGGY, signature={"width": 10, "height": 10, "lines": [[1, 2], [3, 4]]}
    )
    own.owner.contact_name, own.owner.contact_email = PEGGY, "m.ost@example.com"
    own.owner.save()
    return record


def test_a_person_goes_and_the_chain_still_proves(own: Premises) -> None:
    record = mention(own)
    manager = make_user("manager")
    refresh_units([own.unit.pk], now=LATER)
    due = list(Obligation.objects.order_by("pk").values())
    revision = own.unit.__class__.objects.values_list("facts_revision", flat=True).get(pk=own.unit.pk)
    certificate = Certificate.objects.get()
    before = pdf_bytes(certificate)
    assert broken_links(own.unit) == []
    assert PEGGY in everywhere()

    done = erased(f"{PEGGY}\nm.ost@example.com", manager)

    text = everywhere()
    assert PEGGY not in text
    assert "ØST" not in text
    assert "\\u00d8st" not in text
    assert "m.ost@example.com" not in text
    visit = Visit.objects.get(site=own.site)
    assert visit.signature is None
    assert "erased on 2026-12-03" in visit.contact_name
    row = ServiceRecord.objects.get(pk=record.pk)
    assert row.remarks == "[erased on 2026-12-03] held the door; [erased on 2026-12-03] signed"
    assert row.digest == record.digest
    # The chain holds, says which records lost words, and goes on.
    proof = proof_of(own.unit)
    assert proof.broken == []
    assert proof.erased == [2, 3]
    make_record(own.unit, done=Stamp.of(2026, 11, 20), refresh=False)
    assert broken_links(own.unit) == []
    # Nothing else changed.
    assert list(Obligation.objects.order_by("pk").values()) == due
    assert (
        own.unit.__class__.objects.values_list("facts_revision", flat=True).get(pk=own.unit.pk)
        == revision + 1
    )
    assert pdf_bytes(certificate) == before
    assert digest_of(certificate.content) == certificate.content_digest
    verified = own.client.get(reverse("verify-certificate", args=[certificate.verify_code]), follow=True)
    assert verified.status_code == 200
    assert PEGGY not in "\n".join(report_lines(done))
    assert stands(PEGGY).is_empty


def test_a_second_person_in_the_same_words_leaves_nothing_behind(own: Premises) -> None:
    record = make_record(own.unit, done=Stamp.of(2026, 1, 5), remarks=f"{PEGGY} and Piotr Vale")
    manager = make_user("manager")
    erased(PEGGY, manager)
    assert "Piotr Vale" in everywhere()
    erased("Piotr Vale", manager, now=datetime(2026, 12, 4, tzinfo=UTC))
    assert "Piotr Vale" not in everywhere()
    assert ServiceRecord.objects.get(pk=record.pk).remarks.count("[erased on") == 2
    assert proof_of(own.unit).broken == []
    assert ErasedRecord.objects.count() == 2


def test_altering_what_was_erased_or_the_link_breaks_the_chain(own: Premises) -> None:
    make_record(own.unit, done=Stamp.of(2026, 1, 5), remarks=f"{PEGGY} was there")
    erased(PEGGY, make_user("manager"))
    link = ErasedRecord.objects.get()
    for model, pk, change in (
        (ServiceRecord, link.record_id, {"remarks": "Nobody was there"}),
        (ServiceRecord, link.record_id, {"outcome": "failed"}),
        (ErasedRecord, link.pk, {"reads_as_digest": "0" * 64}),
        (ErasedRecord, link.pk, {"removed": []}),
    ):
        with transaction.atomic():
            connection.cursor().execute("SELECT 1")
            with WithoutFence(model._meta.db_table):
                all_rows(model).filter(pk=pk).update(**change)
            assert broken_links(own.unit), change
            transaction.set_rollback(True)
    assert broken_links(own.unit) == []


class WithoutFence:
    """Somebody who took the database's own fence down."""

    def __init__(self, table: str) -> None:
        self.table = table

    def __enter__(self) -> None:
        if connection.vendor == "sqlite":
            connection.cursor().execute(f'DROP TRIGGER IF EXISTS "{self.table}_no_update"')
        else:
            connection.cursor().execute(f'DROP TRIGGER IF EXISTS "{self.table}_no_update" ON "{self.table}"')

    def __exit__(self, *_: Any) -> None:
        pass


def test_the_name_of_who_did_the_work_is_kept_as_long_as_the_rule_says(own: Premises) -> None:
    technician = make_user("technician", first_name="Ines", last_name="Rowntree", email="ines@firm.example")
    make_record(
        own.unit, done=Stamp.of(2026, 3, 2), performed_by_id=technician.pk, performed_by_name="Ines Rowntree"
    )
    client = Client()
    client.force_login(technician)
    assert technician.check_password(PASSWORD)
    manager = make_user("manager")
    kept = stands("Ines Rowntree").kept
    assert [(place.label, place.kept_until, place.source) for place in kept] == [
        ("inventory.ServiceRecord", date(2027, 3, 2), "29 CFR 1910.157(e)(3)")
    ]
    done = erased("Ines Rowntree", manager)
    assert done.kept[0]["until"] == "2027-03-02"
    assert ServiceRecord.objects.filter(performed_by_name="Ines Rowntree").count() == 1
    technician.refresh_from_db()
    assert (technician.display_name, technician.email, technician.is_active) == ("Erased", "", False)
    assert not technician.has_usable_password()
    assert client.get(reverse("field:home")).status_code in (302, 403)
    # When the time is over the name goes as well.
    erased("Ines Rowntree", manager, now=LONG_AFTER)
    assert not ServiceRecord.objects.filter(performed_by_name="Ines Rowntree").exists()
    assert broken_links(own.unit) == []


def test_papers_are_kept_by_name_and_date(own: Premises) -> None:
    own.serve(own.unit)
    found = stands("Ines Rowntree")
    paper = next(place for place in found.kept if place.label == "schedules.Certificate")
    assert paper.kept_until == date(2033, 11, 25)
    later = stands("Ines Rowntree", LONG_AFTER)
    assert any(place.label == "schedules.Certificate" and place.is_kept for place in later.places)


def test_it_is_refused_without_reason_for_oneself_or_when_more_stands_there_by_now(own: Premises) -> None:
    manager = make_user("manager", first_name="Dana", last_name="Oakes")
    make_record(own.unit, remarks=PEGGY)
    words = words_of(PEGGY)
    for given in (BASIS | {"reason": " "}, BASIS | {"legal_basis": ""}, BASIS | {"reason": f"{PEGGY} asked"}):
        with pytest.raises(ValidationError):
            erase(words, seen=1, by=manager, now=LATER, **given)
    with pytest.raises(Conflict):
        erase(words, seen=7, by=manager, now=LATER, **BASIS)
    with pytest.raises(ValidationError, match="own account"):
        erased("Dana Oakes", manager)
    assert not Erasure.objects.exists()
    assert not ErasedField.objects.exists()
    assert stands(PEGGY).places


def test_whole_words_only_and_rules_of_places() -> None:
    pattern = words_of("Ann Lee; Bo").pattern
    assert words_of("Ann Lee; Bo").texts == ("Ann Lee",)
    assert pattern.search("by ann  lee.")
    assert not pattern.search("Joann Leek")
    assert Words(()).texts == ()
    found = rule_for("US", "LA", "hydrostatic_test")
    assert found is not None
    assert found.years == 5
    default = rule_for("DE", "", "maintenance")
    assert default is not None
    assert default.is_default


def test_every_append_only_table_of_words_has_a_gate_or_is_named(
    db: None, request: pytest.FixtureRequest
) -> None:
    """What ``ERASABLE`` says is what the triggers let through (run with migrations)."""
    from servicedesk.erasure.places import ERASABLE

    for model, columns in searched():
        for name in ERASABLE.get(model._meta.label, ()):
            assert name in {one.name for one in columns}, (model, name)
    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name LIKE '%_no_update'"
        )
        triggers = dict(cursor.fetchall())
    if request.config.getoption("nomigrations", default=False):
        pytest.skip("triggers come with the migrations")
    for model, _ in searched():
        allowed = ERASABLE.get(model._meta.label)
        if allowed:
            sql = triggers[f"{model._meta.db_table}_no_update"]
            assert "inventory_erasedfield" in sql, model
            for one in model._meta.concrete_fields:
                assert f'"{one.column}"' in sql, f"{model}: {one.column} is not fenced; fence the table anew"
                assert (f"column_name = '{one.column}'" in sql) == (one.name in allowed), (model, one.name)


def test_a_finished_survey_loses_the_name_and_the_signature_and_fits_its_digest(db: None) -> None:
    """Its frozen outcome, its decisions and its acts: all say the same, and the records still prove."""
    day = make_day(1)
    unit = day.units[0]
    make_record(unit, done=Stamp.of(2026, 1, 5), refresh=False)
    day.phone.act("survey_missing", unit.public_id, state="not_found", remarks="Robin Example took it home")
    day.phone.close(on_list=1, found=0, differs=0, missing=1, not_reached=0, open=0, extra=0)
    day.phone.send()
    survey = Survey.objects.select_related("visit__site").get(pk=day.survey.pk)
    seen = {one.key: one.digest("") for one in walk_of(survey, now=NOW + timedelta(hours=9)).differences}
    settle(survey, seen, "take", reason="Robin Example said so", by=day.desk, now=NOW + timedelta(hours=9))
    finish(survey, by=day.desk, now=NOW + timedelta(hours=9))
    before = Survey.objects.get(pk=survey.pk)
    assert before.outcome is not None
    assert "Robin Example" in str(before.outcome)
    assert before.outcome["survey"]["signature"] == LINE

    done = erased("Robin Example", make_user("manager"))

    assert "Robin Example" not in everywhere()
    after = Survey.objects.get(pk=survey.pk)
    assert after.outcome is not None
    assert after.outcome["survey"]["signature"] is None
    assert after.outcome["survey"]["contact_name"] == "[erased on 2026-12-03]"
    assert "[erased on 2026-12-03] took it home" in after.outcome["units"][0]["status_text"]
    assert after.outcome["counts"] == before.outcome["counts"]
    assert after.outcome_digest == outcome_digest(after.outcome) != before.outcome_digest
    assert SurveyDecision.objects.get().reason == "[erased on 2026-12-03] said so"
    assert FieldAct.objects.get(kind="close").content["signature"] is None
    # What the digest was can be proved by whoever holds it.
    field = ErasedField.objects.get(column_name="outcome_digest")
    assert hashlib.sha256(f"{field.salt}{before.outcome_digest}".encode()).hexdigest() == field.removed_digest
    assert proof_of(unit).broken == []
    assert {one["column"] for one in done.changed if one["what"] == "Survey"} == {"outcome"}
    assert takeover_report(Survey.objects.get(pk=survey.pk), now=LATER).startswith(b"%PDF")
    assert stands("Robin Example").is_empty
