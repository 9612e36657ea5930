"""Labels read back from the printed sheet, in their places; the log of printing; what a label opens."""

from __future__ import annotations

import io

import pypdf
import pypdfium2
import pytest
import zxingcpp

from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from servicedesk.documents.data import DataError, read_stocks, read_tags, stocks, tag_for
from servicedesk.documents.labels import labels_pdf, location_labels, tags_pdf, unit_labels
from servicedesk.documents.models import LabelPrint
from tests.factories import NOW, make_location, make_record, make_site, make_unit, make_user
from tests.servicedesk.page_cast import make_cast

MM = 72 / 25.4
STOCK = {
    "code": "own",
    "name": "Own",
    "page_mm": [100, 100],
    "label_mm": [50, 50],
    "columns": 2,
    "rows": 2,
    "first_mm": [0, 0],
    "step_mm": [50, 50],
}


def symbols(data, page=0, scale=4):
    """(text, across mm, down mm of its middle) of every QR symbol on a page."""
    with pypdfium2.PdfDocument(data) as document:
        image = document[page].render(scale=scale).to_pil()
    found = []
    for code in zxingcpp.read_barcodes(image):
        corners = code.position
        across = (corners.top_left.x + corners.bottom_right.x) / 2
        down = (corners.top_left.y + corners.bottom_right.y) / 2
        found.append((code.text, across / scale / MM, down / scale / MM))
    return sorted(found, key=lambda one: (round(one[2]), one[1]))


@pytest.mark.django_db
@pytest.mark.parametrize("code", ["a4-3x8", "letter-3x10", "single-50x30"])
def test_labels_lie_in_their_places_and_read_back(code):
    stock = stocks()[code]
    site = make_site()
    units = [make_unit(site, refresh=False) for _ in range(5)]
    data = labels_pdf(unit_labels(units), stock, skip=min(1, stock.per_page - 1))
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    across, down = (float(v) / MM for v in pages[0].mediabox[2:])
    assert (across, down) == pytest.approx(stock.page_mm, abs=0.1)
    assert len(pages) == (1 if stock.per_page > 5 else 5)
    found = [one for page in range(len(pages)) for one in symbols(data, page)]
    assert [text.rsplit("/", 1)[1] for text, *_ in found] == [unit.number for unit in units]
    if stock.per_page > 1:
        for index, (_, x, y) in enumerate(found):
            left, top = stock.place_mm(index + 1)
            assert left < x < left + stock.label_mm[0] * 0.55
            assert y == pytest.approx(top + stock.label_mm[1] / 2, abs=1)


@pytest.mark.django_db
def test_a_full_sheet_goes_on_to_a_second():
    stock = stocks()["a4-2x7"]
    site = make_site()
    places = [make_location(site) for _ in range(15)]
    data = labels_pdf(location_labels(places), stock)
    assert len(pypdf.PdfReader(io.BytesIO(data)).pages) == 2
    assert len(symbols(data, 0)) == 14
    assert symbols(data, 1)[0][0].endswith(f"/{places[-1].number}")


def test_stock_that_does_not_fit_its_page_or_lacks_a_field_is_named():
    with pytest.raises(DataError, match=r"own.toml, stock own: the labels reach 110 mm across"):
        read_stocks({"stock": [STOCK | {"label_mm": [60, 50]}]}, "own.toml")
    with pytest.raises(DataError, match="the field rows is missing"):
        read_stocks({"stock": [{k: v for k, v in STOCK.items() if k != "rows"}]}, "own.toml")
    with pytest.raises(DataError, match="columns: 0 is not a whole number from 1"):
        read_stocks({"stock": [STOCK | {"columns": 0}]}, "own.toml")


def test_a_tag_with_an_unknown_field_is_named():
    row = {"code": "x", "title": "T", "size_mm": [1, 1], "fields": ["shoe"], "source": "s", "read": "MEMORY"}
    with pytest.raises(DataError, match="fields: 'shoe' is none of"):
        read_tags({"tag": [row]}, "own.toml")


