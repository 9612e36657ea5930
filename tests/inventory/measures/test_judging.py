"""The rules as data, and the shipped lists of checks and defects."""

from __future__ import annotations

import pytest

from inventory.measures.checks import (
    ListError,
    checks,
    checks_for,
    defect_kinds,
    defect_text,
    kinds_of,
    read_rows,
)
from inventory.measures.judging import every_kind, judging_form, kind_key
from inventory.measures.kinds import Agent, Construction, Task
from inventory.measures.readings import demands
from tests.cases import judging_vectors


def test_the_file_of_cases_is_what_the_rules_say_now():
    assert judging_vectors.FILE.read_text(encoding="utf-8") == judging_vectors.as_text()


def test_the_cases_hold_every_verdict_and_every_kind_of_refusal():
    found = judging_vectors.vectors()
    words = {verdict["word"] for case in found["verdicts"] for verdict in case["expect"].values()}
    assert words == {"inside", "outside", "unjudged"}
    assert {value["error"] for value in found["values"]} == {
        None,
        "no_number",
        "unknown_unit",
        "wrong_unit",
        "out_of_range",
    }


def test_the_form_demands_what_the_server_demands():
    form = judging_form(every_kind())
    for kind in every_kind():
        sentences = [demand["sentence"] for demand in form["demands"].get(kind_key(kind), [])]
        assert sentences == [demand.sentence for demand in demands(*kind)], kind


def test_another_rule_makes_another_version(monkeypatch):
    before = judging_form([])["version"]
    monkeypatch.setattr("inventory.measures.limits.GAIN_SHARE", judging_vectors.Fraction(2, 100))
    assert judging_form([])["version"] != before


@pytest.mark.parametrize(
    ("agent", "construction", "is_wheeled"),
    [
        (Agent.CARBON_DIOXIDE, Construction.SELF_EXPELLING, False),
        (Agent.DRY_CHEMICAL_ABC, Construction.STORED_PRESSURE, False),
        (Agent.DRY_CHEMICAL_BC, Construction.CARTRIDGE, False),
        (Agent.DRY_CHEMICAL_ABC, Construction.CYLINDER_OPERATED, True),
        (Agent.WATER, Construction.STORED_PRESSURE, False),
        (Agent.WATER, Construction.CARTRIDGE, False),
        (Agent.AFFF, Construction.STORED_PRESSURE, False),
        (Agent.WET_CHEMICAL, Construction.STORED_PRESSURE, False),
        (Agent.CLEAN_AGENT, Construction.STORED_PRESSURE, False),
        (Agent.HALON_1301, Construction.STORED_PRESSURE, False),
    ],
)
def test_the_checks_ask_for_every_value_that_a_pass_demands(agent, construction, is_wheeled):
    kinds = kinds_of(agent, construction, is_wheeled=is_wheeled)
    asked = {check.quantity for check in checks_for(Task.MAINTENANCE, kinds) if check.quantity}
    for demand in demands(Task.MAINTENANCE, agent, construction):
        assert asked & set(demand.any_of)


def test_extended_service_is_opening_and_filling():
    kinds = kinds_of(Agent.DRY_CHEMICAL_ABC, Construction.STORED_PRESSURE)
    opened = checks_for(Task.INTERNAL_EXAMINATION, kinds)
    assert checks_for(Task.EXTENDED_SERVICE, kinds)[: len(opened)] == opened


def test_every_line_of_the_lists_names_its_source():
    assert all(check.source and check.pass_when for check in checks())
    assert all(kind.source and kind.action for kind in defect_kinds().values())
    assert defect_text("no_such_code") == "no_such_code"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[[defect]]\ncode = "a"\n', "a: about is missing"),
        ('[[check]]\ncode = "a"\n', "a: task is missing"),
    ],
)
def test_a_list_that_is_not_whole_is_refused_by_name(text, words):
    key = "defect" if "defect" in text else "check"
    with pytest.raises(ListError, match=words):
        read_rows(text, "list.toml", key)


def test_a_code_given_twice_is_refused():
    line = '[[check]]\ncode="a"\ntask="t"\nkinds=["all"]\ntext="x"\npass_when="y"\nanswer="text"\n'
    line += 'source="s"\n'
    with pytest.raises(ListError, match="given twice"):
        read_rows(line + line, "list.toml", "check")
    with pytest.raises(ListError, match="colour is not a field"):
        read_rows(line + 'colour="red"\n', "list.toml", "check")
