"""The due engine, one behaviour at a time, on small tables made for the purpose."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import pytest

from inventory.measures.stamps import Stamp
from schedules.engine import (
    Done,
    Event,
    Knowledge,
    Obligation,
    UnitFacts,
    Variation,
    binding,
    findings,
    obligations,
)
from schedules.rules import IntervalTable, TableError, load_tables
from tests.cases import stamp
from tests.cases.making import rule, table

TODAY = date(2026, 1, 1)


def unit(**facts: object) -> UnitFacts:
    made = {"made": Stamp.of(2020, 5, 10)}
    kind = {"agent": "water", "construction": "stored_pressure", "shell": "mild_steel"}
    return UnitFacts(**(kind | made | facts))  # type: ignore[arg-type]


def done(day: str, task: str = "maintenance", **more: object) -> Done:
    return Done(task, stamp(day), **more)  # type: ignore[arg-type]


def ask(
    tables: Sequence[IntervalTable],
    *history: Done,
    facts: UnitFacts | None = None,
    events: Sequence[Event] = (),
    as_of: date = TODAY,
    variations: Sequence[Variation] = (),
) -> dict[str, Obligation]:
    found = obligations(facts or unit(), history, tables, as_of, events, variations)
    assert len({item.task for item in found}) == len(found)
    return {item.task.value: item for item in found}


def dates(item: Obligation) -> tuple[date | None, date | None, date | None]:
    return item.earliest, item.target, item.latest


YEARLY = table(rule(every="P1Y", anchors=["made"]))


class TestReasons:
    def test_a_date_says_table_clause_basis_and_arithmetic(self) -> None:
        tables = load_tables()["us-osha-1910-157"]
        facts = unit(agent="dry_chemical_abc")
        item = ask(tables, done("2021-06-15", "recharge", ref="r7"), facts=facts)["internal_examination"]
        assert item.why == (
            "29 CFR 1910.157, current on 2026-01-01 (table us-osha-1910-157, version 2026-1): "
            "defaults to confirm against local code.",
            "(e)(4): Six-year emptying and maintenance, every 6 years. "
            "Source read in the text of the document itself.",
            "Counted from recharge of 2021-06-15.",
            "2021-06-15 + 6 years = 2027-06-15.",
            "The start for a unit never serviced is not spelled out; manufacture is used.",
            "It starts again with: internal examination, recharge, hydrostatic test, requalification.",
        )
        assert (item.basis.kind, item.basis.ref) == ("done:recharge", "r7")
        assert (item.rule_id, item.clause, item.source_status) == ("emptying", "(e)(4)", "PRIMARY")
        assert (item.interval, item.called) == ("every 6 years", "Six-year emptying and maintenance")

    def test_what_is_from_memory_says_so(self) -> None:
        item = ask(YEARLY)["maintenance"]
        assert "Source from memory, no text found: not verified." in item.why[1]

    def test_an_unverified_point_is_told_at_the_rule(self) -> None:
        facts = unit(agent="foam")
        item = ask(load_tables()["au-as-1851"], facts=facts)["recharge"]
        assert "Could not be confirmed anywhere: treat as unverified." in item.why

    def test_codes_outside_the_vocabulary_are_refused(self) -> None:
        with pytest.raises(ValueError, match="sand"):
            UnitFacts("sand", "stored_pressure", "mild_steel")  # type: ignore[arg-type]
        with pytest.raises(ValueError, match="below zero"):
            unit(water_capacity_ml=-1)


class TestWhatIsNotKnown:
    def test_an_unknown_start_is_due_since_it_was_registered(self) -> None:
        facts = unit(made=Stamp.unknown(), registered=date(2025, 11, 3))
        item = ask(YEARLY, facts=facts)["maintenance"]
        assert item.knowledge is Knowledge.UNKNOWN_BASIS
        assert dates(item) == (date(2025, 11, 3),) * 3
        assert item.is_overdue(TODAY)
        assert item.recheck_on is None
        assert (
            "Nothing to count from: no maintenance on record, and the date of manufacture is not known."
            in item.why
        )

    def test_an_unknown_start_is_due_today_when_nobody_says_since_when(self) -> None:
        item = ask(YEARLY, facts=unit(made=Stamp.unknown()))["maintenance"]
        assert dates(item) == (TODAY,) * 3
        assert item.is_due(TODAY)
        assert item.recheck_on == date(2026, 1, 2)

    def test_a_record_makes_up_for_an_unknown_start(self) -> None:
        item = ask(YEARLY, done("2025-06-01"), facts=unit(made=Stamp.unknown()))["maintenance"]
        assert (item.latest, item.knowledge) == (date(2026, 6, 1), Knowledge.KNOWN)

    @pytest.mark.parametrize(
        ("made", "latest", "knowledge"),
        [
            (Stamp.of(2020, 5, 10), date(2021, 5, 10), "known"),
            (Stamp.of(2020, 5), date(2021, 5, 1), "assumed_safe_side"),
            (Stamp.quarter(2020, 2), date(2021, 4, 1), "assumed_safe_side"),
            (Stamp.of(2020), date(2021, 1, 1), "assumed_safe_side"),
        ],
    )
    def test_an_imprecise_start_counts_from_its_first_day(
        self, made: Stamp, latest: date, knowledge: str
    ) -> None:
        item = ask(YEARLY, facts=unit(made=made))["maintenance"]
        assert (item.target, item.latest, item.knowledge) == (latest, latest, knowledge)

    def test_a_month_is_read_to_its_end_where_the_table_says_so(self) -> None:
        tables = table(rule(every="P1Y", anchors=["made"]), conventions={"month_mark": "last_day"})
        item = ask(tables, facts=unit(made=Stamp.of(2020, 5)))["maintenance"]
        assert (item.target, item.latest) == (date(2021, 5, 1), date(2021, 5, 31))
        assert item.knowledge is Knowledge.KNOWN
        year = ask(tables, facts=unit(made=Stamp.of(2020)))["maintenance"]
        assert year.latest == date(2021, 1, 1)

    def test_a_kind_no_rule_covers_is_a_finding(self) -> None:
        tables = table(rule(every="P1Y", anchors=["made"], select={"agents": ["carbon_dioxide"]}))
        item = ask(tables, facts=unit(cylinder_spec="3AL"))["maintenance"]
        assert (item.knowledge, item.latest, item.rule_id) == (Knowledge.UNCOVERED, None, "")
        assert (
            "No rule of this table says when maintenance falls due for: "
            "Water, stored pressure, mild steel, specification 3AL." in item.why
        )
        assert not item.is_overdue(TODAY)

    def test_an_event_does_not_cover_a_kind(self) -> None:
        tables = table(
            rule(every="P1Y", anchors=["made"], select={"agents": ["carbon_dioxide"]}),
            rule(id="e", on_events=["corrosion_found"]),
        )
        assert ask(tables)["maintenance"].knowledge is Knowledge.UNCOVERED
        found = ask(tables, events=[Event("corrosion_found", date(2025, 3, 3))])["maintenance"]
        assert found.latest == date(2025, 3, 3)
        assert "Apart from this, no rule of this table says when the task falls due: a finding." in found.why


class TestWrongRecords:
    def test_history_before_manufacture_counts_from_the_older_date(self) -> None:
        tables = table(
            rule(every="P1Y", anchors=["made"]), rule(id="x", task="recharge", every="P2Y", anchors=["made"])
        )
        found = ask(tables, done("2018-03-01"))
        assert found["maintenance"].latest == date(2019, 3, 1)
        assert found["recharge"].latest == date(2020, 3, 1)
        [conflict] = found["maintenance"].conflicts
        assert conflict.code == "before_manufacture"
        assert "2018-03-01" in conflict.text
        assert "2020-05-10" in conflict.text

    def test_work_on_the_day_of_manufacture_is_no_conflict(self) -> None:
        item = ask(YEARLY, done("2020-05-10"))["maintenance"]
        assert (item.latest, item.conflicts) == (date(2021, 5, 10), ())

    def test_of_several_older_dates_the_one_that_can_be_oldest_counts(self) -> None:
        tables = table(rule(task="recharge", every="P2Y", anchors=["made"]))
        item = ask(tables, done("2018-03-01"), done("2018"))["recharge"]
        assert item.latest == date(2020, 1, 1)

    def test_placed_in_service_before_it_was_made(self) -> None:
        facts = unit(commissioned=Stamp.of(2019, 2, 3))
        item = ask(YEARLY, facts=facts)["maintenance"]
        assert item.latest == date(2020, 2, 3)
        [conflict] = item.conflicts
        assert conflict.code == "before_manufacture"
        assert conflict.text.startswith("The date of placing in service (2019-02-03) lies before manufacture")

    def test_a_future_record_does_not_count_yet(self) -> None:
        item = ask(YEARLY, done("2025-02-01"), done("2026-03-01"))["maintenance"]
        assert item.latest == date(2026, 2, 1)
        assert [conflict.code for conflict in item.conflicts] == ["future_record"]
        assert item.recheck_on == date(2026, 3, 1)
        assert ask(YEARLY, done("2026-03-01"), as_of=date(2026, 3, 1))["maintenance"].latest == date(
            2027, 3, 1
        )

    def test_a_future_manufacture_date_is_not_used(self) -> None:
        facts = unit(made=Stamp.of(2027), registered=date(2025, 1, 1))
        item = ask(YEARLY, facts=facts)["maintenance"]
        assert item.knowledge is Knowledge.UNKNOWN_BASIS
        assert [conflict.code for conflict in item.conflicts] == ["future_fact"]

    def test_one_task_twice_on_one_day_counts_once(self) -> None:
        item = ask(YEARLY, done("2025-02-01"), done("2025-02-01"))["maintenance"]
        assert item.latest == date(2026, 2, 1)
        assert [conflict.code for conflict in item.conflicts] == ["recorded_twice"]

    def test_two_tasks_on_one_day_each_move_their_own_clock(self) -> None:
        tables = table(rule(every="P1Y"), rule(id="x", task="recharge", every="P2Y"))
        found = ask(tables, done("2025-02-01"), done("2025-02-01", "recharge"))
        assert (found["maintenance"].latest, found["recharge"].latest) == (date(2026, 2, 1), date(2027, 2, 1))
        assert found["maintenance"].conflicts == ()

    def test_passed_and_failed_on_one_day_counts_as_failed(self) -> None:
        item = ask(YEARLY, done("2025-02-01"), done("2025-02-01", passed=False))["maintenance"]
        assert item.latest == date(2025, 2, 1)
        assert [conflict.code for conflict in item.conflicts] == ["passed_and_failed"]

    def test_a_record_without_a_readable_date_counts_as_not_done(self) -> None:
        item = ask(YEARLY, done(""))["maintenance"]
        assert item.latest == date(2021, 5, 10)
        assert [conflict.code for conflict in item.conflicts] == ["unreadable_record"]

    def test_findings_need_no_table(self) -> None:
        found = findings(unit(), [done("2018-03-01"), done("2027-01-01")], TODAY)
        assert [finding.code for finding in found] == ["future_record", "before_manufacture"]

    def test_a_failed_task_is_due_again_until_it_passes(self) -> None:
        failed = done("2025-04-02", passed=False)
        item = ask(YEARLY, done("2025-02-01"), failed)["maintenance"]
        assert (item.latest, item.basis.kind) == (date(2025, 4, 2), "failed:maintenance")
        assert "alone would give 2026-02-01" in " ".join(item.why)
        assert ask(YEARLY, failed, done("2025-04-03"))["maintenance"].latest == date(2026, 4, 3)

    def test_two_rules_without_an_order_are_a_finding_not_a_crash(self) -> None:
        [good] = YEARLY
        clashing = replace(good, rules=(*good.rules, replace(good.rules[0], id="other")))
        item = ask([clashing])["maintenance"]
        assert (item.knowledge, item.latest) == (Knowledge.UNCOVERED, None)
        assert 'Rules "r" and "other" both apply, without an order. Correct the table.' in item.why


class TestRepeating:
    def test_first_interval_differs_from_later_ones(self) -> None:
        tables = table(rule(first="P5Y", every="P2Y", anchors=["made"]))
        assert ask(tables)["maintenance"].latest == date(2025, 5, 10)
        assert ask(tables, done("2025-05-01"))["maintenance"].latest == date(2027, 5, 1)

    def test_once_only(self) -> None:
        tables = table(rule(first="P5Y", anchors=["made"]))
        assert ask(tables)["maintenance"].latest == date(2025, 5, 10)
        assert ask(tables, done("2024-01-01"))["maintenance"].knowledge is Knowledge.ENDED

    def test_the_first_known_anchor_counts(self) -> None:
        tables = table(rule(every="P1Y", anchors=["commissioned", "made"]))
        assert ask(tables)["maintenance"].latest == date(2021, 5, 10)
        facts = unit(commissioned=Stamp.of(2020, 7, 1))
        item = ask(tables, facts=facts)["maintenance"]
        assert (item.latest, item.basis.kind) == (date(2021, 7, 1), "commissioned")

    def test_a_heavier_task_restarts_a_lighter_one_and_says_it_covers_it(self) -> None:
        tables = table(
            rule(every="P1Y", anchors=["made"]),
            rule(id="x", task="extended_service", every="P5Y", anchors=["made"]),
            reset=[{"done": "extended_service", "restarts": ["maintenance"]}],
        )
        found = ask(tables, done("2025-06-01", "extended_service"))
        assert found["maintenance"].latest == date(2026, 6, 1)
        assert found["extended_service"].latest == date(2030, 6, 1)
        assert found["maintenance"].covered_by == ""
        never = ask(tables, facts=unit(made=Stamp.of(2015, 5, 10)), as_of=date(2015, 6, 1))
        assert never["maintenance"].covered_by == ""
        both = ask(tables, done("2029-06-20"), facts=unit(made=Stamp.of(2025, 6, 1)), as_of=date(2029, 7, 1))
        assert both["maintenance"].covered_by == "extended_service"
        same_day = ask(
            tables, done("2029-06-01"), facts=unit(made=Stamp.of(2025, 6, 1)), as_of=date(2029, 7, 1)
        )
        assert same_day["maintenance"].covered_by == "extended_service"

    def test_a_reset_by_method(self) -> None:
        tables = table(
            rule(task="hydrostatic_test", every="P5Y", anchors=["made"]),
            reset=[
                {"done": "requalification", "restarts": ["hydrostatic_test"], "methods": ["water_jacket"]}
            ],
        )
        jacket = ask(tables, done("2024-01-01", "requalification", method="water_jacket"))
        sound = ask(tables, done("2024-01-01", "requalification", method="ultrasonic"))
        assert jacket["hydrostatic_test"].latest == date(2029, 1, 1)
        assert sound["hydrostatic_test"].latest == date(2025, 5, 10)

    def test_interval_by_the_method_of_the_last_test(self) -> None:
        tables = table(rule(every="P12Y", every_by_method={"proof_pressure": "P7Y", "unknown": "P7Y"}))
        assert ask(tables, done("2020-06-01", method="water_jacket"))["maintenance"].latest == date(
            2032, 6, 1
        )
        assert ask(tables, done("2020-06-01", method="proof_pressure"))["maintenance"].latest == date(
            2027, 6, 1
        )
        assert ask(tables, done("2020-06-01"))["maintenance"].latest == date(2027, 6, 1)
        later = [done("2020-06-01", method="proof_pressure"), done("2021-06-01", method="water_jacket")]
        assert ask(tables, *later)["maintenance"].latest == date(2033, 6, 1)

    def test_two_methods_that_can_both_be_the_last(self) -> None:
        tables = table(rule(every="P12Y", every_by_method={"proof_pressure": "P7Y"}))
        blurred = [done("2020", method="proof_pressure"), done("2020-06-01", method="water_jacket")]
        assert ask(tables, *blurred)["maintenance"].latest == date(2027, 6, 1)

    def test_only_where_another_interval_is_twelve(self) -> None:
        def at(years: int) -> dict[str, Obligation]:
            return ask(
                table(
                    rule(task="hydrostatic_test", every=f"P{years}Y", anchors=["made"]),
                    rule(
                        id="x",
                        task="internal_examination",
                        every="P6Y",
                        anchors=["made"],
                        only_if_interval={"task": "hydrostatic_test", "is": "P144M"},
                    ),
                    covers=["hydrostatic_test"],
                )
            )

        assert at(12)["internal_examination"].latest == date(2026, 5, 10)
        assert "internal_examination" not in at(5)

    def test_interval_of_another_task(self) -> None:
        tables = table(
            rule(task="hydrostatic_test", every="P5Y", anchors=["made"]),
            rule(id="x", task="hose_test", interval_of="hydrostatic_test"),
        )
        found = ask(tables, done("2024-02-02", "hydrostatic_test"))
        assert found["hose_test"].latest == date(2025, 5, 10)
        assert found["hydrostatic_test"].latest == date(2029, 2, 2)


class TestWindows:
    GRID = table(rule(every="P1Y", anchors=["made"], counts="grid", window={"before": "P2M", "after": "P2M"}))

    def test_a_window_lies_round_the_target(self) -> None:
        item = ask(self.GRID)["maintenance"]
        assert dates(item) == (date(2021, 3, 10), date(2021, 5, 10), date(2021, 7, 10))

    @pytest.mark.parametrize(
        ("last", "target"),
        [
            ("2025-03-09", date(2025, 5, 10)),
            ("2025-03-10", date(2026, 5, 10)),
            ("2025-05-10", date(2026, 5, 10)),
            ("2025-07-10", date(2026, 5, 10)),
            ("2025-12-24", date(2026, 5, 10)),
        ],
    )
    def test_early_or_late_work_does_not_move_the_rhythm(self, last: str, target: date) -> None:
        assert ask(self.GRID, done(last))["maintenance"].target == target

    def test_a_rhythm_without_a_start_runs_from_the_first_record(self) -> None:
        facts = unit(made=Stamp.unknown())
        assert ask(self.GRID, done("2024-09-01"), done("2025-08-01"), facts=facts)[
            "maintenance"
        ].target == date(2026, 9, 1)

    def test_a_year_is_too_coarse_for_a_rhythm(self) -> None:
        facts = unit(made=Stamp.of(2020))
        assert ask(self.GRID, facts=facts)["maintenance"].target == date(2021, 1, 1)
        assert ask(self.GRID, done("2025-08-01"), facts=facts)["maintenance"].target == date(2026, 8, 1)
        assert ask(self.GRID, done("2025"), facts=facts)["maintenance"].target == date(2026, 1, 1)

    def test_a_month_mark_settles_a_rhythm_only_for_sure(self) -> None:
        tables = table(
            rule(every="P1Y", anchors=["made"], counts="grid", window={"before": "P2M"}),
            conventions={"month_mark": "last_day"},
        )
        facts = unit(made=Stamp.of(2020, 5))
        assert ask(tables, done("2025-03-15"), facts=facts)["maintenance"].target == date(2025, 5, 1)
        assert ask(tables, done("2025-03-31"), facts=facts)["maintenance"].target == date(2026, 5, 1)

    def test_a_narrow_window_and_another_first_interval(self) -> None:
        tables = table(
            rule(first="P6M", every="P1Y", anchors=["made"], counts="grid", window={"before": "P1D"})
        )
        assert ask(tables)["maintenance"].target == date(2020, 11, 10)
        assert ask(tables, done("2024-11-08"))["maintenance"].target == date(2024, 11, 10)
        assert ask(tables, done("2024-11-09"))["maintenance"].target == date(2025, 11, 10)

    def test_a_rhythm_in_days(self) -> None:
        tables = table(rule(every="P30D", anchors=["made"], counts="grid", window={"before": "P3D"}))
        facts = unit(made=Stamp.of(2025, 1, 1))
        assert ask(tables, done("2025-12-22"), facts=facts)["maintenance"].target == date(2025, 12, 27)
        assert ask(tables, done("2025-12-24"), facts=facts)["maintenance"].target == date(2026, 1, 26)

    def test_calendar_month_and_year(self) -> None:
        month = table(rule(every="P1M", anchors=["made"], window={"within": "calendar_month"}))
        assert dates(ask(month, done("2025-12-31"))["maintenance"]) == (
            date(2026, 1, 1),
            date(2026, 1, 31),
            date(2026, 1, 31),
        )
        year = table(rule(every="P1Y", window={"within": "calendar_year"}))
        assert dates(ask(year, done("2025-04-07"))["maintenance"]) == (
            date(2026, 1, 1),
            date(2026, 4, 7),
            date(2026, 12, 31),
        )

    def test_a_window_after_done_counts_from_the_day_done(self) -> None:
        tables = table(rule(every="P1Y", window={"before": "P1M", "after": "P1M"}))
        item = ask(tables, done("2025-06-20"))["maintenance"]
        assert dates(item) == (date(2026, 5, 20), date(2026, 6, 20), date(2026, 7, 20))


class TestOnceAndForAll:
    AGES = table(
        rule(task="extended_service", at_ages=["P5Y", "P15Y"], early="P1Y", anchors=["made"]),
        reset=[{"done": "workshop_service", "restarts": ["extended_service"]}],
    )

    @pytest.mark.parametrize(
        ("history", "latest"),
        [
            ([], date(2025, 5, 10)),
            (["2024-05-09"], date(2025, 5, 10)),
            (["2024-05-10"], date(2035, 5, 10)),
            (["2025-06-01"], date(2035, 5, 10)),
            (["2024-05-10", "2025-12-01"], date(2035, 5, 10)),
        ],
    )
    def test_steps_by_age(self, history: list[str], latest: date) -> None:
        records = [done(day, "extended_service") for day in history]
        assert ask(self.AGES, *records)["extended_service"].latest == latest

    def test_the_last_step_ends_them(self) -> None:
        records = [done("2034-06-01", "workshop_service")]
        item = ask(self.AGES, *records, as_of=date(2036, 1, 1))["extended_service"]
        assert (item.knowledge, item.latest) == (Knowledge.ENDED, None)

    def test_a_year_mark_settles_no_step_too_soon(self) -> None:
        facts = unit(made=Stamp.of(2020))
        early = ask(self.AGES, done("2024-06-01", "extended_service"), facts=facts)["extended_service"]
        assert early.latest == date(2025, 1, 1)
        late = ask(self.AGES, done("2025-03-01", "extended_service"), facts=facts)["extended_service"]
        assert late.latest == date(2035, 1, 1)

    def test_a_fixed_day(self) -> None:
        tables = table(rule(on=date(2024, 6, 30)))
        assert ask(tables)["maintenance"].latest == date(2024, 6, 30)
        assert ask(tables, done("2024-07-02"))["maintenance"].knowledge is Knowledge.ENDED

    def test_stock_in_place_is_given_time(self) -> None:
        tables = table(rule(every="P1Y", anchors=["made"], grace_until=date(2023, 3, 31)))
        assert ask(tables)["maintenance"].latest == date(2023, 3, 31)
        assert ask(tables, done("2024-02-02"))["maintenance"].latest == date(2025, 2, 2)


class TestEndOfLife:
    LIFE = (
        rule(every="P1Y", anchors=["made"]),
        rule(id="end", task="retirement", first="P10Y", anchors=["made"]),
    )

    def test_the_end_beats_what_falls_due_on_or_after_it(self) -> None:
        tables = table(*self.LIFE)
        before = ask(tables, done("2029-05-09"), as_of=date(2029, 6, 1))
        assert before["maintenance"].latest == date(2030, 5, 9)
        on_the_day = ask(tables, done("2029-05-10"), as_of=date(2029, 6, 1))
        assert on_the_day["maintenance"].knowledge is Knowledge.ENDED
        assert on_the_day["maintenance"].latest is None
        assert on_the_day["retirement"].latest == date(2030, 5, 10)

    def test_an_end_due_only_for_want_of_a_date_ends_nothing(self) -> None:
        facts = unit(made=Stamp.unknown(), registered=date(2025, 1, 1))
        found = ask(table(*self.LIFE), done("2025-06-01"), facts=facts)
        assert found["retirement"].knowledge is Knowledge.UNKNOWN_BASIS
        assert found["maintenance"].latest == date(2026, 6, 1)

    def test_a_retired_unit_owes_nothing(self) -> None:
        found = ask(table(*self.LIFE), done("2025-06-01", "retirement"))
        assert list(found) == ["retirement"]
        assert (found["retirement"].knowledge, found["retirement"].latest) == (Knowledge.ENDED, None)

    def test_so_many_times_and_then_the_end(self) -> None:
        tables = table(rule(every="P5Y", anchors=["made"], at_most=2))
        once = ask(tables, done("2025-05-01"))
        assert (once["maintenance"].latest, "retirement" in once) == (date(2030, 5, 1), False)
        said_twice = ask(tables, done("2025-05-01"), done("2025-05-01"))
        assert said_twice["maintenance"].latest == date(2030, 5, 1)
        twice = ask(tables, done("2025-05-01"), done("2030-05-01"), as_of=date(2031, 1, 1))
        assert twice["maintenance"].knowledge is Knowledge.BARRED
        assert twice["retirement"].latest == date(2035, 5, 1)

    def test_a_failure_that_ends_the_life(self) -> None:
        tables = table(rule(every="P5Y", anchors=["made"]), failure_ends_life=["maintenance"])
        found = ask(tables, done("2024-05-01", passed=False))
        assert found["maintenance"].knowledge is Knowledge.BARRED
        assert found["retirement"].latest == date(2024, 5, 1)

    def test_with_the_next_of_other_tasks(self) -> None:
        tables = table(
            rule(every="P1Y", anchors=["made"]),
            rule(id="x", task="recharge", every="P3Y", anchors=["made"]),
            rule(
                id="end",
                task="retirement",
                with_next=["maintenance", "recharge"],
                select={"made": {"before": date(2021, 1, 1)}},
            ),
            covers=["maintenance"],
        )
        found = ask(tables, done("2025-05-01"), done("2023-08-01", "recharge"))
        assert found["retirement"].latest == date(2026, 5, 1)
        assert found["maintenance"].knowledge is Knowledge.ENDED
        newer = ask(tables, done("2025-05-01"), facts=unit(made=Stamp.of(2022)))
        assert "retirement" not in newer

    def test_beside_the_calendar_the_earlier_end_counts(self) -> None:
        tables = table(
            rule(id="life", task="retirement", first="P10Y", anchors=["made"]),
            rule(id="lapse", task="retirement", on=date(2027, 1, 1), also=True),
        )
        item = ask(tables)["retirement"]
        assert (item.latest, item.rule_id) == (date(2027, 1, 1), "lapse")
        assert "alone would give 2030-05-10" in " ".join(item.why)


class TestEvents:
    def test_an_event_waits_has_a_day_and_is_answered(self) -> None:
        tables = table(rule(task="recharge", on_events=["discharged"], due_within="P7D"))
        waiting = ask(tables)["recharge"]
        assert (waiting.knowledge, waiting.latest) == (Knowledge.ON_EVENT, None)
        used = [Event("discharged", date(2025, 12, 1))]
        item = ask(tables, events=used)["recharge"]
        assert dates(item) == (date(2025, 12, 1), date(2025, 12, 8), date(2025, 12, 8))
        answered = ask(tables, done("2025-12-01", "recharge"), events=used)["recharge"]
        assert answered.knowledge is Knowledge.ON_EVENT

    def test_a_completion_as_an_event(self) -> None:
        tables = table(
            rule(task="hydrostatic_test", on_events=["done:recharge"], covered_before="P30D"),
        )
        assert ask(tables, done("2025-12-01", "recharge"))["hydrostatic_test"].latest == date(2025, 12, 1)
        tested = [done("2025-12-01", "recharge"), done("2025-11-01", "hydrostatic_test")]
        assert ask(tables, *tested)["hydrostatic_test"].knowledge is Knowledge.ON_EVENT
        too_early = [done("2025-12-01", "recharge"), done("2025-10-31", "hydrostatic_test")]
        assert ask(tables, *too_early)["hydrostatic_test"].latest == date(2025, 12, 1)

    def test_an_event_known_to_the_month_is_answered_only_for_sure(self) -> None:
        tables = table(
            rule(task="hydrostatic_test", on_events=["done:recharge"], covered_before="P30D"),
        )
        tested = done("2025-10-05", "hydrostatic_test")
        assert ask(tables, done("2025-11", "recharge"), tested)["hydrostatic_test"].latest == date(
            2025, 11, 1
        )
        answered = done("2025-10-31", "hydrostatic_test")
        item = ask(tables, done("2025-11", "recharge"), answered)["hydrostatic_test"]
        assert item.knowledge is Knowledge.ON_EVENT

    def test_a_failure_as_an_event(self) -> None:
        tables = table(
            rule(every="P1Y", anchors=["made"]),
            rule(id="e", on_events=["failed:visual_inspection"]),
        )
        failed = done("2025-10-01", "visual_inspection", passed=False)
        assert ask(tables, done("2025-09-01"), failed)["maintenance"].latest == date(2025, 10, 1)
        assert ask(tables, failed, done("2025-10-01"))["maintenance"].latest == date(2026, 10, 1)

    def test_a_bar_condemns_instead_of_testing(self) -> None:
        tables = table(
            rule(task="hydrostatic_test", every="P5Y", anchors=["made"]),
            rule(id="bar", task="hydrostatic_test", bars_on=["burned_in_fire"], retires=True),
        )
        found = ask(tables, events=[Event("burned_in_fire", date(2025, 3, 3))])
        assert found["hydrostatic_test"].knowledge is Knowledge.BARRED
        assert (found["retirement"].latest, found["retirement"].rule_id) == (date(2025, 3, 3), "bar")
        assert "retirement" not in ask(tables)

    def test_surroundings_choose_the_interval_and_a_move_changes_them(self) -> None:
        tables = table(
            rule(every="P5Y", anchors=["made"], select={"environments": ["normal"]}),
            rule(id="v", every="P2Y", anchors=["made"], select={"environments": ["vehicle"]}),
        )
        assert ask(tables)["maintenance"].latest == date(2025, 5, 10)
        assert ask(tables, facts=unit(environment="vehicle"))["maintenance"].latest == date(2022, 5, 10)
        moved = [Event("moved_to_vehicle", date(2025, 6, 1))]
        assert ask(tables, events=moved)["maintenance"].latest == date(2022, 5, 10)
        back = [*moved, Event("moved_indoors", date(2025, 7, 1))]
        assert ask(tables, events=back)["maintenance"].latest == date(2025, 5, 10)
        future = [Event("moved_to_vehicle", date(2026, 6, 1))]
        item = ask(tables, events=future)["maintenance"]
        assert (item.latest, item.recheck_on) == (date(2025, 5, 10), date(2026, 6, 1))


class TestFilledInTime:
    TABLES = table(rule(task="requalification", every="P5Y", anchors=["made"], at_filling=True))

    @pytest.mark.parametrize(
        ("filled", "deferred"),
        [("2025-05-10", True), ("2025-05-11", False), ("2025-04", True), ("2025-05", False), ("2025", False)],
    )
    def test_only_a_unit_surely_filled_in_time_may_wait(self, filled: str, deferred: bool) -> None:
        item = ask(self.TABLES, done(filled, "recharge"))["requalification"]
        assert item.latest == date(2025, 5, 10)
        assert bool(item.deferred_until) is deferred
        assert item.is_overdue(TODAY) is not deferred

    def test_an_unknown_start_waits_for_nothing(self) -> None:
        facts = unit(made=Stamp.unknown(), registered=date(2025, 1, 1))
        item = ask(self.TABLES, done("2024-05-10", "recharge"), facts=facts)["requalification"]
        assert (item.knowledge, item.deferred_until) == (Knowledge.UNKNOWN_BASIS, "")
        assert item.is_overdue(TODAY)


class TestOtherTasksDates:
    TABLES = table(
        rule(every="P1Y", anchors=["made"]),
        rule(id="x", task="hydrostatic_test", every="P5Y", anchors=["made"], align_to="maintenance"),
    )

    def test_pulled_forward_to_that_years_visit(self) -> None:
        item = ask(self.TABLES, done("2024-03-10"), facts=unit(made=Stamp.of(2020, 11, 20)))[
            "hydrostatic_test"
        ]
        assert dates(item) == (date(2020, 11, 20), date(2025, 3, 10), date(2025, 3, 10))

    def test_also_years_ahead(self) -> None:
        history = [done("2025-03-10"), done("2025-11-20", "hydrostatic_test")]
        assert ask(self.TABLES, *history)["hydrostatic_test"].latest == date(2030, 3, 10)

    def test_not_pulled_once_that_years_visit_is_over(self) -> None:
        facts = unit(made=Stamp.of(2020, 11, 20))
        item = ask(self.TABLES, done("2025-03-10"), facts=facts)["hydrostatic_test"]
        assert item.latest == date(2025, 11, 20)

    def test_a_visit_on_the_very_day_pulls_nothing(self) -> None:
        item = ask(self.TABLES, done("2024-05-10"))["hydrostatic_test"]
        assert item.latest == date(2025, 5, 10)
        assert "done with that year's" not in " ".join(item.why)

    def test_never_pushed_back(self) -> None:
        facts = unit(made=Stamp.of(2020, 1, 20))
        assert ask(self.TABLES, done("2024-03-10"), facts=facts)["hydrostatic_test"].latest == date(
            2025, 1, 20
        )


class TestEditions:
    OLD = rule(every="P3Y", anchors=["made"])
    NEW = rule(every="P5Y", anchors=["made"])

    def tables(self) -> list[IntervalTable]:
        return [
            *table(self.OLD, version="a", valid_until=date(2024, 7, 24)),
            *table(self.NEW, version="b", valid_from=date(2024, 7, 25)),
        ]

    def test_the_edition_in_force_counts_and_says_when_that_changes(self) -> None:
        before = ask(self.tables(), as_of=date(2024, 7, 24))["maintenance"]
        after = ask(self.tables(), as_of=date(2024, 7, 25))["maintenance"]
        assert (before.table_version, before.latest) == ("a", date(2023, 5, 10))
        assert before.recheck_on == date(2024, 7, 25)
        assert (after.table_version, after.latest, after.recheck_on) == ("b", date(2025, 5, 10), None)

    def test_a_chosen_edition_counts_outside_its_validity_and_says_so(self) -> None:
        item = ask(self.tables()[:1])["maintenance"]
        assert (item.table_version, item.latest) == ("a", date(2023, 5, 10))
        assert (
            "This edition is valid from 2000-01-01 to 2024-07-24; it is used on 2026-01-01 "
            "because no other was chosen." in item.why
        )

    def test_the_higher_version_of_one_edition_counts(self) -> None:
        tables = [*table(self.OLD, version="2026-10"), *table(self.NEW, version="2026-9")]
        assert ask(tables)["maintenance"].table_version == "2026-10"
        assert ask(tables[::-1])["maintenance"].table_version == "2026-10"

    def test_a_row_valid_from_a_later_day(self) -> None:
        tables = table(
            rule(every="P5Y", anchors=["made"], valid_until=date(2025, 12, 31)),
            rule(id="new", every="P3Y", anchors=["made"], valid_from=date(2026, 1, 1)),
        )
        old = ask(tables, as_of=date(2025, 12, 31))["maintenance"]
        new = ask(tables, as_of=date(2026, 1, 1))["maintenance"]
        assert (old.rule_id, old.latest, old.recheck_on) == ("r", date(2025, 5, 10), date(2026, 1, 1))
        assert (new.rule_id, new.latest, new.recheck_on) == ("new", date(2023, 5, 10), None)


class TestVariations:
    def variation(self, **more: object) -> Variation:
        fields: dict[str, object] = {
            "table_key": "test",
            "rule_id": "r",
            "field": "every",
            "value": "P6M",
            "reason": "Harsh place",
            "reference": "Letter 12 of the local authority",
            "by": "M. Example",
        }
        return Variation(**(fields | more))  # type: ignore[arg-type]

    def test_a_variation_moves_the_date_and_is_told(self) -> None:
        item = ask(YEARLY, done("2025-12-01"), variations=[self.variation()])["maintenance"]
        assert item.latest == date(2026, 6, 1)
        assert (
            "Varied here: every P6M, printed: P1Y. Reason: Harsh place. "
            "Authority: Letter 12 of the local authority. By M. Example." in item.why
        )

    def test_other_tables_are_left_alone(self) -> None:
        item = ask(YEARLY, done("2025-12-01"), variations=[self.variation(table_key="other")])["maintenance"]
        assert item.latest == date(2026, 12, 1)

    def test_the_reading_of_months_can_be_varied(self) -> None:
        varied = self.variation(rule_id="", field="month_mark", value="last_day")
        item = ask(YEARLY, done("2025-12"), variations=[varied])["maintenance"]
        assert item.latest == date(2026, 12, 31)
        assert any(line.startswith("Varied here: month_mark last_day.") for line in item.why)

    def test_a_rule_taken_out_leaves_a_finding(self) -> None:
        tables = table(
            rule(every="P1Y", select={"agents": ["water"]}),
            rule(id="o", every="P1Y", select={"agents": ["foam"]}),
        )
        item = ask(tables, variations=[self.variation(field="off", value=True)])["maintenance"]
        assert item.knowledge is Knowledge.UNCOVERED

    @pytest.mark.parametrize(
        "wrong",
        [{"rule_id": "none"}, {"field": "task"}, {"value": "soon"}, {"field": "evry"}],
    )
    def test_a_variation_that_does_not_fit_is_refused(self, wrong: dict[str, object]) -> None:
        with pytest.raises(TableError, match="test 1 as varied"):
            ask(YEARLY, variations=[self.variation(**wrong)])

    def test_a_variation_needs_a_reason(self) -> None:
        with pytest.raises(ValueError, match="reason"):
            self.variation(reason=" ")


class TestSeveralTables:
    def test_each_table_keeps_its_verdict_and_the_first_one_binds(self) -> None:
        tables = [*table(rule(every="P2Y"), key="b"), *table(rule(every="P1Y"), key="a")]
        found = obligations(unit(), [done("2025-02-01")], tables, TODAY)
        assert [(item.table_key, item.latest) for item in found] == [
            ("a", date(2026, 2, 1)),
            ("b", date(2027, 2, 1)),
        ]
        assert [item.table_key for item in binding(found).values()] == ["a"]

    def test_the_latest_day_itself_is_in_time(self) -> None:
        item = ask(YEARLY, done("2025-02-01"))["maintenance"]
        assert [item.is_due(date(2026, 1, 31)), item.is_due(date(2026, 2, 1))] == [False, True]
        assert [item.is_overdue(date(2026, 2, 1)), item.is_overdue(date(2026, 2, 2))] == [False, True]

    def test_what_may_be_deferred_binds_only_alone(self) -> None:
        strict = table(rule(task="requalification", every="P5Y", anchors=["made"], at_filling=True), key="a")
        other = table(rule(task="requalification", every="P9Y", anchors=["made"]), key="b")
        found = obligations(unit(), [], [*strict, *other], TODAY)
        assert found[0].deferred_until == "next filling"
        assert not found[0].is_overdue(TODAY)
        assert [item.table_key for item in binding(found).values()] == ["b"]
        assert [item.table_key for item in binding(found[:1]).values()] == ["a"]

    def test_equal_days_go_to_the_first_key_and_findings_do_not_bind(self) -> None:
        same = [*table(rule(every="P1Y"), key="b"), *table(rule(every="P1Y"), key="a")]
        found = obligations(unit(), [done("2025-02-01")], same, TODAY)
        assert binding(found[::-1])[found[0].task].table_key == "a"
        none = obligations(unit(), [], table(rule(every="P1Y", select={"agents": ["foam"]})), TODAY)
        assert binding(none) == {}
