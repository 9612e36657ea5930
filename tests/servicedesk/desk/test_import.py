"""Bringing in a register: report first, then the import on a second press."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from inventory.register.models import Site, Unit
from servicedesk.desk import imports
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db

SAMPLES = Path(settings.BASE_DIR) / "fixtures" / "samples"


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, settings: Any) -> None:
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def client(cast: Cast) -> Client:
    return cast.client("dispatcher")


def sample(name: str) -> SimpleUploadedFile:
    return SimpleUploadedFile(name, (SAMPLES / name).read_bytes(), content_type="text/csv")


def check(client: Client, name: str) -> Any:
    return client.post("/desk/import/", {"do": "check", "file": sample(name)})


def waiting() -> list[str]:
    try:
        return default_storage.listdir("imports")[1]
    except FileNotFoundError:
        return []


def test_a_file_is_first_only_tried_out(client: Client) -> None:
    before = Unit.objects.count()
    answer = check(client, "good.csv")
    page = text_of(answer)
    report = answer.context["report"]
    assert answer.status_code == 200
    assert report.created > 0
    assert "Trial, nothing stored" in page
    assert f"Bring in all {report.rows_read} rows" in page
    assert Unit.objects.count() == before
    assert len(waiting()) == 1


def test_the_second_press_brings_it_in_and_the_third_finds_nothing(client: Client) -> None:
    before = Unit.objects.count()
    created = check(client, "good.csv").context["report"].created
    answer = client.post("/desk/import/", {"do": "store"})
    assert answer.context["report"].is_stored
    assert f"{created} units added" in text_of(answer)
    assert Unit.objects.count() == before + created
    # Due dates are there at once.
    assert (
        not Unit.objects.on_duty()
        .filter(site__isnull=False, freshness__isnull=True)
        .exclude(pk__in=Unit.objects.filter(number__in=["U-100001", "U-200001"]))
        .exists()
    )
    assert waiting() == []
    again = client.post("/desk/import/", {"do": "store"}, follow=True)
    assert "No file waits to be brought in" in text_of(again)
    assert Unit.objects.count() == before + created


def test_the_same_file_again_doubles_nothing(client: Client) -> None:
    check(client, "good.csv")
    client.post("/desk/import/", {"do": "store"})
    count = Unit.objects.count()
    report = check(client, "good.csv").context["report"]
    assert (report.created, report.unchanged) == (0, report.rows_read)
    client.post("/desk/import/", {"do": "store"})
    assert Unit.objects.count() == count


@pytest.mark.parametrize(
    "name",
    ["binary.csv", "empty.csv", "headings_only.csv", "missing_column.csv", "undecodable.csv", "workbook.csv"],
)
def test_a_file_that_is_no_register_is_refused_whole(client: Client, name: str) -> None:
    before = Unit.objects.count()
    answer = check(client, name)
    page = text_of(answer)
    assert answer.status_code == 400
    assert "nothing was imported" in page.lower() or "This file is empty." in page
    assert "Bring in" not in page.split("<main")[1].split("Another file")[0].replace(
        "Bring in a register", ""
    )
    assert waiting() == []
    assert Unit.objects.count() == before


@pytest.mark.parametrize("name", ["impossible_date.csv", "future_manufacture.csv", "unknown_agent.csv"])
def test_rows_are_named_by_number_column_and_remedy(client: Client, name: str) -> None:
    answer = check(client, name)
    report = answer.context["report"]
    page = text_of(answer)
    assert report.findings
    for finding in report.findings:
        if finding.row:
            assert f'<th scope="row">{finding.row}</th>' in page
        assert finding.column in page


def test_with_refused_rows_the_others_come_in_only_when_asked(client: Client) -> None:
    before = Unit.objects.count()
    answer = check(client, "impossible_date.csv")
    report = answer.context["report"]
    rest = report.rows_read - len(report.refused_rows)
    assert report.refused_rows
    assert rest > 0
    assert f"Bring in the other {rest} rows" in text_of(answer)
    plain = client.post("/desk/import/", {"do": "store"})
    assert not plain.context["report"].is_stored
    assert Unit.objects.count() == before
    asked = client.post("/desk/import/", {"do": "store", "accept_rest": "yes"})
    assert asked.context["report"].is_stored
    assert Unit.objects.count() == before + asked.context["report"].created


def test_the_report_can_be_taken_along_as_a_file(client: Client) -> None:
    findings = check(client, "impossible_date.csv").context["report"].findings
    answer = client.get("/desk/import/", {"report": "csv"})
    rows = list(csv.DictReader(io.StringIO(text_of(answer).removeprefix("\ufeff"))))
    assert [(row["row"], row["column"], row["severity"]) for row in rows] == [
        (str(f.row or ""), f.column, f.severity.value) for f in findings
    ]


def test_a_file_can_be_put_aside(client: Client) -> None:
    check(client, "good.csv")
    page = text_of(client.post("/desk/import/", {"do": "drop"}, follow=True))
    assert "The file was put aside; nothing was imported." in page
    assert waiting() == []


def test_another_file_takes_the_place_of_the_one_that_waits(client: Client) -> None:
    check(client, "good.csv")
    check(client, "semicolon_decimal_comma.csv")
    assert len(waiting()) == 1


def test_one_person_cannot_bring_in_the_file_of_another(cast: Cast, client: Client) -> None:
    check(client, "good.csv")
    sites = Site.objects.count()
    page = text_of(cast.client("manager").post("/desk/import/", {"do": "store"}, follow=True))
    assert "No file waits to be brought in" in page
    assert Site.objects.count() == sites


def test_without_a_file_or_with_one_too_large_the_form_says_so(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = client.post("/desk/import/", {"do": "check"})
    assert (answer.status_code, "Choose the file first." in text_of(answer)) == (400, True)
    monkeypatch.setattr(imports, "MAX_BYTES", 10)
    answer = check(client, "good.csv")
    assert (answer.status_code, "This file is larger than 20 MB." in text_of(answer)) == (400, True)


@pytest.mark.parametrize("role", ["technician", "workshop", "owner"])
def test_nobody_else_brings_in_a_register(cast: Cast, role: str) -> None:
    answer = cast.client(role).post("/desk/import/", {"do": "check", "file": sample("good.csv")})
    assert answer.status_code == 403
    assert waiting() == []
