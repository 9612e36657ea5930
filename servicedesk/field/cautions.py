"""The usual cautions for the kinds of unit on a round: reminders, never instructions.

Each line is a caution of the trade in our own words. They are common practice without a source
unless the line names one. Local law, the maker's manual and licensed practice come first, and
every place that shows these lines says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from inventory.measures.kinds import Agent, Construction


class Kind(Protocol):
    """What a caution asks of a unit's model."""

    agent: str
    construction: str
    is_wheeled: bool


@dataclass(frozen=True, slots=True)
class Caution:
    """One line, and the kinds of unit it belongs to; a line for no kind in particular belongs to all."""

    text: str
    word: str = ""
    agents: frozenset[str] = frozenset()
    constructions: frozenset[str] = frozenset()
    is_wheeled: bool = False

    @property
    def is_general(self) -> bool:
        """Whether the line belongs to every round."""
        return not (self.agents or self.constructions or self.is_wheeled)

    def fits(self, kind: Kind) -> bool:
        """Whether the line belongs to a unit of this kind."""
        return (
            kind.agent in self.agents
            or kind.construction in self.constructions
            or (self.is_wheeled and kind.is_wheeled)
        )


_PRESSURISED = frozenset(
    {
        Construction.STORED_PRESSURE.value,
        Construction.SELF_EXPELLING.value,
        Construction.CYLINDER_OPERATED.value,
        Construction.UNKNOWN.value,
    }
)

# Gravest first: a phone shows the top of the list.
CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "Carbon dioxide: never hold the horn or the pipe, they freeze skin at once. The gas displaces air: "
        "open up small rooms first.",
        word="carbon dioxide",
        agents=frozenset({Agent.CARBON_DIOXIDE.value}),
    ),
    Caution(
        "Under pressure until proved empty twice: a blocked tube can hide a full charge behind a gauge "
        "at zero. Keep clear of the valve.",
        word="pressurised parts",
        constructions=_PRESSURISED,
    ),
    Caution(
        "Cartridge units: take the cartridge out before you touch the cap, pointing it away from people.",
        word="cartridges",
        constructions=frozenset({Construction.CARTRIDGE.value}),
    ),
    Caution(
        "Old inverting units: do not tip them.",
        word="inverting units",
        constructions=frozenset({Construction.INVERTING.value}),
    ),
    Caution(
        "Wet chemical and loaded stream burn skin and eyes: gloves and goggles, water to rinse.",
        word="caustic agents",
        agents=frozenset({Agent.WET_CHEMICAL.value, Agent.LOADED_STREAM.value}),
    ),
    Caution(
        "Halogenated agent is not released, not even to try the unit.",
        word="halogenated agents",
        agents=frozenset({Agent.HALON_1211.value, Agent.HALON_1301.value, Agent.CLEAN_AGENT.value}),
    ),
    Caution(
        "Wheeled units: two people or a trolley; never lift by the valve.", "wheeled units", is_wheeled=True
    ),
    Caution("Pin out: hands off the lever, outlet away from people. No short squirt to try it."),
    Caution(
        "Look under boots and straps: rust hides there. Bulging, leaking or burned: leave it, keep people "
        "away."
    ),
    Caution(
        "Alone on site: say where you are and check in. Keep to the site's rules; do not type on a ladder.",
        word="lone work",
    ),
)


def cautions_for(kinds: Iterable[Kind], *, general: bool = True) -> list[str]:
    """Return the lines for these kinds, gravest first, with those for every round unless left out."""
    present = list(kinds)
    return [
        caution.text
        for caution in CAUTIONS
        if (general and caution.is_general) or any(caution.fits(kind) for kind in present)
    ]


def caution_words(kinds: Iterable[Kind]) -> str:
    """Return what the lines for these kinds are about, in one line, e.g. "carbon dioxide and lone work"."""
    present = list(kinds)
    words = [
        caution.word
        for caution in CAUTIONS
        if caution.word and (caution.is_general or any(caution.fits(kind) for kind in present))
    ]
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else "".join(words)
