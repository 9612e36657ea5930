"""The demo's stores, goods, lots and loaners, and some years of readings that a forecast can rest on.

Everything goes through the services that the pages use; what is there already is left alone. Makers,
lots and figures are invented; one lot leaks on purpose.
"""

from __future__ import annotations

import random
import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import NamedTuple

from inventory.condition.services import refresh_condition
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewReading, NewRecord, add_records
from inventory.measures.charge import gauge_at
from inventory.measures.kinds import Agent, Construction, Task
from inventory.measures.stamps import Stamp
from inventory.measures.units import Measure, UnitOfMeasure
from inventory.register import custody
from inventory.register.custody_queries import loaners_free
from inventory.register.models import Unit, UnitModel
from inventory.register.places import Loan, Store
from inventory.stock.models import Item, Lot, PartFit
from inventory.stock.services import (
    CylinderFacts,
    UseLine,
    consume,
    open_drum,
    receive,
    record_sample,
    transfer,
)
from servicedesk.accounts.models import User

_SPACE = uuid.UUID("6d1f0a52-0f0e-4d3f-9a5e-9a1c53f3d0b4")
WORKSHOP, ROOM = "Marlow Bend workshop", "Marlow Bend store room"
LEAKY_LOT, GOOD_LOT, HELD_LOT = "TR-2309-B", "TR-2311-A", "TR-2607-C"
FOLLOWED = 420
IN_LEAKY_LOT, IN_GOOD_LOT = 24, 60
LOANERS = 8


class Good(NamedTuple):
    """A line of the demo's catalogue."""

    code: str
    name: str
    kind: Item.Kind
    base_unit: Item.BaseUnit
    agent: str
    pack: int
    keep: int
    lead: int


K, U = Item.Kind, Item.BaseUnit
GOODS = (
    Good("PW-ABC", "ABC powder, 40 % phosphate", K.AGENT, U.GRAM, Agent.DRY_CHEMICAL_ABC, 25_000, 50_000, 10),
    Good("PW-BC", "BC powder, bicarbonate", K.AGENT, U.GRAM, Agent.DRY_CHEMICAL_BC, 25_000, 10_000, 10),
    Good("CO2", "Carbon dioxide, dry", K.AGENT, U.GRAM, Agent.CARBON_DIOXIDE, 30_000, 20_000, 5),
    Good("FOAM-3", "Foam concentrate, premixed", K.AGENT, U.MILLILITRE, Agent.FOAM, 20_000, 9_000, 14),
    Good("N2-50", "Nitrogen, dry", K.GAS, U.FREE_LITRE, "", 9_000, 4_000, 4),
    Good("OR-34", "Neck O-ring 34 mm", K.PART, U.PIECE, "", 100, 60, 14),
    Good("VS-A", "Valve stem with spring, series A", K.PART, U.PIECE, "", 25, 20, 21),
    Good("CT-75", "Cartridge, carbon dioxide 75 g", K.CARTRIDGE, U.PIECE, "", 20, 10, 14),
    Good("LB-YEAR", "Year labels", K.LABEL, U.PIECE, "", 500, 300, 14),
    Good("CO-26", "Verification collars, 2026", K.COLLAR, U.PIECE, "", 100, 50, 21),
    Good("SL-P", "Pull seals", K.SEAL, U.PIECE, "", 1_000, 500, 7),
)
# item, lot, amount, months ago it came, months until it may no longer be used (0: none given)
LOTS = (
    ("PW-ABC", LEAKY_LOT, 250_000, 38, 60),
    ("PW-ABC", GOOD_LOT, 500_000, 37, 60),
    ("PW-ABC", "TR-2604-A", 75_000, 7, 60),
    ("PW-ABC", HELD_LOT, 50_000, 3, 60),
    ("PW-BC", "BC-0412", 60_000, 14, 48),
    ("CO2", "C-88017", 60_000, 2, 0),
    ("FOAM-3", "F3-119", 40_000, 9, 30),
    ("N2-50", "N-40221", 18_000, 1, 0),
)


