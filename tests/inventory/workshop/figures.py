"""What a workshop hand would fill in for a sound unit, step by step."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

from inventory.measures.kinds import Agent, Construction, Shell
from inventory.register.custody import add_store
from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.register.services import take_down_unit
from inventory.stock import services as stock
from inventory.stock.models import Item
from inventory.workshop.models import Instrument, JobCard
from inventory.workshop.queries import board_of
from schedules.visits import workshop
from servicedesk.accounts.models import User
from tests.factories import NOW, TODAY, make_model, make_unit, make_user


def kg(value: str) -> dict[str, str]:
    return {"value": value, "unit": "kg"}


def bar(value: str) -> dict[str, str]:
    return {"value": value, "unit": "bar"}


PARTS = ["body", "plunger", "spring", "dip_tube", "holder", "o_rings", "gauge"]

# A 10 lb (4.536 kg) stored-pressure ABC unit of 1344 kPa.
POWDER: dict[str, dict[str, Any]] = {
    "triage": {"serial_read": "SN", "serviceable": "yes", "plate_test_pressure": bar("26.8")},
    "empty": {"lever_open": True, "first_turns": True},
    "agent_out": {"mass_out": kg("4.4"), "went_to": "waste", "drum": "WD-7", "scale": "SC-1"},
    "strip": {"parts": PARTS, "o_rings_renewed": "3"},
    "inside": {"finding": "clean"},
    "decide": {"decision": "serve"},
    "proof_test": {
        "done_on": TODAY.isoformat(),
        "bled": True,
        "caged": True,
        "test_pressure": bar("26.8"),
        "hold_s": {"value": "120", "unit": "s"},
        "end_pressure": bar("26.8"),
        "gauge": "TG-1",
        "leak": "no",
        "bulge": "no",
        "dried": True,
    },
    "fill": {"same_agent": True, "lot": "ABC / L-1", "mass_in": kg("4.53"), "scale": "SC-1"},
    "close": {"neck_seal": True, "collar": "K-11", "torqued": True},
    "pressurise": {
        "dry_nitrogen": True,
        "regulator_set": bar("14"),
        "pressure": bar("13.5"),
        "temperature": {"value": "20", "unit": "°C"},
        "gas": "N2 / C-1",
        "disconnected": True,
        "gauge": "PG-1",
    },
    "leak_test": {"method": "immersion", "seen": "none"},
    "finish": {
        "gross_mass": kg("7.9"),
        "scale": "SC-1",
        "hose": True,
        "pin": True,
        "label": "Tag 11/2026, collar K-11",
    },
    "release": {"figures": True, "serial_again": "SN", "labels": True},
    "return": {"to": "home"},
    "condemn": {"criterion": "pitting", "words": "Pits under the foot ring"},
    "second_look": {"serial_again": "SN", "opinion": "agree"},
    "mark": {"marked": True, "valve_out": True},
    "consent": {"told_on": TODAY.isoformat(), "answer": "scrap", "who": "R. Example"},
    "dispose": {"route": "scrap_steel", "note": "TN-5, Port Calder metals"},
}

VENTED = {"mass_out": kg("4.9"), "went_to": "vented"}
# A 5 kg carbon dioxide cylinder, tested in a water jacket.
JACKET: dict[str, Any] = {
    "done_on": TODAY.isoformat(),
    "check_pressure": bar("207"),
    "check_expected": {"value": "50.0", "unit": "mL"},
    "check_read": {"value": "50.2", "unit": "mL"},
    "check_permanent": {"value": "0", "unit": "mL"},
    "caged": True,
    "equipment": "ok",
    "test_pressure": {"value": "3000", "unit": "psi"},
    "hold_s": {"value": "30", "unit": "s"},
    "total_expansion": {"value": "56.3", "unit": "mL"},
    "permanent_expansion": {"value": "0.3", "unit": "mL"},
    "indicator_step": {"value": "0.1", "unit": "mL"},
    "rig": "ER-1",
    "gauge": "TG-1",
    "mark": "11 A12 26",
    "dried": True,
}


def make_instruments(**due: Any) -> None:
    """One instrument of each kind, in calibration for half a year unless told otherwise."""
    for code, kind in (
        ("SC-1", Instrument.Kind.SCALE),
        ("PG-1", Instrument.Kind.PRESSURE_GAUGE),
        ("TG-1", Instrument.Kind.TEST_GAUGE),
        ("ER-1", Instrument.Kind.EXPANSION_RIG),
        ("LD-1", Instrument.Kind.LEAK_DETECTOR),
    ):
        on = due.get(code.replace("-", "_"), TODAY + timedelta(days=182))
        Instrument.objects.create(code=code, kind=kind, due_on=on)
    make_goods()


def make_goods() -> None:
    """A workshop with a lot of powder, a cylinder of nitrogen, collars, and a drum for waste."""
    store = Store.objects.filter(kind="workshop").first() or add_store("workshop", "Workshop")
    for code, name, kind, unit, amount, lot in (
        ("ABC", "ABC powder", "agent", "g", 50_000, "L-1"),
        ("CO2", "Carbon dioxide", "agent", "g", 50_000, "L-2"),
        ("N2", "Nitrogen", "gas", "L", 9_000, "C-1"),
        ("COL", "Collar", "collar", "pcs", 5, ""),
    ):
        agent = {"ABC": Agent.DRY_CHEMICAL_ABC.value, "CO2": Agent.CARBON_DIOXIDE.value}.get(code, "")
        item = Item.objects.create(
            code=code, name=name, kind=kind, base_unit=unit, agent=agent, is_lot_tracked=bool(lot)
        )
        stock.receive(
            item, amount, store=store, by=None, on=TODAY, now=NOW, client_ref=uuid.uuid4(), lot_no=lot
        )
    drum = stock.open_drum(agent=Agent.DRY_CHEMICAL_ABC.value, store=store, capacity_g=200_000, on=TODAY)
    drum.number = "WD-7"
    drum.save()


def make_away(**fields: Any) -> Unit:
    """A powder unit that was taken away from its place two days ago."""
    fields.setdefault("serial", "SN")
    unit = make_unit(**fields)
    take_down_unit(unit, on=TODAY - timedelta(days=2), to_state=Unit.State.IN_WORKSHOP, keep_site=True)
    return unit


def make_co2_model(**fields: Any) -> Any:
    return make_model(
        agent=Agent.CARBON_DIOXIDE.value,
        construction=Construction.SELF_EXPELLING.value,
        shell=Shell.ALLOY_STEEL_SEAMLESS.value,
        cylinder_spec="3AA1800",
        charge_mass_g=5000,
        charge_text="5 kg",
        full_mass_g=14200,
        water_capacity_ml=7500,
        working_pressure_kpa=12411,
        **fields,
    )


def receive(unit: Unit, by: User, *works: str, reason: str = "used", **more: Any) -> JobCard:
    return workshop.receive(unit, reason=reason, works=works or ("recharge",), by=by, now=NOW, **more)


def step(card: JobCard, code: str, by: User, raw: dict[str, Any] | None = None, **more: Any) -> Any:
    """State one step on the card as it is now."""
    card.refresh_from_db()
    given = POWDER[code] if raw is None else raw
    return workshop.take_step(card, code, given, by=by, now=NOW, version=card.version, **more)


def board(card: JobCard) -> Any:
    card.refresh_from_db()
    return board_of(card, workshop.charging_of(card.unit, NOW))


def work_until(card: JobCard, last: str, by: User, **instead: dict[str, Any]) -> None:
    """State every step that the card asks for up to and including ``last``."""
    for _ in range(25):
        line = board(card).next_line
        assert line is not None, f"no step left before {last}"
        # Nobody is the second opinion on a reason that they named.
        doer = make_user("workshop") if line.step.code == "second_look" else by
        step(card, line.step.code, doer, instead.get(line.step.code))
        if line.step.code == last:
            return
    raise AssertionError(f"{last} was not reached")
