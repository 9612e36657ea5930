"""What tests rest upon does what it says."""

from __future__ import annotations

import pytest
from django.core.management import call_command
from django.db import connection

from inventory.logbook.models import ServiceRecord
from tests import factories


def _triggers() -> list[str]:
    table = "information_schema.triggers" if connection.vendor == "postgresql" else "sqlite_master"
    where = "1 = 1" if connection.vendor == "postgresql" else "type = 'trigger'"
    name = "trigger_name" if connection.vendor == "postgresql" else "name"
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {name} FROM {table} WHERE {where} ORDER BY 1")
        return [row[0] for row in cursor.fetchall()]


@pytest.mark.django_db(transaction=True)
def test_a_flush_empties_history_and_leaves_its_triggers() -> None:
    before = _triggers()
    assert any("servicerecord" in name for name in before)
    factories.make_record(factories.make_unit(factories.make_site(tables=()), refresh=False), refresh=False)
    assert ServiceRecord.objects.count() == 1
    call_command("flush", interactive=False, verbosity=0)
    assert ServiceRecord.objects.count() == 0
    assert _triggers() == before
