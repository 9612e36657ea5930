"""Billing lines: read off the records, billed once, taken back whole, corrected by a line of their own."""

from __future__ import annotations

import uuid
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from inventory.errors import Conflict
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewRecord, add_records
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.agreed import agree
from inventory.register.models import Site, Unit
from inventory.register.places import Loan
from schedules.billing import services
from schedules.billing.models import BillingLine, BillingRun
from schedules.quotations.models import PriceItem, PriceStep
from schedules.quotations.services import PriceBook, put_prices_in_force, save_price
from schedules.visits.models import Visit, VisitEntry
from tests.factories import NOW, make_location, make_record, make_site, make_unit, make_user, make_visit

pytestmark = pytest.mark.django_db

FIRST, UNTIL = date(2026, 10, 1), date(2026, 11, 24)
DAY = date(2026, 11, 10)


def agreed(site: Site, **terms: Any) -> None:
    number = site.owner.terms.filter(site=None).count()
    agree(site.owner, None, terms, from_on=date(2026, 1, 1), reason="Test", seen=number, by=None, now=NOW)


def price(code: str, bills: str, amount: str, **more: Any) -> PriceItem:
    given = {"from_on": date(2026, 1, 1), "by": make_user("manager"), "now": NOW, "is_active": True, **more}
    return save_price(
        code=code, text=code, unit_word="", price=Decimal(amount), currency="eur", defect_code="",
        bills=bills, **given,
    )  # fmt: skip


def served(site: Site, *units: Unit, tasks: tuple[str, ...] = (Task.MAINTENANCE,), parts: Any = ()) -> Visit:
    """A closed visit with records of ``tasks`` on ``units``, and ``parts`` fitted to the first."""
    visit = make_visit(site)
    Visit.objects.filter(pk=visit.pk).update(
        state="closed", closed_at=NOW, closed_by=visit.technician, done_on=DAY
    )
    for unit in units:
        for task in tasks:
            make_record(unit, task, Stamp.on(DAY), visit_ref=visit.public_id, refresh=False)
    if parts:
        VisitEntry.objects.create(
            client_ref=uuid.uuid4(), content_digest="", visit=visit, unit=units[0], result="serviced",
            parts=list(parts), made_by=visit.technician, received_at=NOW,
        )  # fmt: skip
    return visit


def said(lines: Any) -> list[tuple[str, Decimal, Decimal | None]]:
    return [(line.code, line.quantity, line.amount) for line in lines]


def run(site: Site, first_on: date = FIRST, until_on: date = UNTIL) -> BillingRun | None:
    return services.make_run([site.owner], first_on=first_on, until_on=until_on, by=None, now=NOW)


@pytest.fixture
def site() -> Site:
    return make_site()


def units(site: Site, count: int = 2) -> list[Unit]:
    return [make_unit(site, refresh=False) for _ in range(count)]


@pytest.mark.parametrize(
    ("basis", "expected"),
    [
        (None, ["part:HOSE 2", "task:hydrostatic_test 1", "task:maintenance 1", "task:maintenance 1"]),
        ("per_unit", ["part:HOSE 2", "task:hydrostatic_test 1", "unit 1", "unit 1"]),
        ("all_in", ["part:HOSE 2 included", "task:hydrostatic_test 1", "unit 1", "unit 1"]),
        ("visit_and_units", ["part:HOSE 2", "task:hydrostatic_test 1", "unit 1", "unit 1", "visit 1"]),
        (
            "rental",
            [
                "part:HOSE 2 included",
                "rental_month 2",
                "task:hydrostatic_test 1",
                "unit 1 included",
                "unit 1 included",
            ],
        ),
    ],
)
def test_the_basis_of_price_says_what_is_a_line(site: Site, basis: str | None, expected: list[str]) -> None:
    one, two = units(site)
    agreed(site, tasks_called_off=["hydrostatic_test"], **({"price_basis": basis} if basis else {}))
    served(site, one, two, parts=[{"code": "HOSE", "text": "Hose", "count": 2}])
    make_record(one, Task.HYDROSTATIC_TEST, Stamp.on(DAY), refresh=False)  # in the workshop
    make_record(two, Task.MAINTENANCE, Stamp.on(DAY), outcome="no_access", refresh=False)
    make_record(two, Task.MAINTENANCE, Stamp.on(DAY), evidence="tag", refresh=False)
    lines = services.lines_to_bill([site.owner], first_on=FIRST, until_on=UNTIL)
    told = sorted(f"{x.code} {x.quantity}{' included' if x.is_included else ''}" for x in lines)
    assert told == expected
    assert {x.basis for x in lines} == {basis or ""}


def test_a_thing_is_billed_once_and_again_after_the_run_was_taken_back(site: Site) -> None:
    served(site, *units(site))
    first = run(site)
    assert first is not None
    assert first.lines.count() == 2
    assert run(site) is None
    services.take_back(first, "Wrong month", by=None, now=NOW)
    with pytest.raises(Conflict, match="taken back already"):
        services.take_back(first, "Again", by=None, now=NOW)
    again = run(site)
    assert again is not None
    assert again.lines.count() == 2
    # The database itself holds it, whoever computes a run at the same moment.
    line = again.lines.first()
    assert line is not None
    with pytest.raises(IntegrityError), transaction.atomic():
        BillingLine.objects.filter(pk=line.pk).update(key=again.lines.last().key)


