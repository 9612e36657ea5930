"""The list of all papers, one download of a period, and everything that is an owner's as files."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from typing import Any

import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from schedules.certificates.services import pdf_bytes
from servicedesk.portal import archive, paper_views
from servicedesk.portal.everything import TABLES
from tests.factories import TODAY, make_unit
from tests.servicedesk.portal.cast import Premises, text_of

pytestmark = pytest.mark.django_db


def zip_of(response: Any) -> zipfile.ZipFile:
    assert response.status_code == 200
    assert "no-store" in response["Cache-Control"]
    found = zipfile.ZipFile(io.BytesIO(b"".join(response.streaming_content)))
    assert found.testzip() is None
    return found


def test_every_paper_is_listed_and_found_and_a_strangers_is_not(own: Premises, strange: Premises) -> None:
    mine, theirs = own.serve(own.unit), strange.serve(strange.unit)
    text = text_of(own.get("papers"))
    assert mine.number in text
    assert theirs.number not in text
    assert mine.number in text_of(own.get("papers", q="Mill Lane"))
    assert "No paper fits" in text_of(own.get("papers", q=theirs.number))
    assert "No paper fits" in text_of(own.get("papers", kind="condition"))
    assert own.get("papers", kind="nonsense").status_code == 400
    assert own.get("papers", site=strange.site.public_id).status_code == 400


def test_one_file_holds_the_papers_of_a_period_byte_for_byte_and_a_list(own: Premises) -> None:
    first = own.serve(own.unit)
    second = own.serve(make_unit(own.site), result="not_found")
    found = zip_of(own.get("papers-zip", since=TODAY.isoformat(), until=TODAY.isoformat()))
    names = [f"{TODAY}-{paper.number}.pdf" for paper in (second, first)]
    assert found.namelist() == [*names, "list.csv"]
    for name, paper in zip(names, (second, first), strict=True):
        data = found.read(name)
        assert data == pdf_bytes(paper)
        assert paper.number in PdfReader(io.BytesIO(data)).pages[0].extract_text()
    rows = list(csv.DictReader(io.StringIO(found.read("list.csv").decode("utf-8-sig"))))
    assert [row["sha256"] for row in rows] == [hashlib.sha256(found.read(name)).hexdigest() for name in names]


def test_a_paper_that_was_altered_is_named_and_left_out(own: Premises) -> None:
    from django.core.files.storage import default_storage

    paper = own.serve(own.unit)
    pdf_bytes(paper)
    name = str(paper.file.pdf.name)
    default_storage.delete(name)
    from django.core.files.base import ContentFile

    assert default_storage.save(name, ContentFile(b"%PDF-1.7 something else")) == name
    found = zip_of(own.get("papers-zip", since=TODAY.isoformat(), until=TODAY.isoformat()))
    assert found.namelist() == ["list.csv"]
    assert "altered" in found.read("list.csv").decode()


def test_no_paper_too_many_or_no_period_is_said_in_words(own: Premises, monkeypatch: Any) -> None:
    own.serve(own.unit)
    own.serve(make_unit(own.site))
    day = TODAY.isoformat()
    assert own.get("papers-zip", since="2020-01-01", until="2020-12-31").status_code == 404
    assert own.get("papers-zip", since=day).status_code == 400
    monkeypatch.setattr(paper_views, "MOST_IN_ZIP", 1)
    response = own.get("papers-zip", since=day, until=day)
    assert response.status_code == 413
    assert "2 papers fall into this period; one file holds 1." in text_of(response)


def test_two_files_of_one_name_both_get_in() -> None:
    from tests.factories import NOW

    parts = archive.zip_stream([("a.pdf", [b"one"]), ("a.pdf", [b"two"])], NOW)
    found = zipfile.ZipFile(io.BytesIO(b"".join(parts)))
    assert {name: found.read(name) for name in found.namelist()} == {"a.pdf": b"one", "a-2.pdf": b"two"}


# --- everything --------------------------------------------------------------------------------------


def test_all_three_forms_hold_the_same_rows_and_nothing_of_another_owner(
    own: Premises, strange: Premises
) -> None:
    own.unit.serial = "=1+1"
    own.unit.save()
    paper = own.serve(own.unit)
    strange.serve(strange.unit)
    as_csv, as_json = zip_of(own.get("export-file", "csv")), zip_of(own.get("export-file", "json"))
    book = load_workbook(
        io.BytesIO(b"".join(own.get("export-file", "xlsx").streaming_content)), read_only=True
    )
    for table in TABLES:
        rows = list(csv.reader(io.StringIO(as_csv.read(f"{table.name}.csv").decode("utf-8-sig"))))
        objects = json.loads(as_json.read(f"{table.name}.json"))
        sheet = list(book[table.name].values)
        assert tuple(rows[0]) == table.columns == sheet[0]
        assert len(rows) - 1 == len(objects) == len(sheet) - 1, table.name
        for row, item in zip(rows[1:], objects, strict=True):
            for name, cell in zip(table.columns, row, strict=True):
                assert cell.removeprefix("'") == ("" if item[name] is None else str(item[name]))
        for row, cells in zip(rows[1:], sheet[1:], strict=True):
            assert [str(cell) if cell is not None else "" for cell in cells] == row
        text = as_csv.read(f"{table.name}.csv").decode()
        assert strange.unit.number not in text
        assert strange.site.code not in text
    units = as_csv.read("units.csv").decode()
    assert "'=1+1" in units
    assert json.loads(as_json.read("units.json"))[0]["serial"] == "=1+1"
    assert paper.number in as_csv.read("certificates.csv").decode()
    assert "195" in as_csv.read("readings.csv").decode()
    assert "defaults to confirm against local code" in as_csv.read("README.txt").decode()


def test_how_long_what_is_kept_is_shown_with_its_source(own: Premises) -> None:
    text = text_of(own.get("export"))
    assert "29 CFR 1910.157(e)(3)" in text
    assert "seven years more" in text
    assert "from memory" in text
    assert own.get("export-file", "docx").status_code == 404
