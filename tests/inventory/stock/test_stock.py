"""Goods: what left one account stands in another, and nobody takes what is not there."""

from __future__ import annotations

import uuid
from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.appendonly import HistoryIsAppendOnly
from inventory.errors import Conflict
from inventory.measures.kinds import Agent
from inventory.register.custody import add_store
from inventory.register.places import Store
from inventory.stock.models import Item, Lot, LotDecision, StockBalance, StockMove
from inventory.stock.queries import (
    account_sheet,
    balances,
    current_lots,
    drums,
    items_with_stock,
    lots_with_stock,
    stock_disagreements,
    units_of_lot,
    usable_lots,
)
from inventory.stock.services import (
    CylinderFacts,
    UseLine,
    consume,
    count_stock,
    decide_lot,
    open_drum,
    receive,
    record_sample,
    recover,
    send_drum_away,
    transfer,
)
from tests.factories import NOW, TODAY, make_model, make_unit, make_user

pytestmark = pytest.mark.django_db
ABC = Agent.DRY_CHEMICAL_ABC


class Room:
    """A store with powder, gas and O-rings, and the words to use it with few letters."""

    def __init__(self) -> None:
        self.store = add_store(Store.Kind.WORKSHOP, "Bench hall")
        self.van = add_store(Store.Kind.VAN, "Van 1")
        self.powder = Item.objects.create(
            code="ABC", name="ABC powder", kind="agent", base_unit="g", agent=ABC, is_lot_tracked=True
        )
        self.ring = Item.objects.create(code="OR-1", name="Neck O-ring", kind="part", base_unit="pcs")
        self.lot = self.receive(self.powder, 25_000, lot_no="L1", expires_on=TODAY + timedelta(700))
        self.receive(self.ring, 50)

    def receive(self, item: Item, quantity: int, **more: object) -> Lot | None:
        given = {"store": self.store, "by": None, "on": TODAY, "now": NOW, "client_ref": uuid.uuid4()}
        return receive(item, quantity, **(given | more))

    def use(self, *lines: UseLine, **more: object) -> list[StockMove]:
        given = {"store": self.store, "by": None, "on": TODAY, "now": NOW, "client_ref": uuid.uuid4()}
        return consume(lines, **(given | more))

    def left(self, item: Item) -> int:
        return sum(row.quantity for row in balances(item=item))


@pytest.fixture
def room() -> Room:
    return Room()


def powder_unit(**fields: object):
    return make_unit(model=make_model(agent=ABC, charge_mass_g=6000), **fields)


def test_a_fill_books_its_lot_to_the_unit(room):
    unit = powder_unit()
    room.use(UseLine(room.powder, 6000, room.lot), UseLine(room.ring, 1), unit=unit, ref=uuid.uuid4())
    assert (room.left(room.powder), room.left(room.ring)) == (19_000, 49)
    [found] = units_of_lot(room.lot)
    assert (found.pk, found.got, found.got_on, found.is_refilled) == (unit.pk, 6000, TODAY, False)
    assert current_lots([unit.pk]) == {unit.pk: room.lot.pk}
    assert stock_disagreements() == []


def test_which_units_got_a_lot_is_one_query(room):
    for _ in range(3):
        room.use(UseLine(room.powder, 6000, room.lot), unit=powder_unit())
    with CaptureQueriesContext(
        connection,
    ) as caught:
        rows = [(unit.site.owner.name, unit.location.number, unit.got) for unit in units_of_lot(room.lot)]
    assert len(caught) == 1
    assert len(rows) == 3


def test_a_unit_refilled_from_another_lot_is_told(room):
    unit = powder_unit()
    other = room.receive(room.powder, 10_000, lot_no="L2")
    room.use(UseLine(room.powder, 6000, room.lot), unit=unit)
    room.use(UseLine(room.powder, 6000, other), unit=unit)
    assert units_of_lot(room.lot).get().is_refilled is True
    assert units_of_lot(other).get().is_refilled is False
    assert current_lots([unit.pk]) == {unit.pk: other.pk}


def test_a_lot_is_not_overdrawn(room):
    with pytest.raises(Conflict) as caught:
        room.use(UseLine(room.ring, 1), UseLine(room.powder, 25_001, room.lot), unit=powder_unit())
    assert caught.value.code == "overdrawn"
    assert caught.value.extra == {"left": 25_000}
    assert (room.left(room.ring), room.left(room.powder)) == (50, 25_000)  # as a whole, or not at all
    assert StockMove.objects.count() == 2


def test_the_same_act_sent_twice_is_booked_once(room):
    ref, unit = uuid.uuid4(), powder_unit()
    first = room.use(UseLine(room.powder, 6000, room.lot), unit=unit, client_ref=ref)
    assert room.use(UseLine(room.powder, 6000, room.lot), unit=unit, client_ref=ref) == first
    again = uuid.uuid4()
    assert room.receive(room.powder, 500, lot_no="L9", client_ref=again) == room.receive(
        room.powder, 500, lot_no="L9", client_ref=again
    )
    assert room.left(room.powder) == 19_500


