"""Reading table files: every refusal names file, rule, field and remedy."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from inventory.measures.kinds import Agent, Task
from schedules.rules import (
    Effect,
    MonthMark,
    Period,
    TableError,
    gather,
    load_table_file,
    load_tables,
    read_table,
)
from schedules.rules.loader import build_table, digest_of, version_order
from tests.cases.making import content, rule, table

YEARLY = rule(every="P1Y", anchors=["made"])


def refusal(raw: dict[str, Any]) -> TableError:
    with pytest.raises(TableError) as caught:
        build_table(raw, "test.toml")
    assert caught.value.file == "test.toml"
    assert str(caught.value).startswith("test.toml")
    assert caught.value.field in str(caught.value)
    return caught.value


@pytest.mark.parametrize(
    ("wrong", "field", "remedy"),
    [
        ({"evry": "P1Y"}, "evry", "no such field; use one of"),
        ({"every": "yearly"}, "every", '"yearly" is not a period; write it as P1M, P6Y, P144M or P30D.'),
        ({"every": "PT5H"}, "every", "is not a period"),
        ({"every": 12}, "every", "write a period in quotes"),
        ({"every": "P0D"}, "every", "makes no date"),
        ({"task": "polishing"}, "task", "'polishing' is not known here; use one of visual_inspection"),
        ({"clause": " "}, "clause", "write a text in quotes, not empty."),
        ({"source": ""}, "source", "write a text in quotes, not empty."),
        ({"source_status": "HEARSAY"}, "source_status", "use one of PRIMARY, SECONDARY, MEMORY."),
        ({"anchors": "made"}, "anchors", "write a list"),
        ({"anchors": ["birth"]}, "anchors.from", "use one of made, first_test, commissioned, sold."),
        ({"anchors": [{"from": "sold", "within": "2 years"}]}, "anchors.within", "is not a period"),
        ({"anchors": [{"from": "sold", "soon": True}]}, "anchors.soon", "no such field"),
        ({"counts": "steps"}, "counts", "use one of done, grid."),
        ({"counts": "grid"}, "window", "give window.before or within."),
        ({"window": "P2M"}, "window", "write a table"),
        ({"window": {"around": "P2M"}}, "window.around", "no such field; use one of after, before, within."),
        ({"window": {"within": "season"}}, "window.within", "use one of calendar_month, calendar_year."),
        ({"every_by_method": {"kick": "P7Y"}}, "every_by_method.kick", "use one of proof_pressure"),
        ({"select": {"colour": ["red"]}}, "select.colour", "no such field"),
        ({"select": {"agents": ["sand"]}}, "select.agents", "'sand' is not known here"),
        ({"select": {"agents": ["@sand"]}}, "select.agents", "'@sand' is no group; use one of @dry_chemical"),
        ({"select": {"agents": "water"}}, "select.agents", "write a list of texts"),
        ({"select": {"specs": ["4Z"]}}, "select.specs", "'4Z' is not known; use one of 4B240ET"),
        ({"select": {"wheeled": ["perhaps"]}}, "select.wheeled", "use yes, no, unknown."),
        ({"select": {"water_capacity_ml": {"over": "5"}}}, "select.water_capacity_ml.over", "whole number"),
        (
            {"select": {"water_capacity_ml": {"over": 5, "up_to": 5}}},
            "select.water_capacity_ml",
            "nothing lies above",
        ),
        (
            {"select": {"made": {"from": date(2020, 1, 1), "before": date(2020, 1, 1)}}},
            "select.made",
            "no day lies from and before those",
        ),
        ({"select": {"made": {"before": "1984"}}}, "select.made.before", "write a day without quotes"),
        ({"priority": "high"}, "priority", "write a whole number without quotes."),
        ({"also": "yes"}, "also", "write true or false."),
        ({"notes": "one"}, "notes", "write a list of texts"),
        ({"exempt": True}, "every", "does not go with exempt; split the rule in two."),
        ({"at_ages": ["P5Y"]}, "every", "does not go with at_ages; split the rule in two."),
        ({"interval_of": "recharge"}, "interval_of", "does not go with every or first"),
        ({"only_if_interval": {"task": "recharge"}}, "only_if_interval.is", "give the interval"),
        (
            {"only_if_interval": {"task": "recharge", "is": "P12Y"}},
            "only_if_interval",
            "no calendar rule speaks of recharge",
        ),
        (
            {"only_if_interval": {"task": "maintenance", "is": "P1Y"}},
            "only_if_interval",
            "the rule's own task",
        ),
        ({"align_to": "recharge"}, "align_to", "no calendar rule speaks of recharge; add one."),
        (
            {"valid_from": date(2025, 1, 1), "valid_until": date(2024, 1, 1)},
            "valid_until",
            "lies before valid_from",
        ),
        ({"grace_until": "2024"}, "grace_until", "write a day without quotes"),
    ],
)
def test_a_wrong_rule(wrong: dict[str, Any], field: str, remedy: str) -> None:
    error = refusal(content(YEARLY | wrong))
    assert (error.rule, error.field) == ("r", field)
    assert remedy in error.remedy
    assert 'rule "r"' in str(error)


@pytest.mark.parametrize(
    ("says", "field", "remedy"),
    [
        ({}, "every", "the rule says nothing; give it one of exempt, bars_on, on_events"),
        ({"exempt": False}, "exempt", "write true, or take the field out."),
        ({"on_events": []}, "on_events", "name at least one event."),
        ({"on_events": ["earthquake"]}, "on_events", "'earthquake' is not known here"),
        ({"on_events": ["begun:recharge"]}, "on_events", "before the colon stands done or failed."),
        ({"on_events": ["done:painting"]}, "on_events", "'painting' is not known here"),
        ({"bars_on": ["earthquake"]}, "bars_on", "'earthquake' is not known here"),
        ({"at_ages": ["P15Y", "P5Y"], "anchors": ["made"], "early": "P1Y"}, "at_ages", "write rising ages"),
        ({"at_ages": ["P5Y"], "early": "P1Y"}, "anchors", "name what the ages count from"),
        ({"at_ages": ["P5Y"], "anchors": ["made"]}, "early", "say how long before the age the work counts"),
        ({"on": "soon"}, "on", "write a day without quotes"),
        ({"with_next": []}, "with_next", "name at least one task."),
        ({"with_next": ["recharge"]}, "next_of", "no calendar rule speaks of recharge; add one."),
        ({"first": "P5Y", "every_by_method": {"proof_pressure": "P7Y"}}, "every_by_method", "needs every"),
    ],
)
def test_a_rule_that_does_not_say_what_it_does(says: dict[str, Any], field: str, remedy: str) -> None:
    error = refusal(content(rule(**says)))
    assert error.field == field
    assert remedy in error.remedy


@pytest.mark.parametrize("missing", ["id", "task", "clause", "source", "source_status"])
def test_a_field_every_rule_needs(missing: str) -> None:
    raw = content(YEARLY)
    raw["rule"] = [{name: value for name, value in YEARLY.items() if name != missing}]
    assert refusal(raw).remedy == "this field is missing; add it."


@pytest.mark.parametrize(
    ("wrong", "field", "remedy"),
    [
        ({"title": None}, "title", "this field is missing"),
        ({"valid_from": "2000"}, "valid_from", "write a day without quotes"),
        ({"valid_until": date(1999, 1, 1)}, "valid_until", "lies before valid_from"),
        ({"covers": []}, "covers", "name the tasks that every unit must find a rule for."),
        ({"covers": ["recharge"]}, "covers", "no rule speaks of recharge; add one or take it out."),
        ({"rule": []}, "rule", "a table needs at least one rule."),
        ({"rule": "none"}, "rule", "write [[rule]] blocks."),
        ({"rule": [YEARLY, YEARLY]}, "id", "comes twice; give each rule its own id."),
        ({"conventions": {"month_mark": "middle"}}, "month_mark", "use one of last_day, first_day."),
        ({"conventions": {"weeks": True}}, "weeks", "no such field"),
        ({"reset": [{"done": "recharge", "restarts": []}]}, "restarts", "name at least one task."),
        (
            {"reset": [{"done": "recharge", "restarts": ["maintenance"], "methods": ["kick"]}]},
            "methods",
            "not known",
        ),
        ({"colour": "red"}, "colour", "no such field"),
    ],
)
def test_a_wrong_table(wrong: dict[str, Any], field: str, remedy: str) -> None:
    raw = {name: value for name, value in (content(YEARLY) | wrong).items() if value is not None}
    error = refusal(raw)
    assert error.field.endswith(field)
    assert remedy in error.remedy


@pytest.mark.parametrize(
    ("wrong", "field", "remedy"),
    [
        ({"share": "a third"}, "share", 'write a fraction in quotes, as in "1/3" or "3/100".'),
        ({"share": "1/0"}, "share", "write a fraction"),
        ({"share": "4/3"}, "share", "lies outside 0 to 1"),
        ({"share": "0"}, "share", "give a share above 0 or at_least of 1 or more."),
        ({"per": "P0D"}, "per", "longer than nothing"),
        ({"group_by": ["colour"]}, "group_by", "use site, type, made_year."),
        ({"id": "r"}, "id", "comes twice"),
    ],
)
def test_a_wrong_quota(wrong: dict[str, Any], field: str, remedy: str) -> None:
    quota = rule(id="q", share="1/3", per="P1Y", group_by=["site"])
    error = refusal(content(YEARLY, quota=[quota | wrong]))
    assert error.field == field
    assert remedy in error.remedy


class TestTwoRulesForOneUnit:
    def test_without_an_order_they_are_refused(self) -> None:
        error = refusal(
            content(
                YEARLY | {"select": {"agents": ["@dry_chemical"]}},
                YEARLY | {"id": "x", "select": {"shells": ["stainless_steel"]}},
            )
        )
        assert (error.rule, error.field) == ("x", "select")
        assert error.remedy.startswith('some units meet this rule and rule "r" for the same task;')

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ({"select": {"agents": ["water"]}}, {"select": {"agents": ["foam"]}}),
            ({"priority": 1}, {}),
            ({"also": True}, {}),
            ({"task": "recharge"}, {}),
            ({"select": {"refillable": ["no"]}}, {"select": {"refillable": ["yes", "unknown"]}}),
            (
                {"select": {"water_capacity_ml": {"up_to": 5443, "or_unknown": True}}},
                {"select": {"water_capacity_ml": {"over": 5443}}},
            ),
            (
                {"select": {"made": {"before": date(2011, 1, 1)}}},
                {"select": {"made": {"from": date(2011, 1, 1)}}},
            ),
            ({"valid_until": date(2024, 12, 31)}, {"valid_from": date(2025, 1, 1)}),
        ],
    )
    def test_apart_or_with_an_order_they_are_taken(self, one: dict[str, Any], other: dict[str, Any]) -> None:
        [found] = table(YEARLY | one, YEARLY | {"id": "x"} | other)
        assert len(found.rules) == 2

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ({"agents": ["water"]}, {"shells": ["mild_steel"]}),
            (
                {"water_capacity_ml": {"up_to": 5443, "or_unknown": True}},
                {"water_capacity_ml": {"over": 5443, "or_unknown": True}},
            ),
            ({"water_capacity_ml": {"up_to": 5443}}, {"water_capacity_ml": {"over": 5442}}),
            ({"made": {"before": date(2011, 1, 2)}}, {"made": {"from": date(2011, 1, 1)}}),
        ],
    )
    def test_a_shared_sliver_is_found(self, one: dict[str, Any], other: dict[str, Any]) -> None:
        refusal(content(YEARLY | {"select": one}, YEARLY | {"id": "x", "select": other}))

    def test_events_and_bars_stand_beside_the_calendar(self) -> None:
        [found] = table(
            YEARLY,
            rule(id="e", on_events=["discharged"]),
            rule(id="b", bars_on=["burned_in_fire"]),
        )
        assert [one.effect for one in found.rules] == [Effect.REPEAT, Effect.EVENT, Effect.BAR]


@pytest.mark.parametrize(
    ("chain", "field"),
    [
        (
            [rule(with_next=["recharge"]), rule(id="x", task="recharge", with_next=["maintenance"])],
            "next_of",
        ),
        (
            [
                YEARLY | {"align_to": "recharge"},
                rule(id="x", task="recharge", every="P1Y", align_to="hydrostatic_test"),
                rule(id="y", task="hydrostatic_test", every="P5Y"),
            ],
            "align_to",
        ),
        (
            [
                rule(interval_of="recharge"),
                rule(id="x", task="recharge", interval_of="hydrostatic_test"),
                rule(id="y", task="hydrostatic_test", every="P5Y"),
            ],
            "interval_of",
        ),
    ],
)
def test_rules_that_wait_for_rules_that_wait(chain: list[dict[str, Any]], field: str) -> None:
    assert refusal(content(*chain)).field == field


def test_a_file_is_read_and_named(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(
        'key = "mine"\nversion = "1"\ntitle = "Mine"\njurisdiction = "Here"\ndocument = "Paper"\n'
        'regime = "workplace"\nvalid_from = 2020-01-01\ncovers = ["maintenance"]\n'
        '[[rule]]\nid = "r"\ntask = "maintenance"\nclause = "1"\nsource = "mine"\nsource_status = "PRIMARY"\n'
        'every = "P1Y"\nselect = { agents = ["@dry_chemical"] }\n',
        encoding="utf-8",
    )
    found = load_table_file(path)
    assert found.rule("r").every == Period.parse("P12M")
    assert found.rule("r").select.agents == {Agent.DRY_CHEMICAL_ABC, Agent.DRY_CHEMICAL_BC}
    assert found.statement == "Defaults to confirm against local code."
    assert found.conventions.month_mark is MonthMark.FIRST_DAY
    with pytest.raises(KeyError):
        found.rule("other")
    path.write_text("key = ", encoding="utf-8")
    with pytest.raises(
        TableError, match=r"^mine\.toml, field \"whole file\": cannot be read as TOML in UTF-8"
    ):
        load_table_file(path)
    path.write_bytes(b'key = "\xff"')
    with pytest.raises(TableError, match=r"mine\.toml"):
        load_table_file(path)


def test_the_digest_is_of_the_content() -> None:
    one = read_table(b"# a comment\n" + _toml("P1Y"), "a.toml")
    same = read_table(_toml("P1Y").replace(b" = ", b"="), "b.toml")
    other = read_table(_toml("P2Y"), "a.toml")
    assert one.digest == same.digest == digest_of(one.raw)
    assert one.digest != other.digest
    assert len(one.digest) == 64


def _toml(every: str) -> bytes:
    return (
        'key = "k"\nversion = "1"\ntitle = "T"\njurisdiction = "J"\ndocument = "D"\nregime = "workplace"\n'
        'valid_from = 2020-01-01\ncovers = ["maintenance"]\n[[rule]]\nid = "r"\ntask = "maintenance"\n'
        f'clause = "1"\nsource = "s"\nsource_status = "PRIMARY"\nevery = "{every}"\n'
    ).encode()


def test_versions_are_told_once_and_sorted() -> None:
    [old] = table(YEARLY, version="2026-9")
    [new] = table(YEARLY, version="2026-10")
    [later] = table(YEARLY, version="2025-1", valid_from=date(2024, 1, 1))
    assert [one.version for one in gather([later, new, old])["test"]] == ["2026-9", "2026-10", "2025-1"]
    with pytest.raises(TableError, match="2026-9 comes twice"):
        gather([old, old])
    assert version_order("2026-10") > version_order("2026-9")


def test_the_shipped_tables_are_read_once() -> None:
    assert load_tables() is load_tables()
    with pytest.raises(TypeError):
        load_tables()["mine"] = ()  # type: ignore[index]


def test_what_restarts_what() -> None:
    [found] = table(YEARLY, reset=[{"done": "extended_service", "restarts": ["maintenance"]}])
    assert [reset.done for reset in found.restarted_by[Task.MAINTENANCE]] == [
        Task.MAINTENANCE,
        Task.EXTENDED_SERVICE,
    ]
    assert [reset.done for reset in found.restarted_by[Task.RECHARGE]] == [Task.RECHARGE]
