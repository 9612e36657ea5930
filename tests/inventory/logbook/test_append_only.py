"""The logbook can be added to and read, nothing else."""

from __future__ import annotations

import uuid

import pytest
from django.core.exceptions import ValidationError
from django.db import DatabaseError, IntegrityError, connection, transaction

from inventory.appendonly import HistoryIsAppendOnly
from inventory.logbook.models import Reading, ServiceRecord
from inventory.logbook.services import NewReading, NewRecord, add_records, broken_links, correct_record
from inventory.measures.stamps import Stamp
from inventory.recalls.models import RecallStep
from inventory.register.changes import FactChange, SameUnitDecision
from schedules.certificates.models import Certificate, CertificateFile, CertificateFlag, Withdrawal
from schedules.crew.models import PlanningRules
from schedules.quotations.models import LineDecision
from schedules.routes.models import PlanChange
from schedules.visits.models import FieldAct, VisitEntry
from tests.factories import NOW, make_record, make_unit, make_user

pytestmark = pytest.mark.django_db

APPEND_ONLY = (
    ServiceRecord,
    Reading,
    FieldAct,
    VisitEntry,
    Certificate,
    CertificateFile,
    Withdrawal,
    CertificateFlag,
    FactChange,
    SameUnitDecision,
    RecallStep,
    PlanChange,
    PlanningRules,
    LineDecision,
)


def test_a_stored_record_is_neither_saved_nor_deleted_again():
    record = make_record(make_unit())
    record.remarks = "changed"
    with pytest.raises(HistoryIsAppendOnly):
        record.save()
    with pytest.raises(HistoryIsAppendOnly):
        record.delete()
    with pytest.raises(HistoryIsAppendOnly):
        ServiceRecord.objects.filter(pk=record.pk).update(remarks="changed")
    with pytest.raises(HistoryIsAppendOnly):
        ServiceRecord.objects.filter(pk=record.pk).delete()
    with pytest.raises(HistoryIsAppendOnly):
        ServiceRecord.objects.bulk_update([record], ["remarks"])


@pytest.mark.parametrize("sql", ["UPDATE {t} SET remarks = 'x'", "DELETE FROM {t}"])
def test_raw_sql_is_refused_by_the_database(sql):
    make_record(make_unit())
    refused = pytest.raises(DatabaseError, match="append-only")
    with refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql.format(t="inventory_servicerecord"))
    assert ServiceRecord.objects.get().remarks == ""


@pytest.mark.parametrize("model", APPEND_ONLY)
def test_every_append_only_table_has_both_triggers(model):
    # SQLite drops triggers when a migration rebuilds the table; this finds it.
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = %s", [table])
        else:
            cursor.execute(
                "SELECT tgname FROM pg_trigger WHERE tgrelid = %s::regclass AND NOT tgisinternal", [table]
            )
        # Searching keeps its own triggers on some of them.
        assert {row[0] for row in cursor.fetchall()} >= {f"{table}_no_update", f"{table}_no_delete"}


def test_records_of_a_unit_form_a_chain():
    unit, other = make_unit(), make_unit()
    for year in (2023, 2024, 2025):
        make_record(unit, done=Stamp.of(year, 5))
    make_record(other)
    sequences = list(ServiceRecord.objects.filter(unit=unit).values_list("sequence", flat=True))
    assert sequences == [1, 2, 3]
    assert broken_links(unit) == []


def test_an_altered_record_breaks_the_chain():
    unit = make_unit()
    first = make_record(unit, done=Stamp.of(2023, 5))
    make_record(unit, done=Stamp.of(2024, 5))
    with connection.cursor() as cursor:
        # Someone with the keys to the database takes the fence down first.
        table = "inventory_servicerecord"
        on = "" if connection.vendor == "sqlite" else f" ON {table}"
        cursor.execute(f"DROP TRIGGER {table}_no_update{on}")
        cursor.execute(f"UPDATE {table} SET outcome = 'failed' WHERE id = %s", [first.pk])
    assert broken_links(unit) == [f"record 1 of unit {unit.number} was altered"]


def test_the_digest_covers_the_readings():
    unit = make_unit()
    add_records(
        [
            NewRecord(
                unit_id=unit.pk,
                task="maintenance",
                outcome="passed",
                done=Stamp.of(2025, 5, 2),
                received_at=NOW,
                readings=(NewReading("gauge_pressure", "195", "psi", 1344.5),),
            )
        ]
    )
    assert broken_links(unit) == []
    with connection.cursor() as cursor:
        on = "" if connection.vendor == "sqlite" else " ON inventory_reading"
        cursor.execute(f"DROP TRIGGER inventory_reading_no_update{on}")
        cursor.execute("UPDATE inventory_reading SET entered_value = '100'")
    assert broken_links(unit) == [f"record 1 of unit {unit.number} was altered"]


def test_the_same_client_reference_is_stored_once():
    unit = make_unit()
    ref = uuid.uuid4()
    make_record(unit, client_ref=ref)
    with pytest.raises(IntegrityError), transaction.atomic():
        make_record(unit, client_ref=ref)
    assert ServiceRecord.objects.count() == 1


def test_a_correction_is_a_new_record_that_points_at_the_old():
    unit, manager = make_unit(), make_user("manager")
    old = make_record(unit, done=Stamp.of(2025, 5, 2))
    new = correct_record(old, reason="Wrong day on the sheet", by=manager, at=NOW, done=Stamp.of(2025, 5, 3))
    assert ServiceRecord.objects.count() == 2
    assert new.corrects_id == old.pk
    assert new.done == Stamp.of(2025, 5, 3)
    assert list(ServiceRecord.objects.standing()) == [new]
    assert manager.display_name in new.correction_reason
    with pytest.raises(ValidationError, match="already been corrected"):
        correct_record(old, reason="Again", by=manager, at=NOW)


def test_a_correction_needs_a_reason():
    record = make_record(make_unit())
    with pytest.raises(ValidationError, match="Say why"):
        correct_record(record, reason="  ", by=make_user("manager"), at=NOW)
    assert ServiceRecord.objects.count() == 1


def test_a_record_of_the_future_is_refused():
    unit = make_unit()
    with pytest.raises(ValidationError, match="lies in the future"):
        make_record(unit, done=Stamp.of(2026, 12, 24))
    assert not ServiceRecord.objects.exists()


def test_adding_many_records_takes_a_fixed_number_of_queries(django_assert_num_queries):
    units = [make_unit(refresh=False) for _ in range(3)]

    def new(unit):
        return NewRecord(
            unit_id=unit.pk, task="maintenance", outcome="passed", done=Stamp.of(2025, 5, 2), received_at=NOW
        )

    # savepoint or begin, revision of the units, ends of their chains, insert, release
    with django_assert_num_queries(5):
        add_records([new(units[0])])
    with django_assert_num_queries(5):
        add_records([new(unit) for unit in units])
