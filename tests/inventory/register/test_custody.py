"""Who has which unit: every move has two ends, loans and exchanges are one transaction."""

from __future__ import annotations

import uuid
from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError

from inventory.access import EVERYTHING, Scope
from inventory.errors import Conflict
from inventory.measures.kinds import Agent
from inventory.register.custody import (
    add_store,
    carry,
    close_store,
    exchange,
    give_back,
    lend,
    make_loaner,
)
from inventory.register.custody_queries import (
    counts_by_store,
    disagreements,
    home_of,
    loaners_free,
    loans_for,
    moves_of,
    reckoning,
    too_long,
    uncovered,
)
from inventory.register.models import Location, Placement, Unit
from inventory.register.places import Loan, Move, Store
from inventory.register.services import hang_unit, take_down_unit
from tests.factories import TODAY, make_location, make_model, make_site, make_unit, make_user

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Store:
    return add_store(Store.Kind.WORKSHOP, "Bench hall")


@pytest.fixture
def van() -> Store:
    return add_store(Store.Kind.VAN, "Van 1")


def make_pool_unit(store: Store, **fields: object) -> Unit:
    unit = make_unit(**fields)
    take_down_unit(unit, on=TODAY, to_state=Unit.State.IN_STOCK, to_store=store)
    return make_loaner(unit)


def hanging() -> tuple[Unit, Location]:
    unit = make_unit()
    assert unit.location is not None
    return unit, unit.location


def test_a_loan_takes_the_unit_down_and_hangs_the_loaner_in_one_transaction(shop, van):
    unit, home = hanging()
    loaner = make_pool_unit(van)
    loan = lend(loaner, home, in_place_of=unit, on=TODAY, by=None, expected_back_on=TODAY, taken_to=shop)
    unit.refresh_from_db()
    loaner.refresh_from_db()
    assert (unit.state, unit.store, unit.location, unit.site) == ("in_workshop", shop, None, home.site)
    assert (loaner.state, loaner.location, loaner.store, loaner.site) == ("loaner_out", home, None, home.site)
    assert loan.in_place_of == unit
    [first, second] = Move.objects.order_by("-pk")[:2]
    assert first.transaction == second.transaction
    assert (second.from_location, second.to_store) == (home, shop)
    assert (first.from_store, first.to_location) == (van, home)
    assert home_of([unit.pk]) == {unit.pk: home}
    assert disagreements() == []


def test_the_unit_comes_back_to_its_place_and_the_loaner_is_free(shop, van):
    unit, home = hanging()
    loaner = make_pool_unit(van)
    lend(loaner, home, in_place_of=unit, on=TODAY, by=None, taken_to=shop)
    placement = give_back(unit, on=TODAY + timedelta(5), by=None, loaner_to=van)
    loaner.refresh_from_db()
    unit.refresh_from_db()
    assert placement.location == home
    assert (unit.state, unit.location) == ("in_service", home)
    assert (loaner.state, loaner.store, loaner.site) == ("loaner_free", van, None)
    loan = Loan.objects.get()
    assert loan.ended_on == TODAY + timedelta(5)
    assert disagreements() == []
    with pytest.raises(Conflict, match="hangs at"):
        give_back(unit, on=TODAY, by=None)


def test_a_loan_sent_twice_is_made_once(van):
    unit, home = hanging()
    loaner = make_pool_unit(van)
    ref = uuid.uuid4()
    first = lend(loaner, home, in_place_of=unit, on=TODAY, by=None, client_ref=ref)
    assert lend(loaner, home, in_place_of=unit, on=TODAY, by=None, client_ref=ref) == first
    assert Loan.objects.count() == 1
    with pytest.raises(Conflict, match="another loan"):
        lend(make_pool_unit(van), home, in_place_of=None, on=TODAY, by=None, client_ref=ref)


def test_a_loaner_that_is_out_or_unlike_is_refused(van):
    unit, home = hanging()
    loaner = make_pool_unit(van)
    co2 = make_pool_unit(van, model=make_model(agent=Agent.CARBON_DIOXIDE, charge_mass_g=5000))
    with pytest.raises(Conflict) as caught:
        lend(co2, home, in_place_of=unit, on=TODAY, by=None)
    assert caught.value.code == "loaner_unlike"
    unit.refresh_from_db()
    assert unit.location == home  # nothing was changed
    lend(co2, home, in_place_of=unit, on=TODAY, by=None, despite="the only one on the van")
    lend(loaner, make_location(home.site), in_place_of=None, on=TODAY, by=None)
    with pytest.raises(Conflict) as caught:
        lend(loaner, home, in_place_of=None, on=TODAY, by=None)
    assert caught.value.code == "loaner_not_free"


def test_a_smaller_charge_is_unlike(van):
    unit = make_unit(model=make_model(charge_mass_g=6000))
    small = make_pool_unit(van, model=make_model(charge_mass_g=2000))
    with pytest.raises(Conflict, match="like loaner"):
        lend(small, unit.location, in_place_of=unit, on=TODAY, by=None)


def test_an_owner_s_unit_is_never_a_loaner(van):
    unit, _ = hanging()
    with pytest.raises(ValidationError, match="premises"):
        make_loaner(unit)
    carry([unit], van, on=TODAY, by=None)
    with pytest.raises(ValidationError, match="premises"):
        make_loaner(unit)


