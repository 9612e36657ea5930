"""What the coming months need, against what is in stock."""

from __future__ import annotations

import uuid
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.access import EVERYTHING, NOTHING, Scope
from inventory.condition.models import LeakEstimate
from inventory.measures.kinds import Agent, Construction, Shell, Task
from inventory.measures.stamps import Stamp
from inventory.register.custody import add_store, make_loaner
from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.register.services import take_down_unit
from inventory.stock.models import Item, Lot, PartFit
from inventory.stock.services import receive
from schedules.due.condition import Proposal, earlier_recharges
from schedules.due.demand import demand
from tests.factories import NOW, TODAY, make_model, make_record, make_site, make_unit

pytestmark = pytest.mark.django_db
FEB = date(2027, 2, 1)


def powder_model(**fields):
    return make_model(
        agent=Agent.DRY_CHEMICAL_ABC, charge_mass_g=6000, construction=Construction.STORED_PRESSURE,
        shell=Shell.MILD_STEEL, **fields,
    )  # fmt: skip


def due_for_test(site, model, month=2):
    """A unit whose twelve-year test falls due in 2027 and that was maintained lately."""
    unit = make_unit(site, model=model, made=Stamp.of(2015, month), refresh=False)
    for task, year in ((Task.VISUAL_INSPECTION, 2026), (Task.MAINTENANCE, 2026)):
        make_record(unit, task, Stamp.of(year, 11, 20), refresh=False)
    make_record(unit, Task.INTERNAL_EXAMINATION, Stamp.of(2026, 11, 20), refresh=False)
    return unit


@pytest.fixture
def store():
    return add_store(Store.Kind.STORE, "Main store")


def stock(store, item, quantity, lot_no=""):
    return receive(
        item, quantity, store=store, by=None, on=TODAY, now=NOW, client_ref=uuid.uuid4(), lot_no=lot_no
    )


def powder(**fields):
    return Item.objects.create(
        code="ABC", name="ABC powder", kind="agent", base_unit="g", agent=Agent.DRY_CHEMICAL_ABC,
        is_lot_tracked=True, pack_size=25_000, lead_days=10, **fields,
    )  # fmt: skip


def line(found, kind, label=""):
    return next(one for one in found.lines if one.good.kind == kind and label in one.good.label)


def test_a_pressure_test_takes_agent_gas_parts_and_a_loaner(store):
    model = powder_model()
    ring = Item.objects.create(code="OR", name="Neck O-ring 40", kind="part", base_unit="pcs")
    PartFit.objects.create(item=ring, model=model, pieces=2)
    item = powder(reorder_level=5000)
    stock(store, item, 10_000, "L1")
    site = make_site()
    ids = [due_for_test(site, model).pk for _ in range(3)]
    found = demand(ids, now=NOW, months=4)
    agent = line(found, "agent")
    assert agent.needs[FEB] == pytest.approx(3 * 6000 * 1.02)
    assert agent.need == pytest.approx(3 * 6000 * 1.02)
    assert line(found, "gas").need == pytest.approx(90)
    assert line(found, "part", "40").need == 6
    assert line(found, "loaner").most == 3
    assert line(found, "collar").need == 3
    reorder = agent.reorder
    assert reorder is not None
    # 18 360 g needed and 5 000 to be kept, 10 000 there: one bag of 25 kg, ten days before February.
    assert (reorder.quantity, reorder.packs, reorder.order_by) == (25_000, 1, FEB - timedelta(10))
    assert not reorder.is_urgent(TODAY)
    assert "10.0 kg in stock" in reorder.why
    assert ("us-osha-1910-157", "2026-1") in found.tables


def test_enough_in_stock_proposes_nothing_and_a_held_lot_does_not_count(store):
    item = powder()
    lot = stock(store, item, 50_000, "L1")
    ids = [due_for_test(make_site(), powder_model()).pk]
    assert line(demand(ids, now=NOW, months=4), "agent").reorder is None
    Lot.objects.filter(pk=lot.pk).update(state=Lot.State.HELD)
    held = line(demand(ids, now=NOW, months=4), "agent")
    assert held.stock == 0
    assert held.reorder is not None


def test_what_is_owed_falls_into_the_first_month_and_is_ordered_at_once(store):
    unit = make_unit(make_site(), model=powder_model(), made=Stamp.of(2010, 1), refresh=False)
    found = demand([unit.pk], now=NOW, months=2)
    agent = line(found, "agent")
    assert agent.needs[date(2026, 11, 1)] == pytest.approx(6120)
    assert agent.reorder is not None
    assert agent.reorder.is_urgent(TODAY)
    assert found.short()[0].reorder is not None


def test_free_loaners_are_counted_by_agent(store):
    ids = [due_for_test(make_site(), powder_model()).pk for _ in range(2)]
    for _ in range(2):
        loaner = make_unit(model=powder_model(), refresh=False)
        take_down_unit(loaner, on=TODAY, to_state=Unit.State.IN_STOCK, to_store=store)
        make_loaner(loaner)
    found = line(demand(ids, now=NOW, months=4), "loaner")
    assert (found.stock, found.most, found.left, found.reorder) == (2, 2, 0, None)


def test_one_and_many_units_take_the_same_queries(store):
    site, model = make_site(), powder_model()
    powder()

    def queries(number):
        ids = [due_for_test(site, model).pk for _ in range(number)]
        with CaptureQueriesContext(connection) as caught:
            demand(ids, now=NOW, months=4)
        return len(caught)

    assert queries(1) == queries(4)
    with pytest.raises(ValueError, match="1 to 12"):
        demand([], now=NOW, months=13)


# Earlier recharges --------------------------------------------------------------------------------


def estimated(unit, early):
    return LeakEstimate.objects.create(
        unit=unit, model=unit.model, measure="pressure", readings=3, middle_on=TODAY, middle_offset_years=0,
        mean_level=0.95, spread=2, own_loss=0.03, last_on=TODAY, last_level=0.94, loss=0.03, loss_low=0.01,
        loss_high=0.05, leaker_share=0.6, limit=0.9, limit_on=date(2027, 9, 1), limit_early_on=early,
        facts_revision=1, computed_at=NOW,
    )  # fmt: skip


def test_a_unit_is_proposed_when_its_limit_comes_before_the_next_look():
    owner_site = make_site()
    unit = make_unit(owner_site, model=powder_model())
    for task in (Task.VISUAL_INSPECTION, Task.MAINTENANCE):
        make_record(unit, task, Stamp.of(2026, 11, 20))
    row = estimated(unit, date(2027, 6, 1))
    [found] = earlier_recharges(EVERYTHING, TODAY)
    assert found.next_look_on > date(2027, 6, 1)
    text = Proposal(found, TODAY).sentence
    assert "loses 3.0 % a year (between 1.0 % and 5.0 %)" in text
    assert "from 1 Jun 2027" in text
    assert list(earlier_recharges(Scope(owner_ids=frozenset({owner_site.owner_id})), TODAY)) == [row]
    assert list(earlier_recharges(NOTHING, TODAY)) == []
    LeakEstimate.objects.update(limit_early_on=date(2035, 1, 1))
    assert list(earlier_recharges(EVERYTHING, TODAY)) == []
    LeakEstimate.objects.update(limit_early_on=TODAY)
    [now] = earlier_recharges(EVERYTHING, TODAY)
    assert Proposal(now, TODAY).is_now
    Unit.objects.update(state=Unit.State.IN_WORKSHOP)
    assert list(earlier_recharges(EVERYTHING, TODAY)) == []
