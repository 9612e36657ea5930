"""Which reminders belong to which kinds of unit."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from inventory.measures.kinds import Agent, Construction
from servicedesk.field.cautions import CAUTIONS, caution_words, cautions_for


@dataclass
class Kind:
    agent: str
    construction: str
    is_wheeled: bool = False


POWDER = Kind(Agent.DRY_CHEMICAL_ABC.value, Construction.STORED_PRESSURE.value)
GAS = Kind(Agent.CARBON_DIOXIDE.value, Construction.SELF_EXPELLING.value)
CARTRIDGE = Kind(Agent.DRY_CHEMICAL_BC.value, Construction.CARTRIDGE.value, is_wheeled=True)
PUMP = Kind(Agent.WATER.value, Construction.PUMP_TANK.value)
UNKNOWN = Kind(Agent.UNKNOWN.value, Construction.UNKNOWN.value)


@pytest.mark.parametrize(
    ("kinds", "words"),
    [
        pytest.param([PUMP], "lone work", id="nothing particular"),
        pytest.param([POWDER], "pressurised parts and lone work", id="stored pressure"),
        pytest.param([GAS, POWDER], "carbon dioxide, pressurised parts and lone work", id="gas comes first"),
        pytest.param([CARTRIDGE], "cartridges, wheeled units and lone work", id="cartridge on wheels"),
        pytest.param([UNKNOWN], "pressurised parts and lone work", id="unknown counts as pressurised"),
        pytest.param([], "lone work", id="empty round"),
    ],
)
def test_words_name_what_the_lines_are_about(kinds: list[Kind], words: str) -> None:
    assert caution_words(kinds) == words


def test_one_unit_gets_the_lines_of_its_kind_only() -> None:
    found = cautions_for([GAS], general=False)
    assert [line.split(":")[0] for line in found] == [
        "Carbon dioxide",
        "Under pressure until proved empty twice",
    ]


def test_every_line_belongs_to_some_kind_or_to_all() -> None:
    every = [
        Kind(agent.value, construction.value, is_wheeled=True)
        for agent in Agent
        for construction in Construction
    ]
    assert cautions_for(every) == [caution.text for caution in CAUTIONS]
