"""The file of steps: each kind of unit is asked what it needs, and nothing is ticked without its number."""

from __future__ import annotations

from typing import Any

import pytest

from inventory.measures.kinds import Agent, Construction, Shell
from inventory.workshop.steps import FieldsRefused, Kind, StepsFileError, load_steps, read_fields, step_book
from inventory.workshop.values import clock_for, shipped_values

POWDER = Kind(Agent.DRY_CHEMICAL_ABC, Construction.STORED_PRESSURE, Shell.MILD_STEEL)
CO2 = Kind(Agent.CARBON_DIOXIDE, Construction.SELF_EXPELLING, Shell.ALLOY_STEEL_SEAMLESS, "3AA1800")
FILL = {"same_agent": True, "lot": "L", "scale": "S"}
CARTRIDGE = Kind(Agent.DRY_CHEMICAL_BC, Construction.CARTRIDGE, Shell.MILD_STEEL)


def codes(kind: Kind, *paths: str) -> list[str]:
    return [step.code for step in step_book().for_unit(kind, paths)]


def test_a_unit_is_asked_only_what_its_kind_and_work_need() -> None:
    assert codes(POWDER, "serve") == [
        "triage", "empty", "agent_out", "strip", "inside", "decide", "fill", "close", "pressurise",
        "leak_test", "finish", "release", "return",
    ]  # fmt: skip
    tested = codes(CO2, "serve", "test")
    assert "volumetric_test" in tested
    assert {"proof_test", "pressurise"} & set(tested) == set()
    assert {"cartridge_out", "cartridge_in"} < set(codes(CARTRIDGE, "serve"))
    assert "leak_test" not in codes(CARTRIDGE, "serve")
    assert codes(POWDER, "condemn")[-5:] == ["condemn", "second_look", "mark", "consent", "dispose"]


def test_cautions_stand_at_the_step_where_they_apply() -> None:
    book = step_book()
    filling = " ".join(book.cautions_at(book.step("fill"), CO2))
    assert "oxygen alarm" in filling
    assert "Dust mask" not in filling
    assert "Liquid only" in " ".join(book.cautions_at(book.step("proof_test"), POWDER))
    assert all(line.endswith(")") for step in book.steps for line in book.cautions_at(step, POWDER))


@pytest.mark.parametrize(
    ("code", "raw", "field"),
    [
        ("fill", FILL, "mass_in"),
        ("fill", {**FILL, "mass_in": {"value": "x", "unit": "kg"}}, "mass_in"),
        ("fill", {**FILL, "mass_in": {"value": "4", "unit": "bar"}}, "mass_in"),
        ("fill", {"same_agent": True, "scale": "S", "mass_in": {"value": "4", "unit": "kg"}}, "lot"),
        ("strip", {"parts": ["body"], "o_rings_renewed": "2"}, "parts"),
        ("empty", {"lever_open": True}, "first_turns"),
        ("empty", {"lever_open": True, "first_turns": True, "shortcut": "1"}, "shortcut"),
        ("decide", {"decision": "later"}, "decision"),
    ],
)
def test_what_is_missing_or_unreadable_is_named(code: str, raw: dict[str, Any], field: str) -> None:
    with pytest.raises(FieldsRefused) as refused:
        read_fields(step_book().step(code), POWDER, raw)
    assert list(refused.value.errors) == [field]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('fields=[]\nhue="red"', "Step a: hue"),
        ('fields=[{code="f",label="F",kind="dial"}]', "kind"),
        ('cautions=["no"]\nfields=[]', "no caution"),
        ('fields=[{code="f",label="F",kind="number"}]', "dimension"),
    ],
)
def test_a_file_that_is_not_understood_is_refused_by_step_and_field(text: str, said: str) -> None:
    with pytest.raises(StepsFileError, match=said):
        load_steps(f'[[step]]\ncode="a"\nstage="s"\ntitle="t"\nask="a"\n{text}')


def test_every_value_says_where_it_comes_from() -> None:
    values = shipped_values()
    assert all(value.source for value in values.values())
    # Common practice, no source,.
    assert values["charge_pressure_powder"].printed == "15 kgf/cm²"
    assert values["charge_pressure_other"].printed == "10.5 kgf/cm²"
    assert values["leak_reject"].printed == "2 kgf/cm²"
    assert values["hose_burst"].printed == "50 kgf/cm²"


def test_the_clock_of_california_is_sixty_calendar_days() -> None:
    # 19 CCR 591.5.
    found = clock_for("us", "California")
    assert found is not None
    assert found.days == 60
    assert clock_for("US", "Oregon") is None