def fill_stock(people: Mapping[str, User], now: datetime) -> int:
    """Set up stores, goods and lots, and take over readings of past years; return how many readings."""
    if Store.objects.exists():
        return 0
    hand, today = people["workshop"], now.date()
    shop = custody.add_store(Store.Kind.WORKSHOP, WORKSHOP, keeper=hand)
    room = custody.add_store(Store.Kind.STORE, ROOM, keeper=hand)
    custody.add_store(Store.Kind.TEST_HOUSE, "Dry Fork cylinder test house")
    vans = [
        custody.add_store(Store.Kind.VAN, f"Van of {person.display_name}", keeper=person)
        for person in people.values()
        if person.role == "technician"
    ]
    items = {good.code: _item(good) for good in GOODS}
    for model in UnitModel.objects.filter(construction=Construction.STORED_PRESSURE)[:60]:
        for code in ("OR-34", "VS-A"):
            PartFit.objects.create(item=items[code], model=model)
    lots = _receive(items, shop, hand, now)
    for code, amount in (("OR-34", 260), ("VS-A", 40), ("CT-75", 6), ("LB-YEAR", 900), ("CO-26", 90)):
        _came(items[code], amount, shop, hand, now, today)
    _came(items["SL-P"], 2_600, room, hand, now, today)
    for van in vans[:3]:
        transfer(
            [UseLine(items["SL-P"], 200)], from_store=room, to_store=van, by=hand, on=today, now=now,
            client_ref=uuid.uuid5(_SPACE, f"seals {van.name}"),
        )  # fmt: skip
    record_sample(
        lots[HELD_LOT], passed=False, test="500 g through the flow apparatus, ten runs",
        figures="two of ten runs stopped", limit="none may stop, as the maker's sheet says",
        by=hand, on=today, now=now,
    )  # fmt: skip
    open_drum(agent=Agent.DRY_CHEMICAL_ABC, store=shop, capacity_g=200_000, on=today)
    open_drum(agent=Agent.DRY_CHEMICAL_BC, store=shop, capacity_g=200_000, on=today)
    return _readings(items["PW-ABC"], lots, shop, hand, now)


def lend_out(people: Mapping[str, User], now: datetime) -> int:
    """Keep a pool of loaners, lend two of them, one for too long; return how many are out."""
    shop = Store.objects.filter(name=WORKSHOP).first()
    if shop is None or Unit.objects.filter(is_loaner=True).exists():
        return Loan.objects.open().count()
    hand, today = people["workshop"], now.date()
    away = list(
        Unit.objects.filter(
            site__country="US", location__isnull=False, state=Unit.State.IN_SERVICE,
            model__agent=Agent.DRY_CHEMICAL_ABC, model__construction=Construction.STORED_PRESSURE,
            jobs__isnull=True,
        ).select_related("model", "location").order_by("-model__charge_mass_g", "number")[:2]
    )  # fmt: skip
    if not away:
        return 0
    for number in range(LOANERS):
        custody.add_own_unit(
            away[0].model, shop, serial=f"LN-{4100 + number}", made=Stamp.of(2024, 2 + number), on=today,
            by=hand, is_loaner=True,
        )  # fmt: skip
    for unit, days in zip(away, (75, 9), strict=False):
        loaner = loaners_free().first()
        if loaner is None or unit.location is None:
            break
        on = today - timedelta(days)
        custody.lend(
            loaner, unit.location, in_place_of=unit, on=on, by=hand, taken_to=shop,
            expected_back_on=on + timedelta(21), client_ref=uuid.uuid5(_SPACE, f"loan {unit.number}"),
        )  # fmt: skip
    return Loan.objects.open().count()


def tell_condition(now: datetime) -> int:
    """Work out how fast charges go; return how many units were read."""
    return refresh_condition(now=now).read


def _item(good: Good) -> Item:
    item = Item(
        code=good.code, name=good.name, kind=good.kind, base_unit=good.base_unit, agent=good.agent,
        is_lot_tracked=good.kind in (K.AGENT, K.GAS), pack_size=good.pack, reorder_level=good.keep,
        lead_days=good.lead, maker="Tarnfield Agents" if good.kind == K.AGENT else "",
    )  # fmt: skip
    item.full_clean()
    item.save()
    return item


def _came(
    item: Item, amount: int, store: Store, by: User, now: datetime, on: date, lot_no: str = "",
    expires_on: date | None = None,
) -> Lot | None:  # fmt: skip
    vessel = item.kind == K.GAS
    facts = CylinderFacts(lot_no, "Prairie Gas Supply", 50_000, 20_000, None, on + timedelta(1500))
    return receive(
        item, amount, store=store, by=by, on=on, now=now, lot_no=lot_no, supplier="Tarnfield Agents",
        expires_on=expires_on, cylinder=facts if vessel else None,
        client_ref=uuid.uuid5(_SPACE, f"{item.code} {lot_no}"),
    )  # fmt: skip


