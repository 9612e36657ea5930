"""Contracts, terms, renewals and billing at the desk and in the portal."""

from __future__ import annotations

import csv
import io
import json
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from openpyxl import load_workbook
from pypdf import PdfReader

from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.agreed import agree
from inventory.register.models import Unit
from inventory.register.terms import TermsVersion
from schedules.billing.models import BillingRun
from schedules.quotations.models import PriceItem
from schedules.renewals.queries import facts_of
from schedules.visits.models import Job, Visit
from servicedesk.exchange.billing import COLUMNS
from servicedesk.notices.exceptions import day_list
from tests.factories import NOW, TODAY, make_owner, make_record, make_site, make_visit
from tests.servicedesk.page_cast import Cast, make_overdue_unit, make_serviced_unit, text_of

pytestmark = pytest.mark.django_db


def write(owner: Any, site: Any = None, seen: int = 0, **terms: Any) -> TermsVersion:
    return agree(owner, site, terms, from_on=date(2026, 1, 1), reason="Signed", seen=seen, by=None, now=NOW)


def sent(**terms: Any) -> dict[str, Any]:
    return {"from_on": str(TODAY), "reason": "New contract", "seen": "0", **terms}


def test_terms_are_written_read_back_and_compared(cast: Cast) -> None:
    empty = text_of(cast.get("manager", "desk:owner-terms", cast.owner.public_id))
    assert "Nothing is agreed yet" in empty
    where = ("manager", "desk:owner-terms-edit", cast.owner.public_id)
    bad = cast.post(*where, **sent(approval_limit="100", ends_on="2026-02-30"))
    assert bad.status_code == 400
    assert "Enter a day like" in text_of(bad)
    bad = cast.post(*where, **sent(approval_limit="100"))
    assert "three letters by ISO 4217" in text_of(bad)
    assert TermsVersion.objects.count() == 0
    given = sent(approval_limit="100", approval_limit_currency="eur", keys="Porter", renews_itself="no")
    assert cast.post(*where, **given, tasks_called_off=["recharge"]).status_code == 302
    assert TermsVersion.objects.get().values == {
        "approval_limit": {"amount": "100.00", "currency": "EUR"},
        "keys": "Porter",
        "renews_itself": False,
        "tasks_called_off": ["recharge"],
    }
    late = cast.client("manager").post(
        reverse("desk:owner-terms-edit", args=[cast.owner.public_id]), sent(keys="Lodge"), follow=True
    )
    assert "Somebody else changed what was agreed" in text_of(late)
    cast.post(*where, **(sent(keys="Lodge") | {"seen": "1"}))
    page = text_of(cast.get("dispatcher", "desk:owner-terms", cast.owner.public_id))
    assert "Keys: Porter → Lodge" in page
    assert "Approval limit on the spot: 100.00 EUR → not agreed yet" in page
    site = text_of(cast.get("dispatcher", "desk:site-terms", cast.site.public_id))
    assert "Lodge" in site


def test_a_task_is_called_off_and_taken_back_from_the_sites_page(cast: Cast) -> None:
    write(cast.owner, tasks_called_off=["maintenance"])
    make_overdue_unit(cast.site)
    due = text_of(cast.get("dispatcher", "desk:due"))
    assert "to be called off: not in the contract" in due
    assert next(s for s in day_list(NOW) if s.code == "call_off").count > 0
    where = ("dispatcher", "desk:site-terms", cast.site.public_id)
    assert "Maintenance. They stay on the due list." in text_of(cast.get(*where))
    cast.post(*where, task="maintenance", from_on=str(TODAY), until_on="2027-01-31", ordered_by="Ms Reed")
    order = cast.site.call_offs.get()
    assert "to be called off" not in text_of(cast.get("dispatcher", "desk:due"))
    cast.post(*where, do="take-back", row=str(order.public_id), reason="Too dear")
    assert "Too dear" in text_of(cast.get(*where))
    assert cast.post(*where, task="maintenance").status_code == 400


