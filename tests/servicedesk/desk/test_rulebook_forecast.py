"""The forecast, the findings and "what if": page, file, who and cost."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.core.management import call_command

from inventory.measures.kinds import Agent, Construction, Shell, Task
from inventory.measures.stamps import Stamp
from inventory.register.models import Depot, Unit
from schedules.due.services import refresh_stale
from servicedesk.desk import findings, forecast
from servicedesk.management.commands import forecast as command
from servicedesk.pages import STANDING_LINE
from tests.factories import NOW, make_model, make_record, make_site, make_unit, make_visit
from tests.servicedesk.page_cast import Cast, make_serviced_unit, text_of

pytestmark = pytest.mark.django_db
# A clock that ran ahead took a record in; today it lies in the future.
LATER = datetime(2027, 1, 2, tzinfo=UTC)


def rows_of(answer: Any) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text_of(answer).removeprefix("\ufeff"), newline="")))


# --- forecast --------------------------------------------------------------------------------------


def test_what_falls_due_as_chart_and_table(cast: Cast) -> None:
    answer = cast.get("dispatcher", "desk:forecast", years="2")
    page = text_of(answer)
    found = answer.context["found"]
    assert (found.units, found.total) == (2, 4)
    march = next(line for line in answer.context["months"] if line["month"] == date(2027, 3, 1))
    assert (march["cells"], march["total"]) == ([2], 2)
    assert "25 months. The most falls due in March 2027: 2." in page
    assert 'role="img" aria-labelledby="bars-title bars-words"' in page
    assert page.count('class="bar-month"') == 25
    assert "style=" not in page.split("<main", 1)[1]
    for words in ("unconfirmed", STANDING_LINE, "each task is supposed done at its target"):
        assert words in page


@pytest.mark.parametrize(
    ("by", "names"),
    [
        ("site", ["Mill Lane works", "Quay Street foundry"]),
        ("owner", ["Harrow Mills", "Pike Foundry"]),
        ("city", ["Port Calder"]),
        ("region", ["US"]),
        ("depot", ["Harbour depot", "No depot named"]),
        ("task", ["Maintenance"]),
        ("table", ["us-osha-1910-157 2026-1"]),
    ],
)
def test_it_is_broken_down_by_what_is_asked(cast: Cast, by: str, names: list[str]) -> None:
    cast.site.depot = Depot.objects.create(name="Harbour depot")
    cast.site.save(update_fields=["depot"])
    answer = cast.get("manager", "desk:forecast", by=by)
    assert [group["name"] for group in answer.context["groups"]] == names
    at_depot = cast.get("manager", "desk:forecast", depot=cast.site.depot.public_id)
    assert at_depot.context["found"].units == 1


def test_the_command_writes_the_file_of_the_page_for_any_number(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command, "SITES_AT_ONCE", 1)
    make_visit(cast.other_site, [cast.other_unit], planned_on=date(2027, 1, 20))
    for more, query in (((), {}), (("--at-planned-visit",), {"pace": "planned"})):
        out, err = io.StringIO(), io.StringIO()
        call_command("forecast", "--years", "3", *more, stdout=out, stderr=err)
        page = rows_of(cast.get("manager", "desk:forecast", years="3", **{"as": "csv"}, **query))
        found = list(csv.DictReader(io.StringIO(out.getvalue().removeprefix("\ufeff"), newline="")))
        assert sorted(map(str, found)) == sorted(map(str, page))
        assert len(found) > 4
        assert err.getvalue().split() == ["1", "of", "2", "sites", "2", "of", "2", "sites"]


def test_it_is_narrowed_to_a_place_and_a_task(cast: Cast) -> None:
    for query in ({"site": cast.site.public_id}, {"owner": cast.owner.public_id}):
        assert cast.get("manager", "desk:forecast", **query).context["found"].units == 1
    assert cast.get("manager", "desk:forecast", task="recharge").context["found"].total == 0
    assert cast.get("manager", "desk:forecast", city="Port Calder").context["found"].units == 2


def test_planned_visits_take_the_place_of_targets_when_asked(cast: Cast) -> None:
    make_visit(cast.other_site, [cast.other_unit], planned_on=date(2027, 1, 20))
    target = cast.get("manager", "desk:forecast", site=cast.other_site.public_id)
    planned = cast.get("manager", "desk:forecast", site=cast.other_site.public_id, pace="planned")
    assert [key.month for key in target.context["found"].counts] == [date(2027, 3, 1)]
    assert [key.month for key in planned.context["found"].counts] == [date(2027, 1, 1)]
    assert "at its planned visit" in text_of(planned)


def test_the_file_holds_every_count(cast: Cast) -> None:
    answer = cast.get("manager", "desk:forecast", years="10", **{"as": "csv"})
    rows = rows_of(answer)
    assert tuple(rows[0]) == forecast.HEADINGS
    shown = cast.get("manager", "desk:forecast", years="10").context["found"]
    assert sum(int(row["number"]) for row in rows) == shown.total
    assert {row["site"] for row in rows} == {"Mill Lane works", "Quay Street foundry"}
    assert {row["note"] for row in rows} == {STANDING_LINE}
    assert all(row["table_confirmation"].startswith("Unconfirmed") for row in rows)
    assert {row["from"] for row in rows} == {"2026-11-25"}


@pytest.mark.parametrize("query", [{"years": "11"}, {"by": "moon"}, {"site": "mill"}, {"city": "Nowhere"}])
def test_a_choice_that_is_not_there_is_refused(cast: Cast, query: dict[str, str]) -> None:
    answer = cast.get("manager", "desk:forecast", **query)
    assert answer.status_code == 400
    assert "Nothing was worked out." in text_of(answer)


def test_an_empty_register_says_so() -> None:
    drawn = forecast.chart([(date(2026, 11, 1), 0), (date(2026, 12, 1), 0)])
    assert drawn["words"] == "Nothing falls due."
    assert [bar["height"] for bar in drawn["bars"]] == ["0.0", "0.0"]


def test_a_chart_names_its_years_where_there_is_room() -> None:
    months = [date(2026 + (10 + n) // 12, (10 + n) % 12 + 1, 1) for n in range(121)]
    drawn = forecast.chart([(month, 3) for month in months])
    assert [label["text"] for label in drawn["labels"]] == [str(year) for year in range(2027, 2037)]


def test_the_forecast_costs_the_same_for_any_number_of_units(
    cast: Cast, django_assert_num_queries: Any
) -> None:
    client = cast.client("manager")
    for _ in range(2):
        # session, person; places, sites, owners and depots to choose from; units counted and named; records,
        # facts, sites, their owners, adoptions, variations; confirmations
        with django_assert_num_queries(15):
            assert client.get("/desk/forecast/").status_code == 200
        make_serviced_unit(cast.site)


# --- findings --------------------------------------------------------------------------------------


def odd_unit(cast: Cast) -> Unit:
    kind = make_model(agent=Agent.UNKNOWN, construction=Construction.UNKNOWN, shell=Shell.UNKNOWN)
    return make_unit(cast.site, model=kind)


def test_a_unit_that_no_rule_covers_is_never_silence(cast: Cast) -> None:
    odd, bare = odd_unit(cast), make_unit(make_site(cast.owner, tables=()))
    answer = cast.get("manager", "desk:findings")
    texts = {line["unit"]: " ".join(line["texts"]) for line in answer.context["lines"]}
    assert set(texts) == {odd, bare}
    assert (
        "United States workplaces does not say when hydrostatic test falls due for this kind." in texts[odd]
    )
    assert "No interval table speaks of this unit at all." in texts[bare]
    assert [(tab["label"], tab["count"]) for tab in answer.context["tabs"]] == [
        ("No rule covers it", 2),
        ("Records in doubt", 0),
        ("Manufacture not known", 0),
    ]
    for words in ("unconfirmed", STANDING_LINE):
        assert words in text_of(answer)


def test_records_in_doubt_are_told_in_words(cast: Cast) -> None:
    def unit(*done: Stamp, **fields: Any) -> Unit:
        found = make_unit(cast.site, refresh=False, **fields)
        for stamp in done:
            make_record(found, Task.MAINTENANCE, stamp, refresh=False, received_at=LATER)
        return found

    early = unit(Stamp.of(2021, 1, 1))
    twice = unit(Stamp.of(2025, 1, 1), Stamp.of(2025, 1, 1))
    ahead = unit(Stamp.of(2027, 1, 1))
    unread = unit(Stamp.unknown("??"))
    unborn = unit(made=Stamp.of(2028))
    unit(Stamp.of(2024, 2, 29), Stamp.of(2025, 2, 28))
    refresh_stale(now=NOW)
    answer = cast.get("dispatcher", "desk:findings", sort="records")
    texts = {line["unit"]: " ".join(line["texts"]) for line in answer.context["lines"]}
    assert {found: words in texts.get(found, "") for found, words in (
        (early, "lies before manufacture"),
        (twice, "recorded twice"),
        (ahead, "lies after 2026-11-25"),
        (unread, "no readable date"),
        (unborn, "lies after 2026-11-25"),
    )} == dict.fromkeys((early, twice, ahead, unread, unborn), True)  # fmt: skip
    assert len(texts) == 5


def test_unknown_manufacture_dates_are_a_list_of_their_own(cast: Cast) -> None:
    unit = make_unit(cast.site, made=Stamp.unknown("plate gone"))
    answer = cast.get("manager", "desk:findings", sort="made")
    assert [line["unit"] for line in answer.context["lines"]] == [unit]
    assert "what counts from it is due now" in text_of(answer)


def test_findings_are_a_file(cast: Cast) -> None:
    odd = odd_unit(cast)
    rows = rows_of(cast.get("manager", "desk:findings", sort="uncovered", **{"as": "csv"}))
    assert tuple(rows[0]) == findings.HEADINGS
    assert {(row["unit"], row["finding"], row["note"]) for row in rows} == {
        (odd.number, "No rule covers it", STANDING_LINE)
    }
    assert all("Unconfirmed" in row["table_confirmation"] for row in rows)
    made = make_unit(cast.site, made=Stamp.unknown())
    assert {
        r["unit"] for r in rows_of(cast.get("manager", "desk:findings", sort="made", **{"as": "csv"}))
    } == {made.number}


@pytest.mark.parametrize("sort", ["uncovered", "records", "made"])
def test_findings_cost_the_same_for_any_number(cast: Cast, sort: str, django_assert_num_queries: Any) -> None:
    client = cast.client("manager")

    def add() -> None:
        odd_unit(cast)
        make_record(make_unit(cast.site, made=Stamp.unknown()), done=Stamp.of(2027, 1, 1), received_at=LATER)

    # session, person; the number of each sort, zones for records in doubt; units named, zones again; what is
    # wrong with them; confirmations
    expected = {"uncovered": 9, "records": 11, "made": 8}[sort]
    for _ in range(2):
        add()
        with django_assert_num_queries(expected):
            assert client.get("/desk/findings/", {"sort": sort}).status_code == 200


# --- what if ---------------------------------------------------------------------------------------


def test_a_recharge_today_is_laid_beside_what_stands(cast: Cast) -> None:
    answer = cast.get("manager", "desk:unit", cast.unit.public_id, what="recharge")
    lines = {line.task: line for line in answer.context["what_if"]["lines"]}
    emptying = lines["Internal examination"]
    # 29 CFR 1910.157(e)(4): the recharge restarts the six-year clock and leaves the pressure test alone.
    assert (emptying.before_on, emptying.after_on) == (date(2031, 3, 31), date(2032, 11, 25))
    assert not lines["Hydrostatic test"].moves
    page = text_of(answer)
    assert "1 date would move</strong> if it were recharged today." in page
    assert "unconfirmed" in page


def test_a_test_today_and_other_surroundings(cast: Cast) -> None:
    answer = cast.get("technician", "desk:unit", cast.unit.public_id, what="test", method="proof_pressure")
    lines = {line.task: line for line in answer.context["what_if"]["lines"]}
    assert lines["Hydrostatic test"].after_on == date(2038, 11, 25)
    page = text_of(cast.get("manager", "desk:unit", cast.unit.public_id, what="vehicle"))
    assert "No date would move" in page
    assert "No table here asks for surroundings" in page
    assert "asks for surroundings" not in text_of(answer)


def test_what_is_not_to_be_supposed_is_refused_and_no_question_costs_nothing(cast: Cast) -> None:
    page = text_of(cast.get("manager", "desk:unit", cast.unit.public_id, what="painted"))
    assert "Select a valid choice." in page
    assert cast.get("manager", "desk:unit", cast.unit.public_id).context["what_if"].keys() == {"form"}
    nowhere = make_unit(cast.site)
    Unit.objects.filter(pk=nowhere.pk).update(site=None, location=None)
    answer = cast.get("manager", "desk:unit", nowhere.public_id, what="recharge")
    assert answer.context["what_if"].keys() == {"form"}
