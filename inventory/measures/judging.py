"""The rules behind a verdict as plain data, so that a phone without signal judges as the server does.

Everything that ``readings`` and ``limits`` know is written out: factors as exact fractions, decimals as
text, sentences ready to show. ``tests/cases/judging.json`` holds cases that both sides must answer alike.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from typing import Any

from inventory.measures import limits, readings
from inventory.measures.kinds import Agent, Construction, Task
from inventory.measures.units import BASE_UNITS, UnitOfMeasure, conversion, spellings

Kind = tuple[Task, Agent, Construction]


def every_kind() -> list[Kind]:
    """Return every combination of task, agent and construction."""
    return [(task, agent, construction) for task in Task for agent in Agent for construction in Construction]


def kind_key(kind: Kind) -> str:
    """Return the key under which a combination stands in the form, e.g. ``maintenance|afff|cartridge``."""
    return "|".join(part.value for part in kind)


def judging_form(kinds: Iterable[Kind]) -> dict[str, Any]:
    """Return what is demanded and what is inside, for these ``kinds`` of work, as JSON values.

    ``version`` is a digest of all the rest: a phone whose form has another version judges by other rules.
    """
    demands: dict[str, Any] = {}
    offered: dict[str, list[str]] = {}
    for kind in sorted(set(kinds), key=kind_key):
        wanted = readings.demands(*kind)
        if wanted:
            demands[kind_key(kind)] = [
                {
                    "any_of": [q.value for q in demand.any_of],
                    "sentence": demand.sentence,
                    "source": demand.source,
                }
                for demand in wanted
            ]
        asked = readings.offered(*kind)
        if asked:
            offered[kind_key(kind)] = [q.value for q in asked]
    form: dict[str, Any] = {
        "units": {unit.value: _unit(unit) for unit in UnitOfMeasure},
        "words": {word: unit.value for word, unit in spellings().items()},
        "quantities": [
            {
                "code": quantity.value,
                "text": readings.QUANTITY_LABELS[quantity],
                "dimension": span.dimension.value,
                "base_unit": BASE_UNITS[span.dimension].value,
                "units": [unit.value for unit in readings.entry_units(quantity)],
                "lowest": str(span.lowest),
                "highest": str(span.highest),
                "source": span.source,
            }
            for quantity, span in readings.RANGES.items()
        ],
        "demands": demands,
        "offered": offered,
        "limits": _limits(),
    }
    text = json.dumps(form, sort_keys=True, ensure_ascii=False)
    return {"version": hashlib.sha256(text.encode()).hexdigest()[:16], **form}


def _unit(unit: UnitOfMeasure) -> dict[str, str]:
    dimension, factor, offset = conversion(unit)
    return {"dimension": dimension.value, "factor": fraction_text(factor), "offset": fraction_text(offset)}


def _limits() -> dict[str, Any]:
    return {
        "mass_loss": {agent.value: _limit(limit) for agent, limit in limits.MASS_LOSS_LIMITS.items()},
        "gain_share": fraction_text(limits.GAIN_SHARE),
        "pressure": _pressure_limit(limits.PRESSURE_LIMIT),
        "vapour_pressure": _pressure_limit(limits.VAPOUR_PRESSURE_LIMIT),
        "vapour_agents": sorted(agent.value for agent in readings.VAPOUR_AGENTS),
        "cartridge": _limit(limits.CARTRIDGE_LOSS_LIMIT),
        "test_pressure": {"source": limits.TEST_PRESSURE_SOURCE},
        "practice": readings.PRACTICE,
        "atmosphere_kpa": decimal_text(limits.ATMOSPHERE_KPA),
        "reference_c": decimal_text(limits.REFERENCE_C),
        "zero_c_k": decimal_text(limits.ZERO_C_K),
        "coldest_c": decimal_text(limits.COLDEST_C),
        "hottest_c": decimal_text(limits.HOTTEST_C),
        "ideal_error_per_k": decimal_text(limits.IDEAL_ERROR_PER_K),
        "vapour_error_per_k": decimal_text(limits.VAPOUR_ERROR_PER_K),
    }


def _limit(limit: limits.Limit) -> dict[str, str]:
    return {"share": fraction_text(limit.share), "text": limit.text, "source": limit.source}


def _pressure_limit(limit: limits.Limit) -> dict[str, str]:
    return {**_limit(limit), "text": limits.pressure_limit_text(limit)}


def fraction_text(value: Fraction) -> str:
    """Return a fraction as ``n/d``."""
    return f"{value.numerator}/{value.denominator}"


def decimal_text(value: Decimal) -> str:
    """Return a decimal in plain figures."""
    return f"{value:f}"
