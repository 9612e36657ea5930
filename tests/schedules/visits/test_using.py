"""Seals and labels leave the van with the visit that used them, once."""

from __future__ import annotations

import uuid

import pytest

from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.custody import add_store
from inventory.register.places import Store
from inventory.stock.models import Item, StockMove
from inventory.stock.queries import balances, stock_disagreements
from inventory.stock.services import receive
from schedules.visits.models import Visit
from schedules.visits.using import book_used
from tests.factories import NOW, TODAY, make_record, make_site, make_unit, make_user, make_visit

pytestmark = pytest.mark.django_db


def test_each_serviced_unit_takes_a_seal_and_a_label_out_of_the_van_once():
    technician = make_user("technician")
    van = add_store(Store.Kind.VAN, "Van 1", keeper=technician)
    given = {"store": van, "by": None, "on": TODAY, "now": NOW}
    seal = Item.objects.create(code="S", name="Seals", kind="seal", base_unit="pcs")
    label = Item.objects.create(code="L", name="Labels", kind="label", base_unit="pcs")
    receive(seal, 2, client_ref=uuid.uuid4(), **given)
    receive(label, 9, client_ref=uuid.uuid4(), **given)
    site = make_site()
    units = [make_unit(site, refresh=False) for _ in range(3)]
    visit = make_visit(site, technician=technician)
    for unit in units:
        make_record(
            unit, Task.MAINTENANCE, Stamp.of(2026, 11, 25), visit_ref=visit.public_id, refresh=False
        )  # fmt: skip
    assert book_used(now=NOW) == 0  # still open
    Visit.objects.filter(pk=visit.pk).update(
        state=Visit.State.CLOSED, closed_at=NOW, closed_by=technician, done_on=TODAY
    )
    assert book_used(now=NOW) == 3
    assert {row.item.code: row.quantity for row in balances(store=van)} == {
        "L": 6
    }  # the van ran out of seals
    assert StockMove.objects.filter(ref=visit.public_id).count() == 5
    assert book_used(now=NOW) == 0
    assert stock_disagreements() == []
