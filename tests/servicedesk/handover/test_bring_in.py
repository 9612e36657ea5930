"""The flat table goes back through Bring in and changes nothing."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest

from inventory.register.models import Unit
from servicedesk.exchange.importing import import_register
from servicedesk.handover.bring_in import bring_in_parts
from servicedesk.handover.tables import Cover
from tests.factories import NOW, make_user
from tests.servicedesk.handover.cast import handed_bytes

GOOD = Path(__file__).parents[3] / "fixtures" / "samples" / "good.csv"


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_what_was_brought_in_comes_back_unchanged(form: str, db: None) -> None:
    manager = make_user("manager")
    first = import_register(GOOD.read_bytes(), by=manager, now=NOW)
    assert first.is_stored
    names = ("number", "serial", "model_id", "site_id", "location_id", "state", "made_first", "made_last")
    before = list(Unit.objects.order_by("pk").values_list(*names))
    if form == "csv":
        data = b"".join(bring_in_parts(Cover()))
    else:
        with zipfile.ZipFile(io.BytesIO(handed_bytes(form="xlsx"))) as archive:
            data = archive.read("register.xlsx")
    again = import_register(data, by=manager, now=NOW)
    assert not again.is_refused_file, [one.text for one in again.findings]
    assert (again.created, again.updated, again.records_added) == (0, 0, 0), [
        one.text for one in again.findings
    ]
    assert again.unchanged == first.created
    assert list(Unit.objects.order_by("pk").values_list(*names)) == before
