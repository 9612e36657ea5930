"""Papers made on demand, read back: what stands on them, who may print them."""

from __future__ import annotations

import io
import uuid

import pypdf
import pytest
from django.urls import reverse

from inventory.logbook.models import Defect
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.custody import add_store, carry, lend, make_loaner
from inventory.register.models import Unit
from schedules.certificates.models import Certificate
from schedules.certificates.signing import read_signature
from schedules.rulebook.services import vary_rule
from servicedesk.documents import builders
from tests.factories import NOW, TODAY, make_record, make_unit, make_visit
from tests.servicedesk.page_cast import make_cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def cast():
    return make_cast()


def words(data):
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def make_defect(cast, **fields):
    fields.setdefault("severity", Defect.Severity.NON_CRITICAL)
    return Defect.objects.create(
        site=cast.site, unit=cast.unit, code="pressure_lost", opened_on=TODAY, opened_at=NOW, **fields
    )


def test_the_register_tells_each_unit_with_its_history_and_the_tables_state(cast):
    make_record(cast.unit, Task.RECHARGE, Stamp.of(2025, 6))
    make_record(cast.unit, Task.INTERNAL_EXAMINATION, Stamp.of(2019, 6))  # came in later, was earlier
    make_defect(cast)
    told = words(builders.site_register(cast.site, now=NOW))
    assert told.index("Internal examination: passed") < told.index("Recharge: passed")
    for text in ("Mill Lane works", "U-100001", "SN-MILL", "Recharge: passed", "OPEN:", "Unconfirmed"):
        assert text in told, text
    assert "U-200001" not in told


def test_the_register_says_where_a_rule_is_varied_and_by_whose_authority(cast):
    vary_rule(
        "us-osha-1910-157",
        "maintenance",
        {"every": "P6M"},
        site=cast.site,
        by=cast.people["manager"],
        reason="Salt air",
        reference="Fire marshal's letter FM-17",
        at=NOW,
    )
    told = words(builders.site_register(cast.site, now=NOW))
    assert "Varied here: (e)(3)" in told.replace("(e) (3)", "(e)(3)")  # a line may end between them
    assert "FM-17" in told


def test_history_can_begin_at_a_day(cast):
    make_record(cast.unit, Task.RECHARGE, Stamp.of(2019, 6))
    answer = cast.get("owner", "paper-register", cast.site.public_id, since="2020-01-01")
    assert "Recharge" not in words(answer.content)
    assert cast.get("owner", "paper-register", cast.site.public_id, since="soon").status_code == 404


def test_the_register_asks_no_more_for_more_units(cast, django_assert_max_num_queries):
    for _ in range(3):
        make_unit(cast.site)
    with django_assert_max_num_queries(9):
        builders.site_register(cast.site, now=NOW)


def test_a_register_too_long_for_one_paper_says_so(cast, monkeypatch):
    monkeypatch.setattr("servicedesk.documents.views.MOST", 0)
    answer = cast.get("owner", "paper-register", cast.site.public_id)
    assert answer.status_code == 413
    assert b"Take its register as a file" in answer.content


def test_the_notice_has_the_critical_defect_first_and_is_signed(cast):
    make_defect(cast, remarks="the lesser one")
    make_defect(cast, severity=Defect.Severity.CRITICAL, remarks="the grave one", action="Exchange it")
    make_defect(cast, remarks="settled before", settled_at=NOW, settled_how="Exchanged")
    data = cast.get("owner", "paper-defects", cast.site.public_id).content
    told = words(data)
    assert told.index("the grave one") < told.index("the lesser one")
    assert "1 critical defect." in told
    assert "settled before" not in told
    assert read_signature(data).is_good


def test_without_an_open_defect_there_is_no_notice(cast):
    assert cast.get("owner", "paper-defects", cast.site.public_id).status_code == 404


def test_the_receipt_names_what_went_and_what_hangs_in_its_place(cast):
    by = cast.people["technician"]
    visit = make_visit(cast.site, technician=by)
    workshop = add_store("workshop", "Workshop")
    loaner = Unit.objects.create(model=cast.unit.model, number="L-000009", state=Unit.State.IN_STOCK)
    carry([loaner], add_store("van", "Van 1"), on=TODAY, by=by)
    loaner.refresh_from_db()
    loaner = make_loaner(loaner)
    lend(
        loaner,
        cast.unit.location,
        in_place_of=cast.unit,
        on=TODAY,
        by=by,
        taken_to=workshop,
        ref=visit.public_id,
        client_ref=uuid.uuid4(),
    )
    told = words(cast.get("owner", "paper-receipt", visit.public_id).content)
    assert told.index("Taken away") < told.index("U-100001") < told.index("Left in its place")
    assert "L-000009" in told[told.index("Left in its place") :]
    other = make_visit(cast.site, technician=by)
    assert cast.get("owner", "paper-receipt", other.public_id).status_code == 404


def test_nobody_prints_papers_of_others(cast):
    make_defect(cast)
    visit = make_visit(cast.site)
    for name, ref in (
        ("paper-register", cast.site.public_id),
        ("paper-defects", cast.site.public_id),
        ("paper-receipt", visit.public_id),
    ):
        assert cast.get("other_owner", name, ref).status_code == 404, name
        assert cast.client("owner").post(reverse(name, args=[ref])).status_code == 405


def test_the_papers_of_a_site_are_one_page_and_a_period_can_be_issued_there(cast):
    make_defect(cast)
    page = cast.get("dispatcher", "desk:site-papers", cast.site.public_id)
    for told in (b"Site register with history", b"1 open", b"Issue for a period", b"Labels and service tags"):
        assert told in page.content, told
    data = {"kind": "period", "first_on": "2026-01-01", "last_on": "2026-11-01"}
    answer = cast.post("dispatcher", "desk:site-papers", cast.site.public_id, **data)
    assert answer.status_code == 302
    assert cast.client("dispatcher").get(answer["Location"]).status_code == 200
    verify = Certificate.objects.get().verify_code
    public = cast.client("owner").get(f"/verify/{verify[:4]}-{verify[4:8]}-{verify[8:12]}-{verify[12:]}/")
    assert b"Certificate of service for a period" in public.content
    assert Certificate.objects.get().number.encode() in cast.get("owner", "portal:certificates").content
    data["last_on"] = "2025-01-01"
    wrong = cast.post("dispatcher", "desk:site-papers", cast.site.public_id, **data)
    assert wrong.status_code == 400
    assert b"lies before the first" in wrong.content
    for role in ("technician", "workshop", "owner"):
        assert cast.get(role, "desk:site-papers", cast.site.public_id).status_code == 403
