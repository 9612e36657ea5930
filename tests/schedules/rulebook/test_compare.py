"""What differs between editions, and between a table and its variation."""

from __future__ import annotations

from schedules.rulebook.compare import FIELD_WORDS, TABLE_WORDS, compare, said
from schedules.rules import Variation, load_tables, vary


def test_a_table_does_not_differ_from_itself():
    for versions in load_tables().values():
        for table in versions:
            found = compare(table, table)
            assert found.is_nothing
            assert found.same == len(table.rules)


def test_a_variation_shows_field_by_field():
    table = load_tables()["us-osha-1910-157"][-1]
    found = compare(
        table,
        vary(
            table,
            [
                Variation(table.key, "maintenance", "every", "P6M", "shop", "letter"),
                Variation(table.key, "recharge.after_use", "off", True, "shop", "letter"),
            ],
        ),
    )
    assert [rule.id for rule in found.removed] == ["recharge.after_use"]
    assert found.added == ()
    (changed,) = found.changed
    assert [(f.label, f.old, f.new) for f in changed.fields] == [("Interval", "1 year", "6 months")]
    assert changed.new.varied
    assert found.same == len(table.rules) - 2
    assert found.table == ()


def test_two_editions_of_the_italian_table():
    old, new = load_tables()["it-uni-9994-1"]
    found = compare(old, new)
    assert not found.is_nothing
    assert "Edition" in [change.label for change in found.table]
    ids = {rule.id for rule in old.rules}, {rule.id for rule in new.rules}
    assert {rule.id for rule in found.added} == ids[1] - ids[0]
    assert {rule.id for rule in found.removed} == ids[0] - ids[1]
    assert found.same + len(found.changed) == len(ids[0] & ids[1])
    back = compare(new, old)
    assert [rule.id for rule in back.added] == [rule.id for rule in found.removed]
    assert {c.new.id: {(f.new, f.old) for f in c.fields} for c in back.changed} == {
        c.new.id: {(f.old, f.new) for f in c.fields} for c in found.changed
    }


def test_values_are_said_in_words():
    assert said(None) == ""
    assert said(True) == "yes"
    assert said(False) == "no"
    assert said("P18M") == "18 months"
    assert said("Table L-1") == "Table L-1"
    assert said(["agents", "shells"]) == "agents, shells"
    assert said({"before": "P2M", "after": "P1M"}) == "before: 2 months; after: 1 month"
    assert said([{"is": 1}, {"is": 2}]) == "is: 1 | is: 2"


def test_every_field_that_shipped_tables_use_has_a_word():
    for versions in load_tables().values():
        for table in versions:
            assert {name for rule in table.raw["rule"] for name in rule} - {"id"} <= FIELD_WORDS.keys()
            assert table.raw.keys() - {"rule", "key", "version"} <= TABLE_WORDS.keys()
