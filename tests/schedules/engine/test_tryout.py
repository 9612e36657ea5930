"""Cases read from text and answered without a register.

Sources: dates are those of tests/cases/due.toml and 29 CFR 1910.157(e), Table L-1; forms of cells are
our own.
"""

from __future__ import annotations

from datetime import date

import pytest

from inventory.measures.kinds import Agent, Environment, EventKind, Task, TestMethod
from inventory.measures.stamps import Precision, Stamp
from schedules.engine import Done
from schedules.engine.tryout import COLUMNS, CellError, answer, check_columns, judged, read_cases
from schedules.rules import load_tables

AS_OF = date(2026, 11, 25)
POWDER = {
    "case": "A",
    "agent": "dry_chemical_abc",
    "construction": "stored_pressure",
    "shell": "mild_steel",
    "table": "us-osha-1910-157",
}


def read(**cells):
    cases, errors = read_cases([(2, {**POWDER, **cells})], load_tables(), as_of=AS_OF)
    assert errors == []
    return cases[0]


def refused(**cells):
    cases, errors = read_cases([(7, {**POWDER, **cells})], load_tables(), as_of=AS_OF)
    assert cases == []
    assert {error.row for error in errors} == {7}
    return [(error.column, error.sentence) for error in errors]


def latest(case):
    return {line.task: line.latest for line in answer(case)}


def test_facts_and_history_make_dates():
    case = read(made="2018-03", records="recharge:2021-06-15; visual_inspection:2026-11-01")
    assert latest(case) == {
        "visual_inspection": "2026-12-01",
        "maintenance": "2019-03-31",
        "internal_examination": "2027-06-15",
        "recharge": "",
        "hydrostatic_test": "2030-03-31",
    }
    verdicts = {line.task: (line.verdict, line.binds) for line in answer(case)}
    assert verdicts["maintenance"] == ("Overdue", "yes")
    assert verdicts["internal_examination"] == ("In date", "yes")
    assert verdicts["recharge"] == ("When something happens", "no")
    assert all("29 CFR 1910.157" in line.why for line in answer(case))


def test_every_cell_reaches_the_facts():
    case = read(
        agent="Carbon dioxide",
        construction="Self-expelling",
        shell="aluminium",
        cylinder_spec="3AL",
        water_capacity="6.7 L",
        charge="5 kg",
        made="Q2 2018",
        installed="2018-07-02",
        sold="2018-06",
        first_test="2018",
        environment="on a vehicle",
        wheeled="yes",
        refillable="no",
        hose_shutoff="y",
        records="hydrostatic_test:2023-06:water_jacket:no",
        events="discharged:2024-05-01",
        as_of="2025-01-31",
    )
    facts = case.facts
    assert (facts.agent, facts.cylinder_spec, facts.environment) == (
        Agent.CARBON_DIOXIDE,
        "3AL",
        Environment.VEHICLE,
    )
    assert (facts.water_capacity_ml, facts.charge_mass_g, facts.charge_volume_ml) == (6700, 5000, None)
    assert (facts.is_wheeled, facts.is_refillable, facts.has_shutoff_hose) == (True, False, True)
    assert facts.made == Stamp.quarter(2018, 2)
    assert (facts.commissioned, facts.sold) == (Stamp.of(2018, 7, 2), Stamp.of(2018, 6))
    assert facts.first_test.precision is Precision.YEAR
    assert case.history == (
        Done(Task.HYDROSTATIC_TEST, Stamp.of(2023, 6), TestMethod.WATER_JACKET, passed=False, ref="record 1"),
    )
    assert [(event.kind, event.on) for event in case.events] == [(EventKind.DISCHARGED, date(2024, 5, 1))]
    assert case.as_of == date(2025, 1, 31)


def test_a_volume_is_a_charge_too():
    assert read(charge="2.5 gal").facts.charge_volume_ml == 9464


def test_a_water_capacity_may_be_stamped_as_the_water_it_holds():
    # 49 CFR 180.209(j)(1) is cut at "5.44 kg (12 pounds)" of water.
    assert read(water_capacity="12 lb").facts.water_capacity_ml == 5443
    assert read(water_capacity="9 kg").facts.water_capacity_ml == 9000


def test_a_record_that_moves_nothing_is_not_passed_over_in_silence():
    cells = {
        "agent": "carbon_dioxide",
        "cylinder_spec": "3AA",
        "made": "2015-05",
        "table": "us-49cfr-180-209",
    }
    tested = answer(read(**cells, records="hydrostatic_test:2020-05"))
    said = "Hydrostatic test of 2020-05: moves no date of us-49cfr-180-209, which counts requalification."
    assert [line.doubts for line in tested] == [said]
    assert [line.doubts for line in answer(read(**cells, records="requalification:2020-05"))] == [""]