@pytest.mark.parametrize(
    ("country", "region", "code"),
    [("US", "texas ", "us-tx"), ("US", "Ohio", "common"), ("IT", "Lazio", "it"), ("", "", "common")],
)
def test_a_place_has_its_own_tag_or_the_common_one(country, region, code):
    assert tag_for(country, region).code == code


@pytest.mark.django_db
def test_a_tag_says_who_did_what_and_leaves_lines_for_what_is_not_known():
    site = make_site(country="US", region="Florida")
    worker = make_user("technician", first_name="Ines", last_name="Okoro", licence_number="EX-20931")
    unit = make_unit(site, serial="FL-77")
    make_record(unit, Task.MAINTENANCE, Stamp.of(2026, 11, 24), performed_by_id=worker.pk)
    text = (
        pypdf.PdfReader(io.BytesIO(tags_pdf([unit], tag_for("US", "Florida"), by=worker, now=NOW)))
        .pages[0]
        .extract_text()
    )
    for told in ("DO NOT REMOVE", "FL-77", "Ines Okoro", "EX-20931", "NOV", "2026", "Work done"):
        assert told in text, told


# --- the page ----------------------------------------------------------------------------------------


@pytest.fixture
def cast(db):
    return make_cast()


def send(cast, role="dispatcher", **data):
    data = {"sort": "unit", "which": "all", "stock": "a4-3x8"} | data
    return cast.post(role, "desk:labels", cast.site.public_id, **data)


def test_printing_is_kept_and_a_second_label_wants_a_reason(cast):
    answer = send(cast)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "application/pdf"
    printed = LabelPrint.objects.get()
    assert (printed.unit, printed.printed_by) == (cast.unit, cast.people["dispatcher"])
    answer = send(cast)
    assert answer.status_code == 400
    assert b"1 of these were printed before" in answer.content
    assert LabelPrint.objects.count() == 1
    assert send(cast, reason="Torn off").status_code == 200
    assert b"There is none of these" in send(cast, which="new").content


def test_tags_are_new_at_each_service(cast):
    assert send(cast, sort="tag").status_code == 200
    assert send(cast, sort="tag").status_code == 200


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ({"which": "listed", "numbers": "U-100001 U-200001"}, b"Not at this site: U-200001"),
        ({"which": "listed"}, b"List the numbers"),
        ({"skip": "24"}, b"This sheet has 24 places"),
        ({"stock": "papyrus"}, b"Choose the label stock"),
    ],
)
def test_wrong_choices_stand_beside_their_field(cast, data, told):
    answer = send(cast, **data)
    assert answer.status_code == 400
    assert told in answer.content
    assert not LabelPrint.objects.exists()


def test_who_may_print(cast):
    codes = {role: send(cast, role, reason="x").status_code for role in cast.people}
    assert codes == {
        "manager": 200,
        "dispatcher": 200,
        "technician": 403,
        "workshop": 403,
        "owner": 403,
        "other_owner": 403,
    }
    assert cast.get("manager", "desk:labels", cast.site.public_id).status_code == 200


def test_a_label_opens_the_page_of_whoever_scans_it_and_nothing_of_others(cast):
    where = {}
    for role in cast.people:
        answer = cast.client(role).get("/U/u-100001")
        where[role] = answer.get("Location", answer.status_code)
    assert where == {
        "manager": f"/desk/units/{cast.unit.public_id}/",
        "dispatcher": f"/desk/units/{cast.unit.public_id}/",
        "technician": "/field/?unit=U-100001",
        "workshop": f"/desk/units/{cast.unit.public_id}/",
        "owner": f"/portal/units/{cast.unit.public_id}/",
        "other_owner": 404,
    }
    place = cast.unit.location
    assert cast.client("owner").get(f"/L/{cast.site.code}/{place.number}").status_code == 302
    assert cast.client("other_owner").get(f"/L/{cast.site.code}/{place.number}").status_code == 404
