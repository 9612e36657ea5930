"""Goods, lots, drums, places and loans as the workshop sees and books them."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inventory.logbook.models import Defect
from inventory.measures.kinds import Agent, Task
from inventory.measures.stamps import Stamp
from inventory.register.custody import add_store, lend, make_loaner
from inventory.register.models import Unit
from inventory.register.places import Loan, Store
from inventory.register.services import take_down_unit
from inventory.stock.models import Item, Lot, StockMove, WasteDrum
from inventory.stock.services import UseLine, consume, receive
from schedules.visits.models import Visit
from tests.factories import NOW, TODAY, make_location, make_model, make_record, make_unit


@pytest.fixture
def shop(cast) -> Store:
    return add_store(Store.Kind.WORKSHOP, "Bench hall")


@pytest.fixture
def powder(shop) -> Item:
    return Item.objects.create(
        code="ABC", name="ABC powder", kind="agent", base_unit="g", agent=Agent.DRY_CHEMICAL_ABC,
        is_lot_tracked=True, reorder_level=5000,
    )  # fmt: skip


def fill(item: Item, shop: Store, number: int = 1, site=None, lot_no="L-7") -> Lot:
    given = {"by": None, "on": TODAY, "now": NOW}
    lot = receive(
        item, 90_000, store=shop, lot_no=lot_no, client_ref=uuid.uuid4(), **given,
        expires_on=TODAY + timedelta(300),
    )  # fmt: skip
    for _ in range(number):
        unit = make_unit(site, model=make_model(agent=Agent.DRY_CHEMICAL_ABC))
        make_record(unit, Task.MAINTENANCE, Stamp.of(2026, 11, 1))
        consume(
            [UseLine(item, 4536, lot)], store=shop, unit=unit, client_ref=uuid.uuid4(), **given
        )  # fmt: skip
    return lot


def pages(cast, powder, shop) -> dict[str, str]:
    lot = fill(powder, shop)
    return {
        "stock": reverse("bench:stock"),
        "item": reverse("bench:item", args=[powder.public_id]),
        "lots": reverse("bench:lots"),
        "lot": reverse("bench:lot", args=[lot.public_id]),
        "drums": reverse("bench:drums"),
        "places": reverse("bench:places"),
        "place": reverse("bench:place", args=[shop.public_id]),
        "loans": reverse("bench:loans"),
        "condition": reverse("desk:condition"),
        "condition-unit": reverse("desk:condition-unit", args=[cast.unit.public_id]),
        "demand": reverse("desk:demand"),
    }


def test_who_may_open_and_who_may_book(cast, powder, shop):
    addresses = pages(cast, powder, shop)
    for role in ("manager", "dispatcher", "workshop"):
        client = cast.client(role)
        for name, path in addresses.items():
            assert client.get(path).status_code == 200, (role, name)
    for role in ("technician", "owner"):
        client = cast.client(role)
        for name, path in addresses.items():
            assert client.get(path).status_code == 403, (role, name)
            assert client.post(path).status_code in (403, 405), (role, name)
    desk = cast.client("dispatcher")
    for name in ("stock", "item", "drums"):
        assert desk.post(addresses[name]).status_code == 403
    bench = cast.client("workshop")
    assert bench.post(addresses["lot"], {"do": "decide"}).status_code == 403
    assert bench.post(addresses["lot"], {"do": "recall"}).status_code == 403
    assert cast.client("workshop").get(reverse("bench:lot", args=[uuid.uuid4()])).status_code == 404


def test_a_delivery_a_transfer_and_a_count(cast, powder, shop):
    van = add_store(Store.Kind.VAN, "Van 3")
    client, path = cast.client("workshop"), reverse("bench:item", args=[powder.public_id])
    ref = str(uuid.uuid4())
    form = {
        "do": "receive", "receive-store": shop.pk, "receive-quantity": "25000", "receive-lot_no": "L-1",
        "receive-client_ref": ref, "receive-expires_on": "2028-01-01",
    }  # fmt: skip
    assert client.post(path, form).status_code == 302
    assert client.post(path, form).status_code == 302  # pressed twice
    assert StockMove.objects.count() == 1
    lot = Lot.objects.get()
    carry = {
        "do": "carry", "carry-from_store": shop.pk, "carry-to_store": van.pk, "carry-lot": lot.pk,
        "carry-quantity": "30000", "carry-client_ref": str(uuid.uuid4()),
    }  # fmt: skip
    answer = client.post(path, carry)
    assert answer.status_code == 400
    assert "25.0 kg left in Bench hall, 30.0 kg asked for" in answer.content.decode()
    assert client.post(path, carry | {"carry-quantity": "5000"}).status_code == 302
    count = {
        "do": "count", "count-store": van.pk, "count-lot": lot.pk, "count-quantity": "4900",
        "count-reason": "", "count-client_ref": str(uuid.uuid4()),
    }  # fmt: skip
    assert client.post(path, count).status_code == 400
    assert client.post(path, count | {"count-reason": "Bag torn"}).status_code == 302
    text = client.get(path).content.decode()
    assert "24.9 kg" in text
    assert "Bag torn" in text
    assert client.post(path, {"do": "nonsense"}).status_code == 400


def test_a_new_item_says_which_agent_it_is(cast, shop):
    client = cast.client("workshop")
    form = {
        "code": "CO2", "name": "Carbon dioxide", "kind": "agent", "base_unit": "g", "pack_size": "20000",
        "reorder_level": "0", "lead_days": "7",
    }  # fmt: skip
    answer = client.post(reverse("bench:stock"), form)
    assert "Choose which agent it is" in answer.content.decode()
    assert client.post(reverse("bench:stock"), form | {"agent": "carbon_dioxide"}).status_code == 302
    assert Item.objects.get().is_lot_tracked is True


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "None: it may be used."),
        ({"state": "held"}, "None yet: a manager decides"),
        ({"expires_on": TODAY - timedelta(days=1)}, "None. It is past its best-before day"),
    ],
)
def test_a_lot_without_a_decision_says_what_its_state_allows(cast, powder, shop, fields, said):
    lot = fill(powder, shop, 0)
    Lot.objects.filter(pk=lot.pk).update(**fields)
    path = reverse("bench:lot", args=[lot.public_id])
    page = cast.client("workshop").get(path).content.decode()
    assert said in page
    assert ("it may be used" in page) == (not fields)
    assert ("until a manager decides." in page) == ("state" in fields)
    assert 'href="#decisions"' not in page
    assert ('href="#decisions"' in cast.client("manager").get(path).content.decode()) == ("state" in fields)


def test_a_failed_sample_a_decision_and_a_recall_turned_into_visits(cast, powder, shop):
    lot = fill(powder, shop, 2, cast.site)
    path = reverse("bench:lot", args=[lot.public_id])
    bench, boss = cast.client("workshop"), cast.client("manager")
    sample = {"do": "sample", "test": "Flow", "figures": "4 of 10 blocked", "limit": "maker", "passed": "no"}
    assert bench.post(path, sample).status_code == 302
    lot.refresh_from_db()
    assert lot.state == Lot.State.HELD
    assert "Nothing of it can be filled" in bench.get(path).content.decode()
    decide = {"do": "decide", "decision": "recall", "reason": "Maker's letter 12", "version": "1"}
    stale = boss.post(path, decide)
    assert stale.status_code == 400
    assert "changed a moment ago" in stale.content.decode()
    assert boss.post(path, decide | {"version": "2"}).status_code == 302
    assert boss.post(path, {"do": "recall"}).status_code == 302
    assert Defect.objects.filter(severity="critical", remarks__contains="Maker's letter 12").count() == 2
    visit = Visit.objects.get(state=Visit.State.PROPOSED)
    assert visit.site == cast.site
    assert visit.planned_on == TODAY + timedelta(1)
    assert visit.jobs.count() == 2
    assert boss.post(path, {"do": "recall"}).status_code == 302  # again: nothing doubles
    assert (Defect.objects.count(), Visit.objects.filter(state="proposed").count()) == (2, 1)
    file = b"".join(boss.get(path, {"format": "csv"}).streaming_content).decode()
    assert file.count("Mill Lane works") == 2


def test_drums_are_opened_and_sent_away_with_a_note(cast, shop):
    client, path = cast.client("workshop"), reverse("bench:drums")
    form = {"agent": "foam", "store": shop.pk, "capacity_kg": "60"}
    assert client.post(path, form).status_code == 302
    drum = WasteDrum.objects.get()
    away = {"do": "away", "drum": str(drum.public_id), "version": "1", "transfer_note": ""}
    client.post(path, away)
    drum.refresh_from_db()
    assert drum.gone_on is None
    client.post(path, away | {"transfer_note": "W-1"})
    drum.refresh_from_db()
    assert drum.gone_on == TODAY
    assert "W-1" in client.get(path).content.decode()


def pool_unit(shop: Store) -> Unit:
    unit = make_unit()
    take_down_unit(unit, on=TODAY, to_state=Unit.State.IN_STOCK, to_store=shop)
    return make_loaner(unit)


def test_units_are_brought_in_by_number_and_lent(cast, shop):
    client = cast.client("workshop")
    place = reverse("bench:place", args=[shop.public_id])
    answer = client.post(place, {"do": "bring", "numbers": f"{cast.unit.number}, U-NONE"})
    assert answer.status_code == 400
    assert "No unit carries U-NONE" in answer.content.decode()
    loaner = pool_unit(shop)
    loans = reverse("bench:loans")
    form = {
        "do": "lend", "lend-loaner": loaner.number, "lend-unit": cast.unit.number, "lend-taken_to": shop.pk,
        "lend-client_ref": str(uuid.uuid4()),
    }  # fmt: skip
    assert client.post(loans, form).status_code == 302
    assert client.post(loans, form).status_code == 400  # the unit hangs nowhere any more
    assert Loan.objects.open().count() == 1
    text = client.get(loans).content.decode()
    assert loaner.number in text
    assert (
        client.post(
            loans, {"do": "back", "back-unit": cast.unit.number, "back-loaner_to": shop.pk}
        ).status_code
        == 302
    )
    loaner.refresh_from_db()
    assert loaner.state == Unit.State.LOANER_FREE
    assert not loaner.obligations.exists()
    client.post(place, {"do": "no_loaner", "unit": str(loaner.public_id)})
    loaner.refresh_from_db()
    assert loaner.is_loaner is False
    assert client.post(place, {"do": "bring", "numbers": cast.unit.number}).status_code == 302
    assert cast.unit.number in client.get(place).content.decode()
    client.post(place, {"do": "close", "version": "1"})
    shop.refresh_from_db()
    assert shop.is_closed is False  # it holds units
    assert client.post(place, {"do": "loaner", "unit": "x"}).status_code == 302


def test_what_does_not_add_up_is_said(cast, shop):
    path = reverse("bench:places")
    assert "agree" in cast.client("manager").get(path).content.decode()
    Unit.objects.filter(pk=cast.unit.pk).update(location=make_location(cast.site))
    assert "its open placement is not where" in cast.client("manager").get(path).content.decode()


def test_a_loan_out_too_long_is_marked(cast, shop):
    loaner = pool_unit(shop)
    lend(loaner, make_location(cast.site), in_place_of=None, on=TODAY - timedelta(90), by=None)
    assert "Too long" in cast.client("workshop").get(reverse("bench:loans")).content.decode()


@pytest.mark.parametrize(("role", "is_linked"), [("manager", True), ("workshop", False)])
def test_a_bare_place_links_its_site_for_who_may_open_it(cast, role, is_linked):
    take_down_unit(cast.unit, on=TODAY, by=cast.people["manager"], to_state=Unit.State.IN_WORKSHOP)
    client, site = cast.client(role), reverse("desk:site", args=[cast.site.public_id])
    page = client.get(reverse("bench:loans")).content.decode()
    assert cast.site.name in page
    assert (f'href="{site}"' in page) == is_linked
    assert (client.get(site).status_code == 200) == is_linked


@pytest.mark.parametrize("name", ["lots", "lot", "stock", "item", "place", "loans"])
def test_lists_take_the_same_queries_for_one_and_many(cast, powder, shop, name):
    client = cast.client("workshop")
    lot = fill(powder, shop)
    lend(pool_unit(shop), make_location(cast.site), in_place_of=None, on=TODAY, by=None)
    addresses = {
        "stock": reverse("bench:stock"),
        "item": reverse("bench:item", args=[powder.public_id]),
        "lots": reverse("bench:lots"),
        "lot": reverse("bench:lot", args=[lot.public_id]),
        "place": reverse("bench:place", args=[shop.public_id]),
        "loans": reverse("bench:loans"),
    }

    def queries() -> int:
        client.get(addresses[name])
        with CaptureQueriesContext(connection) as caught:
            assert client.get(addresses[name]).status_code == 200
        return len(caught)

    pool_unit(shop)
    before = queries()
    fill(powder, shop, 2, lot_no="L-8")
    for unit in Unit.objects.filter(stock_moves__lot__lot_no="L-8"):
        consume(
            [UseLine(powder, 10, lot)],
            store=shop,
            unit=unit,
            by=None,
            on=TODAY,
            now=NOW,
            client_ref=uuid.uuid4(),
        )
    Item.objects.create(code="R", name="Ring", kind="part", base_unit="pcs")
    pool_unit(shop)
    lend(pool_unit(shop), make_location(cast.site), in_place_of=None, on=TODAY, by=None)
    assert queries() == before