@pytest.mark.parametrize("spoil", ["held", "recalled", "expired"])
def test_a_lot_that_may_not_be_used_is_refused(room, spoil):
    boss = make_user("manager")
    if spoil == "held":
        record_sample(
            room.lot,
            passed=False,
            test="Flow",
            figures="3 of 10 runs blocked",
            limit="maker",
            by=boss,
            on=TODAY,
            now=NOW,
        )
    elif spoil == "recalled":
        decide_lot(
            room.lot, LotDecision.Decision.RECALL, reason="Maker's letter", by=boss, now=NOW, version=1
        )
    on = TODAY + timedelta(701) if spoil == "expired" else TODAY
    with pytest.raises(Conflict) as caught:
        room.use(UseLine(room.powder, 1, room.lot), unit=powder_unit(), on=on)
    assert caught.value.code == "lot_not_usable"
    assert list(usable_lots(room.powder, room.store, on)) == []


def test_a_failed_sample_holds_the_lot_until_a_person_decides(room):
    boss = make_user("manager")
    sample = record_sample(
        room.lot,
        passed=False,
        test="500 g flow",
        figures="12 s",
        limit="8 s, maker's sheet",
        by=None,
        on=TODAY,
        now=NOW,
    )
    room.lot.refresh_from_db()
    assert room.lot.state == Lot.State.HELD
    held = room.lot.decisions.get()
    assert (held.decision, held.sample, held.made_by) == ("hold", sample, None)
    with pytest.raises(ValidationError, match="Say why"):
        decide_lot(room.lot, LotDecision.Decision.RELEASE, reason=" ", by=boss, now=NOW, version=2)
    with pytest.raises(Conflict, match="changed a moment ago"):
        decide_lot(room.lot, LotDecision.Decision.RELEASE, reason="x", by=boss, now=NOW, version=1)
    decide_lot(
        room.lot, LotDecision.Decision.RELEASE, reason="Second sample good", by=boss, now=NOW, version=2
    )
    room.use(UseLine(room.powder, 1, room.lot), unit=powder_unit())
    with pytest.raises(Conflict, match="cannot be put"):
        decide_lot(room.lot, LotDecision.Decision.SCRAP, reason="x", by=boss, now=NOW, version=3)
    with pytest.raises(ValidationError, match="figures"):
        record_sample(room.lot, passed=True, test="", figures="", limit="", by=None, on=TODAY, now=NOW)


def test_scrapping_a_recalled_lot_writes_off_what_is_left(room):
    boss = make_user("manager")
    transfer(
        [UseLine(room.powder, 5000, room.lot)],
        from_store=room.store,
        to_store=room.van,
        by=boss,
        on=TODAY,
        now=NOW,
        client_ref=uuid.uuid4(),
    )
    decide_lot(room.lot, LotDecision.Decision.RECALL, reason="Letter", by=boss, now=NOW, version=1)
    decide_lot(room.lot, LotDecision.Decision.SCRAP, reason="To waste", by=boss, now=NOW, version=2)
    assert room.left(room.powder) == 0
    assert stock_disagreements() == []
    with pytest.raises(Conflict):
        decide_lot(room.lot, LotDecision.Decision.RELEASE, reason="x", by=boss, now=NOW, version=3)


def test_agent_out_of_a_unit_goes_to_a_drum_of_its_own_kind(room):
    unit = powder_unit()
    line = UseLine(room.powder, 4000, room.lot)
    drum = open_drum(agent=ABC, store=room.store, capacity_g=5000, on=TODAY)
    other = open_drum(agent=Agent.DRY_CHEMICAL_BC, store=room.store, capacity_g=5000, on=TODAY)
    given = {"unit": unit, "by": None, "on": TODAY, "now": NOW}
    recover(line, drum=drum, client_ref=uuid.uuid4(), **given)
    assert drums().get(pk=drum.pk).held_g == 4000
    for wrong, code in ((drum, "drum_full"), (other, "drum_of_another_agent")):
        with pytest.raises(Conflict) as caught:
            recover(line, drum=wrong, client_ref=uuid.uuid4(), **given)
        assert caught.value.code == code
    recover(line, store=room.store, client_ref=uuid.uuid4(), **given)
    assert room.left(room.powder) == 29_000
    with pytest.raises(ValidationError, match="note"):
        send_drum_away(drum, on=TODAY, transfer_note="", version=1)
    gone = send_drum_away(drum, on=TODAY, transfer_note="W-77", version=1)
    with pytest.raises(Conflict) as caught:
        recover(UseLine(room.powder, 1, room.lot), drum=gone, client_ref=uuid.uuid4(), **given)
    assert caught.value.code == "drum_closed"


