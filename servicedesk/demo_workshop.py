"""The workshop of the demo: instruments, and job cards in different states, stated step by step."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError

from inventory.errors import Conflict
from inventory.measures.kinds import AGENT_LABELS, Agent
from inventory.register.custody import add_store
from inventory.register.models import Unit
from inventory.register.places import Store
from inventory.stock import services as stock
from inventory.stock.models import Item
from inventory.workshop.booking import drums_for, lots_for
from inventory.workshop.models import Instrument, JobCard
from inventory.workshop.queries import bench_for, board_of, entries_of, plate, today_of
from inventory.workshop.services import workshop_store
from inventory.workshop.upkeep import add_instrument
from schedules.visits import workshop
from servicedesk.accounts.models import User

INSTRUMENTS = (
    ("SC-01", Instrument.Kind.SCALE, "Bench scale 60 kg", 200),
    ("PG-01", Instrument.Kind.PRESSURE_GAUGE, "Regulator gauge, nitrogen", 150),
    ("TG-01", Instrument.Kind.TEST_GAUGE, "Test pump gauge 0 to 100 bar", 90),
    ("ER-01", Instrument.Kind.EXPANSION_RIG, "Water jacket with calibrated cylinder", 20),
    ("LD-01", Instrument.Kind.LEAK_DETECTOR, "Tracer-gas detector", -12),
)
# How far each card has come: the last step stated, and what is stated otherwise than well.
STORIES: tuple[tuple[str, Mapping[str, Mapping[str, Any]]], ...] = (
    ("return", {}),
    ("finish", {}),
    ("leak_test", {"leak_test": {"seen": "leak"}}),
    ("inside", {}),
    ("mark", {"inside": {"finding": "pits", "seen": "Pits below the water line"}}),
    ("release", {}),
    ("triage", {}),
    ("", {}),
)


def make_cards(people: Mapping[str, User], now: datetime) -> int:
    """Open and work the demo's job cards; none when there are some already. Return how many."""
    if JobCard.objects.exists():
        return 0
    today = now.date()
    for code, kind, words, days in INSTRUMENTS:
        if not Instrument.objects.filter(code=code).exists():
            add_instrument(
                code=code, kind=kind, description=words, serial="", due_on=today + timedelta(days=days)
            )
    if workshop_store() is None:
        add_store(Store.Kind.WORKSHOP, "Workshop, Port Calder")
    away = Unit.objects.filter(
        state__in=(Unit.State.IN_WORKSHOP, Unit.State.AWAITING_RECHARGE), model__is_refillable=True
    )
    units = list(away.select_related("model", "site").order_by("pk")[: len(STORIES)])
    for unit, (until, instead) in zip(units, STORIES, strict=False):
        _tell(unit, until, instead, people, now)
    return len(units)


def _tell(
    unit: Unit,
    until: str,
    instead: Mapping[str, Mapping[str, Any]],
    people: Mapping[str, User],
    now: datetime,
) -> None:
    hand, second = people["workshop"], people["manager"]
    owed = workshop.charging_of(unit, now).owed
    reason = JobCard.Reason.USED if unit.state == Unit.State.AWAITING_RECHARGE else JobCard.Reason.DUE_WORK
    card = workshop.receive(
        unit, reason=reason, works=owed or ("recharge",), by=hand, now=now, accessories="bracket"
    )
    for _ in range(20 if until else 0):
        line = board_of(card, workshop.charging_of(unit, now)).next_line
        if line is None:
            return
        code = line.step.code
        figures = {**_figures(card, code, now), **instead.get(code, {})}
        asked = {spec.code for spec in line.step.asked(plate(unit).kind)}
        by = second if code in ("release", "return", "second_look") else hand
        try:
            workshop.take_step(
                card,
                code,
                {name: value for name, value in figures.items() if name in asked},
                by=by,
                now=now,
                version=card.version,
                client_ref=uuid.uuid5(card.public_id, code),
                confirmed=True,
            )
        except (Conflict, ValidationError):
            return  # what the demo's unit forbids stays open on its card, as it would in real work
        card.refresh_from_db()
        unit.refresh_from_db()
        if code == until:
            return