def test_the_owner_reads_own_terms_and_no_internal_note(cast: Cast) -> None:
    write(cast.owner, keys="Porter of Harrow", internal_note="Haggles")
    write(cast.other_owner, keys="Porter of Pike")
    page = text_of(cast.get("owner", "portal:terms"))
    assert "Porter of Harrow" in page
    assert "Pike" not in page
    assert "Haggles" not in page
    assert cast.get("technician", "portal:terms").status_code == 403


@pytest.mark.parametrize("number", [1, 3])
def test_lists_cost_the_same_queries(cast: Cast, django_assert_max_num_queries: Any, number: int) -> None:
    for _ in range(number):
        owner = make_owner()
        make_serviced_unit(make_site(owner))
        write(owner, ends_on="2026-12-31", contract_number="C")
    counts = []
    for name in ("desk:terms", "desk:renewals", "desk:billing"):
        client = cast.client("manager")
        with django_assert_max_num_queries(30) as held:
            assert client.get(reverse(name)).status_code == 200
        counts.append(len(held))
    # Session and person; then the page itself.
    assert counts == LIST_QUERIES


LIST_QUERIES = [5, 12, 3]


def closed_visit(unit: Unit, on: date, latest_on: date, outcome: str = "passed") -> Visit:
    visit = make_visit(unit.site, [unit])
    record = make_record(
        unit, Task.MAINTENANCE, Stamp.on(on), outcome=outcome, visit_ref=visit.public_id, refresh=False
    )
    Visit.objects.filter(pk=visit.pk).update(
        state="closed", done_on=on, closed_at=NOW, closed_by=visit.technician
    )
    Job.objects.filter(visit=visit).update(record=record, latest_on=latest_on)
    return visit


def test_a_renewal_counts_what_was_kept_by_one_definition(cast: Cast) -> None:
    row = write(cast.owner, begins_on="2026-01-01", ends_on="2026-12-31", contract_number="C-9")
    closed_visit(cast.unit, date(2026, 5, 1), date(2026, 5, 1))  # on the last day: on time
    closed_visit(cast.unit, date(2026, 6, 2), date(2026, 6, 1))  # a day late
    closed_visit(cast.unit, date(2026, 7, 1), date(2025, 12, 31))  # its day lay before the term
    closed_visit(cast.unit, date(2026, 8, 1), date(2026, 8, 2), "no_access")  # does nothing
    make_overdue_unit(cast.site)
    kept = facts_of([row], NOW)[row.pk].kept
    assert (kept.on_time, kept.late, kept.overdue) == (1, 1, kept.overdue)
    listed = cast.get("dispatcher", "desk:renewals")
    assert "C-9" in text_of(listed)
    page = text_of(cast.get("dispatcher", "desk:renewal", row.public_id))
    assert "Heavy tasks to come" in page
    pdf = cast.get("dispatcher", "desk:renewal-pdf", row.public_id)
    text = "".join(p.extract_text() for p in PdfReader(io.BytesIO(pdf.content)).pages)
    assert "Before renewal" in text
    assert "1 on time, 1 late" in text
    file = io.StringIO(text_of(cast.get("dispatcher", "desk:renewals-export")))
    line = next(csv.DictReader(file))
    assert (line["contract_number"], line["tasks_late"]) == ("C-9", "1")
    assert cast.post("dispatcher", "desk:renewal", row.public_id, kind="ended").status_code == 403
    cast.post("manager", "desk:renewal", row.public_id, kind="ended", note="Moved away")
    assert "Hand over the register" in text_of(cast.get("manager", "desk:renewal", row.public_id))


