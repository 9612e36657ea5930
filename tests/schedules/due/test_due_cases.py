"""``manage.py due_cases``: a file of cases in, dates and reasons out, nothing half-done."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys

import pytest
from django.conf import settings
from django.core.management import call_command
from django.core.management.base import CommandError

from schedules.engine.tryout import COLUMNS, LINE_COLUMNS
from schedules.management.commands.due_cases import HELP
from schedules.rulebook.services import confirm_table
from tests.factories import NOW, make_user

pytestmark = pytest.mark.django_db
HEAD = "case,agent,construction,shell,made,records,table,as_of"
GOOD = "A,dry_chemical_abc,stored_pressure,mild_steel,2018-03,recharge:2021-06-15,us-osha-1910-157,2026-01-01"


def put(tmp_path, *lines, name="cases.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes("\r\n".join(lines).encode(encoding))
    return str(path)


def run(*args, **options):
    out = io.StringIO()
    call_command("due_cases", *args, stdout=out, stderr=io.StringIO(), **options)
    return out.getvalue()


def test_the_answer_is_a_file_that_can_be_read_back(tmp_path):
    text = run(put(tmp_path, HEAD, GOOD, "", GOOD.replace("A,", "=B,", 1)))
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert list(rows[0]) == [*LINE_COLUMNS, "table_confirmation"]
    by_task = {row["task"]: row for row in rows if row["case"] == "A"}
    assert by_task["internal_examination"]["latest"] == "2027-06-15"
    assert by_task["hydrostatic_test"]["latest"] == "2030-03-31"
    assert by_task["maintenance"]["verdict"] == "Overdue"
    assert "2021-06-15 + 6 years = 2027-06-15." in by_task["internal_examination"]["why"].split("\n")
    assert {row["case"] for row in rows} == {"A", "'=B"}
    assert all("Unconfirmed" in row["table_confirmation"] for row in rows)
    assert all("Defaults to confirm against local code." in row["table_confirmation"] for row in rows)


def test_a_confirmed_table_says_who_confirmed_it(tmp_path):
    confirm_table(
        "us-osha-1910-157",
        "2026-1",
        by=make_user("manager", first_name="Maren", last_name="Holt"),
        name="Maren Holt",
        local_code="KSA",
        at=NOW,
    )
    rows = list(csv.DictReader(io.StringIO(run(put(tmp_path, HEAD, GOOD)), newline="")))
    assert all(row["table_confirmation"].startswith("Confirmed by Maren Holt") for row in rows)


def test_it_answers_where_no_register_was_ever_set_up(tmp_path):
    answered = subprocess.run(
        [sys.executable, "manage.py", "due_cases", put(tmp_path, HEAD, GOOD)],
        cwd=settings.BASE_DIR,
        env={**os.environ, "DATA_DIR": str(tmp_path / "data"), "DATABASE_URL": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert answered.returncode == 0, answered.stderr
    assert "No register is set up here, so no table counts as confirmed." in answered.stderr
    rows = list(csv.DictReader(io.StringIO(answered.stdout, newline="")))
    assert rows
    assert all("Unconfirmed" in row["table_confirmation"] for row in rows)


def test_json_by_ending_and_a_table_by_option(tmp_path):
    out = tmp_path / "answer.json"
    run(put(tmp_path, HEAD, GOOD), out=str(out), table="us-nfpa-10")
    rows = json.loads(out.read_text("utf-8"))
    assert {row["table"] for row in rows} == {"us-nfpa-10"}
    assert json.loads(run(put(tmp_path, HEAD, GOOD), format="json"))[0]["case"] == "A"


def test_the_day_beside_the_file(tmp_path):
    text = run(put(tmp_path, HEAD, GOOD.replace(",2026-01-01", ",")), as_of="2018-03-20")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert {row["as_of"] for row in rows} == {"2018-03-20"}
    with pytest.raises(CommandError, match="--as-of"):
        run(put(tmp_path, HEAD, GOOD), as_of="soon")


def test_a_wrong_cell_names_row_and_column_and_nothing_is_written(tmp_path):
    out = tmp_path / "answer.csv"
    out.write_text("what stood here before")
    wrong = GOOD.replace("2018-03,", "31.02.2018,").replace("mild_steel", "jelly")
    with pytest.raises(CommandError) as problem:
        run(put(tmp_path, HEAD, GOOD, wrong), out=str(out))
    assert 'Row 3, column "made": "31.02.2018" does not exist' in str(problem.value)
    assert 'Row 3, column "shell": "jelly" is not known' in str(problem.value)
    assert "nothing was answered" in str(problem.value)
    assert problem.value.returncode == 1
    assert out.read_text() == "what stood here before"
    assert {path.name for path in tmp_path.iterdir()} == {"answer.csv", "cases.csv"}


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        (["agent,colour", "water,red"], 'Row 1, column "colour"'),
        (["agent", "water,red"], 'Row 2, column "agent": 1 more cells follow'),
        (["agent"], "no case below its first row"),
        ([], 'Row 1, column "agent": is missing'),
        (["agent", '"water'], "Line 2: unexpected end of data"),
    ],
)
def test_a_file_of_the_wrong_shape_is_refused(tmp_path, lines, says):
    with pytest.raises(CommandError, match=says):
        run(put(tmp_path, *lines))


def test_a_file_that_is_not_there_or_not_utf_8_is_refused(tmp_path):
    with pytest.raises(CommandError, match="cannot be read"):
        run(str(tmp_path / "none.csv"))
    with pytest.raises(CommandError, match="not UTF-8"):
        run(put(tmp_path, HEAD, GOOD.replace("A,", "Ä,", 1), encoding="latin-1"))
    with pytest.raises(CommandError, match="cannot be written"):
        run(put(tmp_path, HEAD, GOOD), out=str(tmp_path / "no" / "such.csv"))


def test_no_more_than_fifty_wrong_cells_are_told(tmp_path):
    with pytest.raises(CommandError) as problem:
        run(put(tmp_path, HEAD, *[GOOD.replace("mild_steel", "jelly")] * 60))
    assert str(problem.value).count("jelly") == 50
    assert "And 10 more." in str(problem.value)


def test_the_help_names_every_column():
    assert all(f"\n  {name:15} " in HELP for name in COLUMNS)