def _receive(items: Mapping[str, Item], shop: Store, by: User, now: datetime) -> dict[str, Lot]:
    lots: dict[str, Lot] = {}
    for code, lot_no, amount, ago, good_for in LOTS:
        on = now.date() - timedelta(30 * ago)
        expires_on = on + timedelta(30 * good_for) if good_for else None
        lot = _came(items[code], amount, shop, by, now, on, lot_no, expires_on)
        if lot is not None:
            lots[lot_no] = lot
    return lots


def _readings(powder: Item, lots: Mapping[str, Lot], shop: Store, by: User, now: datetime) -> int:
    """Yearly gauge readings before the last known maintenance, from the earlier firm's papers."""
    chance = random.Random(2026)  # noqa: S311
    last: dict[int, date] = {
        unit: on
        for unit, on in ServiceRecord.objects.standing()
        .filter(task=Task.MAINTENANCE, outcome=ServiceRecord.Outcome.PASSED, done_first__isnull=False)
        .order_by("done_first")
        .values_list("unit_id", "done_first")
        if on is not None
    }
    units = list(
        Unit.objects.filter(
            pk__in=last, site__country="US", model__agent=Agent.DRY_CHEMICAL_ABC,
            model__construction=Construction.STORED_PRESSURE, model__working_pressure_kpa__gte=600,
            made_last__lt=now.date() - timedelta(4 * 365),
        ).select_related("model").order_by("pk")[:FOLLOWED]
    )  # fmt: skip
    loss_of: dict[int, float] = {}
    records: list[NewRecord] = []
    for number, unit in enumerate(units):
        leaky = number < IN_LEAKY_LOT
        usual = loss_of.setdefault(unit.model_id, abs(chance.gauss(0.004, 0.003)))
        loss = max(0.0, chance.gauss(usual, 0.002)) + (chance.gauss(0.028, 0.006) if leaky else 0.0)
        if not leaky and chance.random() < 0.02:
            loss += chance.uniform(0.02, 0.06)
        records += _history(unit, last[unit.pk], loss, chance, now)
        if leaky or number < IN_LEAKY_LOT + IN_GOOD_LOT:
            lot = lots[LEAKY_LOT if leaky else GOOD_LOT]
            consume(
                [UseLine(powder, unit.model.charge_mass_g or 4536, lot)], store=shop, unit=unit, by=by,
                on=max(lot.received_on, last[unit.pk] - timedelta(3 * 365)), now=now,
                client_ref=uuid.uuid5(_SPACE, f"fill {unit.number}"), reason="Taken over from job sheets",
            )  # fmt: skip
    add_records(records)
    return len(records)


def _history(
    unit: Unit, last_on: date, loss: float, chance: random.Random, now: datetime
) -> Sequence[NewRecord]:
    nominal = float(unit.model.working_pressure_kpa or 0)
    found = []
    years = chance.choice((2, 3, 4))
    for back in range(years, -1, -1):
        on = last_on - timedelta(365 * back + chance.randint(-12, 12)) if back else last_on + timedelta(20)
        if on >= now.date():
            break
        task = Task.MAINTENANCE if back else Task.VISUAL_INSPECTION
        celsius = round(chance.gauss(19, 7), 0)
        level = 1 - loss * (years - back) + chance.gauss(0, 0.012)
        shown = gauge_at(level * nominal, from_c=20, to_c=celsius)
        psi = Measure(Decimal(repr(shown)), UnitOfMeasure.KILOPASCAL).rounded(UnitOfMeasure.PSI, 0)
        kpa = float(Measure(psi, UnitOfMeasure.PSI).pressure_kpa)
        found.append(
            NewRecord(
                unit.pk, task.value, ServiceRecord.Outcome.PASSED.value,
                Stamp.of(on.year, on.month, on.day), now,
                client_ref=uuid.uuid5(_SPACE, f"read {unit.number} {back}"),
                evidence=ServiceRecord.Evidence.OWNER_PAPER.value, site_id=unit.site_id,
                location_id=unit.location_id, performed_by_name="Earlier firm",
                readings=(
                    NewReading("gauge_pressure", str(psi), "psi", kpa),
                    NewReading("ambient_temperature", f"{celsius:.0f}", "°C", celsius),
                ),
            )
        )  # fmt: skip
    return found
