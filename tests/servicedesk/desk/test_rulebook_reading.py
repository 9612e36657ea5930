"""Comparing tables and trying them out: pages that change nothing."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pytest
from django.urls import reverse

from schedules.engine.tryout import LINE_COLUMNS
from schedules.rulebook.services import vary_rule
from schedules.rules import load_tables
from servicedesk.pages import STANDING_LINE
from tests.factories import NOW
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db
OSHA = "us-osha-1910-157@2026-1"
OLD, NEW = (f"{t.key}@{t.version}" for t in load_tables()["it-uni-9994-1"])


# --- comparing -------------------------------------------------------------------------------------


def test_the_choice_offers_tables_shipped_in_two_editions(cast: Cast) -> None:
    page = text_of(cast.get("owner", "desk:table-compare"))
    assert f"?old={OLD}&amp;new={NEW}" in page
    assert STANDING_LINE in page


def test_two_editions_are_laid_side_by_side(cast: Cast) -> None:
    answer = cast.get("technician", "desk:table-compare", old=OLD, new=NEW)
    found = answer.context["found"]
    page = text_of(answer)
    assert len(answer.context["changed"]) == len(found.changed)
    assert f"{len(found.changed)} rule" in page
    for heading in ("Changed rules", "The table as a whole"):
        assert heading in page
    assert "unconfirmed" in page
    for line in answer.context["added"]:
        assert line["rule"].clause in page


def test_a_table_is_compared_with_how_a_site_varies_it(cast: Cast) -> None:
    vary_rule(
        "us-osha-1910-157",
        "maintenance",
        {"every": "P6M"},
        by=cast.people["manager"],
        at=NOW,
        reason="Plating shop",
        reference="FM-17",
        site=cast.site,
    )
    answer = cast.get("owner", "desk:table-compare", old=OSHA, new="", site=cast.site.public_id)
    (line,) = answer.context["changed"]
    assert [(f.label, f.old, f.new) for f in line["fields"]] == [("Interval", "1 year", "6 months")]
    page = text_of(answer)
    assert "as varied at Mill Lane works" in page
    assert "Reason: Plating shop. Authority: FM-17." in page


def test_a_site_out_of_sight_cannot_be_compared_with(cast: Cast) -> None:
    answer = cast.get("owner", "desk:table-compare", old=OSHA, site=cast.other_site.public_id)
    assert answer.status_code == 400
    assert "Quay Street" not in text_of(answer)


def test_the_page_of_a_table_leads_to_the_choice_of_the_other_one(cast: Cast) -> None:
    key, version = OSHA.split("@")
    address = f"{reverse('desk:table-compare')}?old={OSHA}"
    page = cast.get("manager", "desk:table", key, version).content.decode()
    assert f'href="{address}"' in page
    answer = cast.client("manager").get(address)
    assert answer.status_code == 200
    assert f'<option value="{OSHA}" selected>' in answer.content.decode()
    assert "Nothing was compared." not in text_of(answer)


@pytest.mark.parametrize(
    "query",
    [
        {"old": OSHA, "new": ""},
        {"old": OSHA, "new": OSHA},
        {"old": "x@1", "new": OSHA},
        {"old": "", "new": OSHA},
    ],
)
def test_what_cannot_be_compared_is_refused(cast: Cast, query: dict[str, str]) -> None:
    answer = cast.get("manager", "desk:table-compare", **query)
    assert answer.status_code == 400
    assert "Nothing was compared." in text_of(answer)


# --- trying out ------------------------------------------------------------------------------------

UNIT = {
    "table": OSHA,
    "agent": "dry_chemical_abc",
    "construction": "stored_pressure",
    "shell": "mild_steel",
    "made": "2018-03",
    "records": "recharge:2021-06-15",
    "as_of": "2026-01-01",
}


def test_a_unit_that_does_not_exist_gets_its_dates_and_reasons(cast: Cast) -> None:
    answer = cast.get("workshop", "desk:table-try", **UNIT)
    page = text_of(answer)
    ((table, lines),) = answer.context["tables"]
    assert table.key == "us-osha-1910-157"
    latest = {line["item"].task.value: str(line["item"].latest) for line in lines}
    # 29 CFR 1910.157(e)(4) and Table L-1.
    assert (latest["internal_examination"], latest["hydrostatic_test"]) == ("2027-06-15", "2030-03-31")
    assert "2021-06-15 + 6 years = 2027-06-15." in page
    for words in ("unconfirmed", STANDING_LINE, "1 Jan 2026"):
        assert words in page


def test_several_tables_say_which_one_binds(cast: Cast) -> None:
    answer = cast.get("manager", "desk:table-try", **{**UNIT, "table": [OSHA, "us-nfpa-10@2026-1"]})
    assert len(answer.context["tables"]) == 2
    assert "This date binds." in text_of(answer)


def test_what_is_doubtful_is_told(cast: Cast) -> None:
    page = text_of(cast.get("manager", "desk:table-try", **{**UNIT, "records": "recharge:2017-01-01"}))
    assert "lies before manufacture" in page
    odd = {**UNIT, "agent": "unknown", "construction": "unknown", "shell": "unknown"}
    assert "No rule covers this kind" in text_of(cast.get("manager", "desk:table-try", **odd))
    idle = text_of(cast.get("manager", "desk:table-try", **{**UNIT, "records": "weighing:2025-01"}))
    assert "Weighing of 2025-01: moves no date of us-osha-1910-157" in idle


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"made": "31.02.2018"}, "does not exist"),
        ({"charge": "10"}, "has no unit"),
        ({"records": "dance:2021"}, "is not a task"),
        ({"as_of": "soon"}, "Enter a day like 2026-11-30."),
        ({"table": ""}, "Choose at least one table."),
        ({"agent": "sand"}, "Select a valid choice."),
    ],
)
def test_a_wrong_field_is_told_beside_it(cast: Cast, changes: dict[str, str], said: str) -> None:
    given = {name: value for name, value in {**UNIT, **changes}.items() if value}
    answer = cast.get("manager", "desk:table-try", **given)
    assert answer.status_code == 400
    assert said in text_of(answer)
    assert "Nothing was answered." in text_of(answer)


def test_the_answer_as_files(cast: Cast) -> None:
    answer = cast.get("manager", "desk:table-try", **UNIT, **{"as": "csv"})
    rows = list(csv.DictReader(io.StringIO(text_of(answer).removeprefix("\ufeff"), newline="")))
    assert tuple(rows[0]) == (*LINE_COLUMNS, "table_confirmation")
    assert {row["task"]: row["latest"] for row in rows}["hydrostatic_test"] == "2030-03-31"
    assert all("Unconfirmed" in row["table_confirmation"] for row in rows)
    same = json.loads(text_of(cast.get("manager", "desk:table-try", **UNIT, **{"as": "json"})))
    assert [row["latest"] for row in same] == [row["latest"] for row in rows]


def test_the_pages_cost_few_queries(cast: Cast, django_assert_num_queries: Any) -> None:
    client = cast.client("manager")
    # session, person, confirmations for the choices, confirmations for the notice, sites to choose from
    with django_assert_num_queries(5):
        assert client.get("/desk/tables/compare/", {"old": OLD, "new": NEW}).status_code == 200
    # session, person, confirmations for the choices, confirmations for the notice
    with django_assert_num_queries(4):
        assert client.get("/desk/tables/try/", UNIT).status_code == 200
