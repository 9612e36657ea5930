"""The register as a file: one row per unit, honest about what its dates rest on."""

from __future__ import annotations

import csv
import io

import pytest

from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from schedules.rulebook.services import confirm_table
from servicedesk.pages import STANDING_LINE
from tests.factories import NOW, make_location, make_unit, make_user
from tests.servicedesk.portal.cast import Premises

pytestmark = pytest.mark.django_db


def rows_of(own: Premises) -> list[dict[str, str]]:
    response = own.get("register", own.site.public_id)
    assert response["Content-Type"] == "text/csv; charset=utf-8"
    text = response.content.decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text)))


def test_the_file_is_named_by_site_and_day(own: Premises) -> None:
    response = own.get("register", own.site.public_id)
    name = f"register-{own.site.code.lower()}-2026-11-25.csv"
    assert response["Content-Disposition"] == f'attachment; filename="{name}"'
    assert "no-store" in response["Cache-Control"]
    assert response.content.startswith(b"\xef\xbb\xbf")


def test_one_row_per_unit_in_walking_order_with_a_column_per_task(own: Premises) -> None:
    second = make_unit(
        location=make_location(own.site, number="002", walking_order=2), made=Stamp.of(2025, 3)
    )
    gone = make_unit(own.site)
    Unit.objects.filter(pk=gone.pk).update(state=Unit.State.CONDEMNED)
    first_row, second_row = rows_of(own)
    assert (first_row["location"], first_row["unit"]) == ("001", own.unit.number)
    assert (second_row["location"], second_row["unit"]) == ("002", second.number)
    assert first_row["maintenance_latest_on"] == "2026-12-01"
    assert first_row["next_task"] == "Maintenance"
    assert first_row["next_latest_on"] == "2026-12-01"
    assert first_row["as_of"] == "2026-11-25"
    # The monthly look is the owner's own.
    assert "visual_inspection_latest_on" not in first_row


def test_every_row_says_what_its_dates_rest_on(own: Premises) -> None:
    row = rows_of(own)[0]
    assert row["interval_tables"] == "United States workplaces, version 2026-1"
    assert row["confirmation"] == (
        "United States workplaces: Unconfirmed: shipped defaults that nobody has yet checked against "
        "local code."
    )
    assert row["note"] == STANDING_LINE
    confirm_table(
        "us-osha-1910-157",
        "2026-1",
        by=make_user("manager", first_name="Mara", last_name="Kell"),
        name="Mara Kell",
        local_code="City fire code 2024",
        at=NOW,
    )
    assert rows_of(own)[0]["confirmation"] == (
        "United States workplaces: Confirmed by Mara Kell on 2026-11-25 against City fire code 2024."
    )


def test_an_unknown_date_is_called_so(own: Premises) -> None:
    make_unit(location=make_location(own.site, number="003", walking_order=3), made=Stamp.unknown())
    row = rows_of(own)[1]
    assert row["status"] == "Unknown"
    assert row["hydrostatic_test_latest_on"] == "unknown, due now"
    assert row["next_latest_on"] == ""


def test_text_that_a_spreadsheet_would_run_is_made_plain(own: Premises) -> None:
    Unit.objects.filter(pk=own.unit.pk).update(serial="=HYPERLINK(1)")
    assert rows_of(own)[0]["serial"] == "'=HYPERLINK(1)"