def test_an_exchange_changes_the_ownership_of_two_units(van):
    old, home = hanging()
    new = make_pool_unit(van)
    exchange(old, new, home, on=TODAY, by=None, old_to=van)
    old.refresh_from_db()
    new.refresh_from_db()
    assert (old.state, old.site, old.store) == ("in_stock", None, van)
    assert (new.state, new.is_loaner, new.site, new.location) == ("in_service", False, home.site, home)
    assert Loan.objects.count() == 0
    with pytest.raises(Conflict, match="in stock"):
        exchange(new, new, home, on=TODAY, by=None)


def test_transport_follows_the_places(shop, van):
    house = add_store(Store.Kind.TEST_HOUSE, "Cylinder hall")
    by = make_user("workshop")
    unit, home = hanging()
    for store, state in (
        (van, "awaiting_recharge"),
        (shop, "in_workshop"),
        (house, "at_test_house"),
        (shop, "in_workshop"),
    ):
        [move] = carry([unit], store, on=TODAY, by=by)
        unit.refresh_from_db()
        assert (unit.state, unit.store, move.moved_by) == (state, store, by)
    assert carry([unit], shop, on=TODAY, by=by) == []
    carry([unit], van, on=TODAY, by=by, to_state=Unit.State.READY_TO_RETURN)
    unit.refresh_from_db()
    assert (unit.state, unit.site) == ("ready_to_return", home.site)
    assert [move.destination for move in moves_of(unit, EVERYTHING)][-1] == "Van 1"
    assert disagreements() == []


def test_a_store_that_holds_something_is_not_closed(van, shop):
    unit, _ = hanging()
    carry([unit], van, on=TODAY, by=None)
    with pytest.raises(Conflict, match="still holds"):
        close_store(van, version=van.version)
    carry([unit], shop, on=TODAY, by=None)
    closed = close_store(van, version=van.version)
    with pytest.raises(Conflict, match="closed"):
        carry([unit], closed, on=TODAY, by=None)
    with pytest.raises(Conflict, match="changed a moment ago"):
        close_store(van, version=1, is_closed=False)


def test_a_unit_that_is_gone_is_not_carried(van):
    unit, _ = hanging()
    take_down_unit(unit, on=TODAY, to_state=Unit.State.DISPOSED)
    with pytest.raises(ValidationError, match="disposed"):
        carry([unit], van, on=TODAY, by=None)


def test_missing_cover_is_listed_until_something_hangs(van, shop):
    unit, home = hanging()
    assert list(uncovered(EVERYTHING)) == []
    carry([unit], shop, on=TODAY, by=None)
    [bare] = uncovered(EVERYTHING)
    assert (bare.pk, bare.last_unit, bare.bare_since) == (home.pk, unit.number, TODAY)
    assert list(uncovered(Scope(owner_ids=frozenset({home.site.owner_id})))) == [home]
    assert list(uncovered(Scope(owner_ids=frozenset({0})))) == []
    loaner = make_pool_unit(van)
    # The pool unit's own former place is bare too: it was taken from a wall.
    before = uncovered(EVERYTHING).count()
    lend(loaner, home, in_place_of=unit, on=TODAY, by=None)
    assert uncovered(EVERYTHING).count() == before - 1


def test_a_used_unit_on_the_wall_is_no_cover():
    unit, home = hanging()
    Unit.objects.filter(pk=unit.pk).update(state=Unit.State.AWAITING_RECHARGE)
    assert [place.pk for place in uncovered(EVERYTHING)] == [home.pk]


def test_loans_out_too_long(van):
    today = date(2026, 11, 25)
    for days, agreed in ((10, None), (61, None), (5, today - timedelta(1)), (5, today)):
        loaner = make_pool_unit(van)
        lend(
            loaner,
            make_location(make_site()),
            in_place_of=None,
            on=today - timedelta(days),
            by=None,
            expected_back_on=agreed,
        )
    assert loans_for(EVERYTHING).count() == 4
    late = loans_for(EVERYTHING).filter(too_long(today))
    assert sorted((today - loan.out_on).days for loan in late) == [5, 61]


def test_the_parts_add_up(van, shop):
    hanging()
    hanging()
    away, _ = hanging()
    carry([away], shop, on=TODAY, by=None)
    make_pool_unit(van)
    gone, _ = hanging()
    take_down_unit(gone, on=TODAY, to_state=Unit.State.CONDEMNED)
    lost, _ = hanging()
    take_down_unit(lost, on=TODAY, to_state=Unit.State.IN_STOCK)
    found = reckoning()
    assert (found.registered, found.hanging, found.in_stores, found.gone, found.nowhere) == (6, 2, 2, 1, 1)
    assert found.is_whole
    assert {place.name: place.total for place in counts_by_store()} == {"Van 1": 1, "Bench hall": 1}
    assert [unit.state for unit in loaners_free()] == ["loaner_free"]


def test_a_unit_moved_behind_our_back_is_told(van):
    unit, home = hanging()
    stale = Unit.objects.get(pk=unit.pk)
    carry([unit], van, on=TODAY, by=None)
    hang_unit(stale, home, on=TODAY, by=None)  # reads afresh: no conflict, and the move says from the van
    assert Move.objects.latest("pk").from_store == van
    Unit.objects.filter(pk=unit.pk).update(location=make_location(home.site))
    assert len(disagreements()) == 2
    Placement.objects.filter(unit=unit, is_open=True).update(is_open=False, until_on=TODAY)
    assert "open placement" in disagreements()[0]
