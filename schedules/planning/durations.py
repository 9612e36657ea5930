"""How long work takes, by task and kind of unit: planning defaults that every firm sets for itself.

All figures are common practice, no source; those of a technician on site and those of a hand in the
workshop stand apart, because a unit that is taken along costs only the swap on site.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from inventory.measures.kinds import Agent, Construction, Task

SOURCE = "common practice, no source"


class Kind(StrEnum):
    """Kinds of unit as far as the time to serve them goes."""

    POWDER_STORED = "powder_stored"
    POWDER_CARTRIDGE = "powder_cartridge"
    LIQUID_STORED = "liquid_stored"
    LIQUID_CARTRIDGE = "liquid_cartridge"
    CARBON_DIOXIDE = "carbon_dioxide"
    CLEAN_AGENT = "clean_agent"
    METAL_POWDER = "metal_powder"
    WHEELED = "wheeled"


KIND_LABELS: Mapping[Kind, str] = {
    Kind.POWDER_STORED: "Powder, stored pressure",
    Kind.POWDER_CARTRIDGE: "Powder, cartridge",
    Kind.LIQUID_STORED: "Water, foam, wet chemical; stored pressure",
    Kind.LIQUID_CARTRIDGE: "Water, foam; cartridge",
    Kind.CARBON_DIOXIDE: "Carbon dioxide",
    Kind.CLEAN_AGENT: "Clean agent, halon",
    Kind.METAL_POWDER: "Powder for metal fires",
    Kind.WHEELED: "Wheeled",
}

_POWDERS = frozenset({Agent.DRY_CHEMICAL_ABC, Agent.DRY_CHEMICAL_BC})
_CLEAN = frozenset({Agent.CLEAN_AGENT, Agent.HALON_1211, Agent.HALON_1301})
_CARTRIDGE = frozenset({Construction.CARTRIDGE, Construction.CYLINDER_OPERATED})


def kind_of(agent: str, construction: str, *, is_wheeled: bool) -> Kind:
    """Return the kind; what is not known counts as powder under stored pressure, the commonest."""
    if is_wheeled:
        return Kind.WHEELED
    if agent == Agent.CARBON_DIOXIDE:
        return Kind.CARBON_DIOXIDE
    if agent in _CLEAN:
        return Kind.CLEAN_AGENT
    if agent == Agent.DRY_POWDER_D:
        return Kind.METAL_POWDER
    is_cartridge = construction in _CARTRIDGE
    if agent in _POWDERS or agent == Agent.UNKNOWN:
        return Kind.POWDER_CARTRIDGE if is_cartridge else Kind.POWDER_STORED
    return Kind.LIQUID_CARTRIDGE if is_cartridge else Kind.LIQUID_STORED


WALK_MINUTES = 1.5
"""From one unit to the next in an office, shop or plant."""
VISIT_MINUTES = 20.0
"""Signing in, finding the contact, setting up, closing."""
SWAP_MINUTES = 4.0
"""Taking a unit along and hanging a loaner in its place."""

WORKSHOP_TASKS = frozenset(
    {
        Task.INTERNAL_EXAMINATION,
        Task.EXTENDED_SERVICE,
        Task.WORKSHOP_SERVICE,
        Task.DISCHARGE_TEST,
        Task.RECHARGE,
        Task.HYDROSTATIC_TEST,
        Task.REQUALIFICATION,
    }
)
"""Done in the workshop unless the firm does them on site."""

EMPTIED = frozenset(
    {
        Task.INTERNAL_EXAMINATION,
        Task.EXTENDED_SERVICE,
        Task.WORKSHOP_SERVICE,
        Task.DISCHARGE_TEST,
        Task.RECHARGE,
        Task.HYDROSTATIC_TEST,
    }
)
"""Tasks after which a unit is filled again, so that agent must be there."""

SITE_MINUTES: Mapping[Task, float] = {
    Task.VISUAL_INSPECTION: 1.0,
    Task.MAINTENANCE: 5.0,
    Task.WEIGHING: 2.0,
    Task.CONDUCTIVITY_TEST: 2.0,
    Task.HOSE_TEST: 4.0,
    Task.RETIREMENT: 6.0,
    **dict.fromkeys(sorted(WORKSHOP_TASKS), SWAP_MINUTES),
}
"""Of a technician, for one unit of the commonest kind."""

SITE_MINUTES_BY_KIND: Mapping[tuple[Task, Kind], float] = {
    (Task.MAINTENANCE, Kind.POWDER_CARTRIDGE): 12.0,
    (Task.MAINTENANCE, Kind.LIQUID_STORED): 6.0,
    (Task.MAINTENANCE, Kind.LIQUID_CARTRIDGE): 12.0,
    (Task.MAINTENANCE, Kind.CARBON_DIOXIDE): 6.0,
    (Task.MAINTENANCE, Kind.CLEAN_AGENT): 6.0,
    (Task.MAINTENANCE, Kind.METAL_POWDER): 8.0,
    (Task.MAINTENANCE, Kind.WHEELED): 30.0,
}

WORKSHOP_MINUTES: Mapping[Task, float] = {
    Task.INTERNAL_EXAMINATION: 20.0,
    Task.EXTENDED_SERVICE: 20.0,
    Task.WORKSHOP_SERVICE: 20.0,
    Task.DISCHARGE_TEST: 15.0,
    Task.RECHARGE: 15.0,
    Task.HYDROSTATIC_TEST: 35.0,
    Task.REQUALIFICATION: 35.0,
}
"""Of a hand in the workshop, for one unit; a pressure test includes filling it again."""

WORKSHOP_MINUTES_BY_KIND: Mapping[tuple[Task, Kind], float] = {
    (Task.RECHARGE, Kind.CARBON_DIOXIDE): 20.0,
    (Task.RECHARGE, Kind.CLEAN_AGENT): 30.0,
    (Task.RECHARGE, Kind.WHEELED): 120.0,
    (Task.HYDROSTATIC_TEST, Kind.WHEELED): 135.0,
    (Task.REQUALIFICATION, Kind.WHEELED): 135.0,
}
