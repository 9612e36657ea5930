"""Units that change hands on site: lent, given back, exchanged, condemned, swapped, read off."""

from __future__ import annotations

import pytest
from django.utils import timezone

from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from inventory.register.places import Loan
from inventory.workshop.services import open_card
from schedules.visits.models import Doubt
from tests.factories import NOW, TODAY, make_model, make_site, make_unit, make_user, make_visit
from tests.servicedesk.api.test_field_acts import Phone, states

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timezone, "now", lambda: NOW)


@pytest.fixture
def model():
    return make_model()


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def technician():
    return make_user("technician")


def spare(model, number: str, state: str, *, is_loaner: bool = False) -> Unit:
    unit = Unit(model=model, number=number, state=state, is_loaner=is_loaner)
    unit.made = Stamp.of(2024, 5)
    unit.save()
    return unit


def phone_for(technician, site, units) -> Phone:
    return Phone(technician, make_visit(site, units, technician=technician))


def test_a_loaner_hangs_and_goes_again(technician, site, model):
    unit = make_unit(site, model=model, refresh=False)
    place = unit.location
    loaner = spare(model, "L-1", Unit.State.LOANER_FREE, is_loaner=True)
    phone = phone_for(technician, site, [unit])
    lent = phone.act(
        "lend",
        unit,
        content={
            "loaner": {"unit_number": "L-1"},
            "reason": "Pressure test due",
            "expected_back_on": "2026-12-10",
            "receipt": {"name": "R. Okafor"},
        },
    )
    wrong = phone.act("lend", unit, content={"loaner": {"unit_number": unit.number}, "reason": "x"})
    results = phone.send(wrong, lent, phone.closed(1, removed=1))
    assert states(results) == ["refused", "accepted", "accepted"], results
    assert results[0]["problem"]["errors"][0]["field"] == "content.loaner"
    unit.refresh_from_db()
    loaner.refresh_from_db()
    assert (unit.state, unit.location) == (Unit.State.IN_WORKSHOP, None)
    assert (loaner.state, loaner.location) == (Unit.State.LOANER_OUT, place)
    assert str(Loan.objects.get().expected_back_on) == "2026-12-10"
    back = phone_for(technician, site, [loaner])
    acts = [back.act("give_back", unit), back.serviced(loaner)]
    assert states(back.send(*acts, back.closed(2, serviced=1))) == ["accepted"] * 3
    unit.refresh_from_db()
    loaner.refresh_from_db()
    assert (unit.state, unit.location) == (Unit.State.IN_SERVICE, place)
    assert (loaner.state, loaner.location) == (Unit.State.LOANER_FREE, None)
    assert Loan.objects.get().ended_on is not None


def test_a_unit_hung_again_before_its_card_is_released_does_not_count_as_working(technician, site, model):
    unit = make_unit(site, model=model, refresh=False)
    place = unit.location
    phone = phone_for(technician, site, [unit])
    away = phone.act("to_workshop", unit, content={"reason": "Pressure low"})
    assert states(phone.send(away, phone.closed(1, removed=1))) == ["accepted"] * 2
    card = open_card(unit, reason="pressure_lost", works=["recharge"], by=technician, now=NOW)
    other = make_unit(site, model=model, refresh=False)
    back = phone_for(technician, site, [other])
    acts = [back.act("give_back", unit), back.serviced(other)]
    assert states(back.send(*acts, back.closed(2, serviced=1))) == ["accepted"] * 3
    unit.refresh_from_db()
    assert (unit.state, unit.location) == (Unit.State.AWAITING_RECHARGE, place)
    assert card.number in unit.placements.latest("pk").reason


