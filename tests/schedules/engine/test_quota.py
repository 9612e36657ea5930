"""Demands on groups of units."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.measures.stamps import Stamp
from schedules.engine import Done, Member, QuotaGroup, UnitFacts, number_required, quota_groups
from schedules.rules import IntervalTable, load_tables
from tests.cases.making import rule, table


def member(ref: str, made: int = 2018, *history: Done, agent: str = "water", site: str = "S1") -> Member:
    facts = UnitFacts(agent, "stored_pressure", "mild_steel", made=Stamp.of(made))  # type: ignore[arg-type]
    return Member(ref, facts, history, site)


def pressed(day: date, *, passed: bool = True) -> Done:
    return Done("hydrostatic_test", Stamp.on(day), passed=passed)  # type: ignore[arg-type]


def groups(key: str, members: Sequence[Member], as_of: date) -> tuple[QuotaGroup, ...]:
    found = load_tables()[key][-1]
    [quota] = found.quotas
    return quota_groups(members, found, quota, as_of)


def refs(group: QuotaGroup) -> list[str]:
    return [ref for ref, _ in group.chosen]


def of_ten(**more: object) -> tuple[IntervalTable, list[Member]]:
    quota = {
        "id": "q",
        "task": "hydrostatic_test",
        "clause": "1",
        "source": "invented for a test",
        "source_status": "MEMORY",
        "share": "1/10",
        "per": "P1Y",
        "group_by": ["site"],
    }
    [found] = table(rule(every="P1Y"), quota=[quota | more])
    return found, [member(f"u{n:02}") for n in range(10)]


@pytest.mark.parametrize(("carried", "spare"), [(1, 1), (2, 1), (3, 2), (4, 2), (5, 3)])
def test_half_rounded_up(carried: int, spare: int) -> None:
    """46 CFR 167.45-70(a), spare charges: half of those carried, rounded up (printed)."""
    assert number_required(carried, Fraction(1, 2)) == spare


def test_a_third_of_ten_is_four() -> None:
    """IS 2190:2010, one third of the premises tested each year, as a secondary page states it."""
    [group] = groups("in-is-2190", [member(f"u{n}") for n in range(10)], date(2026, 3, 1))
    assert (group.size, group.required, len(group.chosen)) == (10, 4, 4)
    assert (group.starts_on, group.ends_on) == (date(2026, 1, 1), date(2026, 12, 31))
    _, item = group.chosen[0]
    assert (item.rule_id, item.latest) == ("one_third", date(2026, 12, 31))
    assert "1/3 of 10, rounded up: 4 between 2026-01-01 and 2026-12-31." in item.why
    assert "defaults to confirm against local code." in item.why[0]


def test_one_of_each_type_and_year_aboard() -> None:
    """IMO Resolution A.951(23) 9.1.1: six powder of 2018, three of 2020, two CO2 of 2018: three groups."""
    aboard = [
        *(member(f"p18-{n}", 2018, agent="dry_chemical_abc") for n in range(6)),
        *(member(f"p20-{n}", 2020, agent="dry_chemical_abc") for n in range(3)),
        *(member(f"c18-{n}", 2018, agent="carbon_dioxide") for n in range(2)),
    ]
    found = groups("imo-a-951-23", aboard, date(2026, 3, 1))
    assert [(group.size, len(group.chosen)) for group in found] == [(2, 1), (6, 1), (3, 1)]
    assert {(group.starts_on, group.ends_on) for group in found} == {(date(2025, 1, 1), date(2029, 12, 31))}


def test_a_third_a_year_takes_every_unit_in_three_years() -> None:
    done: dict[str, tuple[Done, ...]] = {f"u{n}": () for n in range(10)}
    for year in (2024, 2025, 2026):
        members = [member(ref, 2018, *history) for ref, history in done.items()]
        [group] = groups("in-is-2190", members, date(year, 6, 1))
        for ref in refs(group):
            done[ref] += (pressed(date(year, 6, 1)),)
    assert sorted(map(len, done.values())) == [1] * 8 + [2] * 2


def test_the_longest_past_comes_first_and_never_before_all() -> None:
    found, _ = of_ten(share="1/2")
    members = [
        member("b", 2018, pressed(date(2023, 1, 1))),
        member("c", 2018, pressed(date(2021, 1, 1))),
        member("d"),
        member("e", 2016),
    ]
    [group] = quota_groups(members, found, found.quotas[0], date(2026, 1, 1))
    assert refs(group) == ["e", "d"]


def test_what_is_done_counts_for_the_period() -> None:
    found, members = of_ten(share="3/10")
    members[4] = member("u04", 2018, pressed(date(2026, 2, 2)))
    [group] = quota_groups(members, found, found.quotas[0], date(2026, 5, 1))
    assert (group.done, group.required, len(group.chosen)) == (("u04",), 3, 2)
    assert "u04" not in refs(group)
    for day, counts in ((date(2026, 1, 1), True), (date(2025, 12, 31), False)):
        members[4] = member("u04", 2018, pressed(day))
        [group] = quota_groups(members, found, found.quotas[0], date(2026, 5, 1))
        assert (group.done == ("u04",)) is counts


def test_one_failure_takes_the_whole_group() -> None:
    """As NPB 166-97 8.2 has it: one bad sample and all of the brand are due."""
    found, members = of_ten(failure_takes_all=True)
    members[4] = member("u04", 2018, pressed(date(2026, 2, 2), passed=False))
    members[5] = member("u05", 2018, pressed(date(2026, 2, 2)))
    [group] = quota_groups(members, found, found.quotas[0], date(2026, 5, 1))
    assert (group.failed, group.done, group.required) == (("u04",), ("u05",), 10)
    assert sorted(refs(group)) == [f"u{n:02}" for n in range(10) if n != 5]
    lenient, _ = of_ten()
    [group] = quota_groups(members, lenient, lenient.quotas[0], date(2026, 5, 1))
    assert (group.required, group.chosen) == (1, ())


def test_a_failure_of_an_earlier_period_takes_nobody_else() -> None:
    found, members = of_ten(failure_takes_all=True)
    members[4] = member("u04", 2018, pressed(date(2025, 2, 2), passed=False))
    [group] = quota_groups(members, found, found.quotas[0], date(2026, 5, 1))
    assert (group.failed, group.required) == ((), 1)


def test_only_those_the_quota_is_for_and_still_there() -> None:
    found, members = of_ten(select={"agents": ["water"]})
    gone = Done("retirement", Stamp.of(2025, 1, 1))  # type: ignore[arg-type]
    members[0] = member("u00", 2018, gone)
    members[1] = member("u01", agent="foam")
    [group] = quota_groups(members, found, found.quotas[0], date(2026, 5, 1))
    assert group.size == 8


def test_sites_are_counted_apart() -> None:
    found, members = of_ten()
    elsewhere = [member(f"v{n}", site="S2") for n in range(11)]
    counted = quota_groups([*members, *elsewhere], found, found.quotas[0], date(2026, 5, 1))
    assert [(group.key, group.required) for group in counted] == [(("S1",), 1), (("S2",), 2)]


def test_periods_follow_each_other_from_the_start_given() -> None:
    found, members = of_ten(per="P5Y")
    keel = date(2013, 6, 10)
    for as_of, starts in ((date(2023, 6, 9), 2018), (date(2023, 6, 10), 2023), (date(2013, 6, 9), 2008)):
        [group] = quota_groups(members, found, found.quotas[0], as_of, keel)
        assert (group.starts_on, group.ends_on) == (date(starts, 6, 10), date(starts + 5, 6, 9))


@given(st.permutations(range(10)), st.integers(0, 10))
def test_the_choice_does_not_hang_on_the_order(order: list[int], tenths: int) -> None:
    found, members = of_ten(share=f"{tenths}/10", at_least=1)
    straight = quota_groups(members, found, found.quotas[0], date(2026, 5, 1))
    mixed = quota_groups([members[n] for n in order], found, found.quotas[0], date(2026, 5, 1))
    assert straight == mixed
    assert len(straight[0].chosen) == max(1, tenths)