def _figures(card: JobCard, code: str, now: datetime) -> dict[str, Any]:
    """What a workshop hand would read on this unit, made up from its nameplate."""
    known, today = plate(card.unit), today_of(card, now)
    charge = known.charge_mass_g or known.charge_volume_ml or 6000
    working = known.working_pressure_kpa or 1400
    bench = bench_for(card, entries_of(card), today=today)
    test = bench.test_pressure_kpa or 2 * working
    board = board_of(card, workshop.charging_of(card.unit, now))
    decision = "condemn" if board.must_condemn else "test" if board.must_test else "serve"
    is_co2 = known.kind.agent is Agent.CARBON_DIOXIDE
    by_volume = known.charge_mass_g is None and known.charge_volume_ml is not None
    filled = {"value": f"{charge / 1000:g}", "unit": "L" if by_volume else "kg"}
    gross = {"value": f"{(known.full_mass_g or charge * 1.8) / 1000:.2f}", "unit": "kg"}
    figures: dict[str, dict[str, Any]] = {
        "triage": {
            "serial_read": card.unit.serial or "none readable",
            "serviceable": "yes",
            **({} if known.test_pressure_kpa else {"plate_test_pressure": _kpa(2 * working)}),
        },
        "cartridge_out": {"cartridge_off": True},
        "empty": {"lever_open": True, "first_turns": True},
        "agent_out": {
            "mass_out": {"value": f"{charge * 0.97 / 1000:.2f}", "unit": "kg"},
            "went_to": "vented" if is_co2 else "waste",
            "drum": "" if is_co2 else _drum(card, now),
            "scale": "SC-01",
        },
        "strip": {
            "parts": ["body", "plunger", "spring", "dip_tube", "holder", "o_rings", "gauge"],
            "o_rings_renewed": "3",
        },
        "inside": {"finding": "clean"},
        "decide": {"decision": decision},
        "proof_test": {
            "done_on": today.isoformat(),
            "bled": True,
            "caged": True,
            "decided_pressure": _kpa(2 * working) if test > 2.01 * working else "",
            "decided_by": "the maker's service desk" if test > 2.01 * working else "",
            "test_pressure": _kpa(min(test, 2 * working)),
            "hold_s": {"value": "120", "unit": "s"},
            "end_pressure": _kpa(min(test, 2 * working)),
            "gauge": "TG-01",
            "leak": "no",
            "bulge": "no",
            "dried": True,
            "label_number": "PT-0412",
        },
        "volumetric_test": {
            "done_on": today.isoformat(),
            "check_pressure": _kpa(test),
            "check_expected": {"value": "50.0", "unit": "mL"},
            "check_read": {"value": "50.1", "unit": "mL"},
            "check_permanent": {"value": "0", "unit": "mL"},
            "caged": True,
            "equipment": "ok",
            "test_pressure": _kpa(test),
            "hold_s": {"value": "40", "unit": "s"},
            "total_expansion": {"value": "56.3", "unit": "mL"},
            "permanent_expansion": {"value": "0.3", "unit": "mL"},
            "indicator_step": {"value": "0.1", "unit": "mL"},
            "rig": "ER-01",
            "gauge": "TG-01",
            "mark": f"{today:%m} A12 {today:%y}",
            "dried": True,
        },
        "hose_test": {
            "done_on": today.isoformat(),
            "test_pressure": {"value": "1250" if is_co2 else "300", "unit": "psi"},
            "leak": "no",
            "gauge": "TG-01",
        },
        "fill": {"same_agent": True, "lot": _lot(card, now), "mass_in": filled, "scale": "SC-01"},
        "close": {"neck_seal": True, "collar": "K-20471", "torqued": True},
        "pressurise": {
            "dry_nitrogen": True,
            "regulator_set": _kpa(working + 100),
            "pressure": _kpa(working),
            "temperature": {"value": "20", "unit": "°C"},
            "gas": next((value for value, _ in lots_for(card, Item.Kind.GAS, workshop_store(), today)), ""),
            "disconnected": True,
            "gauge": "PG-01",
        },
        "cartridge_in": {
            "cartridge_mass": {"value": "0.612", "unit": "kg"},
            "cartridge_full": {"value": "0.612", "unit": "kg"},
            "gas_mass": {"value": "0.080", "unit": "kg"},
            "scale": "SC-01",
        },
        "leak_test": {"method": "immersion", "seen": "none", "mass_before": gross, "mass_after": gross},
        "finish": {
            "gross_mass": gross,
            "scale": "SC-01",
            "hose": True,
            "pin": True,
            "label": f"Tag {today:%m/%Y}, collar K-20471",
        },
        "release": {"figures": True, "serial_again": card.unit.serial or "none readable", "labels": True},
        "return": {"to": "home" if card.home_id else "stock"},
        "condemn": {
            "criterion": "pitting",
            "words": "Pits below the water line, deeper than the wall allows",
        },
        "second_look": {"serial_again": card.unit.serial or "none readable", "opinion": "agree"},
        "mark": {"marked": True, "valve_out": True},
    }
    return figures.get(code, {})


def _kpa(value: float) -> dict[str, str]:
    return {"value": f"{value:.0f}", "unit": "kPa"}


def _lot(card: JobCard, now: datetime) -> str:
    """A lot of the unit's agent in the workshop; a delivery is taken in where there is none."""
    store, today = workshop_store(), today_of(card, now)
    found = lots_for(card, Item.Kind.AGENT, store, today)
    if found or store is None:
        return found[0][0] if found else ""
    agent = Agent(card.unit.model.agent)
    by_volume = card.unit.model.charge_mass_g is None
    item = Item.objects.filter(kind=Item.Kind.AGENT, agent=agent.value).order_by("pk").first()
    if item is None:
        item = Item.objects.create(
            code=agent.value.upper().replace("_", "-")[:40],
            name=AGENT_LABELS[agent],
            kind=Item.Kind.AGENT,
            base_unit=Item.BaseUnit.MILLILITRE if by_volume else Item.BaseUnit.GRAM,
            agent=agent.value,
            is_lot_tracked=True,
        )
    stock.receive(
        item,
        200_000,
        store=store,
        by=None,
        on=today,
        now=now,
        client_ref=uuid.uuid4(),
        lot_no=f"{today:%y%m}-07",
    )
    return lots_for(card, Item.Kind.AGENT, store, today)[0][0]


def _drum(card: JobCard, now: datetime) -> str:
    """An open drum for the unit's agent; one is opened where there is none."""
    found, store = drums_for(card), workshop_store()
    if found or store is None:
        return found[0][0] if found else ""
    drum = stock.open_drum(
        agent=card.unit.model.agent, store=store, capacity_g=200_000, on=today_of(card, now)
    )
    return drum.number