def test_exchanged_condemned_and_replaced(technician, site, model):
    old, rusty, pitted = (make_unit(site, model=model, refresh=False) for _ in range(3))
    places = [unit.location for unit in (old, rusty, pitted)]
    stock = spare(model, "S-1", Unit.State.IN_STOCK)
    Defect.objects.create(
        site=site, unit=old, code="gauge_damaged", severity="critical", opened_on=TODAY, opened_at=NOW
    )
    phone = phone_for(technician, site, [old, rusty, pitted])
    new = {"model": str(model.public_id), "serial": "NEW-1", "made": "03/2026"}
    acts = [
        phone.act("exchange", old, content={"replacement": {"unit": str(stock.public_id)}}),
        phone.act("condemn", rusty, content={"code": "rust_heavy", "remarks": "Through at the foot ring."}),
        phone.act("condemn", pitted, content={"code": "dent", "remarks": "Deep.", "replacement": new}),
    ]
    results = phone.send(*acts, phone.closed(3, replaced=2, removed=1))
    assert states(results) == ["accepted"] * 4, results
    for unit in (old, rusty, pitted, stock):
        unit.refresh_from_db()
    assert (stock.state, stock.location) == (Unit.State.IN_SERVICE, places[0])
    assert [unit.state for unit in (old, rusty, pitted)] == [
        Unit.State.WITHDRAWN,
        Unit.State.CONDEMNED,
        Unit.State.CONDEMNED,
    ]
    assert Unit.objects.get(serial="NEW-1").location == places[2]
    assert Defect.objects.get().settled_how == "Unit replaced"


def test_two_units_change_places(technician, site, model):
    one, two = (make_unit(site, model=model, refresh=False) for _ in range(2))
    here, there = one.location, two.location
    phone = phone_for(technician, site, [one, two])
    swap = phone.act("swap_units", one, content={"other": str(two.public_id)})
    phone.send(swap, phone.serviced(one), phone.serviced(two), phone.closed(3, serviced=2))
    one.refresh_from_db()
    two.refresh_from_db()
    assert (one.location, two.location) == (there, here)


def test_what_is_read_off_the_shell_fills_gaps_and_raises_doubts(technician, site, model):
    blank = make_unit(site, model=model, made=Stamp.unknown(), serial="", refresh=False)
    known = make_unit(site, model=model, made=Stamp.of(2022, 3), serial="A1", refresh=False)
    phone = phone_for(technician, site, [blank, known])
    marks = [{"what": "made", "mark": "06/2019"}, {"what": "hydrostatic_test", "mark": "05/2024"}]
    bad = phone.serviced(blank, marks=[{"what": "made", "mark": "31.02.2024"}])
    acts = [
        phone.serviced(blank, serial="B2", marks=marks),
        phone.serviced(known, serial="A2", marks=[{"what": "made", "mark": "2018"}]),
    ]
    results = phone.send(bad, *acts, phone.closed(2, serviced=2))
    assert states(results) == ["refused", "accepted", "accepted", "accepted"], results
    assert results[0]["problem"]["errors"][0]["field"] == "content.marks"
    blank.refresh_from_db()
    known.refresh_from_db()
    assert (str(blank.made), blank.serial) == (str(Stamp.of(2019, 6)), "B2")
    test = ServiceRecord.objects.get(unit=blank, task="hydrostatic_test")
    assert (test.evidence, str(test.done_last)) == ("shell_stamp", "2024-05-31")
    assert (known.made.first.year, known.serial) == (2022, "A1")
    assert {doubt.subject for doubt in Doubt.objects.filter(kind="marks_differ")} == {
        f"made {known.number}",
        f"serial {known.number}",
    }


def test_a_loaner_that_is_not_free_holds_the_closing_and_says_so(technician, site, model):
    unit = make_unit(site, model=model, refresh=False)
    out = make_unit(make_site(), model=model, refresh=False, is_loaner=True, state=Unit.State.LOANER_OUT)
    phone = phone_for(technician, site, [unit])
    lent = phone.act("lend", unit, content={"loaner": {"unit": str(out.public_id)}, "reason": "Test due"})
    answer = phone.send(lent, phone.closed(1, removed=1))[1]
    assert (answer["status"], answer["problem"]["code"]) == ("refused", "loaner_not_free")