def test_a_unit_is_never_filled_with_another_agent(room):
    water = make_unit(model=make_model(agent=Agent.WATER))
    with pytest.raises(Conflict) as caught:
        room.use(UseLine(room.powder, 1, room.lot), unit=water)
    assert caught.value.code == "wrong_agent"


def test_a_count_books_the_difference_with_its_reason(room):
    counted = {(room.ring.pk, None): 47, (room.powder.pk, room.lot.pk): 25_100}
    given = {"by": None, "on": TODAY, "now": NOW}
    with pytest.raises(ValidationError, match="difference"):
        count_stock(room.store, counted, reason="", client_ref=uuid.uuid4(), **given)
    ref = uuid.uuid4()
    assert len(count_stock(room.store, counted, reason="Year end", client_ref=ref, **given)) == 2
    assert len(count_stock(room.store, counted, reason="Year end", client_ref=ref, **given)) == 2
    assert (room.left(room.ring), room.left(room.powder)) == (47, 25_100)
    assert stock_disagreements() == []


def test_both_columns_of_an_account_sheet_have_the_same_sum(room):
    room.use(UseLine(room.ring, 3), unit=powder_unit())
    room.use(UseLine(room.ring, 2))  # spoiled
    transfer(
        [UseLine(room.ring, 10)],
        from_store=room.store,
        to_store=room.van,
        by=None,
        on=TODAY,
        now=NOW,
        client_ref=uuid.uuid4(),
    )
    sheet = account_sheet(room.ring)
    assert sum(line["into"] for line in sheet) == sum(line["out_of"] for line in sheet) == 65
    by_name = {line["account"]: line["into"] - line["out_of"] for line in sheet}
    assert by_name == {"Store": 45, "Supplier": -50, "Unit": 3, "Spoiled or lost": 2}


def test_a_balance_changed_behind_our_back_is_found(room):
    StockBalance.objects.filter(item=room.ring).update(quantity=49)
    assert stock_disagreements() == ["Neck O-ring in Bench hall: 49 kept, 50 by its moves."]


def test_deliveries_that_cannot_be_as_entered(room):
    with pytest.raises(ValidationError, match="by lot"):
        room.receive(room.powder, 1)
    with pytest.raises(ValidationError, match="last day"):
        room.receive(room.powder, 1, lot_no="old", expires_on=TODAY - timedelta(1))
    with pytest.raises(ValidationError, match="Which one is right"):
        room.receive(room.powder, 1, lot_no="L1", expires_on=date(2030, 1, 1))
    with pytest.raises(ValidationError, match="at least 1"):
        room.receive(room.ring, 0)
    with pytest.raises(ValidationError, match="needs its lot"):
        room.use(UseLine(room.powder, 1), unit=powder_unit())
    with pytest.raises(ValidationError, match="two different"):
        transfer(
            [],
            from_store=room.store,
            to_store=room.store,
            by=None,
            on=TODAY,
            now=NOW,
            client_ref=uuid.uuid4(),
        )


def test_a_gas_cylinder_past_its_test_is_not_used(room):
    gas = Item.objects.create(code="N2", name="Nitrogen", kind="gas", base_unit="L", is_lot_tracked=True)
    facts = CylinderFacts("C-1", water_capacity_ml=50_000, full_pressure_kpa=20_000, test_due_on=TODAY)
    lot = room.receive(gas, 10_000, lot_no="C-1", cylinder=facts)
    room.use(UseLine(gas, 30, lot), unit=powder_unit())
    with pytest.raises(Conflict, match="test"):
        room.use(UseLine(gas, 30, lot), unit=powder_unit(), on=TODAY + timedelta(1))


def test_the_catalogue_and_the_lots_carry_their_sums(room):
    room.use(UseLine(room.powder, 6000, room.lot), unit=powder_unit())
    room.receive(room.powder, 8000, lot_no="L2")
    record_sample(
        Lot.objects.get(lot_no="L2"),
        passed=False,
        test="Flow",
        figures="x",
        limit="",
        by=None,
        on=TODAY,
        now=NOW,
    )
    powder = items_with_stock().get(code="ABC")
    assert (powder.total, powder.usable, powder.lots_held) == (27_000, 19_000, 1)
    assert {lot.lot_no: (lot.left, lot.unit_count) for lot in lots_with_stock()} == {
        "L1": (19_000, 1),
        "L2": (8000, 0),
    }
    assert [(lot.lot_no, lot.left) for lot in usable_lots(room.powder, room.store, TODAY)] == [("L1", 19_000)]


def test_moves_are_never_changed(room):
    with pytest.raises(HistoryIsAppendOnly):
        StockMove.objects.all().update(quantity=1)
    with pytest.raises(HistoryIsAppendOnly):
        StockMove.objects.first().save()