def test_empty_cells_are_unknown_and_an_unknown_basis_is_due_now():
    case = read(agent="", construction="", shell="")
    assert case.facts.agent is Agent.UNKNOWN
    found = {line.task: line for line in answer(case)}
    assert found["hydrostatic_test"].knowledge == "uncovered"
    assert found["maintenance"].knowledge == "unknown_basis"
    assert found["maintenance"].latest == AS_OF.isoformat()
    assert found["maintenance"].verdict == "Basis unknown: due now"


def test_29_february_and_a_record_in_the_future():
    leap = read(made="2020-02-29", records="maintenance:2024-02-29")
    assert latest(leap)["maintenance"] == "2025-02-28"
    future = read(made="2020", records="maintenance:2027-05-01")
    assert latest(future)["maintenance"] == "2021-01-01"
    assert "lies after 2026-11-25" in answer(future)[0].findings


def test_history_before_manufacture_and_two_records_on_one_day_are_told():
    before = answer(read(made="2020-05", records="recharge:2019-01-10"))[0].findings
    assert "lies before manufacture" in before
    twice = answer(read(made="2020-05", records="maintenance:2025-01-10;maintenance:2025-01-10"))[0].findings
    assert "recorded twice" in twice


def test_a_doubtful_cell_is_read_on_the_safe_side_and_told():
    case = read(made="03/04/2021")
    assert case.facts.made == Stamp.of(2021, 3)
    assert "03/04/2021" in answer(case)[0].doubts


def test_several_tables_bind_by_the_first_date():
    case = read(made="2018-03", table="us-osha-1910-157; us-nfpa-10")
    assert {item.table_key for item in judged(case)} == {"us-osha-1910-157", "us-nfpa-10"}
    maintenance = [line for line in answer(case) if line.task == "maintenance"]
    assert sorted(line.binds for line in maintenance) == ["no", "yes"]


def test_editions_can_be_pinned_and_the_option_takes_the_place_of_the_column():
    old, new = (table.version for table in load_tables()["it-uni-9994-1"])
    assert [t.version for t in read(table="it-uni-9994-1", edition=old).tables] == [old]
    assert [t.version for t in read(table=f"it-uni-9994-1@{new}").tables] == [new]
    assert len(read(table="it-uni-9994-1").tables) == 2
    cases, _ = read_cases([(2, POWDER)], load_tables(), as_of=AS_OF, table=f"it-uni-9994-1@{old}")
    assert [t.version for t in cases[0].tables] == [old]


@pytest.mark.parametrize(
    ("cells", "column", "says"),
    [
        ({"agent": "sand"}, "agent", '"sand" is not known. Use one of water,'),
        ({"environment": "moon"}, "environment", "Use one of normal"),
        ({"made": "31.02.2018"}, "made", "does not exist"),
        ({"charge": "10"}, "charge", "has no unit"),
        ({"charge": "-2 kg"}, "charge", "below zero"),
        ({"water_capacity": "9 bar"}, "water_capacity", "is a pressure"),
        ({"refillable": "perhaps"}, "refillable", "neither yes nor no"),
        ({"records": "recharge"}, "records", "does not read as"),
        ({"records": "dance:2021"}, "records", '"dance" is not a task'),
        ({"records": "recharge:soon"}, "records", '"soon" is not a date'),
        ({"records": "hydrostatic_test:2021:hammer"}, "records", '"hammer" is not a method'),
        ({"records": "recharge:2021::maybe"}, "records", '"maybe" is neither'),
        ({"events": "discharged:x"}, "events", '"x" is not a day'),
        ({"events": "party:2021-01-01"}, "events", '"party" is not an event'),
        ({"as_of": "tomorrow"}, "as_of", "Write it as 2026-11-25"),
        ({"table": ""}, "table", "Name an interval table: au-as-1851"),
        ({"table": "moon"}, "table", '"moon" is not shipped'),
        ({"edition": "1999"}, "edition", 'has no version "1999"'),
        ({"table": "us-osha-1910-157@x"}, "table", 'has no version "x"'),
        ({"table": "us-nfpa-10;us-ca-19-ccr", "edition": "2026-1"}, "edition", "goes with one table"),
        ({"installed": "2020", "commissioned": "2020"}, "installed", "Leave one of the two empty"),
    ],
)
def test_a_wrong_cell_is_named_with_the_remedy(cells, column, says):
    ((found, sentence),) = refused(**cells)
    assert found == column
    assert says in sentence


def test_all_wrong_cells_are_told_at_once():
    assert [column for column, _ in refused(agent="sand", charge="10", made="soon")] == [
        "agent",
        "charge",
        "made",
    ]


def test_blank_rows_are_passed_over():
    rows = [(2, {"agent": " ", "table": ""}), (3, POWDER)]
    cases, errors = read_cases(rows, load_tables(), as_of=AS_OF)
    assert [case.row for case in cases] == [3]
    assert errors == []


def test_headings_are_checked():
    check_columns(list(COLUMNS))
    for names, column in (
        (["agent", "colour"], "colour"),
        (["agent", "agent"], "agent"),
        (["made"], "agent"),
    ):
        with pytest.raises(CellError) as problem:
            check_columns(names)
        assert (problem.value.row, problem.value.column) == (1, column)
