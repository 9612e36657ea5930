"""The workshop and the due dates: from receipt to return, and what the work moves."""

from __future__ import annotations

import uuid
from datetime import date, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError

from inventory.access import EVERYTHING
from inventory.appendonly import HistoryIsAppendOnly
from inventory.errors import Conflict
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewReading
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.custody import give_back
from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.register.services import set_state
from inventory.stock import services as stock
from inventory.stock.models import Item, Lot, StockBalance, StockMove
from inventory.stock.queries import units_of_lot
from inventory.workshop.house import HouseResult
from inventory.workshop.models import CardEntry, Instrument, JobCard
from inventory.workshop.queries import current_values, entries_of
from inventory.workshop.services import Unlikely, change_card, withdraw_card
from inventory.workshop.upkeep import change_value
from inventory.workshop.warranty import claims
from schedules.due.models import Obligation
from schedules.visits import workshop
from tests.factories import NOW, TODAY, make_model, make_record, make_site, make_unit, make_user, make_visit
from tests.inventory.workshop.figures import (
    JACKET,
    POWDER,
    VENTED,
    board,
    kg,
    make_away,
    make_co2_model,
    make_instruments,
    receive,
    step,
    work_until,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def hand() -> Any:
    make_instruments()
    return make_user("workshop", first_name="Wilma", last_name="Stead")


@pytest.fixture
def second() -> Any:
    return make_user("workshop", first_name="Odd", last_name="Marsh")


def dates(unit: Unit) -> dict[str, date | None]:
    return dict(Obligation.objects.filter(unit=unit).values_list("task", "latest_on"))


def test_a_recharge_goes_from_receipt_to_its_place_and_moves_the_right_clock(hand: Any, second: Any) -> None:
    # 29 CFR 1910.157(e)(4), Table L-1: a recharge restarts the six years, the test clock stays.
    unit = make_away(made=Stamp.of(2022, 3))
    home = unit.placements.latest("pk").location
    card = receive(unit, hand)
    assert (card.home, card.away_since_on) == (home, TODAY - timedelta(days=2))
    work_until(card, "finish", hand)
    card.refresh_from_db()
    assert card.state == JobCard.State.TO_RELEASE
    with pytest.raises(Conflict, match="second person"):
        step(card, "release", hand)
    step(card, "release", second)
    record = ServiceRecord.objects.get(unit=unit, task=Task.RECHARGE)
    assert record.performed_by == hand
    assert {r.quantity: r.verdict for r in record.readings.all()} == {
        "charge_mass": "inside",
        "gauge_pressure": "inside",
        "ambient_temperature": "unjudged",
        "gross_mass": "unjudged",
    }
    assert "SC-1" in record.instrument
    step(card, "return", second)
    unit.refresh_from_db()
    card.refresh_from_db()
    assert (unit.state, unit.location) == (Unit.State.IN_SERVICE, home)
    assert card.state == JobCard.State.RETURNED
    found = dates(unit)
    assert found[Task.INTERNAL_EXAMINATION] == date(2032, 11, 25)
    assert found[Task.HYDROSTATIC_TEST] == date(2034, 3, 31)


def test_no_unit_goes_back_past_its_job_card(hand: Any, second: Any) -> None:
    unit = make_away(made=Stamp.of(2022, 3))
    card = receive(unit, hand)
    work_until(card, "leak_test", hand)  # Filled, and nobody has proved that it holds.
    with pytest.raises(Conflict, match=f"{card.number} is not released") as refused:
        workshop.bring_back(unit, by=hand, now=NOW, despite="It looks good")
    assert refused.value.code == "not_released"
    work_until(card, "finish", hand)
    with pytest.raises(Conflict, match="awaits release"):
        workshop.bring_back(unit, by=hand, now=NOW)
    step(card, "release", second)
    with pytest.raises(Conflict, match="last step of its job card"):
        workshop.bring_back(unit, by=hand, now=NOW)
    unit.refresh_from_db()
    assert unit.location is None
    # Hung by a technician on the way, it leaves nothing but the card to be closed.
    place = give_back(unit, on=TODAY, by=hand)
    step(card, "return", second)
    card.refresh_from_db()
    unit.refresh_from_db()
    assert (card.state, unit.location) == (JobCard.State.RETURNED, place.location)
    assert unit.placements.filter(until_on__isnull=True).count() == 1


def test_what_waits_for_a_test_goes_back_only_when_somebody_answers_for_it(hand: Any) -> None:
    unit = make_away(made=Stamp.of(2012, 3))
    with pytest.raises(Conflict, match="was due by 2024-03-31") as refused:
        workshop.bring_back(unit, by=hand, now=NOW)
    assert refused.value.code == "to_answer_for"
    place = workshop.bring_back(unit, by=hand, now=NOW, despite="The owner insists, told in writing")
    assert "owner insists" in place.reason
    spent = make_away(made=Stamp.of(2022, 3))
    set_state(spent, Unit.State.AWAITING_RECHARGE)
    with pytest.raises(Conflict, match="awaits its recharge"):
        workshop.bring_back(spent, by=hand, now=NOW)
    sound = make_away(made=Stamp.of(2022, 3))
    assert workshop.bring_back(sound, by=hand, now=NOW).reason == "Brought back"


def test_a_unit_past_its_test_is_not_charged_before_it_has_passed_one(hand: Any) -> None:
    unit = make_away(made=Stamp.of(2012, 3))
    card = receive(unit, hand)
    assert "was due by 2024-03-31" in board(card).charging.sentence
    work_until(card, "inside", hand)
    with pytest.raises(ValidationError, match="test it before it is charged"):
        step(card, "decide", hand)
    step(card, "decide", hand, {"decision": "test"})
    with pytest.raises(Conflict, match="First: Proof test") as refused:
        step(card, "fill", hand)
    assert refused.value.code == "step_too_early"
    step(card, "proof_test", hand)
    record = ServiceRecord.objects.get(unit=unit, task=Task.HYDROSTATIC_TEST)
    assert (record.method, record.outcome, record.instrument) == ("proof_pressure", "passed", "TG-1")
    assert dates(unit)[Task.HYDROSTATIC_TEST] == date(2038, 11, 25)
    work_until(card, "finish", hand)


def test_an_unknown_manufacture_date_is_never_fine(hand: Any) -> None:
    card = receive(make_away(made=Stamp.unknown()), hand)
    assert board(card).must_test


def test_a_failed_test_condemns_and_the_unit_never_comes_back(hand: Any) -> None:
    unit = make_away(made=Stamp.of(2012, 3))
    visit = make_visit(unit.site, [unit])
    card = receive(unit, hand)
    work_until(card, "inside", hand)
    step(card, "decide", hand, {"decision": "test"})
    step(card, "proof_test", hand, {**POWDER["proof_test"], "leak": "yes"})
    card.refresh_from_db()
    assert card.decision == JobCard.Decision.CONDEMN
    assert ServiceRecord.objects.get(unit=unit, task=Task.HYDROSTATIC_TEST).outcome == "failed"
    work_until(card, "dispose", hand)
    unit.refresh_from_db()
    card.refresh_from_db()
    assert (unit.state, card.state) == (Unit.State.DISPOSED, JobCard.State.DISPOSED)
    assert not Obligation.objects.filter(unit=unit).exists()
    assert not visit.jobs.exists()
    with pytest.raises(Conflict, match="not serviced again"):
        receive(unit, hand)


def test_condemning_is_final_only_when_a_second_person_agrees(hand: Any, second: Any) -> None:
    unit = make_away()
    card = receive(unit, hand)
    work_until(card, "inside", hand)
    step(card, "decide", hand, {"decision": "condemn"})
    named = step(card, "condemn", hand)
    assert named.flags == ["No photo was taken of what was found."]
    card.refresh_from_db()
    unit.refresh_from_db()
    assert (card.state, unit.state) == (JobCard.State.TO_CONDEMN, Unit.State.IN_WORKSHOP)
    with pytest.raises(Conflict, match="cannot be the second opinion"):
        step(card, "second_look", hand)
    with pytest.raises(ValidationError, match="overlooked"):
        step(card, "second_look", second, {"serial_again": "SN", "opinion": "differ"})
    differs = {"serial_again": "SN", "opinion": "differ", "why": "Stain, no pit: wiped off"}
    step(card, "second_look", second, differs)
    assert board(card).next_line.step.code == "decide"
    assert not ServiceRecord.objects.filter(unit=unit).exists()
    # Decided again: the reason and the opinion are stated anew, by the same rules.
    step(card, "decide", hand, {"decision": "condemn"})
    step(card, "condemn", second)
    assert board(card).next_line.step.code == "second_look"
    step(card, "second_look", hand)
    record = ServiceRecord.objects.get(unit=unit, task=Task.RETIREMENT)
    assert record.performed_by == second
    assert "second opinion: Wilma Stead" in record.remarks
    unit.refresh_from_db()
    assert unit.state == Unit.State.CONDEMNED


def test_what_was_condemned_before_opinions_were_asked_for_goes_on_to_be_marked(hand: Any) -> None:
    card = receive(make_away(), hand)
    work_until(card, "inside", hand)
    step(card, "decide", hand, {"decision": "condemn"})
    step(card, "condemn", hand)
    JobCard.objects.filter(pk=card.pk).update(state=JobCard.State.CONDEMNED)
    assert board(card).next_line.step.code == "mark"
    step(card, "mark", hand)


def test_a_unit_filled_from_a_held_lot_stays_and_a_released_one_can_be_taken_back(
    hand: Any, second: Any
) -> None:
    unit = make_away()
    card = receive(unit, hand)
    work_until(card, "finish", hand)
    Lot.objects.filter(lot_no="L-1").update(state=Lot.State.HELD)
    with pytest.raises(Conflict, match="Lot L-1 of ABC powder is held"):
        step(card, "release", second)
    Lot.objects.filter(lot_no="L-1").update(state=Lot.State.OPEN)
    step(card, "release", second)
    Lot.objects.filter(lot_no="C-1").update(state=Lot.State.RECALLED)
    with pytest.raises(Conflict, match="Lot C-1 of Nitrogen is recalled"):
        step(card, "return", second)
    card.refresh_from_db()
    back = {"reason": "pressure_lost", "why": "The gas is in doubt", "by": second, "now": NOW}
    with pytest.raises(Conflict, match="Somebody else worked"):
        workshop.take_back(card, version=card.version - 1, **back)
    new = workshop.take_back(card, version=card.version, **back)
    card.refresh_from_db()
    unit.refresh_from_db()
    assert (card.state, new.state, unit.state) == ("taken_back", "waiting", Unit.State.IN_WORKSHOP)
    assert (new.home, new.works, new.away_since_on) == (card.home, card.works, card.away_since_on)
    with pytest.raises(Conflict):
        workshop.take_back(card, version=card.version, **back)
    Lot.objects.filter(lot_no="C-1").update(state=Lot.State.OPEN)
    work_until(new, "finish", hand)
    step(new, "release", second)
    step(new, "return", second)
    unit.refresh_from_db()
    assert unit.state == Unit.State.IN_SERVICE


def test_reasons_found_at_triage_lead_straight_to_condemning(hand: Any) -> None:
    card = receive(make_away(), hand)
    step(card, "triage", hand, {**POWDER["triage"], "bars": ["heat"]})
    assert [line.step.code for line in board(card).lines][-5:-2] == ["condemn", "second_look", "mark"]
    with pytest.raises(Conflict, match="does not need the step"):
        step(card, "fill", hand)
    work_until(card, "agent_out", hand)
    with pytest.raises(ValidationError, match="ends its life"):
        step(card, "decide", hand)
    # A finding that was a mistake is stated anew, and the card goes on as usual.
    step(card, "triage", hand)
    step(card, "decide", hand)
    assert board(card).next_line.step.code == "strip"


def test_figures_outside_a_limit_are_kept_and_leave_the_step_open(hand: Any) -> None:
    card = receive(make_away(), hand)
    work_until(card, "decide", hand)
    step(card, "fill", hand, {**POWDER["fill"], "mass_in": kg("4.1")})
    line = board(card).next_line
    assert (line.step.code, line.last.verdict) == ("fill", "outside")
    with pytest.raises(Conflict, match="First: Fill"):
        step(card, "close", hand)
    step(card, "fill", hand)
    assert CardEntry.objects.filter(card=card, step="fill").count() == 2


def test_opening_it_again_makes_everything_after_it_void(hand: Any) -> None:
    card = receive(make_away(), hand, "hydrostatic_test")
    work_until(card, "pressurise", hand, decide={"decision": "test"})
    step(card, "leak_test", hand, {"method": "immersion", "seen": "leak"})
    step(card, "empty", hand)
    assert board(card).next_line.step.code == "agent_out"
    # The pressure test that was passed stands, unless a doubt about the shell arises after it.
    work_until(card, "decide", hand)
    assert board(card).next_line.step.code == "fill"
    step(card, "inside", hand, {"finding": "doubt", "seen": "Scale at the weld"})
    with pytest.raises(ValidationError, match="pressure test"):
        step(card, "decide", hand)
    step(card, "decide", hand, {"decision": "test"})
    assert board(card).next_line.step.code == "proof_test"


def test_pounds_typed_as_kilograms_are_stored_only_when_confirmed(hand: Any) -> None:
    card = receive(make_away(), hand)
    work_until(card, "decide", hand)
    raw = {**POWDER["fill"], "mass_in": kg("10")}
    with pytest.raises(Unlikely, match="pounds"):
        step(card, "fill", hand, raw)
    assert not CardEntry.objects.filter(card=card, step="fill").exists()
    entry = step(card, "fill", hand, raw, confirmed=True)
    assert entry.verdict == "outside"
    assert any("Confirmed as entered" in flag for flag in entry.flags)


def test_an_instrument_past_its_calibration_flags_the_record(hand: Any, second: Any) -> None:
    Instrument.objects.filter(code="SC-1").update(due_on=TODAY - timedelta(days=1))
    Instrument.objects.filter(code="PG-1").update(due_on=None)
    unit = make_away()
    card = receive(unit, hand)
    work_until(card, "finish", hand)
    flags = board(card).flags
    assert any("SC-1 was past its calibration" in flag for flag in flags)
    assert any("PG-1 has no known calibration" in flag for flag in flags)
    step(card, "release", second)
    assert "past its calibration" in ServiceRecord.objects.get(unit=unit, task=Task.RECHARGE).remarks
    wrong = {**POWDER["agent_out"], "scale": "PG-1"}
    with pytest.raises(ValidationError, match="none of ours"):
        work_until(receive(make_away(), hand), "agent_out", hand, agent_out=wrong)


def test_two_hands_on_one_card_lose_nothing(hand: Any, second: Any) -> None:
    card = receive(make_away(), hand)
    seen = card.version
    step(card, "triage", hand)
    with pytest.raises(Conflict, match="Somebody else") as refused:
        workshop.take_step(card, "empty", POWDER["empty"], by=second, now=NOW, version=seen)
    assert refused.value.code == "card_changed"
    assert CardEntry.objects.filter(card=card).count() == 1


def test_a_resend_meets_its_entry_and_other_content_is_refused(hand: Any) -> None:
    card = receive(make_away(), hand)
    ref = uuid.uuid4()
    first = step(card, "triage", hand, client_ref=ref)
    assert step(card, "triage", hand, client_ref=ref) == first
    with pytest.raises(Conflict, match="already used"):
        step(card, "triage", hand, {**POWDER["triage"], "made_read": "03/22"}, client_ref=ref)


def test_after_release_only_a_correction_with_a_reason_changes_what_is_said(hand: Any, second: Any) -> None:
    unit = make_away()
    card = receive(unit, hand)
    work_until(card, "finish", hand)
    step(card, "release", second)
    with pytest.raises(Conflict, match="correction"):
        step(card, "fill", hand)
    old = next(entry for entry in entries_of(card) if entry.step == "fill")
    card.refresh_from_db()
    raw = {**POWDER["fill"], "mass_in": kg("4.2")}
    with pytest.raises(ValidationError, match="why"):
        workshop.correct(old, raw, reason=" ", by=second, now=NOW, version=card.version)
    new = workshop.correct(old, raw, reason="Scale misread", by=second, now=NOW, version=card.version)
    assert (new.corrects, new.verdict) == (old, "outside")
    stands = ServiceRecord.objects.standing().get(unit=unit, task=Task.RECHARGE)
    assert stands.outcome == "failed"
    assert stands.readings.get(quantity="charge_mass").entered_value == "4.2"
    with pytest.raises(HistoryIsAppendOnly):
        old.save()
    # It takes the place of the one it corrects: nothing after it became void.
    assert [e.step for e in entries_of(card)][-1] == "release"
    card.refresh_from_db()
    with pytest.raises(Conflict, match="corrected already"):
        workshop.correct(old, raw, reason="Again", by=second, now=NOW, version=card.version)


def test_a_cylinder_is_sent_out_and_its_certificate_filed(hand: Any, settings: Any, tmp_path: Any) -> None:
    settings.MEDIA_ROOT = tmp_path
    unit = make_away(model=make_co2_model(), made=Stamp.of(2019, 3))
    card = receive(unit, hand, "hydrostatic_test", "recharge")
    with pytest.raises(Conflict, match="next step is Dates and nameplate"):
        workshop.send_to_house(
            card, name="Alder Test", due_back_on=TODAY, version=card.version, by=hand, now=NOW
        )
    work_until(card, "inside", hand, agent_out=VENTED)
    step(card, "decide", hand, {"decision": "test"})
    stay = workshop.send_to_house(
        card, name="Alder Test", due_back_on=TODAY + timedelta(days=9), version=card.version, by=hand, now=NOW
    )
    card.refresh_from_db()
    assert card.state == JobCard.State.AT_TEST_HOUSE
    with pytest.raises(Conflict):
        step(card, "volumetric_test", hand, JACKET)
    good = HouseResult(True, TODAY, "water_jacket", "3000 psi", "AT-77", "11 A12 26", b"%PDF-1.7 x")
    for field, wrong in (
        ("file", HouseResult(True, TODAY, "water_jacket", "3000 psi", "AT-77", "11 A12 26", b"MZ")),
        ("mark_read", HouseResult(True, TODAY, "water_jacket", "3000 psi", "AT-77", "03 A12 19", b"%PDF-")),
        ("done_on", HouseResult(True, date(2019, 2, 28), "water_jacket", "3000 psi", "A", "?", b"%PDF-")),
    ):
        with pytest.raises(ValidationError) as refused:
            workshop.take_back_from_house(card, wrong, version=card.version, by=hand, now=NOW)
        assert field in refused.value.error_dict
    entry = workshop.take_back_from_house(card, good, version=card.version, by=hand, now=NOW)
    stay.refresh_from_db()
    assert stay.certificate.name.endswith(".pdf")
    assert entry.record is not None
    assert (entry.record.method, entry.record.performed_by_name) == ("water_jacket", "Alder Test")
    assert dates(unit)[Task.HYDROSTATIC_TEST] == date(2031, 11, 25)
    assert board(card).next_line.step.code == "fill"


def test_the_method_of_the_last_test_sets_the_next_interval(hand: Any) -> None:
    # 49 CFR 180.209(j): a 4BW shell of more than 12 lb of water, 7 years after a proof test, not 12.
    site = make_site(tables=("us-49cfr-180-209",))
    model = make_model(cylinder_spec="4BW240", water_capacity_ml=9072)
    unit = make_away(site=site, model=model, made=Stamp.of(2010, 4))
    card = receive(unit, hand, "requalification")
    work_until(card, "inside", hand)
    step(card, "decide", hand, {"decision": "test"})
    step(card, "proof_test", hand)
    assert dates(unit)[Task.REQUALIFICATION] == date(2033, 11, 25)


def test_promises_and_the_clock_of_the_place(hand: Any) -> None:
    site = make_site(region="California")
    card = receive(make_away(site=site), hand)
    assert card.return_by_on == TODAY + timedelta(days=58)  # taken two days ago, 19 CCR 591.5
    assert card.promised_on == TODAY + timedelta(days=10)
    with pytest.raises(ValidationError, match="has passed"):
        receive(make_away(), hand, promised_on=TODAY - timedelta(days=1))
    change_value("turn_round_days", "90", reason="busy season", by=hand, now=NOW)
    assert receive(make_away(site=site), hand).promised_on == TODAY + timedelta(days=58)


def test_one_open_card_per_unit_and_a_mistaken_one_can_be_withdrawn(hand: Any) -> None:
    unit = make_away()
    card = receive(unit, hand)
    with pytest.raises(Conflict, match="already has an open job card"):
        receive(unit, hand)
    card = change_card(
        card, version=1, works=["recharge", "maintenance"], promised_on=TODAY, remarks="Urgent"
    )
    assert card.works == ["recharge", "maintenance"]
    with pytest.raises(Conflict):
        withdraw_card(card, version=1, reason="Wrong unit", now=NOW)
    withdraw_card(card, version=2, reason="Wrong unit", now=NOW)
    receive(unit, hand)


def test_a_hanging_unit_is_taken_down_when_it_is_received(hand: Any) -> None:
    unit = make_unit(serial="SN")
    make_record(unit)
    card = receive(unit, hand)
    unit.refresh_from_db()
    assert (unit.state, unit.location, unit.site) == (Unit.State.IN_WORKSHOP, None, card.site)


def taken(unit: Unit) -> dict[str, int]:
    """What was booked for the unit, by item: into it less out of it."""
    found: dict[str, int] = {}
    for move in StockMove.objects.filter(unit=unit).select_related("item"):
        sign = 1 if move.to_account == "unit" else -1
        found[move.item.code] = found.get(move.item.code, 0) + sign * move.quantity
    return found


def test_every_gram_is_booked_under_its_lot(hand: Any) -> None:
    unit = make_away()
    card = receive(unit, hand)
    work_until(card, "agent_out", hand)
    # Filled elsewhere: its lot is not known, and nobody fills from such a lot.
    assert Lot.objects.get(lot_no="not known").state == Lot.State.HELD
    assert taken(unit) == {"ABC": -4400}
    work_until(card, "decide", hand)
    step(card, "fill", hand, {**POWDER["fill"], "mass_in": kg("4.1")})
    step(card, "fill", hand)
    # Topped up: only the difference moved.
    assert taken(unit) == {"ABC": 4530 - 4400}
    work_until(card, "finish", hand)
    assert taken(unit) == {"ABC": 130, "N2": 30, "COL": 1}
    assert StockBalance.objects.get(item__code="ABC", lot__lot_no="L-1").quantity == 50_000 - 4530
    assert [u.number for u in units_of_lot(Lot.objects.get(lot_no="L-1"))] == [unit.number]


def test_a_lot_that_is_held_foreign_or_overdrawn_is_refused_and_changes_nothing(hand: Any) -> None:
    card = receive(make_away(), hand)
    work_until(card, "decide", hand)
    with pytest.raises(ValidationError, match="not in stock"):
        step(card, "fill", hand, {**POWDER["fill"], "lot": "ABC / L-9"})
    with pytest.raises(Conflict, match="never converted"):
        step(card, "fill", hand, {**POWDER["fill"], "lot": "CO2 / L-2"})
    StockBalance.objects.filter(item__code="ABC").update(quantity=4529)
    with pytest.raises(Conflict, match=r"4\.5 kg left"):
        step(card, "fill", hand)
    Lot.objects.filter(lot_no="L-1").update(state=Lot.State.HELD)
    with pytest.raises(Conflict, match="Take another lot"):
        step(card, "fill", hand)
    card.refresh_from_db()
    assert not CardEntry.objects.filter(card=card, step="fill").exists()


def test_what_the_shelf_lacks_on_paper_is_flagged(hand: Any) -> None:
    StockBalance.objects.filter(item__code="COL").update(quantity=0)
    card = receive(make_away(), hand)
    work_until(
        card, "pressurise", hand, pressurise={k: v for k, v in POWDER["pressurise"].items() if k != "gas"}
    )
    flags = " ".join(board(card).flags)
    assert "Count the shelf" in flags
    assert "no cylinder was named" in flags


def test_the_collar_is_the_one_that_was_chosen(hand: Any) -> None:
    store = Store.objects.get(kind="workshop")
    other = Item.objects.create(code="COL-B", name="Collar, wide", kind="collar", base_unit="pcs")
    stock.receive(other, 3, store=store, by=None, on=TODAY, now=NOW, client_ref=uuid.uuid4())
    first, second = receive(make_away(), hand), receive(make_away(), hand)
    work_until(first, "fill", hand)
    with pytest.raises(ValidationError, match="none of our goods"):
        step(first, "close", hand, {**POWDER["close"], "collar_item": "COL-X"})
    step(first, "close", hand, {**POWDER["close"], "collar_item": "COL-B"})
    assert taken(first.unit)["COL-B"] == 1
    work_until(second, "close", hand)
    assert "which of 2 kinds" in " ".join(board(second).flags)


def test_a_loss_beyond_the_limit_inside_the_term_is_a_claim(hand: Any, second: Any) -> None:
    unit = make_away()
    card = receive(unit, hand)
    work_until(card, "finish", hand)
    step(card, "release", second)
    values = current_values()

    def read(bar_20: float, celsius: float, on: date) -> None:
        # 13.5 bar at 20 °C reads 12.53 at 0 °C: cold is no loss.
        readings = (
            NewReading("gauge_pressure", f"{bar_20}", "bar", bar_20 * 100),
            NewReading("ambient_temperature", f"{celsius}", "°C", celsius),
        )
        make_record(
            unit, done=Stamp.on(on), readings=readings, refresh=False, received_at=NOW + timedelta(999)
        )

    read(12.53, 0, date(2027, 11, 20))
    assert claims(EVERYTHING, values, today=date(2027, 12, 1)) == []
    # 2 kgf/cm² are 1.96 bar.
    read(11.5, 20, date(2028, 3, 1))
    (claim,) = claims(EVERYTHING, values, today=date(2028, 3, 2))
    assert (claim.card, claim.warranty.ends_on) == (card, date(2031, 11, 25))
    assert "2.00 bar lost" in claim.sentence
    assert claims(EVERYTHING, values, today=date(2031, 11, 26)) == []
