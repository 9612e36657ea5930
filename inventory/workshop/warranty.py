"""Warranty on a charge: until when it runs, and which units lost more than the limit inside it.

Read off the figures: those of the recharge that a job card released, and those taken since, on visits
or in the workshop. Pressures are compared at 20 °C; liquefied gases by the share of their charge.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from inventory.access import Scope
from inventory.logbook.models import Reading, ServiceRecord
from inventory.measures.charge import gauge_at
from inventory.measures.kinds import Agent
from inventory.measures.limits import MASS_LOSS_LIMITS
from inventory.measures.readings import VAPOUR_AGENTS, Quantity
from inventory.workshop.models import CardEntry, JobCard
from inventory.workshop.values import Value, Values

_WANTED = (Quantity.GAUGE_PRESSURE, Quantity.AMBIENT_TEMPERATURE, Quantity.GROSS_MASS)


@dataclass(frozen=True, slots=True)
class Warranty:
    """The term on one charge."""

    begins_on: date
    ends_on: date
    source: str


@dataclass(frozen=True, slots=True)
class Claim:
    """A unit that lost more than the limit inside the term of its last charge."""

    card: JobCard
    warranty: Warranty
    read_on: date
    sentence: str


def term(begins_on: date, years: Value) -> Warranty:
    """The term of a charge finished on ``begins_on``."""
    year = begins_on.year + int(years.number)
    try:
        ends_on = begins_on.replace(year=year)
    except ValueError:  # 29 February
        ends_on = date(year, 2, 28)
    return Warranty(begins_on, ends_on, years.source)


def warranty_of(entries: Iterable[CardEntry], values: Values) -> Warranty | None:
    """The term on the charge of a card; ``None`` before it was finished."""
    finished = [entry for entry in entries if entry.step == "finish"]
    return term(finished[-1].done_on, values["warranty_years"]) if finished else None


def claims(scope: Scope, values: Values, *, today: date) -> list[Claim]:
    """Units whose later figures show a loss beyond the limit inside the term, latest reading first.

    Four queries whatever the number of cards. A pressure without a temperature tells nothing here.
    """
    released = (
        CardEntry.objects.visible_to(scope)
        .standing()
        .filter(step="release", record__isnull=False, record__corrected_by__isnull=True)
        .select_related("card__unit__model", "card__site__owner", "record")
        .order_by("card__unit_id", "pk")
    )
    last: dict[int, CardEntry] = {entry.card.unit_id: entry for entry in released}
    running = {
        unit_id: entry
        for unit_id, entry in last.items()
        if entry.record is not None
        and entry.record.done_first is not None
        and term(entry.record.done_first, values["warranty_years"]).ends_on >= today
    }
    figures = _figures(running)
    found = []
    for unit_id, entry in running.items():
        record = entry.record
        if record is None or record.done_first is None:
            continue
        warranty = term(record.done_first, values["warranty_years"])
        series = [one for one in figures[unit_id] if one[0] >= record.sequence]
        start = next((one for one in series if one[0] == record.sequence), None)
        for _, read_on, later in reversed([one for one in series if one[0] > record.sequence]):
            sentence = _loss(entry.card, start[2], later, values) if start is not None else ""
            if sentence and read_on <= warranty.ends_on:
                found.append(Claim(entry.card, warranty, read_on, sentence))
                break
    return sorted(found, key=lambda claim: (claim.read_on, claim.card.pk), reverse=True)


def _figures(running: dict[int, CardEntry]) -> dict[int, list[tuple[int, date, dict[str, float]]]]:
    """By unit its measured records in order: sequence, day, values by quantity in base units."""
    records: dict[int, tuple[int, int, date, dict[str, float]]] = {}
    rows = (
        Reading.objects.filter(
            record__unit__in=running,
            record__corrected_by__isnull=True,
            record__done_first__isnull=False,
            quantity__in=_WANTED,
        )
        .exclude(record__outcome=ServiceRecord.Outcome.VOID)
        .order_by("record__unit_id", "record__sequence")
        .values_list(
            "record_id", "record__unit_id", "record__sequence", "record__done_first", "quantity", "base_value"
        )
    )
    for record_id, unit_id, sequence, on, quantity, value in rows:
        if on is not None:
            records.setdefault(record_id, (unit_id, sequence, on, {}))[3][quantity] = value
    found: dict[int, list[tuple[int, date, dict[str, float]]]] = defaultdict(list)
    for unit_id, sequence, day, given in records.values():
        found[unit_id].append((sequence, day, given))
    return found


def _loss(card: JobCard, start: dict[str, float], later: dict[str, float], values: Values) -> str:
    """What was lost between two sets of figures, when it is beyond the limit; else empty."""
    model, agent = card.unit.model, Agent(card.unit.model.agent)
    limit = MASS_LOSS_LIMITS.get(agent)
    mass = Quantity.GROSS_MASS.value
    if limit is not None and model.charge_mass_g and mass in start and mass in later:
        lost = start[mass] - later[mass]
        if lost > float(limit.share) * model.charge_mass_g:
            return f"{lost:.0f} g lost, over {float(limit.share):.0%} of the charge ({limit.source})."
    if agent in VAPOUR_AGENTS or agent is Agent.CARBON_DIOXIDE:
        return ""
    pressures = [_at_20(figures) for figures in (start, later)]
    if pressures[0] is None or pressures[1] is None:
        return ""
    lost = pressures[0] - pressures[1]
    reject = values["leak_reject"]
    if lost > reject.pressure_kpa:
        return f"{lost / 100:.2f} bar lost at 20 °C, over {reject.printed} ({reject.source})."
    return ""


def _at_20(figures: dict[str, float]) -> float | None:
    gauge = figures.get(Quantity.GAUGE_PRESSURE.value)
    celsius = figures.get(Quantity.AMBIENT_TEMPERATURE.value)
    if gauge is None or celsius is None:
        return None
    try:
        return gauge_at(gauge, from_c=celsius)
    except ValueError:
        return None
