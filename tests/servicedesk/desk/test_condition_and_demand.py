"""What the desk sees of charges that will not last, and of what the coming months need."""

from __future__ import annotations

import uuid

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inventory.condition.models import LeakEstimate, LeakPeers
from inventory.condition.services import refresh_condition
from inventory.logbook.services import NewReading, NewRecord, add_records
from inventory.measures.kinds import Agent, Construction, Task
from inventory.measures.stamps import Stamp
from inventory.register.custody import add_store
from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.stock.models import Item, Lot
from inventory.stock.services import UseLine, consume, receive
from schedules.due.services import refresh_units
from servicedesk.templatetags.amounts import amount_of
from tests.factories import NOW, TODAY, make_model, make_site, make_unit


def leaking(number: int, *, loss: float = 0.04, site=None, lot: Lot | None = None) -> list[Unit]:
    model = make_model(construction=Construction.STORED_PRESSURE, working_pressure_kpa=1500)
    units = [make_unit(site, model=model, refresh=False) for _ in range(number)]
    records = []
    for unit in units:
        for year in (2023, 2024, 2025, 2026):
            gauge = 1500 * (1 - loss * (year - 2023))
            readings = (NewReading("gauge_pressure", f"{gauge / 100:.2f}", "bar", gauge),)
            records.append(
                NewRecord(
                    unit.pk, Task.MAINTENANCE.value, "passed", Stamp.of(year, 3, 10), NOW,
                    site_id=unit.site_id, location_id=unit.location_id, readings=readings,
                )
            )  # fmt: skip
    add_records(records)
    refresh_units([unit.pk for unit in units], now=NOW)
    if lot is not None:
        shop = Store.objects.get(name="Bench hall")
        for unit in units:
            consume(
                [UseLine(lot.item, 100, lot)], store=shop, unit=unit, by=None, on=TODAY, now=NOW,
                client_ref=uuid.uuid4(),
            )  # fmt: skip
    return units


def make_lot() -> Lot:
    shop = add_store(Store.Kind.WORKSHOP, "Bench hall")
    item = Item.objects.create(
        code="ABC", name="ABC powder", kind="agent", base_unit="g", agent=Agent.DRY_CHEMICAL_ABC,
        is_lot_tracked=True, pack_size=25_000,
    )  # fmt: skip
    lot = receive(item, 90_000, store=shop, lot_no="L-7", by=None, on=TODAY, now=NOW, client_ref=uuid.uuid4())
    assert lot is not None
    return lot


def test_a_leaking_lot_is_seen_proposed_and_drawn(cast):
    lot = make_lot()
    leaky = leaking(6, site=cast.site, lot=lot)
    leaking(8, loss=0.002)
    refresh_condition(now=NOW)
    text = cast.get("dispatcher", "desk:condition").content.decode()
    assert leaky[0].number in text
    assert "Lot L-7" in text
    assert "more than its peers" in text
    file = b"".join(cast.get("dispatcher", "desk:condition", format="csv").streaming_content).decode()
    assert file.count("Mill Lane works") == 6
    for kind, public_id in (("lot", lot.public_id), ("model", leaky[0].model.public_id)):
        page = cast.get("workshop", "desk:condition-group", kind, public_id).content.decode()
        assert page.count("plot-point") >= 6
        assert leaky[0].number in page
    unit = cast.get("dispatcher", "desk:condition-unit", leaky[0].public_id).content.decode()
    assert "% a year" in unit
    assert "Read or recharge it before that." in unit
    assert unit.count("<circle") == 4
    assert "Charge over time" in cast.get("dispatcher", "desk:unit", leaky[0].public_id).content.decode()


def test_nothing_read_is_said(cast):
    assert "Nothing to bring in early" in cast.get("manager", "desk:condition").content.decode()
    page = cast.get("manager", "desk:condition-unit", cast.unit.public_id).content.decode()
    assert "Nothing was read on it" in page
    assert cast.get("manager", "desk:condition-unit", uuid.uuid4()).status_code == 404
    for kind in ("lot", "model"):
        assert cast.get("manager", "desk:condition-group", kind, uuid.uuid4()).status_code == 404


def test_one_reading_is_drawn_without_a_line(cast):
    [unit] = leaking(1)
    LeakEstimate.objects.all().delete()
    page = cast.get("manager", "desk:condition-unit", unit.public_id).content.decode()
    assert "plot-limit" in page
    assert "plot-fit" not in page


def test_the_list_takes_the_same_queries_for_one_and_many(cast):
    def queries(number: int) -> int:
        leaking(number)
        refresh_condition(now=NOW)
        client = cast.client("manager")
        path = reverse("desk:condition")
        client.get(path)
        with CaptureQueriesContext(connection) as caught:
            client.get(path)
        return len(caught)

    few = queries(4)
    assert queries(9) == few
    assert LeakPeers.objects.count() == 2


def test_what_is_short_stands_on_top_and_in_the_file(cast):
    lot = make_lot()
    Lot.objects.update(state=Lot.State.HELD)
    site = make_site()
    model = make_model(agent=Agent.DRY_CHEMICAL_ABC, charge_mass_g=6000)
    make_unit(site, model=model, made=Stamp.of(2010, 1))
    text = cast.get("dispatcher", "desk:demand", months="2").content.decode()
    assert "To order" in text
    assert "25.0 kg" in text
    assert "0.0 kg in stock that may be used" in text
    assert "Nov 26" in text
    file = b"".join(cast.get("dispatcher", "desk:demand", months="2", format="csv").streaming_content)
    assert "agent,Dry chemical ABC,g,2026-11" in file.decode()
    assert lot.item.name not in text  # goods are shown by what they are, whichever item fills them
    assert "Interval tables are defaults to confirm" in file.decode()


def test_a_wrong_number_of_months_falls_back(cast):
    assert cast.get("dispatcher", "desk:demand", months="99").status_code == 200


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (18_360, "g", "18.4 kg"),
        (900, "mL", "0.9 L"),
        (2.2, "pcs", "3"),
        (30, "L", "30 L"),
        (1.0, "units", "1 units"),
    ],
)
def test_amounts_are_read_as_a_storekeeper_reads_them(value, unit, text):
    assert amount_of(value, unit) == text
