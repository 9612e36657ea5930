"""What to load for the visits of some days: loaners, agent and parts, worked out from the jobs. Pure.

Common practice, no source: the counts are what the jobs will use when nothing goes wrong; a van carries
some more. A heavy task takes a unit away for days, so a like one hangs in its place meanwhile.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from inventory.measures.kinds import AGENT_LABELS, Agent, Construction, Task

PARTS: Mapping[str, str] = {
    "seal": "Tamper seal",
    "pin": "Safety pin",
    "tag": "Service tag",
    "o_ring": "O-ring or neck seal",
    "valve_stem": "Valve stem with spring",
    "collar": "Verification collar",
    "cartridge": "Gas cartridge",
    "hose": "Hose",
    "horn": "Horn with pipe",
    "nozzle": "Nozzle",
    "gauge": "Pressure gauge",
    "bracket": "Bracket",
    "sign": "Sign",
    "label": "Instruction label",
    "other": "Another part",
}

# These need a workshop: the unit is taken along.
AWAY = frozenset(
    {
        Task.INTERNAL_EXAMINATION,
        Task.EXTENDED_SERVICE,
        Task.WORKSHOP_SERVICE,
        Task.HYDROSTATIC_TEST,
        Task.REQUALIFICATION,
        Task.RETIREMENT,
    }
)
_FILLED = frozenset({Task.RECHARGE, Task.EXTENDED_SERVICE, Task.WORKSHOP_SERVICE, Task.INTERNAL_EXAMINATION})
_PARTS_OF: Mapping[Task, tuple[str, ...]] = {
    Task.MAINTENANCE: ("seal", "tag"),
    Task.RECHARGE: ("seal", "tag", "o_ring", "collar"),
    Task.INTERNAL_EXAMINATION: ("seal", "tag", "o_ring", "collar"),
    Task.EXTENDED_SERVICE: ("seal", "tag", "o_ring", "valve_stem", "collar"),
    Task.HYDROSTATIC_TEST: ("seal", "tag", "o_ring", "valve_stem", "collar"),
}


@dataclass(frozen=True, slots=True)
class Load:
    """One unit on the lists, and what is to be done on it."""

    model: str
    text: str
    agent: str
    construction: str
    charge_mass_g: int | None
    tasks: frozenset[str]


def van_list(loads: Iterable[Load]) -> dict[str, Any]:
    """Return loaners by model, agent by kind in grams, and parts by code, for these units."""
    loaners: Counter[str] = Counter()
    texts: dict[str, str] = {}
    agent_g: dict[str, int] = defaultdict(int)
    agent_units: Counter[str] = Counter()
    parts: Counter[str] = Counter()
    for load in loads:
        tasks = {Task(task) for task in load.tasks}
        texts[load.model] = load.text
        if tasks & AWAY:
            loaners[load.model] += 1
        if tasks & _FILLED and load.charge_mass_g:
            agent_g[load.agent] += load.charge_mass_g
            agent_units[load.agent] += 1
        parts.update({part for task in tasks for part in _PARTS_OF.get(task, ())})
        if Task.MAINTENANCE in tasks and load.construction == Construction.CARTRIDGE:
            parts["cartridge"] += 1
    return {
        "loaners": [
            {"model": model, "text": texts[model], "wanted": count, "why": "work that needs the workshop"}
            for model, count in sorted(loaners.items(), key=lambda pair: texts[pair[0]])
        ],
        "agent": [
            {"agent": agent, "text": AGENT_LABELS[Agent(agent)], "mass_g": mass, "units": agent_units[agent]}
            for agent, mass in sorted(agent_g.items())
        ],
        "parts": [
            {"code": code, "text": PARTS[code], "count": parts[code], "why": "for the work on the lists"}
            for code in PARTS
            if parts[code]
        ],
    }
