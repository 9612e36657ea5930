"""What the work of the coming months needs, against what is in stock: agent, gas, parts, labels, loaners.

The due forecast says which task falls on which unit in which month; what one unit takes per task are
values of the workshop (``inventory/workshop/defaults.toml``), defaults without a source that a manager
can change. A unit with several tasks in one month is opened and filled once.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from dateutil.relativedelta import relativedelta
from django.conf import settings
from django.db.models import Count

from inventory.measures.charge import LIQUIDS, POWDERS
from inventory.measures.kinds import AGENT_LABELS, Agent, Construction, Task
from inventory.register.models import Unit, UnitModel
from inventory.stock.amounts import amount_text
from inventory.stock.models import Item, PartFit
from inventory.stock.queries import items_with_stock
from inventory.workshop.queries import current_values
from inventory.workshop.values import Values
from schedules.due.forecast import Forecast, falls

MOST_MONTHS = 12

# Work for which a unit is opened, and of it that after which it is filled anew.
FILLS = frozenset(
    {
        Task.RECHARGE,
        Task.EXTENDED_SERVICE,
        Task.WORKSHOP_SERVICE,
        Task.DISCHARGE_TEST,
        Task.HYDROSTATIC_TEST,
        Task.REQUALIFICATION,
    }
)
OPENS = FILLS | {Task.INTERNAL_EXAMINATION}
_NO_SERVICE = frozenset({Task.VISUAL_INSPECTION, Task.RETIREMENT})


@dataclass(frozen=True, slots=True)
class Good:
    """One line of the demand: an agent, a gas, a part, a kind of label, or a kind of loaner."""

    kind: str
    key: str
    label: str
    unit: str
    item_ids: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Reorder:
    """What to order, when at the latest, and why."""

    quantity: int
    packs: int
    order_by: date
    short_in: date
    why: str

    def is_urgent(self, today: date) -> bool:
        """Whether the order should have gone out already."""
        return self.order_by <= today


@dataclass(slots=True)
class Line:
    """What one good needs month by month, what there is, and what to order."""

    good: Good
    needs: dict[date, float] = field(default_factory=dict)
    stock: int = 0
    keep: int = 0
    reorder: Reorder | None = None

    @property
    def need(self) -> float:
        """The need of all months."""
        return math.fsum(self.needs.values())

    @property
    def left(self) -> float:
        """What remains of the stock at the end; less than nothing is missing."""
        return self.stock - self.need if self.good.kind != "loaner" else self.stock - self.most

    @property
    def most(self) -> float:
        """The need of the month that needs most; loaners come back and are used again."""
        return max(self.needs.values(), default=0.0)


@dataclass(slots=True)
class Demand:
    """The lines of all goods over the months from ``start``."""

    start: date
    months: list[date]
    units: int
    lines: list[Line]
    values: Values
    tables: set[tuple[str, str]]

    def short(self) -> list[Line]:
        """Lines that must be ordered or lent in, the most urgent first."""
        lines = [line for line in self.lines if line.reorder is not None]
        return sorted(
            lines,
            key=lambda line: (
                line.good.kind == "loaner",
                line.reorder.order_by if line.reorder else date.max,
            ),
        )


def demand(unit_ids: Iterable[int], *, now: datetime, months: int) -> Demand:
    """Work out the demand for ``months`` months from the firm's today on.

    Raises ``ValueError`` outside 1 to 12 months.
    """
    if not 1 <= months <= MOST_MONTHS:
        raise ValueError(f"Demand reaches 1 to {MOST_MONTHS} months, not {months}.")
    start = now.astimezone(ZoneInfo(settings.FIRM_TIME_ZONE)).date()
    end = start.replace(day=1) + relativedelta(months=months) - timedelta(days=1)
    horizon = Forecast(start, end)
    work: dict[tuple[date, int], set[Task]] = defaultdict(set)
    tables: set[tuple[str, str]] = set()
    for fall, unit in falls(unit_ids, horizon, now=now):
        # What is owed or of unknown date comes first of all.
        work[max(fall.on, start).replace(day=1), unit.unit_id].add(fall.task)
        tables.add((fall.table_key, fall.table_version))
    values = current_values()
    needs = _needs(work, values)
    return Demand(start, horizon.months, horizon.units, _lines(needs, horizon.months, start), values, tables)


def _needs(
    work: Mapping[tuple[date, int], set[Task]], values: Values
) -> dict[tuple[str, str], Counter[date]]:
    """What is needed by (kind, key) and month, in base units; three queries."""
    model_of = dict(Unit.objects.filter(pk__in={unit for _, unit in work}).values_list("pk", "model_id"))
    models = UnitModel.objects.in_bulk(set(model_of.values()))
    parts: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for fit in PartFit.objects.filter(model__in=models):
        parts[fit.model_id].append((fit.item_id, fit.pieces))
    per = {key: value.number for key, value in values.items()}
    found: dict[tuple[str, str], Counter[date]] = defaultdict(Counter)

    def add(kind: str, key: object, month: date, amount: float) -> None:
        found[kind, str(key)][month] += amount  # type: ignore[assignment]

    for (month, unit), tasks in work.items():
        if tasks <= _NO_SERVICE:
            continue
        model = models[model_of[unit]]
        agent, construction = Agent(model.agent), Construction(model.construction)
        opened = bool(tasks & OPENS)
        fills = 1.0 if tasks & FILLS else 0.0
        if not fills and Task.MAINTENANCE in tasks:
            fills = per["use_refill_at_maintenance"] / 100
        add(Item.Kind.SEAL, "", month, per["use_seals"])
        add(Item.Kind.LABEL, "", month, per["use_labels"] * (2 if opened else 1))
        if construction is Construction.CARTRIDGE and Task.MAINTENANCE in tasks:
            add(Item.Kind.CARTRIDGE, "", month, per["use_cartridges"])
        openings = 1.0 if opened else fills
        if openings:
            add(Item.Kind.COLLAR, "", month, per["use_collars"] * openings)
            for item, pieces in parts.get(model.pk, ()):
                add(Item.Kind.PART, item, month, pieces * openings)
            if not parts.get(model.pk):
                add(Item.Kind.PART, "", month, per["use_neck_rings"] * openings)
        if fills:
            charge = model.charge_mass_g or model.charge_volume_ml or 0
            add(Item.Kind.AGENT, agent, month, charge * _waste(agent, per) * fills)
            if construction is Construction.STORED_PRESSURE:
                add(Item.Kind.GAS, "", month, per["use_gas_litres"] * fills)
        if opened:
            add("loaner", agent, month, per["loaners_per_100"] / 100)
    return found


def _waste(agent: Agent, per: Mapping[str, float]) -> float:
    if agent is Agent.CARBON_DIOXIDE:
        return per["use_co2"]
    if agent in POWDERS:
        return per["use_powder"]
    return per["use_liquid"] if agent in LIQUIDS else per["use_powder"]


_GENERAL = {
    Item.Kind.GAS: ("Propellant gas", "L"),
    Item.Kind.SEAL: ("Seals and pins", "pcs"),
    Item.Kind.LABEL: ("Tags and labels", "pcs"),
    Item.Kind.COLLAR: ("Verification collars", "pcs"),
    Item.Kind.CARTRIDGE: ("Cartridges", "pcs"),
}


def _lines(needs: Mapping[tuple[str, str], Counter[date]], months: list[date], start: date) -> list[Line]:
    items = list(items_with_stock())
    fitted = set(PartFit.objects.values_list("item_id", flat=True))
    groups: dict[tuple[str, str], list[Item]] = defaultdict(list)
    for item in items:
        groups[item.kind, _group_key(item, fitted)].append(item)
    loaners = dict(
        Unit.objects.filter(is_loaner=True, state=Unit.State.LOANER_FREE)
        .order_by()
        .values_list("model__agent")
        .annotate(n=Count("pk"))
    )
    lines = []
    for (kind, key), by_month in needs.items():
        members = groups.get((kind, key), [])
        good = _good(kind, key, members)
        line = Line(good, {month: by_month.get(month, 0.0) for month in months})
        if kind == "loaner":
            line.stock = loaners.get(key, 0)
            line.reorder = _lend_in(line, start)
        else:
            line.stock = sum(_total(item) for item in members)
            line.keep = sum(item.reorder_level for item in members)
            line.reorder = _reorder(line, members, start)
        lines.append(line)
    order = [*Item.Kind.values, "loaner"]
    return sorted(lines, key=lambda line: (order.index(line.good.kind), line.good.label))


def _group_key(item: Item, fitted: set[int]) -> str:
    if item.kind == Item.Kind.AGENT:
        return item.agent
    return str(item.pk) if item.kind == Item.Kind.PART and item.pk in fitted else ""


def _total(item: Item) -> int:
    return int(getattr(item, "usable", 0))


def _good(kind: str, key: str, members: list[Item]) -> Good:
    ids = tuple(item.pk for item in members)
    if kind == "loaner":
        return Good(kind, key, f"Loaners: {AGENT_LABELS[Agent(key)]}", "pcs")
    if kind == Item.Kind.AGENT:
        liquid = Agent(key) in LIQUIDS
        unit = members[0].base_unit if members else ("mL" if liquid else "g")
        return Good(kind, key, AGENT_LABELS[Agent(key)], unit, ids)
    if kind == Item.Kind.PART:
        name = members[0].name if key and members else "Neck O-rings, models without a parts list"
        return Good(kind, key, name, "pcs", ids)
    label, unit = _GENERAL[Item.Kind(kind)]
    return Good(kind, key, label, unit, ids)


def _short_from(line: Line) -> date | None:
    """The first month at whose end less is left than must be kept."""
    left = float(line.stock)
    for month, need in line.needs.items():
        left -= need
        if left < line.keep:
            return month
    return None


def _reorder(line: Line, members: list[Item], start: date) -> Reorder | None:
    short = _short_from(line)
    if short is None:
        return None
    pack = max((item.pack_size for item in members), default=1)
    lead = max((item.lead_days for item in members), default=14)
    missing = line.need + line.keep - line.stock
    packs = max(1, math.ceil(missing / pack))
    need, stock, keep = (amount_text(value, line.good.unit) for value in (line.need, line.stock, line.keep))
    why = f"{need} needed, {stock} in stock that may be used"
    why += f", {keep} to be kept" if line.keep else ""
    why += f"; {lead} days from order to delivery."
    return Reorder(packs * pack, packs, max(start, short - timedelta(days=lead)), max(short, start), why)


def _lend_in(line: Line, start: date) -> Reorder | None:
    for month, need in line.needs.items():
        if need > line.stock:
            missing = math.ceil(line.most - line.stock)
            by = max(month, start)
            why = f"{math.ceil(line.most)} in the busiest month, {line.stock} free."
            return Reorder(missing, missing, by, by, why)
    return None