def test_a_run_is_made_taken_as_a_file_and_taken_back(cast: Cast) -> None:
    closed_visit(cast.unit, date(2026, 11, 10), date(2026, 12, 1))
    cast.post(
        "manager", "desk:prices", code="MNT", text="Maintenance", unit_word="unit", price="20.50",
        currency="EUR", bills="task:maintenance", from_on="2026-01-01", is_active="on", defect_code="",
    )  # fmt: skip
    page = text_of(cast.get("manager", "desk:billing-new", first_on="2026-11-01"))
    assert "EUR 20.50" in page
    given = {"first_on": "2026-11-01", "until_on": str(TODAY), "owner": ""}
    cast.post("manager", "desk:billing-new", **given)
    run = BillingRun.objects.get()
    nothing = cast.client("manager").post("/desk/billing/new/", given, follow=True)
    assert "Nothing is left to be billed" in text_of(nothing)
    rows = list(
        csv.reader(io.StringIO(text_of(cast.get("manager", "desk:billing-file", run.public_id, "csv"))))
    )
    assert [name.lstrip("\ufeff") for name in rows[0]] == [name for name, _ in COLUMNS]
    told = dict(zip([name for name, _ in COLUMNS], rows[1], strict=True))
    assert (told["amount"], told["currency"], told["basis_of_price"]) == ("20.50", "EUR", "")
    book = load_workbook(io.BytesIO(cast.get("manager", "desk:billing-file", run.public_id, "xlsx").content))
    cells = dict(zip(*[[c.value for c in row] for row in list(book["Lines"].rows)[:2]], strict=True))
    assert Decimal(str(cells["amount"])) == Decimal("20.50")
    content = json.loads(cast.get("manager", "desk:billing-file", run.public_id, "json").content)
    assert content["lines"][0]["amount"] == "20.50"
    assert content["lines"][0]["sources"][0]["sort"] == "record"
    assert cast.get("manager", "desk:billing-file", run.public_id, "doc").status_code == 404
    cast.post("manager", "desk:billing-run", run.public_id, reason="Wrong month")
    assert "Taken back" in text_of(cast.get("manager", "desk:billing-run", run.public_id))
    assert "EUR 20.50" in text_of(cast.get("manager", "desk:billing-new", first_on="2026-11-01"))


def test_late_papers_and_contracts_past_their_end_are_exceptions(cast: Cast) -> None:
    write(cast.owner, papers_within_days=3, ends_on="2026-10-31", language="de")
    visit = closed_visit(cast.unit, date(2026, 11, 10), date(2026, 12, 1))
    found = {section.code: section for section in day_list(NOW)}
    assert [line.text for line in found["papers"].lines] == [visit.number]
    assert "no certificate yet, agreed by 13 Nov 2026" in found["papers"].lines[0].detail
    assert found["contracts"].count == 1


def test_a_price_list_is_taken_in_whole_or_not_at_all(cast: Cast) -> None:
    def taken(*rows: str) -> Any:
        text = "\n".join(["code;text;unit;price;currency;valid_from;bills", *rows])
        file = SimpleUploadedFile("prices.csv", text.encode("utf-8-sig"))
        return cast.client("manager").post(reverse("desk:prices"), {"file": file})

    bad = taken(
        "A;Unit;unit;9.80;EUR;;unit", "B;Hose;piece;1,5;EUR;2026-02-30;", "C;Visit;visit;2;EUR;;nothing"
    )
    assert bad.status_code == 400
    assert "Row 3: column &quot;price&quot;: 1,5 is no amount. Write it like 12.50." in text_of(bad)
    assert "Row 4: column &quot;bills&quot;: nothing is not known" in text_of(bad)
    assert PriceItem.objects.count() == 0
    assert taken("A;Unit;unit;9.80;EUR;2026-01-01;unit").status_code == 302
    assert taken("A;Unit;unit;10.40;EUR;2026-12-01;").status_code == 302
    item = PriceItem.objects.get()
    assert (item.price, item.bills) == (Decimal("9.80"), "unit")
    assert [step.price for step in item.steps.all()] == [Decimal("9.80"), Decimal("10.40")]
    lacking = cast.client("manager").post(
        reverse("desk:prices"), {"file": SimpleUploadedFile("p.csv", b"code,price\nA,1")}
    )
    assert "lacks text, unit, currency" in text_of(lacking)
