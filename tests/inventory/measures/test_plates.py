"""What is read off a unit: answers that are checked, values that tell the same, types that have to go."""

from __future__ import annotations

from datetime import date

import pytest

from inventory.measures.plates import FACTS, AnswerError, Said, read_answer, removals, same, sharper
from inventory.measures.stamps import Stamp

TODAY = date(2026, 11, 25)


def value(code: str, text: str) -> object:
    return read_answer(code, {"said": "read", "value": text}, today=TODAY).value


@pytest.mark.parametrize(
    ("code", "one", "other", "is_same"),
    [
        # 5.5 lb is 2.495 kg (NIST SP 811): the charge of a unit printed for two markets.
        pytest.param("charge", "2.5 kg", "5.5 lb", True, id="one charge in two units"),
        pytest.param("charge", "2 kg", "2 lb", False, id="2 kg is not 2 lb"),
        pytest.param("charge", "9 L", "9 kg", False, id="litres are no kilograms"),
        pytest.param("working_pressure", "195 psi", "1344 kPa", True, id="one pressure in two units"),
        pytest.param("serial", "SN-80 01", "sn8001", True, id="blanks and dashes say nothing"),
        pytest.param("made", "2021", "06/2021", True, id="a year holds its month"),
        pytest.param("made", "06/2021", "07/2021", False, id="two months"),
    ],
)
def test_whether_two_readings_tell_the_same(code: str, one: str, other: str, is_same: bool) -> None:
    assert same(value(code, one), value(code, other)) is is_same
    assert same(value(code, other), value(code, one)) is is_same


def test_a_closer_date_is_sharper() -> None:
    assert sharper(Stamp.of(2021, 6), Stamp.of(2021))
    assert not sharper(Stamp.of(2021), Stamp.of(2021, 6))
    assert not sharper(Stamp.unknown(), Stamp.of(2021))


@pytest.mark.parametrize("said", [Said.NOT_READABLE, Said.NOT_PRESENT, Said.ESTIMATED])
def test_what_was_not_read_is_no_value(said: Said) -> None:
    answer = read_answer("made", {"said": said.value, "value": "about 1990"}, today=TODAY)
    assert (answer.is_read, answer.value) == (False, None)


@pytest.mark.parametrize(
    ("code", "given", "words"),
    [
        ("made", {"said": "read", "value": "01/2031"}, "Made"),
        ("full_mass", {"said": "read", "value": "14.2"}, "Full mass"),
        ("agent", {"said": "read", "value": "sand"}, "choose one of"),
        ("tests", {"said": "read", "marks": []}, "no date was given"),
        ("serial", {"said": "perhaps"}, "say whether it was read"),
        ("colour", {"said": "read", "value": "red"}, "not a fact"),
    ],
)
def test_an_answer_that_cannot_be_names_its_fact(code: str, given: dict[str, object], words: str) -> None:
    with pytest.raises(AnswerError, match=words):
        read_answer(code, given, today=TODAY)


@pytest.mark.parametrize(
    ("values", "sources"),
    [
        # 29 CFR 1910.157, eCFR state of 2026-01-01.
        pytest.param({"agent_text": "Carbon Tetrachloride"}, ["29 CFR 1910.157(c)(3)"], id="banned agent"),
        pytest.param(
            {"agent_text": "chlorobromomethane (CB)"}, ["29 CFR 1910.157(c)(3)"], id="the other one"
        ),
        pytest.param(
            {"agent": "soda_acid", "construction": "inverting", "shell": "soldered_brass"},
            ["29 CFR 1910.157(c)(5)"],
            id="soldered and inverted",
        ),
        pytest.param(
            {"construction": "inverting"}, ["common practice, no source"], id="inverted, shell unread"
        ),
        pytest.param({"agent": "halon_1211"}, ["common practice, no source"], id="halon"),
        pytest.param({"agent": "dry_chemical_abc", "construction": "stored_pressure"}, [], id="today's"),
        pytest.param({}, [], id="nothing read gives no reason"),
    ],
)
def test_types_that_have_to_go_name_their_source(values: dict[str, object], sources: list[str]) -> None:
    assert [one.source for one in removals(values)] == sources


def test_every_unit_is_asked_for_few_facts() -> None:
    """A row of equal units takes seconds: six answers, and an unreadable one is an answer."""
    asked = [fact.code for fact in FACTS.values() if fact.is_asked]
    assert asked == ["agent", "charge", "construction", "serial", "made", "condition"]
