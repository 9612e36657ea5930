"""The shipped tables: each rule says where it is from and can be met by some unit."""

from __future__ import annotations

import re
from datetime import date
from itertools import product

import pytest

from inventory.measures.kinds import Agent, Construction, Environment, Shell, Task
from schedules.engine.select import Signature, holds, select_rules, thresholds
from schedules.rules import IntervalTable, Rule, SourceStatus, load_tables
from schedules.rules.specs import SPEC_FAMILIES

TABLES = [table for versions in load_tables().values() for table in versions]
RULES = [
    pytest.param(table, rule, id=f"{table.key} {table.version} {rule.id}")
    for table in TABLES
    for rule in table.rules
]
GOVERNMENT = re.compile(r"https://[\w.-]+\.(?:gov|mn\.us)/")

EXPECTED = {
    "au-as-1851",
    "cn-gb-50444",
    "de-betrsichv",
    "de-din-14406-4",
    "es-ripci",
    "fr-nf-s-61-919",
    "gb-bs-5306-3",
    "gb-mgn-276",
    "imo-a-951-23",
    "in-is-2190",
    "it-uni-9994-1",
    "jp-fire-service-act",
    "us-49cfr-180-209",
    "us-ca-19-ccr",
    "us-nfpa-10",
    "us-osha-1910-157",
}


def test_all_are_there() -> None:
    assert set(load_tables()) == EXPECTED
    assert [table.edition for table in load_tables()["it-uni-9994-1"]] == ["2013", "2024"]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: f"{table.key} {table.version}")
def test_a_table_says_what_it_is(table: IntervalTable) -> None:
    assert table.statement == "Defaults to confirm against local code."
    assert table.title
    assert table.jurisdiction
    assert table.document
    assert table.conventions.notes, "how month marks are read is a choice, and a choice is told"
    assert table.notes, "what was not read is told"
    for reset in table.resets:
        assert reset.clause


@pytest.mark.parametrize(("table", "rule"), RULES)
def test_a_rule_says_where_it_is_from(table: IntervalTable, rule: Rule) -> None:
    assert rule.clause
    assert rule.source
    for address in re.findall(r"https?://\S+", f"{rule.source} {rule.source_note}"):
        assert GOVERNMENT.match(address), "only government addresses are kept"
    if rule.source_status is SourceStatus.MEMORY:
        words = " ".join((rule.source, rule.source_note, *rule.notes))
        assert re.search(r"memory|no text found|repealed", words)


@pytest.mark.parametrize(("table", "rule"), RULES)
def test_some_unit_meets_a_rule(table: IntervalTable, rule: Rule) -> None:
    """A rule that no unit can meet, or that another always beats, is a slip in the table."""
    select = rule.select
    lines = thresholds(table)
    capacities = [None, 0, *(n for limit in lines.water_capacity_ml for n in (limit, limit + 1))]
    volumes = [None, 0, *(n for limit in lines.charge_volume_ml for n in (limit, limit + 1))]
    made_days = [None, date.min, *lines.made]
    kinds = (
        Signature(*kind, environment, *answers, capacity, None, volume, made, table.valid_from)
        for kind in product(
            # The unknown agent first: paragraphs on fire extinguishers beat the default rows for all others.
            sorted(select.agents or Agent, key=lambda agent: agent is not Agent.UNKNOWN),
            sorted(select.constructions or Construction),
            sorted(select.shells or Shell),
            sorted(select.specs or (SPEC_FAMILIES[0], "none")),
        )
        for environment in (Environment.NORMAL,)
        for answers in product(("no", "yes"), ("yes", "no", "unknown"), ("unknown", "yes", "no"))
        for capacity in capacities
        for volume in volumes
        for made in made_days
    )
    for kind in kinds:
        if holds(select, kind):
            rules = select_rules(table, kind).tasks.get(rule.task)
            if rules and any(one.id == rule.id for one in (*rules.calendar, *rules.events, *rules.bars)):
                return
    pytest.fail(f"no unit meets {rule.id}")


def test_a_quota_reads_as_a_sentence() -> None:
    quotas = {table.key: quota for table in TABLES for quota in table.quotas}
    assert {key: (quota.task, str(quota.share), quota.at_least) for key, quota in quotas.items()} == {
        "in-is-2190": (Task.HYDROSTATIC_TEST, "1/3", 0),
        "imo-a-951-23": (Task.DISCHARGE_TEST, "0", 1),
    }


@pytest.mark.parametrize(
    ("key", "rule_id", "words"),
    [
        ("us-osha-1910-157", "test.carbon_dioxide", "every 5 years"),
        ("us-osha-1910-157", "emptying.non_refillable", "not demanded"),
        ("us-osha-1910-157", "test.barred", "not allowed"),
        ("us-osha-1910-157", "test.on_damage", "on event"),
        ("us-osha-1910-157", "hose.portable", "as for hydrostatic test"),
        ("us-osha-1910-157", "end.soldered_brass", "by 1982-01-01"),
        (
            "us-49cfr-180-209",
            "j.large_4b",
            "every 12 years (7 years after a test by proof pressure, 7 years after a test by ultrasonic, "
            "7 years after a test by an unknown method)",
        ),
        ("us-nfpa-10", "look", "every 30 days"),
        ("us-nfpa-10", "end.before_october_1984", "with the next internal examination or hydrostatic test"),
        ("cn-gb-50444", "workshop.powder", "first after 5 years, then every 2 years"),
        ("fr-nf-s-61-919", "additional.powder", "once at 5 years and 15 years"),
        ("in-is-2190", "life", "once after 10 years"),
        ("it-uni-9994-1", "revision.powder", "every 5 years"),
    ],
)
def test_intervals_in_words(key: str, rule_id: str, words: str) -> None:
    assert load_tables()[key][-1].rule(rule_id).interval_words == words