def test_what_changed_after_billing_gives_a_line_over_the_difference(site: Site) -> None:
    price("U", "unit", "12.35")
    agreed(site, price_basis="per_unit", contract_number="C-7", po_required=True)
    one, two = units(site)
    visit = served(site, one, two)
    first = run(site)
    assert first is not None
    assert said(first.lines.all()) == [("unit", Decimal(1), Decimal("12.35"))] * 2
    line = first.lines.get(unit=one)
    assert (line.contract_number, line.visit_number) == ("C-7", visit.number)
    assert line.po_problem == "A purchase order is required and none is known"
    assert line.sources == [["record", str(one.records.get().client_ref)]]
    # A record found to be in error; another whose date alone was wrong.
    wrong, late = one.records.get(), two.records.get()
    for record, more in ((wrong, {"outcome": "void"}), (late, {})):
        _correct(record, **more)
    second = run(site)
    assert second is not None
    assert said(second.lines.all()) == [("unit", Decimal(-1), Decimal("-12.35"))]
    back = second.lines.get()
    assert back.corrects == line
    assert back.text.startswith("No longer recorded")
    assert run(site) is None
    with pytest.raises(Conflict, match=second.number):
        services.take_back(first, "Wrong", by=None, now=NOW)


def _correct(record: ServiceRecord, outcome: str = "passed") -> None:
    add_records(
        [
            NewRecord(
                unit_id=record.unit_id, task=record.task, outcome=outcome,
                done=Stamp.on(date(2026, 11, 11)), received_at=NOW, site_id=record.site_id,
                visit_ref=record.visit_ref, corrects_id=record.pk, correction_reason="Read again",
            )
        ]
    )  # fmt: skip


def test_terms_agreed_backwards_take_back_what_was_billed_otherwise(site: Site) -> None:
    price("M", "task:maintenance", "20")
    price("U", "unit", "9")
    served(site, *units(site, 1))
    run(site)
    agreed(site, price_basis="per_unit")
    second = run(site)
    assert second is not None
    assert sorted(said(second.lines.all())) == [
        ("task:maintenance", Decimal(-1), Decimal("-20.00")),
        ("unit", Decimal(1), Decimal("9.00")),
    ]


def test_loaners_count_days_month_by_month(site: Site) -> None:
    price("L", "loan_day", "0.50")
    loaner = make_unit(site, refresh=False, is_loaner=True, state="loaner_out")
    loan = Loan.objects.create(loaner=loaner, location=make_location(site), out_on=date(2026, 10, 30))
    first = run(site)
    assert first is not None
    assert said(first.lines.all()) == [
        ("loan_day", Decimal(2), Decimal("1.00")),  # 30 and 31 October
        ("loan_day", Decimal(24), Decimal("12.00")),
    ]
    # A shorter look later takes nothing back.
    assert run(site, until_on=date(2026, 11, 5)) is None
    # It had gone home on the 20th: the 20th itself does not count.
    Loan.objects.filter(pk=loan.pk).update(ended_on=date(2026, 11, 20))
    second = run(site)
    assert second is not None
    assert said(second.lines.all()) == [("loan_day", Decimal(-5), Decimal("-2.50"))]


def test_prices_are_those_of_the_day_and_none_is_invented(site: Site) -> None:
    boss = make_user("manager")
    item = price("CO2", "task:recharge", "30", agent="carbon_dioxide")
    assert PriceBook().price("task:recharge", "carbon_dioxide", date(2025, 12, 31)) is None
    assert PriceBook().price("task:recharge", "water", DAY) is None
    save_price(
        code="CO2", text="CO2", unit_word="", price=Decimal("33"), currency="eur", defect_code="",
        bills="task:recharge", agent="carbon_dioxide", is_active=True, by=boss, now=NOW,
        from_on=date(2026, 12, 1), item=item, version=item.version,
    )  # fmt: skip
    item.refresh_from_db()
    assert item.price == 30  # until December
    found = [PriceBook().price("task:recharge", "carbon_dioxide", day) for day in (DAY, date(2026, 12, 1))]
    assert [one[1] for one in found if one] == [30, 33]
    december = NOW.replace(month=12, day=2)
    assert (put_prices_in_force(december), put_prices_in_force(december)) == (1, 0)
    assert PriceStep.objects.count() == 2
    with pytest.raises(ValidationError, match="prices this already"):
        price("OTHER", "task:recharge", "1", agent="carbon_dioxide")
    served(site, *units(site, 1))
    made = run(site)
    assert made is not None
    assert said(made.lines.all()) == [("task:maintenance", Decimal(1), None)]


def test_other_owners_and_days_outside_are_left_alone(site: Site) -> None:
    other = make_site()
    served(other, *units(other))
    assert run(site) is None
    assert run(other, FIRST, date(2026, 11, 9)) is None
    with pytest.raises(ValidationError, match="first of a month"):
        run(other, date(2026, 10, 2))
    with pytest.raises(ValidationError, match="up to today"):
        run(other, FIRST, date(2026, 12, 24))


def test_the_queries_do_not_grow_with_what_is_billed(site: Site, django_assert_max_num_queries: Any) -> None:
    def fill(count: int) -> None:
        for _ in range(count):
            where = make_site(site.owner)
            served(where, *units(where), parts=[{"text": "Seal", "count": 1}])

    counts = []
    for count in (1, 3):
        fill(count)
        with django_assert_max_num_queries(30) as held:
            services.lines_to_bill([site.owner], first_on=FIRST, until_on=UNTIL)
        counts.append(len(held))
    assert counts[0] == counts[1] <= 16
